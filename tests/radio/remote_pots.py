"""A pot's secrets and days for the tests of this folder."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import mosquitto

from wakewell.deskboard import DeskBoard
from wakewell.deskboard.chip import Boot
from wakewell.pot import private

BOARD = "0242ac110002"
DAY_S = 86400
REST_MS = 60000  # a radio's boot takes less, a dose with its looks more


def fill_in(folder: Path, port: int, tls: bool = False, **changes: str) -> private.Private:
    """private.toml with the broker of a test in it."""
    path = private.make(folder)
    text = path.read_text()
    rows = {
        'host = ""': 'host = "localhost"', "port = 8883": f"port = {port}",
        "tls = true": f"tls = {str(tls).lower()}", 'user = ""': f'user = "{mosquitto.USER}"',
        'name = ""': 'name = "greenhouse"',
    }  # fmt: skip
    for old, new in (rows | changes).items():
        assert old in text
        text = text.replace(old, new)
    head, _, tail = text.partition("[broker]")
    tail = tail.replace('password = ""', f'password = "{mosquitto.WORD}"')
    path.write_text(head + "[broker]" + tail)
    return private.read(folder)


def idle_days(board: DeskBoard, count: int, most: int) -> Iterator[list[Boot]]:
    """So many days at whose end nothing was under way, one after the other, each with its boots.

    RuntimeError if that takes more than `most` days.
    """
    for _ in range(most):
        before = len(board.boots)
        board.advance(DAY_S)
        boot = board.wait_asleep()
        if boot.ended != "deep sleep":
            raise RuntimeError(f"a boot ended otherwise: {boot.ended}")
        # The radio's boot, if there is one, sleeps the rest of the day; after a dose the looks for
        # a leak have had their part of it
        if 0 <= 1000 * DAY_S - boot.sleep_ms < REST_MS:
            yield board.boots[before:]
            count -= 1
            if not count:
                return
    raise RuntimeError(f"in {most} days {count} days without a dose are missing")
