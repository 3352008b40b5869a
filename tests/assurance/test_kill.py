"""Edges of the core that no life happens to touch: the contract of its tables, and each
threshold on both of its sides.

Plain functions without fixtures: the mutation run calls them one by one, and pytest too.
Expected values are worked out here or stand in `contract.toml`, which is what stored files
and logs rely on.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import wakecore
from wakecore import fields, judge, line, number, plan, rules, run, state, table, tank, wake
from wakewell.boards import mock
from wakewell.pot import pot_folder
from wakewell.sequences import bench_pot

CONTRACT = tomllib.loads((Path(__file__).parent / "contract.toml").read_text())
ALL = (fields, judge, line, number, plan, rules, run, state, tank, wake)
MODULES = {m.__name__.split(".")[1]: m for m in ALL}


def pot(
    settings: dict[str, Any] | None = None,
    limits: dict[str, Any] | None = None,
    calibration: dict[str, Any] | None = None,
    probes: tuple[str, ...] = ("temperature", "saucer", "current", "charger"),
) -> Any:
    """The bench pot with some values changed."""
    out = {"temperature", "saucer", "current", "charger"} - set(probes)
    cal = {name: value for name, value in bench_pot.CALIBRATION.items() if name not in out}
    lines = pot_folder.compile_files(
        {**bench_pot.SETTINGS, **(settings or {})},
        {**bench_pot.LIMITS, **(limits or {})},
        {**cal, **(calibration or {})},
    )
    return mock.load_pot({kind: data.decode() for kind, data in lines.items()})


# The contract


def test_rows_are_those_that_files_rely_on() -> None:
    tables = {**fields.KINDS, "probes": fields.PROBES, "state": state.FIELDS}
    for name, rows in tables.items():
        assert [(row[0], list(row[1:4])) for row in rows] == list(CONTRACT[name].items()), name
    found = {row[0]: [row[1], row[2]] for row in rules.LOCKOUTS}
    assert list(found.items()) == list(CONTRACT["lockouts"].items())
    assert [row[:2] for row in rules.PERMISSIVES] == list(CONTRACT["permissives"].items())
    needs = [(row[0], list(row[1:4])) for row in rules.NEEDS]
    assert needs == list(CONTRACT["needs"].items())
    assert [(row[0], list(row[1:])) for row in run.TRIPS] == list(CONTRACT["trips"].items())
    assert list(wake.RECORD) == CONTRACT["lists"]["record"]
    assert list(state.PHASES) == CONTRACT["lists"]["phases"]
    assert list(plan.KINDS) == CONTRACT["lists"]["kinds"]
    assert list(run.CHANNELS) == CONTRACT["lists"]["channels"]
    assert CONTRACT["lists"]["line.MOST_LINE"] == line.MOST_LINE


def test_numbers_are_those_that_files_rely_on() -> None:
    assert wakecore.VERSION == 1
    for name, value in CONTRACT["numbers"].items():
        module, attribute = name.split(".")
        assert getattr(MODULES[module], attribute) == value, name


def test_bits_of_lockouts_are_those_stored() -> None:
    assert {name: 1 << place for place, name in enumerate(CONTRACT["lockouts"])} == rules.BITS
    for way, bits in (("button", rules.BUTTON_BITS), ("cable", rules.CABLE_BITS)):
        names = [name for name, row in CONTRACT["lockouts"].items() if row[1] == way]
        assert bits == sum(rules.BITS[name] for name in names)


# Files


def data(kind: str, **changes: Any) -> dict[str, Any]:
    """What a file of that kind holds with every value at its default."""
    rows = {row[0]: row[3] for row in fields.KINDS[kind]}
    return {"kind": kind, "version": 1, "limits_id": "", **rows, **changes}


def test_every_field_takes_its_ends_and_nothing_beyond() -> None:
    for kind, rows in fields.KINDS.items():
        above = {row[1]: row[2] for row in fields.ABOVE if row[0] == kind}
        for name, least, most, _default in rows:
            for value in (least, most):
                changes = {name: value}
                if name in above:
                    changes[above[name]] = least
                if name in above.values():
                    higher = next(key for key, low in above.items() if low == name)
                    top = next(row[2] for row in rows if row[0] == higher)
                    changes[higher] = top
                found, why = fields.load(kind, data(kind, **changes), "id")
                if (name in above and value == least) or (name in above.values() and value == most):
                    assert found is None, (kind, name, value)
                else:
                    assert found is not None, (kind, name, value, why)
                    assert getattr(found, name) == value
            for value in (least - 1, most + 1, True, "1", None, 1.0):
                found, why = fields.load(kind, data(kind, **{name: value}), "id")
                assert found is None, (kind, name, value)
                assert why == f"{name} = {value}, allowed {least} to {most}"


def test_a_file_lacks_what_it_lacks_and_knows_no_more() -> None:
    for kind in fields.KINDS:
        found, _ = fields.load(kind, {"version": 1}, "id")
        assert found is not None
        assert (found.id, found.limits_id) == ("id", "")
        for name, _, _, default in fields.KINDS[kind]:
            assert getattr(found, name) == default
        found, _ = fields.load(kind, {"version": 1, "kind": kind, "limits_id": "ab"}, "id")
        assert found is not None
        assert found.limits_id == "ab"
        found, why = fields.load(kind, data(kind, wine=1), "id")
        assert (found, why) == (None, f"wine is not a name of {kind}")
        for version in (0, 2, None, True, "1"):
            found, why = fields.load(kind, data(kind, version=version), "id")
            assert (found, why) == (None, f"version {version}, this core knows 1 to 1")


def test_a_value_lies_above_its_other() -> None:
    for kind, higher, lower in fields.ABOVE:
        for step in (0, -1):
            found, why = fields.load(kind, data(kind, **{higher: 300 + step, lower: 300}), "id")
            assert (found, why) == (None, f"{higher} is not above {lower}")
        assert fields.load(kind, data(kind, **{higher: 301, lower: 300}), "id")[0] is not None


def test_old_names_are_read() -> None:
    renamed = {"settings": {1: (("wake", "wake_s"),)}}
    found, why = fields.migrate("settings", {"version": 1, "wake": 7}, renamed)
    assert (found, why) == ({"version": 1, "wake_s": 7}, "")
    both = {"version": 1, "wake": 7, "wake_s": 8}
    assert fields.migrate("settings", both, renamed)[0] == both
    assert fields.migrate("settings", {"version": 1}, renamed)[0] == {"version": 1}
    given = {"version": 1, "wake": 7}
    fields.migrate("settings", given, renamed)
    assert given == {"version": 1, "wake": 7}, "what was given stays as it was"
    later = {"settings": {2: (("wake", "wake_s"),)}}
    assert fields.migrate("settings", given, later)[0] == given, "no step of a version to come"
    for kind in fields.KINDS:
        assert (fields.Values(kind).id, fields.Values(kind).limits_id) == ("", "")


GOOD: dict[str, Any] = {"points": [10, 0, 20, 100], "rails": [0, 30], "spread": 2}


def probe(**changes: Any) -> tuple[Any, str]:
    """A soil probe of GOOD with changes, as loaded."""
    made = {f"soil_{name}": value for name, value in {**GOOD, **changes}.items()}
    found, why = fields.load("calibration", data("calibration", **made), "id")
    return (found.soil if found is not None else None), why


def test_a_probe_is_what_its_points_say() -> None:
    found, why = probe()
    assert why == ""
    assert found.points == ((10, 0), (20, 100))
    assert (found.rail_low, found.rail_high, found.spread) == (0, 30, 2)
    assert (found.low, found.high, found.margin) == (10, 20, 0)
    wide = probe(points=[100, 0, 300, 50, 500, 100], rails=[0, 600])[0]
    assert (wide.low, wide.high, wide.margin) == (100, 500, 20)
    assert probe(points=[10, 100, 20, 0])[0].points == ((10, 100), (20, 0))
    spreadless = {f"soil_{name}": GOOD[name] for name in ("points", "rails")}
    found, _ = fields.load("calibration", data("calibration", **spreadless), "id")
    assert found is not None
    assert found.soil.spread == 0


def test_a_probe_that_is_none_is_refused() -> None:
    pairs = "soil_points: 2 to 16 pairs of counts and value"
    rails = "soil_rails: two counts, low and high"
    turns = "soil_points: counts must rise, values go one way"
    between = "soil_rails: points must lie between"
    most = fields.COUNTS_MOST
    many = [n for place in range(17) for n in (10 + place, place)]
    for changes, why in (
        ({"points": [10, 0]}, pairs),
        ({"points": [10, 0, 20]}, pairs),
        ({"points": [10, 0, 20, 1, 25]}, pairs),
        ({"points": many}, pairs),
        ({"points": "10"}, pairs),
        ({"rails": [0]}, rails),
        ({"rails": [0, 30, 40]}, rails),
        ({"rails": None}, rails),
        ({"points": [10, 0, 10, 100]}, turns),
        ({"points": [20, 0, 10, 100]}, turns),
        ({"points": [10, 5, 20, 5]}, turns),
        ({"points": [10, 0, 15, 50, 20, 40]}, turns),
        ({"points": [10, 50, 15, 20, 20, 40]}, turns),
        ({"rails": [10, 30]}, between),
        ({"rails": [0, 20]}, between),
        ({"rails": [11, 30]}, between),
        ({"points": [10, 0, 20, 50, 25, 100], "rails": [0, 25]}, between),
        ({"rails": [0, most + 1]}, f"soil: {most + 1} is not a number of counts"),
        ({"rails": [-most - 1, 30]}, f"soil: {-most - 1} is not a number of counts"),
        ({"points": [10, 0, True, 100]}, "soil: True is not a number of counts"),
        ({"spread": "2"}, "soil: 2 is not a number of counts"),
        ({"points": [10, -1, 20, 100]}, "soil_points: value -1, allowed 0 to 1000"),
        ({"points": [10, 0, 20, 1001]}, "soil_points: value 1001, allowed 0 to 1000"),
    ):
        assert probe(**changes) == (None, why), changes
    assert probe(points=many[:32], rails=[0, 60])[0] is not None
    assert probe(rails=[9, 21])[0] is not None
    for name, least, top, _needed in fields.PROBES:
        made = {f"{name}_points": [10, least, 20, top], f"{name}_rails": [0, 30]}
        assert fields.load("calibration", data("calibration", **made), "id")[0] is not None, name
        for values in ((least - 1, top), (least, top + 1)):
            made[f"{name}_points"] = [10, values[0], 20, values[1]]
            found, _ = fields.load("calibration", data("calibration", **made), "id")
            assert found is None, (name, values)


def test_files_match_only_if_made_for_one_another() -> None:
    assert pot().match
    for name, sense, limit in fields.INSIDE:
        bound = 55 if "mv" not in limit else 3500
        made = pot({"dose_ml": 10, "pulse_ml": 10, "upkeep_ml": 10, "upkeep_days": 60})
        made.settings.reserve_ml, made.settings.battery_mv = 20000, 30000
        for value, holds in ((bound, True), (bound + 1, sense == ">="), (bound - 1, sense == "<=")):
            setattr(made.limits, limit, bound)
            setattr(made.settings, name, value)
            if sense == "<=":
                made.limits.dose_ml = max(bound, 10)
                made.limits.upkeep_ml = max(bound, 10)
            assert made.agree() is holds, (name, value)
    made = pot()
    assert fields.outside(made.settings, made.limits) == ""
    made.settings.dose_ml = 151
    told = "dose_ml = 151, the hard limit is at most 150"
    assert fields.outside(made.settings, made.limits) == told
    made.settings.dose_ml, made.settings.reserve_ml = 150, 49
    told = "reserve_ml = 49, the hard limit is at least 50"
    assert fields.outside(made.settings, made.limits) == told
    made = pot()
    made.limits.id = made.settings.limits_id = made.calibration.limits_id = ""
    assert not made.agree()
    for one in ("settings", "calibration"):
        made = pot()
        getattr(made, one).limits_id = "00000000"
        assert not made.agree()
    for name, _, _, needed in fields.PROBES:
        made = pot()
        setattr(made.calibration, name, None)
        assert made.agree() is not bool(needed), name
    made = pot()
    for flow, holds in ((0, False), (1, True), (25000, True), (25001, False)):
        made.calibration.flow_ul_s = flow
        assert made.agree() is holds, flow


# Permissives and needs, each on both sides


def facts(**changes: Any) -> SimpleNamespace:
    """Facts under which everything holds and nothing is needed."""
    usual: dict[str, Any] = {
        "pin_good": True, "boots": 0, "files_good": True, "match": True, "stage": 2,
        "kind": "set", "lockouts": 0, "battery_mv": 3900, "battery_floor_mv": 3600,
        "level_ml": 1000, "start_ml": 100, "is_steady": True, "soil_ppt": 200, "standing": False,
        "soaking": False, "since_dose_s": 9000, "settle_s": 9000, "saucer": "dry",
        "day_left_ml": 1, "unanswered_left_ul": 1, "warn_ml": 250, "scatter_ml": 10,
        "float_opened": False, "charge_mv": 3700, "radio_mv": 3600, "weak": 0, "cold": False,
        "confirm_charge": False, "unplug_charger": False, "thermometer_lost": False,
        "button_masked": 0, "store_failed": False, "thirst": 2, "silent_doses": 0,
        "empties": False, "is_back": False, "spent": False, "given_up": False,
        "needed": 0, "locked_in": 0, "judged": {"soil": "good"},
    }  # fmt: skip
    made = SimpleNamespace(**{**usual, **changes})
    made.needs = rules.need_bits(made)  # type: ignore[arg-type]
    return made


def test_each_permissive_on_both_sides() -> None:
    held, allowed = rules.judge_permissives(facts())
    assert allowed is True
    assert set(held.values()) == {1}
    holding: tuple[dict[str, Any], ...] = (
        {"boots": 2}, {"battery_mv": 3600}, {"level_ml": 100},
        {"kind": "upkeep", "soil_ppt": None}, {"kind": "manual", "soil_ppt": None},
        {"kind": "upkeep", "standing": True}, {"kind": "manual", "standing": True},
        {"soaking": True, "since_dose_s": 0}, {"saucer": "unfitted"},
        {"stage": 1, "kind": "upkeep"}, {"kind": "manual", "soil_ppt": None, "cold": True},
    )  # fmt: skip
    for changes in holding:
        assert rules.judge_permissives(facts(**changes))[1] is True, changes
    failing: tuple[tuple[dict[str, Any], str], ...] = (
        ({"pin_good": False}, "pin"), ({"boots": 3}, "boots"), ({"files_good": False}, "files"),
        ({"match": False}, "match"), ({"stage": 1}, "commissioned"),
        ({"stage": 0, "kind": "upkeep"}, "commissioned"), ({"lockouts": 1}, "lockouts"),
        ({"lockouts": 64}, "lockouts"), ({"battery_mv": 3599}, "battery"),
        ({"battery_mv": None}, "battery"), ({"level_ml": None}, "level"),
        ({"level_ml": 99}, "reserve"), ({"is_steady": False}, "steady"),
        ({"soil_ppt": None}, "soil"), ({"standing": True}, "moving"),
        ({"soil_ppt": None, "kind": "upkeep", "cold": True}, "soil"),
        ({"standing": True, "kind": "upkeep", "cold": True}, "moving"),
        ({"since_dose_s": 8999}, "settled"), ({"saucer": "wet"}, "saucer"),
        ({"saucer": "lost"}, "saucer"), ({"day_left_ml": 0}, "day"),
        ({"unanswered_left_ul": 0}, "answer"),
    )  # fmt: skip
    for changes, name in failing:
        held, allowed = rules.judge_permissives(facts(**changes))
        assert (held[name], allowed) == (0, False), changes
        others = {key for key, value in held.items() if not value} - {name}
        assert others <= {"reserve"}, changes
    assert rules.judge_permissives(facts(level_ml=None, start_ml=1))[0]["reserve"] == 0


def needs(**changes: Any) -> list[str]:
    """What these facts ask for."""
    found: list[str] = rules.need_names(rules.need_bits(facts(**changes)))
    return found


def test_each_need_on_both_sides() -> None:
    assert needs() == []
    assert needs(level_ml=250, battery_mv=3700) == []
    asking: tuple[tuple[dict[str, Any], list[str]], ...] = (
        ({"level_ml": 249}, ["fill the tank"]), ({"float_opened": True}, ["fill the tank"]),
        ({"battery_mv": 3699}, ["charge the battery"]), ({"weak": 1}, ["charge the battery"]),
        ({"battery_mv": None}, ["see to the battery"]),
        ({"confirm_charge": True}, ["confirm the charge"]),
        ({"unplug_charger": True}, ["unplug the charger"]),
        ({"soil_ppt": None}, ["see to the soil probe"]),
        ({"soil_ppt": None, "cold": True}, ["see to the soil probe"]),
        ({"soil_ppt": None, "judged": {"soil": "cold"}}, ["see to the soil probe"]),
        ({"soil_ppt": None, "cold": True, "judged": {"soil": "cold"}}, []),
        ({"thermometer_lost": True}, ["see to the thermometer"]),
        ({"level_ml": None}, ["see to the level"]), ({"button_masked": 1}, ["free the button"]),
        ({"saucer": "wet"}, ["empty the saucer"]),
        ({"saucer": "lost"}, ["see to the saucer probe"]),
        ({"lockouts": 2}, ["clear a lockout"]), ({"lockouts": 4}, ["see to the pot"]),
        ({"is_back": True}, ["clear a lockout"]), ({"lockouts": 1}, []),
        ({"store_failed": True}, ["see to the pot"]), ({"stage": 1}, ["commission the pot"]),
        ({"match": False}, ["commission the pot"]),
        ({"thirst": 3}, ["see why it stays dry", "water by hand"]),
        ({"silent_doses": 1}, ["see to the hose"]), ({"lockouts": 8}, ["clear a lockout"]),
        ({"lockouts": 8, "spent": True}, ["see to the hose"]),
        ({"lockouts": 8 | 2, "spent": True}, ["clear a lockout", "see to the hose"]),
        ({"given_up": True}, ["see to the pot"]),
        ({"empties": 4}, ["see why the tank empties"]),
        # A tank that empties by itself is not to be filled again and again
        ({"empties": True, "level_ml": 0}, ["see why the tank empties"]),
        ({"empties": True, "float_opened": True}, ["see why the tank empties"]),
    )  # fmt: skip
    names = [row[0] for row in rules.NEEDS]
    for changes, wanted in asking:
        assert needs(**changes) == wanted, changes
        bits = sum(1 << names.index(name) for name in wanted)
        assert rules.need_bits(facts(**changes)) == bits, changes
    assert {name: 1 << place for place, name in enumerate(names)} == rules.NEED_BITS


def test_a_need_that_was_asked_for_stays_a_little_longer() -> None:
    """A value that flaps around its bound asks once (R17): 10 ml of scatter, 20 mV of the cell."""
    tank_bit, cell_bit = rules.NEED_BITS["fill the tank"], rules.NEED_BITS["charge the battery"]
    both = tank_bit | cell_bit
    assert needs(needed=both, level_ml=259, battery_mv=3719) == [
        "fill the tank", "charge the battery",
    ]  # fmt: skip
    assert needs(needed=both, level_ml=260, battery_mv=3720) == []
    assert needs(needed=cell_bit, level_ml=259) == []
    assert needs(needed=tank_bit, battery_mv=3719) == []
    assert needs(needed=both, level_ml=None, battery_mv=None) == [
        "see to the battery", "see to the level",
    ]  # fmt: skip
    assert needs(needed=tank_bit, level_ml=259, empties=True) == ["see why the tank empties"]
    others = (1 << len(rules.NEEDS)) - 1 - both
    assert needs(needed=others) == [], "no other need outlives its cause"


def test_clearing_forgets_what_led_to_it() -> None:
    led: dict[str, dict[str, int]] = {
        "dry run": {"dry_trips": 0},
        "no response": {"silent_doses": 0, "unanswered_ul": 0, "tries": 0, "tried_ppt": -1},
        "interrupted": {"interrupts": 0}, "battery low": {"clear_wakes": 0, "low_wakes": 0},
        "leak": {"leak_looks": 0, "fill_looks": 0, "look_ml": -1, "filled_ml": -1, "leak_ml": -1},
    }  # fmt: skip
    fields_of_all = [name for row in led.values() for name in row]
    every = sum(rules.BITS.values())
    for name, bit in rules.BITS.items():
        was = kept(lockouts=every, **dict.fromkeys(fields_of_all, 2))
        rules.clear(was, bit)
        assert was.lockouts == every - bit
        for other, row in led.items():
            for field_name, value in row.items():
                wanted = value if other == name else 2
                assert getattr(was, field_name) == wanted, (name, field_name)
        assert rules.latched(was) == [row for row in rules.BITS if row != name]
        rules.latch(was, name)
        assert was.lockouts == every
    was = kept(**dict.fromkeys(fields_of_all, 2))
    rules.clear(was, every)
    for field_name in fields_of_all:
        assert getattr(was, field_name) == 2, "nothing was latched, nothing is forgotten"
    assert rules.latched(state.State()) == []


# Readings


def test_each_word_of_a_reading_on_both_sides() -> None:
    found = probe(points=[100, 0, 500, 1000], rails=[0, 600], spread=5)[0]
    assert judge.judge(None, [300, 0]) == "unfitted"
    assert judge.judge(found, None) == "absent"
    for reading, word in (
        ([0, 0], "railed"), ([1, 0], "span"), ([600, 0], "railed"), ([599, 0], "span"),
        ([300, 5], "good"), ([300, 6], "flicker"), ([80, 0], "good"), ([79, 0], "span"),
        ([520, 0], "good"), ([521, 0], "span"),
    ):  # fmt: skip
        assert judge.judge(found, reading) == word, reading
    assert judge.value(found, [300, 0], "good") == 500
    assert judge.value(found, [300, 0], "flicker") is None


def kept(**changes: Any) -> Any:
    """A retained state with changes."""
    made = state.State()
    for name, value in changes.items():
        setattr(made, name, value)
    return made


def test_soil_cold_frozen_and_jump_on_both_sides() -> None:
    made = pot({"frozen_wakes": 5, "fall_ppt_day": 150}, {"cold_mc": 2000})
    dry = 2000000 - 2 * 100 * 1000  # 100 ppt, 2000 counts for one
    for mc, word in ((2000, "good"), (1999, "cold"), (None, "cold")):
        assert judge.judge_soil([dry, 9], mc, kept(), made) == word
    bare = pot(probes=())
    assert judge.judge_soil([dry, 9], None, kept(), bare) == "good"
    for same, spread, counts, word in (
        (4, 0, dry, "frozen"), (3, 0, dry, "good"), (4, 1, dry, "good"), (4, 0, dry + 1, "good"),
    ):  # fmt: skip
        was = kept(soil_counts=dry, soil_same=same)
        assert judge.judge_soil([counts, spread], 9000, was, made) == word, (same, spread)
    for last, ago_s, word in (
        (250, 0, "good"), (251, 0, "jump"), (251, 86399, "jump"), (251, 86400, "good"),
        (400, 86400, "good"), (401, 86400, "jump"), (401, 172800, "good"), (-1, 0, "good"),
    ):  # fmt: skip
        was = kept(soil_ppt=last, soil_s=ago_s)
        assert judge.judge_soil([dry, 9], 9000, was, made) == word, (last, ago_s)
    assert judge.judge_soil(None, 9000, kept(), made) == "absent"


def test_what_is_remembered_of_soil() -> None:
    was = kept(soil_counts=7, soil_same=3, soil_ppt=100, soil_s=50)
    judge.remember_soil(was, None, "absent", None)
    judge.remember_soil(was, [9, 0], "railed", None)
    judge.remember_soil(was, [9, 0], "unfitted", None)
    assert (was.soil_counts, was.soil_same, was.soil_ppt, was.soil_s) == (7, 3, 100, 50)
    judge.remember_soil(was, [7, 0], "good", 120)
    assert (was.soil_counts, was.soil_same, was.soil_ppt, was.soil_s) == (7, 4, 120, 0)
    judge.remember_soil(was, [7, 1], "good", 0)
    assert (was.soil_counts, was.soil_same, was.soil_ppt) == (7, 1, 0)
    judge.remember_soil(was, [8, 0], "flicker", None)
    assert (was.soil_counts, was.soil_same, was.soil_ppt) == (8, 1, 0)
    was.soil_same = 1000
    judge.remember_soil(was, [8, 0], "good", 5)
    assert was.soil_same == 1000


def test_the_response_stays_near_the_calibrated_one() -> None:
    for base, learned, response in (
        (0, 700, 0), (1000, 0, 1000), (1000, 249, 250), (1000, 250, 250), (1000, 4000, 4000),
        (1000, 4001, 4000), (3, 0, 3), (2, 1, 1), (1, 9, 4),
    ):  # fmt: skip
        cal: Any = SimpleNamespace(ul_per_ppt=base)
        found = judge.response_ul_per_ppt(kept(learned_ul_per_ppt=learned), cal)
        assert found == response, (base, learned)


def test_an_answer_on_both_sides() -> None:
    settings: Any = SimpleNamespace(response_ppt=10, dose_ml=80)
    unknown: Any = SimpleNamespace(ul_per_ppt=0)
    known: Any = SimpleNamespace(ul_per_ppt=1000)

    def asked(
        cal: Any, given_ul: int, rise: int, before: int = 200, exhausted: bool = False, dry: int = 1
    ) -> tuple[Any, ...]:
        was = kept(
            before_ppt=before, peak_ppt=before + rise, given_ul=given_ul, silent_doses=1,
            unanswered_ul=99, asked=dry,
        )  # fmt: skip
        seen = kept(before_ppt=before, peak_ppt=before, given_ul=given_ul, unanswered_ul=99)
        judge.follow(seen, before + rise, cal, settings)
        judge.learn(was, cal, settings, exhausted)
        assert seen.unanswered_ul == (0 if was.silent_doses == 0 else 99), "R18: answered or not"
        assert was.unanswered_ul == 99, "what was given since the answer was seen counts"
        return was.silent_doses, was.learned_ul_per_ppt, was.before_ppt, was.peak_ppt

    closed = (-1, -1)
    assert asked(unknown, 40000, 10) == (0, 0, *closed)
    assert asked(unknown, 40000, 9) == (2, 0, *closed)
    assert asked(unknown, 39999, 9) == (1, 0, 200, 209), "too small a dose: left open"
    assert asked(unknown, 39999, 10) == (0, 0, *closed), "but a rise answers"
    assert asked(known, 9000, 9) == (1, 0, 200, 209), "too small, and 9 ppt expected: open"
    assert asked(known, 9000, 10) == (0, 0, *closed), "but a rise answers"
    assert asked(known, 9001, 4) == (2, 0, *closed), "10 ppt can be seen"
    assert asked(known, 9001, 5) == (0, 0, *closed), "half of what was expected will do"
    wide: Any = SimpleNamespace(ul_per_ppt=20000)
    assert asked(wide, 39999, 1) == (1, 0, 200, 201)
    assert asked(wide, 40000, 1) == (0, 0, *closed), "a whole dose is judged by what it should do"
    assert asked(wide, 40000, 0) == (2, 0, *closed)
    assert asked(known, 40000, 10) == (0, 0, *closed)
    assert asked(known, 40000, 9) == (2, 0, *closed)
    assert asked(known, 12000, 6) == (0, 0, *closed)
    assert asked(known, 12000, 5) == (2, 0, *closed)
    # From 20 up to twice the expected it learns a quarter of the difference
    assert asked(known, 40000, 20) == (0, 1250, *closed)
    assert asked(known, 40000, 19) == (0, 0, *closed)
    assert asked(known, 40000, 80) == (0, 875, *closed)
    assert asked(known, 40000, 81) == (0, 0, *closed)
    assert asked(known, 40000, 10, before=0) == (0, 0, *closed), "as dry as can be"
    # Nothing more may be given: the question is judged as it stands (R18)
    assert asked(unknown, 39999, 9, exhausted=True) == (2, 0, *closed)
    assert asked(unknown, 39999, 10, exhausted=True) == (0, 0, *closed)
    # A dose that nobody's dry soil asked for: silence is no fault, a rise is an answer (R7)
    assert asked(known, 40000, 0, dry=0) == (1, 0, *closed)
    assert asked(unknown, 100, 0, dry=0) == (1, 0, *closed)
    assert asked(known, 40000, 40, dry=0) == (0, 0, *closed), "and nothing is learned"


# Planning


def test_refill_and_target() -> None:
    for capacity, wilting, depletion, fill, refill, target in (
        (400, 100, 500, 950, 250, 380), (400, 100, 50, 1000, 385, 400),
        (401, 100, 500, 500, 250, 201),
    ):  # fmt: skip
        settings: Any = SimpleNamespace(depletion_ppt=depletion, fill_ppt=fill)
        cal: Any = SimpleNamespace(capacity_ppt=capacity, wilting_ppt=wilting)
        assert fields.refill_ppt(settings, cal) == refill
        assert fields.target_ppt(settings, cal) == target
    assert plan.water_ul(100, 101, 7) == 7
    assert plan.water_ul(101, 101, 7) == plan.water_ul(102, 101, 7) == 0
    made = pot()
    for kind, soil, filled in (
        (plan.DEPLETION, 380, True), (plan.SET, 380, True), (plan.SET, 379, False),
        (plan.MANUAL, 380, False), (plan.UPKEEP, 380, False), (plan.SET, None, False),
    ):  # fmt: skip
        assert plan.filled(kind, soil, made) is filled


def test_who_asks_for_how_much() -> None:
    upkeep = {"upkeep_ml": 30, "upkeep_days": 4}
    known, unknown = pot(upkeep), pot(upkeep, calibration={"ul_per_ppt": 0})
    first = pot(upkeep, calibration={"stage": 1})
    day_s = 86400

    def ask(made: Any, since_s: int = 0, **changes: Any) -> tuple[int, int]:
        asking: Any = SimpleNamespace(
            **{"manual": False, "due": True, "soil_ppt": 250, "dry": True, **changes}
        )
        found: tuple[int, int] = plan.demand(asking, kept(since_dose_s=since_s), made)
        return found

    assert ask(known) == (plan.DEPLETION, 130000)
    assert ask(known, soil_ppt=251, dry=False) == (plan.NONE, 0)
    assert ask(known, soil_ppt=100) == (plan.DEPLETION, 150000), "the largest dose"
    assert ask(unknown) == (plan.SET, 80000)
    assert ask(known, due=False) == (plan.NONE, 0)
    assert ask(known, manual=True, due=False, soil_ppt=None) == (plan.MANUAL, 80000)
    assert ask(known, 4 * day_s, soil_ppt=None) == (plan.UPKEEP, 30000)
    assert ask(known, 4 * day_s - 1, soil_ppt=None) == (plan.NONE, 0)
    assert ask(known, 9 * day_s, soil_ppt=300, dry=False) == (plan.NONE, 0)
    assert ask(first, 4 * day_s) == (plan.UPKEEP, 30000)
    assert ask(first, 4 * day_s - 1) == (plan.NONE, 0)
    assert ask(pot(), 9 * day_s, soil_ppt=None, dry=False) == (plan.NONE, 0)


def test_the_length_of_a_pulse() -> None:
    left = {"unanswered_left_ul": 150000}

    def length(ul: int, made: Any = None, **changes: Any) -> int:
        asking: Any = SimpleNamespace(
            **{"level_ml": 1000, "reserve_ml": 80, "day_left_ml": 400, **left, **changes}
        )
        return int(plan.pulse_ms(ul, asking, made or pot()))

    assert length(40000) == length(99000) == 2000, "40 ml at 20 ml a second"
    assert length(20001) == 1001, "rounded up"
    assert length(4000) == 200
    assert length(3980) == 0, "not worth a start"
    assert length(40000, level_ml=100) == 1000
    assert length(40000, level_ml=84) == 200
    assert length(40000, level_ml=83) == length(40000, level_ml=80) == 0
    assert length(40000, level_ml=None) == length(0) == 0
    assert length(40000, day_left_ml=25) == 800, "25 ml at 25 ml a second, less the overrun"
    assert length(40000, day_left_ml=10) == 200
    assert length(40000, unanswered_left_ul=30000) == 1500, "what the soil must answer first"
    assert length(40000, unanswered_left_ul=3000) == length(40000, unanswered_left_ul=0) == 0
    assert length(40000, day_left_ml=9) == 0
    assert length(90000, pot({"pulse_ml": 140})) == 4500
    assert length(140000, pot({"pulse_ml": 140})) == 5000, "the hard limit"
    float_only = pot(calibration={"float_only": 1})
    assert length(40000, float_only, level_ml=1) == 2000
    still = pot()
    still.calibration.flow_ul_s = 0
    assert length(40000, still) == 0


def test_what_a_run_counts_for() -> None:
    made = pot(calibration={"tolerance_ml": 5})
    assert plan.counted_ml(1000, None, made) == 25
    assert plan.counted_ml(1001, None, made) == 26
    assert plan.counted_ml(1000, 26, made) == 26
    assert plan.counted_ml(1000, 24, made) == 25
    assert plan.counted_ml(40, 5, made) == 1, "within the tolerance it says nothing"
    assert plan.counted_ml(40, 6, made) == 6
    cal: Any = SimpleNamespace(flow_ul_s=20000, tolerance_ml=5)
    assert plan.given_ul(1000, None, cal) == plan.given_ul(1000, 10, cal) == 20000
    assert plan.given_ul(1000, 11, cal) == 11000


def test_a_proof_over_several_pulses() -> None:
    """What one pulse is too small to show is judged over several: commanded against lost (R4)."""
    made = pot({"leak_ml_day": 5}, {"dry_trips": 3}, {"tolerance_ml": 5})

    def pulse(was: Any, ran_ms: int, before_ml: int, after_ml: int | None) -> Any:
        return tank.go_on_with_proof(was, made, ran_ms, before_ml, after_ml)

    was = kept(dry_trips=2, proof_s=77, proof_ml=7)
    assert pulse(was, 1000, 100, 97) is None, "a quarter of 20 ml is what the gauge may be wrong by"
    assert (was.proof_ul, was.proof_ml, was.proof_pulses, was.proof_s) == (20000, 100, 1, 0)
    assert pulse(was, 200, 999, 94) is True, "6 of 24 ml, from before the first pulse"
    assert (was.proof_ul, was.proof_pulses, was.dry_trips, was.lockouts) == (0, 0, 0, 0)
    was = kept(dry_trips=1)
    assert pulse(was, 1000, 100, 100) is None
    assert pulse(was, 200, 100, 95) is False, "5 of 24 ml is less than a quarter"
    assert (was.proof_ul, was.proof_pulses) == (0, 0)
    assert (was.dry_trips, was.lockouts) == (3, rules.BITS["dry run"]), "two dry runs more"
    was = kept()
    assert pulse(was, 1200, 100, None) is None, "not known yet"
    assert (was.proof_ul, was.proof_pulses) == (24000, 1)
    was = kept()
    assert pulse(was, 1200, -1, 95) is None, "nothing to compare with"
    assert was.proof_ul == 0
    assert pulse(was, 1200, 0, None) is None, "a tank that shows nothing is something"
    assert was.proof_ul == 24000
    switch = pot(calibration={"float_only": 1})
    was = kept()
    assert tank.go_on_with_proof(was, switch, 9000, 100, 0) is None
    assert was.proof_ul == 0


def test_a_proof_over_days_leaves_room_for_evaporation() -> None:
    """5 ml a day may evaporate: it shows no pump, and what it could hide is not judged (R4)."""
    made = pot({"leak_ml_day": 5}, {"dry_trips": 3}, {"tolerance_ml": 5})

    def go_on(days: int, after_ml: int, ul: int = 20000) -> tuple[Any, int]:
        was = kept(proof_ul=ul, proof_pulses=1, proof_ml=100, proof_s=days * 86400)
        return tank.go_on_with_proof(was, made, 200, 98, after_ml), was.proof_pulses

    assert go_on(1, 89) == (True, 0), "5 ml evaporated, 6 ml pumped"
    assert go_on(1, 90) == (False, 0), "5 ml evaporated, 5 ml of 6 pumped"
    assert go_on(2, 84) == (True, 0), "10 ml may have evaporated, half of 20"
    assert go_on(3, 84) == (None, 1), "more than half: it begins anew, with this pulse"
    was = kept(proof_ul=24000, proof_pulses=2, proof_ml=100, proof_s=3 * 86400)
    assert tank.judge_proof(was, made, 50, 4000) is None
    assert was.proof_pulses == 2


def test_rested_readings_prove_as_well() -> None:
    """Four rested readings say more than one: a third of the water is asked for (R4)."""
    made = pot({"leak_ml_day": 0}, {"dry_trips": 2}, {"tolerance_ml": 5})

    def look(level_ml: int, look_n: int = 3, ul: int = 18000) -> Any:
        was = kept(
            look_ml=level_ml, look_n=look_n, proof_ul=ul, proof_pulses=2, proof_ml=100, dry_trips=1
        )
        tank.look(was, facts(level_ml=level_ml, due=True, reserve_ml=80), made)
        return was.proof_pulses, was.dry_trips, was.lockouts

    assert look(94) == (0, 0, 0), "6 of 18 ml"
    assert look(95) == (0, 3, 2), "5 of 18 ml"
    assert look(100, look_n=2) == (2, 1, 0), "three readings are too few"
    assert look(100, ul=17999) == (2, 1, 0), "a third of it is within the tolerance"
    exact = pot({"leak_ml_day": 0}, {"dry_trips": 2}, {"tolerance_ml": 0})
    was = kept(proof_ul=900, proof_pulses=1, proof_ml=100)
    assert tank.judge_proof(was, exact, 100, 0) is None, "not now, however fine the gauge"
    was = kept(look_ml=100, look_n=4, proof_ul=18000, proof_ml=100)
    assert tank.judge_proof(was, made, 100, 3000) is None, "no pulse, no proof"


# A run


def test_the_watch_list_of_a_run() -> None:
    made = pot({"reserve_ml": 80}, {"reserve_ml": 50, "dry_ms": 1600})
    found = run.prepare(2000, 1000, 400, made)
    rows = {(row[0], row[1]): row[2:] for row in found.rows}
    unread = run.UNREAD - 1
    assert rows["battery lost", run.BATTERY] == (1, unread, 0, 2)
    assert rows["level lost", run.LEVEL] == (1, unread, 0, 2)
    # Half a unit before a value its reading is rounded up to it
    assert rows["sag", run.BATTERY] == (-1, -(1250000 + 500 * 500 - 250), 0, 2)
    assert rows["reserve", run.LEVEL][1:] == (-(500000 + 79500), 0, 2)
    assert rows["no flow", run.LEVEL] == (1, 500000 + 991500 - 1, 1600, 2), "8 of 1000 ml"
    assert rows["saucer lost", run.SAUCER] == (1, unread, 0, 2)
    assert rows["wet", run.SAUCER] == (1, 999500 - 1, 0, 2)
    assert ("no load", run.CURRENT) in rows
    assert found.pulse_ms == 2000
    falls = {row[0]: row for row in found.rows if row[0] in ("fast fall", "day")}
    # Twice the highest flow for 2 s is 100 ml, and two readings 5 ml off; the day leaves 400 ml
    assert falls["fast fall"] == ("fast fall", run.LEVEL, -1, -(500000 + 889500), 0, 2)
    assert falls["day"] == ("day", run.LEVEL, -1, -(500000 + 594500), 0, 2)
    assert [row for row in found.rows if row[0] == "no load"] == [
        ("no load", run.CURRENT, 1, unread, 0, 2),
        ("no load", run.CURRENT, -1, -(200000 + 99500), 600, 3),
    ]
    low = {row[0] for row in run.prepare(2000, 110, 400, made).rows}
    assert not {"fast fall", "day"} & low
    low = {row[0] for row in run.prepare(2000, 111, 105, made).rows}
    assert {"fast fall", "day"} <= low
    assert "day" not in {row[0] for row in run.prepare(2000, 111, 106, made).rows}
    odd = run.prepare(2001, 1000, 400, made)
    assert {row[0]: row for row in odd.rows}["fast fall"][3] == -(500000 + 888500), "rounded up"
    kept_channels = [run.MS, run.LEVEL, run.BATTERY, run.CURRENT, run.SAUCER]
    assert run.channels(made.calibration) == kept_channels
    assert run.channels(pot(probes=()).calibration) == kept_channels[:3]
    bare = {row[0] for row in run.prepare(2000, 1000, 400, pot(probes=())).rows}
    assert not bare & {"no load", "saucer lost", "wet"}
    coarse = run.prepare(2000, 1000, 400, pot(calibration={"tolerance_ml": 8}))
    assert "no flow" not in {row[0] for row in coarse.rows}
    fine = run.prepare(2000, 1000, 400, pot(calibration={"tolerance_ml": 7}))
    assert "no flow" in {row[0] for row in fine.rows}
    switch = run.prepare(2000, 1000, 400, pot(calibration={"float_only": 1}))
    assert not {"no flow", "fast fall"} & {row[0] for row in switch.rows}
    undriven = run.prepare(2000, 1000, 400, pot(calibration={"dry_ma": 0}))
    assert [row[0] for row in undriven.rows].count("no load") == 1
    assert [row[0] for row in found.rows].count("no load") == 2


def test_a_run_stops_at_its_second_sample_in_a_row() -> None:
    found = run.Run(2000, (("sag", run.BATTERY, -1, -100, 300, 2),))

    def sample(ms: int, counts: int) -> int:
        found.now[run.MS], found.now[run.BATTERY] = ms, counts
        return int(found.step())

    assert sample(150, 99) == run.KEEP, "not yet"
    assert sample(300, 99) == run.KEEP
    assert sample(450, 100) == run.KEEP, "at the limit is not beyond it"
    assert sample(600, 99) == run.KEEP
    assert found.trip is None
    assert sample(750, 99) == run.STOP
    assert found.trip == "sag"
    assert found.count == 5
    found.end(900, "fault")
    assert (found.trip, found.ran_ms) == ("sag", 900)
    told = found.record([run.MS, run.BATTERY])
    assert told == {
        "ran_ms": 900, "ms": [150, 300, 450, 600, 750], "battery": [99, 99, 100, 99, 99],
    }  # fmt: skip
    found = run.Run(2000, (("sag", run.BATTERY, -1, -100, 300, 2),))
    assert (found.count, found.trip, found.ran_ms, found.most) == (0, None, 0, 15)
    assert list(found.now) == [run.UNREAD] * 5
    assert list(found.hits) == [0]
    assert list(found.samples) == [0] * (5 * 202)
    assert [sample(300, 99), sample(301, 99)] == [run.KEEP, run.STOP], "from 300 ms on"
    assert run.Run(30000, ()).most == run.Run(40000, ()).most == run.MOST_SAMPLES == 202
    two = run.Run(2000, (("sag", run.BATTERY, -1, -100, 0, 2), ("wet", run.SAUCER, 1, 50, 0, 2)))
    two.now[run.MS] = 0
    for wet, answer in ((51, run.KEEP), (50, run.KEEP), (51, run.KEEP), (51, run.STOP)):
        two.now[run.BATTERY], two.now[run.SAUCER] = 100, wet
        assert two.step() == answer
    assert two.trip == "wet"
    still = run.Run(450, ())
    still.now[run.MS] = 100
    assert [still.step() for _ in range(5)] == [run.KEEP] * 4 + [run.STOP]
    assert still.trip == "full"
    for told_ms, ran_ms in ((100, 750), (599, 750), (600, 600), (601, 601), (900, 900)):
        still.end(told_ms)
        assert still.ran_ms == ran_ms, "samples count where the clock stands still"
    plain = run.Run(450, ())
    plain.now[run.MS] = 449
    assert plain.step() == run.KEEP
    plain.now[run.MS] = 450
    assert plain.step() == run.DONE
    plain.end(450)
    assert plain.trip is None
    plain.end(450, "fault")
    assert plain.trip == "fault"


def test_the_charge_of_a_wake() -> None:
    cal: Any = SimpleNamespace(
        awake_ua=40000, sleep_ua=7, self_ua=3, pump_ua=500000, radio_ua=120000
    )
    assert wake.charge_uah(cal, 90000, None, 0, 0) == 1000
    assert wake.charge_uah(cal, 90001, None, 0, 0) == 1001
    assert wake.charge_uah(cal, 0, None, 3600, 0) == 10
    assert wake.charge_uah(cal, 0, None, 3601, 0) == 11
    assert wake.charge_uah(cal, 0, None, 0, 30000) == 1000
    assert wake.charge_uah(cal, 0, None, 0, 30001) == 1001
    ran: Any = SimpleNamespace(ran_ms=7200)
    assert wake.charge_uah(cal, 90000, ran, 3600, 30000) == 1000 + 10 + 1000 + 1000


def test_the_times_of_sleep() -> None:
    settings: Any = SimpleNamespace(wake_s=1000, soak_s=77)

    def sleep(phase: int, woke_in: int = 0, due: bool = True, cut: bool = False, **k: int) -> int:
        now: Any = SimpleNamespace(woke_in=woke_in, due=due, cut_off=cut)
        return int(wake.sleep_time(kept(phase=phase, **k), now, settings, k.get("cycle_s", 0)))

    assert sleep(0) == 1000
    assert sleep(0, cycle_s=940) == 60
    assert sleep(0, cycle_s=941) == sleep(0, cycle_s=5000) == 60
    assert sleep(0, lockouts=1) == 2000
    assert sleep(0, lockouts=2) == 1000
    settings.wake_s = state.LONG_S // 2 + 1
    assert sleep(0, lockouts=1) == state.LONG_S
    assert [sleep(phase) for phase in (1, 2, 3)] == [77, 60, 540]
    assert sleep(2, woke_in=2, due=False, sleep_s=60, cycle_s=20) == 40
    assert sleep(2, woke_in=2, due=False, sleep_s=60, cycle_s=60) == 1
    assert sleep(2, woke_in=2, due=True, sleep_s=60, cycle_s=20) == 60
    assert sleep(2, woke_in=3, due=False, sleep_s=60, cycle_s=20) == 60
    assert sleep(2, woke_in=2, due=False, cut=True, sleep_s=60, cycle_s=20) == 60


def test_when_to_report() -> None:
    made = pot({"radio_wakes": 3, "wake_s": 21600}, {"radio_mv": 3700})

    def told(was: Any, regular: bool = True, pressed: bool = False, **changes: Any) -> bool:
        now = facts(**{"radio_mv": 3700, "needed": was.needed, **changes})
        report = bool(wake.is_to_report(was, now, made, regular, pressed))
        before = was.to_bytes()
        assert report is bool(wake.is_to_report(was, now, made, regular, pressed))
        assert was.to_bytes() == before, "a question changes nothing"
        wake.note_report(was, now, made, regular, report)
        return report

    def days(was: Any, days: int) -> Any:
        was.told_s = min(was.told_s + days * 86400, state.LONG_S)
        return was

    dry = rules.NEED_BITS["see why it stays dry"] | rules.NEED_BITS["water by hand"]
    was = kept()
    assert [told(was) for _ in range(6)] == [False, False, True] * 2
    assert told(was, regular=False, pressed=True)
    assert not told(was, regular=False)
    assert was.quiet_wakes == 0
    assert told(was, regular=False, thirst=3), "a new need is told at once"
    assert (was.told, was.needed, was.told_s) == (dry, dry, 0)
    assert not told(was, regular=False, thirst=3), "and once"
    assert not told(days(was, 2), regular=False, thirst=3), "again at a regular wake only"
    assert told(was, thirst=3), "a day later"
    assert not told(was, thirst=3)
    assert not told(was, regular=False)
    assert not told(was, regular=False, thirst=3), "it comes back on the same day"
    assert not told(days(was, 1), regular=False)
    assert (was.told, was.needed) == (0, 0)
    assert told(was, regular=False, thirst=3), "what comes back after a day is told anew"
    # A day, less a twenty-fourth of the time between wakes, which the looks may take
    for told_s, again in ((86400 - 900, True), (86400 - 901, False)):
        assert told(kept(told=dry, needed=dry, told_s=told_s), thirst=3) is again
    assert told(kept(quiet_wakes=98), thirst=2)
    was = kept(quiet_wakes=100)
    assert not told(was, regular=True, battery_mv=None)
    assert was.quiet_wakes == 100
    # Presses: three in a day are answered
    for presses, answered in ((1, True), (3, True), (4, False)):
        assert told(kept(presses=presses), regular=False, pressed=True) is answered
    assert told(kept(presses=9), regular=False, pressed=True, thirst=3)


def test_a_weak_cell_reports_what_ends_watering_and_nothing_else() -> None:
    made = pot({"radio_wakes": 3, "wake_s": 21600}, {"radio_mv": 3700, "rest_mv": 3400})

    def told(was: Any = None, regular: bool = True, pressed: bool = False, **changes: Any) -> bool:
        was = was or kept(quiet_wakes=99, rest_mv=3500)
        return bool(
            wake.is_to_report(was, facts(**{"radio_mv": 3700, **changes}), made, regular, pressed)
        )

    for weak in ({"battery_mv": 3699}, {"battery_mv": 3650, "weak": 1}):
        assert not told(pressed=True, **weak), weak
        assert not told(thirst=3, **weak), weak
    # A lockout that latched when the cell bore no radio is told once it does, and once
    charge = rules.NEED_BITS["charge the battery"]
    for mv, late in ((3699, False), (3700, True)):
        assert told(battery_mv=mv, weak=1) is late
        assert not told(kept(told=charge), pressed=True, battery_mv=mv, weak=1)
        assert not told(kept(told=charge), thirst=3, battery_mv=mv, weak=1)
    assert not told(kept(told=rules.NEED_BITS["see to the battery"]), battery_mv=None, weak=1)
    assert told(kept(), pressed=True, battery_mv=3700)
    latching = {"battery_mv": 3500, "weak": 1, "lockouts": 1}
    assert told(kept(lockouts=1, rest_mv=3400), **latching), "once, as it latches"
    assert told(kept(lockouts=1, rest_mv=3400), regular=False, **latching)
    assert not told(kept(lockouts=1, rest_mv=3399), **latching), "where the cell bears it"
    assert not told(kept(lockouts=1, rest_mv=3500), **latching, locked_in=1), "and once"
    assert told(kept(rest_mv=3400), battery_mv=None), "the reading was lost in this wake"
    bit = rules.NEED_BITS["see to the battery"]
    assert not told(kept(rest_mv=3400, told=bit), battery_mv=None), "once"
    assert not told(kept(rest_mv=0), battery_mv=None), "a cell that nobody ever saw"
    assert not told(kept(rest_mv=3500, told=bit), battery_mv=None, thirst=3)
    made.settings.radio_wakes = 0
    assert not told(kept(quiet_wakes=99), pressed=True)
    assert not told(kept(lockouts=1, rest_mv=3400), **latching)


def test_after_a_report_in_vain_the_next_one_waits() -> None:
    made = pot({"radio_wakes": 1}, {"radio_mv": 3700})

    def told(was: Any, counts: bool = True, pressed: bool = False, **changes: Any) -> bool:
        now = facts(**changes)
        report = wake.is_to_report(was, now, made, counts, pressed)
        wake.note_report(was, now, made, counts, report)
        return bool(report)

    was = kept(radio_fails=1, radio_wait=2, quiet_wakes=100)
    assert not told(was, counts=False, thirst=3), "nothing new ends the wait"
    assert was.radio_wait == 2, "only a regular wake counts"
    assert told(was, counts=False, pressed=True), "a person may try"
    was = kept(radio_fails=1, radio_wait=2, quiet_wakes=100)
    assert [told(was) for _ in range(4)] == [False, False, True, True]
    assert (was.radio_wait, was.reporting) == (0, 1)
    assert not told(kept(quiet_wakes=100), counts=False)
    was = kept(radio_fails=1)
    assert not told(was, counts=False, denied=3), "no wake between two regular ones tries again"
    assert was.radio_wait == 0
    assert told(was, denied=3)


def test_what_came_of_a_report() -> None:
    settings: Any = SimpleNamespace(wake_s=86400)

    def came(was: Any, how: str | None) -> tuple[int, ...]:
        wake.look_at_radio(was, {} if how is None else {"radio": how}, settings)
        return was.radio_fails, was.radio_wait, was.told, was.quiet_wakes, was.reporting

    for how, waits in (("failed", (0, 1)), ("cut off", (1, 2)), ("none", (0, 1))):
        assert came(kept(reporting=1, told=5), how) == (1, waits[0], 0, 100, 0), how
        was = kept(reporting=1, told=5, radio_fails=1)
        assert came(was, how) == (2, waits[1], 0, 100, 0), how
    assert came(kept(reporting=1, told=5, radio_fails=3, radio_wait=4), "heard") == (0, 0, 5, 0, 0)
    assert came(kept(told=5, radio_fails=3, radio_wait=3), "none") == (3, 3, 5, 0, 0)
    assert came(kept(told=5), "cut off") == (1, 1, 0, 100, 0), "the wake before it was lost"
    assert came(kept(reporting=1, told=5), None) == (0, 0, 5, 0, 0), "a record of an older core"

    def waited(how: str, times: int) -> list[int]:
        was = kept()
        found = [came(was, how)[1] for _ in range(times)]
        assert was.radio_fails == min(times, 100)
        return found

    assert waited("cut off", 12) == [1, 2, 4, *[7] * 9], "up to seven days"
    assert waited("failed", 12) == [0, 1, 2, *[3] * 9]
    settings.wake_s = 900
    assert waited("cut off", 12) == [1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 672, 672]
    assert waited("cut off", 120)[-1] == 672
    settings.wake_s = 604801
    assert waited("cut off", 3) == [1, 1, 1]
    assert waited("failed", 3) == [0, 0, 0]


def test_only_a_regular_wake_by_the_timer_counts_towards_a_report() -> None:
    made = pot({"radio_wakes": 2}, probes=())
    counts = {"soil": [1240000, 9], "battery": [1950000, 9]}
    quiet = {"level_ml": 1000, "counts": counts}
    cold = [{**quiet, "cause": cause} for cause in ("power", "brownout", "watchdog", "reset")]
    found = play(*cold, quiet, quiet, made=made)
    assert ["report" in record["commands"] for record in found] == [False] * 5 + [True]


def test_tables_between_and_beyond_their_points() -> None:
    for points in (((10, 0), (20, 100), (40, 110)), ((10, 110), (20, 100), (40, 0))):
        rising = points[-1][1] > points[0][1]
        assert table.direction(points) == (1 if rising else -1)
        assert table.convert(points, 9) == points[0][1]
        assert table.convert(points, 41) == points[-1][1]
        assert table.convert(points, 20) == 100
    assert table.convert(((10, 0), (20, 100)), 15) == 50
    assert table.convert(((0, 0), (2, 1)), 1) == 1, "halves go up"
    falling = ((0, 110), (1000, 100), (2000, 90))
    assert table.counts_at(falling, 100) == 1050, "where 99.5 is still rounded up"
    assert table.convert(falling, 1050) == 100 > table.convert(falling, 1051)


# A whole wake


def play(*wakes: dict[str, Any], made: Any = None) -> list[dict[str, Any]]:
    """The records of those wakes on the bench pot with nothing but its three probes."""
    made = made or pot(probes=())
    board = mock.MockBoard(made, state.State())
    found = []
    for given in wakes:
        board.prepare({"counts": {"soil": [1500000, 9], "battery": [1950000, 9]}, **given})
        mock.drive(board, state.from_bytes(board.slots[0]), made, board.begin())
        found.append(board.records[-1])
    return found


def test_what_a_record_says_of_a_dose() -> None:
    wet = {"soil": [1240000, 9], "battery": [1950000, 9]}
    first, second, look, again = play(
        {"level_ml": 1000}, {"slept_s": 600}, {"counts": wet, "slept_s": 600}, {"slept_s": 60}
    )
    run_2000 = ["off", "rest", "read", "store", "run 2000", "read", "close", "store"]
    assert first["commands"] == [*run_2000, "sleep 600 button"]
    assert first["stores"] == [1, 1]
    assert first["values"] == {
        "battery_mv": 3900, "level_ml": 1000, "soil_ppt": 250, "temperature_mc": None,
    }  # fmt: skip
    assert first["judged"] == {"battery": "good", "level": "good", "soil": "good"}
    assert set(first["permissives"]) == set(CONTRACT["permissives"])
    dose = {"phase": "idle", "kind": "depletion", "dose_ul": 130000, "pulse_ms": 2000}
    assert first["plan"] == dose
    assert first["water"]["day_ml"] == first["water"]["counted_ml"] == 52, "2050 ms at 25 ml/s"
    assert (first["trips"], first["lockouts"], first["needs"]) == ([], [], [])
    assert (first["n"], second["n"], first["kind"]) == (0, 1, "wake")
    assert second["before"] == first["state"] != second["state"]
    assert list(first["run"]) == ["ran_ms", "ms", "level", "battery"]
    assert set(first["after"]) == {"soil", "level"}
    given_ul = first["water"]["given_ul"]
    assert second["plan"] == {**dose, "phase": "soak", "dose_ul": 130000 - given_ul}
    assert second["commands"] == [*run_2000, "sleep 600 button"]
    quiet = ["off", "rest", "read", "close", "store"]
    assert look["plan"] == {"phase": "soak", "kind": "depletion", "dose_ul": 0, "pulse_ms": 0}
    assert look["commands"] == [*quiet, "sleep 60 button"]
    assert look["stores"] == [1]
    assert look["charge_uah"] == 23 + 10, "2 s awake at 40 mA, 600 s at 10 and 50 uA"
    assert again["plan"]["kind"] == "none"
    assert again["commands"] == [*quiet, "sleep 540 button"]


def test_what_a_record_says_of_a_failed_store_and_a_stuck_button() -> None:
    lost, stuck = play({"level_ml": 1000, "stores": [0, 1]}, {"button_ms": 15000})
    assert lost["stores"] == [0, 1]
    assert lost["needs"] == ["see to the pot"]
    assert "run" not in lost
    assert lost["commands"] == ["off", "rest", "read", "store", "close", "store", "sleep 60 button"]
    assert stuck["commands"][-1] == "sleep 540"
    assert stuck["needs"] == ["free the button"]
    last = play({"level_ml": 1000, "counts": {"soil": None, "battery": None}, "stores": [0]})[0]
    assert last["needs"] == ["see to the battery", "see to the soil probe", "see to the pot"]
    assert last["values"]["battery_mv"] is last["values"]["soil_ppt"] is None
    assert last["judged"] == {"battery": "absent", "level": "good", "soil": "absent"}


def test_what_a_record_says_of_a_report() -> None:
    made = pot({"radio_wakes": 1}, probes=())
    found = play(
        *[{"level_ml": 1000, "counts": {"soil": [1240000, 9], "battery": [1950000, 9]}}] * 2,
        made=made,
    )
    assert found[1]["commands"][-2:] == ["report", "sleep 86400 button"]


# Steps of a wake, one at a time


def test_an_open_pulse_is_counted() -> None:
    made = pot({"wake_s": 86400}, {"interrupts": 2}, {"tolerance_ml": 5})

    def found(level_ml: int | None, cut: Any = None, **changes: Any) -> tuple[Any, Any]:
        was = kept(**{"since_dose_s": 900, "look_ml": 900, "before_ppt": 5, **changes})
        now = begun(cut or made, was)
        now.level_ml = level_ml
        wake.look_at_open_pulse(was, now, cut or made)
        return was, now

    was, now = found(800)
    assert (was.look_ml, was.since_dose_s, now.due, now.cut_off, was.phase) == (900, 900, 1, 0, 0)
    assert now.regular
    was, now = found(900, open_ms=1800, plan_ul=7)
    assert not now.regular
    assert was.mls[0] == 50, "2000 ms with the overrun, at the highest flow"
    assert (was.open_ms, was.since_dose_s, was.interrupts, was.plan_ul) == (0, 0, 1, 0)
    assert (was.before_ppt, was.look_ml, was.lockouts) == (5, 900, 0), "the question stays open"
    assert (now.due, now.cut_off, was.phase) == (False, True, state.FIRST_LOOK)
    assert found(800, open_ms=1800)[0].mls[0] == 100, "the level says more"
    blind = found(None, open_ms=1800)[0]
    assert (blind.mls[0], blind.look_ml) == (50, -1)
    assert found(0, open_ms=1800, look_ml=-1)[0].mls[0] == 50
    assert [found(5, open_ms=1800, look_ml=ml)[0].look_ml for ml in (-1, 0)] == [-1, 0]
    assert found(0, open_ms=1800, look_ml=0)[0].mls[0] == 50
    assert found(0, pot(calibration={"float_only": 1}), open_ms=1800)[0].mls[0] == 50
    assert found(900, open_ms=1, interrupts=1)[0].lockouts == rules.BITS["interrupted"]
    assert found(900, open_ms=1, interrupts=100)[0].interrupts == 100


def test_a_level_is_looked_at() -> None:
    """Right to 5 ml: two readings may differ by 10 ml, and 5 ml a day may evaporate (R8)."""
    made = pot({"leak_ml_day": 5, "wake_s": 7000}, {}, {"tolerance_ml": 5})
    usual = {"look_ml": 900, "look_n": 1, "filled_ml": 900, "dry_trips": 1}

    def look(level_ml: int | None, due: bool = True, **changes: Any) -> Any:
        was = kept(**{**usual, **changes})
        tank.look(was, facts(level_ml=level_ml, due=due, reserve_ml=80), made)
        return was

    def doubts(level_ml: int | None, due: bool = True, **changes: Any) -> tuple[int, ...]:
        was = look(level_ml, due, **changes)
        return was.leak_looks, was.fill_looks, was.lockouts

    assert doubts(None, leak_looks=1) == (1, 0, 0)
    was = look(500, look_ml=-1, look_n=3, look_s=7, filled_ml=-1, filled_s=7, pumped_ml=7)
    assert (was.look_ml, was.look_n, was.look_s, was.lockouts) == (500, 1, 0, 0)
    assert (was.filled_ml, was.filled_s, was.pumped_ml) == (500, 0, 0)
    was = look(500, look_ml=-1, filled_ml=0)
    assert (was.look_ml, was.filled_ml) == (500, 0), "the account goes on"
    assert doubts(0, look_ml=0, filled_ml=0) == (0, 0, 0)
    # Scatter: into the mean of four
    for number_of, mean_ml, then in ((1, 905, 2), (2, 903, 3), (3, 903, 4), (4, 900, 4)):
        was = look(910, look_n=number_of, look_s=9, fill_looks=1, leak_looks=1)
        assert (was.look_ml, was.look_n, was.look_s) == (mean_ml, then, 9), number_of
        assert (was.fill_looks, was.leak_looks) == (0, 0)
    # A refill is believed when it is seen twice
    was = look(911, look_s=9, lockouts=2, leak_looks=1)
    assert (was.look_ml, was.look_s, was.fill_looks, was.leak_looks) == (900, 9, 1, 0)
    assert (was.lockouts, was.dry_trips) == (2, 1)
    was = look(
        911, look_s=9, look_n=3, lockouts=2, fill_looks=1, filled_s=9, pumped_ml=9, cycle_s=9
    )
    assert (was.look_ml, was.look_s, was.look_n, was.fill_looks) == (911, 0, 1, 0)
    assert (was.filled_ml, was.filled_s, was.pumped_ml) == (911, 0, 0)
    assert (was.lockouts, was.dry_trips, was.cycle_s) == (0, 0, 7000), "and the soil is looked at"
    assert look(911, fill_looks=1, cycle_s=7001).cycle_s == 7001
    assert look(911, fill_looks=1).dry_trips == 0, "also before a lockout"
    was = look(911, fill_looks=1, proof_ul=5, proof_pulses=1)
    assert (was.proof_ul, was.proof_pulses) == (0, 0)
    assert look(2000, fill_looks=100).fill_looks == 0
    # A leak too
    assert doubts(890) == (0, 0, 0)
    assert doubts(889, fill_looks=1) == (1, 0, 0)
    assert doubts(889, due=False) == (0, 0, 0), "a press makes no doubt worse"
    assert doubts(889, due=False, leak_looks=1) == (1, 0, 0)
    was = look(888, leak_looks=1, filled_s=3, pumped_ml=9, proof_pulses=1, look_n=2, look_s=8)
    assert (was.lockouts, was.mls[0], was.leak_ml, was.dry_trips) == (4, 12, 900, 1)
    assert (was.look_ml, was.look_n, was.look_s, was.leak_looks) == (888, 1, 0, 0)
    assert (was.filled_ml, was.filled_s, was.pumped_ml, was.proof_pulses) == (888, 0, 0, 0)
    assert look(500, leak_looks=1, leak_ml=950).leak_ml == 950, "what was there before all of it"
    # Evaporation, rounded up
    assert doubts(885, look_s=86400, filled_s=86400) == (0, 0, 0)
    assert doubts(884, look_s=86400, filled_s=86400) == (1, 0, 0)
    assert doubts(889, look_s=1, filled_s=1) == (0, 0, 0)
    week_s = 7 * 86400
    was = look(899, look_s=week_s - 1, look_n=4)
    assert (was.look_ml, was.look_s) == (900, week_s - 1)
    was = look(899, look_s=week_s, look_n=4)
    assert (was.look_ml, was.look_s, was.look_n, was.filled_ml) == (899, 0, 1, 900)
    # By the account since the refill: 1000 ml, less 60 ml pumped and four days
    led = {"filled_ml": 1000, "pumped_ml": 60, "filled_s": 4 * 86400}
    assert doubts(910, **led) == (0, 0, 0)
    assert doubts(909, **led) == (1, 0, 0)
    assert doubts(890, **{**led, "pumped_ml": 90}) == (0, 0, 0)
    assert doubts(889, **{**led, "filled_ml": -1}) == (1, 0, 0)
    assert doubts(0, look_ml=0, filled_ml=11) == (1, 0, 0)


def test_a_float_is_looked_at() -> None:
    """It shows no amounts: closed after two looks at it open is a refill."""
    made = pot(calibration={"float_only": 1})

    def look(level_ml: int, **changes: Any) -> tuple[int, ...]:
        was = kept(**{"filled_ml": 900, "pumped_ml": 7, **changes})
        tank.look(was, facts(level_ml=level_ml, due=True, reserve_ml=80), made)
        return was.leak_looks, was.filled_ml, was.pumped_ml, was.look_ml, was.lockouts

    assert look(79) == (1, 900, 7, -1, 0)
    assert look(79, leak_looks=1) == (2, 900, 7, -1, 0)
    assert look(79, leak_looks=100) == (100, 900, 7, -1, 0)
    assert look(80, leak_looks=1) == (0, 900, 7, -1, 0), "it bobbed"
    assert look(80, leak_looks=2) == (0, 80, 0, -1, 0)
    assert look(900, filled_ml=-1) == (0, 900, 0, -1, 0)
    assert look(900, filled_ml=0) == (0, 0, 7, -1, 0)


def test_a_tank_that_empties_by_itself() -> None:
    switch, gauge = pot(calibration={"float_only": 1}), pot()
    for made, level_ml, looks, pumped_ml, said in (
        (switch, 0, 2, 449, True), (switch, 0, 2, 450, False), (switch, 0, 1, 0, False),
        (switch, None, 2, 0, False), (gauge, 0, 2, 0, False),
    ):  # fmt: skip
        was = kept(filled_ml=900, pumped_ml=pumped_ml, leak_looks=looks)
        assert bool(tank.empties_by_itself(was, facts(level_ml=level_ml), made)) is said


def test_no_single_reading_decides() -> None:
    for leak, fill, doubts, doubtful in (
        (0, 0, 0, False), (1, 0, 0, True), (0, 1, 0, True), (2, 0, 0, False), (0, 2, 0, False),
        (1, 0, 2, True), (1, 0, 3, False), (0, 1, 3, False),
    ):  # fmt: skip
        was = kept(leak_looks=leak, fill_looks=fill, doubts=doubts)
        assert bool(tank.is_doubtful(was)) is doubtful, (leak, fill, doubts)
    for leak, fill, look_ml, steady in (
        (0, 0, 0, True), (1, 0, 900, False), (2, 0, 900, False), (0, 1, 100, True),
        (0, 1, 99, False),
    ):  # fmt: skip
        was = kept(leak_looks=leak, fill_looks=fill, look_ml=look_ml)
        assert bool(tank.is_steady(was, facts(start_ml=100))) is steady, (leak, fill, look_ml)


def test_when_a_tank_is_back() -> None:
    made = pot({}, {}, {"tolerance_ml": 5})
    usual = {"leak_ml": 900, "look_ml": 890, "look_n": 3}
    for changes, back in (
        ({}, True), ({"look_ml": 889}, False), ({"look_n": 2}, False), ({"leak_ml": -1}, False),
        ({"leak_looks": 1}, False), ({"fill_looks": 1}, False),
        ({"leak_ml": 0, "look_ml": 0}, True),
    ):  # fmt: skip
        assert tank.is_back(kept(**{**usual, **changes}), made) is back, changes


def test_a_pulse_is_booked() -> None:
    made = pot({}, {}, {"tolerance_ml": 5})

    def book(before_ml: int, after_ml: int | None, ran_ms: int = 2000, **changes: Any) -> Any:
        was = kept(**{"look_ml": 1000, "look_n": 3, "look_s": 5, "open_ms": 5, **changes})
        return was, *tank.book(was, made, ran_ms, before_ml, after_ml)

    was, ml, fall_ml = book(1000, 960, pumped_ml=7, proof_pulses=1, since_dose_s=9)
    assert (ml, fall_ml) == (50, 40)
    assert (was.look_ml, was.look_n, was.look_s) == (960, 1, 0)
    assert (was.mls[0], was.pumped_ml, was.open_ms, was.since_dose_s) == (50, 57, 0, 0)
    assert was.proof_pulses == 1
    assert book(1000, 960, pumped_ml=1000000)[0].pumped_ml == 1000000
    assert book(1000, 900)[1:] == (100, 100)
    for before_ml, after_ml in ((1000, None), (-1, 960)):
        was, ml, fall_ml = book(before_ml, after_ml)
        assert (ml, fall_ml, was.look_ml) == (50, None, -1)
    assert book(0, 0)[2] == 0
    # Twice 25 ml/s for 2 s, and 5 ml twice: what is gone beyond that is for the looks (R8)
    assert [book(1000, ml)[0].look_ml for ml in (890, 889)] == [890, 890]
    assert [book(20, ml, look_ml=20)[0].look_ml for ml in (0, 1)] == [0, 1]
    # Scatter fills no tank; far above is no fall at all, and the pump has moved 40 ml
    assert book(1000, 1010)[0].look_ml == 1000
    assert book(1000, 1010)[1:] == (50, -10)
    was, ml, fall_ml = book(1000, 1011, proof_pulses=1)
    assert (was.look_ml, was.look_n, ml, fall_ml, was.fill_looks) == (960, 1, 50, None, 0)
    assert was.proof_pulses == 1
    assert book(20, 900, look_ml=30)[0].look_ml == 0
    # One high reading before the pulse: the one after it says whether somebody filled
    was = book(2000, 1011, fill_looks=1, dry_trips=1, lockouts=2, proof_pulses=1)[0]
    assert (was.filled_ml, was.look_ml, was.fill_looks) == (1011, 1011, 0)
    assert (was.dry_trips, was.lockouts, was.proof_pulses) == (0, 0, 0)
    was = book(2000, 1010, fill_looks=1, dry_trips=1, lockouts=2, proof_ul=9, proof_pulses=1)[0]
    assert (was.filled_ml, was.look_ml, was.fill_looks) == (-1, 1000, 0)
    assert (was.dry_trips, was.lockouts, was.proof_pulses) == (1, 2, 0)
    switch = pot(calibration={"float_only": 1})
    was = kept(look_ml=5)
    assert tank.book(was, switch, 2000, 900, 800) == (50, None)
    assert was.look_ml == -1


def test_dry_runs_are_counted() -> None:
    made = pot({}, {"dry_trips": 3})
    for trips, runs, then, lockouts in ((0, 2, 2, 0), (1, 2, 3, 2), (2, 1, 3, 2), (99, 5, 100, 2)):
        was = kept(dry_trips=trips)
        tank.count_dry(was, made, runs)
        assert (was.dry_trips, was.lockouts) == (then, lockouts)


def test_a_dose_begins_with_a_question() -> None:
    """Every dose awaits an answer (R18); silence is held against those of dry soil (R7)."""

    def begin(kind: int, soil_ppt: int | None = 240, **changes: Any) -> Any:
        counts = {"interrupts": 1, "dry_trips": 2, "silent_doses": 1, "unanswered_ul": 9}
        was = kept(**{"given_ul": 7, "look_ml": 900, "pulses": 3, **counts, **changes})
        now: Any = SimpleNamespace(level_ml=800, soil_ppt=soil_ppt)
        wake.begin_dose(was, now, kind, 50000)
        assert (was.plan_kind, was.plan_ul, was.pulses) == (kind, 50000, 0)
        assert {name: getattr(was, name) for name in counts} == counts, "a dose forgives nothing"
        assert was.look_ml == 900
        return was.given_ul, was.before_ppt, was.peak_ppt, was.asked

    assert begin(plan.SET) == begin(plan.DEPLETION) == (0, 240, 240, 1)
    assert begin(plan.MANUAL) == begin(plan.UPKEEP) == (0, 240, 240, 0)
    assert begin(plan.UPKEEP, soil_ppt=None) == (0, -1, -1, 0)
    open_one = {"before_ppt": 100, "peak_ppt": 120}
    assert begin(plan.SET, **open_one, asked=1) == (7, 100, 120, 1), "it adds to the question"
    assert begin(plan.MANUAL, **open_one, asked=1) == (7, 100, 120, 1)
    assert begin(plan.MANUAL, **open_one, asked=0) == (7, 100, 120, 0)
    assert begin(plan.SET, **open_one, asked=0) == (0, 240, 240, 1), "dry soil asks anew"
    assert begin(plan.MANUAL, before_ppt=0, peak_ppt=0, asked=1) == (7, 0, 0, 1)


def test_phases_follow_one_another() -> None:
    made = pot({"pulse_ml": 40})
    for was, looks, level_ml, then in (
        (1, 0, 9, 2), (2, 0, 9, 3), (3, 0, 9, 0), (0, 0, 9, 0), (0, 1, 9, 2), (2, 1, 9, 2),
        (3, 1, 9, 2), (3, 1, None, 0), (2, 1, None, 3), (3, 2, 9, 0), (1, 1, 9, 2),
    ):  # fmt: skip
        for name in ("leak_looks", "fill_looks"):
            phase = kept(phase=was, plan_ul=5, **{name: looks})
            wake.next_phase(phase, facts(level_ml=level_ml, is_steady=not looks), made)
            assert phase.phase == then, (was, looks, level_ml)
            assert phase.plan_ul == (0 if was == 1 else 5)
            assert phase.doubts == (1 if looks == 1 and was != 1 and level_ml else 0)
    assert [ended(kept(phase=1, plan_ul=ul), made).unmet for ul in (20000, 20001)] == [0, 1]
    for phase, steady, doubts in ((3, True, 0), (3, False, 3), (2, True, 3)):
        was = kept(phase=phase, leak_looks=1, doubts=3)
        wake.next_phase(was, facts(is_steady=steady), made)
        assert was.doubts == doubts, "three doubts in a row, then a regular wake comes"


def ended(was: Any, made: Any) -> Any:
    """The state after the soak of a dose of which no more can be given."""
    wake.next_phase(was, facts(), made)
    return was


def test_what_a_press_means() -> None:
    made = pot()

    def press(held_ms: int, cause: str = "button", **changes: Any) -> Any:
        was = kept(**changes)
        now: Any = SimpleNamespace(held=False, manual=False)
        wake.look_at_button(was, now, made, {"cause": cause, "button_ms": held_ms})
        return now.held, now.manual, was.button_masked, was.presses, was.lockouts

    assert press(1999) == (False, False, 0, 1, 0)
    assert press(2000) == (True, True, 0, 1, 0)
    assert press(14999, "timer", presses=5) == (True, True, 0, 5, 0)
    assert press(15000) == (False, False, 1, 1, 0)
    assert press(300, presses=18) == (False, False, 0, 19, 0)
    assert press(300, presses=19) == (False, False, 1, 20, 0)
    assert press(300, presses=100) == (False, False, 1, 100, 0)
    assert press(0, "timer", button_masked=1) == (False, False, 0, 0, 0)
    assert press(0, presses=30, button_masked=1) == (False, False, 1, 31, 0)
    assert press(1, "timer", button_masked=1) == (False, False, 1, 0, 0)
    assert press(2000, button_masked=1) == (False, False, 1, 1, 0)
    assert press(2000, lockouts=2 | 4 | 1) == (True, False, 0, 1, 4 | 1), "ends only the owner's"
    assert press(2000, lockouts=4) == (True, False, 0, 1, 4)
    assert press(2000, phase=2) == (True, False, 0, 1, 0)
    back = {"leak_ml": 900, "look_ml": 900, "look_n": 3}
    assert press(2000, lockouts=4, **back) == (True, False, 0, 1, 0), "the tank is back (R8)"
    assert press(1999, lockouts=4, **back) == (False, False, 0, 1, 4)
    # Presses are counted for a day from the first of them (R12)
    for presses, presses_s, then, then_s in (
        (0, 7, 1, 0), (5, 86399, 6, 86399), (5, 86400, 1, 0), (0, 86400, 1, 0),
    ):  # fmt: skip
        was = kept(presses=presses, presses_s=presses_s)
        now: Any = SimpleNamespace(held=False, manual=False)
        wake.look_at_button(was, now, made, {"cause": "button", "button_ms": 300})
        assert (was.presses, was.presses_s) == (then, then_s)
    assert press(0, "timer", presses=20, presses_s=86399, button_masked=1)[2:4] == (1, 20)
    assert press(0, "timer", presses=20, presses_s=86400, button_masked=1)[2:4] == (0, 0)


def test_a_press_after_silence_asks_for_one_dose_more() -> None:
    """Not for three, and only once (R18): 150 ml may go without an answer, a pulse is 40 ml."""
    made = pot({"dose_ml": 80, "response_ppt": 10}, {"dose_ml": 150, "response_doses": 3})

    def press(
        unanswered_ul: int, lockouts: int = 8, soil_ppt: Any = 240, **changes: Any
    ) -> tuple[int, ...]:
        was = kept(lockouts=lockouts, unanswered_ul=unanswered_ul, silent_doses=9, **changes)
        now: Any = SimpleNamespace(held=False, manual=False, soil_ppt=soil_ppt)
        wake.look_at_button(was, now, made, {"cause": "button", "button_ms": 3000})
        return was.lockouts, was.unanswered_ul, was.silent_doses, was.tries, was.tried_ppt

    assert press(150000) == press(190000) == press(40000) == press(0) == (0, 110000, 2, 1, 240)
    assert press(7, soil_ppt=None) == (0, 110000, 2, 1, 1000), "the probe is not believed"
    assert press(150000, lockouts=8 | 4) == (4, 110000, 2, 1, 240)
    assert press(7, lockouts=2) == (0, 7, 9, 0, -1), "another lockout says nothing of silence"
    for tries, tried_ppt in ((1, 0), (1, 240), (1, 1000), (2, -1), (3, -1)):
        was = {"tries": tries, "tried_ppt": tried_ppt}
        assert press(7, **was) == (8, 7, 9, tries, tried_ppt)
        assert press(7, lockouts=8 | 2, **was) == (8, 7, 9, tries, tried_ppt)
        assert press(7, lockouts=2, **was) == (0, 7, 9, tries, tried_ppt)
    assert press(7, tries=1) == (0, 110000, 2, 2, -1), "it rose since: once more, and no more"
    made = pot({"dose_ml": 150}, {"dose_ml": 150, "response_doses": 1}, {"ul_per_ppt": 0})
    assert press(150000) == (0, 0, 0, 1, 240)


def test_how_much_a_press_asks_for_after_silence() -> None:
    """The set dose; or a pulse, or what the least answer takes, where that is less (R18)."""
    for dose_ml, pulse_ml, answer_ppt, ul_per_ppt, learned, more_ul in (
        (80, 40, 10, 0, 0, 80000), (80, 40, 10, 1000, 0, 40000), (80, 40, 50, 1000, 0, 50000),
        (80, 40, 10, 5000, 7000, 70000), (80, 40, 10, 5000, 9000, 80000),
        (80, 100, 10, 1000, 0, 80000), (1, 40, 10, 1000, 0, 4000),
    ):  # fmt: skip
        made = pot(
            {"response_ppt": answer_ppt, "dose_ml": dose_ml, "pulse_ml": pulse_ml},
            {"dose_ml": 150}, {"ul_per_ppt": ul_per_ppt},
        )  # fmt: skip
        assert plan.one_more_ul(kept(learned_ul_per_ppt=learned), made) == more_ul
    made = pot({"dose_ml": 3}, {"dose_ml": 3}, {"ul_per_ppt": 0})
    assert plan.one_more_ul(kept(), made) == 3000, "no more than all that is allowed"


def test_soil_that_is_seen_to_get_wetter_lets_a_press_try_again() -> None:
    """By the least answer, from the lowest since the press (R18)."""
    made = pot({"response_ppt": 10})

    def look(soil_ppt: Any, tried_ppt: int) -> int:
        was = kept(tried_ppt=tried_ppt)
        reading = None if soil_ppt is None else [made.calibration.soil.points[0][0] + 1, 1]
        judged = {"soil": "good" if soil_ppt else "absent"}
        now: Any = facts(soil_ppt=soil_ppt, judged=judged, woke_in=0)
        wake.look_at_soil(was, now, made, reading, True, 1000)
        return int(was.tried_ppt)

    assert look(240, 1000) == -1, "the probe is back"
    assert look(249, 240) == 240
    assert look(250, 240) == -1
    assert look(230, 240) == 230
    assert look(None, 240) == 240
    assert look(500, -1) == -1


def test_a_can_of_water_answers_no_dose_that_a_press_made() -> None:
    """A rise of more than twice the expected and the least answer, not seen at once (R18)."""
    made = pot({"response_ppt": 10, "dose_ml": 80}, {}, {"ul_per_ppt": 1000})
    settings, cal = made.settings, made.calibration

    def after(rise: int, soon: bool = False, **changes: Any) -> tuple[int, int, int, int]:
        was = kept(
            **{"before_ppt": 200, "peak_ppt": 200, "given_ul": 40000, "unanswered_ul": 99}
            | {"tries": 1, "tried_ppt": 200, "silent_doses": 2} | changes
        )  # fmt: skip
        judge.follow(was, 200 + rise, cal, settings, soon)
        follows = was.unanswered_ul, was.tries, was.tried_ppt
        judge.learn(was, cal, settings, True)
        assert was.before_ppt == -1
        return (*follows, was.silent_doses)

    assert after(9) == (99, 1, 200, 3)
    assert after(10) == after(90) == (0, 0, -1, 0)
    assert after(91) == (99, 1, 200, 2), "neither silent nor an answer"
    assert after(91, soon=True)[:3] == (0, 0, -1)
    assert after(91, tries=0, tried_ppt=-1) == (0, 0, -1, 0)


def test_how_much_may_go_without_an_answer() -> None:
    """The largest dose, or three times what the least answer takes, whichever is more (R18)."""
    for dose_ml, answer_ppt, ul_per_ppt, learned, bound_ul in (
        (150, 10, 1000, 0, 150000), (150, 50, 1000, 0, 150000), (150, 51, 1000, 0, 153000),
        (150, 200, 0, 0, 150000), (150, 10, 5000, 6000, 180000), (150, 10, 5001, 0, 150030),
    ):  # fmt: skip
        made = pot({"response_ppt": answer_ppt}, {"dose_ml": dose_ml}, {"ul_per_ppt": ul_per_ppt})
        was = kept(unanswered_ul=1000, learned_ul_per_ppt=learned)
        assert plan.bound_ul(was, made) == bound_ul
        assert plan.left_ul(was, made) == bound_ul - 1000
        was.unanswered_ul = bound_ul + 1
        assert plan.left_ul(was, made) == 0
    assert plan.least_ul(pot()) == 4000, "200 ms at 20 ml a second"
    top = pot({"response_ppt": 200}, {}, {"ul_per_ppt": 100000})
    most_ul = plan.bound_ul(kept(learned_ul_per_ppt=number.SMALL_MAX), top)
    assert most_ul == 3 * 200 * 400000 <= number.SMALL_MAX


def test_when_the_cell_is_surely_charged() -> None:
    def look(mv: int | None, regular: bool = True, **changes: Any) -> Any:
        given = {"charger": "off", "held": False, "due": False, **changes}
        made = pot({"mains": given.pop("mains", 0), "battery_clear_wakes": 2})
        was = kept(
            lockouts=given.pop("lockouts", 1), clear_wakes=given.pop("clear_wakes", 0),
            phase=given.pop("phase", 0), low_wakes=1, rest_mv=7,
        )  # fmt: skip
        now: Any = SimpleNamespace(
            battery_mv=mv, battery_floor_mv=3600, confirm_charge=False, unplug_charger=False,
            **given,
        )  # fmt: skip
        wake.look_at_battery(was, now, made, regular)
        assert was.rest_mv == (7 if mv is None else mv)
        assert now.due is bool(given["held"] and not was.lockouts and not was.phase)
        return was.lockouts, was.clear_wakes, now.confirm_charge, now.unplug_charger

    assert look(3600, lockouts=0) == (0, 0, False, False)
    assert look(3599, lockouts=0) == (1, 0, False, False)
    assert look(None, lockouts=0, clear_wakes=1) == (0, 1, False, False)
    assert look(3899, lockouts=0, clear_wakes=1) == (0, 1, False, False)
    assert look(3749, clear_wakes=1) == (1, 0, False, False)
    assert look(3750) == (1, 1, False, False)
    assert look(3750, clear_wakes=1) == (0, 0, False, False)
    # As far above the clearing voltage as that is above the floor: surely full, at once
    assert look(3899) == (1, 1, False, False)
    assert look(3900) == (0, 0, False, False)
    assert look(3900, regular=False, clear_wakes=1) == (1, 1, False, False)
    assert look(3900, charger="on", clear_wakes=1) == (1, 1, False, True)
    assert look(3899, charger="on", mains=1) == (1, 1, False, False)
    assert look(3899, charger="unfitted", mains=1) == (1, 1, False, False)
    for charger in ("unfitted", "lost"):
        assert look(3900, charger=charger, clear_wakes=1) == (1, 1, True, False)
        assert look(3750, charger=charger, held=True) == (0, 0, False, False)
        assert look(3750, charger=charger, held=True, phase=2) == (0, 0, False, False)
        assert look(3749, charger=charger, held=True) == (1, 0, False, False)
    assert look(3750, charger="off", held=True, regular=False) == (0, 0, False, False)
    assert look(3900, charger="on", held=True) == (1, 0, False, True)
    assert look(3750, charger="on", held=True, mains=1) == (0, 0, False, False)


def test_a_low_reading_is_confirmed_by_another() -> None:
    made = pot({"battery_clear_wakes": 2})
    for mv, low, then, lockouts in (
        (3599, 0, 1, 0), (3599, 1, 2, 1), (3599, 100, 100, 1), (3600, 1, 0, 0), (None, 1, 1, 0),
    ):  # fmt: skip
        was = kept(low_wakes=low)
        now: Any = SimpleNamespace(battery_mv=mv, battery_floor_mv=3600, charger="off", held=False)
        wake.look_at_battery(was, now, made, True)
        assert (was.low_wakes, was.lockouts) == (then, lockouts), (mv, low)


def test_a_question_asked_of_the_driest_soil() -> None:
    settings: Any = SimpleNamespace(response_ppt=10, dose_ml=80)
    cal: Any = SimpleNamespace(ul_per_ppt=0)
    for peak, silent in ((0, 2), (10, 0)):
        was = kept(before_ppt=0, peak_ppt=peak, given_ul=80000, silent_doses=1)
        judge.learn(was, cal, settings, False)
        assert was.silent_doses == silent


def test_a_state_out_of_range_is_refused_with_a_good_crc() -> None:
    for name, least, most, *_ in state.FIELDS:
        for value, good in ((least, True), (most, True), (least - 1, False), (most + 1, False)):
            if -(1 << 31) <= value < 1 << 31:
                found = state.from_bytes(kept(**{name: value}).to_bytes())
                assert (found is not None) is good, (name, value)
    for places, value, good in (("ages_s", 0, 1), ("ages_s", -1, 0), ("mls", -1, 0), ("mls", 9, 1)):
        was = state.State()
        getattr(was, places)[7] = value
        assert (state.from_bytes(was.to_bytes()) is not None) is bool(good)
    assert state.State().crc == ""
    top = number.SMALL_MAX
    assert state.from_numbers([top] * 16) is not None
    assert state.from_numbers([0] * 15 + [top + 1]) is None
    assert state.from_numbers([0] * 15) is None
    whole = state.State()
    found = state.from_bytes(whole.to_bytes())
    assert found is not None
    assert found.crc == whole.crc != ""


def test_a_json_reader_that_gives_no_object() -> None:
    """MicroPython's reader takes what is no JSON; a line of such is refused."""
    data = line.encode(("a",), {"a": 1})
    kept_json = line.json
    line.json = SimpleNamespace(loads=lambda _: [1])
    try:
        assert line.decode(data) == (None, "not an object")
    finally:
        line.json = kept_json
    assert line.decode(data) == ({"a": 1}, "")


