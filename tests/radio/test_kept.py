"""What the store keeps of a pot, without a network: rights, the newest wake, homes, log files."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from test_listen import BOARD, LINES, whole
from test_order import wake

from wakewell.radio import files, letters
from wakewell.radio.store import LINES as TABLE
from wakewell.radio.store import POTS, SAID_AT, LastHeard, ReportStore, summary

OTHER = "0242ac110003"


@pytest.mark.skipif(os.name == "nt", reason="rights of POSIX")
def test_a_database_is_its_owners_alone_from_its_first_moment(tmp_path: Path) -> None:
    place = tmp_path / "heard.db"
    ReportStore(place).close()
    assert place.stat().st_mode & 0o777 == 0o600
    place.chmod(0o644)
    ReportStore(place).close()
    assert place.stat().st_mode & 0o777 == 0o600


def test_what_lies_beside_a_database_is_made_by_sqlite_alone(tmp_path: Path) -> None:
    """An empty file there is taken for its own log by a program that asks for none."""
    ReportStore(tmp_path / "heard.db").close()
    assert [path.name for path in tmp_path.iterdir()] == ["heard.db"]


@pytest.mark.parametrize(
    ("day", "trusted", "said_s"),
    [(9700, 1, letters.unix_s(9700, 60)), (9702, 1, 1_784_850_000), (9700, 0, 1_784_850_000)],
)
def test_a_pot_said_so_when_it_says_but_never_later_than_heard(
    day: int, trusted: int, said_s: int
) -> None:
    heard = LastHeard(1_784_850_000, 1, 1, {SAID_AT: (day, 60, trusted)})
    assert letters.unix_s(9700, 60) < heard.heard_at < letters.unix_s(9702, 60)
    assert heard.told_at == said_s
    assert LastHeard(1_784_850_000, 1, 1, {}).told_at == 1_784_850_000


def row(board: str, kind: str, n: int, data: bytes) -> dict[str, object]:
    return {
        "board": board, "kind": kind, "n": n, "crc": data[-10:-2].decode(), "file": 1,
        "heard_at": 1, "data": data,
    }  # fmt: skip


def test_what_is_told_of_a_pot_is_its_own_newest_wakes(tmp_path: Path) -> None:
    """In a database of before the newest wake's mark was kept: its number tells, and its board.
    An older wake of it that came later has the number of another pot's newest."""
    first, second = wake(1, 9701, ("fill the tank",)), wake(2, 9702)
    store = ReportStore(tmp_path / "heard.db")
    with store.engine.begin() as c:
        for n, board in ((2, BOARD), (1, OTHER)):
            c.execute(POTS.insert().values(board=board, heard_at=1, report=1, n=n, told={}))
        c.execute(TABLE.insert(), [row(BOARD, "wake", 2, second), row(BOARD, "wake", 1, first)])
        c.execute(TABLE.insert(), [row(OTHER, "wake", 1, first)])
    told = {board: heard.told["needs"] for board, heard in store.pots().items()}
    store.close()
    assert told == {BOARD: [], OTHER: ["fill the tank"]}


def test_a_wake_says_how_long_it_sleeps() -> None:
    told = summary(wake(1, 9701, ("fill the tank",)))
    assert told is not None
    assert told["sleep_s"] == 86400
    assert told["needs"] == ["fill the tank"]
    assert summary(b"{}") is None


def test_lines_are_laid_by_their_places_whatever_came_first(tmp_path: Path) -> None:
    at = [len(whole(LINES[:n])) for n in range(6)]
    placed = [(at[n], LINES[n]) for n in (0, 2, 1)]
    assert [data for _, data in files.in_order(placed)] == LINES[:3]
    # Of a log that began anew: the same place with another line comes behind all of the older
    anew = [*placed, (0, LINES[4]), (-1, LINES[5])]
    assert [data for _, data in files.in_order(anew)] == [LINES[5], *LINES[:3], LINES[4]]
    path = tmp_path / "logs" / "00000001.jsonl"
    end = files.lay(str(path), files.in_order(placed))
    assert path.read_bytes() == whole(LINES[:3])
    assert end.at == at[3]
