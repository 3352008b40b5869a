"""Every cause, its condition given and not given, with the numbers it is told by."""

from __future__ import annotations

from typing import Any

import pytest

import rows
from wakecore import rules
from wakewell import words
from wakewell.log.times import DAY_S, Calendar
from wakewell.report import complaints

Told = dict[str, tuple[Any, list[str]]]
SIPHON, DRIFT = "the tank siphons or leaks into the pot", "the soil probe reads too dry"
MUCH, HAND = (
    "it fills to more than this plant likes",
    "somebody waters it by hand, or it rains on it",
)
DRAIN, BUTTON = "the pot does not drain", "doses asked for at the button"
HOSE, CLOG = (
    "water leaves the tank and does not reach the roots",
    "less water comes than planned",
)
WET_PROBE, LATE = "the soil probe reads too wet", "it waits longer than this plant likes"
STUCK, FLAT = "it is working, but its radio reports do not arrive", "the battery is empty"
CONTACT, HANG = (
    "a bad contact, or a cell whose voltage drops under load",
    "its program stops responding or does not start",
)
STORE = "its storage fails, so that it can no longer write"
ALIVE: Told = {STUCK: (0.5, ["the last wake on record, Thu 30 April 2026, 05:00, ended in sleep"])}
NEVER: Told = {WET_PROBE: (1.5, ["it never needed water in six weeks"])}


def told(complaint: str, log: Any) -> Told:
    """{cause: (weight, evidence)} of all that something speaks for, and only those."""
    found = complaints.ranked(log, complaint, Calendar("UTC"))
    assert [c.weight for c in found] == sorted((c.weight for c in found), reverse=True)
    assert all(bool(c.weight) == bool(c.evidence) for c in found)
    return {c.name: (pytest.approx(c.weight), c.evidence) for c in found if c.weight}


def plain(**changes: Any) -> Any:
    """A quiet log of sixty days but for the changes by day, counted from the end."""
    days = {int(name[1:]) - 60: value for name, value in changes.items()}
    return rows.log(rows.wakes(60, days), known=rows.pot())


def test_a_quiet_pot_has_no_cause() -> None:
    assert told("too wet", plain()) == {}
    assert told("too dry", plain()) == NEVER
    assert told("silent", plain()) == ALIVE


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({30: {"lockouts": ("leak",)}}, {SIPHON: (3, ["a leak lockout in the last six weeks"])}),
        ({18: {"lockouts": ("leak",)}}, {SIPHON: (3, ["a leak lockout in the last six weeks"])}),
        ({17: {"lockouts": ("leak",)}}, {}),  # six weeks ago to the second is no longer lately
        (
            {40: {"soil_ppt": None, "soil_word": "absent"}},
            {DRIFT: (1, [f"1 implausible readings: {words.PROBE_WORDS['absent'].plain}"])},
        ),
        (
            {
                30: {"soil_ppt": None, "soil_word": "absent"},
                40: {"soil_ppt": None, "soil_word": "jump"},
                50: {"soil_ppt": None, "soil_word": "jump"},
            },
            {DRIFT: (1, [f"2 implausible readings: {words.PROBE_WORDS['jump'].plain}"])},
        ),
        ({40: {"soil_ppt": None, "soil_word": "unfitted"}}, {}),
        (
            {40: {"soil_ppt": 330}, 41: {"soil_ppt": 330}},
            {HAND: (4 / 3, ["1 rises of the soil without a dose, last Sat 11 April 2026"])},
        ),
        ({40: {"soil_ppt": 329}, 41: {"soil_ppt": 329}}, {}),
        ({40: {"ran_ms": 900}, 41: {"soil_ppt": 340}, 42: {"soil_ppt": 340}}, {}),
        (
            {day: {"soil_ppt": 340} for day in range(20, 60, 2)},
            {HAND: (3, ["20 rises of the soil without a dose, last Wed 29 April 2026"])},
        ),
        ({40: {"ran_ms": 1}, 41: {"soil_ppt": 340}, 42: {"soil_ppt": 340}}, {}),
        ({59: {"soil_ppt": 400}, 58: {"ran_ms": 900}}, {}),  # as much as it should hold
        (
            {59: {"soil_ppt": 401}, 58: {"soil_ppt": 401}, 57: {"ran_ms": 900}},
            {DRAIN: (1 + 4 / 42, [
                "2 of 42 readings above what the soil should hold after draining"
            ])},
        ),
        (
            {59: {"soil_ppt": 401}, 58: {"ran_ms": 900}},
            {DRAIN: (1 + 2 / 42, [
                "1 of 42 readings above what the soil should hold after draining"
            ])},
        ),
        ({50: {"lockouts": ("saucer wet",)}}, {DRAIN: (2, ["1 wakes with a wet saucer"])}),
        ({50: {"kind": "manual"}}, {}),
        ({50: {"ran_ms": 1}}, {}),
        (
            {50: {"kind": "manual", "ran_ms": 1}},
            {BUTTON: (4 / 3, ["1 pulses asked for at the button"])},
        ),
        (
            {day: {"kind": "manual", "ran_ms": 900} for day in range(40, 50)},
            {BUTTON: (3, ["10 pulses asked for at the button"])},
        ),
    ],
)  # fmt: skip
def test_too_wet(changes: dict[int, dict[str, Any]], expected: Told) -> None:
    assert told("too wet", plain(**{f"d{day}": row for day, row in changes.items()})) == expected


