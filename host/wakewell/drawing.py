"""How every picture looks, and how it becomes a file: one library, Vega, draws them all.

What belongs here: colours, type, axes, marks that several pictures share, several plots on one
sheet, PNG and SVG. What does not: what a picture shows (report/pictures.py and its like), pages.

Vega (BSD-3-Clause) comes in the package vl-convert-python: one script of 0.9 MB to embed in a page,
and the same specifications as files without a browser.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from wakewell import extras, language
from wakewell.errors import BadInput
from wakewell.language import number, say
from wakewell.tomlfile import show_path

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
FORMS = ("png", "svg")
# Times are wall times, so "utc" shows them as they are.
DATES = {
    "year": "%b %Y",
    "quarter": "%b",
    "month": "%b",
    "week": "%-d %b",
    "date": "%-d %b",
    "hours": "%H:%M",
    "minutes": "%H:%M",
}
CROSS = "M-1,-1L1,1M-1,1L1,-1"
HEIGHT: Spec = {"signal": "height"}
NOUGHT: Spec = {"value": 0}
ACROSS: Spec = {"x": NOUGHT, "x2": {"signal": "width"}}


# Marks


def mark(kind: str, source: str, colour: dict[str, str], **encode: Any) -> Spec:
    """One mark, clipped to the picture, without a voice of its own (the page describes it).

    A text among the values that names a colour stands for it.
    """
    update = {
        key: value
        if isinstance(value, dict)
        else {"value": colour.get(value, value) if isinstance(value, str) else value}
        for key, value in encode.items()
    }
    return {
        "type": kind,
        "from": {"data": source},
        "clip": True,
        "aria": False,
        "encode": {"update": update},
    }


def x(name: str = "t") -> Spec:
    """Placed along by that member."""
    return {"scale": "x", "field": name}


def y(name: str = "v") -> Spec:
    """Placed by value by that member."""
    return {"scale": "y", "field": name}


def text(source: str, colour: dict[str, str], **encode: Any) -> Spec:
    """Words in the page's type, in ink if not said otherwise."""
    return mark("text", source, colour, **{"fill": "ink", "font": FONT, "fontSize": 12.5, **encode})


def label(colour: dict[str, str], source: str, words: Spec, lift: Spec) -> list[Spec]:
    """Words beside a level, at its left end, on a halo of paper. lift: pixels down from it."""
    shared: Spec = {
        "x": {"value": 5},
        "y": y(),
        "dy": lift,
        "text": words,
        "fontStyle": "italic",
        "opacity": {"signal": f"datum === data('{source}')[length(data('{source}')) - 1] ? 1 : 0"},
    }
    halo = text(source, colour, **shared)
    halo["encode"]["update"] |= {
        "stroke": {"value": colour["paper"]},
        "strokeWidth": {"value": 4},
        "fill": {"value": colour["paper"]},
    }
    return [halo, text(source, colour, **shared)]


def hatched(colour: dict[str, str], source: str) -> list[Spec]:
    """Stretches t to u where nothing is known, named by w: slanting lines, as no other mark has.

    One thick dashed line at a slant, cut to the stretch, draws all of its lines.
    """
    wide = "(scale('x', parent.u) - scale('x', parent.t))"
    far = f"(({wide} + height) / 2)"
    ground = mark("group", source, colour, x=x(), x2=x("u"), y=NOUGHT, y2=HEIGHT, fill="paper")
    lines = {
        "type": "rule",
        "aria": False,
        "encode": {
            "update": {
                "x": NOUGHT,
                "y": HEIGHT,
                "x2": {"signal": far},
                "y2": {"signal": f"height - {far}"},
                "stroke": {"value": colour["faint"]},
                "strokeOpacity": {"value": 0.55},
                "strokeWidth": {"signal": f"2 * ({wide} + height)"},
                "strokeDash": {"value": [1, 6]},
            }
        },
    }
    ground["encode"]["update"]["clip"] = {"value": True}
    ground["marks"] = [lines]
    middle = {"signal": "(scale('x', datum.t) + scale('x', datum.u)) / 2"}
    named: Spec = {
        "fontSize": 12,
        "x": middle,
        "y": {"signal": "height / 2"},
        "baseline": "middle",
        "text": {"field": "w"},
        "align": "center",
        "opacity": {"signal": "scale('x', datum.u) - scale('x', datum.t) > 70 ? 1 : 0"},
    }
    halo = text(source, colour, **named)
    halo["encode"]["update"] |= {
        "stroke": {"value": colour["paper"]},
        "strokeWidth": {"value": 5},
    }
    return [ground, halo, text(source, colour, **named)]


