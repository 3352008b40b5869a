"""The pictures of a pot as Vega specifications, and their data.

What belongs here: what each picture draws, in which order, from which rows; honest
thinning of long rows; files of pictures. What does not: pages around them (pages.py).

The plotting library is Vega (BSD-3-Clause), taken from the package vl-convert-python:
one script of 0.9 MB to embed, and the same pictures as files without a browser.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache
from itertools import pairwise
from typing import Any

from wakewell import extras, words
from wakewell.budget.forecast import Forecast
from wakewell.errors import BadInput
from wakewell.log.series import PotLog, lockout_spans, refill_of
from wakewell.log.times import Calendar

BUCKETS = 1500
Row = tuple[float, float | None]
Spec = dict[str, Any]

# Colours by use: (light, dark). Meaning never hangs on them: lines differ by dash, marks by shape.
COLOURS = {
    "paper": ("#fbf7ee", "#1c1e21"),
    "ink": ("#26221c", "#ece5d6"),
    "faint": ("#655d50", "#b3aa99"),
    "hair": ("#ddd3bf", "#3b3d40"),
    "soil": ("#7a4a1d", "#e0a872"),
    "water": ("#1d5f86", "#7fbfe6"),
    "alarm": ("#9c2a1f", "#f2978b"),
    "gap": ("#ece3d0", "#2b2d31"),
    "band": ("#f1e8d3", "#2a2723"),
}
PAGE = {name: f"var(--{name})" for name in COLOURS}
PAPER = {name: pair[0] for name, pair in COLOURS.items()}
FONT = "Palatino Linotype, Palatino, URW Palladio L, Book Antiqua, Georgia, serif"


@dataclass
class Picture:
    """One picture: its key, heading, text alternative, and rows by name of the data set."""

    key: str
    title: str
    text: str
    height: int
    rows: dict[str, list[dict[str, Any]]] = field(default_factory=dict)
    domain: tuple[float, float] = (0.0, 1.0)
    unit: str = ""
    dated: bool = True


def thin(rows: Sequence[Row], buckets: int = BUCKETS) -> list[Row]:
    """Fewer rows that look the same: of each bucket of time the first, last, least and most.

    Rows with None part a line; the first of each run of them is kept. Rows are in order
    of time.
    """
    if len(rows) <= 4 * buckets:
        return list(rows)
    start, end = rows[0][0], rows[-1][0]
    width = (end - start) / buckets or 1.0
    found: list[Row] = []
    number = first = last = least = most = -1
    low = high = 0.0

    def close() -> None:
        if first >= 0:
            found.extend(rows[i] for i in sorted({first, least, most, last}))

    for i, (time, value) in enumerate(rows):
        if value is None:
            close()
            first = -1
            if found and found[-1][1] is not None:
                found.append(rows[i])
            continue
        bucket = int((time - start) / width)
        if bucket != number or first < 0:
            close()
            number, first, least, most, low, high = bucket, i, i, i, value, value
        elif value < low:
            least, low = i, value
        elif value >= high:
            most, high = i, value
        last = i
    close()
    return found


def series(log: PotLog, calendar: Calendar, name: str, scale: float) -> list[Row]:
    """(wall time, value) of a believed quantity, parted by None wherever something is missing."""
    rows: list[Row] = []
    before = None
    for wake in log.wakes:
        value, wall = getattr(wake, name), wake.wall_s
        if before is not None and (wake.gap or value is None):
            rows.append((before + 1, None))
        if value is not None:
            rows.append((wall, value / scale))
        before = wall if value is not None else None
    return thin(rows)


def ms(wall_s: float) -> int:
    """For the script: milliseconds, on the minute."""
    return int(wall_s // 60) * 60000


def as_rows(rows: Sequence[Row], digits: int) -> list[dict[str, Any]]:
    """Rows of a line for Vega."""
    return [{"t": ms(t), "v": None if v is None else round(v, digits)} for t, v in rows]


def gaps(log: PotLog, calendar: Calendar) -> list[dict[str, Any]]:
    """Stretches without a record, long enough to be seen."""
    found: list[dict[str, Any]] = []
    for before, wake in pairwise(log.wakes):
        if wake.gap:
            found.append(
                {
                    "t": ms(before.wall_s),
                    "u": ms(wake.wall_s),
                    "w": "no record",
                }
            )
    if len(found) > 500:
        found = sorted(found, key=lambda g: g["t"] - g["u"])[:500]
    return found


def spans(log: PotLog, calendar: Calendar) -> list[dict[str, Any]]:
    """Refill point and container capacity, as long as each was in force."""
    found: list[dict[str, Any]] = []
    marks = {
        ids: (refill_of(pot), pot.calibration.capacity_ppt) if pot else None
        for ids, pot in log.pots.items()
    }
    last = ids = None
    for wake in log.wakes:
        if wake.ids == ids and wake is not log.wakes[-1]:
            continue
        ids = wake.ids
        key = marks[ids]
        wall = ms(wake.wall_s)
        if found and last is not None:
            found[-1]["u"] = wall
        if key != last and key is not None:
            found.append({"t": wall, "u": wall, "r": key[0] / 10, "c": key[1] / 10})
        last = key
    return found


def disbelieved(log: PotLog, calendar: Calendar, probe: str) -> list[dict[str, Any]]:
    """Wakes whose reading was not believed, at most a few for each bucket of time."""
    found: list[dict[str, Any]] = []
    last = None
    start, end = log.wakes[0].time_s, log.wakes[-1].time_s
    width = max(1.0, (end - start) / BUCKETS)
    for wake in log.wakes:
        word = getattr(wake, probe + "_word")
        if word in ("good", "unfitted"):
            continue
        key = (int((wake.time_s - start) / width), word)
        if key != last:
            plain = words.of(words.PROBE_WORDS, word).plain
            found.append({"t": ms(wake.wall_s), "w": plain})
        last = key
    return found


def refills(log: PotLog, calendar: Calendar) -> list[dict[str, Any]]:
    """When the level rose by more than its scatter: (time, litres after, millilitres added)."""
    found: list[dict[str, Any]] = []
    before = None
    for wake in log.wakes:
        if wake.level_ml is None:
            continue
        if before is not None and wake.level_ml - before > 20:
            pot = log.pot_of(wake)
            rise = 2 * max(10, pot.calibration.tolerance_ml) if pot else 40
            if wake.level_ml - before > rise:
                t = ms(wake.wall_s)
                found.append({"t": t, "v": wake.level_ml / 1000, "ml": wake.level_ml - before})
        before = wake.level_ml
    return found


def fan(forecast: Forecast, calendar: Calendar, scale: float) -> list[dict[str, Any]]:
    """The forecast's outer dates at falling values, and the middle one."""
    if forecast.middle_s is None or not forecast.fan:
        return []
    return [
        {
            "t": ms(calendar.wall_s(early)),
            "u": ms(calendar.wall_s(late)),
            "m": ms(calendar.wall_s(middle)),
            "v": round(value / scale, 4),
        }
        for early, middle, late, value in forecast.fan
    ]


