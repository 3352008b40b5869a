"""The twin: the rig's pot with a few numbers drawn out, and its soil run along a log.

What belongs here: which numbers are fitted, what they do to the rig's parts, and the soil's course
with the log's own doses. What does not: what the log teaches (evidence.py), finding the numbers
(fit.py).
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Collection, Iterator, Mapping, Sequence
from copy import copy
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wakewell.rig.pot import PotSpec
from wakewell.rig.probes import content_of, permittivity
from wakewell.rig.soil import Container, Plant, Substrate, Tally, Vessel
from wakewell.rig.weather import Climate
from wakewell.tuning.evidence import Look
from wakewell.tuning.weather import season, year_s

Numbers = NDArray[np.float64]

DAY_S = 86_400.0
WATER_K = 0.0046  # of its permittivity, lost with a kelvin: as in rig.probes
CAUGHT_DAYS = 4.0  # a twin follows the readings with this time constant, so that one odd week of
# weather does not shift all that follows; own assumption
USUAL_C = 20.0
MEANS = 80  # tabled states of a pot at rest
KEPT_YEARS = 4  # drawn out: where a slope is taken, and a step to the side for each number

# A look: s since the first, ppt read, hundreds of days, ml poured, begin anew?, kelvin above 20 °C
Row = tuple[float, int | None, float, float, bool, float]


@dataclass(frozen=True)
class Knob:
    """One fitted number: what it is, what is believed of it before any log, and its bounds.

    All are logarithms of a factor but bulb (a logit) and the probe's three (parts per thousand, at
    20 °C; a kelvin; a hundred days).
    """

    name: str
    text: str
    usual: float
    doubt: float
    low: float
    high: float


KNOBS = (
    Knob("drying", "drying of leaf and soil, times the folder's", 0.0, 0.4, -2.5, 2.5),
    Knob("swing", "more of it at midsummer", 0.0, 0.10, -0.7, 0.7),
    Knob("lean", "more of it in early autumn than in spring", 0.0, 0.10, -0.7, 0.7),
    Knob("holds", "water held for one part per thousand, times the folder's", 0.0, 0.2, -1.5, 1.5),
    Knob("slow", "time for soil to grow even, times the rig's", 0.0, 0.6, -3.0, 3.0),
    Knob("spread", "time for a fresh dose to spread, times the rig's", 0.0, 0.6, -3.0, 3.0),
    Knob("bulb", "share of the soil below the hose", 0.0, 0.8, -3.0, 3.5),
    Knob("closes", "suction at which the plant saves water, times the rig's", 0.0, 0.4, -2.0, 2.0),
    Knob("zero", "error of the probe", 0.0, 8.0, -80.0, 80.0),
    Knob("warm", "error of the probe by warmth, beyond the water's own", 0.0, 0.3, -5.0, 5.0),
    Knob("drift", "drift of the probe", 0.0, 2.0, -150.0, 150.0),
    Knob("clock", "time by the pot's clock, times the true time", 0.0, 0.01, -0.1, 0.1),
)
NAMES = tuple(knob.name for knob in KNOBS)


def usual() -> Numbers:
    """What is believed of each before any log."""
    return np.array([knob.usual for knob in KNOBS])


def named(values: Sequence[float] | Numbers) -> dict[str, float]:
    """The numbers by name."""
    return {name: float(value) for name, value in zip(NAMES, values, strict=True)}


def soil_parts(spec: PotSpec, at: Mapping[str, float]) -> tuple[Substrate, Vessel, Plant]:
    """The rig's parts with the fitted numbers in them."""
    slow, spread, holds = (math.exp(at[name]) for name in ("slow", "spread", "holds"))
    soil = spec.substrate
    soil = replace(
        soil,
        spread_s=min(1e7, max(1.0, soil.spread_s * spread)),
        even_s=min(1e7, max(1.0, soil.even_s * slow)),
    )
    vessel = spec.vessel
    odds = vessel.bulb_share / (1.0 - vessel.bulb_share) * math.exp(at["bulb"])
    vessel = replace(
        vessel,
        top_cm2=vessel.top_cm2 * holds,
        bottom_cm2=vessel.bottom_cm2 * holds,
        bulb_share=min(0.95, max(0.05, odds / (1.0 + odds))),
    )
    # Bare soil dries with the true surface, whatever the pot holds
    plant = replace(
        spec.plant,
        bare=min(1.1, spec.plant.bare / holds),
        stress_cm=min(
            0.9 * spec.plant.droop_cm, max(10.0, spec.plant.stress_cm * math.exp(at["closes"]))
        ),
    )
    return soil, vessel, plant


