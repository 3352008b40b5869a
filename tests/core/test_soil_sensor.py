"""Three years of a real soil probe through the core: its gaps, its cold, its steps.

Source: A. R. Cabral (2023), Zenodo, doi:10.5281/zenodo.7948797: daily means of two
capacitance probes at 7.5 cm, water in % by volume, temperature in C, about 30 % missing.

Calibration, invented for this test: a probe that shows 2,400,000 counts (microvolts) in soil
without water and 50,000 fewer for each per cent; a thermometer of 500,000 counts at 40 C and
33,333 more for each degree below. The pot: container capacity 35 %, wilting point 5 %, so
that it asks for water at 20 %. Its series does not answer the doses (it was measured without
them), so the owner ends each lockout for want of an answer by the button.
"""

from __future__ import annotations

import csv
import math
from pathlib import Path
from typing import Any

import core_pots
import pytest
from core_world import World

PATH = Path(__file__).resolve().parents[3] / "shared" / "data" / "soil-sensor-daily"
FILE = PATH / "state_vars_daily_E1_E2_first.csv"
pytestmark = pytest.mark.skipif(
    not FILE.is_file(), reason=f"{FILE.name}: measured series not beside the project"
)
SOIL = {"points": [[0, 480], [2400000, 0]], "rails": [-100000, 3000000], "spread": 30000}
COLD = {"points": [[500000, 40000], [2500000, -20000]], "rails": [100000, 3000000]}
WORDS = ("good", "absent", "cold", "jump", "frozen", "span", "railed", "flicker")
FROZEN_WAKES = 5


def series() -> dict[str, list[tuple[float, float]]]:
    """Per plot, for each day: water in % and temperature in C, NaN where missing."""
    found: dict[str, dict[str, dict[str, float]]] = {}
    with FILE.open(newline="") as file:
        for row in csv.DictReader(file):
            day = found.setdefault(row["Experimental Plot"], {}).setdefault(row["date"], {})
            day["water" if row["Unit"] == "%" else "temperature"] = float(row["Value"] or "nan")
    nan = float("nan")
    return {
        plot: [(d.get("water", nan), d.get("temperature", nan)) for _, d in sorted(days.items())]
        for plot, days in found.items()
    }


class Series(World):
    """The world, but what soil and thermometer show is the measured day."""

    day: tuple[float, float] = (0.0, 0.0)
    stands_still = False  # a gap shows the last counts, spread 0, instead of nothing

    def readings(self) -> dict[str, Any]:
        found = super().readings()
        water, temperature = self.day
        if not math.isnan(water):
            self.shown = [round(2400000 - 50000 * water), 100]
            found["soil"] = self.shown
        else:
            found["soil"] = [self.shown[0], 0] if self.stands_still and self.shown else None
        if not math.isnan(temperature):
            self.warmth = [round(500000 + (40 - temperature) * 100000 / 3), 100]
        elif not self.stands_still:
            self.warmth = None
        found["temperature"] = self.warmth
        return found

    shown: list[int] | None = None
    warmth: list[int] | None = None


def lived(plot: list[tuple[float, float]], stands_still: bool) -> dict[str, Any]:
    """Play one plot's three years, a regular wake a day; counts of what the core made of it."""
    pot = core_pots.pot(
        {"settle_s": 14400, "frozen_wakes": FROZEN_WAKES, "upkeep_ml": 0},
        {"day_ml": 500},
        {"soil": SOIL, "temperature": {**COLD, "spread": 30000}, "capacity_ppt": 350}
        | {"wilting_ppt": 50},
    )
    world = Series(pot)
    world.stands_still = stands_still
    counts: dict[str, Any] = dict.fromkeys(("days", "gaps", "doses", "locked"), 0)
    counts |= dict.fromkeys(WORDS, 0)
    silent = False
    for day in plot:
        world.day = day
        gap = math.isnan(day[0])
        locked = False
        counts["days"] += 1
        counts["gaps"] += gap
        for _ in range(40):  # the day's regular wake, then its pulses and looks
            mischief: list[tuple[Any, ...]] = [("fill", 1000)] if world.tank_ul < 500000 else []
            if silent:  # a recorded soil answers no dose of ours: the maker clears it
                mischief.append(("host", "clear no response", 0))
            if locked and world.commanded_s > 7200:
                break
            wake = world.one(mischief)
            record = wake.record
            assert record is not None
            word = record["judged"]["soil"]
            if record["plan"]["phase"] == "idle":
                counts[word] += 1
                counts["locked"] += "no response" in record["lockouts"]
            if wake.start:
                # The promise: no watering from a reading that is not there or stands still
                assert word == "good", f"day {counts['days']}: watered on {word}"
                counts["doses"] += record["plan"]["phase"] == "idle"
                assert not gap, f"day {counts['days']}: watered in a gap"
            silent = record["lockouts"] == ["no response"]
            assert wake.sleep is not None
            if wake.sleep[0] > 7200:
                break
    return counts


def test_no_watering_ever_follows_from_a_gap_or_a_frozen_reading(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """R6 over every day of both plots, gaps as no answer and gaps as a reading that stands still.

    A probe that stands still is called frozen at the fifth of the same counts; from the second
    on it starts no dose.
    """
    rows = []
    for plot, days in series().items():
        assert len(days) > 1000
        for stands_still in (False, True):
            counts = lived(days, stands_still)
            assert counts["days"] == len(days)
            assert counts["gaps"] > 100
            assert counts["doses"] > 10
            if stands_still:
                assert counts["frozen"] > 50
                assert counts["absent"] == 0
            else:
                assert counts["absent"] > 100
            assert counts["cold"] > 30
            rows.append((plot, "stand still" if stands_still else "no answer", counts))
    names = ("days", "gaps", *WORDS[:5], "doses")
    with capsys.disabled():
        print("\n\nA real probe through the core (doi:10.5281/zenodo.7948797)")
        print("plot  gaps are      " + "".join(f"{name:>10}" for name in names))
        for plot, kind, counts in rows:
            print(f"{plot:5} {kind:14}" + "".join(f"{counts[name]:>10}" for name in names))