def test_a_pulse_is_booked_when_it_ends() -> None:
    def end(
        ran_ms: int = 2000, after_ml: int | None = 960, trips: tuple[str, ...] = (),
        made: Any = None, last_ml: int | None = None, spread: int = 0,
        **changes: Any,
    ) -> tuple[Any, dict[str, Any], list[str]]:  # fmt: skip
        made = made or pot({}, {"pulses": 8, "dry_trips": 3}, {"tolerance_ml": 5})
        was = kept(**{"look_ml": 1000, "look_s": 9, "plan_ul": 90000, "open_ms": 5, **changes})
        now: Any = SimpleNamespace(level_ml=1000)
        last = run.UNREAD if last_ml is None else 500000 + 1000 * last_ml
        ran: Any = SimpleNamespace(ran_ms=ran_ms, now=[0, last, 0, 0, 0])
        after = {} if after_ml is None else {"level": [500000 + 1000 * after_ml, spread]}
        found = list(trips)
        return was, wake.end_pulse(was, now, made, ran, after, found), found

    was, water, trips = end(interrupts=1, dry_trips=2, before_ppt=7, since_dose_s=5)
    assert water == {"counted_ml": 50, "given_ul": 40000, "fall_ml": 40}
    assert (was.mls[0], was.given_ul, was.plan_ul, was.pulses) == (50, 40000, 50000, 1)
    assert (was.open_ms, was.since_dose_s, was.look_ml, was.look_s) == (0, 0, 960, 0)
    assert (was.phase, was.interrupts, was.dry_trips, was.before_ppt) == (state.SOAK, 1, 0, 7)
    assert (trips, was.lockouts) == ([], 0)

    was, water, _ = end(after_ml=None)
    assert water == {"counted_ml": 50, "given_ul": 40000, "fall_ml": None}
    assert was.look_ml == -1
    was, _, _ = end(look_ml=990)
    assert was.look_ml == 960

    was, _, _ = end(plan_ul=40000, interrupts=1)
    assert (was.phase, was.plan_ul, was.interrupts) == (state.FIRST_LOOK, 0, 0)
    was, _, _ = end(plan_ul=40001)
    assert (was.phase, was.plan_ul) == (state.SOAK, 1)
    for pulses, phase in ((6, state.SOAK), (7, state.FIRST_LOOK)):
        assert end(pulses=pulses)[0].phase == phase
    assert end(pulses=100)[0].pulses == 100
    assert end(given_ul=number.SMALL_MAX)[0].given_ul == number.SMALL_MAX

    was, _, trips = end(after_ml=999, dry_trips=1, before_ppt=7)
    assert (trips, was.dry_trips, was.before_ppt, was.lockouts) == (["no flow"], 2, -1, 0)
    assert was.phase == state.FIRST_LOOK
    was, _, trips = end(after_ml=999, dry_trips=2)
    assert (trips, was.lockouts) == (["no flow"], rules.BITS["dry run"])
    was, _, trips = end(after_ml=999, trips=("sag",), dry_trips=1)
    assert (trips, was.lockouts) == (["sag"], rules.BITS["battery low"])
    assert was.dry_trips == 2, "the level shows no water, whatever ended the pulse"
    was, _, trips = end(ran_ms=100, after_ml=999, dry_trips=1)
    assert (trips, was.dry_trips, was.proof_ul, was.proof_pulses) == ([], 1, 2000, 1)
    assert was.proof_ml == 1000
    was, _, trips = end(ran_ms=100, after_ml=999, look_ml=1005)
    assert was.proof_ml == 1005, "rested readings say better what the tank held"
    was, _, trips = end(ran_ms=100, after_ml=999, look_ml=500, fill_looks=1)
    assert (was.proof_ml, was.filled_ml) == (1000, 999), "a refill in this very wake"
    was, _, _ = end(unanswered_ul=7)
    assert was.unanswered_ul == 40007
    was, _, _ = end(unanswered_ul=number.SMALL_MAX)
    assert was.unanswered_ul == number.SMALL_MAX
    for plan_ul, unmet in ((60000, 0), (60001, 1)):
        assert end(plan_ul=plan_ul, trips=("sag",))[0].unmet == unmet, "half a pulse is missing"
        assert end(plan_ul=plan_ul)[0].unmet == 0
    for trip in ("no flow", "no load", "level lost", "fault"):
        was, _, _ = end(100, trips=(trip,), proof_pulses=3, proof_ul=7, before_ppt=7, dry_trips=100)
        assert (was.proof_pulses, was.proof_ul, was.before_ppt) == (0, 0, -1), trip
        assert (was.dry_trips, was.lockouts) == (100, rules.BITS["dry run"]), trip
    for trip, lockout in (
        ("sag", "battery low"), ("battery lost", "battery low"), ("wet", "saucer wet"),
    ):  # fmt: skip
        was, _, _ = end(trips=(trip,), interrupts=1, before_ppt=7)
        assert (was.lockouts, was.phase) == (rules.BITS[lockout], state.FIRST_LOOK), trip
        assert (was.interrupts, was.before_ppt) == (0, 7)
    assert end(trips=("reserve",))[0].dry_trips == 0
    # A fast fall that the level after it does not bear out is for the looks
    for after_ml, lockouts in ((889, 4), (890, 0), (None, 4)):
        assert end(after_ml=after_ml, trips=("fast fall",))[0].lockouts == lockouts
    was, water, _ = end(after_ml=960, fill_looks=1, look_ml=950, trips=("fast fall",))
    assert (was.lockouts, water["fall_ml"]) == (0, -10), "the reading before it was too high"
    was, water, _ = end(after_ml=961, fill_looks=1, look_ml=950)
    assert (was.filled_ml, water["fall_ml"]) == (961, 39), "somebody filled"
    was, water, trips = end(after_ml=1011, dry_trips=2)
    assert water == {"counted_ml": 50, "given_ul": 40000, "fall_ml": None}
    assert (trips, was.dry_trips, was.proof_pulses) == ([], 2, 1), "nor does it prove a dry run"

    assert end(pulses=3, since_dose_s=5)[0].since_dose_s == 0, "counted from the last pulse"
    was, _, _ = end(100, 999, trips=("wet",))
    assert (was.proof_ul, was.proof_pulses) == (2000, 1), "a tripped pulse counts in the proof"
    was, water, _ = end(after_ml=1010)
    assert (water["fall_ml"], was.look_ml) == (-10, 1000)
    assert end(spread=1 << 20)[1]["fall_ml"] is None, "a reading that flickers is none"
    was, _, _ = end(trips=("fault",), given_ul=7, before_ppt=7)
    assert (was.given_ul, was.before_ppt) == (7, 7), "what an earlier pulse gave is answered for"

    # Twice 25 ml/s for 2 s, and 5 ml twice; what is gone beyond that is for the looks
    for ran_ms, after_ml, look_ml in ((2000, 890, 890), (2000, 889, 890), (300, 889, 975)):
        was, water, _ = end(ran_ms, after_ml, trips=("day",))
        assert (water["fall_ml"], was.look_ml, was.lockouts) == (1000 - after_ml, look_ml, 0)
    assert end(after_ml=None, last_ml=950)[0].look_ml == 950, "what the run saw last"
    assert end(after_ml=960, last_ml=950)[0].look_ml == 960
    exact = pot({}, {}, {"level": {**bench_pot.CALIBRATION["level"], "spread": 0}})
    assert end(made=exact, after_ml=None, last_ml=950)[0].look_ml == 950

    switch = pot({}, {}, {"float_only": 1})
    was, water, _ = end(made=switch, dry_trips=2)
    assert (water["fall_ml"], was.look_ml, was.dry_trips) == (None, -1, 0)
    assert end(made=switch, dry_trips=1, trips=("wet",))[0].dry_trips == 1
    assert end(made=switch, dry_trips=1, trips=("reserve",))[0].dry_trips == 2
    blind = pot({}, {}, {"float_only": 1}, probes=())
    assert end(made=blind, dry_trips=2)[0].dry_trips == 2


