"""Honest thinning: every extreme, every gap, every dose."""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path

from grown import Garden, make
from hypothesis import given, settings
from hypothesis import strategies as st

from wakewell.log import logs, series
from wakewell.replay.replaying import DEMO
from wakewell.report import pages, pictures

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
    ((place, files),) = logs.find_logs(DEMO / "mint")
    view = pages.view(series.read("mint", place, files), "UTC")
    tank = dict(pages.facts(view))["Tank"]
    assert tank.startswith("the water is above the float switch, no forecast")
    assert "litres" not in " ".join((tank, *pages.tables(view)["tank"].heads))
    (picture,) = (p for p in view.pictures if p.key == "tank")
    assert "litres" not in picture.text + picture.unit
