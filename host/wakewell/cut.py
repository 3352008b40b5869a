"""`wakewell cut`: some wakes of a field log as a sequence file, a regression test in a minute."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from wakeboard.store import snapshot
from wakewell import logs, replay, sequences
from wakewell.boards.replayed import Player
from wakewell.logs import BadInput, InForce, Record, Skips


def arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument("path", metavar="LOG", help="log file, or the folder of one pot's log")
    parser.add_argument("first", type=int, metavar="FROM", help="number of the first wake")
    parser.add_argument("last", type=int, metavar="TO", help="number of the last wake")
    parser.add_argument("--out", metavar="FILE", help="where to write it; default: the screen")
    parser.add_argument("--title", default="", help="what the sequence shows")
    parser.epilog = "exit codes: 0 cut; 2 those wakes cannot be cut"


def run(args: argparse.Namespace) -> int:
    """The command. Returns its exit code."""
    found = logs.find_logs(Path(args.path))
    if len(found) != 1:
        raise BadInput(f"{args.path}: {len(found)} logs here; name the folder of one")
    if args.last < args.first:
        raise BadInput(f"wakes {args.first} to {args.last}: the last comes before the first")
    out = Path(args.out) if args.out else None
    if out is not None and out.exists():
        raise BadInput(f"{out} is there already; choose another name or move it away")
    text = cut(found[0][1], args.first, args.last, args.title)
    if out is None:
        sys.stdout.write(text)
        return 0
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        out.write_text(text, encoding="utf-8")
    except OSError as error:
        raise BadInput(f"{out}: cannot be written: {error.strerror}; name another --out") from None
    print(f"{out}: wakes {args.first} to {args.last}; to play it: wakewell replay {out}")
    return 0


def cut(files: list[Path], first: int, last: int, title: str = "") -> str:
    """The sequence of wakes first..last of a log, from the state the first one began with."""
    in_force = InForce(files[0].parent)
    player = Player(in_force)
    before: Record | None = None
    records: list[Record] = []
    for record, _place in replay.entries(files, Skips(), False):
        if record["kind"] == "wake" and record["n"] == first:
            if player.state is None or player.state.crc != record["before"]:
                raise BadInput(f"wake {first}: its state is not known; begin a little later")
            before = snapshot(player.state, 0)
        if before is not None:
            records.append(record)
            if record["kind"] == "wake" and record["n"] >= last:
                break
        if before is None or record["kind"] == "wake":
            player.feed(record)
    wakes = [record["n"] for record in records if record["kind"] == "wake"]
    if before is None or not wakes or wakes[-1] != last:
        raise BadInput(f"wakes {first} to {last} are not all in {files[0].parent}")
    lines = {kind: in_force(records[0][kind]) for kind in ("settings", "limits", "calibration")}
    missing = [kind for kind, data in lines.items() if data is None]
    if missing:
        raise BadInput(f"{files[0].parent}: the {missing[0]} of wake {first} is not in in-force/")
    files_by_kind = {kind: data for kind, data in lines.items() if data is not None}
    return sequences.cut(records, before, files_by_kind, first, last, title)
