"""The picture of a calibration: each probe's points, fit and table, and what checks them.

What belongs here: what is drawn of a fit. What does not: fits (fits.py), the look that all pictures
share (drawing.py).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from wakewell.bench.fits import CURVE, TWO_POINTS, ProbeFit
from wakewell.drawing import ACROSS, PAPER, Spec, axis, begins_at, file, frame, mark, sheet, x, y
from wakewell.pot.parts import PROBES

WIDTH, HEIGHT, FOOT = 340, 240, 90
STEPS = 120  # of a curve


def draw(fits: Mapping[str, ProbeFit], heading: Sequence[str], form: str) -> bytes:
    """Every fit, by its probe's name, as "png" or "svg"."""
    plots = [(within(name, fit), fitted(name, fit)) for name, fit in fits.items()]
    plots += [(said(name, fit), checked(name, fit)) for name, fit in fits.items()]
    return file(sheet(plots, heading, columns=len(fits)), form)


def within(name: str, fit: ProbeFit) -> str:
    """What the upper plot of a probe shows."""
    unit, of = PROBES[name].shown, 1.0 / PROBES[name].of
    return f"{name}: {fit.kind}, within {fit.expanded * of:.2g} {unit} (k = 2)".replace("  ", " ")


def said(name: str, fit: ProbeFit) -> str:
    """What the lower plot of a probe shows."""
    if fit.kind == TWO_POINTS:
        return f"{name}: two points, nothing is left to check them by"
    against = "each point against the curve without it" if fit.kind == CURVE else "residuals"
    return f"{name}: {against}"


def fitted(name: str, fit: ProbeFit) -> Spec:
    """Points with their uncertainty, the fit with its own, and the whole-number table."""
    unit, of = PROBES[name].shown, 1.0 / PROBES[name].of
    low, high = fit.table[0][0], fit.table[-1][0]
    scale, foot = counts(high)

    def row(at: float, value: float, spread: float) -> dict[str, float]:
        ends = (value - spread) * of, (value + spread) * of
        return {"t": at * scale, "v": value * of, "l": ends[0], "h": ends[1]}

    grid = [low + (high - low) * step / STEPS for step in range(STEPS + 1)]
    curve = [row(at, fit.curve(at), fit.expanded) for at in grid]
    points = [row(p.counts, p.value, 2 * p.u) for p in fit.points]
    table = [{"t": c * scale, "v": v * of} for c, v in fit.table]
    up = from_round(extent(curve + points, "l", "h"))
    area: Spec = {"y": y("l"), "y2": y("h"), "fill": "water", "fillOpacity": 0.18}
    squares: Spec = {"shape": "square", "fill": "paper", "stroke": "water", "size": 50}
    return plot(
        HEIGHT,
        {"curve": curve, "points": points, "table": table},
        (extent(curve + points, "t"), up),
        (foot, begins_at(unit, up[0])),
        [
            mark("area", "curve", PAPER, x=x(), **area),
            mark("line", "curve", PAPER, x=x(), y=y(), stroke="faint", strokeWidth=1.6),
            mark("line", "table", PAPER, x=x(), y=y(), stroke="water", strokeDash=[4, 3]),
            mark("symbol", "table", PAPER, x=x(), y=y(), **squares),
            mark("rule", "points", PAPER, x=x(), y=y("l"), y2=y("h"), stroke="ink"),
            dots("points"),
        ],
    )


def checked(name: str, fit: ProbeFit) -> Spec:
    """The errors of the points that the fit does not go through: only these check it."""
    unit, of = PROBES[name].shown, 1.0 / PROBES[name].of
    scale, foot = counts(fit.table[-1][0])
    rows = [{"t": at * scale, "v": round(miss * of, 6)} for at, miss in fit.misses]
    # The scale is never so fine that errors below a tenth of the uncertainty look large
    most = max([0.1 * fit.expanded * of, *(abs(row["v"]) for row in rows)]) or 1.0
    ends = widened((fit.table[0][0] * scale, fit.table[-1][0] * scale))
    return plot(
        FOOT,
        {"misses": rows, "zero": [{"v": 0}]},
        (ends, (-1.2 * most, 1.2 * most)),
        (foot, unit),
        [mark("rule", "zero", PAPER, **ACROSS, y=y(), stroke="faint"), dots("misses")],
    )


def dots(source: str) -> Spec:
    """Points."""
    return mark("symbol", source, PAPER, x=x(), y=y(), shape="circle", fill="ink", size=36)


def counts(high: float) -> tuple[float, str]:
    """(factor, title) for counts along the foot: microvolts at the pin are shown as volts."""
    return (1e-6, "V at the pin") if high > 100_000 else (1.0, "counts")


def extent(rows: Sequence[Mapping[str, float]], *members: str) -> tuple[float, float]:
    """From below the least to above the most of those members."""
    values = [row[name] for row in rows for name in members]
    return widened((min(values), max(values)))


def from_round(ends: tuple[float, float]) -> tuple[float, float]:
    """From zero where that is not far off, else from a round number."""
    low, high = ends
    if -0.2 * high < low < 0.4 * high:
        return min(0.0, low), high
    step = 10.0 ** math.floor(math.log10(high - low))
    return round(math.floor(low / step) * step, 6), high


def widened(ends: tuple[float, float]) -> tuple[float, float]:
    """A little more than that."""
    room = 0.04 * (ends[1] - ends[0]) or 1.0
    return ends[0] - room, ends[1] + room


def plot(
    height: int,
    data: Mapping[str, Sequence[Mapping[str, Any]]],
    domains: tuple[tuple[float, float], tuple[float, float]],
    titles: tuple[str, str],
    marks: list[Spec],
) -> Spec:
    """One plot against counts. domains, titles: along, and up."""
    side: Spec = {"grid": True, "gridColor": PAPER["hair"], "minExtent": 56}
    ranges = {"x": "width", "y": "height"}
    return frame(
        WIDTH,
        height,
        data=[{"name": name, "values": list(rows)} for name, rows in data.items()],
        scales=[
            {"name": name, "domain": list(domain), "range": ranges[name], "zero": False}
            for name, domain in zip("xy", domains, strict=True)
        ],
        axes=[
            axis(PAPER, "bottom", "x", title=titles[0], tickCount=5),
            axis(PAPER, "left", "y", title=titles[1], tickCount=height // 30, **side),
        ],
        marks=marks,
    )
