"""The subcommands: one file each, found by its name."""

from __future__ import annotations

import argparse
import importlib
from collections.abc import Collection
from typing import Any, NoReturn

import wakewell
from wakewell import extras
from wakewell.errors import BadInput
from wakewell.tomlfile import nearest, show

# What each subcommand is for, below the headings of the README. Its module has its name and holds
# arguments(parser) and run(args) -> exit code; only the one that is asked for is loaded.
GROUPS = {
    "From nothing": {
        "new": "make a new pot's folder, or a project for your pots",
    },
    "What you see": {
        "replay": "play logs and sequences through the control core and judge them",
        "report": "make pages, pictures and tables that show how a pot is",
        "parcel": "pack a pot's log and files into one file to send for help",
        "check": "check a pot's folder and compile it to what the board stores",
    },
    "Before you buy, before you flash": {
        "budget": "say how long battery and tank last, and what to buy",
        "sheet": "make the page to build a pot by, from parts to first refill",
        "simulate": "simulate months of a pot's life in seconds",
        "tune": "fit a pot's twin to its log, and see what a change would do",
    },
    "A board, or a board on the desk": {
        "deskboard": "run a simulated board, to try commands without hardware",
        "flash": "put code and settings on a pot's board over USB",
        "bringup": "first contact with a board: test each part by itself",
        "commission": "put a pot into service, step by step",
        "calibrate": "fit a pot's tables from the recorded points",
        "pull": "fetch a pot's log from its board over USB",
        "inspect": "show a board's state on one screen; end a lockout",
    },
    "In other people's homes": {
        "ask": "ask a pot for other settings without a cable",
        "send": "send a new version of the program to pots, without a cable",
        "listen": "receive what pots report by radio, and keep it",
        "round": "show all pots at a glance, who needs a visit first",
        "remind": "remind people once a day of what a pot needs",
        "keep": "make verified copies of database and pots, and restore them",
        "handover": "wipe a pot's secrets before it changes its home",
    },
    "From a bug in the field to a test": {
        "cut": "cut a sequence, a regression test, from a field log",
    },
    "Help": {
        "help": "show what a command does, with its options and an example",
        "completion": "let the Tab key of your shell complete commands and options",
    },
}
DESCRIPTION = "replay, simulate and show planters that water themselves, and set up their boards"
COMMANDS = {name: text for group in GROUPS.values() for name, text in group.items()}
EXAMPLES = {
    "new": "new pots/fern --plant fern --chip esp32-c3",
    "replay": "replay --demo --page pages",
    "report": "report pots/fern --out pages",
    "parcel": "parcel pots/fern --share",
    "check": "check pots/fern pots/basil",
    "budget": "budget pots/fern --until 27",
    "sheet": "sheet pots/fern --out pages",
    "simulate": "simulate --cafe fern --picture fern.png",
    "tune": "tune pots/fern",
    "deskboard": "deskboard --link /tmp/board",
    "flash": "flash pots/fern --port /dev/ttyUSB0",
    "bringup": "bringup pots/fern",
    "commission": "commission pots/fern",
    "calibrate": "calibrate pots/fern --only soil",
    "pull": "pull pots/fern",
    "inspect": "inspect pots/fern",
    "ask": "ask pots/fern dose_ml=60",
    "send": "send pots/fern pots/basil --first pots/fern",
    "listen": "listen pots/fern --page pages",
    "round": "round pots/fern pots/basil",
    "remind": "remind pots/fern --every 15m",
    "keep": "keep copies pots/fern pots/basil --every 1d",
    "handover": "handover pots/fern",
    "cut": "cut pots/fern/logs 212 219 --file tests/sequences/hose_off.toml",
    "help": "help report",
    "completion": "completion bash",
}


class Grouped(argparse.HelpFormatter):
    """Help that lists the subcommands below their headings."""

    def __init__(self, prog: str) -> None:
        super().__init__(prog, max_help_position=18)

    def _format_action(self, action: argparse.Action) -> str:
        if action.dest != "command":
            return super()._format_action(action)
        self._action_max_length = max(self._action_max_length, 16)  # for the longest name
        rows = {row.dest: row for row in self._iter_indented_subactions(action)}
        parts = []
        for heading, names in GROUPS.items():
            self._indent()
            parts += [f"\n  {heading}\n", *(self._format_action(rows[name]) for name in names)]
            self._dedent()
        return self._join_parts(parts)


class Parser(argparse.ArgumentParser):
    """A parser that refuses as everything else here does: on one line, with what is allowed.

    taken: its arguments; subs: the parsers of its subcommands, by name.
    """

    def __init__(self, **how: Any) -> None:
        self.taken: list[argparse.Action] = []
        self.subs: dict[str, Parser] = {}
        super().__init__(**how)

    def _add_action(self, action: Any) -> Any:
        self.taken.append(action)
        return super()._add_action(action)

    def error(self, message: str) -> NoReturn:
        """What it cannot read. Raises BadInput."""
        name = self.prog.removeprefix("wakewell").strip()
        raise BadInput(f"{message}; wakewell {f'help {name}' if name else 'help'} says more")

    def _check_value(self, action: argparse.Action, value: Any) -> None:
        if action.choices is not None and value not in action.choices:
            names = [str(each) for each in action.choices]
            raise argparse.ArgumentError(
                action, f"{show(str(value))}: {nearest(str(value), names)}"
            )


def known(name: str) -> str:
    """The name of a subcommand. Raises BadInput, with the nearest one, for another word."""
    if name not in COMMANDS:
        near = nearest(name, COMMANDS)
        raise BadInput(f"{show(name)}: not a command; {near}; wakewell help lists them")
    return name


def parser_of(names: Collection[str], skip_absent: bool = False) -> Parser:
    """The parser of `wakewell`, which knows the arguments of those subcommands, and of the others,
    where none of them is one, the names.

    skip_absent: one whose libraries are not installed is known by its name alone; without it,
    raises ModuleNotFoundError.
    """
    parser = Parser(
        prog="wakewell",
        description=DESCRIPTION,
        epilog="exit codes: 0 good; 1 a finding; 2 input that cannot be used; 130 Ctrl-C",
        formatter_class=Grouped,
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="version", version=f"wakewell {wakewell.__version__}")
    commands = parser.add_subparsers(
        dest="command", required=True, metavar="COMMAND", title="commands"
    )
    asked = {each: text for each, text in COMMANDS.items() if each in names}
    for each, text in (asked or COMMANDS).items():
        sub = commands.add_parser(each, help=text, description=text, allow_abbrev=False)
        parser.subs[each] = sub
        if each not in names:
            continue
        try:
            module = importlib.import_module(f"wakewell.commands.{each}")
        except ModuleNotFoundError as absent:
            if skip_absent and extras.advice(absent.name, each):
                continue
            raise
        module.arguments(sub)
        more = str(sub.epilog)
        sub.epilog = f"Example: wakewell {EXAMPLES[each]}. {more[:1].upper()}{more[1:]}"
        sub.set_defaults(run=module.run)
    return parser


def options_of(parser: Parser, name: str) -> list[str]:
    """The long options of that subcommand."""
    taken = parser.subs[name].taken if name else []
    options = [option for action in taken for option in action.option_strings]
    return [option for option in options if option.startswith("--")]