class Course:
    """The soil of a twin along the looks of a log; `run` gives what the probe should have read."""

    def __init__(self, spec: PotSpec, weather: Climate, looks: Sequence[Look], rain: bool) -> None:
        self.spec, self.weather, self.looks, self.rain = spec, weather, looks, rain
        self.begin_s = year_s(looks[0].time_s)
        self.first_s = looks[0].time_s
        self._drawn: dict[tuple[float, float, float], Climate] = {}
        self._rows = [
            (
                look.time_s - self.first_s,
                look.soil_ppt,
                (look.time_s - self.first_s) / (100.0 * DAY_S),
                look.poured_ml,
                look.anew,
                self._warmth(look) - USUAL_C,
            )
            for look in looks
        ]

    def _warmth(self, look: Look) -> float:
        if look.celsius is not None:
            return look.celsius
        hour = self.weather.hour(self.begin_s + look.time_s - self.first_s)
        return self.weather.pot_c[hour]

    def drawn(self, at: Mapping[str, float]) -> Climate:
        """The year as this pot dries. A fit moves one number at a time, and seldom one of these."""
        key = at["drying"], at["swing"], at["lean"]
        if key not in self._drawn:
            if len(self._drawn) == KEPT_YEARS:
                del self._drawn[next(iter(self._drawn))]
            factor = season(*key, self.weather.south)
            self._drawn[key] = self.weather.drawn_out(factor, self.rain)
        return self._drawn[key]

    def run(self, values: Sequence[float] | Numbers) -> tuple[Numbers, Container]:
        """What the probe should have read at each look (ppt), and the soil as it is at the end.

        The twin follows the readings slowly.
        """
        played = _Played(self, values)
        expected = np.empty(len(self._rows))
        for number, row in enumerate(self._rows):
            expected[number] = played.look(row)
        return expected, played.pot

    def foretold(
        self, values: Sequence[float] | Numbers, origins: Collection[int], days: float
    ) -> Iterator[tuple[int, int, float]]:
        """(origin, look, what the probe should read then) for the looks after each of those, as
        far as so many days on, by a twin that knows nothing from after its origin.

        No further than to the next water: the look before a dose is the last.
        """
        played = _Played(self, values)
        for number, row in enumerate(self._rows):
            played.look(row)
            if number not in origins:
                continue
            alone = played.alone(row)
            for other, later in enumerate(self._rows[number + 1 :], number + 1):
                if later[0] - row[0] > days * DAY_S or later[4]:
                    break
                yield number, other, alone.expects(later)
                if later[3] > 0.0:
                    break


class _Played:
    """A twin on its way along a course."""

    def __init__(self, course: Course, values: Sequence[float] | Numbers) -> None:
        self.at = named(values)
        soil, vessel, plant = soil_parts(course.spec, self.at)
        self.drawn = course.drawn(self.at)
        self.pot = Container(soil, vessel, plant, None)
        levels = self.pot.levels
        self.means: list[float] = np.linspace(levels.floor, levels.saturated, MEANS).tolist()
        self.shown = _table(self.pot, self.means)
        self.begin_s, self.slower = course.begin_s, math.exp(-self.at["clock"])
        self.now_s = self.seen_s = course.begin_s
        self.begun = False
        self.off = self.seen = 0.0

    def expects(self, row: Row) -> float:
        """On to that look: what the probe should read there."""
        at = self.at
        now_s = self.begin_s + self.slower * row[0]
        self.pot.advance(self.drawn, self.now_s, now_s)
        self.now_s = now_s
        content = self.pot.probe_content
        # As the rig's probe: warm water looks like less of it
        warmth = 1.0 - WATER_K * row[5]
        less = content_of(1.0 + (permittivity(content) - 1.0) * warmth) - content
        self.off = at["zero"] + at["warm"] * row[5] + at["drift"] * row[2] + 1000.0 * less
        self.seen = 1000.0 * content
        return self.seen + self.off

    def look(self, row: Row) -> float:
        """As `expects`, then follow what was read and pour what was poured."""
        expected = self.expects(row)
        _, read, _, poured, anew, _ = row
        pot = self.pot
        if read is not None:
            if anew or not self.begun:
                mean = _between(read - self.off, self.shown, self.means)
                pot.bulb_ml = mean * pot.volume_ml * pot.vessel.bulb_share
                pot.bulk_ml = mean * pot.volume_ml - pot.bulb_ml
                if not self.begun:
                    expected = float(read)
                self.begun = True
            else:
                gain = -math.expm1(-(self.now_s - self.seen_s) / (CAUGHT_DAYS * DAY_S))
                self._shift(gain * (read - expected))
            self.seen_s = self.now_s
        if poured > 0.0:
            pot.pour(poured)
        return expected

    def alone(self, row: Row) -> _Played:
        """A twin that goes on from here by itself, beginning at what was read last."""
        other = copy(self)
        other.pot = copy(self.pot)
        other.pot.tally = Tally()
        if row[1] is not None:
            content = 1000.0 * other.pot.probe_content
            other._shift(row[1] - self.off - content)
        return other

    def _shift(self, by_ppt: float) -> None:
        """Make both regions wetter or drier, so that the probe would show so much more."""
        pot = self.pot
        mean = pot.content
        here = _between(mean, self.means, self.shown)
        more = _between(here + by_ppt, self.shown, self.means) - mean
        floor, full = pot.levels.floor, pot.levels.saturated
        bulb = pot.vessel.bulb_share * pot.volume_ml
        bulk = pot.volume_ml - bulb
        pot.bulb_ml = min(full * bulb, max(floor * bulb, pot.bulb_ml + more * bulb))
        pot.bulk_ml = min(full * bulk, max(floor * bulk, pot.bulk_ml + more * bulk))


def _between(value: float, given: Sequence[float], found: Sequence[float]) -> float:
    """As np.interp, for one value at a time: it asks an array for each."""
    if value <= given[0]:
        return found[0]
    if value >= given[-1]:
        return found[-1]
    upper = bisect_right(given, value)
    low, begin = given[upper - 1], found[upper - 1]
    return (found[upper] - begin) / (given[upper] - low) * (value - low) + begin


def _table(pot: Container, means: Sequence[float]) -> list[float]:
    """What the probe shows at each mean water content of a pot at rest, ppt."""
    kept = pot.bulb_ml, pot.bulk_ml
    share = pot.vessel.bulb_share
    shown = []
    for mean in means:
        pot.bulb_ml = mean * pot.volume_ml * share
        pot.bulk_ml = mean * pot.volume_ml - pot.bulb_ml
        shown.append(1000.0 * pot.probe_content)
    pot.bulb_ml, pot.bulk_ml = kept
    return shown
