"""Late, twice, out of order, in another home: the log is laid by places, each row by its key."""

from __future__ import annotations

import itertools
import json
import sqlite3
import time
from datetime import date
from pathlib import Path

import pytest
import sqlalchemy as sa
import test_listen as common
from hypothesis import given, settings
from hypothesis import strategies as st
from test_listen import BOARD, KEY, LINES, NOW, Desk, pack, place_of, whole

from wakeboard import senml
from wakecore import line
from wakewell.log import logs
from wakewell.radio import files, handover, homes, letters, waiting
from wakewell.radio.store import LINES as TABLE
from wakewell.radio.store import ReportStore

DAY_S = 86400
OTHER = bytes(range(1, 33))  # the key of another home
HOME = frozenset([homes.mark_of(KEY)])
REPORTS = [pack(LINES[n : n + 2], n=n) for n in range(0, 6, 2)]
REPORTS.append(pack(LINES[6:8], n=6, file=2, at=0))


def tell(desk: Desk, *payloads: bytes, now: float = NOW) -> None:
    """All in one batch."""
    topic = f"wakewell/{BOARD}/report"
    desk.listener.deal([waiting.Message(topic, payload) for payload in payloads], now)


def in_files(folder: Path) -> list[bytes]:
    return [path.read_bytes() for path in sorted((folder / "logs").glob("*.jsonl"))]


@pytest.mark.parametrize("at_once", [True, False])
def test_every_order_of_a_batch_makes_the_same_files(tmp_path: Path, at_once: bool) -> None:
    wanted = [whole(LINES[:6]), whole(LINES[6:8])]
    for number, order in enumerate(itertools.permutations(REPORTS)):
        desk = Desk(tmp_path / f"basil{number}")
        if at_once:
            tell(desk, *order)
        else:
            for payload in order:
                tell(desk, payload)
        assert in_files(desk.folder) == wanted, number
        assert desk.listener.store.lines(BOARD) == LINES[:8]
        assert desk.readings() == common.wakes(LINES[:8])
        desk.listener.store.close()


