"""`wakewell help`: what a command does, its options, an example and its exit codes."""

from __future__ import annotations

import argparse

import wakewell
from wakewell.commands import COMMANDS, DESCRIPTION, given, known, parser_of


def arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument(
        "about", nargs="?", metavar="COMMAND", help="the command; default: all of them, in short"
    )
    parser.add_argument(
        "--man", action="store_true", help="print the manual page of all commands, for man"
    )
    parser.epilog = (
        "exit codes: 0 shown; 2 no such command. To keep the manual page: wakewell help --man > "
        "~/.local/share/man/man1/wakewell.1 (make that folder first); then: man wakewell"
    )


def run(args: argparse.Namespace) -> int:
    """The command. Without --man it ends the program as --help does."""
    if args.man:
        print(manual(), end="")
        return 0
    about = [] if args.about is None else [known(args.about)]
    parser_of(about).parse_args([*about, "--help"])
    return 0


def manual() -> str:
    """The manual page, made from the parsers, in the language of roff."""
    from argparse_manpage.manpage import Manpage

    parser = parser_of(COMMANDS, skip_absent=True)
    status = str(parser.epilog).removeprefix("exit codes: ")
    parser.epilog = None  # it would stand below "comments"
    page = Manpage(parser, format="single-commands-section")
    page.description = DESCRIPTION
    page.source = f"wakewell {wakewell.__version__}"
    page.manual = "Wakewell"
    ends = {name: str(sub.epilog) for name, sub in parser.subs.items() if sub.epilog}
    values = {f"\\fI{value}\\fR": what for value, what in given.VALUES.items()}
    for heading, rows in (
        ("exit status", {"every command": status}),
        ("examples", {f"\\fBwakewell {name}\\fR": text for name, text in ends.items()}),
        ("what stands for a value", values),
    ):
        text = "\n".join(f".TP\n{name}\n{what}" for name, what in rows.items())
        page.add_section(heading, "=", text.replace("-", "\\-"))
    return str(page)
