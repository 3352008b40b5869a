"""The pictures of a pot as Vega specifications.

What belongs here: what each picture draws, in which order; the overview; a sampled run; files of
pictures. What does not: their rows (pictures.py), the look that all pictures share (drawing.py).

When many days are shown, the days are too close to tell apart. Then soil, tank and battery show the
lowest and highest of each week, and water given the sum of each week. The signal `wide` switches
this with the zoom.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable, Sequence
from functools import cache
from typing import Any

from wakewell.drawing import (
    ACROSS,
    CROSS,
    DATES,
    FONT,
    HEIGHT,
    NOUGHT,
    PAGE,
    PAPER,
    Spec,
    axis,
    begins_at,
    converter,
    file,
    frame,
    hatched,
    label,
    mark,
    sheet,
    text,
    titled,
    x,
    y,
)
from wakewell.language import say, term
from wakewell.report.pictures import DAY_MS, HEADROOM, Picture

Colours = dict[str, str]
NEAR_PX = {"doses": 2.0}  # least pixels for a day that keep its stem apart from the next one's
LINE_PX = 1.2  # and those of a line that still shows what comes and goes in some days
ONLY_CLOSE: Spec = {"signal": "wide ? 0 : 1"}
ONLY_WIDE: Spec = {"signal": "wide ? 1 : 0"}
A_BAR = {
    "soil": term("each bar is a week, from its driest to its wettest"),
    "doses": term("each bar is the sum of a week"),
    "tank": term("each bar is a week, from its lowest to its highest"),
    "battery": term("each bar is a week, from its lowest to its highest"),
}
WIDTH = 720
SIDE = 46  # left of every plot, so that their times stand below one another
NARROW = 220  # the least that a plot is wide on a page


def spec(picture: Picture, colour: Colours, data: bool) -> Spec:
    """The Vega specification. colour: by use. data: with the rows, for a file of its own."""
    whole = picture.rows["span"][0]
    pad = max(3600000, (whole["u"] - whole["t"]) // 100)
    low, high = picture.domain
    scale: Spec = {"name": "y", "type": "linear", "domain": [low, high], "range": "height"}
    scale["zero"] = False
    title: Any = begins_at(picture.unit, low)
    if picture.key == "doses":
        sums = max((row["v"] for row in picture.rows["weeks"]), default=0)
        scale["domain"] = [0, {"signal": f"wide ? {1.1 * sums or 10.0} : {high}"}]
        title = {"signal": f"wide ? {json.dumps(say('ml a week'))} : {json.dumps(picture.unit)}"}
    if picture.key == "events":
        names = [row["row"] for row in picture.rows["rows"]]
        scale = {"name": "y", "type": "band", "domain": names, "range": "height"}
    before, _, after = say("day {day}").partition("{day}")
    count = "format(floor(datum.value / 864e5) + 1, 'd')"
    days = {"signal": f"{json.dumps(before)} + {count} + {json.dumps(after)}"}
    dates: Spec = {"format": DATES, "formatType": "utc"}
    if not picture.dated:
        dates = {"encode": {"labels": {"update": {"text": days}}}}
    near = NEAR_PX.get(picture.key, LINE_PX)
    shown = picture.key != "events"
    side: Spec = {"tickCount": 5, "labels": shown, "ticks": shown, "grid": shown, "minExtent": SIDE}
    if picture.places is not None:
        down, up = map(json.dumps, picture.places)
        text = {"signal": f"datum.value > 0 ? {up} : {down}"}
        side["values"] = [0, high / HEADROOM]  # where the line is
        side["encode"] = {"labels": {"update": {"text": text}}}
    return frame(
        WIDTH,
        picture.height,
        signals=[
            {"name": "lo", "value": whole["t"] - pad},
            {"name": "hi", "value": max(picture.reach, whole["u"] + pad)},
            {"name": "at", "value": -1},
            {"name": "wide", "update": f"(hi - lo) / 864e5 > width / {near}"},
        ],
        data=[
            {"name": name, "values": rows if data else []} for name, rows in picture.rows.items()
        ],
        scales=[time_scale(), scale],
        axes=[
            axis(
                colour,
                "bottom",
                "x",
                labelOverlap=True,
                labelSeparation=10,
                labelFlush=True,
                tickCount={"signal": "max(2, ceil(width / 110))"},
                **dates,
            ),
            axis(colour, "left", "y", title=title, gridColor=colour["hair"], **side),
        ],
        marks=[
            *band(colour, picture),
            *hatched(colour, "gaps"),
            *DRAW[picture.key](colour, picture),
            *last_record(colour),
            cursor(colour),
        ],
    )


def time_scale() -> Spec:
    """Time along the foot, from `lo` to `hi`."""
    domain = [{"signal": "lo"}, {"signal": "hi"}]
    return {"name": "x", "type": "utc", "domain": domain, "range": "width"}


def last_record(colour: Colours) -> list[Spec]:
    """Where the record ends, and what comes after it, named above the plot."""
    seen = {"signal": "datum.u >= lo && datum.u <= hi ? 1 : 0"}
    shared = {"y": {"value": -5}, "fontStyle": "italic", "opacity": seen, "fill": "faint"}
    # Beside the line where there is room, else as far left as its words need
    place = "min(scale('x', datum.u) + 5, width - 6 * length(datum.w))"
    after: Spec = {"x": {"signal": place}, "text": {"field": "w"}}
    ends = f"datum.w ? {place} - 7 : scale('x', datum.u) - 3"
    before: Spec = {"x": {"signal": ends}, "align": "right"}
    words = [
        text("span", colour, fontSize=12, text=say("last record"), **before, **shared),
        text("span", colour, fontSize=12, **after, **shared),
    ]
    for one in words:
        one["clip"] = False
    line = mark("rule", "span", colour, x=x("u"), y=NOUGHT, y2=HEIGHT, stroke="faint")
    return [line, *words]


def cursor(colour: Colours) -> Spec:
    """The reading line that follows pointer and arrow keys."""
    found = mark("rule", "span", colour, y=NOUGHT, y2=HEIGHT, stroke="ink", strokeWidth=1)
    found["encode"]["update"]["x"] = {"scale": "x", "signal": "at < 0 ? lo : at"}
    found["encode"]["update"]["opacity"] = {"signal": "at < 0 ? 0 : 1"}
    return found


def quantity(colour: Colours, stroke: str) -> list[Spec]:
    """A line with a gap where something is missing; with many days, the lowest and highest of each
    week.
    """
    # Round ends: a value with nothing before and after it is a dot
    shared = {"x": x(), "y": y(), "stroke": stroke, "strokeJoin": "round", "strokeCap": "round"}
    defined = {"signal": "isValid(datum.v)"}
    week = mark("rect", "weeks", colour, x=x(), x2=x("u"), y=y(), y2=y("h"), fill=stroke)
    week["encode"]["update"] |= {
        "fillOpacity": {"value": 0.45},
        "stroke": {"value": colour[stroke]},
        "opacity": ONLY_WIDE,
    }
    line = mark("line", "line", colour, **shared, strokeWidth=1.8, defined=defined)
    line["encode"]["update"]["opacity"] = ONLY_CLOSE
    return [week, line]


def band(colour: Colours, picture: Picture) -> list[Spec]:
    """Where the soil should be: from the refill point to what it keeps."""
    if "bands" not in picture.rows:
        return []
    return [mark("rect", "bands", colour, x=x(), x2=x("u"), y=y(), y2=y("h"), fill="band")]


def truth(colour: Colours, picture: Picture) -> list[Spec]:
    """What only a simulated pot can show: how it truly was, dotted, beside what was read."""
    if "truth" not in picture.rows:
        return []
    shared = {"x": x(), "y": y(), "stroke": "ink", "strokeWidth": 1, "strokeDash": [2, 3]}
    return [mark("line", "truth", colour, **shared, opacity=ONLY_CLOSE)]


def bad_marks(colour: Colours) -> Spec:
    """Crosses along the foot where a reading was not believed."""
    foot = {"signal": "height - 6"}
    return cross(colour, "bad", y=foot, size=60, strokeWidth=1.6)


def cross(colour: Colours, source: str, **more: Any) -> Spec:
    """A cross where something went wrong."""
    shared = {"x": x(), "shape": CROSS, "stroke": "alarm", "fill": "transparent"}
    return mark("symbol", source, colour, **{**shared, **more})


def level(colour: Colours, source: str, dash: Sequence[int]) -> Spec:
    """A threshold, as long as it was in force."""
    return mark(
        "rule", source, colour, x=x(), x2=x("u"), y=y(), stroke="ink", strokeDash=list(dash)
    )


ABOVE: Spec = {"value": -5}
BELOW: Spec = {"value": 13}
# Below its line, if the foot leaves room for it
LOW: Spec = {"signal": "height - scale('y', datum.v) > 20 ? 13 : -5"}


def draw_soil(colour: Colours, picture: Picture) -> list[Spec]:
    """Soil water between refill point and container capacity."""
    kept = label(colour, "bands", {"value": say("the most it keeps once drained")}, ABOVE)
    for one in kept:
        one["encode"]["update"]["y"] = y("h")
    top = level(colour, "bands", (1, 4))
    top["encode"]["update"]["y"] = y("h")
    foot = {"signal": "height - 5"}
    given: Spec = {"shape": "triangle-up", "size": 38, "fill": "water"}
    return [
        level(colour, "bands", (7, 4)),
        top,
        mark("symbol", "given", colour, x=x(), y=foot, **given),
        *quantity(colour, "soil"),
        *truth(colour, picture),
        bad_marks(colour),
        *label(colour, "bands", {"value": say("refill point")}, BELOW),
        *kept,
    ]


def draw_doses(colour: Colours, picture: Picture) -> list[Spec]:
    """A stem as high as what was delivered, a bar across at what was planned; sums of weeks."""
    zero = {"scale": "y", "value": 0}
    stem = {"signal": "clamp(width / ((hi - lo) / 864e5) * 0.7, 1.5, 4)"}
    week = {"x": {"scale": "x", "field": "t", "offset": 0.5}, "x2": x("u"), "y": zero, "y2": y()}
    planned: Spec = {"shape": "stroke", "size": 130, "stroke": "ink", "strokeWidth": 1.6}
    cut = {"signal": "datum.x && !wide ? 70 : 0"}
    cut_week = {"signal": "datum.x && wide ? 40 : 0"}
    shared: Spec = {"opacity": ONLY_CLOSE}
    return [
        mark("rect", "weeks", colour, **week, fill="water", opacity=ONLY_WIDE),
        mark(
            "rule", "doses", colour, x=x(), y=zero, y2=y(), stroke="water", strokeWidth=stem,
            **shared,
        ),
        mark("symbol", "doses", colour, x=x(), y=y("p"), **planned, **shared),
        cross(colour, "doses", y=y(), size=cut, strokeWidth=2),
        cross(colour, "weeks", y=y(), size=cut_week, strokeWidth=2),
    ]  # fmt: skip


def fan(colour: Colours) -> list[Spec]:
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


def thresholds(colour: Colours, asks: str, stops: str) -> list[Spec]:
    """What it asks for something at, and what it stops at."""
    return [
        *label(colour, "asks", {"value": asks}, ABOVE),
        *label(colour, "stops", {"value": stops}, LOW),
    ]


def draw_tank(colour: Colours, picture: Picture) -> list[Spec]:
    """Level, refills, thresholds, forecast."""
    filled: Spec = {"shape": "triangle-up", "fill": "paper", "stroke": "water", "strokeWidth": 1.8}
    return [
        *fan(colour),
        level(colour, "asks", (2, 4)),
        level(colour, "stops", (7, 4)),
        *quantity(colour, "water"),
        *truth(colour, picture),
        mark("symbol", "refills", colour, x=x(), y=y(), size=90, **filled),
        bad_marks(colour),
        *thresholds(colour, say("asks for a refill"), say("pump stops here")),
    ]


def draw_battery(colour: Colours, picture: Picture) -> list[Spec]:
    """Rest voltage, thresholds, forecast."""
    return [
        *fan(colour),
        level(colour, "asks", (2, 4)),
        level(colour, "stops", (7, 4)),
        *quantity(colour, "ink"),
        *truth(colour, picture),
        bad_marks(colour),
        *thresholds(colour, say("asks to be charged below"), say("stops watering below")),
    ]


def draw_events(colour: Colours, picture: Picture) -> list[Spec]:
    """Bars and marks by row, the row's name above them."""
    row = {"scale": "y", "field": "row", "band": 0.5}
    centre = {"scale": "y", "field": "row", "band": 0.75}
    name = {"scale": "y", "field": "row", "band": 0.25}
    kinds = {"lockouts": "alarm", "needs": "paper"}
    fill = " : ".join(f"datum.k === '{k}' ? '{colour[c]}'" for k, c in kinds.items())
    shape = (
        f"datum.k === 'trip' ? '{CROSS}' : datum.k === 'refill' ? 'triangle-up' "
        ": datum.k === 'button' ? 'circle' : 'diamond'"
    )
    inside = f"datum.k === 'trip' ? 'transparent' : '{colour['paper']}'"
    names = text(
        "rows", colour, x={"value": 4 - SIDE}, y=name, text={"field": "row"}, baseline="middle",
        fontStyle="italic", limit={"signal": f"width + {SIDE} - 4"},
    )  # fmt: skip
    names["clip"] = False  # they begin where other plots have their figures
    return [
        mark("rule", "rows", colour, **ACROSS, y=centre, stroke="hair"),
        names,
        mark(
            "rect", "bars", colour, x=x(),
            x2={"signal": "max(scale('x', datum.u), scale('x', datum.t) + 3)"},
            y=row, height={"scale": "y", "band": 0.5}, stroke="ink",
            fill={"signal": f"{fill} : '{colour['gap']}'"},
        ),
        mark(
            "symbol", "marks", colour, x=x(), y=centre, shape={"signal": shape}, size=80,
            fill={"signal": inside}, stroke="ink", strokeWidth=1.8,
        ),
    ]  # fmt: skip


