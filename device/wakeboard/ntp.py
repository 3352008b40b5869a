"""The time of day from a clock server, where no host told it: SNTP, RFC 5905 section 14.

One question and a few looks for its answer, every wait bounded. An answer is believed if it is one
to this very question and says a plausible time; the server is not authenticated, so its time sets
only the stored offset. Whether a message asked over the air has expired is never judged by it
(R10).
"""

import os
import struct
import time

WAIT_MS = 2000
POLL_MS = 20
SIZE = 48  # bytes of the header
DAY_S = 86400
FROM_1900_S = 3155673600  # 1900-01-01 to 2000-01-01
ERA_S = 1 << 32
# 2026-01-01 and 2068-01-01, in days since 2000-01-01: the seconds of a later day fill 32 bits
LEAST_DAY, MOST_DAY = 9497, 24837
MOST_OFF = 16 << 16  # root delay and dispersion, 16.16 seconds (MAXDISP of RFC 5905)


def question(cookie: bytes) -> bytes:
    """The client's packet: version 4, mode 3, and random bytes for the time it does not know."""
    return b"\x23" + bytes(39) + cookie


def read(data: bytes, cookie: bytes) -> "list[int] | None":
    """[day since 2000-01-01, second] from a server's answer, or None."""
    if len(data) < SIZE or data[24:32] != cookie:
        return None
    first, stratum = data[0], data[1]
    if first & 7 != 4 or first >> 6 == 3 or not 1 <= stratum <= 15:
        return None  # no server's, not synchronized, or a refusal
    delay, dispersion = struct.unpack(">II", data[4:12])
    if delay // 2 + dispersion >= MOST_OFF:
        return None
    (seconds,) = struct.unpack(">I", data[40:44])
    if seconds < ERA_S // 2:  # from 2036 on it counts anew (RFC 4330, section 3)
        seconds += ERA_S
    day, second = divmod(seconds - FROM_1900_S, DAY_S)
    return [day, second] if LEAST_DAY <= day < MOST_DAY else None


def ask(host: str, port: int, names_server: str) -> "list[int] | None":
    """[day, second] from that server, or None: absent, slow, or not to be believed."""
    import select
    import socket

    from wakeboard import names

    cookie = os.urandom(8)
    stream = None
    try:
        found = names.find(host, port, socket.SOCK_DGRAM, names_server)
        stream = socket.socket(found[0], socket.SOCK_DGRAM)
        stream.connect(found[-1])
        stream.setblocking(False)
        stream.send(question(cookie))
        poll = select.poll()
        poll.register(stream, select.POLLIN)
        began = time.ticks_ms()
        for _ in range(WAIT_MS // POLL_MS):
            if time.ticks_diff(time.ticks_ms(), began) > WAIT_MS:
                break
            if poll.poll(POLL_MS):
                utc = read(stream.recv(SIZE), cookie)
                if utc is not None:
                    return utc
    except OSError as error:
        print("wakewell: clock server: %r" % error)
    finally:
        if stream is not None:
            stream.close()
    return None


def plausible(utc: list[int], now: list[int]) -> bool:
    """May the clock be set to it? now: [day, second, trust] as the board counts. A time that the
    host or the cable told is moved by less than a day."""
    if now[2] != 1:
        return True
    off_s = (utc[0] - now[0]) * DAY_S + utc[1] - now[1]
    return -DAY_S < off_s < DAY_S