# Axes and frames


def axis(colour: dict[str, str], orient: str, scale: str, **more: Any) -> Spec:
    """An axis in the page's type."""
    return {
        "domainColor": colour["faint"],
        "tickColor": colour["faint"],
        "labelColor": colour["ink"],
        "titleColor": colour["ink"],
        "labelFont": FONT,
        "titleFont": FONT,
        "labelFontSize": 13,
        "titleFontSize": 13,
        "titleFontWeight": "normal",
        "orient": orient,
        "scale": scale,
        **more,
    }


def begins_at(title: str, low: float) -> str:
    """The title of an axis, which says so where zero is not on it."""
    if low <= 0:
        return title
    digits = len(f"{low:g}".partition(".")[2])
    return say("{what} (axis from {least})", what=title, least=number(low, digits))


def frame(width: int, height: int, **parts: Any) -> Spec:
    """A plot by itself: signals, data, scales, axes and marks in it."""
    return {
        "width": width,
        "height": height,
        "padding": {"left": 2, "right": 12, "top": 4, "bottom": 2},
        "autosize": {"type": "fit-x", "contains": "padding", "resize": True},
        **language.for_pictures(),
        **parts,
    }


def sheet(
    plots: Sequence[tuple[str, Spec]], heading: Sequence[str], columns: int = 1, gap: int = 34
) -> Spec:
    """Plots with their titles on one sheet, below its heading."""
    marks: list[Spec] = []
    for title, plot in plots:
        inner: Spec = {k: plot[k] for k in ("data", "scales", "axes", "marks") if k in plot}
        own = [{"name": name, "update": str(plot[name])} for name in ("width", "height")]
        size: Spec = {name: {"value": plot[name]} for name in ("width", "height")}
        marks.append(
            {
                "type": "group",
                "encode": {"enter": size},
                "signals": [*own, *plot.get("signals", [])],
                "title": titled(title, 15, 6),
                **inner,
            }
        )
    return {
        "padding": 18,
        "title": {**titled(heading[0], 19, 16), **subtitled(heading[1:])},
        "layout": {"padding": {"row": gap, "column": gap}, "columns": columns, "bounds": "full"},
        "marks": marks,
    }


def titled(words: str, size: int, offset: int = 8) -> Spec:
    """A title above a plot, at its left."""
    return {
        "text": words,
        "font": FONT,
        "fontSize": size,
        "fontWeight": "normal",
        "anchor": "start",
        "color": PAPER["ink"],
        "offset": offset,
    }


def subtitled(lines: Sequence[str]) -> Spec:
    """What follows a title, smaller."""
    if not lines:
        return {}
    return {
        "subtitle": list(lines),
        "subtitleFont": FONT,
        "subtitleFontSize": 13,
        "subtitleColor": PAPER["ink"],
        "subtitlePadding": 6,
    }


# Files


def converter() -> Any:
    """The package that holds the drawing library. Raises BadInput where it is not installed."""
    try:
        import vl_convert
    except ImportError:
        raise BadInput(
            f"pictures need the package vl-convert-python: {extras.install('report')}"
        ) from None
    return vl_convert


def form_of(path: Path) -> str:
    """The form that a file's ending names. Raises BadInput for another ending."""
    form = path.suffix.lower().removeprefix(".")
    if form not in FORMS:
        raise BadInput(f"{show_path(str(path))}: allowed endings .{' and .'.join(FORMS)}")
    return form


def file(found: Spec, form: str) -> bytes:
    """A specification with its data as a file, "png" or "svg", on white-ish paper."""
    whole = {**found, "background": PAPER["paper"]}
    if form == "svg":
        drawn: str = converter().vega_to_svg(whole)
        return drawn.encode()
    image: bytes = converter().vega_to_png(whole, scale=2.0)
    return image