DRAW: dict[str, Callable[[Colours, Picture], list[Spec]]] = {
    "soil": draw_soil,
    "doses": draw_doses,
    "tank": draw_tank,
    "battery": draw_battery,
    "events": draw_events,
}


def overview(soil: Picture, colour: Colours) -> Spec:
    """The whole record in a strip, and the part of it that the pictures show."""
    whole = soil.rows["span"][0]
    low = min((row["v"] for row in soil.rows["weeks"]), default=0.0)
    high = max((row["h"] for row in soil.rows["weeks"]), default=1.0)
    bars = {"x": x(), "x2": x("u"), "y": y(), "y2": y("h")}
    part = mark("rect", "span", colour, y=NOUGHT, y2=HEIGHT, stroke="ink", strokeWidth=2)
    part["encode"]["update"] |= {
        "x": {"scale": "x", "signal": "from"},
        "x2": {"scale": "x", "signal": "to"},
        "fill": {"value": colour["water"]},
        "fillOpacity": {"value": 0.15},
    }
    found = frame(
        WIDTH,
        44,
        signals=[
            {"name": "lo", "value": whole["t"]},
            {"name": "hi", "value": whole["u"]},
            {"name": "from", "value": whole["t"]},
            {"name": "to", "value": whole["u"]},
        ],
        data=[{"name": name, "values": []} for name in ("gaps", "weeks", "span")],
        scales=[
            time_scale(),
            {"name": "y", "domain": [low, high], "range": "height", "zero": False},
        ],
        axes=[],
        marks=[
            *hatched(colour, "gaps"),
            mark("rect", "weeks", colour, **bars, fill="soil", stroke="soil"),
            part,
        ],
    )
    return {**found, "padding": {"left": 2, "right": 2, "top": 2, "bottom": 2}}