def test_numbers_at_their_ends() -> None:
    assert number.muldiv(1, 1, 2) == 1
    assert number.muldiv(-1, 1, 2) == 0, "halves go up"
    assert number.muldiv(1, 1, 3) == 0
    assert number.muldiv(5, 1, 3) == 2
    assert number.muldiv_down(5, 1, 3) == 1
    assert number.muldiv_up(4, 1, 3) == number.div_up(4, 3) == 2
    assert number.muldiv_up(3, 1, 3) == number.div_up(3, 3) == 1
    assert [number.clamp(value, 2, 4) for value in (1, 2, 3, 4, 5)] == [2, 2, 3, 4, 4]
    assert [number.add_capped(value, 3, 9) for value in (5, 6, 7, 20)] == [8, 9, 9, 9]


def test_water_of_a_day_by_place_and_age() -> None:
    was = kept()
    state.deliver(was, 0)
    state.deliver(was, -4)
    assert was.mls == [0] * 8
    state.deliver(was, 1)
    state.deliver(was, 2)
    assert (was.mls[:2], was.ages_s[:2], was.place_s) == ([3, 0], [0, 0], 0)
    state.pass_time(was, state.PLACE_S - 1, 50)
    assert (was.ages_s[0], was.place_s) == (state.PLACE_S - 1, state.PLACE_S - 1)
    state.deliver(was, 4)
    assert (was.mls[:2], was.ages_s[0]) == ([7, 0], 0), "a place counts from its newest water on"
    state.pass_time(was, 1, 50)
    state.deliver(was, 0)
    assert was.mls[:2] == [7, 0], "nothing opens no place"
    state.deliver(was, 8)
    assert (was.mls[:3], was.ages_s[:3], was.place_s) == ([8, 7, 0], [0, 1, 0], 0)
    assert state.delivered_ml(was) == 15
    # 24 hours, and the error of the oscillator, rounded up
    for ppt, window_s in ((50, 90720), (0, 86400), (1, 86487)):
        for age_s, total in ((window_s - 1, 9), (window_s, 0)):
            was = kept(ages_s=[1, 2, 0, age_s - 7] + [0] * 4, mls=[1, 1, 0, 0] + [0] * 4)
            was.ages_s[2], was.mls[2], was.ages_s[3] = age_s - 7, 9, 0
            state.pass_time(was, 7, ppt)
            assert (was.mls[2], was.ages_s[2]) == ((9, age_s) if total else (0, 0))
            assert state.delivered_ml(was) == 2 + total
    was = kept(ages_s=[1, 2, 3, 4, 5, 6, 7, 8], mls=[5] * 8)
    state.deliver(was, 3)
    assert (was.mls, was.ages_s) == ([3, 5, 5, 5, 5, 5, 5, 10], [0, 1, 2, 3, 4, 5, 6, 7])
    was = kept(ages_s=[1, 2, 3, 4, 5, 6, 7, 0], mls=[5] * 7 + [0])
    state.deliver(was, 3)
    assert (was.mls, was.ages_s) == ([3] + [5] * 7, [0, 1, 2, 3, 4, 5, 6, 7])
    was = kept(ages_s=[1] * 8, mls=[5] * 6 + [999999, 9])
    state.deliver(was, 3)
    assert was.mls[7] == 1000000
    was = kept(ages_s=[1] * 8, mls=[999999] + [0] * 7, place_s=0)
    state.deliver(was, 3)
    assert was.mls[0] == 1000000
    was.mls[1] = 3
    assert state.delivered_ml(was) == 1000000
    passing = ("cycle_s", "since_dose_s", "look_s", "soil_s", "told_s", "presses_s", "place_s")
    passing += ("filled_s", "proof_s")
    for name in passing:
        was = kept(**{name: state.LONG_S - 5})
        state.pass_time(was, 4, 50)
        assert getattr(was, name) == state.LONG_S - 1
        state.pass_time(was, 4, 50)
        assert getattr(was, name) == state.LONG_S
    assert set(passing) == {
        row[0] for row in state.FIELDS if row[2] == state.LONG_S and row[0] != "sleep_s"
    }  # fmt: skip


