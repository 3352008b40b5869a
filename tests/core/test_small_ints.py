"""Sums of the core stay small: 31 bits on a 32-bit chip, outside the functions named as big."""

from __future__ import annotations

import core_pots
import core_world
import pytest
import small_ints
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from wakecore import number


def test_the_check_sees_what_leaves_the_range() -> None:
    core = small_ints.checked_core()
    with pytest.raises(small_ints.BigInteger, match=r"plan\.py:\d+: 2147483648"):
        core.plan.water_ul(0, 1 << 16, 1 << 15)
    with pytest.raises(small_ints.BigInteger, match=r"number\.py"):
        core.number.add_capped(number.SMALL_MAX, number.SMALL_MIN, number.SMALL_MAX)
    assert core.number.muldiv(1 << 29, 1 << 29, 1 << 29) == 1 << 29


def test_the_plain_core_is_untouched() -> None:
    small_ints.checked_core()
    assert "_checked" not in vars(number)
    assert number.clamp(1 << 40, 0, 1 << 41) == 1 << 40


@pytest.mark.parametrize("subject", [*core_world.SUBJECTS, "all"])
def test_every_sum_of_a_life_is_small(subject: str) -> None:
    core = small_ints.checked_core()
    before = core.counter.checks
    for seed in range(1000, 1025):
        pick = core_pots.Pick(seed)
        pot = core.load(core_pots.any_lines(pick))
        subjects = () if subject == "all" else (subject, "soil")
        life = core_world.any_life(pick, subjects, 60)
        core_world.World(pot, core.drive, core.state).live(life)
    assert core.counter.checks - before > 50000


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(core_world.cases())
def test_every_sum_is_small_whatever_happens(
    case: tuple[dict[str, bytes], core_world.Life],
) -> None:
    core = small_ints.checked_core()
    stored, life = case
    core_world.World(core.load(stored), core.drive, core.state).live(life)


@settings(max_examples=200, deadline=None)
@given(core_pots.tables(), st.data())
def test_every_sum_of_a_table_is_small(points: list[tuple[int, int]], data: st.DataObject) -> None:
    core = small_ints.checked_core()
    counts = data.draw(st.integers(-(1 << 29), 1 << 29))
    core.table.convert(points, counts)
    core.table.counts_at(points, data.draw(st.integers(-1000000, 1000000)))
