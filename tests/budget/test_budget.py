"""The budget: its arithmetic against the GUM, its physics against the rig, its words as read."""

import atexit
import json
import math
import random
import shutil
import subprocess
import sys
import tempfile
from dataclasses import fields as rows_of
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from itertools import product
from pathlib import Path

import pytest
from freezegun import freeze_time
from hypothesis import given, settings
from hypothesis import strategies as st

import wakewell
from lacking import NO_LIBRARY
from wakecore import fields
from wakewell import cli
from wakewell.budget import course, doubt, inputs, sizing, told
from wakewell.budget.doubt import about, doubtful, nominal, standard
from wakewell.commands.budget import date_of
from wakewell.errors import BadInput
from wakewell.pot import agree, chips, description, pot_folder
from wakewell.rig import battery

# The café's pots without their logs: what pot.toml says is counted here (test_budget_log.py has
# the rest).
CAFE = Path(tempfile.mkdtemp(prefix="wakewell-cafe-"))
shutil.copytree(
    Path(wakewell.__file__).parent / "data" / "cafe",
    CAFE,
    ignore=shutil.ignore_patterns("logs"),
    dirs_exist_ok=True,
)
atexit.register(shutil.rmtree, CAFE, ignore_errors=True)
NAMES = ("basil", "citrus", "fern", "mint", "strawberry", "tomato")
MAY = date(2026, 5, 1)


@pytest.fixture
def basil(tmp_path):
    """A copy of a folder that is good."""
    return Path(shutil.copytree(CAFE / "basil", tmp_path / "basil"))


def of(folder, today=MAY):
    """The inputs of a folder."""
    return inputs.gather(inputs.open_folder(str(folder)), today)


BASIL = of(CAFE / "basil")


def put(folder, file, old, new):
    """Replace text that must be there once."""
    path = folder / file
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1
    path.write_text(text.replace(old, new), encoding="utf-8")


def told_by(capsys, *words, code=0):
    """What the command prints."""
    assert cli.main(["budget", *map(str, words)]) == code
    return capsys.readouterr().out


# The arithmetic of doubt


def test_a_quotient_by_hand():
    # JCGM 100:2008 (GUM), 5.1.6: of products and quotients the relative variances add up
    capacity, current = about(2000.0, 0.05, "capacity"), about(0.5, 0.12, "current")
    hours = capacity / current
    assert nominal(hours) == 4000.0
    assert standard(hours) == pytest.approx(4000.0 * math.sqrt(0.05**2 + 0.12**2))
    shares = dict(doubt.contributors(hours))
    assert list(shares) == ["current", "capacity"]
    assert shares["current"] == pytest.approx(0.12**2 / (0.12**2 + 0.05**2))


def test_one_doubt_in_two_places_is_one_doubt():
    # GUM 5.2: inputs that are the same quantity are fully correlated
    weather = about(1.0, 0.1, "weather")
    assert standard(3.0 * weather + 4.0 * weather) == pytest.approx(0.7)
    assert doubt.contributors(3.0 * weather + 4.0 * weather) == [("weather", pytest.approx(1.0))]


def single(found):
    """The doubtful inputs that are independent variables, by field name."""
    return {
        row.name: getattr(found, row.name)
        for row in rows_of(found)
        if standard(getattr(found, row.name)) > 0.0
    }


@pytest.mark.parametrize("lasts", [course.tank_life, course.cell_life])
@pytest.mark.parametrize("pot", ["basil", "citrus"])
def test_a_life_by_the_numerical_way_of_the_gum(lasts, pot):
    # GUM 5.1.3, note 2: c_i u_i is half the difference of the results at x_i + u_i and x_i - u_i
    found = of(CAFE / pot)
    plain = replace(found, **{name: nominal(x) for name, x in single(found).items()})
    squares = 0.0
    for name, x in single(found).items():
        little = 0.001 * standard(x)  # the law is of first order, and a month's end is a corner
        up, down = (
            nominal(lasts(replace(plain, **{name: nominal(x) + step})).days)
            for step in (little, -little)
        )
        squares += (500.0 * (up - down)) ** 2
    life = lasts(found)
    assert nominal(life.days) == pytest.approx(nominal(lasts(plain).days))
    assert standard(life.days) == pytest.approx(math.sqrt(squares), rel=1e-3)
    assert sum(share for _, share in doubt.contributors(life.days)) == pytest.approx(1.0)


def test_the_interval_holds_in_about_95_of_100_cases():
    # Propagation of distributions, as JCGM 101:2008 does it, for a lopsided quotient
    rng = random.Random(1)
    low, high = doubt.interval(about(100.0, 0.05, "a") / about(2.0, 0.2, "b"))
    draws = [rng.gauss(100.0, 5.0) / rng.gauss(2.0, 0.4) for _ in range(20000)]
    held = sum(low <= draw <= high for draw in draws) / len(draws)
    assert 0.93 <= held <= 0.97


def test_an_interval_never_falls_below_nothing():
    low, high = doubt.interval(doubtful(5.0, 50.0, "x"))
    assert 0.0 <= low < 5.0 < high
    assert doubt.interval(doubtful(-1.0, 1.0, "x")) == (0.0, 0.0)


def test_chance_is_the_normal_distributions():
    # Tables of the normal distribution: 97.72 % lie above -2 standard deviations
    assert doubt.chance(doubtful(2.0, 1.0, "x")) == pytest.approx(0.97725, abs=1e-5)
    assert doubt.chance(doubtful(-2.0, 1.0, "x")) == pytest.approx(0.02275, abs=1e-5)
    assert doubt.chance(1.0) == 1.0


# The course of an amount


def steps(amount, fall, start, days, per_day=200):
    """The same law in small steps."""
    for day in range(days):
        month = (start + timedelta(days=day)).month - 1
        for _ in range(per_day):
            amount -= (fall.drain(month) + fall.decay * amount) / per_day
    return amount


@pytest.mark.parametrize("start", [date(2027, 12, 20), date(2028, 2, 10)])
def test_the_course_against_small_steps(start):
    fall = course.Decline(lambda month: 1.0 + 0.2 * month, lambda month: 0.0, 0.01)
    assert course.left(400.0, fall, start, 90) == pytest.approx(
        steps(400.0, fall, start, 90), rel=1e-4
    )
    life = course.life(400.0, fall, start)
    days = int(life.days)
    assert steps(400.0, fall, start, days) > 0.0 > steps(400.0, fall, start, days + 1)


def test_a_leap_day_counts():
    fall = course.Decline(lambda month: 1.0, lambda month: 0.0)
    assert course.left(100.0, fall, date(2028, 2, 1), 29) == 71.0
    assert course.life(29.5, fall, date(2028, 2, 1)).days == 29.5


def test_cold_raises_the_floor_and_can_end_it_overnight():
    fall = course.Decline(lambda month: 0.1, lambda month: 80.0 if month == 11 else 10.0)
    life = course.life(doubtful(50.0, 5.0, "q"), fall, date(2026, 11, 1))
    assert nominal(life.days) == 30.0  # the first of December
    assert standard(life.days) > 0.0


