"""Faults that come back, on rows by hand: how often, within what time, and with which cause."""

from __future__ import annotations

from typing import Any

import pytest

import rows
from wakewell import words
from wakewell.budget.forecast import Forecast
from wakewell.log.times import Calendar
from wakewell.report import condition, recurring
from wakewell.report.findings import ACT, QUIET, WATCH, Finding


def came_back(days: int, changes: dict[int, dict[str, Any]]) -> list[Finding]:
    return recurring.came_back(rows.log(rows.wakes(days, changes), (), rows.pot()), Calendar("UTC"))


def locked(*days: int, name: str = "saucer wet") -> dict[int, dict[str, Any]]:
    return {day: {"lockouts": (name,)} for day in days}


def test_what_came_back_often_and_is_cleared_is_told_with_its_cause() -> None:
    """35 wet saucers in three years, each cleared: the pot is not "well, nothing wrong"."""
    changes = locked(*range(10, 1095, 31))
    assert len(changes) == 35
    log = rows.log(rows.wakes(1095, changes), (), rows.pot())
    (one,) = recurring.came_back(log, Calendar("UTC"))
    assert one.state == ACT
    assert one.plain.startswith(
        "3 times within three months it stopped watering because of a wet saucer"
    )
    assert words.LOCKOUTS["saucer wet"].cause in one.do
    none = Forecast("tank"), Forecast("battery")
    told = condition.judge(log, Calendar("UTC"), *none, [one])
    assert (told.word, [task.do for task in told.tasks]) == (condition.DUE, [one.do])


@pytest.mark.parametrize(
    ("days", "state"),
    [
        ((300, 330), QUIET),  # twice
        ((240, 300, 332), WATCH),  # three times in 92 days, the last not lately
        ((239, 300, 332), QUIET),  # in 93
        ((320, 330, 340), ACT),
        ((340, 341, 342), QUIET),  # one lockout that lasted three days
        ((10, 20, 30), WATCH),  # within the year
    ],
)
def test_how_often_and_within_what_time(days: tuple[int, ...], state: str) -> None:
    (one,) = came_back(366, locked(*days))
    assert one.state == state
    assert bool(one.do) == (state != QUIET)


def test_what_lies_more_than_a_year_back_is_over() -> None:
    (one,) = came_back(500, locked(10, 20, 30))
    assert one.state == QUIET


def test_a_lockout_that_is_still_in_force_is_counted_and_told() -> None:
    changes = locked(340, 350, 365)
    log = rows.log(rows.wakes(366, changes), (), rows.pot())
    found = recurring.came_back(log, Calendar("UTC"))
    told = condition.judge(log, Calendar("UTC"), Forecast("tank"), Forecast("battery"), found)
    assert [task.name for task in told.tasks] == ["saucer wet", recurring.NAME]


@pytest.mark.parametrize(
    ("change", "least", "plain"),
    [
        ({"failing": ("reserve",)}, 1, "the tank ran down to its reserve"),
        ({"trips": ("sag",)}, 1, words.TRIPS_WORDS["sag"].plain),
        ({"soil_word": "absent", "soil_ppt": None}, 2, "the soil probe gave implausible readings"),
        ({"level_word": "flicker", "level_ml": None}, 2, "the level gauge gave implausible"),
    ],
)
def test_other_faults_that_come_back(change: dict[str, Any], least: int, plain: str) -> None:
    often = {start + n: change for start in (300, 320, 340) for n in range(least)}
    (one,) = came_back(366, often)
    assert one.plain.startswith(f"3 times within three months {plain}")
    assert "Likely cause: " in one.do
    assert not one.do.endswith(": .")
    if least > 1:
        glitches = dict.fromkeys((300, 320, 340), change)
        assert came_back(366, glitches)[0].state == QUIET, "a single reading is no fault"


@pytest.mark.parametrize("trip", recurring.NO_FAULT)
def test_a_run_cut_short_for_no_fault(trip: str) -> None:
    assert came_back(366, {day: {"trips": (trip,)} for day in (300, 320, 340)})[0].state == QUIET


def test_trips_that_led_to_the_lockout_are_not_told_twice() -> None:
    both = {day: {"trips": ("no flow",), "lockouts": ("dry run",)} for day in (300, 320, 340)}
    assert [one.measure.split(":")[0] for one in came_back(366, both)] == ["lockout dry run"]


def test_every_fault_has_a_likely_cause() -> None:
    for table in (words.LOCKOUTS, words.TRIPS_WORDS):
        assert all(word.cause for name, word in table.items() if name not in recurring.NO_FAULT)
    bad = [name for name in words.PROBE_WORDS if name not in ("good", "unfitted", "cold")]
    assert all(words.PROBE_WORDS[name].cause for name in bad)
