"""A flow meter in the hose: a wheel that gives a pulse for every so much water.

What belongs here: the pulses that the water makes, and the meter's faults. What does not: who
counts them (the board), what they are worth (the core).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from .fitted import beyond, turned
from .pot import RigPot
from .wires import Wire

WINDOW_S = 1.0  # of a look with the pump off (wakeboard.flowmeter)
# A wheel's bearing wears: it counts so much less after a year. Own assumption.
AGES_PPT_YEAR = 20.0
YEAR_S = 365.0 * 86_400.0


class RigFlowMeter:
    """points: its calibration (pulses, microlitres). through_ml: all the water that ever went
    through the hose; fault: the amount of that fault now, None while there is none."""

    def __init__(
        self,
        points: Sequence[tuple[int, int]],
        through_ml: Callable[[], float],
        fault: Callable[[str], float | None],
        now_s: Callable[[], float],
    ) -> None:
        self._pulses_of, self._through_ml = turned(points), through_ml
        self._fault, self._now_s = fault, now_s
        self._seen_ml, self._pulses = through_ml(), 0.0
        self._from = 0

    def pulses(self) -> int:
        """All pulses so far."""
        seen_ml, self._seen_ml = self._seen_ml, self._through_ml()
        if self._fault("flow meter stuck") is None:
            missed = self._fault("flow meter misses") or 0.0
            counts = 1.0 - missed - 0.001 * AGES_PPT_YEAR * self._now_s() / YEAR_S
            pulses = beyond(self._pulses_of, 1000.0 * (self._seen_ml - seen_ml))
            self._pulses += max(0.0, counts) * max(0.0, pulses)
        return int(self._pulses)

    def begin(self) -> None:
        """The pump starts: count from here."""
        self._from = self.pulses()

    def now(self) -> int:
        """Pulses since `begin`."""
        return self.pulses() - self._from

    def read(self, wait: Callable[[float], None], deviates: Sequence[float]) -> list[int]:
        """As the board reads it with the pump off. wait: lets time pass, s."""
        self.begin()
        wait(WINDOW_S)
        return [self.now(), 0]

    def wires(self) -> dict[str, Wire]:
        """What its pin shows a board."""
        return {"pin": Wire(pulses=self.pulses)}


def of_pot(pot: RigPot, points: Sequence[tuple[int, int]], spread: int) -> RigFlowMeter:
    """The flow meter in that pot's hose."""
    return RigFlowMeter(points, pot.through_ml, pot.faults.amount, lambda: pot.t_s)