def test_too_wet_because_it_fills_to_more() -> None:
    """85 % of the 380 ppt that a dose fills to are 323."""
    level = {day - 42: {"soil_ppt": 323} for day in range(42)}
    assert told("too wet", rows.log(rows.wakes(42, level), known=rows.pot())) == {}
    level = {day - 42: {"soil_ppt": 324} for day in range(42)}
    assert told("too wet", rows.log(rows.wakes(42, level), known=rows.pot())) == {
        MUCH: (1.5, ["half of the readings are above 32 %, the dose fills to 38 %"])
    }
    assert told("too wet", rows.log(rows.wakes(42, level))) == {}, "its files are not at hand"
    nothing = {day - 42: {"soil_ppt": None} for day in range(42)}
    assert told("too wet", rows.log(rows.wakes(42, nothing), known=rows.pot())) == {}


def test_too_wet_by_what_the_log_says_of_the_hardware() -> None:
    falling = rows.log(
        rows.wakes(60, {day: {"level_ml": 3000 - 10 * day} for day in range(60)}), known=rows.pot()
    )
    assert told("too wet", falling) == {SIPHON: (3, ["10.0 ± 0.0 ml a day with the pump off"])}
    weak = [rows.dose(day, rise_ppt=10) for day in range(40, 60)]
    found = told("too wet", rows.log(rows.wakes(60), weak, rows.pot()))
    assert found.keys() == {DRIFT}
    assert found[DRIFT][0] == 2
    assert found[DRIFT][1][0].startswith("0.025 %/ml over the last 10 doses, 0.25 of the")


WELL: Told = {LATE: (1, ["1 doses in six weeks went well"])}


@pytest.mark.parametrize(
    ("changes", "doses", "expected"),
    [
        ({}, [rows.dose(50)], WELL),
        ({}, [rows.dose(17)], NEVER),  # its day is no longer lately
        ({}, [rows.dose(18)], WELL),
        ({}, [rows.dose(50, 10)], WELL),
        ({}, [rows.dose(50, None)], WELL),  # nothing is known of an answer
        ({}, [rows.dose(50, 9)], WELL | {HOSE: (2, ["1 of 1 doses without a soil response"])}),
        (
            {},
            [rows.dose(day, 9) for day in range(50, 54)] + [rows.dose(55)],
            {
                LATE: (1, ["5 doses in six weeks went well"]),
                HOSE: (3, ["4 of 5 doses without a soil response"]),
            },
        ),
        ({}, [rows.dose(50, given_ul=28000)], WELL),
        (
            {},
            [rows.dose(50, given_ul=27999), rows.dose(51)],
            {CLOG: (1, ["1 of 2 doses gave less than 0.7 of what was planned"])},
        ),
        (
            {59: {"lockouts": ("no response",)}, 58: {"lockouts": ("no response",)}},
            [rows.dose(50)],
            {"no response": (4, ["in force in 2 of 42 wakes and still so"])},
        ),
        (
            {58: {"lockouts": ("no response",)}},
            [],
            {"no response": (3, ["in force in 1 of 42 wakes"])},
        ),
        ({50: {"dose_ul": 1000, "failing": ("lockouts", "settled", "steady")}}, [], NEVER),
        ({50: {"dose_ul": 0, "failing": ("day",)}}, [], NEVER),  # no water was wanted
        ({50: {"dose_ul": 1000, "ran_ms": 10, "failing": ("day",)}}, [], NEVER),
        (
            {50: {"dose_ul": 1000, "failing": ("day",)}},
            [],
            NEVER | {"day": (1.2, ["kept water back in 1 wakes"])},
        ),
        (
            {day: {"dose_ul": 1000, "failing": ("reserve",)} for day in range(30, 50)},
            [],
            NEVER | {"reserve": (3, ["kept water back in 20 wakes"])},
        ),
    ],
)  # fmt: skip
def test_too_dry(changes: dict[int, dict[str, Any]], doses: list[Any], expected: Told) -> None:
    log = rows.log(rows.wakes(60, changes), [one for one in doses if one.time_s], known=rows.pot())
    wanted = {}
    for name, row in expected.items():
        if name in words.LOCKOUTS:
            word = words.LOCKOUTS[name]
            name = f"{word.plain}; usual cause: {word.cause}"
        wanted[words.PERMISSIVES[name].plain if name in words.PERMISSIVES else name] = row
    assert told("too dry", log) == wanted


