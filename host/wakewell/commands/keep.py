"""`wakewell keep`: its arguments, its words and its exit code."""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path
from typing import Any

from wakewell.commands import given
from wakewell.commands.durations import seconds
from wakewell.errors import BadInput
from wakewell.radio import copies
from wakewell.radio.listen import DATABASE
from wakewell.terminal import Bad, tell
from wakewell.tomlfile import show_path

COPIES = 14
LEAST_EVERY_S, MOST_EVERY_S = 3600, 30 * 86400


def arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument(
        "folder", metavar="DIR", help="the folder of the copies, or with --restore one"
    )
    parser.add_argument(
        "pots", nargs="*", metavar="POT",
        help="the pots' folders to copy; default: none, the existing copies are checked",
    )  # fmt: skip
    given.option(
        parser,
        "--database",
        f"default: {DATABASE} beside the first pot; with --restore: an empty one",
    )
    parser.add_argument(
        "--copies", type=int, default=COPIES, metavar="N",
        help=f"how many copies to keep; older ones are removed; default: {COPIES}",
    )  # fmt: skip
    given.option(parser, "--every", "1h to 30d, a copy each time; default: one copy", type=seconds)
    parser.add_argument(
        "--restore",
        action="store_true",
        help="restore the newest copy, or the one named; nothing is overwritten",
    )
    given.option(parser, "--out", "with --restore; default: the folder you are in", default=".")
    given.option(parser, "--unit")
    given.option(parser, "--json")
    parser.epilog = (
        "exit codes: 0 a copy was made, all copies are whole, or one was restored; 1 a copy is "
        "damaged; 2 no copy was made or restored, with the reason"
    )


def run(args: argparse.Namespace) -> int:
    """The command. Returns its exit code."""
    where = Path(args.folder)
    given.check_every(args, LEAST_EVERY_S, MOST_EVERY_S, "1h to 30d, such as 1d")
    if not 1 <= args.copies <= 10000:
        raise BadInput(f"--copies {args.copies}: allowed 1 to 10000")
    if args.unit:
        if not args.pots or args.every is None:
            raise BadInput("--unit: give the pots and --every too, such as --every 1d")
        return given.show_unit(args, "copies of database and pots")
    if args.restore:
        return restore(args, where)
    if not args.pots:
        return verify(args, where)
    if args.every is not None and args.json:
        raise BadInput("--json tells of one copy; leave --every out")
    while True:
        try:
            make(args, where)
        except BadInput as error:
            if args.every is None:
                raise
            print(f"waiting: {error}", file=sys.stderr, flush=True)
        if args.every is None:
            return 0
        time.sleep(args.every)


def make(args: argparse.Namespace, where: Path) -> None:
    """One copy; and the oldest beyond the number go."""
    pots = [given.pot_folder(name) for name in args.pots]
    database = str(args.database or pots[0].resolve().parent / DATABASE)
    made = copies.make(where, pots, database)
    gone = copies.thin_out(where, args.copies)
    if args.json:
        given.show_json(args, 0, [as_json(made, [])], removed=[path.name for path in gone])
        return
    print(f"{show_path(str(made.path))}: {said(made)}, read back and whole", flush=True)
    for path in gone:
        print(f"{show_path(str(path))}: removed", flush=True)


def verify(args: argparse.Namespace, where: Path) -> int:
    """Every copy that is there, byte for byte."""
    found = [(path, *looked_at(path)) for path in paths(where)]
    code = 1 if any(damage for _, _, damage in found) else 0
    if args.json:
        results = [
            as_json(made, damage) if made else {"name": path.name, "good": False, "damage": damage}
            for path, made, damage in found
        ]
        return given.show_json(args, code, results)
    for path, made, damage in found:
        text = f"{show_path(str(path))}: {said(made) if made else 'its list is damaged'}"
        tell(Bad(f"{text}; damaged: {damage[0]}") if damage else f"{text}, whole")
    return code


def looked_at(path: Path) -> tuple[copies.Copy | None, list[str]]:
    """(the copy, what of it is damaged)."""
    try:
        made = copies.read(path)
    except BadInput as error:
        return None, [str(error)]
    return made, copies.damage(made)


def restore(args: argparse.Namespace, where: Path) -> int:
    """The newest copy, or the very one that was named, laid out."""
    if args.pots or args.every is not None:
        raise BadInput("--restore: takes DIR alone, and all pots of the copy come back")
    newest = copies.read(paths(where)[-1])
    lines = copies.restore(newest, Path(args.out), args.database or "")
    if args.json:
        return given.show_json(args, 0, [as_json(newest, [])], out=str(args.out))
    names = ", ".join(newest.pots)
    print(f"{show_path(str(newest.path))}: {said(newest)}")
    print(f"restored into {show_path(str(args.out))}: {names}; {lines} lines in the database")
    return 0


def paths(where: Path) -> list[Path]:
    """The copies below that folder, or that copy itself, oldest first. Raises BadInput."""
    found = [where] if (where / copies.LIST).exists() else copies.all_in(where)
    if not found:
        text = "no copy there; give the pots' folders too and one is made"
        raise BadInput(f"{show_path(str(where))}: {text}")
    return found


def said(made: copies.Copy) -> str:
    """What is in a copy, in a few words."""
    pots = f"{len(made.pots)} pot{'s' if len(made.pots) > 1 else ''}"
    return f"{pots}, {made.lines} lines in the database, {made.size / 1e6:.1f} MB"


def as_json(made: copies.Copy, damage: list[str]) -> dict[str, Any]:
    """A copy for a machine."""
    return {
        "name": made.path.name,
        "good": not damage,
        "path": str(made.path),
        "pots": list(made.pots),
        "lines": made.lines,
        "bytes": made.size,
        "damage": damage,
    }
