"""Calibration tables against an independent interpolation, over all counts."""

from __future__ import annotations

import core_pots
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wakecore import table

# Tables of a 12-bit converter are tried at every count; those in microvolts at the ends, at
# and beside every point, and at a thousand places between.
TWELVE_BIT = {
    "falling soil probe": [(1100, 500), (1700, 310), (2300, 170), (3000, 40)],
    "rising gauge": [(0, 0), (511, 3), (512, 990), (4095, 1000)],
    "one count wide": [(2000, 0), (2001, 1000)],
    "flat and wide": [(0, 400), (4095, 401)],
    "thermometer": [(200, 60000), (900, 25000), (2100, 4000), (3900, -25000)],
    "negative counts": [(-100, -5), (0, 7), (4000, 9)],
}
MICROVOLTS = {
    "soil": [(1000000, 500), (2400000, 50)],
    "battery divider": [(1400000, 2800), (2200000, 4400)],
    "widest there is": [(-(1 << 28), 1000000), (1 << 28, -1000000)],
    "sixteen points": [(i * 181818, i * i * 37 - 500) for i in range(16)],
}


def agree(points: list[tuple[int, int]], counts: np.ndarray) -> None:
    """Error at most one unit (half a unit is what rounding costs)."""
    xs, ys = zip(*points, strict=True)
    wanted = np.interp(counts, xs, ys)
    found = np.array([table.convert(tuple(points), int(c)) for c in counts])
    worst = float(np.max(np.abs(found - wanted)))
    assert worst <= 0.5 + 1e-6, f"{worst} units off"


@pytest.mark.parametrize("name", TWELVE_BIT)
def test_every_count_of_a_converter(name: str) -> None:
    """Source: numpy.interp."""
    agree(TWELVE_BIT[name], np.arange(-200, 4096 + 200))


@pytest.mark.parametrize("name", MICROVOLTS)
def test_microvolts(name: str) -> None:
    """Source: numpy.interp."""
    points = MICROVOLTS[name]
    low, high = points[0][0], points[-1][0]
    beside = [c + d for c, _ in points for d in (-1, 0, 1)]
    spread = np.linspace(low - 5000, high + 5000, 1000).astype(int)
    agree(points, np.concatenate([np.array(beside), spread]))


@settings(max_examples=300)
@given(core_pots.tables(), st.data())
def test_any_table(points: list[tuple[int, int]], data: st.DataObject) -> None:
    """Source: numpy.interp."""
    counts = data.draw(st.integers(points[0][0] - 100, points[-1][0] + 100))
    agree(points, np.array([counts]))


def test_counts_at_is_the_threshold_at_every_count() -> None:
    """The loop that watches a run compares counts; it must say what the quantity would."""
    for points in TWELVE_BIT.values():
        sign = table.direction(points)
        values = {table.convert(points, c) for c in range(points[0][0], points[-1][0] + 1)}
        for value in sorted(values)[:: max(1, len(values) // 60)]:
            at = table.counts_at(points, value)
            for counts in range(points[0][0], points[-1][0] + 1, 7):
                reached = table.convert(points, counts) >= value
                assert (sign * counts >= sign * at) == reached, (points, value, counts)


@settings(max_examples=300)
@given(core_pots.tables(), st.data())
def test_counts_at_is_the_exact_threshold(
    points: list[tuple[int, int]], data: st.DataObject
) -> None:
    """At `counts_at` the value is reached, one count before it is not; beyond the table never."""
    low, high = sorted((points[0][1], points[-1][1]))
    value = data.draw(st.integers(low - 5, high + 5))
    sign, at = table.direction(points), table.counts_at(points, value)
    lowest = points[0][0] if sign > 0 else points[-1][0]
    highest = points[-1][0] if sign > 0 else points[0][0]
    if value > high:
        assert at == highest + sign
    elif value <= low:
        assert at == lowest
    else:
        assert table.convert(points, at) >= value
        assert table.convert(points, at - sign) < value
