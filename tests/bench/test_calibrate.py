"""Fitting tables to points: against NIST's certified line, and for what a bench can do wrong."""

from __future__ import annotations

import itertools
import math
import random
import re
import shutil
import subprocess
import sys
from importlib import resources
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat  # type: ignore[import-untyped]

from wakecore.table import MOST_POINTS, convert
from wakewell.bench import calibrate, calibration_picture, fits
from wakewell.cli import main
from wakewell.errors import BadInput
from wakewell.kept import today
from wakewell.pot import pot_folder
from wakewell.pot.bench_book import Book, Point
from wakewell.shipped import CAFE

NUMBER = re.compile(r"[-−]?[0-9,]+(\.[0-9]+)?")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    target = tmp_path / "basil"
    shutil.copytree(CAFE / "basil", target, ignore=shutil.ignore_patterns("logs"))
    return target


def record(folder: Path, probe: str, rows: list[tuple[int, float, float]], kind: str = "") -> None:
    book = Book(folder)
    for counts, value, u in rows:
        book.add("point", probe=probe, counts=counts, value=value, u=u, spread=4000, kind=kind)


def test_the_line_is_nists() -> None:
    """NIST StRD, Norris (ozone monitors), certified values; the file ships with scipy's tests."""
    file = resources.files("scipy.stats.tests").joinpath("data/nist_linregress/Norris.dat")
    if not file.is_file():
        pytest.skip("this scipy was installed without its tests, which carry NIST's data")
    rows = [
        [float(w) for w in text.split()]
        for text in file.read_text().splitlines()[60:]
        if text.strip()
    ]
    line = fits.line_fit([x for _, x in rows], [y for y, _ in rows])
    assert len(rows) == 36
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert line(0.0) == pytest.approx(-0.262323073774029, rel=1e-10)
    assert line.sd == pytest.approx(0.884796396144373, rel=1e-12)
    assert line.u_slope == pytest.approx(0.429796848199937e-03, rel=1e-12)
    # The intercept's, propagated by the uncertainties library from mean and slope.
    at_zero = ufloat(line.at, line.u_at) - line.from_counts * ufloat(line.slope, line.u_slope)
    assert at_zero.s == pytest.approx(0.232818234301152, rel=1e-9)


def test_a_probes_curve_is_found_again() -> None:
    """Points off the curve that basil's probe is invented with, with known scatter."""
    draw = random.Random(3)
    true = ((1150000, 520), (1480000, 400), (1800000, 270), (2100000, 130), (2300000, 40))
    points = [
        Point(counts, convert(true, counts) + draw.gauss(0, 3), 4.0, 4000)
        for counts in range(1_150_000, 2_300_001, 115_000)
    ]
    found = fits.fit("soil", points, straight=False)
    assert found.kind == "curve"
    worst = max(
        abs(convert(found.table, c) - convert(true, c)) for c in range(1_150_000, 2_300_000, 5000)
    )
    assert worst <= found.expanded + 2
    assert 4 <= found.u <= 15


@given(
    st.lists(
        st.tuples(st.integers(50_000, 3_000_000), st.integers(0, 1000)),
        min_size=2, max_size=12, unique_by=lambda pair: pair[0],
    ),
    st.booleans(),
)  # fmt: skip
def test_whatever_is_fitted_the_core_can_hold(pairs: list[tuple[int, int]], rising: bool) -> None:
    pairs.sort()
    values = sorted((value for _, value in pairs), reverse=not rising)
    points = [Point(c, v, 2.0, 100) for (c, _), v in zip(pairs, values, strict=True)]
    try:
        found = fits.fit("soil", points, straight=False)
    except BadInput:
        return
    assert 2 <= len(found.table) <= MOST_POINTS
    steps = list(itertools.pairwise(found.table))
    assert all(a[0] < b[0] for a, b in steps)
    assert len({math.copysign(1, b[1] - a[1]) for a, b in steps}) == 1
    assert all(a[1] != b[1] for a, b in steps)
    for counts in range(found.table[0][0], found.table[-1][0], 20_000):
        off = abs(convert(found.table, counts) - found.curve(counts))
        assert off <= found.table_error + 1 or len(found.table) == MOST_POINTS


