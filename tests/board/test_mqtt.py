"""The bound of a talk with broker or server: by the clock, and by count should it stand still."""

from __future__ import annotations

import itertools
import types
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from wakeboard import mqtt, post

MOST_MS = 1000
FAR = 100_000  # reads after which a talk has no end
PLAIN = mqtt.packet(0x30, mqtt.text("a") + b"b")
AT_LEAST_ONCE = mqtt.packet(0x32, mqtt.text("a") + b"\0\7" + b"b")
NOTHING = b"\xd0\0"  # an answer to a ping that nobody sent
HUGE = b"\x30\xff\xff\xff\x7f" + b"x" * 4096  # 256 MB, all of it still to come


class Peer:
    """A stream that always has more to read; it moves the clock with each read, or does not."""

    def __init__(self, says: Iterator[bytes], step_ms: int) -> None:
        self.says, self.step_ms, self.now, self.reads = says, step_ms, 0, 0
        self.left = b""

    def module(self) -> Any:
        """The `time` of a board."""
        return types.SimpleNamespace(ticks_ms=lambda: self.now, ticks_diff=lambda a, b: a - b)

    def read(self, size: int) -> bytes:
        self.reads += 1
        assert self.reads < FAR, "it never ends"
        self.now += self.step_ms
        if not self.left:
            self.left = next(self.says)
        data, self.left = self.left[:size], self.left[size:]
        return data

    def write(self, data: bytes) -> int:
        return len(data)


def never(ms: int) -> None:
    raise AssertionError("there is always something to read")


TALKS: dict[str, Callable[[Any], object]] = {
    "until": lambda talk: talk.until(mqtt.PUBACK, b"\0\1"),
    "next": lambda talk: [talk.next() for _ in itertools.count()],
    "connect": lambda talk: talk.connect("pot", "", ""),
    "subscribe": lambda talk: talk.subscribe("a"),
    "publish": lambda talk: talk.publish("a", [b"b"]),
}


@pytest.mark.parametrize("step_ms", [0, 1, 50])
@pytest.mark.parametrize("says", [PLAIN, AT_LEAST_ONCE, NOTHING, HUGE])
@pytest.mark.parametrize("name", TALKS)
def test_a_broker_that_never_stops_talking(
    name: str, says: bytes, step_ms: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """R13: there is always something to read, so nothing is ever waited for."""
    if says is HUGE:
        peer = Peer(itertools.chain([HUGE], itertools.repeat(b"x" * 4096)), step_ms)
    else:
        peer = Peer(itertools.repeat(says), step_ms)
    monkeypatch.setattr(mqtt, "time", peer.module())
    talk = mqtt.Mqtt(peer, never, MOST_MS, lambda topic, data: None)
    with pytest.raises(mqtt.Gone) as gone:
        TALKS[name](talk)
    assert gone.value.args == (110,)
    if step_ms:
        assert peer.now <= MOST_MS + step_ms
    assert peer.reads <= mqtt.MOST_READS + 1


@pytest.mark.parametrize("step_ms", [0, 1, 50])
def test_a_server_that_answers_byte_by_byte(step_ms: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each answer is right and slow to read: all of them together have the one bound."""
    answer = b"HTTP/1.1 200 OK\r\nX: " + b"x" * 900 + b"\r\nContent-Length: 2\r\n\r\n{}"
    says = itertools.cycle([answer[at : at + 1] for at in range(len(answer))])
    peer = Peer(says, step_ms)
    monkeypatch.setattr(mqtt, "time", peer.module())
    link = post.Post(peer, never, MOST_MS, lambda topic, data: None, "a", "")
    with pytest.raises(mqtt.Gone) as gone:
        all(link.publish("wakewell/a/report", [b"b"]) is None for _ in itertools.count())
    assert gone.value.args == (110,)
    if step_ms:
        assert peer.now <= MOST_MS + step_ms


def test_a_talk_as_it_should_be_is_far_from_its_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    """All that one wake may tell, each answer twice, the clock standing still."""
    peer = Peer(iter(()), 0)
    monkeypatch.setattr(mqtt, "time", peer.module())
    talk = mqtt.Mqtt(peer, never, MOST_MS, lambda topic, data: None)
    for n in range(1, 10):
        heard = mqtt.packet(0x32, mqtt.text("wakewell/a/heard") + b"\0\7" + b"x" * 400)
        peer.says = iter((mqtt.packet(0x40, bytes([0, n])), heard, heard))
        talk.publish("wakewell/a/report", [b"b"])
        talk.next()
        talk.next()
    assert peer.reads < mqtt.MOST_READS // 100


def test_a_message_too_long_to_hold_is_handed_on_as_that(monkeypatch: pytest.MonkeyPatch) -> None:
    """Once for each such message, also if its end never comes; not for what is no message."""
    got: list[tuple[bytes, bytes | None]] = []
    long = mqtt.packet(0x30, mqtt.text("a") + b"x" * mqtt.MOST)
    other = mqtt.packet(0xB0, b"x" * (mqtt.MOST + 1))
    peer = Peer(iter((long, other, PLAIN, long[:99])), 0)
    monkeypatch.setattr(mqtt, "time", peer.module())
    talk = mqtt.Mqtt(peer, never, MOST_MS, lambda topic, data: got.append((topic, data)))
    for _ in range(3):
        talk.next()
    assert got == [(b"", None), (b"a", b"b")]
    with pytest.raises(StopIteration):
        talk.next()
    assert got[2:] == [(b"", None)]


def test_what_a_server_asks_with_every_answer_is_one_message(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """It says the newest there is each time; to a count of what was refused that is once."""
    got: list[bytes] = []
    bodies = (b"h1\na1", b"h2\na1", b"h3\na2", b"h4", b"h5\na2")
    answers = [b"HTTP/1.1 200 OK\r\nContent-Length: %d\r\n\r\n%b" % (len(b), b) for b in bodies]
    peer = Peer(iter(answers), 0)
    monkeypatch.setattr(mqtt, "time", peer.module())
    link = post.Post(peer, never, MOST_MS, lambda topic, data: got.append(data), "a", "")
    for _ in bodies:
        link.publish("wakewell/a/report", [b"b"])
    assert got == [b"h1", b"a1", b"h2", b"h3", b"a2", b"h4", b"h5"]


@pytest.mark.parametrize(("size", "counted"), [(mqtt.MOST + 1, 1), (10**9, 1), (-1, 0)])
def test_an_answer_too_long_to_hold(
    size: int, counted: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    got: list[tuple[bytes, bytes | None]] = []
    peer = Peer(iter([b"HTTP/1.1 200 OK\r\nContent-Length: %d\r\n\r\n" % size]), 0)
    monkeypatch.setattr(mqtt, "time", peer.module())
    link = post.Post(peer, never, MOST_MS, lambda *given: got.append(given), "a", "")
    with pytest.raises(mqtt.Gone) as gone:
        link.publish("wakewell/a/report", [b"b"])
    assert gone.value.args == (71,)
    assert got == [(b"", None)] * counted
