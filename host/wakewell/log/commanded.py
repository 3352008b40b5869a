"""What a record's commands say: sleeps and pulses. Needs nothing beyond the standard library."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple


class CommandedSleep(NamedTuple):
    """A command to sleep. button: does it wake the board?"""

    seconds: int
    button: bool


def sleep_of(commands: Sequence[str]) -> CommandedSleep | None:
    """The sleep that a wake commanded at its end (R13); None if it commanded none."""
    return _slept(commands[-1]) if commands else None


@lru_cache(maxsize=1000)  # a pot sleeps the same few lengths
def _slept(command: str) -> CommandedSleep | None:
    name, *values = command.split()[:3] or [""]
    if name != "sleep" or not values or not values[0].isdecimal() or len(values[0]) > 8:
        return None
    return CommandedSleep(int(values[0]), values[1:] == ["button"])


def is_pulse(command: str) -> bool:
    """Does it start the pump? `run MILLISECONDS`."""
    return command.startswith("run ")


def pulses_of(commands: Sequence[str]) -> list[str]:
    """The commands that start the pump."""
    return [command for command in commands if is_pulse(command)]
