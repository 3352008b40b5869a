"""Is a row of numbers rising or falling? Robust slopes and their significance.

What belongs here: statistics on plain lists, free of any meaning. Checked against
scipy.stats in the tests; not used here, to keep the install light.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

MOST = 250  # points; more are joined into as many medians, since slopes go by pairs


def median(values: Sequence[float]) -> float:
    """The middle value. At least one value."""
    row = sorted(values)
    middle = len(row) // 2
    return row[middle] if len(row) % 2 else (row[middle - 1] + row[middle]) / 2


def theil_sen(times: Sequence[float], values: Sequence[float]) -> tuple[float, float]:
    """(slope, value at time 0): median of the slopes of all pairs (Sen 1968).

    At least two different times.
    """
    slopes = [
        (values[j] - values[i]) / (times[j] - times[i])
        for i in range(len(times))
        for j in range(i + 1, len(times))
        if times[j] != times[i]
    ]
    slope = median(slopes)
    return slope, median(values) - slope * median(times)


def mann_kendall(values: Sequence[float]) -> tuple[int, float]:
    """(S, two-sided p) of the Mann-Kendall trend test, normal form, ties corrected.

    S counts rising pairs less falling ones. No continuity correction: it is Kendall's tau
    of the values against their order.
    """
    count = len(values)
    rising = sum(
        (values[j] > values[i]) - (values[j] < values[i])
        for i in range(count)
        for j in range(i + 1, count)
    )
    ties: dict[float, int] = {}
    for value in values:
        ties[value] = ties.get(value, 0) + 1
    variance = count * (count - 1) * (2 * count + 5) / 18
    variance -= sum(t * (t - 1) * (2 * t + 5) for t in ties.values()) / 18
    if variance <= 0:
        return rising, 1.0
    return rising, math.erfc(abs(rising) / math.sqrt(2 * variance))


def joined(
    times: Sequence[float], values: Sequence[float], most: int = MOST
) -> tuple[list[float], list[float]]:
    """The same row in at most `most` points: medians of equal numbers of neighbours."""
    size = -(-len(values) // most)
    if size <= 1:
        return list(times), list(values)
    cuts = range(0, len(values), size)
    return (
        [median(times[at : at + size]) for at in cuts],
        [median(values[at : at + size]) for at in cuts],
    )


def line_fit(times: Sequence[float], values: Sequence[float]) -> tuple[float, float, float, float]:
    """(slope, value at time 0, standard error of the slope, scatter) by least squares.

    The error is widened for neighbours that resemble one another (lag-one correlation of
    the residuals, effective sample size (1-r)/(1+r)). At least three different times.
    """
    count = len(times)
    mean_t, mean_v = sum(times) / count, sum(values) / count
    square = sum((t - mean_t) ** 2 for t in times)
    slope = sum((t - mean_t) * (v - mean_v) for t, v in zip(times, values, strict=True)) / square
    start = mean_v - slope * mean_t
    rest = [v - start - slope * t for t, v in zip(times, values, strict=True)]
    total = sum(r * r for r in rest)
    scatter = math.sqrt(total / max(1, count - 2))
    alike = sum(a * b for a, b in pairwise(rest)) / total if total > 0 else 0.0
    alike = min(0.9, max(0.0, alike))
    error = scatter / math.sqrt(square) * math.sqrt((1 + alike) / (1 - alike))
    return slope, start, error, scatter
