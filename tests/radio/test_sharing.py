"""Several listeners on one PostgreSQL database: each pot heard by one, each line kept once."""

from __future__ import annotations

import itertools
import threading
from collections import Counter
from pathlib import Path
from typing import Any

import mosquitto
import pytest
import sqlalchemy as sa
import test_listen as common
from test_listen import KEY, LINES, NONCE, wakes, whole

import power_back
import waiting
from wakeboard import heard, senml
from wakewell.errors import BadInput
from wakewell.pot import private
from wakewell.radio import broker, listen, sharing
from wakewell.radio import waiting as waiting_radio
from wakewell.radio.sharing import Sharing, place_of
from wakewell.radio.store import ReportStore, share

SELDOM = 200  # looks between two tries of a board, so that what waits is heard first
BOARDS = [f"0242ac11{number:04x}" for number in range(12)]


def folders(tmp_path: Path) -> dict[str, Path]:
    for board in BOARDS:
        (tmp_path / board).mkdir(exist_ok=True)
    return {board: tmp_path / board for board in BOARDS}


def report(board: str, first: int, last: int, n: int) -> bytes:
    """Lines of the café's log as told by that board."""
    body = senml.head(board, n, NONCE, {})
    for data in LINES[first:last]:
        body += senml.log_line(1, common.place_of(data), data)
    return bytes(senml.close(body, KEY))


def log_of(folder: Path) -> bytes:
    return b"".join(path.read_bytes() for path in sorted((folder / "logs").glob("*.jsonl")))


def kept_once(where: str, tmp_path: Path, lines: list[bytes]) -> None:
    """Of every board these very lines, once in each place there is."""
    store = ReportStore(where)
    with store.engine.connect() as c:
        rows = Counter(c.execute(sa.text("SELECT board, n FROM readings")).all())
    for board in BOARDS:
        assert store.lines(board) == lines
        assert log_of(tmp_path / board) == whole(lines)
        assert sorted(n for one, n in rows.elements() if one == board) == wakes(lines)
    store.close()


def test_each_board_has_one_place_and_few_move() -> None:
    boards = [f"{number:012x}" for number in range(2000)]
    before = {board: place_of(board, {0, 1, 2}) for board in boards}
    count = Counter(before.values())
    assert set(count) == {0, 1, 2}
    assert max(count.values()) < 1.2 * min(count.values())
    after = {board: place_of(board, {0, 2}) for board in boards}
    assert all(after[b] == place for b, place in before.items() if place != 1)


