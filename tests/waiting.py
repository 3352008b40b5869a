"""Waiting for what must come, on however busy a computer: for the event, bounded by a count."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T")

MOST_LOOKS = 100_000
LOOK_S = 0.01


def until(look: Callable[[], T], told: Callable[[], object] = lambda: "") -> T:
    """What `look` finds, once that is true. told: what to show if it never is."""
    for _ in range(MOST_LOOKS):
        found = look()
        if found:
            return found
        time.sleep(LOOK_S)
    raise AssertionError(f"never seen; {told()}")
