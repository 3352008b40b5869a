"""What listens: every broken message dropped, every good one kept once, whatever is cut off."""

from __future__ import annotations

import itertools
import json
import multiprocessing
import os
import shutil
import sys
import threading
import time
from pathlib import Path
from typing import Any

import mosquitto
import pytest
import sqlalchemy as sa
from hypothesis import given, settings
from hypothesis import strategies as st
from remote_pots import fill_in
from sqlalchemy.exc import SQLAlchemyError

import waiting
from wakeboard import heard, sealed, senml
from wakecore import line
from wakewell.errors import BadInput
from wakewell.log import logs
from wakewell.pot import private
from wakewell.radio import broker, files, letters, listen
from wakewell.radio import waiting as waiting_radio
from wakewell.radio.store import ReportStore
from wakewell.shipped import CAFE

BOARD = "0242ac110002"
KEY = bytes(range(32))
NONCE = "0011223344556677"
NOW = 1_790_000_000.0
HUGE = b"0" * 400


def cafe_lines(count: int = 40) -> list[bytes]:
    """The first lines of a café pot's log."""
    path = sorted((CAFE / "basil" / "logs").glob("*.jsonl*"))[0]
    with logs.open_log(path) as file:
        return [text.rstrip(b"\n") for _, text in zip(range(count), file, strict=False)]


LINES = cafe_lines()


def place_of(data: bytes) -> int:
    """Where a line of the café's log is in its file."""
    return len(whole(LINES[: LINES.index(data)]))


def pack(
    lines: list[bytes],
    n: int = 1,
    key: bytes = KEY,
    file: int = 1,
    at: int | None = None,
    nonce: str = NONCE,
) -> bytes:
    """A report with these lines, as a board makes it. at: place of the first, if it is not that
    in the café's log."""
    if at is None:
        at = place_of(lines[0]) if lines else 0
    body = senml.head(BOARD, n, nonce, {"asked": 0, "answer": "", "refused": 0})
    for data in lines:
        record, _ = line.decode(data)
        body += senml.readings(record or {}) + senml.log_line(file, at, data)
        at += len(data) + 1
    return bytes(senml.close(body, key))


class Desk:
    """A listener without a network. answers: what it would post."""

    def __init__(self, folder: Path, where: str | Path | None = None) -> None:
        self.folder = folder
        self.folder.mkdir(exist_ok=True)
        self.said: list[str] = []
        self.answers: list[tuple[str, bytes]] = []
        store = ReportStore(where or folder / "heard.db", {BOARD: folder})
        self.listener = listen.Listener(
            {BOARD: KEY}, store, lambda t, p: self.answers.append((t, p)), self.said.append
        )

    def hear(self, *payloads: bytes, topic: str = f"wakewell/{BOARD}/report") -> None:
        self.listener.deal([waiting_radio.Message(topic, p) for p in payloads], NOW)

    def readings(self) -> list[int]:
        """The numbers of the wakes that have a row in the table of readings."""
        with self.listener.store.engine.connect() as c:
            return sorted(c.scalars(sa.text("SELECT n FROM readings")))

    def log(self) -> bytes:
        files = sorted((self.folder / "logs").glob("*.jsonl"))
        return b"".join(p.read_bytes() for p in files)


def wakes(lines: list[bytes]) -> list[int]:
    """The numbers of the wakes among these lines."""
    found = [line.decode(data)[0] or {} for data in lines]
    return sorted(each["n"] for each in found if each["kind"] == "wake")


def whole(lines: list[bytes]) -> bytes:
    return b"".join(data + b"\n" for data in lines)


def test_kept_once_and_answered_each_time(tmp_path: Path) -> None:
    desk = Desk(tmp_path / "basil")
    desk.hear(pack(LINES[:10]), pack(LINES[:10]))
    desk.hear(pack(LINES[5:20], n=2))
    assert desk.log() == whole(LINES[:20])
    assert len(desk.answers) == 3
    topic, data = desk.answers[2]
    assert topic == f"wakewell/{BOARD}/heard"
    answer, why = heard.acknowledged(data, KEY, BOARD, 2, NONCE)
    assert answer is not None, why
    assert (answer["file"], answer["offset"]) == (1, len(whole(LINES[:20])))
    assert answer["utc"] == [divmod(int(NOW) - 946684800, 86400)[0], (int(NOW) - 946684800) % 86400]
    for other in ((KEY, BOARD, 3, NONCE), (KEY, BOARD, 2, "00" * 8), (KEY, "00" * 6, 2, NONCE)):
        assert heard.acknowledged(data, *other)[0] is None
    assert heard.acknowledged(data, bytes(32), BOARD, 2, NONCE)[0] is None


