"""What goes wrong, as data: which fault, from when to when, how likely, how much.

What belongs here: the table of faults, their checks, and the draw from one seed of which of them
happen. What does not: what a fault does to the pot (pot.py).
"""

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial
from random import Random
from typing import NamedTuple

from .errors import Impossible, need


class Kind(NamedTuple):
    """What `amount` means for a fault (unit, range, default), and whether it strikes by chance
    each time something is tried rather than for the whole of its window."""

    unit: str = ""
    low: float = 1.0
    high: float = 1.0
    usual: float = 1.0
    each_time: bool = False


KINDS = {
    "probe out": Kind(),
    "probe railed": Kind("uV", 0.0, 6e6, 3.1e6),
    "probe frozen": Kind(),
    "probe drifts": Kind("ppt of water more a day", -100.0, 100.0, 5.0),
    "level railed": Kind("count", -10.0, 6e6, 3.1e6),
    "level frozen": Kind(),
    "level misread": Kind("mm too high", -5000.0, 5000.0, -5.0, each_time=True),
    "hose off": Kind(),
    "hose clogged": Kind("share of flow lost", 0.0, 1.0, 0.9),
    "tank forgotten": Kind(),
    "leak": Kind("ml/h", 0.0, 1e5, 5.0),
    "siphon": Kind("mm the hose end hangs below the tank's floor", 0.0, 5000.0, 50.0),
    "flow meter stuck": Kind(),
    "flow meter misses": Kind("share of its pulses", 0.0, 1.0, 0.5),
    "relay stuck": Kind(),
    "pump blocked": Kind(),
    "cell aged": Kind("share of capacity lost", 0.0, 0.95, 0.5),
    "battery misread": Kind("mV too high", -5000.0, 5000.0, -150.0, each_time=True),
    "thermometer misread": Kind("kelvin too high", -100.0, 100.0, -20.0),
    "bad contact": Kind("mOhm, so that the pump browns the board out", 0.0, 1e5, 3000.0),
    "clock lost": Kind(),
    "clock jump": Kind("s", -1e10, 1e10, 3600.0),
    "write fails": Kind(each_time=True),
    "radio down": Kind(each_time=True),
    "program hangs": Kind(each_time=True),
}


@dataclass(frozen=True)
class Fault:
    """One fault: kind (of KINDS), window in s since the run's start, chance, and amount.

    probability: that it happens in this run at all; for "write fails", "radio down", "program
    hangs" (in a pulse) and a misread level or battery, that one try inside the window fails.
    amount: see KINDS; the usual one unless told. "clock lost" and "clock jump" happen once, at
    the start of their window.
    """

    kind: str
    start_s: float = 0.0
    end_s: float = math.inf
    probability: float = 1.0
    amount: float | None = None

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise Impossible("fault.kind", repr(self.kind), ", ".join(KINDS))
        need("fault.start_s", self.start_s, 0.0, 1e12, "s")
        if not self.end_s > self.start_s:
            raise Impossible("fault.end_s", self.end_s, f"after its start, {self.start_s:g} s")
        need("fault.probability", self.probability, 0.0, 1.0)
        if self.amount is not None:
            kind = KINDS[self.kind]
            need("fault.amount", self.amount, kind.low, kind.high, kind.unit)

    @property
    def much(self) -> float:
        """The amount, the usual one unless told."""
        return KINDS[self.kind].usual if self.amount is None else self.amount


class Faults:
    """The faults of one run. Which of them happen follows from the seed and their order alone.

    If several of one kind are active, the one that began last counts.
    """

    def __init__(self, faults: Iterable[Fault], seed: int) -> None:
        self._random = Random(f"faults {seed}")
        self.happening: list[Fault] = []
        for number, fault in enumerate(faults):
            chance = Random(f"fault {seed} {number}").random()
            if KINDS[fault.kind].each_time or chance < fault.probability:
                self.happening.append(fault)
        # The active ones of a kind overwrite each other in this order
        self.happening.sort(key=lambda fault: fault.start_s)
        edges = {edge for fault in self.happening for edge in (fault.start_s, fault.end_s)}
        self._edges = sorted(edge for edge in edges if edge < math.inf)
        self._active: dict[str, Fault] = {}
        self._next = 0
        self.next_s = -math.inf

    def reach(self, now_s: float) -> list[Fault]:
        """Bring the active faults up to a time: those that began since the last call."""
        began: list[Fault] = []
        if now_s < self.next_s:
            return began
        while self._next < len(self._edges) and self._edges[self._next] <= now_s:
            self._next += 1
        self.next_s = self._edges[self._next] if self._next < len(self._edges) else math.inf
        before = set(self._active.values())
        self._active = {f.kind: f for f in self.happening if f.start_s <= now_s < f.end_s}
        return [f for f in self._active.values() if f not in before]

    def amount(self, kind: str) -> float | None:
        """How much of a fault there is now; None while there is none."""
        fault = self._active.get(kind)
        return None if fault is None else fault.much

    def began_s(self, kind: str) -> float:
        """When the fault that is there now began, s since the run's start."""
        return self._active[kind].start_s

    def tries(self, kind: str) -> Callable[[], bool]:
        """Whether one try now fails, as `strikes`; at once where that kind never happens."""
        if any(fault.kind == kind for fault in self.happening):
            return partial(self.strikes, kind)
        return lambda: False

    def strikes(self, kind: str) -> bool:
        """Whether one try now fails, by the fault's probability."""
        fault = self._active.get(kind)
        return fault is not None and self._random.random() < fault.probability
