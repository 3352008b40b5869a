"""Some wakes of a field log as a sequence: they are found in the log, and the state before them.

What belongs here: which records, with which state and which files. What does not: the form of a
sequence (sequences/cutting.py).
"""

from __future__ import annotations

from pathlib import Path

from wakeboard.store import snapshot
from wakecore import fields
from wakewell.errors import BadInput
from wakewell.log.fieldlog import FieldLog
from wakewell.log.logs import InForce, Record
from wakewell.portable.replayed import Player
from wakewell.replay import rejudged
from wakewell.sequences import playing
from wakewell.tomlfile import show_path


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
