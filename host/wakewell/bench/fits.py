"""Fitting a probe's table to recorded points: monotone, with its uncertainty, in whole numbers.

What belongs here: the line, the monotone curve, the few whole-number points that stand for them,
and how far each may be wrong. What does not: files (calibrate.py), how points are taken
(commission.py), what the core does with a table (wakecore/table.py).

Uncertainty follows the GUM (JCGM 100:2008): standard uncertainties are combined as the root of
the sum of squares (5.1.2) and doubled to an expanded one (6.3.3, k = 2, about 95 %).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.interpolate import PchipInterpolator  # type: ignore[import-untyped]
from scipy.optimize import isotonic_regression  # type: ignore[import-untyped]

from wakecore.table import MOST_POINTS, convert
from wakewell.errors import BadInput
from wakewell.pot.bench_book import Point

K = 2.0  # coverage factor
# With two points nobody knows how the probe bends between them: a share of their span, as one
# standard uncertainty. Common practice, no source.
BEND = 0.06
GRID = 65  # places looked at between two points
SPAN_OVER_U = 6.0  # points nearer together than this say nothing about a slope
MISFIT_U = 3.0
LINE, CURVE, TWO_POINTS = "line", "curve", "two points"


@dataclass(frozen=True)
class FittedLine:
    """Least squares: value = at + slope * (counts - from_counts). sd: of a residual."""

    at: float
    slope: float
    from_counts: float
    sd: float
    u_at: float
    u_slope: float

    def __call__(self, counts: float) -> float:
        return self.at + self.slope * (counts - self.from_counts)


@dataclass
class ProbeFit:
    """What came of it. Values in the probe's unit; counts as read.

    residuals: value of each point less the fit, in the points' order. u: standard uncertainty of
    a converted reading at its worst; table_error: what the whole numbers add. misses: (counts, what
    a point is off by) of those that the fit can be checked by: by all of them for a line through
    more than two, for a curve by each inner one against the curve through the others. left_out: the
    largest of these for a curve. kind: LINE, CURVE or TWO_POINTS.
    """

    kind: str
    points: list[Point]
    curve: Callable[[float], float]
    table: list[tuple[int, int]]
    residuals: list[float]
    u: float
    table_error: float
    misses: list[tuple[int, float]]
    left_out: float = 0.0

    @property
    def expanded(self) -> float:
        """Expanded uncertainty, k = 2."""
        return K * self.u

    @property
    def span(self) -> tuple[float, float]:
        """Lowest and highest value of the table."""
        values = [value for _, value in self.table]
        return min(values), max(values)


def line_fit(counts: Sequence[float], values: Sequence[float]) -> FittedLine:
    """The straight line of least squares; sd has n - 2 degrees of freedom (0 with two points)."""
    x, y = np.asarray(counts, float), np.asarray(values, float)
    middle = float(x.mean())
    sxx = float(((x - middle) ** 2).sum())
    slope = float(((x - middle) * (y - y.mean())).sum()) / sxx
    at = float(y.mean())
    left = y - (at + slope * (x - middle))
    sd = math.sqrt(float((left**2).sum()) / (len(x) - 2)) if len(x) > 2 else 0.0
    return FittedLine(at, slope, middle, sd, sd / math.sqrt(len(x)), sd / math.sqrt(sxx))


def fit(name: str, points: Sequence[Point], straight: bool, unit: str = "") -> ProbeFit:
    """Fit one probe. straight: only a line will do. Raises BadInput with what to measure next."""
    merged = merge(points)
    if len(merged) < 2:
        raise BadInput(
            f"{name}: {len(merged)} point at {merged[0].value:g} {unit}: no fit; measure another "
            "as far from it as possible"
            if merged
            else f"{name}: no points recorded; run wakewell commission"
        )
    spread = max(point.spread for point in merged)
    values = [point.value for point in merged]
    span = max(values) - min(values)
    count_span = merged[-1].counts - merged[0].counts
    worst_u = max(point.u for point in merged)
    if span <= SPAN_OVER_U * worst_u or count_span <= 4 * spread:
        raise BadInput(
            f"{name}: the points span {span:g} {unit} and {count_span} counts, with an "
            f"uncertainty of {worst_u:g} {unit} and a spread of {spread} counts: too little to "
            f"fit a line; measure one more {gap_advice(merged, unit)}"
        )
    line = line_fit([p.counts for p in merged], values)
    curve: Callable[[float], float] = line
    kind, knots, sd = LINE, merged, line.sd
    if not straight and len(merged) > 2:
        kind = CURVE
        curve, knots = monotone(name, merged, line.slope > 0, unit)
        sd = 0.0
    elif len(merged) == 2:
        kind = TWO_POINTS
    residuals = [point.value - curve(point.counts) for point in points]
    if kind == CURVE:
        # Points that went into a curve leave residuals only where it had to be made monotone.
        sd = math.sqrt(sum(r * r for r in residuals) / max(1, len(residuals) - len(knots) + 1))
    if straight and len(merged) > 2:
        check_misfit(name, points, residuals, sd, unit)
    slope = abs(line.slope)
    steepest = max(
        (abs(b.value - a.value) / (b.counts - a.counts) for a, b in pairwise(knots)), default=slope
    )
    misses = [(p.counts, left) for p, left in zip(points, residuals, strict=True)]
    if kind != LINE:  # a curve through its points is not checked by them
        misses = missed(knots)
    left_out = max((abs(miss) for _, miss in misses), default=0.0) if kind == CURVE else 0.0
    # With one point left out, points are twice as far apart. So between them the error is half the
    # miss, evenly likely (GUM 4.3.7; the half is an assumption of ours).
    bend = BEND * span if kind == TWO_POINTS and not straight else left_out / 2.0 / math.sqrt(3.0)
    # A table may differ from the curve by a quarter of the uncertainty, or by one unit.
    known = math.hypot(worst_u, sd, bend, steepest * spread / math.sqrt(12.0))
    table, table_error = whole_table(curve, [p.counts for p in knots], max(1.0, 0.25 * known))
    u = math.hypot(known, table_error / math.sqrt(3.0))
    return ProbeFit(kind, list(points), curve, table, residuals, u, table_error, misses, left_out)


def merge(points: Sequence[Point]) -> list[Point]:
    """Sorted by counts, points of the same counts as one."""
    found: dict[int, list[Point]] = {}
    for point in points:
        found.setdefault(point.counts, []).append(point)
    return [
        Point(
            counts,
            sum(p.value for p in same) / len(same),
            max(p.u for p in same),
            max(p.spread for p in same),
        )
        for counts, same in sorted(found.items())
    ]


def monotone(
    name: str, points: Sequence[Point], rising: bool, unit: str
) -> tuple[Callable[[float], float], list[Point]]:
    """A monotone curve through points that were made monotone, and those points.

    scipy's isotonic regression and PCHIP (Fritsch and Butland 1984), which does not overshoot.
    """
    values = np.asarray([p.value for p in points])
    weights = np.asarray([1.0 / max(p.u, 1e-3) ** 2 for p in points])
    made = isotonic_regression(values, weights=weights, increasing=rising)
    for point, now in zip(points, made.x, strict=True):
        if abs(point.value - now) > MISFIT_U * max(point.u, 1e-9) and point.value != now:
            raise BadInput(
                f"{name}: values must only rise or only fall: at {point.counts} counts "
                f"{point.value:g} {unit} is {abs(point.value - now):g} {unit} on the wrong side "
                f"of its neighbours, and its uncertainty is {point.u:g}: measure this point again"
            )
    knots = []
    for begin, end in pairwise(made.blocks):
        block = points[begin:end]
        counts = round(sum(p.counts for p in block) / len(block))
        knots.append(Point(counts, float(made.x[begin]), max(p.u for p in block)))
    if len(knots) < 2:
        raise BadInput(f"{name}: all points have one value; measure one {gap_advice(points, unit)}")
    return through(knots), knots


def through(knots: Sequence[Point]) -> Callable[[float], float]:
    """The curve through monotone points: a line through two."""
    x, y = [p.counts for p in knots], [p.value for p in knots]
    if len(knots) == 2:
        return line_fit(x, y)
    curve = PchipInterpolator(x, y)
    return lambda counts: float(curve(counts))


def missed(knots: Sequence[Point]) -> list[tuple[int, float]]:
    """(counts, by how much the curve through the others misses it) of each inner point."""
    return [
        (p.counts, p.value - through([*knots[:at], *knots[at + 1 :]])(p.counts))
        for at, p in enumerate(knots[1:-1], 1)
    ]


def check_misfit(
    name: str, points: Sequence[Point], residuals: Sequence[float], sd: float, unit: str
) -> None:
    """Refuse a line that misses a point by far more than the point's uncertainty."""
    for point, left in zip(points, residuals, strict=True):
        if point.u and abs(left) > 2.0 * MISFIT_U * point.u and abs(left) > 1.5 * sd:
            raise BadInput(
                f"{name}: {point.value:g} {unit} at {point.counts} counts is {abs(left):g} "
                f"{unit} off the line through the others, and its uncertainty is {point.u:g}: "
                "measure this point again"
            )


