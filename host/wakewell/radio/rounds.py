"""The round over all pots, from what is there: their folders, their logs, the database.

Belongs here: where a pot's newest wakes are found, and its row made of them. Not here: what a row
says (report.overview), how it is printed.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter
from pathlib import Path

from wakewell.errors import BadInput
from wakewell.log import logs, series
from wakewell.pot.board_file import board_id
from wakewell.pot.description import PotFolder
from wakewell.radio import homes, pieces
from wakewell.radio.store import LastHeard, ReportStore
from wakewell.report import overview
from wakewell.report.overview import Overview
from wakewell.report.page_files import speaks_of, today

POT = "pot.toml"
MOST_LINES = 3000  # of a pot that is only in the database: its newest ones
PROGRAM = ("code", "sent", "sent_is", "sent_why")  # words of a report: see RADIO.md
NOTHING = "nothing heard yet, and no log of it is here"


@dataclass
class PotPlace:
    """Where a pot is looked for: its folder, or a log without one; None: in the database alone."""

    path: Path | None
    name: str
    board: str = ""
    folder: PotFolder | None = None


def places(paths: Iterable[Path]) -> list[PotPlace]:
    """A pot for each path: its folder, the pots' folders in it, else each log that is found there.

    Raises BadInput.
    """
    found: list[Path] = []
    for path in paths:
        pots = (
            [path] if (path / POT).is_file() else [p.parent for p in sorted(path.glob(f"*/{POT}"))]
        )
        here = pots or [place for place, _ in logs.find_logs(path)]
        if not here:
            raise logs.no_log(path)
        found += here
    made = []
    for path, name in zip(found, series.names(found), strict=True):
        folder = series.pot_folder(path)
        board = board_id(folder.path) if folder is not None else None
        made.append(PotPlace(path, name, board or "", folder))
    return made


def go(
    all_pots: Sequence[PotPlace],
    store: ReportStore | None,
    zone: str = "",
    now_s: float | None = None,
) -> list[Overview]:
    """A row for each of those pots, or of every one that the database knows where none is named;
    who needs a visit next comes first. now_s: the time it speaks of; None: today, for the demo
    sets their last day."""
    heard = store.pots() if store is not None else {}
    pots = all_pots or [
        PotPlace(None, one.name or board, board) for board, one in sorted(heard.items())
    ]
    rows = [_row(pot, store, heard.get(pot.board), zone, now_s) for pot in pots]
    return overview.by_urgency(rows)


def _row(
    pot: PotPlace,
    store: ReportStore | None,
    heard: LastHeard | None,
    zone: str,
    now_s: float | None,
) -> Overview:
    try:
        log = _from_files(pot)
        if now_s is None:
            now_s = speaks_of(log.place) if log is not None else today()
        if store is not None and heard is not None and _is_older(log, heard):
            log = _from_database(pot, store) or log
    except BadInput as error:
        return Overview(pot.name, pot.name, pot.board, str(error))
    if log is None or not log.wakes:
        why = NOTHING if log is None else f"no wake could be read, {log.skips.count} lines skipped"
        return Overview(pot.name, pot.name, pot.board, why)
    said_s = float(heard.told_at) if heard is not None else None
    row = overview.of(overview.look(log, zone, now_s), pot.folder, said_s)
    row.board = pot.board
    told = heard.told if heard is not None else {}
    if heard is not None:
        row.program = {name: heard.told[name] for name in PROGRAM if name in heard.told}
    if pot.folder is not None:
        try:
            waits = pieces.waits(pot.folder.path, told)
        except BadInput as error:
            row.otherwise = row.otherwise or str(error)
        else:
            row.program |= {"waits": waits[0], "waits_is": waits[1]} if waits else {}
    return row


def _from_files(pot: PotPlace) -> series.PotLog | None:
    """The log that lies there, None if there is none."""
    place = pot.path
    if place is not None and (place / POT).is_file():
        place /= homes.LOGS
    if place is None or not place.exists():
        return None
    for where, paths in logs.find_logs(place)[:1]:
        return series.read(pot.name, where, paths)
    return None


def _is_older(log: series.PotLog | None, heard: LastHeard) -> bool:
    """Has the database a later wake than the log?"""
    if log is None or not log.wakes or not log.dated:
        return heard.n > (log.wakes[-1].n if log is not None and log.wakes else -1)
    return heard.told_at >= log.wakes[-1].time_s + 1


def _from_database(pot: PotPlace, store: ReportStore) -> series.PotLog | None:
    """Its newest wakes there as a log; None where they were heard in another home than its."""
    home, heard_at, lines = store.newest(pot.board, MOST_LINES)
    folder = pot.folder.path if pot.folder is not None else None
    if folder is not None:
        here = homes.read(folder, homes.marks(folder)).logs_of(home, heard_at)
        if here != f"{folder}/{homes.LOGS}":
            return None
    with tempfile.TemporaryDirectory(prefix="wakewell-") as name:
        place = Path(name) / homes.LOGS
        place.mkdir()
        if folder is not None and (kept := folder / homes.LOGS / logs.IN_FORCE).is_dir():
            shutil.copytree(kept, place / logs.IN_FORCE)
        for file, rows in groupby(lines, itemgetter(0)):
            text = b"".join(data + b"\n" for _, data in rows)
            (place / f"{file:08d}.jsonl").write_bytes(text)
        log = series.read(pot.name, place, sorted(place.glob("*.jsonl")))
    log.about = pot.folder.about if pot.folder is not None else None
    return log