def test_two_points_do_but_are_trusted_less() -> None:
    two = [Point(1_400_000, 430, 10), Point(2_000_000, 180, 10)]
    three = [*two, Point(1_700_000, 300, 10)]
    wide, narrow = fits.fit("soil", two, False), fits.fit("soil", three, False)
    assert wide.kind == "two points"
    assert wide.u > 1.4 * narrow.u
    straight = fits.fit("battery", [Point(1_400_000, 2800, 10), Point(2_150_000, 4300, 10)], True)
    assert straight.u < 15  # a divider is straight, so nothing is added


@pytest.mark.parametrize(
    ("points", "straight", "why"),
    [
        ([], False, "no points recorded"),
        ([Point(1_000_000, 300, 5)], False, r"1 point at 300 ppt: no fit; measure another"),
        (
            [Point(1_000_000, 300, 20), Point(1_900_000, 380, 20)],
            False,
            "the points span 80 ppt .* measure one more well beyond 380 ppt or below 300 ppt",
        ),
        (
            [Point(1_000_000, 300, 1, 4000), Point(1_010_000, 500, 1, 4000)],
            False,
            "10000 counts.*too little to fit a line",
        ),
        (
            [Point(1_000_000, 500, 3), Point(1_400_000, 200, 3), Point(1_800_000, 350, 3),
             Point(2_200_000, 50, 3)],
            False,
            "values must only rise or only fall.*measure this point again",
        ),
        (
            [Point(1_400_000, 2800, 5), Point(1_600_000, 3200, 5), Point(1_800_000, 3900, 5),
             Point(2_000_000, 4000, 5), Point(2_100_000, 4200, 5)],
            True,
            "off the line.*measure this point again",
        ),
    ],
)  # fmt: skip
def test_what_supports_no_fit_is_refused_with_what_to_do(
    points: list[Point], straight: bool, why: str
) -> None:
    with pytest.raises(BadInput, match=why) as caught:
        fits.fit("soil", points, straight, "ppt")
    assert "\n" not in str(caught.value)


def test_a_pots_files_are_written_with_comments_and_copies(folder: Path, capsys: Any) -> None:
    before = (folder / "calibration.toml").read_text()
    record(folder, "soil", [(1_300_000, 445, 25)], "capacity")
    record(folder, "soil", [(1_700_000, 310, 25)])
    record(folder, "soil", [(1_950_000, 215, 25)], "refill")
    record(folder, "level", [(410_000, 0, 5), (1_215_000, 2000, 20), (2_010_000, 4000, 40)])
    record(folder, "battery", [(1_500_000, 3000, 5), (1_950_000, 3905, 5), (2_100_000, 4200, 5)])
    book = Book(folder)
    for ran_ms, ml in ((4000, 88.0), (4000, 91.0), (4000, 86.5)):
        book.add("flow", ran_ms=ran_ms, ml=ml)
    assert main(["calibrate", str(folder)]) == 0
    out = capsys.readouterr().out
    text = (folder / "calibration.toml").read_text()
    assert "# capacitive probe: the wetter, the lower" in text
    assert "# usual flow, measured into a cup" in text
    assert "flow_ul_s = 22125" in text
    kept = list((folder / "kept").glob("calibration-*.toml"))
    assert [path.read_text() for path in kept] == [before]
    found = pot_folder.load(folder)
    assert not found.problems
    assert found.calibration["capacity_ppt"] == 445
    # Basil's substrate is 3500 ml: one part per thousand of it is 3500 microlitres.
    assert found.calibration["ul_per_ppt"] == 3500
    assert found.settings["depletion_ppt"] == round(1000 * (445 - 215) / (445 - 110))
    assert found.limits["flow_max_ul_s"] >= 22750
    # Doses aim below capacity by what is not known of the soil.
    assert found.settings["fill_ppt"] < 930
    assert "smaller doses" in out
    assert (folder / "calibration.svg").stat().st_size > 10_000
    # The flow's uncertainty is that of a mean of three: t(0.975, 2) s / sqrt(3), JCGM 100, G.3.
    s = 1000 * math.sqrt(((22 - 22.125) ** 2 + (22.75 - 22.125) ** 2 + (21.625 - 22.125) ** 2) / 2)
    assert f"{4.30 * s / math.sqrt(3) / 1000:.2g} ml/s" in out