def test_a_floor_that_was_higher_on_the_way_counts():
    # December's cold locks the pump out; that March is mild again helps nobody
    fall = course.Decline(lambda month: 0.1, lambda month: 80.0 if month == 11 else 10.0)
    found = course.answer(85.0, 100.0, fall, date(2026, 11, 1), date(2027, 3, 1))
    assert (found.sure, found.chance) == ("no", 0.0)
    assert found.margin == pytest.approx(85.0 - 61 * 0.1 - 80.0)
    assert 1.1 <= found.add < 1.12
    assert found.again is None
    assert course.answer(87.0, 100.0, fall, date(2026, 11, 1), date(2027, 3, 1)).sure == "yes"


def test_an_answer_is_as_sure_as_its_least_sure_month():
    # To spare at the end, but in December there is a doubt of 10 with 8 to spare
    fall = course.Decline(
        lambda month: 0.0, lambda month: doubtful(80.0, 10.0, "cold") if month == 11 else 75.0
    )
    found = course.answer(88.0, 100.0, fall, date(2026, 11, 1), date(2027, 3, 1))
    assert found.sure == "not sure"
    assert found.chance == pytest.approx(doubt.chance(doubtful(8.0, 10.0, "cold")))


def test_a_life_beyond_ten_years_is_not_told_as_a_date(capsys, basil):
    put(basil, "pot.toml", 'habit = "herb"', 'habit = "succulent"\nkcb_ppt = 10')
    for name in ("height_mm = 150", "diameter_mm = 180", "volume_ml = 3500"):
        put(basil, "pot.toml", name, name.split("=")[0] + "= 50")
    put(basil, "pot.toml", "crown_mm = 220", "crown_mm = 10")
    put(basil, "pot.toml", "volume_ml = 4000", "volume_ml = 100000")
    assert "Tank: more than 10 years" in told_by(capsys, basil)


# What goes in


def test_the_months_are_those_of_the_rigs_weather():
    pytest.importorskip("pvlib", reason=NO_LIBRARY)
    from wakewell.rig.weather import PLACES, climate

    assert set(PLACES) == set(inputs.MONTHS) == set(description.STANDS)
    for word, place in PLACES.items():
        year = climate(place)
        et0, air = inputs.MONTHS[word]
        first = 0
        for month, days in enumerate((31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)):
            hours = slice(first, first + 24 * days)
            assert et0[month] == pytest.approx(sum(year.et0_mm[hours]) / days, abs=0.006)
            assert air[month] == pytest.approx(sum(year.air_c[hours]) / (24 * days), abs=0.06)
            first += 24 * days


def test_months_south_of_the_equator_are_those_of_the_rigs_weather_there():
    """Half a year is six months and a day or two: hence the tolerance."""
    pytest.importorskip("pvlib", reason=NO_LIBRARY)
    from wakewell.budget.forecast import by_season
    from wakewell.rig.weather import climate, placed

    crop = description.Crop(stands="open", latitude_deg=-35)
    et0, air, rain = inputs.months(crop)
    assert rain[0] == inputs.RAIN_MM[6]
    year = climate(placed("open", crop.latitude_deg))
    for month, first in ((0, 0), (6, 181)):
        hours = slice(24 * first, 24 * (first + 31))
        assert et0[month] == pytest.approx(sum(year.et0_mm[hours]) / 31, abs=0.3)
        assert air[month] == pytest.approx(sum(year.air_c[hours]) / (24 * 31), abs=1.0)
    january, july = (datetime(2026, month, 1, tzinfo=UTC).timestamp() for month in (1, 7))
    assert by_season(100.0, january, july, et0)(20.0) > 2 * by_season(100.0, july, july, et0)(20.0)


def test_habits_are_those_of_pot_toml():
    assert set(inputs.HABITS) == set(description.HABITS)
    assert set(inputs.FADES_PPT) == set(agree.FULL_MV) == set(description.CHEMISTRIES)


def test_currents_of_the_esp32s_sheet():
    # Espressif ESP32 series datasheet v5.2, table 4-2: deep sleep with RTC timer and memory 10 uA,
    # hibernation 5 uA; table 5-4: receive 95 to 100 mA, transmit 240 mA (802.11b), 190 (g), 180 (n)
    usual = {row[0]: row[3] for row in fields.CALIBRATION}
    assert usual["sleep_ua"] == 10
    assert chips.SLEEPS_LEAST_UA["esp32"] == 5
    assert 95_000 <= usual["radio_ua"] <= 240_000


def test_the_charge_at_a_rest_voltage_is_the_inverse_of_the_cells_table():
    # Chen et al. (2020), published points: 0.25 at 3.529 V, 0.5 at 3.751 V, 0.75 at 3.994 V
    for charge, mv in ((0.25, 3529), (0.5, 3751), (0.75, 3994)):
        assert inputs.charge_at(mv) == pytest.approx(charge, abs=1e-3)
    for step in range(1, 20):
        assert inputs.charge_at(battery.open_mv(step / 20.0)) == pytest.approx(step / 20.0)


def test_a_day_of_charge_by_hand():
    found = replace(
        BASIL, wake_s=86400.0, awake_s=4.0, radio_s=5.0, radio_share=0.5, asleep_ma=0.01,
        awake_ma=40.0, radio_ma=130.0, pump_ma=250.0, regulator_ma=0.006, divider_ma=0.0095,
        standing_ma=0.0, canopy_cm2=400.0, surface_cm2=0.0, weather=1.0, wasted=1.0,
        flow_ml_s=20.0, fill_ml=0.0, pulse_ml=50.0, depth_ml=270.0, dose_most_ml=1000.0,
    )  # fmt: skip
    may_mm = 1.58  # a window sill's May
    water = 0.1 * may_mm * 400.0
    doses, pulses = water / (270.0 + 0.5 * water), water / 50.0
    awake_s = 4.0 * (1.0 + pulses + doses)
    run_s = water / 20.0
    by_hand = {
        "asleep": 0.01 * (24.0 - (awake_s + 2.5 + run_s) / 3600.0),
        "awake": 40.0 * (awake_s + run_s) / 3600.0,
        "radio": 130.0 * 2.5 / 3600.0,
        "pump": 250.0 * run_s / 3600.0,
        "regulator": 24.0 * 0.006,
        "divider": 24.0 * 0.0095,
        "development board": 0.0,
    }
    assert nominal(found.water_day_ml(4)) == pytest.approx(water)
    assert found.charge_day_mah(4) == pytest.approx(by_hand)


def test_weighed_use_is_met_in_its_month():
    found = of(CAFE / "mint")
    assert nominal(found.water_day_ml(4)) == pytest.approx(45.0 * 1.02)  # 2 % run through
    assert nominal(found.water_day_ml(0)) < 45.0 < nominal(found.water_day_ml(6))


