"""Pots for the tests of the core: the three files made in one call, and Hypothesis strategies.

Every number here is invented for the tests. What a pot does is in `core_world`.
"""

from __future__ import annotations

import itertools
import random
from typing import Any

from hypothesis import strategies as st

from wakecore import fields, line
from wakewell.pot.pot_folder import compile_files

# Microvolt tables of an invented pot: a capacitive probe (drier: more), a gauge, a divider.
SOIL = {"points": [[1000000, 500], [2400000, 50]], "rails": [100000, 3000000], "spread": 20000}
LEVEL = {"points": [[300000, 0], [2500000, 1000]], "rails": [100000, 3000000], "spread": 20000}
BATTERY = {"points": [[1400000, 2800], [2200000, 4400]], "rails": [100000, 3000000]}
SAUCER = {"points": [[500000, 1000], [2500000, 0]], "rails": [100000, 3000000], "spread": 20000}
CURRENT = {"points": [[100000, 0], [2100000, 1000]], "rails": [10000, 3000000], "spread": 20000}
COLD = {"points": [[500000, 40000], [2500000, -20000]], "rails": [100000, 3000000], "spread": 20000}
CHARGER = {"points": [[0, 0], [1, 1]], "rails": [-5, 5]}
BATTERY["spread"] = 20000

SETTINGS: dict[str, Any] = {"reserve_ml": 80, "settle_s": 3600}
LIMITS: dict[str, Any] = {}
CALIBRATION: dict[str, Any] = {
    "stage": 2,
    "ul_per_ppt": 1000,
    "flow_ul_s": 20000,
    "tolerance_ml": 8,
    "soil": SOIL,
    "level": LEVEL,
    "battery": BATTERY,
}


def lines(
    settings: dict[str, Any] | None = None,
    limits: dict[str, Any] | None = None,
    calibration: dict[str, Any] | None = None,
) -> dict[str, bytes]:
    """The three stored lines of the pot above with some values changed."""
    return compile_files(
        {**SETTINGS, **(settings or {})},
        {**LIMITS, **(limits or {})},
        {**CALIBRATION, **(calibration or {})},
    )


def load(stored: dict[str, bytes], fields: Any = fields, line: Any = line) -> Any:
    """The Pot of three stored lines; a line that the core refuses is a mistake of the test.

    fields, line: another copy of the core's modules (see `small_ints`).
    """
    found = []
    for kind in ("settings", "limits", "calibration"):
        record, why = line.decode(stored[kind])
        assert record is not None, why
        values, why = fields.load(kind, record, line.identity(stored[kind]))
        assert values is not None, f"{kind}: {why}"
        found.append(values)
    return fields.Pot(*found)


def pot(
    settings: dict[str, Any] | None = None,
    limits: dict[str, Any] | None = None,
    calibration: dict[str, Any] | None = None,
) -> Any:
    """The pot above with some values changed, loaded."""
    return load(lines(settings, limits, calibration))


@st.composite
def tables(
    draw: st.DrawFn,
    counts: tuple[int, int] = (fields.COUNTS_LEAST + 1, fields.COUNTS_MOST - 1),
    values: tuple[int, int] = (-1000000, 1000000),
    most: int = 16,
) -> list[tuple[int, int]]:
    """Any calibration table the core allows: counts rise, values rise or fall."""
    size = draw(st.integers(2, most))
    side = st.lists(st.integers(*counts), min_size=size, max_size=size, unique=True)
    column = st.lists(st.integers(*values), min_size=size, max_size=size, unique=True)
    return list(
        zip(sorted(draw(side)), sorted(draw(column), reverse=draw(st.booleans())), strict=True)
    )


def turned(probe: dict[str, Any]) -> dict[str, Any]:
    """The same probe wired so that its counts run the other way."""
    low, high = probe["points"][0][0], probe["points"][-1][0]
    points = [[low + high - counts, value] for counts, value in reversed(probe["points"])]
    return {**probe, "points": points}