def test_a_state_of_the_first_form_is_read() -> None:
    """Its places were in any order and aged by their first water, at most PLACE_S older (R3)."""
    was = kept(proof_ml=9, proof_ul=9, wakes=7)
    was.ages_s = [20000, 9, 0, state.PLACE_S, 50000, 0, 0, 0]
    was.mls = [4, 5, 0, 6, 0, 0, 0, 0]
    numbers = was.numbers()
    found = state.from_numbers(numbers, 1)
    assert found is not None
    assert found.mls == [5, 6, 4, 0, 0, 0, 0, 0]
    assert found.ages_s == [0, 0, 20000 - state.PLACE_S, 0, 0, 0, 0, 0]
    assert (found.proof_ml, found.proof_ul, found.wakes) == (0, 0, 7)  # type: ignore[attr-defined]
    today = state.from_numbers(numbers)
    assert today is not None
    assert (today.mls, today.ages_s) == (was.mls, was.ages_s)
    assert today.proof_ml == 9  # type: ignore[attr-defined]


def begun(made: Any, was: Any = None, **changes: Any) -> Any:
    """The facts of a wake in which no probe answers."""
    begin = {
        "cause": "timer", "pin": 1, "boots": 0, "settings": "good", "limits": "good",
        "calibration": "good",
    }  # fmt: skip
    was = was or kept()
    return judge.Facts(was, made, {**begin, **changes}, None, {}, was.lockouts)