@pytest.mark.parametrize(
    ("payload", "topic", "why"),
    [
        (pack(LINES[:2]), "wakewell/ffffffffffff/report", "none of these pots"),
        (pack(LINES[:2]), "wakewell/report", "not a report's topic"),
        (pack(LINES[:2], key=bytes(32)), "", "tag does not match"),
        (pack(LINES[:2])[:-7], "", "no tag"),
        (b"\xff" * 100, "", "no tag"),
        (b"", "", "no tag"),
        (b"[" * 70000, "", "longer than 65536"),
        (sealed.seal(b"[[[[[1]", KEY, sealed.PACK), "", "not a report"),
        (sealed.seal(b'[{"n":"x","v":1}', KEY, sealed.PACK), "", "another board"),
        (sealed.seal(b"[" * 5000, KEY, sealed.PACK), "", "not a report"),
        (senml.close(senml.head(BOARD, -1, NONCE, {}), KEY), "", "no number"),
        (senml.close(senml.head(BOARD, 1, "", {}), KEY), "", "no nonce"),
        (senml.close(senml.head("ffffffffffff", 1, NONCE, {}), KEY), "", "another board"),
        (
            senml.close(senml.head(BOARD, 1, NONCE, {}) + b',{"n":"log/1/0","vd":"*"}', KEY),
            "", "not a report",
        ),
        (
            senml.close(senml.head(BOARD, 1, NONCE, {}) + b',{"n":"log/1/0","v":3}', KEY),
            "", "not a report",
        ),
        (
            senml.close(senml.head(BOARD, 1, NONCE, {}) + b',{"bt":1%s,"t":0.5,"v":1}' % HUGE, KEY),
            "", "not a report",
        ),
        (
            senml.close(senml.head(BOARD, 1, NONCE, {}) + b',{"n":"log/1/0","vd":[]}', KEY),
            "", "not a report",
        ),
        (
            senml.close(senml.head(BOARD, 1, NONCE, {}) + b',{"n":"log/1/0","vd":"+a=="}', KEY),
            "", "not a report",
        ),
    ],
)  # fmt: skip
def test_broken_is_counted_and_dropped_with_one_line(
    tmp_path: Path, payload: bytes, topic: str, why: str
) -> None:
    desk = Desk(tmp_path / "basil")
    desk.hear(bytes(payload), pack(LINES[:3]), topic=topic or f"wakewell/{BOARD}/report")
    if topic:
        desk.hear(pack(LINES[:3]))
    assert why in desk.said[0]
    assert all("\n" not in text and len(text) < 400 for text in desk.said)
    assert desk.log() == whole(LINES[:3])
    assert any(why in name for name in desk.listener.store.dropped())
    assert all(KEY.hex() not in text for text in desk.said)


def test_it_shows_that_it_lives(tmp_path: Path) -> None:
    """Reports without trouble are a line a minute, however many there are."""
    desk = Desk(tmp_path)
    for number in range(150):
        message = waiting_radio.Message(f"wakewell/{BOARD}/report", pack(LINES[:20], number))
        desk.listener.deal([message], NOW + number)
    assert desk.said == [
        "so far: 1 reports heard, 20 new lines kept, 0 dropped",
        "so far: 61 reports heard, 20 new lines kept, 0 dropped",
        "so far: 121 reports heard, 20 new lines kept, 0 dropped",
    ]
    named = Desk(tmp_path / "named")
    named.listener.names[BOARD] = "basil"
    named.hear(pack(LINES[:5], 1))
    assert named.said == ["basil: heard, 5 lines of its log"]


def test_a_flood_is_one_line_a_minute(tmp_path: Path) -> None:
    desk = Desk(tmp_path / "basil")
    for _ in range(20):
        desk.hear(b"x" * 50)
    assert len(desk.said) == 1
    assert sum(desk.listener.store.dropped().values()) == 20