@settings(max_examples=25, deadline=None)
@given(st.data())
def test_told_twice_late_and_over_restarts(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """Any messages of a log in any order, some twice, listeners that come and go between: at each
    moment the file holds what was heard, in the log's order."""
    folder = tmp_path_factory.mktemp("any") / "basil"
    desk, heard = Desk(folder), set()
    for _ in range(data.draw(st.integers(1, 6))):
        first = data.draw(st.integers(0, 11))
        chosen = LINES[first : first + data.draw(st.integers(1, 4))]
        heard |= set(chosen)
        tell(desk, pack(chosen))
        if data.draw(st.booleans()):
            desk.listener.store.close()
            path = folder / "logs" / "00000001.jsonl"
            text = path.read_bytes()
            path.write_bytes(text[: data.draw(st.integers(0, len(text)))])  # and the power went
            desk = Desk(folder)
            desk.listener.store.export()
        assert desk.log() == whole([each for each in LINES if each in heard])
        assert desk.readings() == common.wakes([each for each in LINES if each in heard])
    desk.listener.store.close()


def test_two_pots_heard_by_turns_and_a_new_start(tmp_path: Path) -> None:
    """A new start looks for lines that the files lack; those that are there come in once."""
    other = "0242ac110003"
    (tmp_path / "fern").mkdir()
    for start in range(2):
        desk = Desk(tmp_path / "basil")
        desk.listener.keys[other] = KEY
        desk.listener.store.folders[other] = tmp_path / "fern"
        for n in range(4 * start, 4 * start + 4):
            tell(desk, pack(LINES[n : n + 1], n + 1))
            body = senml.head(other, n + 1, common.NONCE, {})
            body += senml.log_line(1, place_of(LINES[n]), LINES[n])
            topic = f"wakewell/{other}/report"
            message = waiting.Message(topic, bytes(senml.close(body, KEY)))
            desk.listener.deal([message], NOW)
        for name in ("basil", "fern"):
            assert in_files(tmp_path / name) == [whole(LINES[: 4 * start + 4])]
        desk.listener.store.close()


def test_what_else_is_in_a_log_file_stays_where_it_is(tmp_path: Path) -> None:
    """Lines that came by cable and were never told by radio, and a person's note."""
    desk = Desk(tmp_path / "basil")
    path = tmp_path / "basil" / "logs" / "00000001.jsonl"
    path.parent.mkdir()
    note = b"# moved to the window"
    path.write_bytes(whole([*LINES[:3], note, LINES[3]]))
    tell(desk, pack(LINES[5:6]))
    tell(desk, pack(LINES[3:5]))
    assert path.read_bytes() == whole([*LINES[:3], note, *LINES[3:6]])


def test_a_log_that_began_anew(tmp_path: Path) -> None:
    """The board was erased: its places are told again, with other lines. The older log is first."""
    desk = Desk(tmp_path / "basil")
    newer = LINES[20:26]
    at = [len(whole(newer[:n])) for n in range(6)]
    tell(desk, pack(LINES[:3]), pack(LINES[3:5], n=2))
    for n in (0, 4, 2):
        tell(desk, pack(newer[n : n + 2], n=3 + n, at=at[n]))
    assert desk.log() == whole([*LINES[:5], *newer])


def test_a_file_that_is_replaced_meanwhile_is_opened_anew(tmp_path: Path) -> None:
    path = tmp_path / "logs" / "00000001.jsonl"
    placed = [(place_of(data), data) for data in LINES[:6]]
    end = files.lay(str(path), placed[:2])
    beside = path.with_suffix(".new")
    beside.write_bytes(whole(LINES[:3]))
    beside.replace(path)
    assert files.append(placed[3:], end) is None  # not as it was left
    files.lay(str(path), placed)
    assert path.read_bytes() == whole(LINES[:6])
    path.chmod(0o600)
    path.write_bytes(whole(LINES[2:4]))
    files.lay(str(path), placed)
    assert path.read_bytes() == whole(LINES[:6])
    assert path.stat().st_mode & 0o777 == 0o600
    assert list(path.parent.iterdir()) == [path]


def test_in_order_nothing_is_read_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither the file nor the homes, and no row of the database, however long the log grows."""
    seen: list[str] = []
    for module, name in ((files, "lay"), (files, "append"), (homes, "read")):
        real = getattr(module, name)
        monkeypatch.setattr(
            module, name, lambda *a, real=real, name=name: [seen.append(name), real(*a)][1]
        )
    desk = Desk(tmp_path / "basil")
    for n in range(10):
        tell(desk, pack(LINES[n : n + 1], n))
    assert seen == ["read", "lay", *["append"] * 9]
    tell(desk, pack(LINES[9:10], 10))  # nothing new
    tell(desk, pack(LINES[11:12], 11), pack(LINES[10:11], 12))  # late
    tell(desk, pack(LINES[12:13], 13))
    assert seen.count("lay") <= 4
    assert seen[-1] == "append"
    assert desk.log() == whole(LINES[:13])


@pytest.mark.parametrize("back", [True, False])
def test_a_file_that_is_gone_is_laid_again(tmp_path: Path, back: bool) -> None:
    """Another of the same size stands there, or none: what is appended to is what was left."""
    desk = Desk(tmp_path / "basil")
    tell(desk, pack(LINES[:3]))
    path = tmp_path / "basil" / "logs" / "00000001.jsonl"
    path.rename(tmp_path / "elsewhere")
    if back:
        path.write_bytes(b"#" * (len(whole(LINES[:3])) - 1) + b"\n")
    tell(desk, pack(LINES[3:5], n=2))
    note = path.read_bytes().splitlines(keepends=True)[:1] if back else []
    assert path.read_bytes() == b"".join(note) + whole(LINES[:5])
    assert (tmp_path / "elsewhere").read_bytes() == whole(LINES[:3])


def test_a_database_of_an_older_version(tmp_path: Path) -> None:
    """Its lines have no place and no mark; they stay, and what is heard now comes after them."""
    desk = Desk(tmp_path / "basil")
    tell(desk, pack(LINES[:4]))
    desk.listener.store.close()
    with sqlite3.connect(tmp_path / "basil" / "heard.db") as c:
        for column in ("lines DROP COLUMN at", "lines DROP COLUMN home", "pots DROP COLUMN name"):
            c.execute(f"ALTER TABLE {column}")
        for table in ("readings", "listeners", "alembic_version"):
            c.execute(f"DROP TABLE {table}")
    c.close()
    desk = Desk(tmp_path / "basil")
    (tmp_path / "basil" / "logs" / "00000001.jsonl").write_bytes(whole(LINES[:2]))  # cut off
    tell(desk, pack(LINES[6:8]))
    tell(desk, pack(LINES[2:6]))
    assert desk.log() == whole(LINES[:8])
    assert desk.listener.store.lines(BOARD) == LINES[:8]


# Homes


def split(folder: Path, key: bytes = KEY) -> Path:
    return handover.split(folder, date(2026, 11, 28), frozenset([homes.mark_of(key)]))


def moved(folder: Path) -> Desk:
    """A listener in the new home."""
    desk = Desk(folder)
    desk.listener.keys[BOARD] = OTHER
    desk.listener.store.ours = {BOARD: frozenset([homes.mark_of(OTHER)])}
    return desk


@pytest.mark.parametrize("ahead_s", [-DAY_S, 0, DAY_S])
def test_what_was_heard_of_an_old_home_stays_with_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ahead_s: int
) -> None:
    """Whatever the clock said at the handover: the row tells. The numbers of its wakes go on."""
    folder = tmp_path / "basil"
    Desk(folder).hear(pack(LINES[:5]))
    monkeypatch.setattr(time, "time", lambda: NOW + ahead_s)
    old = split(folder)
    monkeypatch.undo()
    assert (old / "00000001.jsonl").read_bytes() == whole(LINES[:5])
    again = moved(folder)
    again.listener.store.export()
    assert again.log() == b""
    tell(again, pack(LINES[5:9], n=1, key=OTHER, at=0))
    assert again.log() == whole(LINES[5:9])
    (folder / "logs" / "00000001.jsonl").unlink()  # a cut before it was written
    (old / "00000001.jsonl").write_bytes(whole(LINES[:3]))
    moved(folder).listener.store.export()
    assert again.log() == whole(LINES[5:9])
    assert (old / "00000001.jsonl").read_bytes() == whole(LINES[:5])


def test_a_listener_that_runs_while_the_pot_is_handed_over(tmp_path: Path) -> None:
    """It has the old key yet; what it hears with it goes to the old home's log."""
    folder = tmp_path / "basil"
    desk = Desk(folder)
    tell(desk, pack(LINES[:3]))
    old = split(folder)
    tell(desk, pack(LINES[3:5], n=2))
    assert desk.log() == b""
    assert (old / "00000001.jsonl").read_bytes() == whole(LINES[:5])
    assert not list((folder / "logs").glob("*.jsonl"))
    assert split(folder, OTHER).name == old.name + "-2"  # and its next home is left as well
    tell(desk, pack(LINES[5:6], n=3))
    assert (old / "00000001.jsonl").read_bytes() == whole(LINES[:6])


def test_a_board_that_was_another_pots(tmp_path: Path) -> None:
    """Taken over by a new pot, whose folder has its own key: nothing of the other one's log."""
    tell(Desk(tmp_path / "fern", tmp_path / "heard.db"), pack(LINES[:5]))
    desk = Desk(tmp_path / "basil", tmp_path / "heard.db")
    desk.listener.store.ours = {BOARD: frozenset([homes.mark_of(OTHER)])}
    desk.listener.store.export()
    assert desk.log() == b""


def test_a_new_key_in_the_same_home(tmp_path: Path) -> None:
    """The older private.toml is put aside, as `ask --new-key` says: its lines are this log's."""
    desk = Desk(tmp_path / "basil")
    tell(desk, pack(LINES[:5]))
    (tmp_path / "basil" / "logs" / "00000001.jsonl").unlink()  # the power went
    for name, key in (("private.toml", OTHER), ("private-old.toml", KEY)):
        (tmp_path / "basil" / name).write_text(f'key = "{key.hex()}"\n')
    desk = moved(tmp_path / "basil")
    desk.listener.store.ours = {BOARD: homes.marks(tmp_path / "basil")}
    tell(desk, pack(LINES[5:9], n=2, key=OTHER))
    assert desk.log() == whole(LINES[:9])


def test_a_handover_by_an_older_version(tmp_path: Path) -> None:
    """It left a time, and lines were kept without a mark."""
    folder = tmp_path / "basil"
    desk = Desk(folder)
    tell(desk, pack(LINES[:3]))
    tell(desk, pack(LINES[3:5], n=2), now=NOW + 120)
    with desk.listener.store.engine.begin() as c:
        c.execute(sa.update(TABLE).values(home=""))
    (folder / "logs" / "00000001.jsonl").unlink()
    (folder / "logs" / logs.HANDED_OVER).write_text(f"{int(NOW) + 60}\nnonsense\n")
    desk = Desk(folder)
    desk.listener.store.export()
    assert desk.log() == whole(LINES[3:5])
    split(folder)
    Desk(folder).listener.store.export()
    assert desk.log() == b""


# What is told of a pot


def wake(n: int, day: int, needs: tuple[str, ...] = (), trusted: int = 1) -> bytes:
    """A wake of the café's log with other words."""
    record = json.loads(LINES[1])
    del record["crc"]
    record |= {"n": n, "needs": list(needs)}
    record["begin"]["utc"] = [day, 0, trusted]
    return bytes(line.encode(tuple(record), record))


def told(store: ReportStore) -> tuple[int, int, list[str]]:
    row = store.pots()[BOARD]
    return row.report, row.n, row.told["needs"]


@pytest.mark.parametrize("trusted", [0, 1])
def test_the_newest_report_is_told_in_whatever_order_they_come(
    tmp_path: Path, trusted: int
) -> None:
    lines = [wake(n, 9700 + n, (("fill the tank",) if n < 3 else ()), trusted) for n in range(4)]
    made = [pack([each], n=n, at=n * (len(each) + 1)) for n, each in enumerate(lines, 1)]
    for number, order in enumerate(itertools.permutations(made)):
        desk = Desk(tmp_path / f"basil{number}")
        for payload in order:
            tell(desk, payload)
        assert told(desk.listener.store) == (4, 3, [])
        desk.listener.store.close()


def test_numbers_that_begin_anew(tmp_path: Path) -> None:
    """A board that was erased, or lost its state or its count of reports, is heard all the same."""
    desk = Desk(tmp_path / "basil")
    for n, (report, number, day) in enumerate(
        [(50, 200, 9700), (51, 201, 9701), (1, 0, 9702), (2, 1, 9703), (3, 0, 9704), (1, 1, 9705)]
    ):
        tell(desk, pack([wake(number, day, ("charge the battery",) * (n % 2))], report, at=0))
        assert told(desk.listener.store) == (report, number, ["charge the battery"] * (n % 2))


def test_the_clock_was_set_back_and_it_is_heard_all_the_same(tmp_path: Path) -> None:
    desk = Desk(tmp_path / "basil")
    tell(desk, pack([wake(7, 9702)], n=7, at=0))
    tell(desk, pack([wake(8, 9701, ("fill the tank",))], n=8, at=5000))
    assert told(desk.listener.store) == (8, 8, ["fill the tank"])


def test_a_report_that_waited_at_the_broker_is_no_sign_of_life_today(tmp_path: Path) -> None:
    """Heard today, told ten days ago: silent since then. An unsure clock is not believed."""
    today = int(NOW - letters.unix_s(0, 0)) // DAY_S
    for number, (day, trusted, told_at) in enumerate(
        [
            (today - 10, 1, letters.unix_s(today - 10, 0)),
            (today - 10, 0, int(NOW)),
            (today + 10, 1, int(NOW)),
        ]
    ):
        desk = Desk(tmp_path / f"basil{number}")
        tell(desk, pack([wake(7, day, (), trusted)], n=7, at=0))
        row = desk.listener.store.pots()[BOARD]
        assert (row.told_at, row.heard_at) == (told_at, int(NOW))


def test_words_of_a_board_change_nothing_that_the_host_keeps(tmp_path: Path) -> None:
    desk = Desk(tmp_path / "basil")
    body = senml.head(BOARD, 1, common.NONCE, {"utc": "now", "needs": 1, "newest": 7})
    tell(desk, bytes(senml.close(body, KEY)), pack([wake(7, 9702)], n=2, at=0))
    assert told(desk.listener.store) == (2, 7, [])
