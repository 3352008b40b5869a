"""The twin: the rig's pot with a few numbers drawn out, and its soil run along a log.

What belongs here: which numbers are fitted, what they do to the rig's parts, and the soil's course
with the log's own doses. What does not: what the log teaches (evidence.py), finding the numbers
(fit.py).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from wakewell.rig.pot import PotSpec
from wakewell.rig.probes import content_of, permittivity
from wakewell.rig.soil import Container, Plant, Substrate, Vessel
from wakewell.rig.weather import Climate
from wakewell.tuning.evidence import Look
from wakewell.tuning.weather import Drawn, season, year_s

Numbers = NDArray[np.float64]

DAY_S = 86_400.0
WATER_K = 0.0046  # of its permittivity, lost with a kelvin: as in rig.probes
CAUGHT_DAYS = 4.0  # a twin follows the readings with this time constant, so that one odd week of
# weather does not shift all that follows; own assumption
USUAL_C = 20.0


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
        middle = 0.5 * (looks[0].time_s + looks[-1].time_s)
        self._rows = [
            (
                look.time_s - self.first_s,
                look.soil_ppt,
                (look.time_s - middle) / (100.0 * DAY_S),
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

    def run(
        self, values: Sequence[float] | Numbers, follow_until_s: float = math.inf
    ) -> tuple[Numbers, Container]:
        """What the probe should have read at each look (ppt), and the soil as it is at the end.

        The twin follows the readings slowly, up to that time; then it runs by itself.
        """
        at = named(values)
        soil, vessel, plant = soil_parts(self.spec, at)
        drawn = Drawn(self.weather, season(at["drying"], at["swing"], at["lean"]), self.rain)
        pot = Container(soil, vessel, plant, None)
        floor, full = pot.levels.floor, pot.levels.saturated
        means = np.linspace(floor, full, 80)
        table = _table(pot, means)
        expected = np.empty(len(self._rows))
        zero, warm, drift = at["zero"], at["warm"], at["drift"]
        slower, begin_s = math.exp(-at["clock"]), self.begin_s
        before_s = seen_s = begin_s
        begun = False
        last_s = follow_until_s - self.first_s
        for number, (after_s, read, hundred, poured, anew, kelvin) in enumerate(self._rows):
            now_s = begin_s + slower * after_s
            pot.advance(drawn, before_s, now_s)
            before_s = now_s
            off = zero + warm * kelvin + drift * hundred
            seen = pot.probe_content
            # As the rig's probe: warm water looks like less of it
            warmth = 1.0 - WATER_K * kelvin
            off += 1000.0 * (content_of(1.0 + (permittivity(seen) - 1.0) * warmth) - seen)
            seen *= 1000.0
            expected[number] = seen + off
            if read is not None and after_s <= last_s:
                if anew or not begun:
                    mean = float(np.interp(read - off, table, means))
                    pot.bulb_ml = mean * (pot.volume_ml * vessel.bulb_share)
                    pot.bulk_ml = mean * pot.volume_ml - pot.bulb_ml
                    if not begun:
                        expected[number] = read
                    begun = True
                else:
                    gain = -math.expm1(-(now_s - seen_s) / (CAUGHT_DAYS * DAY_S))
                    _shift(pot, gain * (read - off - seen), table, means, floor, full)
                seen_s = now_s
            if poured > 0.0:
                pot.pour(poured)
        return expected, pot


def _table(pot: Container, means: Numbers) -> Numbers:
    """What the probe shows at each mean water content of a pot at rest, ppt."""
    kept = pot.bulb_ml, pot.bulk_ml
    share = pot.vessel.bulb_share
    shown = np.empty(len(means))
    for number, mean in enumerate(means):
        pot.bulb_ml = mean * pot.volume_ml * share
        pot.bulk_ml = mean * pot.volume_ml - pot.bulb_ml
        shown[number] = 1000.0 * pot.probe_content
    pot.bulb_ml, pot.bulk_ml = kept
    return shown


def _shift(
    pot: Container, by_ppt: float, table: Numbers, means: Numbers, floor: float, full: float
) -> None:
    """Make both regions wetter or drier, so that the probe would show so much more."""
    mean = pot.content
    here = float(np.interp(mean, means, table))
    more = float(np.interp(here + by_ppt, table, means)) - mean
    bulb = pot.vessel.bulb_share * pot.volume_ml
    bulk = pot.volume_ml - bulb
    pot.bulb_ml = min(full * bulb, max(floor * bulb, pot.bulb_ml + more * bulb))
    pot.bulk_ml = min(full * bulk, max(floor * bulk, pot.bulk_ml + more * bulk))
