"""What was used of the tank, by its level, on rows by hand. The gauge's tolerance here is 8 ml."""

from __future__ import annotations

from typing import Any

import pytest

import rows
from wakewell.budget import usage
from wakewell.log.times import DAY_S


def used(levels: list[int | None], given_ul: dict[int, int] | None = None) -> list[float]:
    """What was used up to each level read; given_ul: by day, before the next day's level."""
    changes: dict[int, dict[str, Any]] = {
        n: {"level_ml": ml, "given_ul": (given_ul or {}).get(n, 0)} for n, ml in enumerate(levels)
    }
    return usage.falls(rows.log(rows.wakes(len(levels), changes)), 8)[1]


def test_a_refill_is_no_use_and_scatter_is_both_ways() -> None:
    assert used([2000, 1990, 1970]) == [0, 10, 30]
    assert used([2000, 2016]) == [0, -16]  # twice the tolerance: the gauge's own scatter
    assert used([2000, 2017]) == [0, 0]
    assert used([2000, 3900], {0: 30_000}) == [0, 30]  # given, and filled up after it
    assert used([2000, None, 1990]) == [0, 10]


def test_a_loss_beyond_what_was_given_is_no_use() -> None:
    assert used([2000, 1960]) == [0, 40]  # five times the tolerance
    assert used([2000, 1959]) == [0, 0]
    assert used([2000, 1910], {0: 50_000}) == [0, 90]
    assert used([2000, 1909], {0: 50_000}) == [0, 50]


def test_days_without_water_are_not_counted_between_doses() -> None:
    """A dose of 100 ml each tenth day, then ten days in which the pot was locked out."""
    doses = [rows.dose(day, given_ul=100_000) for day in (10, 20, 30)]
    levels = {n: {"level_ml": 3000 - 100 * sum(n > day for day in (10, 20, 30))} for n in range(45)}
    for n in (10, 20, 30):
        levels[n]["given_ul"] = 100_000

    def seen() -> tuple[float, float]:
        log = rows.log(rows.wakes(45, levels), doses)
        return usage.seen(log, doses, usage.daily_use(log, 8), 8)

    assert seen() == (20.0, 100.0)
    for n in range(21, 26):
        levels[n] |= {"lockouts": ("leak",)}
    assert seen() == (15.0, 100.0)


def test_of_one_dose_only_the_recorded_water_is_known() -> None:
    log = rows.log(rows.wakes(5))
    assert usage.seen(log, [], [], 8) == (0.0, 0.0)
    assert usage.seen(log, [rows.dose(1, given_ul=70_000)], [], 8) == (0.0, 70.0)


def test_a_level_between_two_readings_lies_on_the_line() -> None:
    assert [usage.at([0.0, 10.0], [4.0, 6.0], t) for t in (-1, 0, 5, 10, 11)] == [4, 4, 5, 6, 6]
    mean = usage.mean_use([10.0, 20.0, 30.0, None])
    assert mean == pytest.approx(20.0)
    assert usage.mean_use([10.0, 20.0, None]) is None


def test_days_are_whole_ones_up_to_the_last_level() -> None:
    log = rows.log(rows.wakes(4, {n: {"level_ml": 2000 - 30 * n} for n in range(4)}))
    assert usage.daily_use(log, 8) == [30.0, 30.0, 30.0]
    assert usage.falls(log, 8)[0][-1] == rows.START_S + 3 * DAY_S
    assert (
        usage.daily_use(rows.log(rows.wakes(4, {n: {"level_ml": None} for n in range(4)})), 8) == []
    )
