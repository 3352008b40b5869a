"""The daily balance against the published 2022 season, against measurement, and by hand."""

import itertools
import math

import cotton_season as published
import pytest

from lacking import NO_LIBRARY
from wakewell.rig.errors import Impossible
from wakewell.rig.fao56 import (
    CropCourse,
    DayIn,
    DayOut,
    Ground,
    Layer,
    depletion_fraction,
    season,
    stress,
)

needs_season = pytest.mark.skipif(not published.FOLDER.is_dir(), reason=published.MISSING)


def rmse(errors: list[float]) -> float:
    return math.sqrt(sum(e * e for e in errors) / len(errors))


def run(ground: Ground) -> list[DayOut]:
    return season(published.crop(), ground, published.days(), published.WIND_HEIGHT_M)


def column(name: str) -> list[float]:
    (path,) = published.FOLDER.glob("*.out")
    header = next(r for r in path.read_text().splitlines() if r.startswith("Year-DOY")).split()
    return [float(row[header.index(name)]) for row in published.rows(".out")]


@needs_season
def test_layered_depletion_equals_the_published_run() -> None:
    """Source: published daily output, root-zone depletion (Dr); printed to 0.001 mm.

    The project's target is 0.5 mm; parity is far closer, so the test holds the run to a hundredth.
    """
    ours, theirs = run(published.layered()), column("Dr")
    assert len(ours) == len(theirs) == 194
    error = rmse([a.depletion_mm - b for a, b in zip(ours, theirs, strict=True)])
    print(f"layered soil: RMSE of depletion {error:.4f} mm")
    assert error <= 0.01


@needs_season
@pytest.mark.parametrize(
    ("name", "field", "tolerance"),
    [
        ("TAW", "taw_mm", 0.15),  # their roots grow by whole millimetres, ours continuously
        ("RAW", "raw_mm", 0.12),
        ("Kcb", "kcb", 0.001),
        ("Ke", "ke", 0.001),
        ("Ks", "ks", 0.001),
        ("p", "p", 0.001),
        ("E", "evaporation_mm", 0.001),
        ("T", "transpiration_mm", 0.001),
        ("DP", "percolation_mm", 0.001),
        ("Zr", "root_m", 0.001),
    ],
)
def test_every_term_equals_the_published_run(name: str, field: str, tolerance: float) -> None:
    """Source: the same output, so that the depletion is right for the right reasons."""
    for ours, theirs in zip(run(published.layered()), column(name), strict=True):
        assert getattr(ours, field) == pytest.approx(theirs, abs=tolerance)


@needs_season
def test_one_layer_stays_within_two_millimetres() -> None:
    """Source: the same output; one uniform soil is a coarser picture of the same field."""
    error = rmse(
        [a.depletion_mm - b for a, b in zip(run(published.single()), column("Dr"), strict=True)]
    )
    print(f"one layer: RMSE of depletion {error:.2f} mm")
    assert error <= 2.0


@needs_season
def test_change_between_visits_against_neutron_probe() -> None:
    """Source: weekly neutron-probe readings of the same plot (.sws).

    Depletion itself is no fair target (most readings lie above the stated field capacity), the
    change from visit to visit with full-grown roots is. "No change" scores 20.0 mm, the published
    run 11.0 mm.
    """
    depletion = [day.depletion_mm for day in run(published.layered())]
    first_day = 111
    visits = [
        (int(row[0][5:]) - first_day, float(row[23]))
        for row in published.rows(".sws")
        if float(row[22]) == 1.5
    ]
    changes = [
        (depletion[b] - depletion[a], measured_b - measured_a)
        for (a, measured_a), (b, measured_b) in itertools.pairwise(visits)
    ]
    error = rmse([simulated - measured for simulated, measured in changes])
    nothing = rmse([measured for _, measured in changes])
    print(f"{len(visits)} visits: RMSE of change {error:.1f} mm, of no change {nothing:.1f} mm")
    assert error <= 12.0 < nothing


@needs_season
def test_first_visits_against_neutron_probe() -> None:
    """Source: the same readings; over the first eight the published run scores 10.1 mm."""
    depletion = [day.depletion_mm for day in run(published.layered())]
    visits = published.rows(".sws")[:8]
    error = rmse([depletion[int(r[0][5:]) - 111] - float(r[23]) for r in visits])
    assert error == pytest.approx(10.1, abs=0.05)