def test_a_line_the_flash_damaged_is_left_out_and_told(tmp_path: Path) -> None:
    desk = Desk(tmp_path / "basil")
    torn = LINES[1][:50]
    desk.hear(pack([LINES[0], torn, LINES[1]]))
    assert desk.log() == whole(LINES[:2])
    assert "damaged on the board" in desk.said[0]
    answer, _ = heard.acknowledged(desk.answers[0][1], KEY, BOARD, 1, NONCE)
    assert answer["offset"] == len(whole([LINES[0], torn, LINES[1]]))


def test_a_data_value_that_is_none_of_ours_is_not_looked_at() -> None:
    """A newer board may tell more: its lines are heard all the same."""
    body = senml.head(BOARD, 1, NONCE, {}) + b',{"n":"new","vd":"*"},{"n":"a","v":1,"later":2}'
    report, why = letters.read(
        bytes(senml.close(body + senml.log_line(1, 0, LINES[0]), KEY)), KEY, BOARD
    )
    assert report is not None, why
    assert [each.data for each in report.lines] == [LINES[0]]


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_whatever_comes_the_listener_lives(data: st.DataObject) -> None:
    """Bytes of any kind, and members of any kind under the right key: read or dropped, no error."""
    good = pack(LINES[:1])
    if data.draw(st.booleans()):
        at = data.draw(st.integers(0, len(good)))
        bad = (
            good[:at]
            + data.draw(st.binary(max_size=40))
            + good[at + data.draw(st.integers(0, 9)) :]
        )
    else:
        leaf = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20)
        value = st.recursive(
            leaf, lambda x: st.lists(x) | st.dictionaries(st.text(), x), max_leaves=6
        )
        names = st.sampled_from(["bn", "bt", "bver", "n", "v", "vs", "vd", "t", "u", "x_"])
        entries = data.draw(st.lists(st.dictionaries(names, value), max_size=4))
        body = senml.head(BOARD, 1, NONCE, {})
        for entry in entries:
            body += b"," + json.dumps(entry).encode()
        bad = bytes(senml.close(body, KEY))
    report, why = letters.read(bad, KEY, BOARD)
    assert (report is None) == bool(why)


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_usual_records_mean_what_any_would(data: st.DataObject) -> None:
    """The quick way through a report's words against RFC 8428's resolution (section 4.6)."""
    base = senml.base_name(BOARD)
    members = {
        "n": st.sampled_from(["report", "nonce", "asked", "a b", "1", "", "log/1/2"]),
        "v": st.integers(-5, 1 << 31),
        "vs": st.sampled_from(["", "in force", NONCE]),
        "bn": st.sampled_from([base, "urn:dev:mac:00:"]),
        "u": st.just("V"),
        "t": st.integers(0, 9),
        "later": st.just(1),
    }
    plain = st.fixed_dictionaries({"n": members["n"]}, optional={"v": members["v"]})
    entry = plain | st.fixed_dictionaries({}, optional=members)
    entries = [{"bn": base, "n": "report", "v": 1}, *data.draw(st.lists(entry, max_size=4))]
    records = letters.decode(json.dumps(entries).encode())
    words = letters.words_as_usual(records, base)
    assert not words or words == letters.words_resolved(records, base)


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_a_log_file_cut_anywhere_is_made_good(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """Power goes while the file is written: after it every line is there once."""
    path = tmp_path_factory.mktemp("cut") / "00000001.jsonl"
    text = whole(LINES[:6])
    path.write_bytes(text[: data.draw(st.integers(0, len(text)))])
    placed = [(place_of(data), data) for data in LINES[:8]]
    end = files.lay(str(path), placed)
    assert path.read_bytes() == whole(LINES[:8])
    size = len(whole(LINES[:8]))
    assert end == files.End(str(path), path.stat().st_ino, size, size)


def test_what_is_not_ours_is_not_cut_off(tmp_path: Path) -> None:
    path = tmp_path / "00000001.jsonl"
    path.write_bytes(LINES[0] + b"\nsomething else")
    files.lay(str(path), [(place_of(data), data) for data in LINES[:2]])
    assert path.read_bytes() == LINES[0] + b"\nsomething else\n" + LINES[1] + b"\n"


# A process for each step, of one that has imported what takes long; where nothing can be forked
# each imports it itself
PROCESSES = multiprocessing.get_context("spawn" if sys.platform == "win32" else "forkserver")
if sys.platform != "win32":
    PROCESSES.set_forkserver_preload(
        [
            "hypothesis.strategies", "pytest", "sqlalchemy.dialects.sqlite", "trustme",
            "wakewell.deskboard", "wakewell.radio.listen", "wakewell.radio.store",
        ]
    )  # fmt: skip


def killed_at(step: int, order: int, folder: Path, answered: Path) -> None:
    """Hear two reports and end without a further word before that step. Runs in a process of its
    own; a line is added to `answered` for each answer."""
    desk, at = Desk(folder), itertools.count(1)

    def cut(name: str, module: Any) -> None:
        real = getattr(module, name)

        def wrapped(*args: Any, **kwargs: Any) -> Any:
            if next(at) == step:
                os._exit(9)
            return real(*args, **kwargs)

        setattr(module, name, wrapped)

    for name, module in (
        ("append", files), ("lay", files), ("_replace", files),
        ("_see", ReportStore), ("take", ReportStore), ("export", ReportStore),
    ):  # fmt: skip
        cut(name, module)

    def post(*_: Any) -> None:
        with answered.open("a") as file:
            file.write("answered\n")

    desk.listener.post = post
    for report in [pack(LINES[:10]), pack(LINES[10:20], n=2)][::order]:
        desk.hear(report)


@pytest.mark.parametrize("order", [1, -1])
@pytest.mark.parametrize("step", range(1, 11))
def test_killed_at_each_step_and_heard_again(tmp_path: Path, step: int, order: int) -> None:
    """Cut off before each of its steps: what was answered is kept, and nothing is kept twice."""
    folder, told = tmp_path / "basil", tmp_path / "answered"
    told.touch()
    process = PROCESSES.Process(target=killed_at, args=(step, order, folder, told))
    process.start()
    process.join()
    assert process.exitcode in (0, 9)
    answered = told.read_text().count("answered")
    desk = Desk(folder)
    assert len(desk.listener.store.lines(BOARD)) >= 10 * answered
    desk.listener.store.export()
    assert len(desk.log().splitlines()) >= 10 * answered
    desk.hear(pack(LINES[:10]), pack(LINES[10:20], n=2))
    assert desk.log() == whole(LINES[:20])
    assert desk.listener.store.lines(BOARD) == LINES[:20]
    assert desk.readings() == wakes(LINES[:20])


def test_a_full_disk_is_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    desk = Desk(tmp_path / "basil")
    messages = [waiting_radio.Message(f"wakewell/{BOARD}/report", pack(LINES[:3]))]
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage._replace(free=1000))
    assert "make room" in listen.deal(desk.listener, messages, tmp_path)
    assert not desk.answers
    monkeypatch.undo()
    assert listen.deal(desk.listener, messages, tmp_path) == ""
    assert desk.log() == whole(LINES[:3])


