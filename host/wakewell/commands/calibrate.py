"""`wakewell calibrate`: its arguments, its words and its exit code."""

from __future__ import annotations

import argparse
from pathlib import Path

from wakecore import fields
from wakewell import drawing
from wakewell.bench.calibrate import PICTURE, calibrate, picture, write
from wakewell.commands import given
from wakewell.errors import BadInput
from wakewell.pot.bench_book import Book
from wakewell.report import page_files


def arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument("pot", metavar="POT", help="folder of the pot")
    parser.add_argument(
        "--only", action="append", metavar="PROBE", help="fit this probe only; may be repeated"
    )
    parser.add_argument("--dry-run", action="store_true", help="show, write nothing")
    parser.add_argument(
        "--picture", metavar="FILE", help=f"as .png or .svg; default: {PICTURE} in the folder"
    )
    parser.add_argument("--page", metavar="DIR", help="write the page of the pot's log there too")
    parser.epilog = "exit codes: 0 fitted; 1 a probe's points support no fit; 2 nothing to fit"


def run(args: argparse.Namespace) -> int:
    """The command. Returns its exit code."""
    folder = given.pot_folder(args.pot)
    known = [row[0] for row in fields.PROBES]
    for name in args.only or []:
        if name not in known:
            raise BadInput(f"--only {name}: allowed {', '.join(known)}")
    path = Path(args.picture) if args.picture else folder / PICTURE
    drawing.form_of(path)  # said before anything is written
    made = calibrate(folder, Book(folder), args.only)
    if not made.fits and not made.changes:
        why = "; ".join(made.refused) or "no points are recorded; run wakewell commission"
        raise BadInput(f"{folder}: {why}")
    print(*made.lines, sep="\n")
    for text in made.refused:
        print(f"NOT fitted: {text}")
    if not args.dry_run:
        print(*write(made), sep="\n")
        if made.fits:
            picture(made, path)
            print(f"picture: {path}")
        if args.page:
            print(f"page:    {page_files.page_link(folder / 'logs', args.page)}")
        print("Now flash the pot, and commit its folder.")
    return 1 if made.refused else 0