def test_what_is_known_before_any_reading() -> None:
    made = pot({"reserve_ml": 80, "battery_mv": 3600}, {"reserve_ml": 50, "rest_mv": 3500})
    now = begun(made)
    assert (now.pin_good, now.boots, now.files_good, now.match, now.stage) == (1, 0, 1, 1, 2)
    assert (now.reserve_ml, now.start_ml, now.battery_floor_mv) == (80, 120, 3600)
    assert (now.warn_ml, now.charge_mv, now.settle_s) == (250, 3700, 14400)
    assert begun(pot(calibration={"float_only": 1})).start_ml == 81
    made.limits.reserve_ml, made.limits.rest_mv = 90, 3650
    assert (begun(made).reserve_ml, begun(made).battery_floor_mv) == (90, 3650)
    assert [begun(made, pin=pin).pin_good for pin in (0, 1, 2)] == [False, True, False]
    for name in fields.KINDS:
        assert begun(made, **{name: "default"}).files_good is False
        assert begun(made, **{name: "previous"}).files_good is True
    flags = ("held", "manual", "store_failed", "confirm_charge", "unplug_charger", "weak")
    for name in (*flags, "standing", "float_opened", "cut_off", "dry", "cold", "is_steady"):
        assert getattr(now, name) is False, name
    assert now.thermometer_lost is True
    for name in ("soil_ppt", "level_ml", "battery_mv", "temperature_mc"):
        assert getattr(now, name) is None, name
    assert (now.saucer, now.charger) == ("lost", "lost")
    bare = begun(pot(probes=()))
    assert (bare.saucer, bare.charger, bare.thermometer_lost) == ("unfitted", "unfitted", False)
    assert bare.judged == dict.fromkeys(("battery", "level", "soil"), "absent")
    assert (now.day_left_ml, now.kind) == (0, "none")


