"""A host's address, asked for within a bound: one question to a name server (RFC 1035).

The interpreter's own look-up waits as long as it likes, beyond the bounds of a report (R13). It is
used where it answers by itself: for an address, and for a name of the home's own (mDNS, five
seconds; MicroPython, ports/esp32/modsocket.c).
"""

import os
import socket
import time

if False:
    from typing import Any

WAIT_MS = 1500
TRIES = 3
POLL_MS = 20
MOST = 512  # bytes of an answer (section 2.3.4)
PORT = 53


def question(host: str) -> bytes:
    """The question: that name, an address (A), internet (section 4.1.2)."""
    labels = [bytes([len(label)]) + label.encode() for label in host.split(".")]
    return b"".join(labels) + b"\0\0\1\0\1"


def end_of_name(data: bytes, at: int) -> int:
    """Where the name at that place ends (section 4.1.4)."""
    while 0 < data[at] < 0xC0:
        at += data[at] + 1
    return at + (2 if data[at] else 1)


def read(data: bytes, number: bytes, asked: bytes) -> "str | None":
    """The address in an answer, "" if it says there is none; None if it is no answer to this."""
    at = 12 + len(asked)
    if len(data) < at or data[:2] != number or data[12:at] != asked or not data[2] & 0x80:
        return None
    try:
        for _ in range(data[6] << 8 | data[7] if not data[3] & 15 else 0):
            at = end_of_name(data, at)
            size = data[at + 8] << 8 | data[at + 9]
            if data[at : at + 4] == b"\0\1\0\1" and size == 4:
                return "%d.%d.%d.%d" % tuple(data[at + 10 : at + 14])
            at += 10 + size
    except (IndexError, TypeError):
        return None
    return ""


def ask(host: str, server: str, port: int = PORT) -> str:
    """The address as text. OSError if nobody says it in time."""
    import select

    number, asked = os.urandom(2), question(host)
    stream = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    try:
        stream.connect(socket.getaddrinfo(server, port, 0, socket.SOCK_DGRAM)[0][-1])
        stream.setblocking(False)
        poll = select.poll()
        poll.register(stream, select.POLLIN)
        for _ in range(TRIES):
            stream.send(number + b"\1\0\0\1\0\0\0\0\0\0" + asked)
            began = time.ticks_ms()
            for _ in range(WAIT_MS // POLL_MS):
                if time.ticks_diff(time.ticks_ms(), began) > WAIT_MS:
                    break
                if poll.poll(POLL_MS):
                    found = read(stream.recv(MOST), number, asked)
                    if found is not None:
                        if found:
                            return found
                        raise OSError("no address for " + host)
    finally:
        stream.close()
    raise OSError("no answer about " + host)


def find(host: str, port: int, kind: int, server: str) -> "Any":
    """A socket's address for that host. kind: stream or datagram; server: of names."""
    own = host == "localhost" or host.endswith(".local")
    if not own and not host.replace(".", "").isdigit():
        host = ask(host, server)
    return socket.getaddrinfo(host, port, 0, kind)[0]
