"""The picture of a what-if: the soil as recorded, then as the twin foretells it, marked as such.

What belongs here: what is drawn. What does not: how pictures look (drawing.py), what the twin does
(beyond.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from wakewell.drawing import HEIGHT, PAPER, Spec, axis, begins_at, file, frame, mark, sheet, x, y
from wakewell.kept import keep_old, store
from wakewell.log.times import DAY_S
from wakewell.simulate.one_run import TrialResult
from wakewell.tuning.ahead import COVERED
from wakewell.tuning.beyond import Beyond
from wakewell.tuning.study import Study

WIDE, HIGH = 860, 220
BEFORE_DAYS = 42.0  # of the record, before the twin takes over
FORETOLD = "foretold by the twin, not recorded"


def of(found: Study, beyond: Beyond, form: str) -> bytes:
    """Both lives, below the record they begin from, as "png" or "svg"."""
    lows = [w for w in found.log.wakes if w.soil_ppt is not None]
    recorded = [
        {"t": 1000.0 * w.time_s, "v": (w.soil_ppt or 0) / 10.0}
        for w in lows
        if beyond.time_s - BEFORE_DAYS * DAY_S <= w.time_s <= beyond.time_s
    ]
    bands = [_band(runs, beyond.time_s, beyond.days) for runs in (beyond.kept, beyond.tried)]
    every = [row["v"] for row in recorded]
    every += [row[key] for band in bands for row in band for key in ("l", "h")]
    ends = max(0.0, min(every) - 2.0), max(every) + 2.0
    plots = [
        (f"{words}, from wake {beyond.wake} on {FORETOLD}", _plot(recorded, band, beyond, ends))
        for words, band in zip(("As it is set", f"With {beyond.asked}"), bands, strict=True)
    ]
    day = datetime.fromtimestamp(beyond.time_s, UTC).date()
    heading = [
        found.log.title,
        f"Line: soil as the pot read it. Dashed, with its 90 % band: {FORETOLD}, from {day} on.",
        f"{beyond.draws} draws of what the log leaves open; weather: {beyond.weather}.",
    ]
    return file(sheet(plots, heading), form)


def keep(found: Study, beyond: Beyond, path: Path) -> None:
    """The same in an SVG file for its owner's eyes; an older one there is kept."""
    path.parent.mkdir(parents=True, exist_ok=True)
    keep_old(path)
    store(path, of(found, beyond, "svg"), own=True)


def _band(runs: Sequence[TrialResult], time_s: float, days: float) -> list[dict[str, float]]:
    grid = np.linspace(0.0, days, round(2 * days) + 1)
    rows = []
    for run in runs:
        assert run.history is not None
        rows.append(np.interp(grid, run.history.day, run.history.soil_ppt))
    low, middle, high = np.quantile(np.array(rows), (COVERED[0], 0.5, COVERED[1]), axis=0)
    return [
        {"t": 1000.0 * (time_s + day * DAY_S), "l": a / 10.0, "v": b / 10.0, "h": c / 10.0}
        for day, a, b, c in zip(grid.tolist(), low, middle, high, strict=True)
    ]


def _plot(
    recorded: list[dict[str, float]],
    band: list[dict[str, float]],
    beyond: Beyond,
    ends: tuple[float, float],
) -> Spec:
    first = recorded[0]["t"] if recorded else 1000.0 * beyond.time_s
    here = [{"t": 1000.0 * beyond.time_s, "u": band[-1]["t"]}]
    area: Spec = {"y": y("l"), "y2": y("h"), "fill": "water", "fillOpacity": 0.2}
    whole = {"y": {"value": 0}, "y2": HEIGHT}
    return frame(
        WIDE,
        HIGH,
        data=[
            {"name": "recorded", "values": recorded},
            {"name": "band", "values": band},
            {"name": "here", "values": here},
        ],
        scales=[
            {"name": "x", "type": "utc", "domain": [first, band[-1]["t"]], "range": "width"},
            {"name": "y", "domain": list(ends), "range": "height", "zero": False},
        ],
        axes=[
            axis(PAPER, "bottom", "x", tickCount=8),
            axis(PAPER, "left", "y", title=begins_at("% by volume", round(ends[0], 1)),
                 tickCount=6, grid=True, gridColor=PAPER["hair"], minExtent=56),
        ],
        marks=[
            mark("rect", "here", PAPER, x=x(), x2=x("u"), **whole, fill="band"),
            mark("area", "band", PAPER, x=x(), **area),
            mark("line", "band", PAPER, x=x(), y=y(), stroke="water", strokeDash=[5, 4],
                 strokeWidth=1.8),
            mark("line", "recorded", PAPER, x=x(), y=y(), stroke="soil", strokeWidth=1.8),
            mark("rule", "here", PAPER, x=x(), **whole, stroke="ink", strokeDash=[2, 3]),
        ],
    )  # fmt: skip
