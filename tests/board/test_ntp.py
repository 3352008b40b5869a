"""The clock server's answer against RFC 5905: its packet (figure 8), its dates (figure 4)."""

from __future__ import annotations

import struct
from datetime import UTC, date, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wakeboard import clock, ntp

COOKIE = b"cookie 8"


def answer(seconds: int, cookie: bytes = COOKIE, **other: Any) -> bytes:
    """A server's packet. other: leap, version, mode, stratum, delay, dispersion."""
    row = {"leap": 0, "version": 4, "mode": 4, "stratum": 2, "delay": 0, "dispersion": 0} | other
    first = row["leap"] << 6 | row["version"] << 3 | row["mode"]
    head = struct.pack(">BBbbII4s", first, row["stratum"], 6, -20, row["delay"],
                       row["dispersion"], b"GPS\0")  # fmt: skip
    stamp = struct.pack(">II", seconds % (1 << 32), 0)
    return head + stamp + cookie + stamp + stamp


# RFC 5905, figure 4: day, era, timestamp of that era
DATES = [
    (date(1970, 1, 1), 0, 2208988800),
    (date(1972, 1, 1), 0, 2272060800),
    (date(1999, 12, 31), 0, 3155587200),
    (date(2036, 2, 8), 1, 63104),
]


@pytest.mark.parametrize(("day", "era", "stamp"), DATES)
def test_interesting_historic_dates(day: date, era: int, stamp: int) -> None:
    days = (day - date(2000, 1, 1)).days
    assert era * ntp.ERA_S + stamp - ntp.FROM_1900_S == days * 86400
    found = ntp.read(answer(stamp), COOKIE)
    assert found == ([days, 0] if days >= ntp.LEAST_DAY else None)  # before this was written


def test_the_question_tells_nothing_of_the_board() -> None:
    """Version 4, mode 3 (client), 48 bytes, all else zero but the random transmit time."""
    data = ntp.question(COOKIE)
    assert len(data) == 48
    assert (data[0] >> 3 & 7, data[0] & 7) == (4, 3)
    assert data[1:40] == bytes(39)
    assert data[40:] == COOKIE


def test_what_is_believed() -> None:
    at = datetime(2026, 11, 25, 20, 30, 5, tzinfo=UTC)
    seconds = int(at.timestamp()) + 2208988800  # 1900 to 1970, RFC 5905 figure 4
    day = (at.date() - date(2000, 1, 1)).days
    good = answer(seconds)
    assert ntp.read(good, COOKIE) == [day, 20 * 3600 + 30 * 60 + 5]
    assert ntp.read(good + b"extension", COOKIE) is not None
    for other in (
        {"cookie": b"another8"},  # the answer to another question
        {"mode": 3}, {"mode": 5}, {"leap": 3}, {"stratum": 16},
        {"stratum": 0},  # kiss-o'-death
        {"delay": 32 << 16}, {"dispersion": 16 << 16},
    ):  # fmt: skip
        assert ntp.read(answer(seconds, **other), COOKIE) is None, other
    assert ntp.read(good[:47], COOKIE) is None
    assert ntp.read(answer(seconds - 86400 * 365), COOKIE) is None


@given(st.binary(max_size=80))
def test_any_bytes(data: bytes) -> None:
    for each in (data, data[:24] + COOKIE + data[24:]):
        found = ntp.read(each, COOKIE)
        assert found is None or ntp.LEAST_DAY <= found[0] < ntp.MOST_DAY


def test_a_clock_that_was_told_is_moved_by_less_than_a_day() -> None:
    now = [9800, 100]
    for off_s, good in ((0, True), (86399, True), (-86399, True), (86400, False), (-86400, False)):
        total = 9800 * 86400 + 100 + off_s
        utc = [total // 86400, total % 86400]
        assert ntp.plausible(utc, [*now, 1]) == good
        assert ntp.plausible(utc, [*now, 0])
        assert ntp.plausible(utc, [*now, 2])


@pytest.mark.parametrize(("day", "moved"), [(clock.MOST_DAY - 1, True), (clock.MOST_DAY, False)])
def test_a_day_that_32_bits_cannot_hold_moves_no_clock(
    tmp_path: Path, day: int, moved: bool
) -> None:
    """Told by the host or the cable, whose own clock may be wrong: every later wake would fail."""
    found: list[int] = []
    board = SimpleNamespace(utc=lambda: [day, 0, 1], chip_s=lambda: 0, move_clock=found.append,
                            store_=SimpleNamespace(root=str(tmp_path)))  # fmt: skip
    clock.for_certificates(board)
    assert found == ([day * 86400] if moved else [])
    assert all(seconds < 1 << 31 for seconds in found)