def test_another_point_is_asked_for_in_the_widest_gap() -> None:
    def told(*values: float) -> str:
        return fits.gap_advice([Point(0, value) for value in values], "ml")

    assert told(3000, 0, 1000) == "between 1000 and 3000 ml"
    assert told(3000, 1000) == "well beyond 3000 ml or below 1000 ml"


def test_of_two_points_in_the_wrong_order_the_surer_one_counts() -> None:
    """The weighted mean of 100 +- 1 and 96 +- 10: (100 + 0.96) / 1.01."""
    points = [Point(0, 0, 1), Point(100, 100, 1), Point(200, 96, 10), Point(300, 200, 1)]
    _, knots = fits.monotone("level", points, True, "ml")
    assert [knot.value for knot in knots] == pytest.approx([0, 100.96 / 1.01, 200])


@pytest.mark.parametrize(
    ("refill", "depletion"),
    # Capacity 420 and wilting 110: 310 ppt of available water
    [(172.0, 800), (125.5, 950), (125.2, None), (404.5, 50), (405.0, None)],
)
def test_a_refill_point_found_by_weighing_is_a_depletion(
    folder: Path, refill: float, depletion: int | None
) -> None:
    record(folder, "soil", [(1_300_000, 420, 10)], "capacity")
    record(folder, "soil", [(2_000_000, refill, 10)], "refill")
    made = calibrate.Calibration(folder, Book(folder))
    calibrate.put_water(made, pot_folder.load(folder), made.book)
    assert made.changes.get("settings", {}).get("depletion_ppt", None) == depletion


@pytest.mark.parametrize(
    ("expanded", "fill_ppt"),
    # Basil's own is 930: 420 less 50 are 880 parts per thousand of 420; never below half
    [(20.0, None), (50.0, 880), (300.0, 500)],
)
def test_a_dose_stays_below_capacity_by_what_is_not_known(
    folder: Path, expanded: float, fill_ppt: int | None
) -> None:
    record(folder, "soil", [(1_300_000, 420, 10)], "capacity")
    made = calibrate.Calibration(folder, Book(folder))
    made.fits["soil"] = SimpleNamespace(expanded=expanded)
    calibrate.put_water(made, pot_folder.load(folder), made.book)
    assert made.changes.get("settings", {}).get("fill_ppt") == fill_ppt


def test_rails_lie_a_quarter_of_the_table_outside_it(folder: Path) -> None:
    """ESP32 series datasheet: the converter reads true from 150 to 2450 mV; 50 mV beyond that."""
    pot = pot_folder.load(folder)
    table = [(1_000_000, 500), (1_400_000, 100)]
    assert calibrate.rails(pot, "soil", table, None) == [900_000, 1_500_000]
    assert calibrate.rails(pot, "soil", table, [400_000, 2_440_000]) == [400_000, 2_440_000]
    for old in ([1_000_000, 2_440_000], [400_000, 1_400_000]):
        assert calibrate.rails(pot, "soil", table, old) == [900_000, 1_500_000]
    wide = [(160_000, 500), (2_440_000, 100)]
    assert calibrate.rails(pot, "soil", wide, None) == [100_000, 2_500_000]


def test_a_table_has_no_inner_point_that_repeats_a_value() -> None:
    rising = [(0, 0), (1, 1), (2, 1), (3, 2), (4, 3), (5, 3)]
    assert fits.strictly(rising) == [(0, 0), (1, 1), (3, 2), (5, 3)]
    assert fits.strictly([(0, 0), (1, 1), (2, 2)]) == [(0, 0), (1, 1), (2, 2)]
    falling = [(counts, -value) for counts, value in rising]
    assert fits.strictly(falling) == [(counts, -value) for counts, value in fits.strictly(rising)]


