"""`wakewell cut`: some wakes of a field log as a sequence file, a regression test in a minute."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from wakeboard.store import snapshot
from wakecore import fields
from wakewell.commands import given
from wakewell.errors import BadInput
from wakewell.log import logs
from wakewell.log.fieldlog import FieldLog
from wakewell.log.logs import InForce, Record
from wakewell.portable.replayed import Player
from wakewell.replay import rejudged
from wakewell.sequences import playing
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


def cut(files: list[Path], first: int, last: int, title: str = "", life: int | None = None) -> str:
    """The sequence of wakes first..last of a log, from the state the first one began with.

    life: which of the lives in the log, counted from 1; None: the pot's own.
    """
    log = FieldLog(files)
    folder = show_path(str(files[0].parent))
    entries = list(log.entries(brief=True))
    chosen = log.own if life is None else life - 1
    if not 0 <= chosen < max(1, len(log.lives)):
        raise BadInput(f"--life {life}: allowed 1 to {len(log.lives)}; {folder} has no other")
    in_force = InForce(files[0].parent)
    player = Player(in_force)
    records: list[Record] = []
    for entry in entries:
        if entry.life != chosen:
            continue
        record = entry.record
        begun, ended = records != [] or record["n"] == first, player.ended
        try:
            if record["kind"] == "wake" and begun:
                if "left_out" in record:
                    text = "was left out because memory was short: end before it, or begin after it"
                    raise BadInput(f"wake {record['n']}: {', '.join(record['left_out'])} {text}")
                state = player.begun_with(record)
                if state is None:
                    text = "its state is not known; begin a little later, or end before it"
                    raise BadInput(f"wake {record['n']}: {text}")
                if not records or ended != record["before"]:
                    records.append(snapshot(state, 0))
                records.append(record)
                if record["n"] >= last:
                    break
            player.feed(record)
        except rejudged.STUMBLES:
            raise BadInput(
                f"wake {record['n']}: the core could not read it; cut after it"
            ) from None
    wakes = [record for record in records if record["kind"] == "wake"]
    if not wakes or wakes[-1]["n"] != last:
        raise BadInput(f"wakes {first} to {last} are not all in {folder}")
    files_by_kind = {}
    for kind in fields.KINDS:
        found = next((record[kind] for record in wakes if record[kind]), "")
        data = in_force(found)
        if data is None:
            what = f"{kind} {found} is not in in-force/" if found else f"no {kind} was in force"
            raise BadInput(f"{folder}: {what} at wake {first}; cut other wakes")
        files_by_kind[kind] = data
    return playing.cut(records[1:], records[0], files_by_kind, first, last, title)