def test_places_come_and_go(
    empty_postgres: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every board is always somebody's; who is killed loses its place at once; a place that was
    lost while the database was away is taken again, or another has it."""
    stores = [ReportStore(empty_postgres, folders(tmp_path)) for _ in range(3)]
    first, second = share(stores[0]), share(stores[1])
    assert first is not None
    assert second is not None
    assert first.mine == set(BOARDS)
    assert (first.place, second.place) == (0, 1)
    assert first.look() | second.mine == set(BOARDS)
    assert not first.mine & second.mine
    assert first.mine
    assert second.mine
    other = Sharing(stores[2].engine, BOARDS[:3])  # of other pots: not in each other's way
    assert (other.place, other.mine) == (0, set(BOARDS[:3]))
    second.stop()  # as its end would
    waiting.until(lambda: first.look() == set(BOARDS))
    # The server ends the session; another takes the place before it is taken again
    with stores[2].engine.connect() as c:
        c.exec_driver_sql(
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE pid <> pg_backend_pid()"
        )
    assert first.look() == set(BOARDS)  # it notices
    assert first.look() == set(BOARDS)  # and has its place again
    assert first.missed == 0
    with stores[2].engine.connect() as c:
        c.exec_driver_sql(
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE pid <> pg_backend_pid()"
        )
    first.look()  # it notices
    thief = share(stores[2])
    assert thief is not None
    assert thief.place == 0
    monkeypatch.setattr(sharing, "MOST_MISSED", 2)
    assert first.look() == set(BOARDS)
    with pytest.raises(BadInput, match="start it again"):
        first.look()
    for each in (other, thief):
        each.stop()
    for store in stores:
        store.close()


def test_two_that_hear_the_same_at_once_keep_it_once(empty_postgres: str, tmp_path: Path) -> None:
    """Three threads with the same reports in other orders: no deadlock, nothing twice or lost, and
    what is told of a pot is of its newest report."""
    kept = folders(tmp_path)
    told = [report(board, 3 * n, 3 * n + 3, n + 1) for n in range(4) for board in BOARDS]
    failed: list[str] = []

    def hear(number: int) -> None:
        store = ReportStore(empty_postgres, kept)
        place = share(store)
        assert place is not None
        made = told[::-1] if number == 1 else told[number:] + told[:number]
        listener = listen.Listener(
            dict.fromkeys(BOARDS, KEY), store, lambda *_: None, failed.append
        )
        for at in range(0, len(made), 5):
            batch = [
                waiting_radio.Message(f"wakewell/{board}/report", data)
                for data in made[at : at + 5]
                for board in [next(b for b in BOARDS if senml.base_name(b).encode() in data)]
            ]
            why = listen.deal(listener, batch, tmp_path)
            failed.extend([why] if why else [])
        place.stop()
        store.close()

    threads = [threading.Thread(target=hear, args=(number,)) for number in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [text for text in failed if "so far" not in text] == []
    kept_once(empty_postgres, tmp_path, LINES[:12])
    store = ReportStore(empty_postgres)
    assert {row.report for row in store.pots().values()} == {4}
    store.close()


class Hearing:
    """A listener as the command sets it up, in a thread."""

    def __init__(self, where: str, kept: dict[str, Path], pot: Path) -> None:
        self.store = ReportStore(where, kept)
        made = share(self.store)
        assert made is not None
        self.sharing, secret = made, private.read(pot)
        self.radio = listen.Radio(secret, pot, BOARDS, f"test-{made.place}")
        self.listener = listen.Listener(
            dict.fromkeys(BOARDS, KEY), self.store, self.radio.post, lambda _: None
        )
        self.until = threading.Event()
        self.thread = threading.Thread(
            target=listen.listen,
            args=(self.listener, self.radio, self.until, pot.parent, self.turn),
        )
        self.radio.hear(made.mine)
        self.radio.start()
        self.thread.start()

    def turn(self) -> None:
        sharing.follow(self.sharing, self.radio.hear, lambda _: None)

    def stop(self) -> None:
        self.until.set()
        self.thread.join()
        self.radio.stop()
        self.sharing.stop()
        self.store.close()


def test_pots_change_hands_on_a_real_broker(
    server: mosquitto.Broker,
    pot: Path,
    empty_postgres: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Two listeners hear half each; one ends in the middle, and the other hears all of them. What
    nobody heard in between is told again, as a board does that had no answer."""
    monkeypatch.setattr(sharing, "LOOK_S", 0.0)
    kept, secret = folders(tmp_path), private.read(pot)
    answered: set[tuple[str, int]] = set()

    def hear(_: Any, __: Any, message: Any) -> None:
        board = message.topic.split("/")[1]
        for n in (1, 2):
            if heard.acknowledged(message.payload, KEY, board, n, NONCE)[0] is not None:
                answered.add((board, n))

    client = broker.client(secret, "boards")
    client.on_message = hear
    joined = threading.Event()
    client.on_subscribe = lambda *_: joined.set()
    client.on_connect = lambda c, *_: c.subscribe("wakewell/+/heard", 1)
    broker.connect(client, secret, pot)
    client.loop_start()
    joined.wait()

    def tell(first: int, last: int, n: int) -> None:
        """Each board tells until it has an answer."""

        looks = itertools.count()

        def all_answered() -> bool:
            silent = [board for board in BOARDS if (board, n) not in answered]
            for board in silent if next(looks) % SELDOM == 0 else ():
                client.publish(f"wakewell/{board}/report", report(board, first, last, n), qos=1)
            return not silent

        waiting.until(all_answered, lambda: answered)

    one, other = Hearing(empty_postgres, kept, pot), Hearing(empty_postgres, kept, pot)
    waiting.until(lambda: not set(one.radio.mine) & set(other.radio.mine))
    tell(0, 6, 1)
    shares = (one.listener.heard, other.listener.heard)
    other.stop()
    tell(6, 12, 2)
    one.stop()
    client.disconnect()
    client.loop_stop()
    assert all(shares), "both heard some"
    assert set(one.radio.mine) == set(BOARDS)
    kept_once(empty_postgres, tmp_path, LINES[:12])


def test_of_two_real_listeners_one_is_killed(
    server: mosquitto.Broker, empty_postgres: str, tmp_path: Path
) -> None:
    """Processes, as a maker starts them: the other takes all boards over, each line once."""
    town = power_back.Town(tmp_path / "town", len(BOARDS), LINES[:6], server.port)
    two = [power_back.started(town, empty_postgres, number) for number in range(2)]
    try:
        for each in two:
            power_back.hears(each)
        for board in town.boards[:4]:
            town.tell(board)
        waiting.until(lambda: town.answered, alive=waiting.running(two[1]))
        for board in town.boards[4:8]:
            town.tell(board)
        two[0].kill()  # in the middle of it
        for board in town.boards[8:]:
            town.tell(board)

        looks = itertools.count(1)

        def answered() -> bool:
            """A board that has no answer tells again, now and then."""
            silent = town.silent()
            for board in silent * (next(looks) % SELDOM == 0):
                town.tell(board)
            return not silent

        waiting.until(answered, alive=waiting.running(two[1]))
    finally:
        for each in two:
            each.kill()
            each.communicate()
        town.client.disconnect()
        town.client.loop_stop()
    count = len(BOARDS)
    found = power_back.counted(town, empty_postgres)
    assert found == {
        "lines": 6 * count, "readings": len(wakes(LINES[:6])) * count, "in_files": 6 * count,
        "doubled": 0,
    }  # fmt: skip