def test_measured_currents_hold_regulator_and_divider_and_a_sheets_do_not():
    measured, sheet = of(CAFE / "basil"), of(CAFE / "citrus")
    assert measured.regulator_ma == measured.divider_ma == 0.0
    assert nominal(sheet.regulator_ma) == 0.006
    # Ohm's law: nine tenths of 4.2 V over twice 220 kilohm
    assert nominal(sheet.divider_ma) == pytest.approx(3780.0 / 440_000.0)


def test_what_was_noted_counts_from_its_date(basil):
    put(basil, "pot.toml", 'chip = "esp32"', 'chip = "esp32"\nnoted = 2026-04-20')
    put(basil, "pot.toml", "outlet_mm = 260", "now_ml = 1500\noutlet_mm = 260")
    put(basil, "pot.toml", "cells = 1", "cells = 1\nnow_pct = 60")
    found = of(basil)
    assert (found.start, nominal(found.tank_ml)) == (date(2026, 4, 20), 1500.0)
    assert nominal(found.charge) == 0.6
    assert not any("full" in text for text in found.assumed.values())


def test_a_pot_that_is_only_planned_needs_pot_toml_alone(tmp_path, capsys):
    shutil.copy(CAFE / "fern" / "pot.toml", tmp_path)
    text = told_by(capsys, tmp_path / "pot.toml", "--away", "14", code=1)
    assert "NOT ENOUGH" in text
    assert "no flow was measured yet" in text
    assert "For 14 days away" in text


def test_folder_and_pot_toml_are_the_same(capsys):
    with freeze_time("2026-05-01"):
        assert told_by(capsys, CAFE / "fern") == told_by(capsys, CAFE / "fern" / "pot.toml")


# Common practice


def small_pot(tmp_path):
    """A pot on a window sill with 0.7 litres of water and one 2000 mAh cell; nothing measured."""
    (tmp_path / "pot.toml").write_text(
        """
name = "Small pot"
plant = "ivy"
chip = "esp32"
planter = { height_mm = 100, diameter_mm = 120, volume_ml = 900 }
tank = { shape = "box", volume_ml = 700, height_mm = 100, outlet_mm = 150 }
battery = { chemistry = "lithium-ion", capacity_mah = 2000, cells = 1 }
crop = { habit = "foliage", stands = "window sill", crown_mm = 100 }
board = { currents = "sheet", awake_ms = 4000, radio_ms = 3000, regulator_ua = 5 }
""",
        encoding="utf-8",
    )
    return of(tmp_path)


def test_a_small_tank_lasts_about_three_months(tmp_path):
    # Common practice, no source: 0.7 l last about three months on average for one pot, depending
    # on plant and temperature. Assumed: ivy-like foliage, a crown of 10 cm, a 12 cm pot.
    # Reserve and pulse as one sets them for so small a tank: 50 and 20 ml, not the usual 80 and 40.
    found = replace(small_pot(tmp_path), reserve_ml=70.0)
    days = [
        nominal(course.tank_life(replace(found, start=date(2026, month, 1))).days)
        for month in range(1, 13)
    ]
    print("assumed:", found.assumed, f"{nominal(found.water_day_ml(4)):.1f} ml a day in May")
    assert 60.0 < sum(days) / 12 < 120.0


def test_a_lithium_cell_lasts_many_months_with_one_short_wake_a_day(tmp_path):
    # Common practice, no source: a good microcontroller sleeps at 10 uA, and with one wake of a
    # few seconds a day a lithium cell lasts many months. Assumed: the core's usual currents (40 mA
    # awake, 10 uA asleep), 4 s awake and 3 s of radio at 130 mA a day, self-discharge of 2 % a
    # month, 2000 mAh, the lockout at 3600 mV.
    found = replace(small_pot(tmp_path), radio_share=1.0)
    assert nominal(found.asleep_ma) == 0.010
    assert found.wake_s == 86400.0
    print("assumed:", found.assumed, {n: nominal(p) for n, p in told.year_parts(found)})
    _, low, _ = course.cell_life(found).told_days()
    assert low > 6 * 30


@pytest.mark.parametrize(("radio_wakes", "share"), [(0, 0.0), (1, 1.0), (4, 0.25)])
def test_only_the_wakes_that_report_are_charged_for_the_radio(tmp_path, radio_wakes, share):
    # R5: radio_wakes = 0 is no radio at all, else every so many regular wakes report.
    folder = tmp_path / "basil"
    shutil.copytree(CAFE / "basil", folder, ignore=shutil.ignore_patterns("logs"))
    path = folder / "settings.toml"
    path.write_text(f"radio_wakes = {radio_wakes}\n" + path.read_text())
    put(folder, "pot.toml", "radio_ms = 4000", "radio_ms = 4000\nradio_ua = 135000")
    found = of(folder)
    assert found.radio_share == share
    # 4 s at 135 mA, as its pot.toml says
    mah = share * 86400.0 / found.wake_s * 135 * 4 / 3600
    assert nominal(found.charge_day_mah(6)["radio"]) == pytest.approx(mah)


# Properties

AT = st.integers(0, 11)
FACTOR = st.floats(1.0, 50.0)
CURRENTS = ("asleep_ma", "awake_ma", "radio_ma", "pump_ma", "divider_ma", "regulator_ma",
            "standing_ma", "awake_s", "radio_s", "fades_day")  # fmt: skip


def begun(month):
    """Plain numbers, begun in that month: properties ask nothing of doubt."""
    found = of(CAFE / "citrus")
    return replace(
        found,
        start=date(2026, month + 1, 1),
        **{name: nominal(x) for name, x in single(found).items()},
    )


@settings(max_examples=60, deadline=None)
@given(AT, st.sampled_from(CURRENTS), FACTOR)
def test_more_current_never_lengthens_a_life(month, name, factor):
    found = begun(month)
    more = replace(found, **{name: factor * (getattr(found, name) or 0.001)})
    assert course.cell_life(more).days <= course.cell_life(found).days + 1e-9


@settings(max_examples=60, deadline=None)
@given(AT, FACTOR)
def test_more_water_or_charge_never_shortens_a_life(month, factor):
    found = begun(month)
    assert (
        course.tank_life(replace(found, tank_ml=factor * found.tank_ml)).days
        >= course.tank_life(found).days
    )
    assert (
        course.cell_life(replace(found, cell_mah=factor * found.cell_mah)).days
        >= course.cell_life(found).days - 1e-9
    )


@settings(max_examples=60, deadline=None)
@given(AT, FACTOR)
def test_a_thirstier_plant_never_lengthens_a_life(month, factor):
    found = begun(month)
    more = replace(found, canopy_cm2=factor * found.canopy_cm2)
    assert course.tank_life(more).days <= course.tank_life(found).days
    assert course.cell_life(more).days <= course.cell_life(found).days + 1e-9


@settings(max_examples=10, deadline=None)
@given(st.integers(1, 60), st.integers(1, 20))
def test_more_days_never_need_a_smaller_tank_or_cell(days, more):
    assert sizing.tank_ml(BASIL, days + more) >= sizing.tank_ml(BASIL, days)
    later = sizing.cell_mah(BASIL, days + more)
    assert later >= sizing.cell_mah(BASIL, days) * (1.0 - 1e-4)