def test_what_is_due() -> None:
    """A press shortens no wait, and a cold start in a soak ends the dose (R9, R10)."""
    made = pot({"wake_s": 1000})
    for cause, phase, due, soaking in (
        ("timer", 0, 1, 0), ("power", 0, 1, 0), ("button", 0, 0, 0), ("button", 1, 0, 1),
        ("timer", 1, 1, 1), ("power", 1, 0, 0), ("brownout", 1, 0, 0), ("button", 2, 0, 0),
        ("power", 2, 1, 0), ("reset", 3, 1, 0),
    ):  # fmt: skip
        was = kept(phase=phase, cycle_s=5000, plan_ul=7)
        before = was.to_bytes()
        now = begun(made, was, cause=cause)
        assert (now.due, now.soaking) == (due, soaking), (cause, phase)
        assert (now.woke_in, now.regular) == (phase, due and not phase)
        assert was.to_bytes() == before, "a question changes nothing"


def test_what_the_state_tells_the_facts() -> None:
    made = pot({}, {"day_ml": 400, "clock_ppt": 50})
    was = kept(lockouts=5, since_dose_s=77, button_masked=1, silent_doses=4)
    was.mls[0] = 150
    now = begun(made, was)
    now.take_from_state(was, made.limits)
    assert (now.lockouts, now.since_dose_s, now.silent_doses) == (5, 77, 4)
    assert (now.button_masked, now.day_left_ml) == (1, 250)
    was.mls[0] = 401
    now.take_from_state(was, made.limits)
    assert now.day_left_ml == 0