def run_spec(samples: Sequence[dict[str, float]], title: str) -> Spec:
    """A pump run, sampled: one quantity against milliseconds. Data included; page colours."""
    colour = PAGE
    values = [s["v"] for s in samples]
    room = (max(values) - min(values)) * 0.08 or 1.0
    low, high = min(values) - room, max(values) + room
    steps = {"tickCount": 4, "grid": True, "gridColor": colour["hair"]}
    small = {"labelFontSize": 12, "titleFontSize": 12}
    found = frame(
        340,
        120,
        data=[{"name": "line", "values": list(samples)}],
        scales=[
            {
                "name": "x",
                "domain": [0, max(s["t"] for s in samples)],
                "range": "width",
                "zero": True,
            },
            {"name": "y", "domain": [low, high], "range": "height", "zero": False},
        ],
        axes=[
            axis(colour, "bottom", "x", title="ms", tickCount=5, **small),
            axis(colour, "left", "y", title=begins_at(title, round(low)), **steps, **small),
        ],
        marks=[
            mark("line", "line", colour, x=x(), y=y(), stroke="water", strokeWidth=1.6),
            mark("symbol", "line", colour, x=x(), y=y(), size=22, fill="water"),
        ],
    )
    return {**found, "padding": {"left": 4, "right": 14, "top": 4, "bottom": 4}}


