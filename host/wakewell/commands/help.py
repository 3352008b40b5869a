"""`wakewell help`: what a command does, its options, an example and its exit codes."""

from __future__ import annotations

import argparse

from wakewell.commands import known, parser_of


def arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument("about", nargs="?", metavar="COMMAND", help="default: all, in short")
    parser.epilog = "exit codes: 0 shown; 2 no such command"


def run(args: argparse.Namespace) -> int:
    """The command. Ends the program as --help does."""
    about = [] if args.about is None else [known(args.about)]
    parser_of(about).parse_args([*about, "--help"])
    return 0