@settings(max_examples=40, deadline=None)
@given(AT, st.floats(0.3, 1.0), st.integers(1, 600))
def test_what_is_left_is_never_more_than_there_was(month, charge, days):
    found = replace(begun(month), charge=charge)
    rest = course.left(found.charge_mah, course.cell(found), found.start, days)
    assert rest < found.charge_mah


@settings(max_examples=40, deadline=None)
@given(st.floats(300.0, 4000.0), st.integers(1, 90))
def test_what_is_said_to_be_missing_is_enough_and_no_less(content, days):
    found = replace(BASIL, tank_ml=doubtful(content, 10.0, "content"))
    until = MAY + timedelta(days=days)

    def ask(tank):
        return course.answer(tank, found.full_ml, course.tank(found), MAY, until)

    first = ask(found.tank_ml)
    if first.sure == "yes":
        assert first.add == 0.0
        return
    assert ask(found.tank_ml + 1.001 * first.add).sure == "yes"
    assert ask(found.tank_ml + 0.99 * first.add).sure != "yes"
    assert (first.again is None) == (first.add <= first.room)


@settings(max_examples=15, deadline=None)
@given(st.floats(0.05, 1.0), st.integers(1, 900))
def test_charge_that_is_said_to_be_missing_is_enough(charge, days):
    found = replace(BASIL, charge=doubtful(charge, 0.02, "charge"))
    until = MAY + timedelta(days=days)
    full = found.cell_mah * found.cell_true
    fall = course.cell(found)
    first = course.answer(found.charge_mah, full, fall, MAY, until)
    if math.isfinite(first.add):
        after = course.answer(found.charge_mah + first.add, full, fall, MAY, until)
        assert after.sure == "yes"
        assert after.add == 0.0


# Sizes


def test_friction_is_the_rigs():
    pytest.importorskip("fluids", reason=NO_LIBRARY)
    from wakewell.rig.hydraulics import RigHose

    for bore, length, flow in ((4, 600, 3.0), (5, 700, 22.0), (6, 1000, 40.0), (8, 3000, 60.0)):
        theirs = RigHose(inner_mm=bore, length_mm=length, end_mm=0.0).loss_mm(flow)
        assert sizing.loss_mm(flow, bore, length) == pytest.approx(theirs, rel=0.08)


def test_a_pumps_flow_is_the_rigs():
    pytest.importorskip("fluids", reason=NO_LIBRARY)
    from wakewell.rig.hydraulics import Plumbing, RigHose, RigPump, box

    tank = box(100.0, 150.0, 200.0)
    line = Plumbing(tank, RigPump(1500.0, 30.0, rated_mv=3700.0), RigHose(5.0, 800.0, end_mm=300.0))
    ours = description.PumpCurve(lift_mm=1500, free_ul_s=30000, rated_mv=3700)
    for mv in (3700.0, 3300.0):
        flow = sizing.pump_flow_ml_s(ours, 300.0, 5.0, 800.0, mv, 0.0)
        assert flow == pytest.approx(line.solved_ml_s(0.0, mv / 3700.0), rel=0.03)
    assert sizing.pump_flow_ml_s(ours, 1600.0, 5.0, 800.0, 3700.0, 0.0) == pytest.approx(0.0)


def test_a_pumps_lift_is_for_a_low_battery(basil):
    # Affinity laws: head follows the square of the speed, and the speed the voltage
    found = {s.what: s for s in sizing.sizes(inputs.open_folder(str(basil)), of(basil), 14)}
    put(basil, "pot.toml", "rated_mv = 3700", "rated_mv = 7000")
    more = {s.what: s for s in sizing.sizes(inputs.open_folder(str(basil)), of(basil), 14)}
    lift = "pump, lift without flow"
    assert more[lift].least / found[lift].least == pytest.approx((7000 / 3700) ** 2)
    assert more["pump, flow 260 mm up"].has < found["pump, flow 260 mm up"].has


def test_a_hole_by_hand():
    # v = Cd sqrt(2 g h), Cd 0.61 for a sharp edge: 100 mm drive 1.40 m/s, through 2 mm 2.68 ml/s
    assert sizing.jet_ml_s(2.0) == pytest.approx(2.684, abs=0.005)


def test_a_sized_tank_and_cell_last_and_smaller_ones_may_not():
    days = 30
    tank = sizing.tank_ml(BASIL, days)
    month = sizing.thirstiest(BASIL)
    start = date(2026, month + 1, 1)
    for share, sure in ((1.001, "yes"), (0.99, "not sure")):
        found = course.answer(
            share * tank, tank, course.tank(BASIL), start, start + timedelta(days=days)
        )
        assert found.sure == sure
    board = replace(BASIL, standing_ma=about(9.0, 0.1, "board"))
    small, large = sizing.cell_mah(BASIL, days), sizing.cell_mah(board, days)
    # 9 mA for 30 days are 6480 mAh, out of what R5's rest voltage leaves of a cell
    assert large - small > 6480.0
    fits = replace(board, cell_mah=1.01 * large, start=start, charge=1.0)
    _, low, _ = course.cell_life(fits).told_days()
    assert low >= days - 1


@pytest.mark.parametrize("days", [30, 122, 200])
def test_a_sized_tank_lasts_whenever_one_goes(days):
    # A long absence that begins in the thirstiest month runs into milder ones
    tank = 1.001 * sizing.tank_ml(BASIL, days)
    for month in range(12):
        start = date(2026, month + 1, 1)
        end = start + timedelta(days=days)
        assert course.answer(tank, tank, course.tank(BASIL), start, end).sure == "yes"


def test_no_cell_lasts_longer_than_its_own_self_discharge():
    assert sizing.cell_mah(replace(BASIL, fades_day=0.05), 100) == math.inf


def test_a_cell_lasts_through_the_cold_month_on_the_way() -> None:
    """The floor of R5 is highest where the cell is coldest: perhaps long before the last day."""
    cold = replace(BASIL, air_c=(-18.0, *BASIL.air_c[1:]))
    least = sizing.cell_mah(cold, 300)
    for month in range(12):
        tried = replace(cold, cell_mah=least, charge=1.0, start=date(2026, month + 1, 1))
        for margin in course.margins(tried.charge_mah, course.cell(tried), tried.start, 300):
            assert nominal(margin) >= doubt.COVER * standard(margin) * (1.0 - 1e-3)


def test_ratings(basil):
    found = {s.what: s for s in sizing.sizes(inputs.open_folder(str(basil)), of(basil), 14)}
    fuse = found["fuse, time-lag"]
    # The pump of the basil's calibration takes 0.260 A, three quarters of 0.35 A
    assert fuse.least == 0.4
    assert fuse.most == 5.0
    assert found["switch, current"].least == pytest.approx(1.4)  # twice 0.7 A, blocked
    assert found["switch, voltage"].least == pytest.approx(8.4)
    assert len(sizing.FUSES_A) == 30
    assert list(sizing.FUSES_A) == sorted(sizing.FUSES_A)


