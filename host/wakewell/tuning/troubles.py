"""What has gone wrong with a pot, and who came when: so that a twin's next year has it too.

What belongs here: spells of implausible soil readings, and the time from a need to its answer,
both from the log with their wakes; a year's draw of them. What does not: what they do (rig/).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from wakewell.log.times import DAY_S
from wakewell.rig.faults import Fault
from wakewell.simulate.people import Owner
from wakewell.simulate.trials import Trial
from wakewell.tuning.evidence import REFILL, Evidence, many_wakes

NOT_AMISS = ("good", "cold")  # words of a soil probe that is in order
LATER, LATEST = 0.4, 20.0  # a person takes so much more or less time (a log's spread), days at most


@dataclass(frozen=True)
class Troubles:
    """Of one log. spells: (first wake, last wake, s) of implausible soil readings;
    fills: (wake that asked, wake that saw the tank filled, days); days: of log."""

    days: float
    spells: tuple[tuple[int, int, float], ...]
    fills: tuple[tuple[int, int, float], ...]

    @property
    def filled_after_days(self) -> float:
        """Mean time from the need to the filled tank; `fills` has at least one."""
        return sum(row[2] for row in self.fills) / len(self.fills)

    def origin(self) -> list[str]:
        """Where in the log it comes from, in words."""
        if self.spells:
            wakes = many_wakes([n for a, b, _ in self.spells for n in range(a, b + 1)])
            times = f"{len(self.spells)} times in {self.days:.0f} days, {wakes}"
            lost = f"soil reading implausible {times}"
        else:
            lost = f"soil reading never implausible, {self.days:.0f} days"
        if not self.fills:
            return [lost, "the tank is filled as in a usual trial: the log has no refill"]
        asked = many_wakes([row[0] for row in self.fills])
        days = f"{self.filled_after_days:.1f} days"
        return [lost, f"the tank is filled {days} after it is asked for, {asked}"]


def of(found: Evidence) -> Troubles:
    """What that log tells of it."""
    spells: list[tuple[int, int, float]] = []
    fills: list[tuple[int, int, float]] = []
    refilled = set(found.left_out.get(REFILL, ()))
    begun, last = None, None
    asked = None
    for wake in found.wakes:
        if wake.soil_word not in NOT_AMISS:
            begun = begun or wake
            last = wake
        elif begun is not None and last is not None:
            spells.append((begun.n, last.n, wake.time_s - begun.time_s))
            begun = None
        if "fill the tank" in wake.needs:
            asked = asked or wake
        if asked is not None and wake.n in refilled:
            fills.append((asked.n, wake.n, (wake.time_s - asked.time_s) / DAY_S))
            asked = None
    return Troubles(found.days, tuple(spells), tuple(fills))


def owner_of(found: Troubles, usual: Owner) -> Owner:
    """Who fills the tank as the log saw it."""
    if not found.fills:
        return usual
    return replace(usual, fills_after_days=min(LATEST, max(0.1, found.filled_after_days)))


def drawn(found: Troubles, trial: Trial, seed: int) -> Trial:
    """That trial with one draw of the same troubles, as often as the log had them."""
    random = np.random.default_rng([12, seed])
    faults: list[Fault] = []
    if found.spells:
        expected = len(found.spells) * trial.days / max(1.0, found.days)
        lengths: Sequence[float] = [row[2] for row in found.spells]
        for _ in range(int(random.poisson(expected))):
            since = float(random.uniform(0.0, trial.days * DAY_S))
            faults.append(Fault("probe railed", since, since + float(random.choice(lengths))))
    later = math.exp(LATER * float(random.normal()))
    owner = trial.owner
    days = owner.fills_after_days
    if days < math.inf:
        owner = replace(owner, fills_after_days=min(LATEST, max(0.1, days * later)))
    return replace(trial, owner=owner, spec=replace(trial.spec, faults=tuple(faults)))
