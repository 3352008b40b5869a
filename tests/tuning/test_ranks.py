"""Is a doubt what it says? Truths drawn from what is believed must rank evenly among the draws.

Talts et al. (2018), arXiv:1804.06788 (from memory): if a fit's doubt is right, the rank of the
truth among draws of the posterior is as likely to be high as low.
"""

from __future__ import annotations

import numpy as np
from scipy.stats import chisquare

from wakewell.tuning import ahead, fit

BINS, DRAWS, TRIED = 6, 59, 360


def test_the_tanks_numbers_rank_evenly() -> None:
    random = np.random.default_rng(5)
    believed, doubts, scatter = np.array([1.0, 0.0, 1.0]), np.array([0.2, 0.1, 4.0]), 4.0
    days = np.arange(40)
    moved = np.where(days % 4 == 0, 160.0, 0.0)
    rows = np.column_stack((moved, moved * (days - 20) / 100.0, np.ones(40)))
    ranks = np.zeros((3, TRIED), dtype=int)
    for number in range(TRIED):
        truth = random.normal(believed, doubts)
        seen = rows @ truth + scatter * random.normal(size=len(days))
        values, cov = fit.linear(rows, seen, believed, doubts, scatter)
        drawn = random.multivariate_normal(values, cov, size=DRAWS)
        ranks[:, number] = (drawn < truth).sum(axis=0)
    for row in ranks:
        counts = np.bincount(row * BINS // (DRAWS + 1), minlength=BINS)
        assert chisquare(counts).pvalue > 0.001, counts


def test_an_interval_of_few_draws_holds_the_next_one_nine_times_in_ten() -> None:
    random = np.random.default_rng(2)
    held = 0
    for _ in range(3000):
        _, low, high = ahead.interval(random.normal(size=20).tolist())
        held += low <= random.normal() <= high
    assert 0.88 < held / 3000 < 0.92
