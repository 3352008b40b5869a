"""Honest thinning: every extreme, every gap, every dose."""

from __future__ import annotations

import copy
import json
import math
import re
from collections import Counter
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grown import Garden, make
from wakewell import drawing
from wakewell.budget import forecast
from wakewell.log import logs, series
from wakewell.report import pages, pictures, plots
from wakewell.shipped import CAFE

VALUES = st.lists(st.one_of(st.none(), st.integers(-1000, 1000)), min_size=1, max_size=400)


@settings(max_examples=150, deadline=None)
@given(VALUES, st.integers(1, 20))
def test_thinned_extremes_are_the_full_ones(values: list[int | None], buckets: int) -> None:
    rows: list[pictures.Row] = [(float(i), v) for i, v in enumerate(values)]
    few = pictures.thin(rows, buckets)
    full = [v for v in values if v is not None]
    kept = [v for _, v in few if v is not None]
    assert set(few) <= set(rows)
    assert [t for t, _ in few] == sorted(t for t, _ in few)
    if full:
        assert (min(kept), max(kept)) == (min(full), max(full))
        assert (kept[0], kept[-1]) == (full[0], full[-1])


@settings(max_examples=150, deadline=None)
@given(VALUES, st.integers(1, 20))
def test_every_gap_between_kept_values_stays(values: list[int | None], buckets: int) -> None:
    rows: list[pictures.Row] = [(float(i), v) for i, v in enumerate(values)]
    few = pictures.thin(rows, buckets)
    for (t0, v0), (t1, v1) in pairwise(few):
        if v0 is not None and v1 is not None:
            assert all(v is not None for v in values[int(t0) : int(t1) + 1])


def view_of(folder: Path, garden: Garden) -> pages.PotView:
    place = make(folder, garden)
    return pages.view(series.read("pot", place, sorted(place.glob("*.jsonl"))), "UTC")


def test_every_dose_is_drawn_and_a_gap_parts_the_line(tmp_path: Path) -> None:
    view = view_of(tmp_path, Garden(days=60, away=(20, 30)))
    by_key = {p.key: p for p in view.pictures}
    assert len(by_key["doses"].rows["doses"]) == len(view.log.doses)
    gap = by_key["soil"].rows["gaps"][0]
    inside = [r for r in by_key["soil"].rows["line"] if gap["t"] < r["t"] < gap["u"]]
    parted = [r for r in by_key["soil"].rows["line"] if r["v"] is None]
    assert not [r for r in inside if r["v"] is not None]
    assert parted
    assert "no record" in json.dumps(by_key["tank"].rows["gaps"])


def test_a_gap_is_hatched_and_the_hatching_ends_with_it(tmp_path: Path) -> None:
    """Its slanting lines are one thick dashed line, cut to the gap; bands are filled instead."""
    soil = drawn(view_of(tmp_path, Garden(days=60, away=(20, 30))))["soil"]
    image = plots.draw(soil, "svg", "pot", "").decode()
    cut = re.search(
        r'<g clip-path="url\(#(\w+)\)"><g class="mark-rule[^>]*><line [^>]*"1,6"', image
    )
    assert cut
    path = re.search(rf'<clipPath id="{cut[1]}"><rect [^>]*width="([0-9.]+)"', image)
    assert path
    made = plots.spec(soil, drawing.PAPER, data=True)
    signals = {signal["name"]: signal.get("value") for signal in made["signals"]}
    (gap,) = soil.rows["gaps"]
    share = (gap["u"] - gap["t"]) / (signals["hi"] - signals["lo"])
    assert float(path[1]) == pytest.approx(share * plots.WIDTH, rel=0.01)


def test_columns_come_back_as_rows(tmp_path: Path) -> None:
    view = view_of(tmp_path, Garden(days=30))
    for picture in view.pictures:
        for name, columns in pages.compact(picture.rows).items():
            heads, *values = columns
            rows = [dict(zip(heads, row, strict=True)) for row in zip(*values, strict=True)]
            sums = dict.fromkeys("tum", 0)
            for row in rows:
                for key in set("tum") & set(row):
                    sums[key] += row[key]
                    row[key] = sums[key] * 60000
            assert rows == picture.rows[name]


def test_a_disbelieved_reading_is_a_cross_and_no_value(tmp_path: Path) -> None:
    view = view_of(tmp_path, Garden(days=30, unplugged=(20, 30)))
    soil = view.pictures[0]
    assert len(soil.rows["bad"]) >= 9
    assert soil.rows["line"][-1]["v"] is None