R10 = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)  # ISO 3, from memory


@pytest.mark.parametrize(
    ("pump_ma", "fuse_a"),
    [(20, 0.1), (299, 0.4), (301, 0.5), (599, 0.8), (601, 1.0), (2000, 3.15), (11_000, 16.0)],
)
def test_the_fuse_is_the_next_rating_above_what_flows(basil, pump_ma, fuse_a):
    """The smallest preferred rating of which three quarters carry the pump: the fuse is in its
    supply, as the circuit draws it."""
    told = replace(of(basil), pump_ma=pump_ma)
    found = {s.what: s for s in sizing.sizes(inputs.open_folder(str(basil)), told, 14)}
    fuse = found["fuse, time-lag"]
    ratings = sorted(round(base * scale, 3) for base in R10 for scale in (0.1, 1.0, 10.0))
    assert fuse.least == fuse_a == min(a for a in ratings if 0.75 * a >= pump_ma / 1000)
    assert f"above {pump_ma / 1000:.2f} A / 0.75" in fuse.why
    assert sizing.FUSE_PLACE in fuse.why
    assert ("choose another cell" in fuse.why) == (fuse_a > 5.0)


@pytest.mark.parametrize("name", NAMES)
def test_margins_are_of_what_the_pot_has(name):
    folder = inputs.open_folder(str(CAFE / name))
    for size in sizing.sizes(folder, of(CAFE / name), 14):
        assert size.least > 0.0
        assert size.why
        if size.has is not None:
            assert size.margin == pytest.approx((size.has - size.least) / size.least)


# The command


@pytest.mark.parametrize(
    ("name", "days"), [*product(NAMES, [1, 7, 30]), ("basil", 366), ("strawberry", 366)]
)
def test_what_is_not_enough_for_the_days_away_is_a_finding(name, days, capsys):
    code = cli.main(["budget", str(CAFE / name), "--away", str(days)])
    text = capsys.readouterr().out
    assert code == int("NOT ENOUGH" in text or "none lasts so long" in text)
    assert cli.main(["budget", str(CAFE / name), "--away", str(days), "--json"]) == code
    rows = json.loads(capsys.readouterr().out)["results"][0]["away"]["sizes"]
    assert code == int(any(row["least"] is None or (row["margin"] or 0) < 0 for row in rows))


@pytest.mark.parametrize("name", NAMES)
def test_the_cafes_pots(name, capsys):
    text = told_by(capsys, CAFE / name, "--away", "7")
    assert "\x1b" not in text
    assert max(map(len, text.splitlines())) <= told.WIDTH
    for words in ("Tank: ", "Battery", "uncertainty from: ", "changes with the most effect: ",
                  "USB bridge", "IEC 62133-2", "margin"):  # fmt: skip
        assert words in " ".join(text.split())


def test_json_is_one_object_that_says_the_same(capsys):
    with freeze_time("2026-05-01"):
        found = json.loads(
            told_by(
                capsys, CAFE / "fern", "--until", "2026-05-15", "--away", "21", "--json", code=1
            )
        )["results"][0]
    fern = of(CAFE / "fern")
    assert found["tank"]["days"] == pytest.approx(nominal(course.tank_life(fern).days))
    assert found["tank"]["until"] > "2026-05-15"
    assert found["until"]["tank_ml"]["answer"] == "yes"
    assert sum(row["share"] for row in found["battery"]["contributors"]) == pytest.approx(1.0)
    assert [row["what"] for row in found["away"]["sizes"]][:3] == [
        "tank",
        "water a day (R3)",
        "cell",
    ]


def test_until_the_27th_and_what_to_add(capsys, basil):
    put(basil, "pot.toml", "outlet_mm = 260", "now_ml = 900\noutlet_mm = 260")
    with freeze_time("2026-05-05"):
        text = told_by(capsys, basil, "--until", "27", code=1)
    # 900 ml less 200 of reserve at about 62 ml a day last 11 days of 22
    assert "Until 2026-05-27:" in text
    assert "tank: no; " in text
    assert " l now and it lasts" in " ".join(text.split())
    assert "battery: yes" in text
    rows = text[text.index("Until 2026-05-27:") :]
    tank, cell = " ".join(rows.split()).split(" battery: ")[:2]
    beyond = "and the water in the soil lasts the plant about"
    assert (beyond in tank, beyond in cell.split("caution")[0]) == (True, False)


def test_a_cell_that_is_too_small_says_nothing_of_the_soils_water(capsys, basil):
    put(basil, "pot.toml", "cells = 1", "cells = 1\nnow_pct = 35")
    with freeze_time("2026-05-05"):
        text = told_by(capsys, basil, "--until", "2026-12-01", code=1)
    rows = " ".join(text[text.index("Until 2026-12-01:") :].split())
    cell = rows[rows.index("battery: ") : rows.index("caution: ")]
    assert "battery: yes" not in cell
    assert "water in the soil" not in cell.split("Assumed:")[0]


def test_more_than_fits_is_said_with_a_date(capsys, basil):
    with freeze_time("2026-05-05"):
        text = told_by(capsys, basil, "--until", "2026-12-01", code=1)
    assert "tank: no; " in text
    assert "fill it again by 2026-0" in " ".join(text.split())


def noted(folder, day, tank_ml, charge_pct):
    """Write down what was found on that day."""
    put(folder, "pot.toml", 'chip = "esp32"', f'chip = "esp32"\nnoted = {day}')
    put(folder, "pot.toml", "outlet_mm = 260", f"now_ml = {tank_ml}\noutlet_mm = 260")
    put(folder, "pot.toml", "cells = 1", f"cells = 1\nnow_pct = {charge_pct}")


def test_advice_is_from_today_and_not_from_when_it_was_looked_at(capsys, basil):
    noted(basil, "2026-04-20", 2400, 60)
    start, today = date(2026, 4, 20), date(2026, 5, 5)
    found = of(basil, today)
    used = -nominal(course.left(0.0, course.tank(found), start, 15))
    with freeze_time("2026-05-05"):
        text = " ".join(told_by(capsys, basil, "--until", "2026-09-01", code=1).split())
        told_json = told_by(capsys, basil, "--until", "2026-09-01", "--json", code=1)
    answer = json.loads(told_json)["results"][0]["until"]["tank_ml"]
    # 4 l fit into the tank; what it drank since the 20th fits in as well
    assert answer["room"] == pytest.approx(4000.0 - 2400.0 + used)
    assert answer["ran_out"] is None
    # A tank that is full today, not on the 20th of April
    _, low, _ = course.life(found.full_ml, course.tank(found), today).told_days()
    assert answer["again"] == str(today + timedelta(days=low))
    assert f"fill it now and again by {answer['again']}" in text
    assert f"2.40 l in the tank then, about {(2400.0 - used) / 1000:.2f} l today" in text


