"""What a report holds, without a network: batches, memory, and what is told when."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Any

import pytest

from wakeboard import asked, heard, mqtt, radio, sealed, senml
from wakeboard.store import PotFiles
from wakewell.log import logs
from wakewell.pot import pot_folder
from wakewell.radio import letters
from wakewell.shipped import CAFE

KEY, BOARD = bytes(range(32)), "0242ac110002"


def lines(count: int) -> list[bytes]:
    path = sorted((CAFE / "basil" / "logs").glob("*.jsonl*"))[0]
    with logs.open_log(path) as file:
        return [text for _, text in zip(range(count), file, strict=False)]


class Board:
    def __init__(self, folder: Path) -> None:
        self.store_: Any = PotFiles(str(folder))
        self.clock: list[tuple[int, int]] = []
        self.trust, self.vain, self.version = 1, 0, "0123456789ab-01234567"

    def utc(self) -> list[int]:
        return [9500, 0, 1]

    def identity(self) -> str:
        return BOARD

    def set_utc(self, day: int, second: int) -> None:
        self.clock.append((day, second))

    def chip_s(self) -> int:
        return 0

    def proved(self) -> None:
        """No version is on trial."""

    def move_clock(self, to_s: int) -> None:
        assert to_s == 9500 * 86400


class Wlan:
    def ifconfig(self) -> tuple[str, str, str, str]:
        return ("", "", "", "127.0.0.1")


class Link:
    """A host at the other end: answers each report, unless told to be silent."""

    def __init__(self, talk: Any) -> None:
        self.talk, self.heard, self.silent = talk, [], 0  # type: ignore[var-annotated]

    def publish(self, topic: str, pieces: list[bytes]) -> None:
        report, why = letters.read(b"".join(pieces), KEY, BOARD)
        assert report is not None, why
        self.heard.append(report)
        self.talk.received(b"wakewell/x/heard", b"for another board")
        if len(self.heard) == self.silent:
            return
        place = report.file, report.offset
        answer = heard.acknowledge(
            KEY, BOARD, report.n, report.nonce, *place, "", (9000, len(self.heard))
        )
        self.talk.received(f"wakewell/{BOARD}/heard".encode(), bytes(answer))

    def next(self) -> None:
        raise mqtt.Gone(110)


@pytest.fixture
def talk(tmp_path: Path) -> Any:
    (tmp_path / "log").mkdir()
    text = lines(36)
    (tmp_path / "log" / "00000001.jsonl").write_bytes(b"".join(text[:24]))
    (tmp_path / "log" / "00000002.jsonl").write_bytes(b"".join(text[24:]) + b"torn")
    return radio.Talk(Board(tmp_path), {"key": KEY.hex()}, 59)


def told(link: Link) -> list[bytes]:
    return [each.data + b"\n" for report in link.heard for each in report.lines]


def test_oldest_first_in_bounded_batches_until_all_is_heard(talk: Any) -> None:
    for _ in range(9):
        link = Link(talk)
        talk.tell(link)
        assert len(link.heard) <= radio.MOST_BATCHES
        for report in link.heard:
            assert sum(len(each.data) for each in report.lines[:-1]) <= radio.BATCH
    assert (talk.memory.file, talk.memory.offset) == (2, sum(map(len, lines(36)[24:])))
    assert told(link) == []


def test_what_is_not_answered_is_told_again_and_nothing_is_left_out(talk: Any) -> None:
    everything: list[bytes] = []
    for silent in (1, 3, 0, 2, 0, 0, 0, 0):
        link = Link(talk)
        link.silent = silent
        try:
            talk.tell(link)
            everything += told(link)
        except mqtt.Gone:
            everything += [d.data + b"\n" for report in link.heard[:-1] for d in report.lines]
    assert everything == lines(36)
    assert talk.board.clock


@pytest.mark.parametrize("limit", [3000, 1500])
def test_short_of_memory_it_tells_less_and_goes_on(
    talk: Any, limit: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    real: Any = senml.log_pieces
    sizes: list[int] = []

    def narrow(file: int, offset: int, data: bytes) -> Any:
        sizes.append(len(data))
        if sum(sizes) > limit:
            raise MemoryError
        return real(file, offset, data)

    monkeypatch.setattr(senml, "log_pieces", narrow)
    batch = talk.batch

    def fresh(most: int) -> Any:
        sizes.clear()
        return batch(most)

    talk.batch = fresh
    found: list[bytes] = []
    for _ in range(48):
        link = Link(talk)
        with contextlib.suppress(MemoryError):  # two such lines in a row: the next report goes on
            talk.tell(link)
        found += told(link)
    text = lines(36)
    assert found == [data for data in text if len(data) - 1 <= limit]
    assert found


def test_an_answer_for_another_place_moves_nothing(talk: Any) -> None:
    link = Link(talk)
    monkey: Any = heard.acknowledge

    def wrong(*args: Any) -> Any:
        return monkey(*args[:4], args[4] + 1, *args[5:])

    heard.acknowledge = wrong
    try:
        talk.tell(link)
    finally:
        heard.acknowledge = monkey
    assert (talk.memory.file, talk.memory.offset) == (0, 0)
    assert not talk.board.clock


HEARD, ASKED = f"wakewell/{BOARD}/heard".encode(), f"wakewell/{BOARD}/asked".encode()


def answer(n: int, nonce: str, key: bytes = KEY) -> bytes:
    return bytes(heard.acknowledge(key, BOARD, n, nonce, 1, 0, "", (9000, 0)))


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (answer(0, "00ff", bytes(32)), "tag does not match"),
        (answer(0, "00ff")[:-9], "no tag at its end"),
        (answer(0, "00ee"), "the answer to another report"),
        (answer(0, "00ff") + b" " * heard.MOST_ANSWER, "longer than 512 bytes"),
        (None, "longer than 4096 bytes"),
    ],
)
def test_an_answer_that_is_refused_is_counted_and_told_on_the_console(
    talk: Any, data: bytes | None, why: str, capsys: pytest.CaptureFixture[str]
) -> None:
    talk.nonce = "00ff"
    talk.received(b"" if data is None else HEARD, data)
    assert (talk.answer, talk.memory.refused) == (None, 1)
    out = capsys.readouterr().out
    assert out.startswith("wakewell: radio: refused: ")
    assert why in out
    assert out.count("\n") == 1
    talk.received(HEARD, answer(0, "00ff"))
    assert talk.answer is not None
    assert talk.memory.refused == 1
    assert capsys.readouterr().out == ""


def message(
    n: int, key: bytes = KEY, version: int = asked.VERSION, dose_ml: int = 0, board: str = BOARD
) -> bytes:
    found = pot_folder.load(CAFE / "basil")
    limits_id = logs.line.identity(found.lines["limits"])
    values = dict(found.settings)
    values["dose_ml"] = dose_ml or values["dose_ml"]
    data = bytes(asked.make(key, board, n, (9600, 0), 10**6, limits_id, values))
    if version == asked.VERSION:
        return data
    body = data[: data.rindex(b',"hmac"')]
    older = body.replace(b'"version":%d' % asked.VERSION, b'"version":%d' % version)
    assert older != body
    return bytes(sealed.seal(older, key))


@pytest.mark.parametrize(
    ("data", "why", "n"),
    [
        (message(9, bytes(32)), "tag does not match", 0),
        (message(9)[:-9], "no tag at its end", 0),
        (message(4), "number 4 is older than 5", 0),
        (message(9, version=0), "message of version 0, known: 1", 0),
        (message(9) + b" " * asked.MOST, "longer than 2048 bytes", 0),
        (message(9, dose_ml=2000), "dose_ml = 2000, the hard limit is at most", 9),
    ],
)
def test_what_is_asked_and_refused_is_counted_and_told_on_the_console(
    talk: Any, data: bytes, why: str, n: int, capsys: pytest.CaptureFixture[str]
) -> None:
    for kind, text in pot_folder.load(CAFE / "basil").lines.items():
        (Path(talk.root) / (kind + ".json")).write_bytes(text)
    talk.memory.asked = 5
    talk.received(ASKED, data)
    assert talk.settle(None) == (n > 0)
    assert heard.load(talk.root).refused == 1
    out = capsys.readouterr().out
    assert out.startswith("wakewell: radio: refused: ")
    assert why in out
    assert out.count("\n") == 1
    # The one that was judged last may come again: it is retained
    talk.received(ASKED, message(talk.memory.asked))
    assert not talk.settle(None)
    assert talk.memory.refused == 1
    assert capsys.readouterr().out == ""


FORGED, REPLAYED = message(9, bytes(32)), message(4)
ELSEWHERE, TOO_MUCH = message(9, board="0242ac110003"), message(8, dose_ml=2000)


@pytest.mark.parametrize(
    ("met", "refused", "answer"),
    [
        ([FORGED, message(9)], 1, "in force"),
        ([message(9), FORGED], 1, "in force"),
        ([REPLAYED, message(9), ELSEWHERE, FORGED], 3, "in force"),
        ([FORGED, FORGED, FORGED], 3, ""),
        ([message(5), FORGED, message(5)], 1, ""),  # 5 was judged before
        ([message(9), message(9), message(9)], 0, "in force"),
        ([message(8), message(9)], 0, "in force"),  # the newer one carries every setting
        ([message(9), message(8)], 1, "in force"),
        ([FORGED, TOO_MUCH, REPLAYED], 3, "refused: dose_ml = 2000, the hard limit is at most"),
        ([b" " * 4000, b" " * 4000], 2, ""),
    ],
)
def test_of_several_in_one_wake_the_newest_is_judged_and_every_refused_one_counted(
    talk: Any, met: list[bytes], refused: int, answer: str, capsys: pytest.CaptureFixture[str]
) -> None:
    for kind, text in pot_folder.load(CAFE / "basil").lines.items():
        (Path(talk.root) / (kind + ".json")).write_bytes(text)
    talk.memory.asked = 5
    for data in met:
        talk.received(ASKED, data)
    assert talk.settle(None) == bool(answer)
    assert talk.memory.refused == refused
    assert talk.memory.answer.startswith(answer)
    assert talk.memory.asked == (5 if not answer else 8 if TOO_MUCH in met else 9)
    assert capsys.readouterr().out.count("wakewell: radio: refused: ") == refused


@pytest.mark.parametrize("meanwhile", [[FORGED, FORGED], [message(10)]])
def test_what_is_met_while_an_answer_is_told_counts_too(
    talk: Any, meanwhile: list[bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    for kind, text in pot_folder.load(CAFE / "basil").lines.items():
        (Path(talk.root) / (kind + ".json")).write_bytes(text)

    class Broker(Link):
        def publish(self, topic: str, pieces: list[bytes]) -> None:
            super().publish(topic, pieces)
            if self.heard[-1].words["answer"]:
                for each in meanwhile:
                    self.talk.received(ASKED, each)
            elif len(self.heard) == 1:
                self.talk.received(ASKED, message(9))

        def close(self) -> None:
            pass

    monkeypatch.setattr(radio, "secrets", lambda root: {"key": KEY.hex(), "broker_host": "x"})
    monkeypatch.setattr(radio, "join", lambda private: Wlan())
    monkeypatch.setattr(radio, "leave", lambda wlan: None)
    monkeypatch.setattr(radio, "brokered", lambda private, root, talk, server: Broker(talk))
    radio.report(talk.board, 59)
    memory = heard.load(talk.root)
    assert memory.refused == meanwhile.count(FORGED)
    assert memory.asked == (9 if memory.refused else 10)


def test_where_the_numbers_are_lost_what_is_asked_is_counted_too(
    talk: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    talk.memory.lost = True
    assert not talk.settle(None)
    assert talk.memory.refused == 0
    talk.received(ASKED, message(9))
    assert not talk.settle(None)
    assert heard.load(talk.root).refused == 1
    assert "refused: message counter lost; reset it by cable" in capsys.readouterr().out
    for _ in range(3):
        talk.received(ASKED, message(9))
    assert not talk.settle(None)
    assert heard.load(talk.root).refused == 4
    assert capsys.readouterr().out.count("refused: message counter lost; reset it by cable") == 3
