"""A scale under the pot: what its load cell shows of the water, and of the plant that grows.

What belongs here: counts from the mean water content and the pot's age. What does not: turning
counts into water (the core's work), how the amplifier is asked (the desk board).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import ClassVar

from .fitted import SPREADS_NOISE, CalibratedProbe, beyond, turned
from .pot import RigPot
from .wires import Wire

GROWS_G_DAY = 0.4  # what a houseplant in a pot of some litres adds; own assumption
DAY_S = 86_400.0
AWAY_PPT = -1_000.0  # the reading with the pot lifted off; below any table


@dataclass(frozen=True)
class WeighedSoil(CalibratedProbe):
    """A soil probe that is a scale: it shows the mean content of the pot, and growth as water.

    volume_ml: of the substrate; grows_g_day: what the plant adds a day.
    """

    weighs: ClassVar[bool] = True
    volume_ml: float = 3_000.0
    grows_g_day: float = GROWS_G_DAY

    def output_uv(self, content: float, celsius: float, age_s: float) -> float:
        """Counts without noise; the cell's own temperature effect is small and is left out."""
        grown_ppt = 1_000.0 * self.grows_g_day * age_s / DAY_S / self.volume_ml
        return beyond(self.points, 1_000.0 * content + grown_ppt)


def scale(points: Sequence[tuple[int, int]], spread: int, volume_ml: float) -> WeighedSoil:
    """The scale of a calibration's table; spread: what its reading may scatter, counts."""
    table = turned(points)
    return WeighedSoil(
        air_uv=max(0.0, beyond(table, AWAY_PPT)),
        per_kelvin_uv=0.0,
        drift_uv_year=0.0,
        noise_uv=spread / SPREADS_NOISE,
        points=table,
        volume_ml=volume_ml,
    )


class Amplifier:
    """The converter of a load cell, an HX711, as its two pins show it: data is low while a
    conversion waits; each pulse of the clock brings a bit, the highest first; after 24 one more
    asks for the next conversion. take: the cell's counts now.
    """

    BITS = 24

    def __init__(self, take: Callable[[], float]) -> None:
        self._take = take
        self._at = self._word = 0
        self._high = False

    def clock(self, high: bool) -> None:
        """The clock's pin changed."""
        if high and not self._high:
            if self._at == 0:
                self._word = round(self._take()) & ((1 << self.BITS) - 1)
            self._at = 0 if self._at == self.BITS else self._at + 1
        self._high = high

    def data(self) -> int:
        """The level of the data pin."""
        return self._word >> (self.BITS - self._at) & 1 if self._at else 0

    def wires(self) -> dict[str, Wire]:
        """What its pins show a board, and hear."""
        return {"data": Wire(level=self.data), "clock": Wire(driven=self.clock)}


class Scale:
    """The scale beside the soil probe."""

    def __init__(self, pot: RigPot, cell: WeighedSoil) -> None:
        self._pot, self._cell = pot, cell

    def counts(self) -> float:
        """What it shows now, without noise."""
        return self._cell.output_uv(self._pot.soil.content, 20.0, self._pot.t_s)

    def read(self, wait: Callable[[float], None], deviates: Sequence[float]) -> list[int]:
        """As the board reads it."""
        noise = self._cell.noise_uv
        found = sorted(round(self.counts() + noise * deviate) for deviate in deviates)
        return [found[len(found) // 2], found[-1] - found[0]]

    def wires(self) -> dict[str, Wire]:
        """Those of its amplifier."""
        return Amplifier(self.counts).wires()


def of_pot(pot: RigPot, points: Sequence[tuple[int, int]], spread: int) -> Scale:
    """The scale under that pot."""
    return Scale(pot, scale(points, spread, pot.soil.volume_ml))