def test_a_dry_run_writes_nothing(folder: Path) -> None:
    record(folder, "level", [(410_000, 0, 5), (2_010_000, 4000, 40)])
    before = {p.name: p.read_bytes() for p in folder.iterdir() if p.is_file()}
    assert main(["calibrate", str(folder), "--dry-run"]) == 0
    assert {p.name: p.read_bytes() for p in folder.iterdir() if p.is_file()} == before


def test_one_bad_probe_does_not_hold_up_the_others(folder: Path, capsys: Any) -> None:
    record(folder, "level", [(410_000, 0, 5), (2_010_000, 4000, 40)])
    record(folder, "soil", [(1_500_000, 300, 10)])
    assert main(["calibrate", str(folder)]) == 1
    assert "NOT fitted: soil: 1 point" in capsys.readouterr().out
    assert pot_folder.load(folder).calibration["level"]["points"][-1][1] == 4000


def test_what_would_break_the_folder_is_not_written(folder: Path, capsys: Any) -> None:
    """A level table that ends below the reserve leaves no reserve to see."""
    before = (folder / "calibration.toml").read_bytes()
    record(folder, "level", [(410_000, 0, 1), (480_000, 150, 1)])
    assert main(["calibrate", str(folder)]) == 2
    assert "nothing was written" in capsys.readouterr().err
    assert (folder / "calibration.toml").read_bytes() == before


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("point = 3\n", "allowed tables"),
        ('[[point]]\nprobe = "soil"\ncounts = 1.5\nvalue = 3\n', "counts = 1.5: allowed a whole"),
        ('[[point]]\nprobe = "soil"\ncounts = 1\nvalue = nan\n', "value = nan: allowed a number"),
        ("[[flow]]\nran_ms = 0\nml = 3\n", "flow 1: allowed ran_ms and ml above 0"),
        ("[[point\n", "cannot be read"),
    ],
)
def test_a_book_that_was_edited_wrongly_is_told(
    folder: Path, capsys: Any, text: str, why: str
) -> None:
    (folder / "commissioning.toml").write_text(text)
    assert main(["calibrate", str(folder)]) == 2
    err = capsys.readouterr().err
    assert why in err
    assert err.count("\n") == 1


def test_bench_points_serve_until_there_are_others(folder: Path) -> None:
    record(folder, "soil", [(2_400_000, 0, 20), (1_000_000, 800, 100)], "bench")
    made = calibrate.calibrate(folder, Book(folder))
    assert made.fits["soil"].kind == "two points"
    assert any("provisional" in text for text in made.lines)
    record(folder, "soil", [(1_300_000, 450, 10), (2_000_000, 200, 10)])
    made = calibrate.calibrate(folder, Book(folder))
    assert made.fits["soil"].span == (200, 450)


@pytest.mark.parametrize("command", ["calibrate", "commission"])
def test_without_the_extra_help_comes_and_one_line_says_what_to_install(
    command: str, folder: Path
) -> None:
    """In a process of its own: here the libraries are loaded already."""
    hide = "import sys; sys.modules.update(numpy=None, scipy=None, vl_convert=None); "
    start = hide + "from wakewell.cli import main; sys.exit(main(sys.argv[1:]))"

    def told(*words: str) -> subprocess.CompletedProcess[str]:
        run = [sys.executable, "-c", start, command, *words]
        return subprocess.run(run, capture_output=True, text=True, stdin=subprocess.DEVNULL)

    assert told("--help").returncode == 0
    done = told(str(folder))
    assert done.returncode == 2
    assert "pip install 'wakewell[calibrate]'" in done.stderr
    assert len(done.stderr.splitlines()) == 1


