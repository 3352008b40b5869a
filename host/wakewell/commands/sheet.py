"""`wakewell sheet`: its arguments, its words and its exit code."""

from __future__ import annotations

import argparse
from datetime import date
from pathlib import Path

from wakewell.commands import given
from wakewell.sheet import own, page
from wakewell.tomlfile import show_path

PLACE = "pages"


def arguments(parser: argparse.ArgumentParser) -> None:
    """The command's arguments."""
    parser.add_argument("pot", metavar="POT", help="the pot's folder")
    given.option(parser, "--out", f"default: {PLACE}", default=PLACE)
    given.option(parser, "--json")
    parser.epilog = "exit codes: 0 made; 2 input that cannot be used"


def run(args: argparse.Namespace) -> int:
    """The command. Returns its exit code."""
    given.pot_folder(args.pot)
    sheet = page.made(args.pot, date.today())
    path = page.write(sheet, Path(args.out))
    if args.json:
        return given.show_json(args, 0, [page.as_json(sheet) | {"file": str(path)}])
    print(show_path(str(path)))
    if sheet.marks:
        print(f"  made from {sheet.marks}")
    if not sheet.costs.file:
        print(
            "  no prices.toml in the pot's folder, beside it or above it: the sheet has no prices"
        )
    elif sheet.unpriced:
        print(f"  without a price in {show_path(sheet.costs.file)}: {', '.join(sheet.unpriced)}")
    for name, why in sheet.own.left:
        print(f"  left out: {own.FOLDER}/{show_path(name)}: {why}")
    return 0
