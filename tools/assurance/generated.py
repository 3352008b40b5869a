"""Generated wakes of every kind on each interpreter, and every sum of the core in them.

The wakes are those of the core's own tests (`tests/core/core_scripts`): any pot inside the
ranges, any readings, resets, faults and people. The log lines must be the same bytes here
and on each MicroPython, and no integer may leave the 31 bits of a small one.
"""

from __future__ import annotations

import json
import math
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from wakewell.interpreters import interpreter
from wakewell.portable import mock

CORE_TESTS = Path(__file__).resolve().parents[2] / "tests" / "core"
WAKES = 500  # in a life


class Differs(Exception):
    """The interpreters do not agree, or a sum is too big."""


def _scripts() -> Any:
    if str(CORE_TESTS) not in sys.path:
        sys.path.insert(0, str(CORE_TESTS))
    import core_scripts  # type: ignore[import-not-found]

    return core_scripts


def both(
    seed: int,
    lives: int,
    told: Callable[[int], None] | None = None,
    end_s: float = math.inf,
    on: str = interpreter.UNIX,
) -> int:
    """Wakes that gave the same bytes here and on that MicroPython. Raises Differs or BadInput.

    end_s: when, by the monotonic clock, no further life is begun.
    """
    same = 0
    for life in range(lives):
        if time.monotonic() > end_s:
            break
        script = _scripts().script(seed * 100000 + life, WAKES)
        head = {name: value for name, value in script.items() if name != "wakes"}
        inputs = (json.dumps(part).encode() for part in (head, *script["wakes"]))
        there = interpreter.stream("wakewell.portable.run_script", inputs, on=on)
        for number, (one, other) in enumerate(zip(mock.play(script), there, strict=True), 1):
            found = json.loads(other)
            if one["line"].decode() != found["line"] or one["events"] != found["events"]:
                raise Differs(
                    f"seed {seed}, life {life}, wake {number}: here {one['line'].decode()} "
                    f"{one['events']}, on MicroPython {found['line']} {found['events']}"
                )
            same += 1
        if told:
            told(same)
    return same


def small(
    seed: int,
    lives: int,
    told: Callable[[int], None] | None = None,
    end_s: float = math.inf,
) -> tuple[int, int]:
    """(wakes, sums checked) of the same lives in which every integer stayed small."""
    _scripts()
    import small_ints  # type: ignore[import-not-found]

    core = small_ints.checked_core()
    before, wakes = core.counter.checks, 0
    for life in range(lives):
        if time.monotonic() > end_s:
            break
        try:
            wakes += sum(1 for _ in core.play(_scripts().script(seed * 100000 + life, WAKES)))
        except small_ints.BigInteger as wrong:
            raise Differs(f"seed {seed}, life {life}: {wrong}") from None
        if told:
            told(wakes)
    return wakes, core.counter.checks - before
