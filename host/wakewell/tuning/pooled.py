"""Pots of one kind share what they learned: partial pooling of the soil's numbers.

What belongs here: what the fits of other pots say of a pot before its own log is looked at. What
does not: the fit (fit.py). Each number of a kind of pot lies about a mean, and pots differ about
it; both are estimated from the others, leaning on what is believed of any pot (a normal model with
random effects: a pot counts by its own doubt and by how far pots differ). The own log then moves it
from there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from wakewell.tuning.fit import Fit
from wakewell.tuning.twin import NAMES, usual

Numbers = NDArray[np.float64]

# What substrate, plant and place decide; a probe's error and a clock are a pot's own
SHARED = ("drying", "swing", "lean", "holds", "slow", "spread", "bulb", "closes")
APART = 2.0  # pots' worth of belief that they differ as far as any two pots do
LEAST_APART = 0.25  # of that belief: two pots are never quite alike


@dataclass(frozen=True)
class Pool:
    """What is believed of a pot from others. values, doubts: of every number; pots: their names."""

    values: Numbers
    doubts: Numbers
    pots: tuple[str, ...]

    def text(self) -> str:
        """In words, with what the others say of the two that matter most."""
        shown = []
        for name, text in (("drying", "drying"), ("holds", "water held")):
            index = NAMES.index(name)
            middle = float(np.exp(self.values[index]))
            doubt = 100.0 * float(self.doubts[index])
            shown.append(f"{text} {middle:.2f} times the folder's, give or take {doubt:.0f} %")
        return (
            f"partly pooled with {', '.join(self.pots)}: before this log {'; '.join(shown)}; this "
            "log moves it from there"
        )


def of(others: Sequence[tuple[str, Fit]], doubts: Numbers) -> Pool:
    """What those pots' fits say. doubts: of each number before any log."""
    values, spread = usual(), doubts.copy()
    for name in SHARED:
        index = NAMES.index(name)
        seen = np.array([fit.soil.at(name) for _, fit in others])
        before = float(doubts[index])
        middle, off = seen[:, 0], seen[:, 1]
        # How far pots differ: what they show beyond their own doubt, leaning on the belief
        mean = float(np.average(middle, weights=1.0 / (off**2 + before**2)))
        beyond = float(np.sum(np.maximum(0.0, (middle - mean) ** 2 - off**2)))
        apart = (APART * before**2 + beyond) / (APART + len(seen))
        apart = min(before**2, max((LEAST_APART * before) ** 2, apart))
        weights = 1.0 / (off**2 + apart)
        whole = float(np.sum(weights)) + 1.0 / before**2
        values[index] = float(np.sum(weights * middle)) / whole
        spread[index] = min(before, float(np.sqrt(apart + 1.0 / whole)))
    return Pool(values, spread, tuple(name for name, _ in others))
