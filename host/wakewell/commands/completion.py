"""`wakewell completion`: its arguments, its words and its exit code."""

from __future__ import annotations

import argparse

import shtab

from wakewell.commands import COMMANDS, parser_of

# What stands for a place on the disk in the help; the shell then offers what is there.
PLACES = {
    "DIR": shtab.DIRECTORY,
    "FILE": shtab.FILE,
    "LOG": shtab.FILE,
    "PEM": shtab.FILE,
    "POT": shtab.DIRECTORY,
    "TRIAL": shtab.FILE,
}


def arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument(
        "shell",
        choices=shtab.SUPPORTED_SHELLS,
        metavar="SHELL",
        help="the shell you use: " + ", ".join(shtab.SUPPORTED_SHELLS),
    )
    parser.epilog = (
        "It prints a script. For bash: wakewell completion bash > "
        "~/.local/share/bash-completion/completions/wakewell; for zsh: a file _wakewell in a "
        "folder of $fpath. Then open a new shell. Exit codes: 0 printed; 2 no such shell"
    )


def run(args: argparse.Namespace) -> int:
    """The command. Returns its exit code."""
    parser = parser_of(COMMANDS, skip_absent=True)
    for action in [action for sub in parser.subs.values() for action in sub.taken]:
        place = PLACES.get(str(action.metavar))
        if place is not None:
            action.complete = place  # type: ignore[attr-defined]  # what shtab looks for
    print(shtab.complete(parser, shell=args.shell))
    return 0
