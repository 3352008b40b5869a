"""A pot's folder: what is read, what is refused and where, and that the core agrees."""

import os
import shutil
import subprocess
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import wakewell
from wakecore import fields, line, plan, state, tank
from wakewell.pot import agree, description, meanings, pot_folder
from wakewell.tomlfile import MOST_BYTES

CAFE = Path(wakewell.__file__).parent / "data" / "cafe"
NAMES = ("basil", "citrus", "fern", "mint", "strawberry", "tomato")
FILES = ("pot", "wiring", "settings", "limits", "calibration")


@pytest.fixture
def basil(tmp_path):
    """A copy of a folder that is good."""
    return Path(shutil.copytree(CAFE / "basil", tmp_path / "basil"))


def put(folder, file, key, value):
    """Set a top-level key of a file; the line it now stands on."""
    path = folder / file
    rows = path.read_text(encoding="utf-8").split("\n")
    for at, row in enumerate(rows):
        if row.partition("=")[0].strip() == key:
            rows[at] = f"{key} = {value}"
            break
        if row.startswith("["):
            rows.insert(at, f"{key} = {value}")
            break
    else:
        at = len(rows)
        rows.append(f"{key} = {value}")
    path.write_text("\n".join(rows), encoding="utf-8")
    return at + 1


def replace(folder, file, old, new):
    """Replace text that must be there."""
    path = folder / file
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def texts(problems):
    """Problems as printed, without the folder in front."""
    return [f"{os.path.basename(p.file)}:{p.line}: {p.text}" for p in problems]


# The demo set


@pytest.mark.parametrize("name", NAMES)
def test_the_cafes_pots_pass_and_match_in_the_core(name):
    found = pot_folder.load(CAFE / name)
    assert found.problems == []
    assert found.pot.match
    assert found.calibration["stage"] == 2


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("kind", FILES)
def test_every_file_of_the_demo_set_says_that_it_is_invented(name, kind):
    first = (CAFE / name / f"{kind}.toml").read_text(encoding="utf-8").splitlines()[0]
    assert "Invented data" in first


@pytest.mark.parametrize("name", NAMES)
def test_a_dose_is_what_fao_56_calls_readily_available_less_the_margin(name):
    """FAO Irrigation and Drainage Paper 56 (1998), equations 82 and 83, with mm of root zone
    replaced by ml of substrate: TAW = (FC - WP) V, RAW = p TAW; a dose refills RAW but for the
    part between target and capacity. Exact to one ppt of soil water."""
    found = pot_folder.load(CAFE / name)
    told = agree.outlook(found)
    cal, volume_ml = found.calibration, found.about.planter.volume_ml
    available_ml = (cal["capacity_ppt"] - cal["wilting_ppt"]) / 1000 * volume_ml
    readily_ml = found.settings["depletion_ppt"] / 1000 * available_ml
    margin_ml = (1 - found.settings["fill_ppt"] / 1000) * cal["capacity_ppt"] / 1000 * volume_ml
    assert told.dose_ml == pytest.approx(readily_ml - margin_ml, abs=volume_ml / 1000 + 1)


@pytest.mark.parametrize("name", [name for name in NAMES if name != "mint"])
def test_the_smallest_provable_fall_is_the_cores_own(name):
    """The core proves nothing below the told water, and proves that fall at it (R4)."""
    found = pot_folder.load(CAFE / name)
    told = agree.outlook(found)

    def proved(commanded_ml, fall_ml):
        kept = state.State()
        kept.proof_ml, kept.proof_ul, kept.proof_pulses = 2000, commanded_ml * 1000, 1
        return tank.judge_proof(kept, found.pot, 2000 - fall_ml, 4000)

    assert proved(told.proof_ml - 1, told.provable_ml) is None
    assert proved(told.proof_ml, told.provable_ml) is True
    assert proved(told.proof_ml, told.provable_ml - 1) is False


# Ranges: every number of every file


def rows_of_files():
    """(kind, name, least, most, meaning) of every top-level number."""
    for kind in description.KINDS:
        for name, least, most, _ in fields.KINDS[kind]:
            if kind == "calibration" and name in description.TOLD_BY_POT:
                continue  # it is no number of that file: pot.toml tells it
            yield kind, name, least, most, meanings.of(kind)[name]


ROWS = list(rows_of_files())


def outside(least, most):
    """TOML text of something that is not a whole number in that range."""
    return st.one_of(
        st.integers(max_value=least - 1).map(str),
        st.integers(min_value=most + 1).map(str),
        st.sampled_from(["true", '"7"', "1.5", "nan", "-inf", "[1]", "{ a = 1 }", "2024-01-01"]),
    )