def test_what_was_noted_and_what_is_left_of_it_today_last_equally_long(basil):
    noted(basil, "2026-04-20", 2400, 60)
    found = of(basil, date(2026, 5, 5))
    now, out = course.today(found, date(2026, 5, 5))
    assert out == {}
    for lasts in (course.tank_life, course.cell_life):
        then, since = lasts(found).days, lasts(now).days
        assert nominal(since) == pytest.approx(nominal(then) - 15.0)
        assert standard(since) == pytest.approx(standard(then))


def test_what_ran_out_before_today_is_said_and_advice_begins_at_the_floor(capsys, basil):
    noted(basil, "2026-04-20", 900, 60)
    with freeze_time("2026-06-05"):
        text = " ".join(told_by(capsys, basil, "--until", "2026-06-15", code=1).split())
        told_json = told_by(capsys, basil, "--until", "2026-06-15", "--json", code=1)
    answer = json.loads(told_json)["results"][0]["until"]["tank_ml"]
    ended = date(2026, 4, 20) + timedelta(days=course.tank_life(of(basil)).told_days()[0])
    assert date(2026, 4, 20) < ended < date(2026, 6, 5)
    assert answer["ran_out"] == str(ended)
    assert f"tank: no; by this estimate it ran out on {ended}; look at the pot; " in text
    assert answer["room"] == pytest.approx(4000.0 - 270.0)  # the reserve and a pulse stay (R4)
    assert 10 * 40.0 < answer["add"] < 10 * 120.0  # ten days of June
    assert "battery: yes" in text


def test_a_cell_goes_on_falling_below_the_lockout_and_not_below_nothing(basil):
    noted(basil, "2024-04-20", 900, 30)
    found = of(basil, date(2024, 4, 20))
    days = course.cell_life(found).told_days()[0]
    # Of 590 mAh at the lockout 0.8 are used a day and 0.4 fade (2 % a month), twenty days long
    for after, left in ((20, 1 - 20 * (0.8 + 0.4) / 590), (3000, 0.0)):
        today = found.start + timedelta(days=days + after)
        now, out = course.today(found, today)
        assert out["battery"] == found.start + timedelta(days=days)
        share = nominal(now.charge_mah) / nominal(now.floor_mah(today.month - 1))
        assert share == pytest.approx(left, abs=0.003)


def test_no_advice_is_for_a_day_that_is_past(capsys, basil):
    noted(basil, "2025-06-01", 4000, 100)
    with freeze_time("2026-05-05"):
        said = told_by(capsys, basil, "--until", "2027-05-01", "--json", code=1)
        found = json.loads(said)["results"][0]
    for answer in (found["until"]["tank_ml"], found["until"]["battery_mah"]):
        assert answer["again"] is None or answer["again"] >= "2026-05-05"
        assert answer["room"] >= 0.0
    # What a filling would change is what it would change today
    rows = {row["what"]: row["days"] for row in found["tank"]["changes"]}
    assert rows["fill the tank now"] > 0.0


def test_in_doubt_is_not_a_yes(capsys):
    with freeze_time("2026-05-05"):
        text = told_by(capsys, CAFE / "basil", "--until", "2026-06-20", code=1)
    assert "tank: not sure (" in text
    assert "% likely)" in text


def test_a_date_is_the_owners_own(capsys):
    # In the owner's time zone it is the 27th already, so the next 27th is a month away
    with freeze_time("2026-05-26 23:30:00", tz_offset=2):
        assert "Until 2026-06-27" in told_by(capsys, CAFE / "basil", "--until", "27")
    with freeze_time("2026-05-26 23:30:00"):
        assert "Until 2026-05-27" in told_by(capsys, CAFE / "basil", "--until", "27")


def test_days_of_a_month():
    assert date_of("31", date(2026, 4, 1)) == date(2026, 5, 31)
    assert date_of("29", date(2027, 1, 30)) == date(2027, 3, 29)
    assert date_of("29", date(2028, 1, 30)) == date(2028, 2, 29)
    assert date_of("1", date(2026, 12, 31)) == date(2027, 1, 1)


def test_mains_is_a_charger_and_not_a_life(capsys):
    with freeze_time("2026-05-01"):
        text = told_by(capsys, CAFE / "tomato", "--until", "2026-05-10")
    assert "Battery, unplugged: " in text
    assert "battery: yes, while its charger is plugged in" in text
    assert "licensed electrician" in text


def test_a_development_board_is_told_in_days(capsys, basil):
    put(basil, "pot.toml", 'kind = "bare" ', 'kind = "development"\nstanding_ua = 9000')
    text = told_by(capsys, basil)
    days = int(text.split("Battery: ")[1].split(" days")[0])
    # 2600 mAh, four fifths of it usable, at 9 mA and a little: about nine days
    assert 7 <= days <= 11
    assert "in this pot it draws 9 mA beside the chip" in " ".join(text.split())
    assert "a bare module instead of this board" in " ".join(text.split())


def test_a_past_end_is_said(capsys, basil):
    put(basil, "pot.toml", 'chip = "esp32"', 'chip = "esp32"\nnoted = 2025-01-20')
    with freeze_time("2026-05-01"):
        assert "that day is past: look at it, and note" in " ".join(told_by(capsys, basil).split())


def test_a_pot_without_a_battery(capsys, basil):
    text = (basil / "pot.toml").read_text(encoding="utf-8")
    start, end = text.index("[battery]"), text.index("[crop]")
    (basil / "pot.toml").write_text(text[:start] + text[end:], encoding="utf-8")
    assert "Battery: none in pot.toml" in told_by(capsys, basil, "--away", "7")


def test_without_a_battery_the_switch_is_for_twice_the_5_volts_of_a_usb_charger(basil):
    text = (basil / "pot.toml").read_text(encoding="utf-8")
    start, end = text.index("[battery]"), text.index("[crop]")
    (basil / "pot.toml").write_text(text[:start] + text[end:], encoding="utf-8")
    found = {s.what: s for s in sizing.sizes(inputs.open_folder(str(basil)), of(basil), 14)}
    assert found["switch, voltage"].least == 10.0


def test_only_a_lithium_cell_has_its_caution(capsys, basil):
    assert "caution: lithium cell" in told_by(capsys, basil)
    put(basil, "pot.toml", '"lithium-ion"', '"nickel-metal-hydride"')
    put(basil, "pot.toml", "cells = 1", "cells = 3")
    assert "caution: lithium cell" not in told_by(capsys, basil)


def test_the_parts_are_set_apart_by_an_empty_line(capsys):
    with freeze_time("2026-05-05"):
        rows = told_by(capsys, CAFE / "basil", "--until", "27", "--away", "7").splitlines()
    for head in ("Tank: ", "Battery: ", "Until ", "For 7 days ", "Assumed:", "caution: "):
        at = next(n for n, row in enumerate(rows) if row.startswith(head))
        assert rows[at - 1] == ""