def test_a_warning_leaves_while_there_is_charge_for_it() -> None:
    """50 mV above the radio's floor at least, where there is a radio (R5, R17)."""
    for radio, warn_mv, radio_mv, charge_mv, floor_mv in (
        (1, 3700, 3660, 3710, 3660), (1, 3700, 3650, 3700, 3650), (0, 3700, 3660, 3700, 3660),
        (1, 3600, 3500, 3650, 3600),
    ):  # fmt: skip
        made = pot(
            {"radio_wakes": radio, "battery_warn_mv": warn_mv, "battery_mv": 3600},
            {"radio_mv": radio_mv, "rest_mv": 3500},
        )
        now = begun(made)
        assert (now.charge_mv, now.radio_mv) == (charge_mv, floor_mv)
    was = kept(lockouts=5, needed=9, phase=3)
    now = begun(pot({}, {}, {"tolerance_ml": 7}), was)
    assert (now.locked_in, now.needed, now.woke_in, now.scatter_ml) == (5, 9, 3, 14)


def test_a_state_is_stamped() -> None:
    was = kept(seq=7)
    assert state.from_bytes(wake.stamp(was)).seq == was.seq == 8  # type: ignore[union-attr]
    was.seq = number.SMALL_MAX
    wake.stamp(was)
    assert was.seq == number.SMALL_MAX


def test_the_whole_of_a_record() -> None:
    made = pot({}, {}, {"dry_ma": 0}, probes=("temperature", "saucer", "charger"))
    counts = {
        "soil": [1240000, 9], "battery": [1950000, 9], "temperature": [1100000, 9],
        "saucer": [500000, 9], "charger": [500000, 0],
    }  # fmt: skip
    told = {"level_ml": 1000, "awake_ms": 90000, "cause": "power", "utc": [5, 6, 1]}
    one, two = play({"counts": counts, **told}, {"counts": counts}, made=made)
    assert set(one) == set(wake.RECORD) - {"run", "after"}
    assert (one["kind"], one["n"], one["core"]) == ("wake", 0, "")
    for name in fields.KINDS:
        assert one[name] == getattr(made, name).id != ""
    assert one["begin"]["utc"] == [5, 6, 1]
    assert one["rest"] == [1950000, 9]
    assert one["read"] == {
        **{name: counts[name] for name in counts if name != "battery"}, "level": [1499500, 0],
    }  # fmt: skip
    assert (one["awake_ms"], one["charge_uah"]) == (90000, 1000)
    assert one["values"] == {
        "battery_mv": 3900, "level_ml": 1000, "soil_ppt": 380, "temperature_mc": 20000,
    }  # fmt: skip
    assert one["judged"] == dict.fromkeys((*counts, "level"), "good")
    assert two["before"] == one["state"]
    assert two["charge_uah"] == 23 + 1440, "a day asleep at 10 uA, and 50 uA that the cell loses"
    bad = dict.fromkeys(counts)
    gone = play({"counts": bad, "level_ml": 1000}, made=made)[0]
    assert gone["judged"] == {**dict.fromkeys(counts, "absent"), "level": "good"}
    assert set(gone["needs"]) == {
        "see to the battery", "see to the soil probe", "see to the thermometer",
        "see to the saucer probe",
    }  # fmt: skip
    assert gone["permissives"]["saucer"] == 0
    wet = play({"counts": {**counts, "saucer": [1000000, 9]}, "level_ml": 1000}, made=made)[0]
    assert wet["needs"] == ["empty the saucer"]
    damp = {**counts, "saucer": [999000, 9], "charger": [1500000, 0]}
    assert play({"counts": damp, "level_ml": 1000}, made=made)[0]["needs"] == []


def test_a_pot_that_thirsts_says_so() -> None:
    """Three regular wakes in want of water, and the owner is told (R16)."""
    dry = {"soil": [1600000, 9], "battery": [1950000, 9]}
    low = {"counts": dry, "level_ml": 81, "slept_s": 86400}

    def asking(*wakes: dict[str, Any]) -> list[int]:
        told = [set(one["needs"]) for one in play(*wakes)]
        both = {"see why it stays dry", "water by hand"}
        assert all(both <= needs or not both & needs for needs in told)
        return [int(both <= needs) for needs in told]

    assert asking(*[low] * 4) == [0, 0, 1, 1]
    press = {**low, "cause": "button", "button_ms": 50, "slept_s": 1}
    assert asking(low, low, press, low, low) == [0, 0, 0, 1, 1], "a press is no regular wake"
    moist = {**low, "counts": {"soil": [1240000, 9], "battery": [1950000, 9]}}
    assert asking(low, low, moist, low, low, low) == [0, 0, 0, 0, 0, 1]
    lost = {**low, "counts": {"soil": None, "battery": [1950000, 9]}}
    assert asking(lost, lost, lost) == [0, 0, 1], "nor does anybody know that it is moist"


def test_when_a_plant_is_in_want_of_water() -> None:
    made = pot(calibration={"wilting_ppt": 100})

    def look(ppt: int | None, regular: bool = True, pulse_ms: int = 0, **changes: Any) -> Any:
        was = kept(
            **{
                "thirst": 1,
                "unmet": 0,
                **{k: changes.pop(k) for k in ("thirst", "unmet", "dry_trips") if k in changes},
            }
        )
        dry, elapsed_s = ppt is not None and ppt <= 250, changes.pop("elapsed_s", 86400)
        now = facts(soil_ppt=ppt, dry=dry, **changes)
        wake.look_at_thirst(was, now, made, regular, pulse_ms, elapsed_s)
        return was.thirst, was.unmet

    assert look(250) == look(None) == (2, 1)
    assert look(250, pulse_ms=1) == look(101, pulse_ms=1) == (2, 0)
    assert look(100, pulse_ms=1) == (2, 1), "wilting: one dose is not enough to say well"
    assert look(250, regular=False) == look(None, regular=False) == (1, 0)
    assert look(251) == look(251, unmet=1) == (0, 0)
    assert look(251, regular=False) == (0, 0)
    assert look(251, regular=False, unmet=1) == (1, 1), "part of the dose is missing"
    assert look(None, cold=True) == (1, 0), "cold soil hardly drinks"
    assert look(200, cold=True) == (2, 1)
    assert look(250, thirst=100) == (100, 1)
    # A dose may still arrive, unless none was given
    assert look(250, since_dose_s=8999) == (1, 1)
    assert look(250, since_dose_s=9000) == (2, 1)
    assert look(250, since_dose_s=8999, elapsed_s=0) == (2, 1), "no time passes, none settles"
    assert look(250, since_dose_s=8999, elapsed_s=1) == (1, 1)
    assert look(250, since_dose_s=8999, lockouts=1) == (2, 1)
    assert look(250, since_dose_s=8999, dry_trips=1) == (2, 1)


