"""What another core decided, change by change: weaker and stricter told apart."""

from __future__ import annotations

import copy
from typing import Any

import pytest

import makelog
from wakecore import fields, line
from wakewell.log import record
from wakewell.replay import changes


@pytest.fixture(scope="module")
def dose() -> Any:
    """A recorded wake with a pulse."""
    found = [record.parse(data)[0] for data in makelog.log_lines(makelog.play(makelog.wakes(40)))]
    return next(one for one in found if one and one["kind"] == "wake" and "run" in one)


@pytest.fixture(scope="module")
def pot() -> Any:
    """What was in force."""
    values = []
    for kind in ("settings", "limits", "calibration"):
        content, _ = line.decode(makelog.pot()[kind])
        values.append(fields.load(kind, content, "")[0])
    return fields.Pot(*values)


def judge(was: Any, made: Any, pot: Any, *told: bool) -> list[changes.Change]:
    """The changes between two records as JSON has them."""
    return changes.judge(record.wake_of(was), record.wake_of(made), pot, *told)


@pytest.mark.parametrize(
    ("member", "by", "expected"),
    [
        ("counted_ml", -1, [("weaker", "R3", "water.counted_ml")]),
        ("counted_ml", 1, [("stricter", "R3", "water.counted_ml")]),
        ("counted_ml", 0, []),
        ("day_ml", -1, [("weaker", "R3", "water.day_ml")]),
        ("day_ml", 5, [("stricter", "R3", "water.day_ml")]),
    ],
)
def test_water_that_is_counted_otherwise(
    dose: Any, pot: Any, member: str, by: int, expected: list[tuple[str, str, str]]
) -> None:
    made = copy.deepcopy(dose)
    made["water"][member] += by
    found = judge(dose, made, pot, False, False)
    assert [(one.way, one.rule, one.member) for one in found] == expected


def test_a_permissive_that_held_and_does_not_and_the_other_way_round(dose: Any, pot: Any) -> None:
    stops = copy.deepcopy(dose)
    stops["permissives"]["reserve"] = 0
    before, after = (
        judge(dose, stops, pot, False, False),
        judge(stops, dose, pot, False, False),
    )
    assert ("stricter", "R4") in [(one.way, one.rule) for one in before]
    assert ("weaker", "R4") in [(one.way, one.rule) for one in after]
    assert judge(dose, dose, pot, False, False) == []


def test_how_long_a_wake_was_to_pump(dose: Any) -> None:
    assert changes.run_ms(dose) == dose["plan"]["pulse_ms"] > 0
    quiet = copy.deepcopy(dose)
    quiet["commands"] = [one for one in dose["commands"] if not one.startswith("run ")]
    assert (changes.run_ms(quiet), changes.runs(quiet)) == (0, [])


def told(was: Any, made: Any, pot: Any) -> list[tuple[str, str, str]]:
    return [(o.way, o.rule, o.member) for o in judge(was, made, pot, False, False)]


@pytest.mark.parametrize(
    ("was", "now", "low", "expected"),
    [
        ("sleep 3600 button", "sleep 3600 button", True, []),
        # A low battery is spared by long sleep (R5); without that lockout it is another time
        ("sleep 86400 button", "sleep 86399 button", True, [("weaker", "R5", "commands.sleep")]),
        ("sleep 86400 button", "sleep 86399 button", False, [("otherwise", "", "commands.sleep")]),
        ("sleep 86400 button", "sleep 90000 button", True, [("otherwise", "", "commands.sleep")]),
        # The look a minute after a pulse (R8)
        ("sleep 60", "sleep 7200", False, [("weaker", "R8", "commands.sleep")]),
        # A button that is stuck is masked (R12)
        ("sleep 3600", "sleep 3600 button", False, [("weaker", "R12", "commands.button")]),
        ("sleep 3600 button", "sleep 3600", False, [("stricter", "R12", "commands.button")]),
    ],
)
def test_the_sleep_that_follows(
    dose: Any, pot: Any, was: str, now: str, low: bool, expected: list[tuple[str, str, str]]
) -> None:
    before = copy.deepcopy(dose)
    before["lockouts"] = ["battery low"] if low else []
    before["commands"][-1] = was
    made = copy.deepcopy(before)
    made["commands"][-1] = now
    assert told(before, made, pot) == expected
    made["plan"]["kind"] = "manual"
    asked = [one for one in told(before, made, pot) if one[2].startswith("commands.")]
    assert not asked, "another dose is another sleep"


def test_the_first_command_and_the_radio(dose: Any, pot: Any) -> None:
    made = copy.deepcopy(dose)
    made["commands"][0] = "rest"
    assert told(dose, made, pot) == [("weaker", "R1", "commands.off")]
    reported = copy.deepcopy(dose)
    reported["commands"].insert(-1, "report")
    assert told(reported, dose, pot) == [("weaker", "R17", "commands.report")]


def test_a_dose_past_the_hard_limit(dose: Any, pot: Any) -> None:
    most_ul = 1000 * pot.limits.dose_ml
    for dose_ul, expected in ((most_ul, []), (most_ul + 1, [("weaker", "R3", "plan.dose_ul")])):
        made = copy.deepcopy(dose)
        made["plan"]["dose_ul"] = dose_ul
        assert told(dose, made, pot) == expected