def test_a_start_needs_a_pulse_above_the_reserve_and_a_float_shows_one_millilitre():
    """R4: below that no run begins. The mint has a float, which knows no amounts."""
    assert BASIL.reserve_ml == 200 + 70
    mint = pot_folder.load(CAFE / "mint")
    reserve_ml = max(mint.settings["reserve_ml"], mint.limits["reserve_ml"])
    assert of(CAFE / "mint").reserve_ml == reserve_ml + 1


def test_rain_falls_on_the_soil_of_pots_in_the_open_only(basil):
    assert BASIL.rain_cm2 == 0.0
    put(basil, "pot.toml", 'stands = "window sill"', 'stands = "open"')
    assert of(basil).rain_cm2 == pytest.approx(math.pi / 4 * 18**2)


def test_what_is_assumed_is_said_and_what_is_told_is_not(basil):
    tank, board = "tank.now_ml is not given: a full tank", "[board] is not in pot.toml"
    said = " ".join(BASIL.assumed.values())
    assert (tank in said, board in said) == (True, False)
    put(basil, "pot.toml", "outlet_mm = 260", "now_ml = 900\noutlet_mm = 260")
    text = (basil / "pot.toml").read_text(encoding="utf-8")
    start, end = text.index("[board]"), text.index("[pump]")
    (basil / "pot.toml").write_text(text[:start] + text[end:], encoding="utf-8")
    said = " ".join(of(basil).assumed.values())
    assert (tank in said, board in said) == (False, True)
    assert nominal(of(basil).tank_ml) == 900
    assert nominal(of(basil).standing_ma) == 0.0
    kind = '[board]\nkind = "development"\n\n[pump]'
    (basil / "pot.toml").write_text(text[:start] + kind + text[end + 6 :], encoding="utf-8")
    assert nominal(of(basil).standing_ma) == inputs.STANDING_MA


def test_a_flow_that_was_not_measured_is_the_usual_one_also_for_the_water_of_a_day(basil):
    """As much as if that very flow had been measured."""
    told = {}
    for ul_s in (0, round(1000 * inputs.FLOW_ML_S)):
        folder = inputs.open_folder(str(basil))
        folder.calibration["flow_ul_s"] = ul_s
        found = {s.what: s for s in sizing.sizes(folder, inputs.gather(folder, MAY), 14)}
        told[ul_s] = found["water a day (R3)"].has
    assert len(set(told.values())) == 1
    assert min(told.values()) > 100


def test_a_scenario_is_told_in_days_with_its_date(capsys, basil):
    put(basil, "pot.toml", 'stands = "window sill"', 'stands = "open"')
    with freeze_time(MAY):
        text = " ".join(told_by(capsys, basil).split())
    days, low, high = course.tank_life(replace(of(basil), rain_cm2=0.0)).told_days()
    end = MAY + timedelta(days=days)
    assert f" without rain: {days} days ({low} to {high}), until about {end} " in text


def test_without_the_pumps_sheet_its_flow_is_the_one_that_was_measured(basil):
    """Into a cup: 22 ml/s by the basil's calibration."""
    text = (basil / "pot.toml").read_text(encoding="utf-8")
    start, end = text.index("[pump]"), text.index("[hose]")
    (basil / "pot.toml").write_text(text[:start] + text[end:], encoding="utf-8")
    for ul_s, ml_s in ((22000, 22.0), (0, None)):
        folder = inputs.open_folder(str(basil))
        folder.calibration["flow_ul_s"] = ul_s
        found = {s.what: s for s in sizing.sizes(folder, inputs.gather(folder, MAY), 14)}
        assert found["pump, flow 260 mm up"].has == ml_s
        assert found["pump, lift without flow"].has is None


