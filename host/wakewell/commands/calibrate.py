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
from wakewell.terminal import Bad, tell

HEAD = """\
Tables from the points of the bench book: it takes seconds, and nothing moves. The board obeys them
after wakewell flash. As found is what the table before says of the same points."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument("pot", metavar="POT", help="the pot's folder")
    parser.add_argument(
        "--only", action="append", metavar="PROBE",
        help="fit this probe only; may be repeated; default: all of them",
    )  # fmt: skip
    given.option(parser, "--dry-run")
    given.option(parser, "--picture", f"default: {PICTURE} in the pot's folder")
    given.option(parser, "--page", "default: no page")
    given.option(parser, "--json")
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
    lines = [HEAD, *made.lines, *(Bad(f"NOT fitted: {text}") for text in made.refused)]
    if not args.dry_run:
        lines += write(made)
        if made.fits:
            picture(made, path)
            lines.append(f"picture: {path}")
        if args.page:
            lines.append(f"page:    {page_files.page_link(folder / 'logs', args.page)}")
        lines.append("Now flash the pot, and commit its folder.")
    code = 1 if made.refused else 0
    if args.json:
        result = {"name": folder.resolve().name, "good": not code, "changes": made.changes}
        result |= {"not_fitted": made.refused, "written": not args.dry_run}
        return given.show_json(args, code, [result])
    tell(*lines)
    return code