# Files


BUNDLE = """
import sys, vl_convert
bundle = vl_convert.javascript_bundle("window.vegaEmbed = vegaEmbed;")
sys.stdout.buffer.write(bundle.encode())
"""


@cache
def begin_script() -> subprocess.Popen[bytes]:
    """Begin to bundle Vega, in a process of its own: it takes as long as reading some years of log.

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


def draw(picture: Picture, form: str, pot: str, span: str) -> bytes:
    """The picture as a file, "png" or "svg", with its data. span: in words, with its year."""
    found = spec(picture, PAPER, data=True)
    found |= {"autosize": "pad", "padding": 14}
    found["title"] = {
        **titled(f"{pot}: {picture.title[0].lower()}{picture.title[1:]}", 17, 6),
        "subtitle": "; ".join([span, *bars_said(picture)]),
        "subtitleFont": FONT,
        "subtitleFontSize": 13,
    }
    return file(found, form)


def far(days: float) -> dict[str, str]:
    """What a bar stands for in the pictures of a page whose days may run together, by key."""
    return {key: what for key, what in A_BAR.items() if days > NARROW / NEAR_PX.get(key, LINE_PX)}


def bars_said(picture: Picture) -> list[str]:
    """What a bar of it stands for, in a file whose days run together."""
    days = (picture.reach - picture.rows["span"][0]["t"]) / DAY_MS
    far = days > WIDTH / NEAR_PX.get(picture.key, LINE_PX)
    return [say(A_BAR[picture.key])] if far and picture.key in A_BAR else []


def together(pictures: Sequence[Picture], heading: Sequence[str], form: str) -> bytes:
    """Pictures below one another in one file. heading: the title, and lines below it."""
    plots = [(": ".join([p.title, *bars_said(p)]), spec(p, PAPER, data=True)) for p in pictures]
    return file(sheet(plots, heading), form)


def embedded(value: Any) -> str:
    """JSON that may stand inside a script element, whatever text it holds."""
    found = json.dumps(value, separators=(",", ":"), ensure_ascii=True)
    return found.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