def test_a_float_switch_is_not_told_in_litres() -> None:
    ((place, files),) = logs.find_logs(CAFE / "mint")
    view = pages.view(series.read("mint", place, files), "UTC")
    tank = dict(pages.facts(view))["Tank"]
    assert tank.startswith("the water is above the float switch, no forecast")
    assert "litres" not in " ".join((tank, *pages.tables(view)["tank"].heads))
    (picture,) = (p for p in view.pictures if p.key == "tank")
    assert "litres" not in picture.text + picture.unit
    drawn = plots.draw(picture, "svg", "pot", "").decode()
    words_ = re.findall(r"<text[^>]*>([^<]*)</text>", drawn)
    assert {"up", "down", "float switch"} <= set(words_)
    assert "0.2" not in words_, "no half of a switch"


def drawn(view: pages.PotView) -> dict[str, pictures.Picture]:
    return {picture.key: picture for picture in view.pictures}


def data_of(found: dict[str, Any]) -> dict[str, list[dict[str, Any]]]:
    """The rows that a specification carries."""
    return {one["name"]: one["values"] for one in found["data"]}


LONG = Garden(days=430, away=(200, 230), hose_off=100)
SHORT = Garden(days=90, away=(20, 30), leak_ml_day=(60, 12.0), seed=2)
UNDATED = Garden(days=50, clock=0, unplugged=(45, 50), seed=3)


@pytest.mark.parametrize("garden", [LONG, SHORT, UNDATED], ids=["long", "short", "undated"])
def test_each_pictures_figures_are_those_of_its_table(tmp_path: Path, garden: Garden) -> None:
    """What the specification draws, close up and week by week, against the table below it."""
    view = view_of(tmp_path, garden)
    tables, dated = pages.tables(view), view.calendar.dated
    for key, digits in (("soil", 1), ("tank", 2), ("battery", 3)):
        data = data_of(plots.spec(drawn(view)[key], drawing.PAPER, data=True))
        close: dict[str, list[float]] = {}
        for row in data["line"]:
            if row["v"] is not None:
                week = pages.week_text(pictures.week_of(row["t"] / 1000, dated), dated)
                close.setdefault(week, []).append(row["v"])
        weeks = {
            pages.week_text(pictures.week_of(row["t"] / 1000, dated), dated): (row["v"], row["h"])
            for row in data["weeks"]
        }
        told = {row[0]: tuple(map(float, row[1:4])) for row in tables[key].rows if row[1] != "–"}
        assert told
        half = 0.5 * 10**-digits + 1e-9
        for found in (
            {week: (min(v), max(v), v[-1]) for week, v in close.items()},
            {week: (*ends, told[week][2]) for week, ends in weeks.items()},
        ):
            assert found == {w: pytest.approx(values, abs=half) for w, values in told.items()}
    data = data_of(plots.spec(drawn(view)["doses"], drawing.PAPER, data=True))
    given = [
        (int(row[2]), 0 if row[3] == "no water seen" else int(row[3]))
        for row in tables["doses"].rows
    ]
    assert [(dose["p"], dose["v"]) for dose in reversed(data["doses"])] == given
    assert sum(week["v"] for week in data["weeks"]) == sum(ml for _, ml in given)
    assert sum(week["n"] for week in data["weeks"]) == sum(ml > 0 for _, ml in given)
    data = data_of(plots.spec(drawn(view)["events"], drawing.PAPER, data=True))
    bars = Counter(bar["k"] for bar in data["bars"])
    asked = sum(row[1].startswith("asked: ") for row in tables["events"].rows)
    assert bars["needs"] == asked
    assert bars["lockouts"] == len(series.lockout_spans(view.log))


def test_every_watering_of_years_is_in_a_weeks_bar(tmp_path: Path) -> None:
    """Far off, sums are drawn, so none hides behind another; close up, each has its stem."""
    view = view_of(tmp_path, LONG)
    doses = drawn(view)["doses"]
    drawing_ = drawing.converter().vega_to_svg(plots.spec(doses, drawing.PAPER, data=True))
    blue = drawing.PAPER["water"]
    bars = re.findall(rf'<path [^>]*d="M[^"]*h([0-9.]+)v[^"]*"[^>]*fill="{blue}"', drawing_)
    assert len(bars) == len(doses.rows["weeks"])
    assert min(map(float, bars)) > 1
    assert sum(week["n"] for week in doses.rows["weeks"]) == len(view.log.waterings)
    assert "each bar is the sum of a week" in plots.draw(doses, "svg", "pot", "").decode()
    few = drawn(view_of(tmp_path / "few", Garden(days=30)))["doses"]
    assert "each bar" not in plots.draw(few, "svg", "pot", "").decode()


