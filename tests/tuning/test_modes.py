"""A fit's search: what lies far off, several places that suit, and water by somebody's can."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.special import huber

from wakewell.tuning.evidence import Look
from wakewell.tuning.fit import FAR, Mode, SoilFit, bent, shared, spread_of, watered_by_hand
from wakewell.tuning.twin import NAMES, usual

COUNT = len(NAMES)
HOUR_S, DAY_S = 3600.0, 86_400.0
DRY_DAYS, DOSE_MINUTES = 20, (0, 20, 40, 60, 80)


def test_squares_of_bent_residuals_are_hubers_loss() -> None:
    off = np.linspace(-5.0 * FAR, 5.0 * FAR, 41)
    assert 0.5 * bent(off) ** 2 == pytest.approx(huber(FAR, off))
    assert np.array_equal(np.sign(bent(off)), np.sign(off))


def at(first: float, cov: float = 1.0) -> tuple[Any, Any]:
    values = usual()
    values[0] = first
    return values, cov * np.eye(COUNT)


def test_two_places_that_suit_alike_are_drawn_alike() -> None:
    wide, narrow = at(9.0), at(0.0)
    modes = shared([(3.0, *wide), (3.0, *narrow), (4.0, *at(0.5))])  # the last is the second again
    assert [mode.share for mode in modes] == pytest.approx([0.5, 0.5])
    assert np.sqrt(spread_of(modes)[0, 0]) == pytest.approx(np.hypot(1.0, np.sqrt(0.5) * 9.0))
    # Half as likely by its squares, and eight times the volume
    share, _ = (mode.share for mode in shared([(np.log(2.0), *at(9.0, 8.0 ** (2.0 / COUNT))),
                                               (0.0, *narrow)]))  # fmt: skip
    assert share == pytest.approx(0.8)


def test_draws_are_of_each_mode_as_often_as_it_is_likely() -> None:
    modes = [Mode(*at(0.0, 1e-4), 0.75), Mode(*at(0.4, 1e-4), 0.25)]
    found = SoilFit(modes[0].values, spread_of(modes), 2.0, 0.5, 0, np.ones(COUNT), modes)
    drawn = found.draws(20)[:, 0]
    assert np.sum(drawn > 0.2) == 5
    assert np.sum(found.draws(16, 3)[:8, 0] > 0.2) == 2  # and not in a row


class KnownCourse:
    """A course whose twin is as many ppt drier than the readings as `wetter` says."""

    def __init__(self, looks: list[Look], wetter: list[float]) -> None:
        self.looks = looks
        self.expected = np.array([float(look.soil_ppt or 0) for look in looks]) - np.array(wetter)

    def run(self, _values: Any) -> tuple[Any, None]:
        return self.expected, None


def course(in_dose: float = 0.0, from_day: int = DRY_DAYS, by: float = 0.0) -> Any:
    """Two looks a day, a dose every fourth. in_dose: so much wetter while the first of them
    sinks in; by: so much wetter from that day on, as the twin follows."""
    looks, wetter = [], []
    for half in range(2 * DRY_DAYS):
        day = half / 2.0
        over = by * 0.8 ** (half - 2 * from_day) if day >= from_day else 0.0
        minutes = DOSE_MINUTES if half % 8 == 4 else (0,)
        for minute in minutes:
            poured = 100.0 if len(minutes) > 1 and minute < DOSE_MINUTES[-2] else 0.0
            when_s = day * DAY_S + 60.0 * minute
            looks.append(Look(when_s, len(looks), 300, 20.0, poured, False, True))
            wetter.append(over + (in_dose if minute and half == 4 else 0.0) + (-1.0) ** half)
    return KnownCourse(looks, wetter)


def by_hand(one: Any, scatter_ppt: float) -> set[int]:
    fitted: Any = SimpleNamespace(values=usual(), scatter_ppt=scatter_ppt)
    return watered_by_hand(one, fitted)


def test_a_twin_that_is_too_dry_while_a_dose_sinks_in_saw_no_can() -> None:
    assert by_hand(course(in_dose=40.0), 4.0) == set()


@pytest.mark.parametrize("scatter_ppt", [2.0, 7.0])
def test_a_can_is_seen_where_the_twin_is_not_yet_right(scatter_ppt: float) -> None:
    one = course(from_day=8, by=30.0)
    assert by_hand(one, scatter_ppt) == {next(x.n for x in one.looks if x.time_s >= 8 * DAY_S)}
