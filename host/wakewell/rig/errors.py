"""The rig's two errors: a set-up that cannot exist, and a run that reached an impossible state.

What belongs here: these two errors and the one range check that every part of the rig uses.
"""

import math
from collections.abc import Mapping


class Impossible(ValueError):
    """A set-up that physics rules out: which key, the value found, and what is allowed."""

    def __init__(self, key: str, value: object, allowed: str) -> None:
        super().__init__(f"{key} is {value}: allowed is {allowed}")
        self.key = key
        self.value = value
        self.allowed = allowed


class Stopped(RuntimeError):
    """A run that met a state no pot can be in: the time (s since its start) and that state."""

    def __init__(self, time_s: float, state: Mapping[str, float]) -> None:
        told = ", ".join(f"{name}={value:g}" for name, value in state.items())
        super().__init__(f"stopped after {time_s:.1f} s of simulated time with {told}")
        self.time_s = time_s
        self.state = dict(state)


def need(key: str, value: float, low: float, high: float, unit: str = "") -> float:
    """Return `value` if it is a finite number from `low` to `high`, else raise Impossible."""
    if not math.isfinite(value) or not low <= value <= high:
        raise Impossible(key, value, f"{low:g} to {high:g} {unit}".rstrip())
    return value
