"""Waits for an event that must come, on a busy computer too: bounded by a count, not by time."""

from __future__ import annotations

import subprocess
import time
from collections.abc import Callable
from typing import Any, TypeVar

T = TypeVar("T")

MOST_LOOKS = 100_000
LOOK_S = 0.01


def until(
    look: Callable[[], T],
    told: Callable[[], object] = lambda: "",
    alive: Callable[[], bool] = lambda: True,
) -> T:
    """What `look` finds, once that is true. told: what to show if it never is.

    alive: is whatever must bring it still there? Once it is not, one more look decides.
    """
    for _ in range(MOST_LOOKS):
        lives = alive()
        found = look()
        if found:
            return found
        if not lives:
            raise AssertionError(f"never seen, and what should bring it has ended; {told()}")
        time.sleep(LOOK_S)
    raise AssertionError(f"never seen; {told()}")


def running(process: subprocess.Popen[Any]) -> Callable[[], bool]:
    """Whether that process still runs, for `alive`."""
    return lambda: process.poll() is None
