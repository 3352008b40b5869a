"""Trend statistics against scipy.stats."""

from __future__ import annotations

import math
import random

import pytest
from scipy import stats  # type: ignore[import-untyped]

from wakewell.log import trend


def rows(seed: int, count: int = 60) -> tuple[list[float], list[float]]:
    """A noisy slope, some values alike."""
    chance = random.Random(seed)
    times = sorted(chance.uniform(0, 100) for _ in range(count))
    return times, [round(0.02 * seed * t + chance.gauss(0, 3)) / 2 for t in times]


@pytest.mark.parametrize("seed", range(6))
def test_theil_sen_as_scipy(seed: int) -> None:
    times, values = rows(seed)
    slope, start = trend.theil_sen(times, values)
    theirs = stats.theilslopes(values, times)  # its intercept is by medians, as ours
    assert slope == pytest.approx(theirs.slope)
    assert trend.median(values) - slope * trend.median(times) == pytest.approx(theirs.intercept)
    # Ours stands at time 0 by the median of time; the two agree by construction
    assert start == pytest.approx(theirs.intercept)


@pytest.mark.parametrize("seed", range(6))
def test_mann_kendall_as_scipy(seed: int) -> None:
    times, values = rows(seed)
    score, p = trend.mann_kendall(values)
    theirs = stats.kendalltau(times, values, variant="b", method="asymptotic")
    assert p == pytest.approx(theirs.pvalue, rel=1e-9)
    assert (score > 0) == (theirs.statistic > 0)


@pytest.mark.parametrize("seed", range(4))
def test_line_fit_as_scipy(seed: int) -> None:
    times, values = rows(seed)
    slope, start, error, _ = trend.line_fit(times, values)
    theirs = stats.linregress(times, values)
    assert slope == pytest.approx(theirs.slope)
    assert start == pytest.approx(theirs.intercept)
    assert error >= theirs.stderr * 0.999  # widened where neighbours are alike, never narrowed


def test_no_trend_in_equal_values() -> None:
    assert trend.mann_kendall([3.0] * 20) == (0, 1.0)


def test_joined_keeps_ends_and_order() -> None:
    times, values = trend.joined([float(t) for t in range(1000)], [float(t) for t in range(1000)])
    assert len(times) <= trend.MOST
    assert times == sorted(times)
    assert values == times


def test_ties_by_hand() -> None:
    """Two pairs of equal values: variance (5 x 4 x 15 - 2 x 2 x 1 x 9) / 18, eight rising pairs."""
    s, p = trend.mann_kendall([1, 1, 2, 2, 3])
    assert s == 8
    assert p == pytest.approx(math.erfc(8 / math.sqrt(2 * (300 - 36) / 18)))
    assert trend.mann_kendall([5, 5, 5]) == (0, 1.0)


def test_neighbours_are_joined_into_their_medians() -> None:
    times, values = [1.0, 2.0, 3.0, 4.0, 5.0], [10.0, 0.0, 30.0, 20.0, 7.0]
    assert trend.joined(times, values, 5) == (times, values)
    assert trend.joined(times, values, 3) == ([1.5, 3.5, 5.0], [5.0, 25.0, 7.0])
    assert trend.joined(times, values, 2) == ([2.0, 4.5], [10.0, 13.5])