@needs_season
def test_equal_to_a_reference_library_on_the_same_input() -> None:
    """Source: the FAO-56 reference library pyfao56 (USDA), run here on the same files."""
    reference = pytest.importorskip("pyfao56", reason=NO_LIBRARY)
    (par,) = published.FOLDER.glob("*.par")
    crop = reference.Parameters()
    crop.loadfile(str(par))
    (wth,) = published.FOLDER.glob("*.wth")
    (irr,) = published.FOLDER.glob("*.irr")
    (sol,) = published.FOLDER.glob("*.sol")
    model = reference.Model(
        "2022-111",
        "2022-304",
        crop,
        reference.Weather(str(wth)),
        reference.Irrigation(str(irr)),
        sol=reference.SoilProfile(str(sol)),
    )
    model.run()
    theirs = [float(v) for v in model.odata["Dr"]]
    ours = [day.depletion_mm for day in run(published.layered())]
    assert ours == pytest.approx(theirs, abs=1e-3)


def test_stress_by_hand() -> None:
    """FAO-56 equations 82 to 84 with TAW 150 mm and p 0.5, worked by hand."""
    assert stress(75.0, 150.0, 0.5) == 1.0
    assert stress(112.5, 150.0, 0.5) == 0.5
    assert stress(150.0, 150.0, 0.5) == 0.0
    assert stress(-5.0, 150.0, 0.5) == 1.0


def test_depletion_fraction_by_hand() -> None:
    """FAO-56 table 22, footnote: p = p_table + 0.04 (5 - ETc), kept within 0.1 and 0.8."""
    assert depletion_fraction(0.55, 5.0) == 0.55
    assert depletion_fraction(0.55, 3.0) == pytest.approx(0.63)
    assert depletion_fraction(0.3, 20.0) == 0.1
    assert depletion_fraction(0.7, 0.0) == 0.8


CROP = CropCourse(0.15, 1.1, 0.5, (20, 30, 40, 20), 0.05, 1.0, 0.2, 1.0, 0.5)
SOIL = Ground((Layer(1.5, 0.25, 0.12, 0.2),), 0.1, 8.0)


def test_water_is_neither_made_nor_lost() -> None:
    """Balance over days in which neither bound of the depletion is touched (equation 85).

    The bare surface of a dry spell evaporates from a thin layer that the equations book against
    the root zone as well, so the sum closes exactly only while the depletion stays below TAW.
    """
    days = [DayIn(4.0, 2.0, 45.0, 0.0, 12.0 if n % 4 == 0 else 0.0, 1.0) for n in range(100)]
    results = season(CROP, SOIL, days)
    start = 1000.0 * (0.25 - 0.2) * 0.2
    used = sum(d.evaporation_mm + d.transpiration_mm + d.percolation_mm for d in results)
    water = sum(d.irrigation_mm for d in days)
    assert results[-1].depletion_mm - start == pytest.approx(used - water, abs=1e-9)


@pytest.mark.parametrize(
    ("make", "key"),
    [
        (lambda: CropCourse(0.15, 0.1, 0.5, (1, 1, 1, 1), 0.05, 1.0, 0.2, 1.0, 0.5), "kcb_mid"),
        (lambda: CropCourse(0.15, 1.1, 0.5, (1, 0, 1, 1), 0.05, 1.0, 0.2, 1.0, 0.5), "stages_d"),
        (
            lambda: CropCourse(0.15, 1.1, math.nan, (1, 1, 1, 1), 0.05, 1.0, 0.2, 1.0, 0.5),
            "kcb_end",
        ),
        (lambda: Ground((Layer(1.0, 0.2, 0.3, 0.1),), 0.1, 8.0), "wilting_point"),
        (lambda: Ground((), 0.1, 8.0), "layers"),
        (lambda: season(CROP, Ground((Layer(0.5, 0.25, 0.12, 0.2),), 0.1, 8.0), []), "root_max_m"),
        (lambda: season(CROP, Ground((Layer(1.5, 0.25, 0.12, 0.2),), 0.1, 90.0), []), "rew_mm"),
    ],
)
def test_impossible_soils_and_crops_are_refused(make, key: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(Impossible) as refusal:
        make()
    assert refusal.value.key == key
    assert "allowed is" in str(refusal.value)


def test_a_result_that_is_no_number_stops_the_season() -> None:
    with pytest.raises(ValueError, match="day 1"):
        season(CROP, SOIL, [DayIn(4.0, 2.0, 45.0), DayIn(math.nan, 2.0, 45.0)])