def gap_advice(points: Sequence[Point], unit: str) -> str:
    """Where another point would help most."""
    values = sorted(point.value for point in points)
    if len(values) < 3:
        return f"well beyond {values[-1]:g} {unit} or below {values[0]:g} {unit}"
    low, high = max(pairwise(values), key=lambda pair: pair[1] - pair[0])
    return f"between {low:g} and {high:g} {unit}"


def whole_table(
    curve: Callable[[float], float], knots: Sequence[int], bound: float
) -> tuple[list[tuple[int, int]], float]:
    """Few whole-number points for the curve through `knots`, and their greatest error.

    Points are added where the error is greatest, until it is within `bound` or MOST_POINTS are
    used. Values stay strictly monotone, as the core asks.
    """
    low, high = knots[0], knots[-1]
    grid = sorted(
        {round(c) for begin, end in pairwise(knots) for c in np.linspace(begin, end, GRID)}
    )
    true = {counts: curve(counts) for counts in grid}
    chosen = [low, high]
    while True:
        table = strictly([(counts, round(curve(counts))) for counts in sorted(chosen)])
        errors = {counts: abs(convert(table, counts) - true[counts]) for counts in grid}
        worst = max(grid, key=lambda counts: errors[counts])
        if errors[worst] <= bound or len(chosen) >= MOST_POINTS or worst in chosen:
            return table, errors[worst]
        chosen.append(worst)


def strictly(table: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Without inner points whose value repeats the one before or runs into the last."""
    sign = 1 if table[-1][1] > table[0][1] else -1
    kept = [table[0]]
    for point in table[1:-1]:
        if sign * point[1] > sign * kept[-1][1] and sign * point[1] < sign * table[-1][1]:
            kept.append(point)
    return [*kept, table[-1]]
