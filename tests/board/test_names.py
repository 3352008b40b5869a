"""A name server's answer against RFC 1035: its packet (section 4.1), its names (4.1.4)."""

from __future__ import annotations

import socket
import struct
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wakeboard import names

NUMBER = b"\x12\x34"
ASKED = names.question("pots.example.org")


def answer(*records: bytes, code: int = 0, number: bytes = NUMBER, asked: bytes = ASKED) -> bytes:
    head = number + struct.pack(">HHHHH", 0x8180 | code, 1, len(records), 0, 0)
    return head + asked + b"".join(records)


def record(kind: int, data: bytes, name: bytes = b"\xc0\x0c") -> bytes:
    return name + struct.pack(">HHIH", kind, 1, 60, len(data)) + data


ALIAS = record(5, b"\3www\xc0\x0c")  # CNAME
ADDRESS = record(1, bytes([192, 0, 2, 7]))
WHOLE_NAME = record(1, bytes([192, 0, 2, 8]), b"\4pots\7example\3org\0")


def test_the_question_is_as_the_standard_has_it() -> None:
    """RFC 1035, section 4.1.2: labels with their lengths, an empty one, type A, class IN."""
    assert ASKED == b"\4pots\7example\3org\0\0\1\0\1"


@pytest.mark.parametrize(
    ("data", "found"),
    [
        (answer(ADDRESS), "192.0.2.7"),
        (answer(ALIAS, ADDRESS), "192.0.2.7"),
        (answer(WHOLE_NAME, ADDRESS), "192.0.2.8"),
        (answer(record(28, bytes(16))), ""),  # AAAA alone
        (answer(code=3), ""),  # no such name
        (answer(ADDRESS, number=b"no"), None),
        (answer(ADDRESS, asked=names.question("evil.example")), None),
        (answer(ADDRESS)[:-2], None),
        (b"", None),
        (bytes([*NUMBER, 1, 0]) + answer(ADDRESS)[4:], None),  # a question, sent back
    ],
)
def test_an_answer_and_what_is_none(data: bytes, found: str | None) -> None:
    assert names.read(data, NUMBER, ASKED) == found


@given(st.binary(max_size=300))
def test_any_bytes_end(tail: bytes) -> None:
    found: Any = names.read(answer(code=0)[:6] + tail, NUMBER, ASKED)
    assert found is None or isinstance(found, str)
    names.read(answer()[:7] + b"\xff" + ASKED + tail, NUMBER, ASKED)


@pytest.fixture
def ticks(monkeypatch: pytest.MonkeyPatch) -> None:
    """MicroPython's own."""
    monkeypatch.setattr(time, "ticks_ms", lambda: time.monotonic_ns() // 1_000_000, raising=False)
    monkeypatch.setattr(time, "ticks_diff", lambda a, b: a - b, raising=False)


@pytest.fixture
def server() -> Iterator[Callable[[list[bytes | None]], int]]:
    """A name server on the loopback: each question gets the next of these answers, None: none."""
    stream = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    stream.bind(("127.0.0.1", 0))

    def serve(answers: list[bytes | None]) -> None:
        for each in answers:
            data, who = stream.recvfrom(512)
            if each is not None:
                stream.sendto(data[:2] + each[2:], who)

    def start(answers: list[bytes | None]) -> int:
        threading.Thread(target=serve, args=(answers,), daemon=True).start()
        return int(stream.getsockname()[1])

    yield start
    stream.close()


@pytest.mark.usefixtures("ticks")
def test_it_is_asked_again_and_not_for_ever(
    server: Callable[[list[bytes | None]], int], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(names, "WAIT_MS", 200)
    port = server([None, answer(ADDRESS), None, None, None, answer(code=3)])
    assert names.ask("pots.example.org", "127.0.0.1", port) == "192.0.2.7"
    with pytest.raises(OSError, match="no answer about pots"):
        names.ask("pots.example.org", "127.0.0.1", port)
    with pytest.raises(OSError, match="no address for pots"):
        names.ask("pots.example.org", "127.0.0.1", port)


def test_an_address_is_not_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(names, "ask", lambda *given: pytest.fail("asked"))
    for host in ("127.0.0.1", "localhost"):
        found: Any = names.find(host, 8883, socket.SOCK_STREAM, "192.0.2.1")
        assert found[-1][1] == 8883