def pictures(log: PotLog, calendar: Calendar, tank: Forecast, battery: Forecast) -> list[Picture]:
    """The pictures of a pot, in the order of the page. Needs at least one wake."""
    missing = gaps(log, calendar)
    first, last = (log.wakes[i].wall_s for i in (0, -1))
    soil = Picture("soil", "Water in the soil", "", 240, unit="% by volume")
    rows = series(log, calendar, "soil_ppt", 10)
    bands = spans(log, calendar)
    soil.rows = {
        "line": as_rows(rows, 1),
        "bands": bands,
        "bad": disbelieved(log, calendar, "soil"),
        "given": [{"t": ms(calendar.wall_s(d.time_s))} for d in log.waterings],
        "gaps": missing,
    }
    known = [v for _, v in rows if v is not None]
    known += [b[k] for b in bands for k in ("r", "c")]
    soil.domain = around(known, 3.5)
    water = Picture("doses", "Water given", "", 170, unit="ml a watering")
    water.rows = {"doses": dose_rows(log, calendar), "gaps": missing}
    most = max([max(d["v"], d["p"]) for d in water.rows["doses"]], default=10.0)
    water.domain = (0.0, most * 1.1)
    unit = "float: up above 0" if log.float_only else "litres"
    level = Picture("tank", "Water in the tank", "", 220, unit=unit)
    rows = series(log, calendar, "level_ml", 1000)
    level.rows = {
        "line": as_rows(rows, 3),
        "refills": refills(log, calendar),
        "fan": fan(tank, calendar, 1000),
        "floor": [{"v": tank.floor / 1000}] if tank.floor else [],
        "bad": disbelieved(log, calendar, "level"),
        "gaps": missing,
    }
    level.domain = (0.0, max([v for _, v in rows if v is not None], default=1.0) * 1.08 or 1.0)
    cell = Picture("battery", "Battery at rest", "", 200, unit="volts")
    rows = series(log, calendar, "battery_mv", 1000)
    pot = log.pot
    marks: list[dict[str, Any]] = []
    if pot is not None:
        floor = max(pot.settings.battery_mv, pot.limits.rest_mv)
        marks = [{"v": floor / 1000, "w": "stops watering below", "b": True}]
        if pot.settings.battery_warn_mv > floor:
            marks.append(
                {
                    "v": pot.settings.battery_warn_mv / 1000,
                    "w": "asks for a charge below",
                    "b": False,
                }
            )
    cell.rows = {
        "line": as_rows(rows, 3),
        "fan": fan(battery, calendar, 1000),
        "marks": marks,
        "bad": disbelieved(log, calendar, "battery"),
        "gaps": missing,
    }
    known = [v for _, v in rows if v is not None] + [m["v"] for m in marks]
    cell.domain = around(known, 0.08)
    events = happenings(log, calendar, level.rows["refills"])
    events.rows["gaps"] = missing
    for picture in (soil, water, level, cell, events):
        picture.dated = calendar.dated
        picture.rows["span"] = [{"t": ms(first), "u": ms(last)}]
    return [soil, water, level, cell, events]


