"""The subcommands: one file each, found by its name."""

from __future__ import annotations

import argparse
import importlib
from collections.abc import Collection

import wakewell
from wakewell import extras

# What each subcommand is for. Its module has its name and holds arguments(parser) and
# run(args) -> exit code; only the one that is asked for is loaded.
COMMANDS = {
    "replay": "play logs and sequences through the control core and judge them",
    "cut": "cut a sequence, a regression test, from a field log",
    "check": "check a pot's folder and compile it to what the board stores",
    "simulate": "simulate months of a pot's life in seconds",
    "budget": "say how long battery and tank last, and what to buy",
    "report": "make pages, pictures and tables that show how a pot is",
    "parcel": "pack a pot's log and files into one file to send for help",
    "flash": "put code and settings on a pot's board over USB",
    "pull": "fetch a pot's log from its board over USB",
    "inspect": "show a board's state on one screen; end a lockout",
    "bringup": "first contact with a board: test each part by itself",
    "commission": "put a pot into service, step by step",
    "calibrate": "fit a pot's tables from the recorded points",
    "ask": "ask a pot for other settings without a cable",
    "listen": "receive what pots report by radio, and keep it",
    "remind": "remind people once a day of what a pot needs",
    "handover": "wipe a pot's secrets before it changes its home",
    "deskboard": "run a simulated board, to try commands without hardware",
    "completion": "let the Tab key of your shell complete commands and options",
}


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
