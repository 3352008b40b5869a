"""What another core decided, change by change: weaker and stricter told apart."""

from __future__ import annotations

import copy
from typing import Any

import pytest

import makelog
from wakecore import fields, line
from wakewell import changes, logs


@pytest.fixture(scope="module")
def dose() -> Any:
    """A recorded wake with a pulse."""
    found = [logs.decode(data)[0] for data in makelog.log_lines(makelog.play(makelog.wakes(40)))]
    return next(one for one in found if one and one["kind"] == "wake" and "run" in one)


@pytest.fixture(scope="module")
def pot() -> Any:
    """What was in force."""
    values = []
    for kind in ("settings", "limits", "calibration"):
        content, _ = line.decode(makelog.pot()[kind])
        values.append(fields.load(kind, content, "")[0])
    return fields.Pot(*values)


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
    found = changes.judge(dose, made, pot, False, False)
    assert [(one.way, one.rule, one.member) for one in found] == expected


def test_a_permissive_that_held_and_does_not_and_the_other_way_round(dose: Any, pot: Any) -> None:
    stops = copy.deepcopy(dose)
    stops["permissives"]["reserve"] = 0
    before, after = (
        changes.judge(dose, stops, pot, False, False),
        changes.judge(stops, dose, pot, False, False),
    )
    assert ("stricter", "R4") in [(one.way, one.rule) for one in before]
    assert ("weaker", "R4") in [(one.way, one.rule) for one in after]
    assert changes.judge(dose, dose, pot, False, False) == []


def test_how_long_a_wake_was_to_pump(dose: Any) -> None:
    assert changes.run_ms(dose) == dose["plan"]["pulse_ms"] > 0
    quiet = copy.deepcopy(dose)
    quiet["commands"] = [one for one in dose["commands"] if not one.startswith("run ")]
    assert (changes.run_ms(quiet), changes.runs(quiet)) == (0, [])
