"""A broker and a listener in one, for one bare chip: it hears each report and answers it.

As much of MQTT 3.1.1 as a board speaks. What it hears is read and answered by the same functions
as `wakewell listen` uses.
"""

from __future__ import annotations

import re
from typing import Any

from wakeboard import heard, mqtt, newkey
from wakewell.radio import letters

UTC = [9800, 43200]  # the time that it tells: a day in 2026


class Broker:
    """A Peer. reports: what was heard. answered: those of them that it answered. deaf: it takes
    reports and answers none. kept: messages that wait at it, by topic."""

    def __init__(self, board: str, key: bytes, deaf: bool = False) -> None:
        self.board, self.key, self.deaf = board, key, deaf
        self.secret = self.next_key = b""  # of a change of the key that is under way
        self.reports: list[letters.BoardReport] = []
        self.answered: list[letters.BoardReport] = []
        self.waiting, self.out = b"", b""
        self.kept: dict[str, bytes] = {}

    def connect(self) -> int:
        self.waiting = self.out = b""
        return 0

    def accept(self) -> int:
        return -1

    def read(self, number: int, size: int) -> bytes | None:
        data, self.out = self.out[:size], self.out[size:]
        return data or None

    def write(self, number: int, data: bytes) -> None:
        self.waiting += data
        while (found := self._packet()) is not None:
            self._answer(*found)

    def _packet(self) -> tuple[int, bytes] | None:
        """The next whole packet: its first byte and its body (section 2.2)."""
        size, at = 0, 1
        while at < len(self.waiting):
            byte = self.waiting[at]
            size |= (byte & 127) << (7 * (at - 1))
            at += 1
            if byte < 128:
                break
        else:
            return None
        if len(self.waiting) < at + size:
            return None
        first, body = self.waiting[0], self.waiting[at : at + size]
        self.waiting = self.waiting[at + size :]
        return first, body

    def _answer(self, first: int, body: bytes) -> None:
        kind = first >> 4
        if kind == 1:  # CONNECT
            self.out += bytes([mqtt.CONNACK << 4, 2, 0, 0])
        elif kind == 8:  # SUBSCRIBE
            self.out += bytes([mqtt.SUBACK << 4, 3, *body[:2], 1])
            topic = body[4:-1]
            if topic.decode() in self.kept:
                found = self.kept[topic.decode()]
                self.out += mqtt.packet(mqtt.PUBLISH << 4, body[2:4] + topic + found)
        elif kind == mqtt.PUBLISH:
            at = 2 + (body[0] << 8 | body[1])
            self.out += bytes([mqtt.PUBACK << 4, 2, *body[at : at + 2]])
            for name, data in self.taken(body[at + 2 :]).items():
                topic = mqtt.text(f"wakewell/{self.board}/{name}")
                self.out += mqtt.packet(mqtt.PUBLISH << 4, topic + data)

    def change_key(self, n: int, until: tuple[int, int], until_n: int) -> bytes:
        """The message that asks for another key. From here on the host knows both."""
        self.secret = bytes(range(1, 33))
        share = newkey.x25519(self.secret, newkey.BASE)
        return bytes(newkey.make(self.key, self.board, n, until, until_n, share))

    def taken(self, data: bytes) -> dict[str, bytes]:
        """A report came: what is sent back, by the last word of its topic."""
        report, why = letters.read(data, self.key, self.board)
        if report is None and self.next_key:
            report, why = letters.read(data, self.next_key, self.board)
        if report is None:
            if self.secret:
                return {}  # a key that the host does not have: to it this is a stranger's
            raise ValueError(why)
        self.reports.append(report)
        if self.deaf:
            return {}
        self.answered.append(report)
        if self.secret and "share" in report.words:
            mine = newkey.x25519(self.secret, newkey.BASE)
            other = newkey.half(report.words["share"])
            assert other is not None
            shared = newkey.x25519(self.secret, other)
            self.next_key = newkey.agreed(self.key, shared, mine, other) or b""
        return {"heard": self._hear(report)}

    def _hear(self, report: letters.BoardReport) -> bytes:
        words: dict[str, Any] = {"file": report.file, "offset": report.offset}
        ids = "".join(letters.id_of(data) for data in report.in_force)
        key, place = self.next_key or self.key, (words["file"], words["offset"])
        return heard.acknowledge(key, self.board, report.n, report.nonce, *place, ids, UTC)


class Server(Broker):
    """The same by HTTPS POST, as far as a board asks it."""

    def write(self, number: int, data: bytes) -> None:
        self.waiting += data
        head, end, body = self.waiting.partition(b"\r\n\r\n")
        size = re.search(rb"(?i)^content-length: *(\d+)\r?$", head, re.MULTILINE)
        if not end or size is None or len(body) < int(size[1]):
            return
        self.waiting = b""
        told = self.taken(body)
        if "heard" in told:
            asked = self.kept.get(f"wakewell/{self.board}/asked", b"")
            answer = told["heard"] + b"\n" + asked + b"\n"
            self.out += b"HTTP/1.1 200 OK\r\nContent-Length: %d\r\n\r\n" % len(answer) + answer