def test_thresholds_are_drawn_as_long_as_they_were_in_force(tmp_path: Path) -> None:
    view = view_of(tmp_path, Garden(days=30))
    log = view.log
    (was,) = {wake.ids for wake in log.wakes}
    pot = log.pots[was]
    assert pot is not None
    later = copy.deepcopy(pot)
    later.settings.reserve_ml += 300
    later.settings.tank_warn_ml += 500
    later.settings.battery_mv += 50
    later.settings.battery_warn_mv += 100
    later.calibration.capacity_ppt += 20
    log.pots["other", *was[1:]] = later
    half = len(log.wakes) // 2
    for wake in log.wakes[half:]:
        wake.ids = ("other", *was[1:])
    none = forecast.Forecast("", why_not="none")
    made = {p.key: p for p in pictures.pictures(log, view.calendar, none, none)}
    changed = pictures.ms(log.wakes[half].wall_s)
    last = pictures.ms(log.wakes[-1].wall_s)
    for key, name, by in (
        ("tank", "stops", 0.3),
        ("tank", "asks", 0.5),
        ("battery", "stops", 0.05),
        ("battery", "asks", 0.1),
        ("soil", "bands", None),
    ):
        before, after = made[key].rows[name]
        assert (before["u"], after["t"], after["u"]) == (changed, changed, last)
        if by is not None:
            assert after["v"] - before["v"] == pytest.approx(by)
    assert made["soil"].rows["bands"][1]["h"] - made["soil"].rows["bands"][0]["h"] == 2.0


def test_an_axis_reaches_its_forecasts_middle_and_no_other_has_a_future(tmp_path: Path) -> None:
    view = view_of(tmp_path, Garden(days=90, drain=0.007))
    end = view.pictures[0].rows["span"][0]["u"]
    for picture in view.pictures:
        made = plots.spec(picture, drawing.PAPER, data=False)
        signals = {signal["name"]: signal.get("value") for signal in made["signals"]}
        if picture.rows.get("fan") and "over" not in picture.rows["span"][0]["w"]:
            assert signals["hi"] > picture.rows["fan"][-1]["m"] > end
            assert picture.rows["span"][0]["w"] == "forecast"
            assert ">forecast<" in plots.draw(picture, "svg", "pot", "").decode()
            assert all(row["u"] >= picture.reach for row in picture.rows["stops"][-1:])
        else:
            assert signals["hi"] - end < 2 * pictures.DAY_MS or picture.rows.get("fan")


@pytest.mark.parametrize(("low", "said"), [(0.0, "litres"), (3.4, "litres (axis from 3.4)")])
def test_an_axis_that_does_not_begin_at_zero_says_so(low: float, said: str) -> None:
    assert drawing.begins_at("litres", low) == said


def test_the_scale_begins_where_its_axis_says(tmp_path: Path) -> None:
    view = view_of(tmp_path, Garden(days=30))
    for key, picture in drawn(view).items():
        if key in ("doses", "events"):
            continue
        made = plots.spec(picture, drawing.PAPER, data=True)
        low = made["scales"][1]["domain"][0]
        title = made["axes"][1]["title"]
        assert title == picture.unit + (f" (axis from {low:g})" if low else "")
        assert made["scales"][1]["zero"] is False


def test_a_files_title_names_the_pot_and_the_year(tmp_path: Path) -> None:
    view = view_of(tmp_path, Garden(days=30))
    image = plots.draw(view.pictures[0], "svg", view.log.title, pages.span_of(view)).decode()
    assert f"{view.log.title}: water in the soil" in image
    assert "2026" in pages.span_of(view)
    assert pages.span_of(view) in image


def test_small_drawings_of_the_round_share_a_scale(tmp_path: Path) -> None:
    views = [view_of(tmp_path / str(i), Garden(days=30, seed=i)) for i in (1, 2)]
    page = pages.round_page(views, [])
    shown = [value for view in views for value in pages.strip_values(view)]
    low, high = math.floor(min(shown)), math.ceil(max(shown))
    assert f"all {low} to {high} %" in page
    # The same soil water is as high in both
    value = (low + high) / 2
    for view in views:
        view.pictures[0].rows["bands"][-1]["v"] = value
    assert {pages.strip(view, (low, high))["refill"] for view in views} == {14.0}
