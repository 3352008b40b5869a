"""The chip's pads between the interpreter and the world.

Belongs here: what drives each pad, pulls, holds, pulses on their way, wake pins, edges.
Does not belong here: when a chip resets or sleeps (chip.py), what is wired to it (world.py).
"""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from wakewell.deskboard.inside import layout as L
from wakewell.deskboard.world import Level, World
from wakewell.pot import chips


@dataclass
class _Pad:
    level: Level = None
    pull: int = L.PULL_NONE
    held: bool = False


class Pads:
    """Every time is simulated microseconds since the world began."""

    def __init__(self, world: World, kind: chips.Chip) -> None:
        self.world = world
        self._kind = kind
        self.hold_in_deep_sleep = False
        """Whether a held pad outside the RTC domain is held in deep sleep too."""
        self.ext0: tuple[int, int] | None = None
        """Pin and level that wake the chip."""
        self.ext1: tuple[int, int] | None = None
        """Mask of pins and a level: 1 any of them high, 0 all of them low."""
        self.by_pin: dict[int, _Pad] = {}
        self._watched: dict[int, tuple[int, int]] = {}  # pin: pull, level last seen
        # What will happen by itself: time, order, the pulse's pin or -1, action.
        self._coming: list[tuple[int, int, int, Callable[[int], None]]] = []
        self._order = itertools.count()

    # --- what is to come ---------------------------------------------------------------------

    def at(self, t_us: int, action: Callable[[int], None], pin: int = -1) -> None:
        """Plan an action for a time; it is called with that time."""
        heapq.heappush(self._coming, (t_us, next(self._order), pin, action))

    def deliver(self, now_us: int) -> None:
        """Do everything that was planned up to now, in order."""
        while self._coming and self._coming[0][0] <= now_us:
            t_us, _, _, action = heapq.heappop(self._coming)
            action(t_us)

    @property
    def next_us(self) -> int:
        """When the next planned action is, L.NEVER_US if there is none."""
        return self._coming[0][0] if self._coming else L.NEVER_US

    # --- outputs -------------------------------------------------------------------------------

    def set(self, pin: int, level: Level, pull: int, t_us: int) -> None:
        """The latch drives the pad, or nothing does; a pulse on it ends."""
        self._end_pulses(pin)
        self._set(pin, level, pull, t_us)

    def _set(self, pin: int, level: Level, pull: int, t_us: int) -> None:
        pad = self.by_pin.setdefault(pin, _Pad())
        if not pad.held and (pad.level, pad.pull) != (level, pull):
            pad.level, pad.pull = level, pull
            self.world.on_pin(pin, level, pull, t_us)

    def pulse(self, pin: int, idle: int, pulses: list[tuple[int, int]], t_us: int) -> None:
        """Durations in microseconds and levels, one after the other, then the idle level."""
        self._end_pulses(pin)
        for duration_us, level in (*pulses, (0, idle)):
            self.at(t_us, partial(self._set, pin, level, L.PULL_NONE), pin)
            t_us += duration_us

    def _end_pulses(self, pin: int | None) -> None:
        self._coming = [
            item for item in self._coming if item[2] < 0 or (pin is not None and item[2] != pin)
        ]
        heapq.heapify(self._coming)

    def hold(self, pin: int, held: bool) -> None:
        self.by_pin.setdefault(pin, _Pad()).held = held

    @property
    def held(self) -> int:
        """Mask of the held pads."""
        return sum(1 << pin for pin, pad in self.by_pin.items() if pad.held)

    # --- resets --------------------------------------------------------------------------------

    def reset(self, t_us: int) -> None:
        """Pulses end, and every pad floats that is not held."""
        self._end_pulses(None)
        for pin in list(self.by_pin):
            self._set(pin, None, L.PULL_NONE, t_us)

    def begin_deep_sleep(self, t_us: int) -> None:
        """Only what is held stays, and what the chip does with the pull of a wake pin."""
        kind = self._kind
        for pin, pad in self.by_pin.items():
            own = pin in kind.wake or kind.holds_each or self.hold_in_deep_sleep
            pad.held = pad.held and own
        armed = self._armed()
        pulls = {pin: self.by_pin[pin].pull for pin in armed if pin in self.by_pin}
        self.reset(t_us)
        for pin, level in armed.items():
            pad = self.by_pin.setdefault(pin, _Pad())
            if kind.wake_pull == "sets" and not pad.held:
                pad.pull = L.PULL_DOWN if level else L.PULL_UP
                pad.held = True
            elif kind.wake_pull == "keeps":
                pad.pull = pulls.get(pin, L.PULL_NONE)

    def _armed(self) -> dict[int, int]:
        """The pins that wake the chip, each with the level that does."""
        found = {} if self.ext0 is None else {self.ext0[0]: self.ext0[1]}
        if self.ext1 is not None:
            mask, level = self.ext1
            found |= {pin: level for pin in range(L.PINS) if mask >> pin & 1}
        return found

    def lose_power(self, t_us: int) -> None:
        for pad in self.by_pin.values():
            pad.held = False
        self.reset(t_us)
        self.disarm()

    def disarm(self) -> None:
        """Nothing wakes the chip, as after every boot but a soft one."""
        self.ext0 = self.ext1 = None
        self.hold_in_deep_sleep = False

    # --- inputs --------------------------------------------------------------------------------

    def read(self, pin: int, pull: int, t_us: int) -> int:
        return self._read(pin, pull, t_us, 0)

    def _read(self, pin: int, pull: int, t_us: int, floating: int) -> int:
        pad = self.by_pin.get(pin)
        if pad is not None and pad.level is not None:
            return pad.level
        if pad is not None and pad.held:
            pull = pad.pull
        level = self.world.read_pin(pin, t_us)
        if level is not None:
            return int(bool(level))
        return floating if pull == L.PULL_NONE else int(pull == L.PULL_UP)

    def wake_reason(self, t_us: int) -> int:
        """By which armed pin the chip would wake now, 0 for none."""
        if self.ext0 is not None:
            pin, level = self.ext0
            if self._at_rest(pin, t_us, level) == level:
                return L.EXT0_WAKE
        if self.ext1 is not None:
            mask, level = self.ext1
            pins = [pin for pin in range(L.PINS) if mask >> pin & 1]
            high = any(self._at_rest(pin, t_us, level) for pin in pins)
            if high == bool(level):
                return L.EXT1_WAKE if self._kind.ext0 else L.GPIO_WAKE
        return 0

    def _at_rest(self, pin: int, t_us: int, wakes: int) -> int:
        """A pin that nothing holds at a level soon drifts to the one that wakes."""
        pad = self.by_pin.get(pin)
        return self._read(pin, pad.pull if pad else L.PULL_NONE, t_us, wakes)

    def watch(self, pin: int, wanted: bool, pull: int, t_us: int) -> None:
        """Watch a pin's level for edges(), or stop watching it."""
        self._watched.pop(pin, None)
        if wanted:
            self._watched[pin] = pull, self.read(pin, pull, t_us)

    def watch_none(self) -> None:
        self._watched.clear()

    def edges(self, t_us: int) -> list[tuple[int, int]]:
        """Watched pins that changed since last asked, with their new level."""
        changed = []
        for pin, (pull, was) in list(self._watched.items()):
            level = self.read(pin, pull, t_us)
            if level != was:
                self._watched[pin] = pull, level
                changed.append((pin, level))
        return changed