def test_no_heavy_library_is_loaded():
    code = (
        "import sys; from wakewell import cli; cli.main(['budget', sys.argv[1], '--away', '7'])\n"
    )
    code += "print(*sorted({'scipy', 'fluids', 'pvlib', 'refet'} & set(sys.modules)))"
    done = subprocess.run(
        [sys.executable, "-c", code, str(CAFE / "basil")],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert done.stdout.splitlines()[-1] == ""


# Bad input

POT_REFUSED = (
    ("crown_mm = 220", "crown_mm = 0", "crop.crown_mm = 0: allowed 10 to 3000"),
    ('habit = "herb"', 'habit = "thirsty"', 'crop.habit = "thirsty": allowed foliage, succulent'),
    ("radio_ms = 4000", "radio_ms = 600001", "board.radio_ms = 600001: allowed 0 to 600000"),
    ("radio_ms = 4000", "radio_ua = 30000", "board.radio_ua = 30000: allowed from awake_ua"),
    ("capacity_mah = 2600", "capacity_mah = 0", "battery.capacity_mah = 0: allowed 1 to"),
    ("cells = 1", "fades_ppt_month = -1", "battery.fades_ppt_month = -1: allowed 0 to"),
    ("lift_mm = 1200", "lift_mm = 90", "pump.lift_mm = 90: allowed from 101"),
    ("inner_mm = 5", "inner_mm = 5.5", "hose.inner_mm = 5.5: allowed 1 to 50"),
    ("length_mm = 700", "length_mm = 254", "hose.length_mm = 254: allowed from 255: up from"),
    ("volume_ml = 3500", "volume_ml = 9000", "planter.volume_ml = 9000: allowed up to 4007"),
    ("outlet_mm = 260", "now_ml = 4001\noutlet_mm = 260", "tank.now_ml = 4001: allowed up to"),
    ('stands = "window sill"', "use_month = 5", "crop.use_ml_day: missing beside use_month"),
    ('chip = "esp32"', 'chip = "esp32"\nnoted = "May"', 'noted = "May": allowed a date'),
    ('chip = "esp32"', 'chip = "esp32"\nnoted = 2126-05-01', "noted = 2126-05-01: allowed up to"),
    ("rated_mv = 3700", "rated_mv = 3700\nspin = 3", "pump.spin = 3: not a name of pump of pot"),
    ("awake_ms = 3500", "awake_ms = 3500\nnow_pct = 50", "board.now_pct = 50: not a name"),
)


@pytest.mark.parametrize(("old", "new", "said"), POT_REFUSED)
def test_what_cannot_be_is_refused(basil, capsys, old, new, said):
    put(basil, "pot.toml", old, new)
    assert cli.main(["budget", str(basil)]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert said in err
    name = said.split(" = ")[0].split(".")[-1]
    rows = (basil / "pot.toml").read_text(encoding="utf-8").splitlines()
    at = [n for n, row in enumerate(rows, 1) if row in new and row.startswith(f"{name} = ")]
    assert f"{basil / 'pot.toml'}:{at[0] if at else ''}" in err


@pytest.mark.parametrize(
    ("file", "old", "new", "said"),
    [
        ("calibration.toml", "sleep_ua = 18 ", "sleep_ua = 4 ", "sleep_ua = 4: allowed from 5"),
        ("calibration.toml", "awake_ua = 45000", "awake_ua = 15", "awake_ua = 15: allowed above"),
        ("settings.toml", "battery_mv = ", "battery_clear_mv_ = 4\nbattery_mv = ", "not a name"),
    ],
)
def test_what_the_other_files_cannot_say(basil, capsys, file, old, new, said):
    put(basil, file, old, new)
    assert cli.main(["budget", str(basil)]) == 2
    err = capsys.readouterr().err
    assert said in err
    rows = (basil / file).read_text(encoding="utf-8").splitlines()
    at = next(n for n, row in enumerate(rows, 1) if row.startswith(new.splitlines()[0]))
    assert f"{basil / file}:{at}: " in err


def test_of_several_faults_the_first_is_told_and_how_many_more(basil, capsys):
    put(basil, "pot.toml", "crown_mm = 220", "crown_mm = 0")
    assert cli.main(["budget", str(basil)]) == 2
    assert "more" not in capsys.readouterr().err
    put(basil, "pot.toml", "capacity_mah = 2600", "capacity_mah = 0")
    assert cli.main(["budget", str(basil)]) == 2
    assert capsys.readouterr().err.endswith(" (and 1 more; wakewell check)\n")


@pytest.mark.parametrize(
    "words",
    [
        ["--until", "yesterday"],
        ["--until", "2026-02-30"],
        ["--until", "2020-01-01"],
        ["--until", "2999-01-01"],
        ["--until", "32"],
        ["--until", "0"],
        ["--until", "9" * 5000],
        ["--away", "0"],
        ["--away", "-3"],
        ["--away", "367"],
        ["--away", "x"],
        ["--away", "9" * 5000],
    ],
)
def test_dates_and_days_that_cannot_be(words, capsys):
    with freeze_time("2026-05-01"):
        assert cli.main(["budget", str(CAFE / "basil"), words[0] + "=" + words[1]]) == 2
    err = capsys.readouterr().err
    assert "allowed" in err
    assert err.count("\n") == 1
    assert len(err) < 300


def test_no_folder_is_one_line(tmp_path, capsys):
    assert cli.main(["budget", str(tmp_path / "none")]) == 2
    assert "not a pot's folder" in capsys.readouterr().err
    assert cli.main(["budget", str(tmp_path)]) == 2
    assert "pot.toml:1: missing" in capsys.readouterr().err


def test_a_reserve_above_the_tank(tmp_path):
    for file in ("pot.toml", "settings.toml"):
        shutil.copy(CAFE / "fern" / file, tmp_path)
    put(tmp_path, "settings.toml", "reserve_ml = 160", "reserve_ml = 3000")
    with pytest.raises(BadInput, match="reserve_ml = 3000: allowed below the tank's volume, 3000"):
        of(tmp_path)


# Against the rig


@pytest.mark.parametrize(
    ("stands", "month", "kind", "mv"),
    [
        ("window sill", 6, "lithium-ion", 3500.0),  # the basil's battery_mv
        ("balcony", 0, "lithium-ion", 3500.0),
        ("balcony", 0, "lithium-iron-phosphate", 3170.0),
        ("balcony", 0, "nickel-metal-hydride", 1240.0),
    ],
)
def test_the_charge_at_the_lockout_is_the_rig_cells_also_in_the_cold(stands, month, kind, mv):
    air, usable = inputs.MONTHS[stands][1], battery.CHEMISTRIES[kind].usable
    told = replace(BASIL, air_c=air, empty=inputs.charge_at(mv, kind), usable_c=usable)
    floor = nominal(told.floor_mah(month))
    cell = battery.RigBattery(battery.usual(BASIL.cell_mah, kind, 1), floor / BASIL.cell_mah)
    assert cell.rest_mv(air[month]) == pytest.approx(mv, abs=1.0)


def test_a_life_with_self_discharge_is_the_rig_cells():
    found = replace(BASIL, air_c=(20.0,) * 12)
    fall = replace(course.cell(found), drain=lambda month: 24.0 * 0.1)
    days = nominal(course.life(found.charge_mah, fall, MAY).days)
    cell = battery.RigBattery(battery.Cell(found.cell_mah, fades_pct_month=2.0))
    lived = 0
    while cell.rest_mv(20.0) > 3500.0:
        cell.use(0.1, 86_400.0, 20.0)
        lived += 1
    assert days == pytest.approx(lived, rel=0.01)


@pytest.mark.parametrize("name", ["basil", "citrus", "tomato"])
def test_a_simulated_year_agrees_within_5_percent(name, tmp_path):
    pytest.importorskip("pvlib", reason=NO_LIBRARY)
    pytest.importorskip("fluids", reason=NO_LIBRARY)
    from wakewell.simulate import trials
    from wakewell.simulate.one_run import run_trial

    path = tmp_path / "year.toml"
    path.write_text(
        f'pot = "{name}"\nbegins = 2025-03-03\ndays = 365\nseed = 3\n'
        "[plant]\nkcb = 0.8\ncrown_cm2 = 400\n"
        "[owner]\nfills_after_days = 1\ncharges_after_days = 1\n"
        "[wake]\nawake_s = 3.0\nradio_s = 4.0\n"
        "[settings]\nradio_wakes = 1\n",
        encoding="utf-8",
    )
    trial = trials.load(path)
    spec, begins = trial.spec, date(2025, 3, 3)
    ran = run_trial(trial)
    assert ran.good
    counts = ran.pot.counts
    board, plant, cal = spec.board, spec.plant, trial.in_force().calibration
    # The trial's own numbers, not the folder's: the same pot is counted in both ways
    found = replace(
        of(CAFE / name, begins),
        canopy_cm2=plant.kcb * plant.crown_cm2,
        weather=1.0,
        wasted=1.0,
        fill_ml=spec.hose.volume_ml,
        flow_ml_s=cal.flow_ul_s / 1000.0,
        awake_s=trial.habits.awake_s,
        radio_s=trial.habits.radio_s,
        radio_share=1.0,
        asleep_ma=board.sleep_ua / 1000.0,
        awake_ma=board.awake_ma,
        radio_ma=board.radio_ma,
        pump_ma=spec.pump.running_ma,
        regulator_ma=0.0,
        divider_ma=board.leak_ua / 1000.0,
        standing_ma=0.0,
    )
    water = -nominal(course.left(0.0, course.tank(found), begins, 365))
    drawn = replace(course.cell(found), decay=0.0)  # the rig counts self-discharge apart
    charge = -nominal(course.left(0.0, drawn, begins, 365))
    # What the soil holds less at the end than at the start came from no tank
    lent = ran.began_with_ml - ran.pot.line.stored_ml - ran.pot.soil.stored_ml
    lent += counts.refilled_ml - counts.brim_ml
    used = counts.asleep_mah + counts.awake_mah + counts.radio_mah + counts.pump_mah
    used += counts.leak_mah
    print(f"{name}: water {water:.0f} and {lent:.0f} ml, charge {charge:.0f} and {used:.0f} mAh")
    assert water == pytest.approx(lent, rel=0.05)
    assert charge == pytest.approx(used, rel=0.05)
