"""`wakewell parcel`: its arguments, its words and its exit code."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from wakewell.commands import given
from wakewell.errors import BadInput
from wakewell.log import logs, parcel, series, times
from wakewell.log.parcel import CONTENTS, SUFFIX, contents, opened, pack, plain, shared
from wakewell.report import complaints
from wakewell.tomlfile import show_path


def arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument("log", metavar="LOG", help="the pot's folder, a log, or a parcel")
    given.option(parser, "--file", f"default: the pot's name and {SUFFIX}, here")
    parser.add_argument(
        "--share",
        action="store_true",
        help="shift dates and drop names and notes, because refill times show when a home is empty",
    )
    parser.add_argument(
        "--complaint",
        choices=parcel.COMPLAINTS,
        metavar="CAUSE",
        help="too wet, too dry or silent: rank what may have led to it, with the evidence in the "
        "log and the next check; default: none",
    )
    given.option(parser, "--timezone", default="")
    given.option(parser, "--json")
    parser.epilog = "exit codes: 0 packed, 2 input that cannot be used"


def run(args: argparse.Namespace) -> int:
    """The command. Returns its exit code."""
    times.Calendar(args.timezone)
    with opened([Path(args.log)]) as (path,):
        found = logs.find_logs(path)
        if not found:
            raise logs.no_log(path)
        if len(found) > 1:
            places = ", ".join(show_path(str(place)) for place, _ in found[:3])
            text = f"{len(found)} pots here ({places} ...); name one of them"
            raise BadInput(f"{show_path(str(path))}: {text}")
        place, files = found[0]
        name = "pot" if args.share else series.names([place])[0]
        out = Path(args.file) if args.file else Path(name + SUFFIX)
        if out.exists():
            raise BadInput(
                f"{show_path(str(out))}: is there already; move it away or name another with --file"
            )
        entries, notes = shared(place, files) if args.share else plain(place, files)
        entries[CONTENTS] = contents(entries, notes, args.share, args.complaint or "")
        pack(out, entries)
        log = series.read(name, place, files, sys.stderr.isatty()) if args.complaint else None
        if args.json:
            result = {"name": name, "good": True, "file": str(out), "files": len(entries)}
            result |= {"bytes": out.stat().st_size, "notes": notes}
            if log is not None:
                result["causes"] = [vars(cause) for cause in causes(log, args)]
            return given.show_json(args, 0, [result])
        print(f"{out}: {len(entries)} files, {out.stat().st_size} bytes")
        for note in notes:
            print(f"  {note}")
        if log is not None:
            print(*complaint_lines(log, args), sep="\n")
    return 0


def causes(log: Any, args: argparse.Namespace) -> list[complaints.LikelyCause]:
    """The causes of the complaint, most likely first."""
    calendar = times.Calendar(args.timezone, log.dated)
    return complaints.ranked(log, args.complaint, calendar) if log.wakes else []


def complaint_lines(log: Any, args: argparse.Namespace) -> Iterator[str]:
    """The ranked causes in words."""
    if not log.wakes:
        yield f"{args.complaint}: no wake could be read, so no cause can be named"
        return
    yield f"{args.complaint}: likely causes, most likely first"
    for number, cause in enumerate(causes(log, args), 1):
        yield f"{number}. {cause.name}"
        for evidence in cause.evidence or ["nothing in the log points to it"]:
            yield f"     log:   {evidence}"
        yield f"     check: {cause.check}"