def test_sqlite_itself_runs_out_of_room(tmp_path: Path) -> None:
    """SQLite's own limit of pages stands for the disk's end: nothing half is kept or answered."""
    desk = Desk(tmp_path / "basil")
    desk.hear(pack(LINES[:2]))
    engine = desk.listener.store.engine
    engine.dispose()

    def small(connection: Any, _: Any) -> None:
        pages = connection.execute("PRAGMA page_count").fetchone()[0]
        connection.execute(f"PRAGMA max_page_count={pages}")

    sa.event.listen(engine, "connect", small)
    with pytest.raises(SQLAlchemyError, match="full"):
        desk.hear(pack(LINES[2:30], n=2))
    assert len(desk.answers) == 1
    assert desk.listener.store.lines(BOARD) == LINES[:2]
    sa.event.remove(engine, "connect", small)
    engine.dispose()
    desk.hear(pack(LINES[2:30], n=2))
    assert desk.log() == whole(LINES[:30])
    assert desk.readings() == wakes(LINES[:30])


def test_a_folder_that_cannot_be_written_holds_the_answer_back(tmp_path: Path) -> None:
    desk = Desk(tmp_path / "basil")
    (tmp_path / "basil" / "logs").write_text("in the way")
    messages = [waiting_radio.Message(f"wakewell/{BOARD}/report", pack(LINES[:3]))]
    assert "log file" in listen.deal(desk.listener, messages, tmp_path)
    assert not desk.answers
    (tmp_path / "basil" / "logs").unlink()
    assert listen.deal(desk.listener, messages, tmp_path) == ""
    assert desk.log() == whole(LINES[:3])


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full on this system")
def test_no_room_for_the_log_file(tmp_path: Path) -> None:
    """The kernel itself says that the disk is full; the answer waits until there is room."""
    desk = Desk(tmp_path / "basil")
    path = tmp_path / "basil" / "logs" / "00000001.jsonl"
    path.parent.mkdir()
    path.symlink_to("/dev/full")
    messages = [
        waiting_radio.Message(f"wakewell/{BOARD}/report", p) for p in (pack(LINES[:3]), b"x")
    ]
    for _ in range(3):
        assert "No space left" in listen.deal(desk.listener, messages, tmp_path)
    assert (desk.answers, desk.listener.heard, desk.listener.bad) == ([], 0, 0)
    path.unlink()
    assert listen.deal(desk.listener, messages, tmp_path) == ""
    assert desk.log() == whole(LINES[:3])
    assert (len(desk.answers), desk.listener.bad) == (1, 1)