def test_too_dry_by_what_the_log_says_of_the_hardware() -> None:
    dry = {50: {"trips": ("no flow",)}, 51: {"trips": ("no flow",)}}
    assert told("too dry", rows.log(rows.wakes(60, dry), known=rows.pot())) == NEVER | {
        CLOG: (2, ["2 dry runs in 30 days"])
    }
    strong = [rows.dose(day, rise_ppt=120) for day in range(40, 60)]
    found = told("too dry", rows.log(rows.wakes(60), strong, rows.pot()))
    assert found.keys() == {WET_PROBE, LATE}
    assert found[WET_PROBE][0] == 2
    assert found[WET_PROBE][1][0].startswith("0.300 %/ml over the last 10 doses, 3.00 of the")
    assert told("too dry", rows.log(rows.wakes(60))) == {}, "its files are not at hand"


def test_a_lockout_in_force_comes_before_all_else_and_says_what_to_do() -> None:
    log = rows.log(rows.wakes(60, {-1: {"lockouts": ("dry run",)}}), known=rows.pot())
    first = complaints.ranked(log, "too dry", Calendar("UTC"))[0]
    assert words.LOCKOUTS["dry run"].plain in first.name
    assert first.check == words.LOCKOUTS["dry run"].do


@pytest.mark.parametrize("permissive", [row[0] for row in rules.PERMISSIVES])
def test_what_to_look_at_when_water_was_kept_back(permissive: str) -> None:
    """By the word of the core's own need where there is one, in words of its part where not."""
    needs = {
        "level": "see to the level", "soil": "see to the soil probe",
        "saucer": "empty the saucer", "commissioned": "commission the pot",
    }  # fmt: skip
    parts = {"battery": "Charge the battery", "reserve": "Fill the tank", "day": "day_ml"}
    check = complaints.checks_of(permissive)
    if permissive in needs:
        assert check == words.NEEDS[needs[permissive]].do
    else:
        assert parts.get(permissive, "check of its files") in check


@pytest.mark.parametrize(
    ("changes", "missing", "expected"),
    [
        ({-1: {"battery_mv": None}}, 0, {CONTACT: (1.5, [
            "the last battery reading was implausible"
        ])}),
        ({-2: {"battery_mv": None}}, 0, {}),
        ({-1: {"battery_mv": 3700}}, 0, {}),  # the warning begins below it
        (
            {-1: {"battery_mv": 3696}},
            0,
            {FLAT: (3, ["last at 3.70 V, above the lockout's 3.60 V"])},
        ),
        ({-1: {"battery_mv": 3600}}, 0, {FLAT: (3, ["last at 3.60 V, at the lockout's 3.60 V"])}),
        ({-1: {"battery_mv": 3590}}, 0, {
            FLAT: (3, ["last at 3.59 V, below the lockout's 3.60 V"])
        }),
        ({50: {"cause": "brownout"}}, 0, {CONTACT: (2, ["1 brown-outs in six weeks"])}),
        ({10: {"cause": "brownout"}}, 0, {}),
        ({day: {"cause": "brownout"} for day in range(50, 55)}, 0, {
            CONTACT: (3, ["5 brown-outs in six weeks"])
        }),
        ({50: {"cause": "watchdog"}, 52: {"boots": 1}, 54: {"cause": "watchdog", "boots": 2}}, 0, {
            HANG: (3, ["3 watchdog bites or unfinished starts in six weeks"])
        }),
        ({52: {"boots": 1}}, 0, {
            HANG: (2, ["1 watchdog bites or unfinished starts in six weeks"])
        }),
        ({50: {"stores_failed": 1}}, 0, {STORE: (2, ["1 failed writes in six weeks"])}),
        ({50: {"stores_failed": 2}, 51: {"stores_failed": 5}}, 0, {
            STORE: (3, ["7 failed writes in six weeks"])
        }),
        ({}, 4, {STORE: (0.5, ["4 records are missing"])}),
    ],
)  # fmt: skip
def test_silent(changes: dict[int, dict[str, Any]], missing: int, expected: Told) -> None:
    log = rows.log(rows.wakes(60, changes), known=rows.pot())
    log.missing = missing
    assert told("silent", log) == ALIVE | expected


def test_the_floor_is_the_higher_of_setting_and_hard_limit() -> None:
    low = {-1: {"battery_mv": 3650}}
    known = rows.pot(limits={"rest_mv": 3666})
    assert told("silent", rows.log(rows.wakes(60, low), known=known))[FLAT] == (
        3, ["last at 3.65 V, below the lockout's 3.67 V"],
    )  # fmt: skip
    assert told("silent", rows.log(rows.wakes(60, low))) == ALIVE, "its files are not at hand"


def test_rises_are_counted_between_readings_that_are_believed() -> None:
    changes: dict[int, dict[str, Any]] = {1: {"soil_ppt": None}, 2: {"soil_ppt": 340}}
    assert complaints.rises_by_hand(rows.wakes(3, changes)) == [rows.START_S + 2 * DAY_S]
    changes[1]["ran_ms"] = 900
    assert complaints.rises_by_hand(rows.wakes(3, changes)) == []
    assert complaints.rises_by_hand(rows.wakes(2, {0: {"soil_ppt": None}})) == []