class Pick:
    """Choices made by a seeded generator: many lives in little time."""

    def __init__(self, seed: int):
        self.random = random.Random(seed)

    def whole(self, least: int, most: int) -> int:
        """A whole number, ends included."""
        return self.random.randint(least, most)

    def one(self, choices: Any) -> Any:
        """One of them."""
        return choices[self.whole(0, len(choices) - 1)]


class Drawn(Pick):
    """The same choices made by Hypothesis, which makes a failing case small."""

    def __init__(self, draw: st.DrawFn):
        self.draw = draw

    def whole(self, least: int, most: int) -> int:
        return self.draw(st.integers(least, most))


def any_lines(pick: Pick, **fixed: Any) -> dict[str, bytes]:
    """The lines of any pot inside the ranges, most of them able to pump.

    fixed: values that must not be chosen, by their name.
    """
    whole, one = pick.whole, pick.one
    clock_ppt = whole(0, 200)
    flow_max = whole(5000, 200000)
    rest_mv, dose_ml = whole(3000, 3500), whole(20, 500)
    reserve_ml, upkeep_ml, upkeep_days = whole(0, 200), one([0, 60]), whole(1, 3)
    limits = {
        "pulse_ms": whole(200, 30000),
        "day_ml": one([200, 30, 60, 100, 1500]),
        "dose_ml": dose_ml,
        "pulses": whole(1, 20),
        "flow_max_ul_s": flow_max,
        "reserve_ml": reserve_ml,
        "dry_ms": whole(600, 10000),
        "dry_trips": whole(1, 5),
        "rest_mv": rest_mv,
        "sag_mv": whole(2900, 3300),
        "upkeep_ml": upkeep_ml,
        "upkeep_days": upkeep_days,
        "response_doses": whole(1, 5),
        "interrupts": whole(1, 4),
        "clock_ppt": clock_ppt,
    }
    # Wakes that add up to the edge of the 24 hours, in the sleep oscillator's seconds
    edge_s = 86400 * (1000 + clock_ppt) // 1000
    battery_mv = rest_mv + whole(0, 200)
    settings = {
        "wake_s": one([86400, 900, 3600, 21600, 43200, edge_s, edge_s // 2, edge_s // 2 + 1]),
        "dose_ml": min(dose_ml, whole(20, 200)),
        "pulse_ml": min(dose_ml, whole(5, 200)),
        "soak_s": one([600, 30, 7200]),
        "settle_s": one([600, 3600, 14400]),
        "fall_ppt_day": one([1000, 150]),
        "frozen_wakes": whole(3, 6),
        "battery_mv": battery_mv,
        "battery_clear_mv": battery_mv + whole(1, 200),
        "battery_clear_wakes": whole(1, 4),
        "mains": whole(0, 1),
        "reserve_ml": reserve_ml + whole(0, 50),
        "upkeep_ml": one([0, upkeep_ml]),
        "upkeep_days": upkeep_days + whole(0, 2),
    }
    calibration: dict[str, Any] = {
        "stage": one([2] * 12 + [1, 0]),
        "ul_per_ppt": one([1000, 0, 300, 20000]),
        "flow_ul_s": whole(flow_max // 4, flow_max),
        "float_only": one([0, 0, 0, 1]),
        "tolerance_ml": one([8, 1, 40]),
        "dry_ma": one([0, 60]),
    }
    for name, probe in (("soil", SOIL), ("level", LEVEL), ("battery", BATTERY)):
        calibration[name] = one([probe, turned(probe)])
    for name, probe in (("temperature", COLD), ("saucer", SAUCER), ("current", CURRENT)):
        fitted = one([None, probe, turned(probe)])
        if fitted:
            calibration[name] = fitted
    if whole(0, 1):
        calibration["charger"] = CHARGER
    return compile_files(
        {**settings, **{k: v for k, v in fixed.items() if k in settings}},
        {**limits, **{k: v for k, v in fixed.items() if k in limits and k not in settings}},
        {**calibration, **{k: v for k, v in fixed.items() if k in calibration}},
    )


def pairs(points: Any) -> Any:
    """Neighbouring points of a table."""
    return itertools.pairwise(points)
