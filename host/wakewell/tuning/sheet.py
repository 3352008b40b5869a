"""The picture of `tune`: what the twin foretold of days it had not seen, and what is proposed.

What belongs here: what is drawn. What does not: how pictures look (drawing.py), the numbers.
"""

from __future__ import annotations

from collections.abc import Sequence

from wakewell.drawing import (
    PAPER,
    Spec,
    axis,
    begins_at,
    file,
    frame,
    mark,
    sheet,
    x,
    y,
)
from wakewell.log.times import DAY_S
from wakewell.tuning.heldout import Day
from wakewell.tuning.proposals import Proposals
from wakewell.tuning.study import Study
from wakewell.tuning.told import BRIEF, EFFECT, LIVED

WIDE, HIGH, ROW = 860, 230, 26


def of(found: Study, made: Proposals | None, form: str) -> bytes:
    """The held-out part, and below it each quantity of the proposals, as "png" or "svg"."""
    plots: list[tuple[str, Spec]] = []
    dated = found.log.true_dates
    heading = [found.log.title, f"Weather: {found.weather.text}."]
    if found.held is not None and found.held.band:
        held = found.held
        plots.append(
            (
                f"Soil of wakes {held.first} to {held.last}, held out: dots as read, bars what was "
                "foretold a day ahead (90 %)",
                _days(held.band, 0.1, "% by volume", dated),
            )
        )
        for name, rows in held.lived.items():
            text, unit = LIVED[name]
            title = f"{text}{',' if unit else ''}{unit}: dots as it was, bars what was foretold "
            title += f"after wake {held.last_known} for all that follows (90 %)"
            plot = _days(rows, 1.0, unit.strip() or text, dated)
            plots.append((title[0].upper() + title[1:], plot))
    if made is not None:
        heading.append(
            f"Proposals: {made.draws} lives of {made.days:.0f} days each on the rig; a bar holds "
            "nine of ten."
        )
        for name, text, unit in EFFECT[:BRIEF]:
            title = f"{text}{',' if unit else ''}{unit}, in {made.days:.0f} days"
            plots.append((title[0].upper() + title[1:], _proposed(made, name)))
    return file(sheet(plots, heading), form)


def _days(days: Sequence[Day], scale: float, what: str, dated: bool) -> Spec:
    rows = []
    for time_s, _, *values in days:
        at = 1000.0 * time_s if dated else (time_s - days[0][0]) / DAY_S
        read, _, low, high = (scale * value for value in values)
        rows.append({"t": at, "v": read, "l": low, "h": high})
    every = [row[key] for row in rows for key in ("v", "l", "h")]
    spare = max(1.0, 0.05 * (max(every) - min(every)))
    ends = [max(0.0, min(every) - spare), max(every) + spare]
    return frame(
        WIDE,
        HIGH,
        data=[{"name": "days", "values": rows}],
        scales=[
            {"name": "x", "type": "utc" if dated else "linear",
             "domain": [rows[0]["t"], rows[-1]["t"]], "range": "width"},
            {"name": "y", "domain": ends, "range": "height", "zero": False},
        ],
        axes=[
            axis(PAPER, "bottom", "x", tickCount=8, **({} if dated else {"title": "days"})),
            axis(PAPER, "left", "y", title=begins_at(what, round(ends[0], 1)),
                 tickCount=6, grid=True, gridColor=PAPER["hair"], minExtent=56),
        ],
        marks=[
            mark("rule", "days", PAPER, x=x(), y=y("l"), y2=y("h"), stroke="water", strokeWidth=6,
                 strokeOpacity=0.45),
            mark("symbol", "days", PAPER, x=x(), y=y(), size=30, fill="soil"),
        ],
    )  # fmt: skip


def _proposed(made: Proposals, name: str) -> Spec:
    rows = []
    for number, one in enumerate(made.rows, 1):
        middle, low, high = one.effect[name]
        rows.append({"n": f"{number}  {one.kind}", "v": middle, "l": low, "h": high})
    ends = _ends([float(row[key]) for row in rows for key in ("l", "h")])  # type: ignore[arg-type]
    names = [row["n"] for row in rows]
    place: Spec = {"scale": "y", "field": "n", "band": 0.5}
    return frame(
        WIDE,
        ROW * len(rows) + 10,
        data=[{"name": "rows", "values": rows}],
        scales=[
            {"name": "x", "domain": ends, "range": "width", "nice": True},
            {"name": "y", "type": "band", "domain": names, "range": "height"},
        ],
        axes=[
            axis(PAPER, "bottom", "x", tickCount=6, grid=True, gridColor=PAPER["hair"]),
            axis(PAPER, "left", "y", minExtent=150, domain=False, ticks=False),
        ],
        marks=[
            mark("rule", "rows", PAPER, x={"scale": "x", "field": "l"},
                 x2={"scale": "x", "field": "h"}, y=place, stroke="water", strokeWidth=5,
                 strokeOpacity=0.5),
            mark("symbol", "rows", PAPER, x={"scale": "x", "field": "v"}, y=place, size=70,
                 fill="ink"),
        ],
    )  # fmt: skip


def _ends(values: Sequence[float]) -> list[float]:
    """From zero, so that a bar's length is not mistaken for its weight."""
    return [0.0, max(1.0, *values)]