def test_two_logs_of_which_one_cannot_be_written(tmp_path: Path) -> None:
    """What was written before the other refused is not written again with it."""
    other = "0242ac110003"
    desk = Desk(tmp_path / "basil")
    listener = desk.listener
    listener.keys[other] = KEY
    listener.store.folders[other] = tmp_path / "fern"
    (tmp_path / "fern").mkdir()
    (tmp_path / "fern" / "logs").write_text("in the way")

    def of_other(lines: list[bytes], n: int, at: int) -> waiting_radio.Message:
        body = senml.head(other, n, NONCE, {})
        for data in lines:
            body += senml.log_line(1, at, data)
            at += len(data) + 1
        return waiting_radio.Message(f"wakewell/{other}/report", bytes(senml.close(body, KEY)))

    messages = [
        waiting_radio.Message(f"wakewell/{BOARD}/report", pack(LINES[:3])),
        of_other(LINES[:2], 1, 0),
    ]
    for _ in range(2):
        assert "log file" in listen.deal(listener, messages, tmp_path)
    (tmp_path / "fern" / "logs").unlink()
    assert listen.deal(listener, messages, tmp_path) == ""
    assert desk.log() == whole(LINES[:3])
    fern = tmp_path / "fern" / "logs" / "00000001.jsonl"
    assert fern.read_bytes() == whole(LINES[:2])
    # And what comes after it goes on where the files end.
    messages = [
        waiting_radio.Message(f"wakewell/{BOARD}/report", pack(LINES[3:5], 2)),
        of_other(LINES[1:4], 2, len(whole(LINES[:1]))),
    ]
    assert listen.deal(listener, messages, tmp_path) == ""
    assert desk.log() == whole(LINES[:5])
    assert fern.read_bytes() == whole(LINES[:4])


def test_lines_are_looked_for_after_the_clock_was_set_back(tmp_path: Path) -> None:
    """Heard while the PC's clock was years ahead, then not: a cut loses no line of the files."""
    desk = Desk(tmp_path / "basil")
    desk.listener.deal(
        [waiting_radio.Message(f"wakewell/{BOARD}/report", pack(LINES[:5]))], NOW + 9 * 365 * 86400
    )
    report, _ = letters.read(pack(LINES[5:9], 2), KEY, BOARD)
    assert report is not None
    desk.listener.store.take([report], int(NOW))  # and here the power goes
    later = Desk(tmp_path / "basil")
    later.listener.store.export()
    assert later.log() == whole(LINES[:9])
    assert later.readings() == wakes(LINES[:9])


CURRENTS = (1.2, 1.3, 1.4, 1.5, 1.6)
WALK: list[tuple[str, int, float]] = [  # unit, time, value of RFC 8428, section 5.1.3
    ("", 0, 20), ("lon", 0, 24.30621), ("lat", 0, 60.07965),
    ("", 60, 20.3), ("lon", 60, 24.30622), ("lat", 60, 60.07965),
    ("", 120, 20.7), ("lon", 120, 24.30623), ("lat", 120, 60.07966), ("%EL", 150, 98),
    ("", 180, 21.2), ("lon", 180, 24.30628), ("lat", 180, 60.07967),
]  # fmt: skip


