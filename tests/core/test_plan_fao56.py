"""The dose planner's depletion terms against a published season (FAO-56, equations 82 and 83).

    TAW = 1000 (field capacity - wilting point) Zr        RAW = p TAW

Mapping: a column of soil of 0.01 m2, so that 1 mm of water is 10 ml, or 10,000 microlitres.
One part per thousand of a layer of d metres is then 10,000 d microlitres (for the deepest
root zone, 1.5 m, 15,000: inside the range of `ul_per_ppt`). Layers add up.

Source: the USDA's 2022 cotton season at Maricopa (public domain), daily output of one
program: parity, not truth. Columns Zr, TAW, p and RAW are printed to 0.001.
"""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import pytest

from wakecore import fields as core_fields
from wakecore import plan

FOLDER = Path(__file__).resolve().parents[3] / "shared" / "data" / "usda-cotton-2022"
pytestmark = pytest.mark.skipif(
    not FOLDER.is_dir(), reason=f"{FOLDER.name}: published season not beside the project"
)
UL_PER_MM = 10000
PRINTED = 0.0005  # half a unit of the last digit printed, of mm, of p
DEPTH_M = 0.001  # from 0.85 m on, the published TAW is that of a root zone one millimetre less
WATER = 136  # largest available water of any layer, mm of water in a metre of soil
PPT = 0.5  # the refill point is a whole number of parts per thousand


def layers() -> list[tuple[float, float, int, int]]:
    """(top m, bottom m, capacity ppt, wilting point ppt) of the published soil."""
    (path,) = FOLDER.glob("*.sol")
    rows = [text.split() for text in path.read_text().splitlines()]
    found, top = [], 0.0
    for row in rows:
        if len(row) == 4 and row[0].isdigit():
            bottom = int(row[0]) / 100
            found.append((top, bottom, round(1000 * float(row[1])), round(1000 * float(row[2]))))
            top = bottom
    return found


def days() -> list[dict[str, float]]:
    """Zr, TAW, p and RAW of every published day."""
    (path,) = FOLDER.glob("*.out")
    lines = path.read_text().splitlines()
    header = next(text for text in lines if text.startswith("Year-DOY")).split()
    at = {name: header.index(name) for name in ("Zr", "TAW", "p", "RAW")}
    table = [text.split() for text in lines if text.startswith("2022-")]
    return [{name: float(row[column]) for name, column in at.items()} for row in table]


def rooted(zr_m: float) -> list[tuple[int, int, int]]:
    """(capacity ppt, wilting ppt, microlitres for one ppt) of every layer down to the roots."""
    found = []
    for top, bottom, capacity, wilting in layers():
        depth_m = min(bottom, zr_m) - top
        if depth_m > 0:
            found.append((capacity, wilting, round(UL_PER_MM * depth_m)))
    return found


def test_the_season_is_whole() -> None:
    assert len(days()) == 194
    assert len(layers()) == 10


def test_total_available_water() -> None:
    """FAO-56, equation 82. Error allowed: one millimetre of depth, TAW as printed."""
    for day in days():
        taw_ul = sum(plan.water_ul(wp, fc, ul) for fc, wp, ul in rooted(day["Zr"]))
        most = DEPTH_M * WATER + PRINTED
        assert taw_ul / UL_PER_MM == pytest.approx(day["TAW"], abs=most)


def test_readily_available_water() -> None:
    """FAO-56, equation 83, by the refill point. Error allowed besides: p as printed and the
    refill point's rounding to a whole part per thousand in every layer."""
    for day in days():
        settings = SimpleNamespace(depletion_ppt=round(1000 * day["p"]))
        raw_ul = 0
        for fc, wp, ul in rooted(day["Zr"]):
            soil = SimpleNamespace(capacity_ppt=fc, wilting_ppt=wp)
            raw_ul += plan.water_ul(core_fields.refill_ppt(settings, soil), fc, ul)
        most = DEPTH_M * WATER + PRINTED + PRINTED * day["TAW"] + PPT * day["Zr"]
        assert raw_ul / UL_PER_MM == pytest.approx(day["RAW"], abs=most)


def test_a_soil_at_its_target_gets_nothing() -> None:
    assert plan.water_ul(380, 380, 1000) == 0
    assert plan.water_ul(400, 380, 1000) == 0
    assert plan.water_ul(379, 380, 1000) == 1000
