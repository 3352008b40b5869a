"""How sure a fit is whose residuals hang together, against the dense covariance and a count."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binom  # type: ignore[import-untyped]

from wakewell.tuning.fit import ALSO_WIDER, sandwich, together
from wakewell.tuning.twin import CAUGHT_DAYS, NAMES

Numbers = NDArray[np.float64]
OFF_PPT, TRIED, Z90 = 5.0, 300, 1.645
FREE = [index for index, name in enumerate(NAMES) if name not in ALSO_WIDER]


def times(doses: int = 12) -> Numbers:
    """A reading a day, and every fifth day eight more in the two hours of a dose."""
    days = [float(day) for day in range(5 * doses)]
    for dose in range(doses):
        days += [5.0 * dose + minutes / 1440.0 for minutes in range(15, 135, 15)]
    return np.array(sorted(days))


def dense(days: Numbers) -> Numbers:
    """The covariance of the residuals by its definition."""
    apart = np.abs(days[:, None] - days)
    found: Numbers = OFF_PPT**2 * (np.diag(1.0 / together(days)) + np.exp(-apart / CAUGHT_DAYS))
    return found


def a_fit(days: Numbers) -> tuple[Numbers, Numbers, Numbers]:
    """(slopes, root of the weights, doubts before) of a linear fit, slow in time all of them."""
    phase = np.pi * days / days[-1]
    slopes = np.column_stack([np.cos(n * phase) for n in range(len(NAMES))])
    return slopes, np.full(len(days), 1.0 / OFF_PPT), np.linspace(2.0, 8.0, len(NAMES))


def test_it_is_the_sandwich_of_the_dense_covariance() -> None:
    days = times()
    slopes, root, doubts = a_fit(days)
    root = root * np.linspace(0.5, 1.0, len(days))
    weights, belief = np.diag(root**2), np.diag(1.0 / doubts**2)
    bread = np.linalg.inv(slopes.T @ weights @ slopes + belief)
    meat = slopes.T @ weights @ dense(days) @ weights @ slopes + belief
    found = sandwich(slopes, root, days, OFF_PPT, doubts)
    free = np.ix_(FREE, FREE)
    assert np.allclose(found[free], (bread @ meat @ bread)[free])


def test_readings_of_one_dose_count_as_one() -> None:
    share = together(times(doses=4))
    assert np.isclose(share.sum(), 4 * 5)
    assert np.allclose(share[:9], 1.0 / 9.0)


def test_nine_truths_in_ten_lie_in_their_interval_and_not_by_counting_readings() -> None:
    days = times()
    slopes, root, doubts = a_fit(days)
    weighed, belief = slopes.T * root**2, np.diag(1.0 / doubts**2)
    by_count = np.linalg.inv(weighed @ slopes + belief)  # of as many readings, each by itself
    drawn = np.linalg.cholesky(dense(days))
    random = np.random.default_rng(4)
    errors = np.empty((TRIED, len(NAMES)))
    for number in range(TRIED):
        truth = random.normal(0.0, doubts)
        seen = slopes @ truth + drawn @ random.normal(size=len(days))
        errors[number] = by_count @ (weighed @ seen) - truth
    cov = sandwich(slopes, root, days, OFF_PPT, doubts)
    low, high = binom.ppf((0.0005, 0.9995), TRIED, 0.9)
    held = (np.abs(errors) <= Z90 * np.sqrt(np.diag(cov))).sum(axis=0)[FREE]
    assert ((low <= held) & (held <= high)).all(), held
    counted = (np.abs(errors) <= Z90 * np.sqrt(np.diag(by_count))).sum(axis=0)
    assert (counted < low).any(), counted