def test_a_float_that_opened_asks_for_a_refill() -> None:
    switch = pot({}, {}, {"float_only": 1}, probes=("current",))
    counts = {"soil": [1600000, 9], "battery": [1950000, 9], "current": [200000, 0]}
    dry = {"counts": counts, "level_ml": 1000, "run": {"current_ma": 10}}
    first, _, _ = play(dry, {"counts": counts}, {"counts": counts}, made=switch)
    assert first["trips"] == ["no load"]
    assert "fill the tank" in first["needs"]
    gauge = pot({}, {}, {}, probes=("current",))
    assert "fill the tank" not in play(dry, made=gauge)[0]["needs"]


def test_what_was_found_in_storage() -> None:
    def look(made: Any, host: tuple[str, ...] = (), **changes: Any) -> Any:
        was = changes.pop("was", None) or kept(calibration_mark=int(made.calibration.id[:7], 16))
        begin = {
            "state": "good", "settings": "good", "limits": "good", "calibration": "good",
            "host": list(host), **changes,
        }  # fmt: skip
        wake.look_at_files(was, made, begin)
        return was

    made = pot({}, {"day_ml": 400, "pulse_ms": 5000})
    was = look(made)
    assert (was.lockouts, was.open_ms, was.mls[0]) == (0, 0, 0)
    assert was.since_dose_s == state.LONG_S
    was = look(made, state="lost")
    assert (was.lockouts, was.open_ms, was.mls[0]) == (rules.BITS["state lost"], 0, 400)
    assert was.since_dose_s == 0
    assert plan.left_ul(was, made) == plan.one_more_ul(was, made), "as if no dose was answered"
    both = fields.Pot(made.settings, fields.Values("limits"), made.calibration)
    assert look(both, state="lost", limits="default").mls[0] == 5000
    assert CONTRACT["limits"]["day_ml"][1] == wake.MOST_DAY_ML
    was = look(made, state="previous")
    assert (was.lockouts, was.open_ms, was.mls[0]) == (0, 5000, 0)
    mark = int(made.calibration.id[:7], 16)
    assert look(made, state="previous", was=kept(open_ms=9, calibration_mark=mark)).open_ms == 9
    for name in fields.KINDS:
        assert look(made, **{name: "default"}).lockouts == rules.BITS["files damaged"]
    led = {"look_ml": 5, "soil_ppt": 5, "before_ppt": 5, "filled_ml": 5, "leak_ml": 5}
    counted = {"leak_looks": 1, "fill_looks": 1, "proof_ul": 5, "proof_pulses": 5}
    was = look(made, was=kept(**led, **counted, calibration_mark=mark + 1))
    assert [getattr(was, name) for name in led] == [-1] * 5
    assert [getattr(was, name) for name in counted] == [0] * 4
    assert was.calibration_mark == mark
    was = look(made, was=kept(**led, **counted, calibration_mark=mark))
    assert [getattr(was, name) for name in led] == [5] * 5
    assert [getattr(was, name) for name in counted] == list(counted.values())
    was = look(made, ("entry page", "leak", "clear"), was=kept(lockouts=255, calibration_mark=mark))
    assert was.lockouts == 255, "nobody cleared one"
    both = kept(lockouts=4 | 2 | 1, calibration_mark=mark)
    assert look(made, ("clear leak", "clear battery low", "leak"), was=both).lockouts == 2
    bare = pot()
    bare.calibration.id = ""
    begin = {"state": "good", "host": [], **dict.fromkeys(fields.KINDS, "good")}
    was = kept(calibration_mark=3)
    wake.look_at_files(was, bare, begin)
    assert was.calibration_mark == 0


def test_what_becomes_of_the_soil() -> None:
    made = pot({"settle_s": 1000, "response_ppt": 10}, {"response_doses": 2}, {"ul_per_ppt": 0})

    def look(ppt: int | None, regular: bool = True, elapsed_s: int = 9, **changes: Any) -> Any:
        usual = {"before_ppt": 200, "peak_ppt": 205, "given_ul": 80000, "since_dose_s": 1000}
        was = kept(**{**usual, "soil_ppt": 77, "soil_counts": 4, "soil_same": 2, **changes})
        now: Any = SimpleNamespace(
            soil_ppt=ppt, judged={"soil": "good" if ppt is not None else "absent"}, standing=False,
            woke_in=0,
        )  # fmt: skip
        wake.look_at_soil(was, now, made, [4, 0], regular, elapsed_s)
        return was

    was = look(206)
    assert (was.silent_doses, was.before_ppt, was.soil_ppt, was.soil_same) == (1, -1, 206, 3)
    assert look(210).silent_doses == 0
    assert look(204, peak_ppt=210).silent_doses == 0, "the highest since counts"
    was = look(210, regular=False)
    assert (was.before_ppt, was.peak_ppt, was.soil_ppt, was.soil_same) == (200, 210, 77, 2)
    assert look(206, since_dose_s=999).before_ppt == 200
    was = look(None)
    assert (was.before_ppt, was.peak_ppt, was.soil_ppt) == (200, 205, 77)
    was = look(206, elapsed_s=0)
    assert (was.soil_ppt, was.soil_same) == (77, 2), "no time has passed for sure"
    assert look(206, elapsed_s=0, soil_ppt=-1).soil_ppt == 206
    assert look(206, elapsed_s=0, soil_ppt=0).soil_ppt == 0
    assert look(206, silent_doses=1).lockouts == rules.BITS["no response"]
    assert look(206, silent_doses=0).lockouts == 0
    was = look(0, before_ppt=0, peak_ppt=0)
    assert (was.before_ppt, was.silent_doses) == (-1, 1)
    assert look(206, before_ppt=-1).peak_ppt == 205


def test_a_wet_saucer_between_pulses() -> None:
    for saucer, phase, lockouts in (("wet", 0, 0), ("wet", 1, 32), ("wet", 3, 32), ("dry", 2, 0)):
        was = kept(phase=phase)
        now: Any = SimpleNamespace(saucer=saucer)
        wake.look_at_saucer(was, now)
        assert was.lockouts == lockouts, (saucer, phase)


def test_counts_stop_where_the_state_can_still_be_stored() -> None:
    settings: Any = SimpleNamespace(response_ppt=10, dose_ml=80)
    was = kept(before_ppt=5, peak_ppt=5, given_ul=80000, silent_doses=100)
    judge.learn(was, SimpleNamespace(ul_per_ppt=0), settings, False)
    assert was.silent_doses == 100
    made = pot({"radio_wakes": 96})
    was = kept(quiet_wakes=100)
    wake.is_to_report(was, facts(battery_mv=None), made, True, False)
    assert was.quiet_wakes == 100
    dry = {"soil": [1600000, 9], "battery": [1950000, 9]}
    one = played(kept(thirst=100), counts=dry, level_ml=81)
    assert one.thirst == 100


def played(was: Any, made: Any = None, **given: Any) -> Any:
    """The state after one wake that began with `was`."""
    made = made or pot(probes=())
    board = mock.MockBoard(made, state.State())
    board.prepare({"counts": {"soil": [1240000, 9], "battery": [1950000, 9]}, **given})
    mock.drive(board, was, made, {**board.begin(), "slept_s": given.get("slept_s", 0)})
    return was


def test_no_time_is_credited_that_nobody_vouches_for() -> None:
    for given, passed_s in (
        ({"cause": "timer", "slept_s": 0}, 0), ({"cause": "timer", "slept_s": 7}, 7),
        ({"cause": "timer", "slept_s": 601}, 600), ({"cause": "power", "slept_s": 7}, 0),
        ({"cause": "timer", "slept_s": 7, "vouched": 0}, 0), ({"cause": "button", "slept_s": 9}, 9),
    ):  # fmt: skip
        was = kept(sleep_s=600, since_dose_s=5)
        assert played(was, level_ml=900, **given).since_dose_s == 5 + passed_s, given


def test_a_begun_pulse_is_stored_with_no_sleep_to_credit() -> None:
    made = pot(probes=())
    board = mock.MockBoard(made, state.State())
    stored = []
    board.store = lambda data: stored.append(data) is None
    board.prepare({"counts": {"soil": [1600000, 9], "battery": [1950000, 9]}, "level_ml": 900})
    mock.drive(board, kept(sleep_s=77), made, board.begin())
    begun_state, ended_state = (state.from_bytes(data) for data in stored)
    assert begun_state is not None
    assert ended_state is not None
    assert (begun_state.open_ms, begun_state.sleep_s) == (2000, 0)  # type: ignore[attr-defined]
    assert (ended_state.open_ms, ended_state.sleep_s) == (0, 600)  # type: ignore[attr-defined]


def test_a_press_in_a_soak_and_a_look_ask_for_nothing() -> None:
    dry = {"soil": [1600000, 9], "battery": [1950000, 9]}
    press = {"counts": dry, "cause": "button", "button_ms": 50, "slept_s": 9}
    _, soak = play({"counts": dry, "level_ml": 900}, press)
    assert soak["plan"]["dose_ul"] == soak["plan"]["pulse_ms"] == 0
    assert soak["commands"][-1] == "sleep 591 button"
    small = pot({"dose_ml": 40}, {"dose_ml": 40}, probes=())
    _, look = play({"counts": dry, "level_ml": 900}, {"counts": dry, "slept_s": 60}, made=small)
    assert look["plan"] == {"phase": "first look", "kind": "none", "dose_ul": 0, "pulse_ms": 0}


def test_a_lockout_of_this_wake_is_told_in_this_wake() -> None:
    made = pot({"radio_wakes": 96}, probes=("saucer",))
    counts = {"soil": [1600000, 9], "battery": [1950000, 9], "saucer": [500000, 9]}
    wet = play({"counts": counts, "level_ml": 900, "run": {"wet_at_ms": 300}}, made=made)[0]
    assert wet["trips"] == ["wet"]
    assert wet["needs"] == ["clear a lockout"]
    assert "report" in wet["commands"]


def test_a_float_pot_in_order_asks_for_nothing() -> None:
    switch = pot({"tank_warn_ml": 0}, {}, {"float_only": 1}, probes=())
    assert play({"level_ml": 1000}, made=switch)[0]["needs"] == []


def test_rounding_is_to_the_safe_side() -> None:
    none = dict.fromkeys(("awake_ua", "sleep_ua", "self_ua", "pump_ua", "radio_ua"), 0)
    cal: Any = SimpleNamespace(**{**none, "awake_ua": 1})
    assert wake.charge_uah(cal, 3600001, None, 0, 0) == 2
    cal = SimpleNamespace(**{**none, "pump_ua": 1})
    assert wake.charge_uah(cal, 0, SimpleNamespace(ran_ms=3600001), 0, 0) == 2
    made = pot({}, {}, {"tolerance_ml": 5}, probes=())
    made.limits.flow_max_ul_s = 1
    falls = {row[0]: row for row in run.prepare(500001, 1000, 999, made).rows}
    assert falls["fast fall"][3] == -(500000 + 987500), "2 ml and twice the tolerance"


def test_soil_stands_still_only_where_time_has_passed() -> None:
    made = pot(probes=())
    for elapsed_s, regular, standing in ((0, True, False), (1, True, True), (1, False, False)):
        was = kept(soil_counts=4, soil_same=2)
        now: Any = SimpleNamespace(soil_ppt=300, judged={"soil": "good"}, standing=None)
        wake.look_at_soil(was, now, made, [4, 0], regular, elapsed_s)
        assert bool(now.standing) is standing, (elapsed_s, regular)


def test_lines_at_their_least_and_longest() -> None:
    def signed(body: bytes) -> bytes:
        return body + line.TAIL + b'%08x"}' % line.crc32(body)

    assert line.decode(signed(b"{ ")) == ({}, "")
    assert line.decode(signed(b"{")) == (None, "no crc at its end")
    assert line.body_of(signed(b"{ ")) == (b"{ }", "")
    room = line.MOST_LINE - line.TAIL_SIZE - len(b'{"a":""')
    longest = signed(b'{"a":"' + b"x" * room + b'"')
    assert len(longest) == line.MOST_LINE
    assert line.decode(longest)[1] == ""
    longer = signed(b'{"a":"' + b"x" * (room + 1) + b'"')
    assert line.decode(longer) == (None, f"longer than {line.MOST_LINE} bytes")


def test_numbers_stay_inside_their_fields() -> None:
    """One more or one less, and the stored state would be refused at the next wake (R11)."""
    made = pot({}, {"dry_trips": 5, "flow_max_ul_s": 200000}, {"tolerance_ml": 0})
    top = number.SMALL_MAX
    was = kept(
        proof_ul=top, proof_pulses=100, proof_ml=1000000, unanswered_ul=top, given_ul=top,
        pumped_ml=1000000, dry_trips=100, thirst=100, doubts=100, presses=100, silent_doses=100,
        quiet_wakes=100, low_wakes=100, look_ml=1000000, look_n=3, filled_ml=1000000, open_ms=top,
        interrupts=100, pulses=100,
    )  # fmt: skip
    now: Any = SimpleNamespace(level_ml=1000000, due=True, cut_off=False)
    wake.look_at_open_pulse(was, now, made)
    assert state.from_bytes(was.to_bytes()) is not None
    for level_ml in (1000000, 0):
        was = kept(proof_ul=top, proof_pulses=100, proof_ml=1000000, look_ml=1000000, look_n=1)
        ran: Any = SimpleNamespace(ran_ms=30000, now=[0, run.UNREAD, 0, 0, 0])
        after = {"level": [made.calibration.level.low, 0]}
        wake.end_pulse(was, facts(level_ml=level_ml), made, ran, after, [])
        assert state.from_bytes(was.to_bytes()) is not None
    coarse = pot({}, {}, {"tolerance_ml": 5000})
    was = kept(proof_ul=19999999, proof_pulses=100, proof_ml=1)
    assert tank.go_on_with_proof(was, coarse, 0, 1, 1) is None
    assert was.proof_pulses == 100


def test_a_microlitre_of_a_trickle_is_a_pulse() -> None:
    """At a microlitre a second it takes a second, more than the least pulse; none takes none."""
    made = pot({}, {}, {"flow_ul_s": 1})
    asking = facts(level_ml=900, reserve_ml=80, day_left_ml=400, unanswered_left_ul=150000)
    assert [plan.pulse_ms(ul, asking, made) for ul in (-1, 0, 1)] == [0, 0, 1000]


def test_what_the_day_leaves_is_rounded_down_to_the_millisecond() -> None:
    """5 ml at 9901 microlitres a second are 504.999 ms, less the overrun of 200."""
    made = pot({}, {"flow_max_ul_s": 9901}, {"flow_ul_s": 9901})
    asking = facts(level_ml=900, reserve_ml=80, day_left_ml=5, unanswered_left_ul=150000)
    assert plan.pulse_ms(40000, asking, made) == 304


def test_a_vouched_second_is_rest_enough_for_a_reading() -> None:
    """Only vouched time counts towards the end of a low battery (R5, R10)."""
    made = pot(probes=("charger",))
    counts = {"soil": [1240000, 9], "battery": [1950000, 9], "charger": [500000, 0]}
    for slept_s, lockouts in ((0, 1), (1, 0)):
        was = kept(sleep_s=600, lockouts=1)
        played(was, made, counts=counts, level_ml=900, cause="timer", slept_s=slept_s)
        assert was.lockouts == lockouts


def test_a_regular_wake_that_waters_has_no_doubt_left() -> None:
    """The looks after its dose may doubt anew, as often as after any other (R8)."""
    was = kept(doubts=2, sleep_s=86400)
    counts = {"soil": [1600000, 9], "battery": [1950000, 9]}
    played(was, counts=counts, level_ml=900, cause="timer", slept_s=86400)
    assert (was.pulses, was.doubts) == (1, 0)


def test_all_places_of_a_day_grow_older() -> None:
    was = kept(ages_s=[0] * 8, mls=[1] * 8)
    state.pass_time(was, 1, 50)
    assert was.ages_s == [1] * 8