@settings(max_examples=150, deadline=None)
@given(row=st.sampled_from(ROWS), data=st.data())
def test_a_value_out_of_range_is_reported_with_file_line_key_and_range(tmp_path_factory, row, data):
    kind, name, least, most, meaning = row
    folder = tmp_path_factory.mktemp("pot")
    shutil.copytree(CAFE / "basil", folder, dirs_exist_ok=True)
    at = put(folder, f"{kind}.toml", name, data.draw(outside(least, most)))
    found = pot_folder.load(folder)
    (problem,) = texts(found.problems)
    assert problem.startswith(f"{kind}.toml:{at}: {name} = ")
    assert f"allowed {least} to {most} ({meaning})" in problem
    assert found.lines == {}
    assert found.pot is None


@settings(max_examples=150, deadline=None)
@given(name=st.sampled_from(NAMES), data=st.data())
def test_whatever_passes_loads_in_the_core_and_matches(tmp_path_factory, name, data):
    """Values moved about by up to a third, or anywhere in range: either a problem with a place
    that exists, or three lines that the core takes and finds to match."""
    folder = tmp_path_factory.mktemp("pot")
    shutil.copytree(CAFE / name, folder, dirs_exist_ok=True)
    good = pot_folder.load(folder)
    for kind, key, least, most, _ in data.draw(st.lists(st.sampled_from(ROWS), max_size=4)):
        now = getattr(good, kind)[key]
        near = st.integers(max(least, now * 2 // 3), min(most, now * 4 // 3 + 1))
        put(folder, f"{kind}.toml", key, data.draw(near | st.integers(least, most)))
    found = pot_folder.load(folder)
    if found.problems:
        assert found.lines == {}
        for problem in found.problems:
            rows = Path(problem.file).read_text(encoding="utf-8").split("\n")
            assert 1 <= problem.line <= len(rows)
        return
    for kind, stored in found.lines.items():
        record, why = line.decode(stored)
        assert not why
        values, why = fields.load(kind, record, line.identity(stored))
        assert not why, why
        assert values is not None
    assert found.pot.match or found.calibration["stage"] == 0
    agree.outlook(found)


def test_all_problems_are_listed_in_order(basil):
    at = put(basil, "limits.toml", "pulse_ms", 99000)
    last = put(basil, "limits.toml", "colour", 3)
    wake = put(basil, "settings.toml", "wake_s", 1)
    pump = put(basil, "wiring.toml", "pump", '{ pin = 34, active = "low" }')
    found = texts(pot_folder.load(basil).problems)
    assert [text.split(": ")[0] for text in found] == [
        f"limits.toml:{at}",
        f"limits.toml:{last}",
        f"settings.toml:{wake}",
        f"wiring.toml:{pump}",
        f"wiring.toml:{pump}",
    ]


def test_an_error_reads_as_promised(basil):
    at = put(basil, "limits.toml", "pulse_ms", 99000)
    (problem,) = pot_folder.load(basil).problems
    assert str(problem) == (
        f"{basil}/limits.toml:{at}: pulse_ms = 99000: allowed 200 to 30000 "
        "(longest pump run (R2)); correct it"
    )


@pytest.mark.parametrize(
    ("old", "new", "refused"),
    [
        # The smallest planter is a cutting's; no crop of FAO-56 has a Kcb above 1.5
        ("volume_ml = 3500", "volume_ml = 50", False),
        ("volume_ml = 3500", "volume_ml = 49", True),
        ('habit = "herb"', "kcb_ppt = 1500", False),
        ('habit = "herb"', "kcb_ppt = 1501", True),
        ("stalled_ua = 700000", "stalled_ua = 1000", False),
        ("stalled_ua = 700000", "stalled_ua = 999", True),
        ('name = "Basil at the counter"', f'name = "{"n" * 60}"', False),
        ('name = "Basil at the counter"', f'name = "{"n" * 61}"', True),
        ('name = "Basil at the counter"', 'name = "a\\u0007b"', True),
        ('name = "Basil at the counter"', 'name = "  "', True),
        ('plant = "basil"', 'plant = "basil"\nnoted = 2026-05-01', False),
        ('plant = "basil"', 'plant = "basil"\nnoted = "2026-05-01"', True),
        ('plant = "basil"', 'plant = "basil"\nnoted = 2026-05-01T10:00:00', True),
    ],
)
def test_the_ends_of_what_pot_toml_allows(basil, old, new, refused):
    if "kcb" in new:
        new = old + "\n" + new
    replace(basil, "pot.toml", old, new)
    assert len(pot_folder.load(basil).problems) == refused


# Names


@pytest.mark.parametrize(
    ("file", "key", "near"),
    [
        ("settings.toml", "dose_mll", "nearest known name dose_ml"),
        ("limits.toml", "pulsems", "nearest known name pulse_ms"),
        ("calibration.toml", "capacity", "nearest known name capacity_ppt"),
        ("pot.toml", "plants", "nearest known name plant"),
        ("wiring.toml", "pumpe", "nearest known name pump"),
        ("settings.toml", "pulse_ms", "it is a name of limits.toml"),
    ],
)
def test_an_unknown_name_is_an_error_with_the_nearest_known_one(basil, file, key, near):
    at = put(basil, file, key, 80)
    (problem,) = texts(pot_folder.load(basil).problems)
    assert problem.startswith(f"{file}:{at}: {key} = 80: not a name of {file}; {near}")


def test_an_unknown_name_inside_a_table_has_its_own_line(basil):
    replace(basil, "calibration.toml", "spread = 5000", "spred = 5000")
    found = texts(pot_folder.load(basil).problems)
    rows = (basil / "calibration.toml").read_text(encoding="utf-8").split("\n")
    at = rows.index("spred = 5000") + 1
    assert found[0].startswith(f"calibration.toml:{at}: level.spred = 5000: not a name of level")
    assert "nearest known name spread" in found[0]


# Probe tables


@pytest.mark.parametrize(
    ("points", "word"),
    [
        ("[[1, 2]]", "pairs of counts and value"),
        ("[[1, 2], [1, 3]]", "counts must rise"),
        ("[[1, 2], [5, 9], [9, 3]]", "counts must rise"),
        ("[1, 2, 3, 4]", "allowed pairs"),
        ("3", "allowed pairs"),
        ("[[400000, 0], [2000000, 4000.5]]", "4000.5"),
        ("[[400000, 0], [2000000, 1000001]]", "allowed 0 to 1000000"),
        ("[[100, 0], [2000000, 4000]]", "must lie between"),
        (str([[400000 + n, n] for n in range(17)]), "2 to 16 pairs"),
    ],
)
def test_a_probes_table_that_supports_nothing_is_refused(basil, points, word):
    old = "points = [[400000, 0], [2000000, 4000]]"
    replace(basil, "calibration.toml", old, f"points = {points}")
    found = pot_folder.load(basil)
    assert word in found.problems[0].text
    rows = (basil / "calibration.toml").read_text(encoding="utf-8").split("\n")
    assert rows[found.problems[0].line - 1].startswith(("points = " + points[:9], "rails = "))


@pytest.mark.parametrize(("name", "kept"), [("soil", "soil_ppt"), ("level", "look_ml")])
def test_no_table_can_give_a_value_that_the_state_cannot_hold(name, kept):
    """A soil value above 1000 ppt, say, would be stored and never load again."""
    ((low, high),) = [row[1:3] for row in fields.PROBES if row[0] == name]
    ((least, most),) = [row[1:3] for row in state.FIELDS if row[0] == kept]
    assert least <= low < high <= most


# Values that must fit one another


@pytest.mark.parametrize(
    ("file", "key", "value", "where", "says"),
    [
        ("settings.toml", "dose_ml", 401, "settings.toml", "up to dose_ml of limits.toml"),
        ("settings.toml", "upkeep_ml", 61, "settings.toml", "up to upkeep_ml of limits.toml"),
        ("settings.toml", "reserve_ml", 149, "settings.toml", "at least reserve_ml"),
        ("settings.toml", "battery_mv", 3399, "settings.toml", "at least rest_mv"),
        ("settings.toml", "battery_clear_mv", 3500, "settings.toml", "allowed above battery_mv"),
        ("settings.toml", "battery_clear_mv", 4301, "settings.toml", "reach of [battery]"),
        ("settings.toml", "fill_ppt", 704, "settings.toml", "at or below the refill point of 296"),
        ("settings.toml", "reserve_ml", 4000, "settings.toml", "inside [level]"),
        ("calibration.toml", "capacity_ppt", 110, "calibration.toml", "above wilting_ppt"),
        ("calibration.toml", "flow_ul_s", 26001, "calibration.toml", "allowed 1 to flow_max"),
        ("calibration.toml", "flow_ul_s", 0, "calibration.toml", "allowed 1 to flow_max"),
        ("calibration.toml", "float_only", 1, "calibration.toml", "float_only = 1: allowed 0"),
        ("settings.toml", "pulse_ml", 4, "settings.toml", "never started"),
        ("settings.toml", "pulse_ml", 12, "settings.toml", "a run of 12 ml brings 0 ml"),
        ("settings.toml", "upkeep_ml", 12, "settings.toml", "upkeep_ml = 12: the hose holds"),
        ("limits.toml", "day_ml", 10, "limits.toml", "the pump never starts"),
    ],
)
def test_values_that_do_not_fit_are_refused(basil, file, key, value, where, says):
    at = put(basil, file, key, value)
    found = texts(pot_folder.load(basil).problems)
    assert any(
        text.startswith(f"{where}:{at}: {key} = {value}: ") and says in text for text in found
    )


@pytest.mark.parametrize(
    ("file", "key", "value", "says"),
    [
        ("settings.toml", "settle_s", 86400, None),
        ("settings.toml", "wake_s", 7200, "settle_s = 14400: longer than wake_s"),
        ("settings.toml", "wake_s", 14400, "counts as frozen within a day"),
        ("settings.toml", "wake_s", 172800, "here after up to 6 days (R16)"),
        ("settings.toml", "wake_s", 86400, None),
        ("limits.toml", "day_ml", 439, "counts for up to 440 ml"),
        ("limits.toml", "day_ml", 440, None),
        ("limits.toml", "pulse_ms", 3181, "ends every pulse at"),
        ("limits.toml", "pulses", 4, "these pulses give"),
        ("limits.toml", "sag_mv", 3500, "every pulse may trip"),
        ("calibration.toml", "tolerance_ml", 12, "are up to 13 ml"),
        ("calibration.toml", "tolerance_ml", 13, None),
        ("calibration.toml", "stage", 0, "never pumps (R14)"),
        ("calibration.toml", "stage", 1, "waters nothing at all (R14)"),
        ("settings.toml", "tank_warn_ml", 270, "sensible is 271 to"),
        ("settings.toml", "tank_warn_ml", 271, None),
        ("settings.toml", "battery_warn_mv", 3499, "comes after the lockout"),
        # The hose, 5 mm by 700 mm, holds 13.7 ml; four fifths of 18 are 14.4, of 17 13.6
        ("settings.toml", "pulse_ml", 15, "a run of 15 ml brings 1 ml to the pot (R7)"),
        ("settings.toml", "pulse_ml", 17, "a run of 17 ml brings 3 ml to the pot (R7)"),
        ("settings.toml", "upkeep_ml", 16, "upkeep_ml = 16: the hose holds 14 ml"),
        ("settings.toml", "upkeep_ml", 18, None),
    ],
)
def test_what_to_be_wary_of_is_told_and_not_refused(basil, file, key, value, says):
    put(basil, file, key, value)
    found = pot_folder.load(basil)
    assert found.problems == []
    warned = " ".join(warning.text for warning in found.warnings)
    assert says in warned if says else not warned


def test_a_hose_that_is_not_described_is_assumed_aloud(basil):
    put(basil, "settings.toml", "pulse_ml", 12)
    assumed = "; [hose] is not in pot.toml: this is an assumption"
    assert assumed not in " ".join(warning.text for warning in pot_folder.load(basil).warnings)
    replace(basil, "pot.toml", "[hose]\ninner_mm = 5\nlength_mm = 700\n", "")
    told = [w.text for w in pot_folder.load(basil).warnings if w.text.startswith("pulse_ml = 12: ")]
    assert [text.endswith(assumed) for text in told] == [True]


@pytest.mark.parametrize(
    ("points", "refused"),
    [
        # The refill point is 296 ppt: the table must show it, and something wetter
        ("[[1480000, 400], [1800000, 296]]", False),
        ("[[1480000, 400], [1800000, 297]]", True),
        ("[[1480000, 297], [1800000, 130]]", False),
        ("[[1480000, 296], [1800000, 130]]", True),
    ],
)
def test_a_refill_point_that_the_probe_never_shows_is_refused(basil, points, refused):
    at = put(basil, "settings.toml", "depletion_ppt", 400)
    was = "[[1150000, 520], [1480000, 400], [1800000, 270], [2100000, 130], [2300000, 40]]"
    replace(basil, "calibration.toml", was, points)
    found = texts(pot_folder.load(basil).problems)
    said = f"settings.toml:{at}: depletion_ppt = 400: refill point 296 ppt, but "
    assert [row.startswith(said) for row in found] == [True] * refused


def test_a_check_valve_keeps_the_hose_full(basil):
    put(basil, "settings.toml", "upkeep_ml", 12)
    replace(basil, "pot.toml", "length_mm = 700", 'length_mm = 700\nvalve = "check"')
    assert pot_folder.load(basil).warnings == []


@pytest.mark.parametrize(
    ("tank", "warns"),
    [
        # A box of 4 l and 160 mm: 25 ml a millimetre; the reserve is 200
        ("", ""),
        ("intake_mm = 8\n", ""),
        ("intake_mm = 9\n", "holds 225 ml, and runs dry below that (R4); raise the reserve"),
    ],
)
def test_a_reserve_below_the_pumps_intake_is_told(basil, tank, warns):
    replace(basil, "pot.toml", "[tank]\n", "[tank]\n" + tank)
    warned = " ".join(warning.text for warning in pot_folder.load(basil).warnings)
    assert warns in warned if warns else not warned


def test_an_intake_nobody_measured_is_assumed_aloud(basil):
    put(basil, "settings.toml", "reserve_ml", 124)
    put(basil, "limits.toml", "reserve_ml", 124)
    (warning,) = pot_folder.load(basil).warnings
    assert "5 mm above the floor, where the tank holds 125 ml" in warning.text
    assert "or measure tank.intake_mm" in warning.text


def test_an_intake_above_the_water_is_refused(basil):
    replace(basil, "pot.toml", "[tank]\n", "[tank]\nintake_mm = 145\n")
    (problem,) = pot_folder.load(basil).problems
    assert "tank.intake_mm = 145: allowed up to 144" in problem.text


def test_a_tank_is_filled_by_its_shape():
    """A truncated cone a quarter wider at the top, by its textbook volume."""
    tank = description.Tank("tapered", 1000, 100, 150)

    def cone(height):
        wide = 1 + 0.25 * height / 100
        return height * (1 + wide + wide * wide) / 3

    assert tank.below_ml(40) == pytest.approx(1000 * cone(40) / cone(100))
    assert description.Tank("box", 1000, 100, 150).below_ml(40) == 400


def test_the_window_is_the_one_the_core_counts_in():
    """24 hours and the oscillator's 5 % of them."""
    assert agree.window_s(50) == 86400 + 4320


@pytest.mark.parametrize(
    ("ul_per_ppt", "dose_ml", "by_itself_ml", "most_ml"),
    [
        (3500, 400, 420, 700),  # three answers of 10 ppt, at four times 3.5 ml; presses: two
        (3500, 421, 421, 701),  # or the largest dose
        (1500, 400, 400, 540),  # an answer would be 60 ml: a pulse is 70
        (9000, 400, 1080, 1580),  # or 360 ml: the set dose is 250
        (0, 400, 400, 900),  # a soil of which nothing is known gets the largest dose, and two set
    ],
)
def test_what_the_floor_can_get(basil, ul_per_ppt, dose_ml, by_itself_ml, most_ml):
    """R18: told before it happens, with the presses of its owner."""
    put(basil, "calibration.toml", "ul_per_ppt", ul_per_ppt)
    put(basil, "limits.toml", "dose_ml", dose_ml)
    found = agree.outlook(pot_folder.load(basil))
    assert (found.unanswered_ml, found.floor_ml) == (by_itself_ml, most_ml)


@pytest.mark.parametrize(
    ("flow_ul_s", "allowed_ml"),
    [
        # A run of 200 ms, the core's shortest: 18 ml take it at 90 ml/s; 1 ml a second more and
        # they take 197.8 ms; at 90,040 ul/s 199.91 ms, rounded up to 200
        (90000, None),
        (90040, None),
        (90500, 19),
        (91000, 19),
    ],
)
def test_a_pulse_too_short_to_be_started_is_refused(basil, flow_ul_s, allowed_ml):
    put(basil, "settings.toml", "pulse_ml", 18)
    put(basil, "calibration.toml", "flow_ul_s", flow_ul_s)
    put(basil, "limits.toml", "flow_max_ul_s", 100000)
    found = [p.text for p in pot_folder.load(basil).problems if p.text.startswith("pulse_ml = 18")]
    said = f"pulse_ml = 18: allowed from {allowed_ml} at this flow: no run is shorter than 200 ms"
    assert [text.startswith(said) for text in found] == [True] * (allowed_ml is not None)


@pytest.mark.parametrize(
    ("points", "rails", "warned"),
    [
        ("[[150000, 0], [2000000, 4000]]", "[9000, 2460000]", ""),
        ("[[149000, 0], [2000000, 4000]]", "[9000, 2460000]", "from 149 to 2000 mV at the pin"),
        ("[[400000, 0], [2450000, 4000]]", "[9000, 2460000]", ""),
        ("[[400000, 0], [2451000, 4000]]", "[9000, 2460000]", "from 400 to 2451 mV at the pin"),
    ],
)
def test_a_table_is_warned_of_outside_the_converters_reach_only(basil, points, rails, warned):
    """ESP32 series datasheet, table 4-4: attenuation 3 reads true from 150 to 2450 mV."""
    replace(basil, "calibration.toml", "[[400000, 0], [2000000, 4000]]", points)
    replace(basil, "calibration.toml", "rails = [150000, 2440000]", f"rails = {rails}")
    found = " ".join(warning.text for warning in pot_folder.load(basil).warnings)
    assert warned in found if warned else "at the pin" not in found


def test_a_reserve_that_the_gauge_never_shows_is_refused_at_its_line(basil):
    """Of [level] from 0 to 4000 ml the reserve must be inside: R4 sees it from both sides."""
    at = put(basil, "settings.toml", "reserve_ml", 4000)
    found = [row for row in texts(pot_folder.load(basil).problems) if "reserve_ml" in row]
    (row,) = [row for row in found if row.startswith("settings.toml")]
    assert row.startswith(f"settings.toml:{at}: reserve_ml = 4000: allowed 1 to 3999, inside")


def test_a_pot_without_button_or_charge_sense_is_told_which_lockouts_stay(basil):
    """R12 and R5: what a person at the pot cannot end."""
    rows = (basil / "wiring.toml").read_text(encoding="utf-8").split("\n")
    left = [row for row in rows if not row.startswith(("button", "charger"))]
    (basil / "wiring.toml").write_text("\n".join(left), encoding="utf-8")
    text = (basil / "calibration.toml").read_text(encoding="utf-8")
    (basil / "calibration.toml").write_text(text[: text.index("[charger]")], encoding="utf-8")
    found = texts(pot_folder.load(basil).warnings)
    assert len(found) == 2
    assert sum("no button: lockouts that the owner" in row for row in found) == 1
    assert sum("no charger sense, and not mains" in row for row in found) == 1
    put(basil, "settings.toml", "mains", 1)
    assert "no charger sense" not in " ".join(texts(pot_folder.load(basil).warnings))
    assert "no charger sense" not in " ".join(texts(pot_folder.load(CAFE / "basil").warnings))


@pytest.mark.parametrize(
    ("pins", "says"),
    [
        # Half of 4300 mV is 2150; a lower resistor of 100 kilohm gives 1343, of 250 2287 (6 %)
        ("upper_ohm = 220000, lower_ohm = 220000", ""),
        ("upper_ohm = 220000, lower_ohm = 250000", ""),
        ("upper_ohm = 220000, lower_ohm = 100000", "4300 mV reads 2150000 microvolts, but"),
        ("upper_ohm = 100000, lower_ohm = 220000", "4300 mV puts 2956 mV on the pin"),
    ],
)
def test_the_batterys_table_is_held_against_the_resistors(basil, pins, says):
    """Ohm's law at the fullest point of the table."""
    replace(basil, "wiring.toml", "upper_ohm = 220000, lower_ohm = 220000", pins)
    found = pot_folder.load(basil)
    told = " ".join(one.text for one in found.problems + found.warnings)
    assert says in told if says else not told


def test_a_lockout_that_would_not_end_above_its_begin_is_refused(basil):
    put(basil, "settings.toml", "battery_clear_mv", 3500)
    (problem,) = pot_folder.load(basil).problems
    assert problem.text.startswith("battery_clear_mv = 3500: allowed above battery_mv, which is")


@pytest.mark.parametrize(
    ("wake_s", "a_wake_ml", "a_day_ml"),
    [
        # Runs of 70 ml, 3182 ms, count for 84 ml each (R3): five of them and 80 ml of a sixth
        (86400, 400, 208),
        (172800, 400, 200),
    ],
)
def test_what_wakes_really_give(basil, wake_s, a_wake_ml, a_day_ml):
    put(basil, "settings.toml", "wake_s", wake_s)
    found = agree.outlook(pot_folder.load(basil))
    assert (found.wake_ml, found.lasting_ml_day) == (a_wake_ml, a_day_ml)


def test_a_wake_before_the_last_dose_has_settled_gives_nothing(basil):
    put(basil, "limits.toml", "day_ml", 2000)
    put(basil, "settings.toml", "wake_s", 43200)
    put(basil, "settings.toml", "settle_s", 50000)
    found = agree.outlook(pot_folder.load(basil))
    assert (found.wake_ml, found.lasting_ml_day) == (400, 400)


def test_the_window_of_the_day_may_end_in_a_soak(basil):
    """Six pulses, 900 s apart: the next wake comes 90540 s after the last, the window is 90720 s.

    What the day leaves, 20 ml at the highest flow, is one short pulse of 16 ml. After its soak
    the window is over, and the rest follows. The wake after that comes 900 s closer: 16 ml only.
    """
    put(basil, "settings.toml", "wake_s", 95040)
    put(basil, "settings.toml", "soak_s", 900)
    folder = pot_folder.load(basil)
    found = agree.given_ul(folder.settings, folder.limits, folder.calibration)
    assert [ul // 1000 for ul in found[:5]] == [400, 400, 16, 400, 400]


def test_a_dose_too_small_for_an_answer_is_told(basil):
    """R7: 400 ml are 10 ppt at 40 ml for each, just an answer."""
    for value, told in ((40000, False), (40001, True)):
        put(basil, "calibration.toml", "ul_per_ppt", value)
        warned = " ".join(warning.text for warning in pot_folder.load(basil).warnings)
        assert ("400 ml, raises this soil by 9 ppt, less than the 10 ppt" in warned) == told
        assert ("(R7)" in warned) == told


def test_a_table_beyond_the_converters_reach_is_told(basil):
    """ESP32 series datasheet, table 4-4: attenuation 3 reads true from 150 to 2450 mV."""
    replace(basil, "calibration.toml", "[[400000, 0]", "[[149000, 0]")
    replace(basil, "calibration.toml", "rails = [150000, 2440000]", "rails = [9000, 2440000]")
    (warning,) = pot_folder.load(basil).warnings
    assert "reads correctly from 150 to 2450 mV" in warning.text


@settings(max_examples=100, deadline=None)
@given(name=st.sampled_from(NAMES), data=st.data())
def test_a_pot_that_passes_can_start_its_pump(tmp_path_factory, name, data):
    """With a full tank and an unused day the core's planner finds a run for the dose."""
    folder = tmp_path_factory.mktemp("pot")
    shutil.copytree(CAFE / name, folder, dirs_exist_ok=True)
    put(folder, "settings.toml", "pulse_ml", data.draw(st.integers(1, 40)))
    put(folder, "limits.toml", "day_ml", data.draw(st.integers(1, 60)))
    found = pot_folder.load(folder)
    if found.problems:
        return

    class Facts:
        level_ml = found.about.tank.volume_ml
        reserve_ml = found.settings["reserve_ml"]
        day_left_ml = found.limits["day_ml"]
        unanswered_left_ul = plan.bound_ul(state.State(), found.pot)

    assert plan.pulse_ms(agree.outlook(found).dose_ml * 1000, Facts, found.pot)


@settings(max_examples=60, deadline=None)
@given(
    table=st.sampled_from([("planter", row) for row in description.PLANTER])
    | st.sampled_from([("tank", row) for row in description.TANK])
    | st.sampled_from([("battery", row) for row in description.BATTERY]),
    data=st.data(),
)
def test_a_number_of_pot_toml_out_of_range_is_reported_at_its_line(tmp_path_factory, table, data):
    folder = tmp_path_factory.mktemp("pot")
    shutil.copytree(CAFE / "basil", folder, dirs_exist_ok=True)
    name, (key, least, most, _, meaning) = table
    rows = (folder / "pot.toml").read_text(encoding="utf-8").split("\n")
    start = rows.index(f"[{name}]")
    at = next(n for n in range(start, len(rows)) if rows[n].startswith(key))
    rows[at] = f"{key} = {data.draw(outside(least, most))}"
    (folder / "pot.toml").write_text("\n".join(rows), encoding="utf-8")
    (problem,) = texts(pot_folder.load(folder).problems)
    assert problem.startswith(f"pot.toml:{at + 1}: {name}.{key} = ")
    assert f"allowed {least} to {most} ({meaning})" in problem


def test_a_float_switch_without_pump_current_proves_no_flow(tmp_path):
    folder = Path(shutil.copytree(CAFE / "mint", tmp_path / "mint"))
    replace(folder, "wiring.toml", "current = {", "# current = {")
    text = (folder / "calibration.toml").read_text(encoding="utf-8")
    start = text.index("[current]")
    cut = text[:start] + text[text.index("[battery]") :]
    (folder / "calibration.toml").write_text(cut, encoding="utf-8")
    found = pot_folder.load(folder)
    assert found.problems == []
    assert any("is not recognised (R4)" in warning.text for warning in found.warnings)


def test_a_new_folder_with_nothing_calibrated_passes_at_stage_0(basil):
    """R14: it reads and reports; the core finds no match, so it cannot pump."""
    (basil / "calibration.toml").write_text("stage = 0\n", encoding="utf-8")
    found = pot_folder.load(basil)
    assert found.problems == []
    assert not found.pot.match
    assert set(found.lines) == set(description.KINDS)


def test_calibrated_and_not_wired_is_refused_and_the_other_way_round_at_stage_2(basil):
    replace(basil, "wiring.toml", "soil = { pin = 32 }", "")
    assert any("[soil]: calibrated but not in" in p.text for p in pot_folder.load(basil).problems)


# Pins


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("pump = { pin = 27,", "pump = { pin = 12,", "(R1): strapping"),
        ("pump = { pin = 27,", "pump = { pin = 34,", "(R1): input only"),
        ("pump = { pin = 27,", "pump = { pin = 6,", "(R1): wired to the flash"),
        ("pump = { pin = 27,", "pump = { pin = 14,", "(R1): pulled up at reset"),
        ("pump = { pin = 27,", "pump = { pin = 1,", "(R1): serial TXD"),
        ("pump = { pin = 27,", "pump = { pin = 24,", "the esp32 has no such pin"),
        ('27, active = "high"', '27, active = "low"', "allowed high (R1)"),
        ("soil = { pin = 32 }", "soil = { pin = 21 }", "no converter on this pin"),
        ("soil = { pin = 32 }", "soil = { pin = 25 }", "the radio takes ADC2 away"),
        ("button = { pin = 13,", "button = { pin = 21,", "cannot end deep sleep"),
        ("button = { pin = 13,", "button = { pin = 27,", "pump is on this pin already"),
        ("button = { pin = 13,", "button = { pin = 39,", "no pull resistor inside"),
        ("upper_ohm = 220000", "upper_ohm = 100000", "reads correctly up to 2450 mV"),
    ],
)
def test_a_pin_that_cannot_serve_is_refused_at_its_line(basil, old, new, says):
    replace(basil, "wiring.toml", old, new)
    rows = (basil / "wiring.toml").read_text(encoding="utf-8").split("\n")
    found = pot_folder.load(basil).problems
    assert any(says in p.text and new in rows[p.line - 1] for p in found), texts(found)


# Files that are not what they should be


HOSTILE = {
    "empty": b"",
    "binary": bytes(range(256)) * 8,
    "not utf-8": b'name = "caf\xe9"\n',
    "huge": b"# " + b"x" * (MOST_BYTES + 1),
    "deep": b"a = " + b"[" * 9000 + b"]" * 9000,
    "deep table": b"a = " + b"{a=" * 4000 + b"1" + b"}" * 4000,
    "long dotted": b".".join([b"a"] * 3000) + b" = 1",
    "giant number": b"wake_s = " + b"9" * 6000,
    "giant hex": b"wake_s = 0x" + b"f" * 6000,
    "duplicate": b"wake_s = 86400\nwake_s = 86400\n",
    "cut off": b"wake_s = [1, 2",
    "nan": b"wake_s = nan",
    "escape": b'"\\u001b[2J" = 1\n',
    "long string": b'name = """' + b"x\n" * 9000 + b'"""\n',
}


@pytest.mark.parametrize("kind", FILES)
@pytest.mark.parametrize("what", HOSTILE)
def test_a_hostile_file_gives_problems_of_one_printable_line(basil, kind, what):
    (basil / f"{kind}.toml").write_bytes(HOSTILE[what])
    found = pot_folder.load(basil)
    if (what, kind) == ("empty", "calibration"):  # nothing is measured yet: how a pot begins
        assert found.steps
    else:
        assert found.problems
    for problem in found.problems + found.warnings:
        assert str(problem).isprintable()
        assert len(str(problem)) < 600


@settings(max_examples=100, deadline=None)
@given(kind=st.sampled_from(FILES), data=st.binary(max_size=200) | st.text().map(str.encode))
def test_any_bytes_in_any_file_never_raise(tmp_path_factory, kind, data):
    folder = tmp_path_factory.mktemp("pot")
    shutil.copytree(CAFE / "basil", folder, dirs_exist_ok=True)
    (folder / f"{kind}.toml").write_bytes(data)
    for problem in pot_folder.load(folder).problems:
        assert str(problem).isprintable()


@pytest.mark.parametrize("kind", FILES)
def test_a_missing_file_a_folder_and_a_pipe_in_its_place(basil, kind):
    path = basil / f"{kind}.toml"
    path.unlink()
    assert [p.text[:7] for p in pot_folder.load(basil).problems] == ["missing"]
    path.mkdir()
    assert "not a regular file" in pot_folder.load(basil).problems[0].text
    path.rmdir()
    os.mkfifo(path)
    assert "not a regular file" in pot_folder.load(basil).problems[0].text


@pytest.mark.parametrize("path", ["nowhere", "x" * 5000, "\x1b[2J", "bad\udcff"])
def test_a_folder_that_is_none(path):
    (problem,) = pot_folder.load(path).problems
    assert "not a pot's folder" in problem.text
    assert str(problem).isprintable()


def test_syntax_errors_have_their_line(basil):
    (basil / "limits.toml").write_text("pulse_ms = 5000\nday_ml 400\n", encoding="utf-8")
    (problem,) = texts(pot_folder.load(basil).problems)
    assert problem.startswith("limits.toml:2: not TOML: ")


def test_a_byte_order_mark_and_windows_line_ends_are_read(basil):
    for path in basil.glob("*.toml"):
        text = path.read_text(encoding="utf-8").replace("\n", "\r\n")
        path.write_bytes(b"\xef\xbb\xbf" + text.encode())
    assert pot_folder.load(basil).lines == pot_folder.load(CAFE / "basil").lines
    at = put(basil, "settings.toml", "wake_s", 5)
    assert texts(pot_folder.load(basil).problems)[0].startswith(f"settings.toml:{at}: wake_s = 5")


# private.toml


def git(folder, *words):
    command = ["git", "-C", str(folder), "-c", "user.name=t", "-c", "user.email=t@t", *words]
    subprocess.run(command, check=True, capture_output=True)


@pytest.mark.skipif(shutil.which("git") is None, reason="git is not installed")
def test_private_toml_in_git_is_refused_and_never_shown(basil):
    private = basil / "private.toml"
    private.write_text('key = "a-secret"\nthis is not TOML', encoding="utf-8")
    assert pot_folder.load(basil).problems == []
    git(basil, "init", "-q")
    found = pot_folder.load(basil)
    assert [p.text.split(";")[0] for p in found.warnings] == ["not ignored by git"]
    (basil / ".gitignore").write_text("private.toml\n", encoding="utf-8")
    assert pot_folder.load(basil).warnings == []
    git(basil, "add", "-f", "private.toml")
    (problem,) = pot_folder.load(basil).problems
    assert "tracked by git" in problem.text
    assert "a-secret" not in str(pot_folder.load(basil))


@pytest.mark.skipif(shutil.which("git") is None, reason="git is not installed")
def test_a_strangers_folder_starts_no_program_through_git(basil, tmp_path):
    mark = tmp_path / "ran"
    git(basil, "init", "-q")
    git(basil, "config", "core.fsmonitor", f"touch {mark}; false")
    (basil / "private.toml").write_text("", encoding="utf-8")
    pot_folder.load(basil)
    assert not mark.exists()


def test_compile_files_fills_in_defaults_and_checks_nothing():
    lines = pot_folder.compile_files({}, {}, {})
    record, why = line.decode(lines["settings"])
    assert not why
    assert record["wake_s"] == fields.DAY_S
    assert record["limits_id"] == line.identity(lines["limits"])
