"""How a fit weighs residuals that hang together, against the dense covariance and a count."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binom  # type: ignore[import-untyped]

from wakewell.tuning.fit import ALSO_WIDER, generalised, together, whitening
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


def dense(days: Numbers, weights: Numbers) -> Numbers:
    """The covariance of the residuals by its definition."""
    apart = np.abs(days[:, None] - days)
    alone = np.diag(1.0 / (together(days) * weights))
    found: Numbers = OFF_PPT**2 * (alone + np.exp(-apart / CAUGHT_DAYS))
    return found


def a_fit(days: Numbers) -> tuple[Numbers, Numbers]:
    """(slopes, doubts before) of a linear fit, slow in time all of them."""
    phase = np.pi * days / days[-1]
    slopes = np.column_stack([np.cos(n * phase) for n in range(len(NAMES))])
    return slopes, np.linspace(2.0, 8.0, len(NAMES))


def weighed(days: Numbers, weights: Numbers, rows: Numbers) -> Numbers:
    """Each column of `rows`, whitened."""
    white = whitening(days, OFF_PPT, weights)
    return np.column_stack([white(column) for column in rows.T])


def test_whitened_squares_are_those_of_the_dense_covariance() -> None:
    days = times()
    rows, _ = a_fit(days)
    weights = np.linspace(0.3, 1.0, len(days))
    white = weighed(days, weights, rows)
    assert np.allclose(white.T @ white, rows.T @ np.linalg.solve(dense(days, weights), rows))


def test_readings_of_one_dose_count_as_one() -> None:
    share = together(times(doses=4))
    assert np.isclose(share.sum(), 4 * 5)
    assert np.allclose(share[:9], 1.0 / 9.0)


def test_nine_truths_in_ten_lie_in_their_interval_and_nearer_than_by_counting_readings() -> None:
    days = times()
    slopes, doubts = a_fit(days)
    even = np.ones(len(days))
    white = whitening(days, OFF_PPT, even)
    curved = -weighed(days, even, slopes)  # a residual is what was read less what was expected
    belief = np.diag(1.0 / doubts**2)
    by_count = np.linalg.inv(slopes.T @ slopes / OFF_PPT**2 + belief)  # each reading by itself
    drawn = np.linalg.cholesky(dense(days, even))
    random = np.random.default_rng(4)
    errors, counted = np.empty((2, TRIED, len(NAMES)))
    for number in range(TRIED):
        truth = random.normal(0.0, doubts)
        seen = slopes @ truth + drawn @ random.normal(size=len(days))
        found, cov = generalised(curved, white(seen), np.zeros(len(NAMES)), doubts)
        errors[number] = found - truth
        counted[number] = by_count @ (slopes.T @ seen) / OFF_PPT**2 - truth
    low, high = binom.ppf((0.0005, 0.9995), TRIED, 0.9)
    doubt = np.sqrt(np.diag(cov))
    held = (np.abs(errors) <= Z90 * doubt).sum(axis=0)[FREE]
    assert ((low <= held) & (held <= high)).all(), held
    assert (doubt[FREE] <= doubts[FREE]).all()  # a log never takes knowledge away
    assert np.mean(errors**2) < 0.9 * np.mean(counted**2)
    trusting = (np.abs(counted) <= Z90 * np.sqrt(np.diag(by_count))).sum(axis=0)
    assert (trusting < low).any(), trusting
