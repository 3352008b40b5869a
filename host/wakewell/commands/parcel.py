"""`wakewell parcel`: its arguments, its words and its exit code."""

from __future__ import annotations

import argparse
import hashlib
import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import wakewell
from wakewell.errors import BadInput
from wakewell.log import logs, parcel, series, times
from wakewell.log.parcel import CONTENTS, FORM, SUFFIX, opened, pack, plain, shared
from wakewell.report import complaints
from wakewell.tomlfile import show_path


def arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument("pot", metavar="POT", help="the pot's folder, a log, or a parcel")
    parser.add_argument("--out", metavar="FILE", help=f"default: the pot's name and {SUFFIX}")
    parser.add_argument(
        "--share",
        action="store_true",
        help="shift dates and drop names and notes: refill times show when a home is empty",
    )
    parser.add_argument(
        "--complaint",
        choices=parcel.COMPLAINTS,
        help="rank the likely causes, with the evidence in the log and the next check",
    )
    parser.add_argument("--timezone", default="", metavar="ZONE", help="such as Europe/Brussels")
    parser.epilog = "exit codes: 0 packed, 2 input that cannot be used"


def run(args: argparse.Namespace) -> int:
    """The command. Returns its exit code."""
    times.Calendar(args.timezone)
    with opened([Path(args.pot)]) as (path,):
        found = logs.find_logs(path)
        if not found:
            ends = " or ".join(logs.SUFFIXES)
            raise BadInput(f"{show_path(str(path))}: no log here; a log's name ends in {ends}")
        if len(found) > 1:
            places = ", ".join(show_path(str(place)) for place, _ in found[:3])
            text = f"{len(found)} pots here ({places} ...); name one of them"
            raise BadInput(f"{show_path(str(path))}: {text}")
        place, files = found[0]
        name = "pot" if args.share else series.names([place])[0]
        out = Path(args.out) if args.out else Path(name + SUFFIX)
        if out.exists():
            raise BadInput(
                f"{show_path(str(out))}: is there already; move it away or name another with --out"
            )
        entries, notes = shared(place, files) if args.share else plain(place, files)
        contents = {
            "form": FORM,
            "made_by": f"wakewell {wakewell.__version__}",
            "shared": args.share,
            "complaint": args.complaint or "",
            "notes": notes,
            "files": {k: hashlib.sha256(v).hexdigest() for k, v in sorted(entries.items())},
        }
        entries[CONTENTS] = (json.dumps(contents, indent=1) + "\n").encode()
        pack(out, entries)
        print(f"{out}: {len(entries)} files, {out.stat().st_size} bytes")
        for note in notes:
            print(f"  {note}")
        if args.complaint:
            log = series.read(name, place, files, sys.stderr.isatty())
            print(*complaint_lines(log, args.complaint, args.timezone), sep="\n")
    return 0


def complaint_lines(log: Any, complaint: str, zone: str) -> Iterator[str]:
    """The ranked causes in words."""
    if not log.wakes:
        yield f"{complaint}: no wake could be read, so no cause can be named"
        return
    yield f"{complaint}: likely causes, most likely first"
    for number, cause in enumerate(
        complaints.ranked(log, complaint, times.Calendar(zone, log.dated)), 1
    ):
        yield f"{number}. {cause.name}"
        for evidence in cause.evidence or ["nothing in the log points to it"]:
            yield f"     log:   {evidence}"
        yield f"     check: {cause.check}"
