"""The chip's clock, set for certificates alone.

TLS asks whether a certificate is valid now, and after every power-up the chip's clock says the year
2000. So it is set before TLS. It is set to the time that a host told, else to a clock server's. It
is never set before the floor, the newest time ever told, which never goes back. Nothing that waters
looks at this clock (R10). The length of a sleep is the difference of two of its times, and both are
moved when it is set. The time of a record has an offset of its own, which is moved back by the same
amount (`Board.move_clock`).
"""

from wakeboard.files import read_bytes, replace
from wakecore import line
from wakecore.number import is_whole

if False:
    from typing import Any

FILE = "/clock.json"  # the floor: day since 2000-01-01 and second, UTC
NAMES = ("kind", "day", "second")
DAY_S = 86400
# 2026-01-01 and 2068-01-01, in days since 2000-01-01: the seconds of a later day fill 32 bits
LEAST_DAY, MOST_DAY = 9497, 24837


def floor(root: str) -> list[int]:
    """[day, second] of the newest time ever told, [0, 0] if none was."""
    record, _ = line.decode((read_bytes(root + FILE) or b"").rstrip(b"\r\n"))
    found: "Any" = [0, 0] if record is None else [record.get("day"), record.get("second")]
    good = is_whole(found[0], 0, MOST_DAY) and is_whole(found[1], 0, DAY_S - 1)
    return found if good else [0, 0]


def raise_floor(root: str, day: int, second: int) -> None:
    """A host or the cable told the time. The floor never goes back. A clock server may be
    anybody's, so it does not move the floor: a floor too high would refuse every certificate for
    ever.
    """
    if not LEAST_DAY <= day < MOST_DAY or [day, second] <= floor(root):
        return
    data = line.encode(NAMES, {"kind": "clock", "day": day, "second": second})
    if not replace(root + FILE, data):
        print("wakewell: the time could not be stored")


def for_certificates(board: "Any") -> None:
    """Set the chip's clock as accurately as the time is known."""
    day, second, trusted = board.utc()
    now = board.chip_s()
    found = [day, second] if trusted else [now // DAY_S, now % DAY_S]
    day, second = max(found, floor(board.store_.root))
    if day < MOST_DAY:
        board.move_clock(day * DAY_S + second)
