"""`wakewell cut`: some wakes of a field log as a sequence file, a regression test in a minute."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from wakewell.commands import given
from wakewell.errors import BadInput
from wakewell.log import logs
from wakewell.replay.cut import cut
from wakewell.tomlfile import show_path


def arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument("path", metavar="LOG", help="one pot's log: its file or folder")
    parser.add_argument("first", type=int, metavar="FROM", help="number of the first wake")
    parser.add_argument("last", type=int, metavar="TO", help="number of the last wake")
    given.option(parser, "--file", "default: the screen")
    parser.add_argument(
        "--life",
        type=int,
        metavar="N",
        help="which life of a log that holds several, as replay counts them; default: the newest",
    )
    parser.add_argument(
        "--title", default="", metavar="TEXT", help="what the sequence shows; default: none"
    )
    parser.epilog = "exit codes: 0 cut; 2 those wakes cannot be cut"


def run(args: argparse.Namespace) -> int:
    """The command. Returns its exit code."""
    found = logs.find_logs(Path(args.path))
    if len(found) != 1:
        places = ", ".join(show_path(str(place)) for place, _ in found[:3])
        named = f" ({places} ...)" if found else ""
        path = show_path(args.path)
        raise BadInput(f"{path}: {len(found)} logs here{named}; name the folder of one")
    if args.last < args.first:
        raise BadInput(f"wakes {args.first} to {args.last}: the last comes before the first")
    out = Path(args.file) if args.file else None
    if out is not None and out.exists():
        raise BadInput(f"{out} is there already; choose another name or move it away")
    text = cut(found[0][1], args.first, args.last, args.title, args.life)
    if out is None:
        sys.stdout.write(text)
        return 0
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        out.write_text(text, encoding="utf-8")
    except OSError as error:
        raise BadInput(f"{out}: cannot be written: {error.strerror}; name another --file") from None
    print(f"{out}: wakes {args.first} to {args.last}; to play it: wakewell replay {out}")
    return 0