def around(values: Sequence[float], room: float) -> tuple[float, float]:
    """From below the least to above the most of them."""
    return (min(values) - room, max(values) + room) if values else (0.0, 1.0)


def dose_rows(log: PotLog, calendar: Calendar) -> list[dict[str, Any]]:
    """Every watering: delivered and planned millilitres, and what stopped it early."""
    return [
        {
            "t": ms(calendar.wall_s(d.time_s)),
            "v": round(d.given_ul / 1000),
            "p": round(d.planned_ul / 1000),
            "w": words.of(words.KINDS, d.kind).plain,
            "x": "; ".join(words.of(words.TRIPS_WORDS, t).plain for t in dict.fromkeys(d.trips)),
        }
        for d in log.doses
    ]


def happenings(log: PotLog, calendar: Calendar, filled: list[dict[str, Any]]) -> Picture:
    """Lockouts as bars; trips, resets and presses as marks, each in a row of its own."""
    picture = Picture("events", "What stopped it, and who came", "", 0)
    bars, marks = [], []
    for name, start, end, _ in lockout_spans(log):
        label = f"stopped: {name}"
        wall = (ms(calendar.wall_s(start)), ms(calendar.wall_s(end)))
        plain = words.of(words.LOCKOUTS, name).plain
        bars.append({"row": label, "t": wall[0], "u": max(wall[1], wall[0] + 1), "w": plain})
    for wake in log.wakes:
        if wake.cause == "timer" and not wake.trips and not wake.host:
            continue
        wall_ms = ms(wake.wall_s)
        for trip in wake.trips:
            plain = words.of(words.TRIPS_WORDS, trip).plain
            marks.append({"row": "run cut short", "t": wall_ms, "w": plain})
        if wake.cause in ("brownout", "watchdog", "power", "reset"):
            plain = words.of(words.CAUSES, wake.cause).plain
            marks.append({"row": "started anew", "t": wall_ms, "w": plain})
        elif wake.cause == "button":
            held = "entry page" in wake.host
            text = "somebody held the button for the entry page" if held else "somebody pressed it"
            marks.append({"row": "button", "t": wall_ms, "w": text})
        by_cable = "; ".join(action for action in wake.host if action != "entry page")
        if by_cable:
            marks.append({"row": "maker's cable", "t": wall_ms, "w": by_cable})
    for refill in filled:
        text = f"filled by {refill['ml']} ml"
        marks.append({"row": "tank filled", "t": refill["t"], "w": text})
    rows = list(dict.fromkeys([b["row"] for b in bars] + [m["row"] for m in marks]))
    picture.rows = {"bars": bars, "marks": marks, "rows": [{"row": row} for row in rows]}
    picture.height = max(40, 36 * len(rows))
    return picture