def test_a_fit_is_checked_only_by_points_that_it_does_not_go_through() -> None:
    """An interpolation has no residuals; what it misses of a point left out is what tells."""
    points = [
        Point(c, v, 5.0, 10) for c, v in ((0, 0.0), (1000, 110.0), (2000, 180.0), (3000, 300))
    ]
    found = fits.fit("level", points, straight=False, unit="ml")
    assert found.kind == fits.CURVE
    assert [counts for counts, _ in found.misses] == [1000, 2000]
    assert max(abs(miss) for _, miss in found.misses) == pytest.approx(found.left_out)
    assert found.left_out > 5
    assert calibrate.proof(found, "ml") == (
        f"without any one point the curve is off there by {found.left_out:.3g} ml at most"
    )
    straight = fits.fit("battery", points[:2], straight=True, unit="mV")
    assert straight.misses == []
    assert "nothing checks them" in calibrate.proof(straight, "mV")
    # Four points that no more than rounding keeps off a line
    exact = [Point(c, 0.1 * c, 5.0, 10) for c in (0, 1000, 2000, 3100)]
    line = fits.fit("battery", exact, straight=True, unit="mV")
    assert calibrate.proof(line, "mV") == "largest residual 0 V"


@pytest.mark.parametrize(
    ("probe", "value", "told"),
    [
        ("battery", 4194, "4.194 V"),
        ("soil", 691, "69.1 %"),
        ("level", 12_345, "12345 ml"),
        ("temperature", -20_000, "-20 °C"),
        ("charger", 1, "1"),
    ],
)
def test_what_a_point_stands_for_is_told_in_the_unit_that_people_read(
    probe: str, value: float, told: str
) -> None:
    assert calibrate.told(value, probe) == told


def test_the_picture_has_units_and_no_rounding_for_a_residual(folder: Path) -> None:
    record(folder, "soil", [(1_300_000, 445, 5), (1_700_000, 310, 5), (1_950_000, 215, 5)])
    record(folder, "level", [(410_000, 0, 5), (2_010_000, 4000, 40)])
    record(folder, "battery", [(1_500_000, 3000, 5), (1_950_000, 3900, 5), (2_100_000, 4200, 5)])
    made = calibrate.calibrate(folder, Book(folder))
    path = folder / "a.svg"
    calibrate.picture(made, path)
    words = re.findall(r"<text[^>]*>([^<]+)</text>", path.read_text(encoding="utf-8"))
    assert f"basil: calibration, {today().isoformat()}" in words
    assert {"% by volume", "ml", "V"} <= {word.partition(" (axis")[0] for word in words}
    assert "soil: each point against the curve without it" in words
    assert "level: two points, nothing is left to check them by" in words
    assert not [word for word in words if re.search(r"e-\d|e−\d", word)]
    numbers = [float(w.replace("−", "-").replace(",", "")) for w in words if NUMBER.fullmatch(w)]
    assert all(abs(n) >= 1e-6 or n == 0 for n in numbers)
    # The points of the picture are those of the book, in the pages' units
    plot = calibration_picture.fitted("soil", made.fits["soil"])
    (drawn,) = [one["values"] for one in plot["data"] if one["name"] == "points"]
    assert [(p["t"], p["v"]) for p in drawn] == [
        (pytest.approx(c / 1e6), pytest.approx(v / 10))
        for c, v in ((1_300_000, 445), (1_700_000, 310), (1_950_000, 215))
    ]
    (table,) = [one["values"] for one in plot["data"] if one["name"] == "table"]
    stored = made.changes["calibration"]["soil"]["points"]
    assert [[row["t"], row["v"]] for row in table] == [
        [pytest.approx(c / 1e6), pytest.approx(v / 10)] for c, v in stored
    ]


def test_a_pictures_ending_is_refused_before_anything_is_written(folder: Path, capsys: Any) -> None:
    record(folder, "battery", [(1_500_000, 3000, 5), (1_950_000, 3900, 5), (2_100_000, 4200, 5)])
    before = (folder / "calibration.toml").read_text()
    assert main(["calibrate", str(folder), "--picture", "a.bmp"]) == 2
    assert "a.bmp: allowed endings .png and .svg" in capsys.readouterr().err
    assert (folder / "calibration.toml").read_text() == before
