"""As much of MQTT 3.1.1 (OASIS Standard) as a report needs, every wait bounded.

The interpreter's own client is not used: it takes the time limit off its socket at each
read, and a silent broker would then hold the board until its watchdog bites (R13). No
retransmission and no session: what is not acknowledged is told again in another wake.
"""

import time

if False:
    from typing import Any, Iterable

POLL_MS = 20
MOST = 4096  # bytes of one packet from the broker; a longer one is read and forgotten
MOST_READS = 16384  # in one talk; nine reports need a few hundred, by HTTPS some thousands
CONNACK, PUBLISH, PUBACK, SUBACK = 2, 3, 4, 9


class Gone(OSError):
    """The broker refused, closed, took too long, or sent what is not MQTT."""


def text(data: "str | bytes") -> bytes:
    """A length of two bytes and the bytes (section 1.5.3)."""
    if isinstance(data, str):
        data = data.encode()
    return bytes([len(data) >> 8, len(data) & 255]) + data


def header(kind: int, size: int) -> bytes:
    """What a packet begins with: its first byte, the remaining length (section 2.2.3)."""
    head = bytes([kind])
    while size > 127:
        head += bytes([size & 127 | 128])
        size >>= 7
    return head + bytes([size])


def packet(kind: int, body: bytes) -> bytes:
    """A whole packet."""
    return header(kind, len(body)) + body


class Mqtt:
    """A connection over a stream that does not block. most_ms: all waits together.

    poll(ms) waits until there is something to read, at most so long.

    The bound is kept by the clock, and by the count of polls and reads in case the clock stands
    still. A peer that never stops sending causes reads without a wait, so reads are counted too.
    """

    def __init__(self, stream: "Any", poll: "Any", most_ms: int, got: "Any" = None) -> None:
        self.stream, self.poll, self.got = stream, poll, got
        self.polls = most_ms // POLL_MS
        self.reads = MOST_READS
        self.began, self.most_ms = time.ticks_ms(), most_ms
        self.n = 0

    def check(self) -> None:
        """Gone when the time is used up."""
        late = time.ticks_diff(time.ticks_ms(), self.began) > self.most_ms
        if late or self.polls < 0 or self.reads < 0:
            raise Gone(110)

    def wait(self) -> None:
        """One poll's wait."""
        self.polls -= 1
        self.check()
        self.poll(POLL_MS)

    def write(self, data: bytes) -> None:
        """All of it."""
        at = 0
        while at < len(data):
            done = self.stream.write(data[at : at + 1024])
            if done:
                at += done
            else:
                self.wait()

    def read(self, size: int) -> bytes:
        """Exactly so many bytes."""
        found = b""
        while len(found) < size:
            self.reads -= 1
            self.check()
            data = self.stream.read(size - len(found))
            if data is None:
                self.wait()
            elif data == b"":
                raise Gone(104)
            else:
                found += data
        return found

    def packet(self) -> "tuple[int, bytes]":
        """(first byte, body) of the next packet; (0, b"") of one too long to hold."""
        first = self.read(1)[0]
        size = shift = 0
        while True:
            byte = self.read(1)[0]
            size |= (byte & 127) << shift
            if byte < 128:
                break
            shift += 7
            if shift > 21:
                raise Gone(71)
        if size > MOST:
            if first >> 4 == PUBLISH:
                self.too_long()
            while size:
                size -= len(self.read(min(size, 512)))
            return 0, b""
        return first, self.read(size)

    def too_long(self) -> None:
        """A message too long to hold goes to `got` as None, so that it is counted."""
        if self.got is not None:
            self.got(b"", None)

    def until(self, kind: int, n: "bytes | None" = None) -> bytes:
        """Handle packets until one of that kind (and number) comes. Returns its body."""
        while True:
            first, body = self.packet()
            if first >> 4 == PUBLISH:
                self.received(first, body)
            elif first >> 4 == kind and (n is None or body[:2] == n):
                return body

    def received(self, first: int, body: bytes) -> None:
        """Hand a message to `got` and acknowledge it."""
        if len(body) < 2:
            raise Gone(71)
        at = 2 + (body[0] << 8 | body[1])
        topic = body[2:at]
        if first & 6:
            self.write(packet(PUBACK << 4, body[at : at + 2]))
            at += 2
        if self.got is not None:
            self.got(topic, body[at:])

    def connect(self, name: str, user: str, password: str) -> None:
        """Say who we are. Gone if the broker will not have us."""
        flags, tail = 2, text(name)  # a clean session
        if user:
            flags |= 0x80
            tail += text(user)
            if password:
                flags |= 0x40
                tail += text(password)
        self.write(packet(0x10, text("MQTT") + bytes([4, flags, 0, 60]) + tail))
        if self.until(CONNACK)[1:2] != b"\0":
            raise Gone(13)

    def number(self) -> bytes:
        """The next packet's number, two bytes."""
        self.n += 1
        return bytes([self.n >> 8, self.n & 255])

    def subscribe(self, topic: str) -> None:
        """At least once (QoS 1)."""
        n = self.number()
        self.write(packet(0x82, n + text(topic) + b"\1"))
        if self.until(SUBACK, n)[2:3] == b"\x80":
            raise Gone(13)

    def want(self, topic: str) -> None:
        """What is kept there goes to `got`, now or with the packets that follow."""
        self.subscribe(topic)

    def publish(self, topic: str, pieces: "Iterable[bytes]") -> None:
        """At least once (QoS 1): returns when the broker has it. pieces: of the message."""
        n = self.number()
        self.write(header(0x32, 2 + len(topic) + len(n) + sum([len(p) for p in pieces])))
        self.write(text(topic) + n)
        for piece in pieces:
            self.write(piece)
        self.until(PUBACK, n)

    def next(self) -> None:
        """Handle the next packet, of any kind."""
        first, body = self.packet()
        if first >> 4 == PUBLISH:
            self.received(first, body)

    def close(self) -> None:
        """Say goodbye, if it still can be said."""
        try:
            self.stream.write(packet(0xE0, b""))
        except OSError:
            pass
        self.stream.close()