def test_rfc_8428_resolved() -> None:
    """The RFC's examples of sections 5.1.1 and 5.1.2, and 5.1.3 resolved as 5.1.4 has it.

    As in draft-ietf-core-senml-16, the last before the RFC.
    """
    name = "urn:dev:ow:10e2073a01080063"
    assert letters.resolve([{"n": name, "u": "Cel", "v": 23.1}], 7) == [
        {"n": name, "u": "Cel", "t": 7, "v": 23.1}
    ]
    base, at = "urn:dev:ow:10e2073a0108006:", 1.276020076001e09
    pack: list[Any] = [
        {"bn": base, "bt": at, "bu": "A", "bver": 5, "n": "voltage", "u": "V", "v": 120.1},
        *({"n": "current", "t": t, "v": v} for t, v in zip(range(-5, 0), CURRENTS, strict=True)),
        {"n": "current", "v": 1.7},
    ]
    assert letters.resolve(pack, 0) == [
        {"n": base + "voltage", "u": "V", "t": at, "v": 120.1},
        *(
            {"n": base + "current", "u": "A", "t": at + t, "v": v}
            for t, v in zip(range(-5, 1), (*CURRENTS, 1.7), strict=True)
        ),
    ]
    pack = [{"bn": name, "bt": 1.320067464e09, "bu": "%RH", "v": 20}]
    for row in WALK[1:]:
        pack.append({key: value for key, value in zip(("u", "t", "v"), row, strict=True) if value})
    assert letters.resolve(pack, 0) == [
        {"n": name, "u": unit or "%RH", "t": 1320067464 + (t or 0), "v": value}
        for unit, t, value in WALK
    ]
    # Section 4.1: a base value is added to a value, and is a value by itself where there is none
    pack = [{"bn": "a:", "bt": 1e9, "bv": 20, "n": "x", "v": 1}, {"n": "y"}, {"n": "z", "vs": "up"}]
    assert [(one.get("v"), one.get("vs")) for one in letters.resolve(pack, 0)] == [
        (21, None),
        (20, None),
        (None, "up"),
    ]
    bad: Any
    for bad in (
        [],
        {},
        [1],
        [{"n": "a b", "v": 1}],
        [{"n": "a", "bver": 99}],
        [{"n": "a", "x_": 1}],
    ):
        with pytest.raises(ValueError, match=r"\w"):
            letters.resolve(bad, 0)


# With a real broker


class Running:
    """`listen.listen` in a thread, on a real broker."""

    def __init__(self, folder: Path, secret: private.Private, name: str = "one") -> None:
        self.desk = Desk(folder)
        self.desk.listener.keys[BOARD] = secret.key
        self.radio = listen.Radio(secret, folder, [BOARD], f"test-{name}")
        self.desk.listener.post = self.radio.post
        self.until = threading.Event()
        self.thread = threading.Thread(
            target=listen.listen, args=(self.desk.listener, self.radio, self.until, folder)
        )

    def __enter__(self) -> Running:
        self.radio.start()
        self.thread.start()
        return self

    def __exit__(self, *_: Any) -> None:
        self.until.set()
        self.thread.join()
        self.radio.stop()

    def wait_for(self, count: int) -> None:
        waiting.until(
            lambda: len(self.desk.log().splitlines()) >= count,
            lambda: self.desk.said,
            self.thread.is_alive,
        )


def test_broker_killed_and_started_again_in_mid_batch(server: mosquitto.Broker, pot: Path) -> None:
    """What the broker took (QoS 1) and what it lost both arrive, once."""
    mosquitto.needed()
    secret = private.read(pot)
    topic = f"wakewell/{BOARD}/report"

    def tell(first: int, last: int, n: int) -> None:
        broker.publish(secret, pot, topic, pack(LINES[first:last], n, secret.key), False)

    with Running(pot, secret) as running:
        tell(0, 5, 1)
        running.wait_for(5)
    tell(5, 10, 2)  # nobody listens: the broker keeps it
    kept, report = server.folder / "mosquitto.db", pack(LINES[5:10], 2, secret.key)
    waiting.until(lambda: kept.exists() and report in kept.read_bytes())
    server.kill()
    server.start()
    with Running(pot, secret) as running:
        tell(10, 15, 3)
        server.kill()
        server.start()
        for n in (3, 4):  # what a board does that was not answered
            tell(10, 20, n)
        running.wait_for(20)
    assert running.desk.log() == whole(LINES[:20])
    assert running.desk.readings() == wakes(LINES[:20])


