"""The `wakewell` command: finds the module of each subcommand and reports what goes wrong."""

from __future__ import annotations

import argparse
import importlib
import os
import sys
from collections.abc import Collection, Sequence

import wakewell
from wakewell import extras, terminal
from wakewell.errors import BadInput
from wakewell.terminal import OutputLost
from wakewell.tomlfile import show_path

# What each subcommand is for. Its module, commands/NAME.py, holds arguments(parser) and
# run(args) -> exit code; only the one that is asked for is loaded.
COMMANDS = {
    "replay": "play logs and sequences through the control core; a verdict",
    "cut": "cut a sequence, a regression test, from a field log",
    "check": "check a pot's folder and compile it to what the board stores",
    "simulate": "months of a pot's life in a second, the core deciding",
    "budget": "how long battery and tank last, and what to buy",
    "report": "pages, pictures and tables that show how a pot is doing",
    "parcel": "pack a pot's log and files into one file to send for help",
    "flash": "put code and settings on a pot's board over USB",
    "pull": "fetch a pot's log from its board over USB",
    "inspect": "a board's state on one screen; end a lockout",
    "bringup": "first contact of a board: each part tried by itself",
    "commission": "a guided first start of a pot at the bench",
    "calibrate": "fit a pot's tables from the recorded points",
    "ask": "ask a pot for other settings without a cable",
    "listen": "hear what pots tell by radio, and keep it",
    "remind": "remind people once a day of what a pot needs",
    "handover": "wipe a pot's secrets before it changes its home",
    "deskboard": "a board on the desk, to try commands without hardware",
    "completion": "let the Tab key of your shell complete commands and options",
}


BROKEN_PIPE = 141  # as a shell counts a program that wrote to one


def main(argv: Sequence[str] | None = None) -> int:
    """Run one subcommand. Exit codes: 0 good, 1 a finding, 2 input that cannot be used, 130
    stopped by Ctrl-C, 141 whoever read the output went away."""
    words = list(sys.argv[1:] if argv is None else argv)
    name = words[0] if words and words[0] in COMMANDS else ""
    with terminal.streams():
        try:
            return command(name, words)
        except KeyboardInterrupt:
            why, code = "stopped", 130
        except BadInput as error:
            why, code = str(error), 2
        except EOFError:
            why, code = "no answer came, so nothing was done", 2
        except MemoryError:
            why, code = "not enough memory; close other programs or give it less at once", 2
        except OutputLost as error:
            terminal.give_up(sys.stdout)
            if isinstance(error.why, BrokenPipeError):
                return BROKEN_PIPE
            why, code = f"what it says cannot be written: {error}; make room there", 2
        except ModuleNotFoundError as absent:
            why, code = extras.advice(absent.name, name), 2
            if not why:
                raise
        except OSError as error:
            if error.errno is None:  # none of the system's
                raise
            why, code = refused(error), 2
        print(f"{f'wakewell {name}'.rstrip()}: {why}", file=sys.stderr)
    return code


def refused(error: OSError) -> str:
    """What to say where the system refuses a file or a place that no command speaks for itself."""
    named = isinstance(error.filename, (str, bytes, os.PathLike))
    place = f"{show_path(os.fsdecode(error.filename))}: " if named else ""
    return f"{place}{error.strerror}; see to that place, its rights and the room there"


def parser_of(names: Collection[str], skip_absent: bool = False) -> argparse.ArgumentParser:
    """The parser of `wakewell`, which knows the arguments of those subcommands.

    skip_absent: one whose libraries are not installed is known by its name alone; without it,
    raises ModuleNotFoundError.
    """
    parser = argparse.ArgumentParser(prog="wakewell", description=wakewell.__doc__)
    parser.add_argument("--version", action="version", version=f"wakewell {wakewell.__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for each, text in COMMANDS.items():
        sub = commands.add_parser(each, help=text, description=text)
        if each not in names:
            continue
        try:
            module = importlib.import_module(f"wakewell.commands.{each}")
        except ModuleNotFoundError as absent:
            if skip_absent and extras.advice(absent.name, each):
                continue
            raise
        module.arguments(sub)
        sub.set_defaults(run=module.run)
    return parser


def command(name: str, words: Sequence[str]) -> int:
    """The exit code of the command of that name; "": what the words alone ask for."""
    if sys.stdout is None:
        raise BadInput("standard output is closed; leave it open, or send it to a file")
    try:
        args = parser_of([name]).parse_args(words)
        code: int = args.run(args)
    finally:
        sys.stdout.flush()
    return code