# Specifications


def spec(picture: Picture, colour: dict[str, str], data: bool) -> Spec:
    """The Vega specification. colour: by use. data: with the rows, for a file of its own."""
    whole = picture.rows["span"][0]
    ends = [row["u"] for row in picture.rows.get("fan", ())]
    room = (whole["u"] - whole["t"]) // 4 + 21 * 86400000  # the record keeps most of the paper
    late = min(max([whole["u"], *ends]), whole["u"] + room)
    pad = max(3600000, (late - whole["t"]) // 100)
    y: Spec = {"name": "y", "type": "linear", "domain": list(picture.domain), "range": "height"}
    y["zero"] = picture.key in ("doses", "tank")
    if picture.key == "events":
        names = [row["row"] for row in picture.rows["rows"]]
        y = {"name": "y", "type": "band", "domain": names, "range": "height"}
    axis = {
        "domainColor": colour["faint"],
        "tickColor": colour["faint"],
        "labelColor": colour["ink"],
        "titleColor": colour["ink"],
        "labelFont": FONT,
        "titleFont": FONT,
        "labelFontSize": 13,
        "titleFontSize": 13,
        "titleFontWeight": "normal",
    }
    days = {"signal": "'day ' + format(floor(datum.value / 864e5) + 1, 'd')"}
    in_days = {} if picture.dated else {"encode": {"labels": {"update": {"text": days}}}}
    found: Spec = {
        "width": 720,
        "height": picture.height,
        "padding": {"left": 2, "right": 12, "top": 6, "bottom": 2},
        "autosize": {"type": "fit-x", "contains": "padding", "resize": True},
        "signals": [
            {"name": "lo", "value": whole["t"] - pad},
            {"name": "hi", "value": late + pad},
            {"name": "at", "value": -1},
        ],
        "data": [
            {"name": name, "values": rows if data else []} for name, rows in picture.rows.items()
        ],
        "scales": [
            {
                "name": "x",
                "type": "utc",
                "domain": [{"signal": "lo"}, {"signal": "hi"}],
                "range": "width",
            },
            y,
        ],
        "axes": [
            {
                **axis,
                **in_days,
                "orient": "bottom",
                "scale": "x",
                "labelOverlap": True,
                "labelFlush": True,
                "tickCount": {"signal": "max(2, ceil(width / 110))"},
            },
            {
                **axis,
                "orient": "left",
                "scale": "y",
                "tickCount": 5,
                "labels": picture.key != "events",
                "ticks": picture.key != "events",
                "title": picture.unit,
                "grid": picture.key != "events",
                "gridColor": colour["hair"],
                "minExtent": 46,
            },
        ],
        "marks": [*gap_marks(colour), *DRAW[picture.key](colour), cursor(colour)],
    }
    return found


def mark(kind: str, source: str, colour: dict[str, str], **encode: Any) -> Spec:
    """One mark, clipped to the picture, without a voice of its own (the page describes it)."""
    update = {
        key: value if isinstance(value, dict) else {"value": named(value, colour)}
        for key, value in encode.items()
    }
    return {
        "type": kind,
        "from": {"data": source},
        "clip": True,
        "aria": False,
        "encode": {"update": update},
    }


def named(value: Any, colour: dict[str, str]) -> Any:
    """A colour by its use; anything else as it is."""
    return colour.get(value, value) if isinstance(value, str) else value


def x(name: str = "t") -> Spec:
    """Placed in time by that member."""
    return {"scale": "x", "field": name}


def y(name: str = "v") -> Spec:
    """Placed by value by that member."""
    return {"scale": "y", "field": name}


HEIGHT: Spec = {"signal": "height"}
NOUGHT: Spec = {"value": 0}


def gap_marks(colour: dict[str, str]) -> list[Spec]:
    """Where nothing is on record, and where the record ends."""
    edge = {"stroke": "faint", "strokeDash": [1, 3]}
    label = mark(
        "text",
        "gaps",
        colour,
        x={"signal": "(scale('x', datum.t) + scale('x', datum.u)) / 2"},
        y={"value": 12},
        text={"field": "w"},
        align="center",
        fill="faint",
        font=FONT,
        fontSize=12,
        opacity={"signal": "scale('x', datum.u) - scale('x', datum.t) > 60 ? 1 : 0"},
    )
    return [
        mark("rect", "gaps", colour, x=x(), x2=x("u"), y=NOUGHT, y2=HEIGHT, fill="gap", **edge),
        label,
        mark("rule", "span", colour, x=x("u"), y=NOUGHT, y2=HEIGHT, stroke="hair"),
    ]


def cursor(colour: dict[str, str]) -> Spec:
    """The reading line that follows pointer and arrow keys."""
    found = mark("rule", "span", colour, y=NOUGHT, y2=HEIGHT, stroke="ink", strokeWidth=1)
    found["encode"]["update"]["x"] = {"scale": "x", "signal": "at < 0 ? lo : at"}
    found["encode"]["update"]["opacity"] = {"signal": "at < 0 ? 0 : 1"}
    return found


def line(colour: dict[str, str], stroke: str) -> Spec:
    """A line that breaks where something is missing."""
    return mark(
        "line",
        "line",
        colour,
        x=x(),
        y=y(),
        stroke=stroke,
        strokeWidth=1.8,
        defined={"signal": "isValid(datum.v)"},
        strokeJoin="round",
    )


def bad_marks(colour: dict[str, str]) -> Spec:
    """Crosses along the foot where a reading was not believed."""
    return mark(
        "symbol",
        "bad",
        colour,
        x=x(),
        y={"signal": "height - 6"},
        shape="M-1,-1L1,1M-1,1L1,-1",
        size=60,
        stroke="alarm",
        strokeWidth=1.6,
        fill="transparent",
    )


def label(
    colour: dict[str, str], source: str, place: Spec, words_: Spec, below: bool | Spec
) -> list[Spec]:
    """Words on a line, at its right end, on a halo of paper."""
    shared = {
        "x": {"signal": "width - 4"},
        "y": place,
        "dy": below if isinstance(below, dict) else {"value": 13 if below else -5},
        "align": "right",
        "text": words_,
        "font": FONT,
        "fontSize": 12.5,
        "fontStyle": "italic",
    }
    halo = mark("text", source, colour, **shared, stroke="paper", strokeWidth=4, fill="paper")
    return [halo, mark("text", source, colour, **shared, fill="ink")]


def draw_soil(colour: dict[str, str]) -> list[Spec]:
    """Soil water between refill point and container capacity."""
    last = {"signal": "datum === data('bands')[length(data('bands')) - 1] ? 1 : 0"}
    words_ = [
        *label(colour, "bands", y("r"), {"value": "refill point"}, True),
        *label(colour, "bands", y("c"), {"value": "the soil holds no more"}, False),
    ]
    for text in words_:
        text["encode"]["update"]["opacity"] = last
    return [
        mark("rect", "bands", colour, x=x(), x2=x("u"), y=y("r"), y2=y("c"), fill="band"),
        mark("rule", "bands", colour, x=x(), x2=x("u"), y=y("r"), stroke="ink", strokeDash=[7, 4]),
        mark("rule", "bands", colour, x=x(), x2=x("u"), y=y("c"), stroke="ink", strokeDash=[1, 4]),
        mark(
            "symbol",
            "given",
            colour,
            x=x(),
            y={"signal": "height - 5"},
            shape="triangle-up",
            size=38,
            fill="water",
        ),
        line(colour, "soil"),
        bad_marks(colour),
        *words_,
    ]


def draw_doses(colour: dict[str, str]) -> list[Spec]:
    """A stem as high as what was delivered, a bar across at what was planned."""
    zero = {"scale": "y", "value": 0}
    return [
        mark("rule", "doses", colour, x=x(), y=zero, y2=y(), stroke="water", strokeWidth=4),
        mark(
            "symbol",
            "doses",
            colour,
            x=x(),
            y=y("p"),
            shape="stroke",
            size=130,
            stroke="ink",
            strokeWidth=1.6,
        ),
        mark(
            "symbol",
            "doses",
            colour,
            x=x(),
            y=y(),
            shape="M-1,-1L1,1M-1,1L1,-1",
            size={"signal": "datum.x ? 70 : 0"},
            stroke="alarm",
            strokeWidth=2,
        ),
    ]


def fan_marks(colour: dict[str, str]) -> list[Spec]:
    """The forecast: nine in ten between the edges, the middle dashed."""
    area = mark("area", "fan", colour, x=x("t"), x2=x("u"), y=y(), fill="water", fillOpacity=0.18)
    area["encode"]["update"]["orient"] = {"value": "horizontal"}
    edges = {"stroke": "water", "strokeWidth": 1}
    return [
        area,
        mark("line", "fan", colour, x=x("t"), y=y(), **edges),
        mark("line", "fan", colour, x=x("u"), y=y(), **edges),
        mark("line", "fan", colour, x=x("m"), y=y(), stroke="water", strokeDash=[6, 4]),
    ]


def draw_tank(colour: dict[str, str]) -> list[Spec]:
    """Level, refills, reserve, forecast."""
    across = {"x": NOUGHT, "x2": {"signal": "width"}}
    return [
        *fan_marks(colour),
        mark("rule", "floor", colour, **across, y=y(), stroke="ink", strokeDash=[7, 4]),
        line(colour, "water"),
        mark(
            "symbol",
            "refills",
            colour,
            x=x(),
            y=y(),
            shape="triangle-up",
            size=90,
            fill="paper",
            stroke="water",
            strokeWidth=1.8,
        ),
        bad_marks(colour),
        *label(colour, "floor", y(), {"value": "no run below this"}, False),
    ]


def draw_battery(colour: dict[str, str]) -> list[Spec]:
    """Rest voltage, its two marks, forecast."""
    across = {"x": NOUGHT, "x2": {"signal": "width"}}
    return [
        *fan_marks(colour),
        mark("rule", "marks", colour, **across, y=y(), stroke="ink", strokeDash=[7, 4]),
        line(colour, "ink"),
        bad_marks(colour),
        *label(colour, "marks", y(), {"field": "w"}, {"signal": "datum.b ? 13 : -5"}),
    ]


def draw_events(colour: dict[str, str]) -> list[Spec]:
    """Bars and marks by row, the row's name above them."""
    row = {"scale": "y", "field": "row", "band": 0.5}
    centre = {"scale": "y", "field": "row", "band": 0.75}
    name = {"scale": "y", "field": "row", "band": 0.25}
    return [
        mark("rule", "rows", colour, x=NOUGHT, x2={"signal": "width"}, y=centre, stroke="hair"),
        mark(
            "text",
            "rows",
            colour,
            x={"value": 4},
            y=name,
            text={"field": "row"},
            baseline="middle",
            fill="ink",
            font=FONT,
            fontSize=12.5,
            fontStyle="italic",
        ),
        mark(
            "rect",
            "bars",
            colour,
            x=x(),
            x2={"signal": "max(scale('x', datum.u), scale('x', datum.t) + 3)"},
            y=row,
            height={"scale": "y", "band": 0.5},
            fill="alarm",
            stroke="ink",
        ),
        mark(
            "symbol",
            "marks",
            colour,
            x=x(),
            y=centre,
            shape={
                "signal": "datum.row === 'run cut short' ? 'M-1,-1L1,1M-1,1L1,-1' : "
                "datum.row === 'tank filled' ? 'triangle-up' : "
                "datum.row === 'button' ? 'circle' : 'diamond'"
            },
            size=80,
            fill={"signal": f"datum.row === 'run cut short' ? 'transparent' : '{colour['paper']}'"},
            stroke="ink",
            strokeWidth=1.8,
        ),
    ]


DRAW = {
    "soil": draw_soil,
    "doses": draw_doses,
    "tank": draw_tank,
    "battery": draw_battery,
    "events": draw_events,
}


def run_spec(samples: Sequence[dict[str, float]], title: str, floor: float | None) -> Spec:
    """A pump run, sampled: one quantity against milliseconds. Data included; page colours."""
    colour = PAGE
    values = [s["v"] for s in samples] + ([floor] if floor is not None else [])
    low, high = around(values, (max(values) - min(values)) * 0.08 or 1.0)
    axis = {
        "labelColor": colour["ink"],
        "titleColor": colour["ink"],
        "domainColor": colour["faint"],
        "tickColor": colour["faint"],
        "labelFont": FONT,
        "titleFont": FONT,
        "labelFontSize": 12,
        "titleFontSize": 12,
        "titleFontWeight": "normal",
    }
    marks = [
        mark("line", "line", colour, x=x(), y=y(), stroke="water", strokeWidth=1.6),
        mark("symbol", "line", colour, x=x(), y=y(), size=22, fill="water"),
    ]
    if floor is not None:
        across = {"x": NOUGHT, "x2": {"signal": "width"}}
        marks.insert(
            0, mark("rule", "floor", colour, **across, y=y(), stroke="alarm", strokeDash=[7, 4])
        )
    return {
        "width": 340,
        "height": 120,
        "padding": 4,
        "autosize": {"type": "fit-x", "contains": "padding", "resize": True},
        "data": [
            {"name": "line", "values": list(samples)},
            {"name": "floor", "values": [{"v": floor}] if floor is not None else []},
        ],
        "scales": [
            {
                "name": "x",
                "domain": [0, max(s["t"] for s in samples)],
                "range": "width",
                "zero": True,
            },
            {"name": "y", "domain": [low, high], "range": "height", "zero": False},
        ],
        "axes": [
            {**axis, "orient": "bottom", "scale": "x", "title": "ms", "tickCount": 5},
            {
                **axis,
                "orient": "left",
                "scale": "y",
                "title": title,
                "tickCount": 4,
                "grid": True,
                "gridColor": colour["hair"],
            },
        ],
        "marks": marks,
    }


# Files


def converter() -> Any:
    """The package that holds the plotting library."""
    try:
        import vl_convert
    except ImportError:
        raise BadInput(
            "pages and pictures need the packages jinja2 and vl-convert-python; "
            f"install them with: {extras.install('report')}"
        ) from None
    return vl_convert


BUNDLE = """
import sys, vl_convert
bundle = vl_convert.javascript_bundle("window.vegaEmbed = vegaEmbed;")
sys.stdout.buffer.write(bundle.encode())
"""


@cache
def begin_script() -> subprocess.Popen[bytes]:
    """Begin to bundle Vega, in a process of its own: it takes as long as to read some years.

    Raises BadInput without the package that holds it.
    """
    converter()
    return subprocess.Popen(
        [sys.executable, "-c", BUNDLE], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )


@cache
def script() -> str:
    """Vega as one script that leaves `window.vegaEmbed`."""
    bundling = begin_script()
    body, why = bundling.communicate()
    if bundling.returncode:
        raise RuntimeError(f"vl-convert bundled no script: {why.decode(errors='replace')}")
    return "(function () {\n" + body.decode() + "\n})();"


def draw(picture: Picture, form: str) -> bytes:
    """The picture as a file, "png" or "svg", on white-ish paper, with its data."""
    found = spec(picture, PAPER, data=True)
    found["background"] = PAPER["paper"]
    found["title"] = {"text": picture.title, "font": FONT, "fontSize": 16, "anchor": "start"}
    if form == "svg":
        drawn: str = converter().vega_to_svg(found)
        return drawn.encode()
    image: bytes = converter().vega_to_png(found, scale=2.0)
    return image


def embedded(value: Any) -> str:
    """JSON that may stand inside a script element, whatever text it holds."""
    text = json.dumps(value, separators=(",", ":"), ensure_ascii=True)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