def test_wrong_password(server: mosquitto.Broker, pot: Path) -> None:
    path = pot / "private.toml"
    path.write_text(path.read_text().replace(mosquitto.WORD, "SECRET"))
    running = Running(pot, private.read(pot))
    running.radio.start()
    with pytest.raises(BadInput, match=r"broker\.user") as error:
        listen.listen(running.desk.listener, running.radio, threading.Event(), pot)
    assert "SECRET" not in str(error.value)
    running.radio.stop()


def flood(secret: private.Private, pot: Path, payloads: list[bytes]) -> None:
    """Publish them all and wait until the broker has them."""
    client = broker.client(secret, "")
    broker.connect(client, secret, pot)
    client.loop_start()
    sent = [client.publish(f"wakewell/{BOARD}/report", data, qos=1) for data in payloads]
    for each in sent:
        each.wait_for_publish()
    client.disconnect()
    client.loop_stop()


def test_a_slow_disk_holds_the_broker_back(server: mosquitto.Broker, pot: Path) -> None:
    """More messages than fit wait at the broker, not in memory; all come, once."""
    secret = private.read(pot)
    line_of = [[data] for data in LINES]
    with Running(pot, secret) as running:
        real, most = running.desk.listener.deal, [0]

        def slow(messages: list[waiting_radio.Message], now: float) -> None:
            time.sleep(0.3)
            most[0] = max(most[0], running.radio.waiting.qsize())
            real(messages, now)

        running.desk.listener.deal = slow  # type: ignore[method-assign]
        flood(secret, pot, [pack(line_of[n % 40], n, secret.key) for n in range(600)])
        running.wait_for(40)
        waiting.until(lambda: running.desk.listener.heard == 600, alive=running.thread.is_alive)
        assert 0 < most[0] <= waiting_radio.QUEUE
    assert running.desk.listener.heard == 600
    assert sorted(running.desk.log().splitlines()) == sorted(LINES)


def test_what_was_not_dealt_with_comes_again(server: mosquitto.Broker, pot: Path) -> None:
    """Stopped with messages in its hands: the broker has them still, for the next start."""
    mosquitto.needed()
    secret = private.read(pot)
    with Running(pot, secret) as running:
        stuck = threading.Event()

        def never(messages: list[waiting_radio.Message], now: float) -> None:
            stuck.set()
            raise OSError(28, "No space left on device", "x.jsonl")

        running.desk.listener.deal = never  # type: ignore[method-assign]
        flood(secret, pot, [pack(LINES[n : n + 1], n + 1, secret.key) for n in range(30)])
        stuck.wait()
    assert running.desk.log() == b""
    assert any("No space left" in text for text in running.desk.said)
    with Running(pot, secret) as running:
        running.wait_for(30)
    assert running.desk.log() == whole(LINES[:30])
    assert running.desk.readings() == wakes(LINES[:30])


def test_a_broker_of_pythons_index_will_do(tmp_path: Path) -> None:
    """As on a machine without Mosquitto: over TLS, with a password, each line once."""
    folder = tmp_path / "basil"
    shutil.copytree(CAFE / "basil", folder, ignore=shutil.ignore_patterns("logs"))
    (folder / "board.toml").write_text(f'id = "{BOARD}"\n')
    server = mosquitto.Broker(tmp_path / "broker", tls=True, mosquitto=None)
    shutil.copy(server.folder / "ca.pem", folder)
    fill_in(folder, server.port, tls=True, **{'ca = ""': 'ca = "ca.pem"'})
    server.start()
    try:
        secret = private.read(folder)
        with Running(folder, secret) as running:
            flood(secret, folder, [pack(LINES[:5], 1, secret.key), pack(LINES[:9], 2, secret.key)])
            running.wait_for(9)
        assert running.desk.log() == whole(LINES[:9])
    finally:
        server.kill()
