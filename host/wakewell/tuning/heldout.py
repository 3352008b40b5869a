"""Is a twin any good? Fitted to the first part of a log, it foretells the rest.

What belongs here: errors by horizon against two dull rivals, how often the 90 % band held, and
the verdict on the fit. What does not: fitting (fit.py), words (told.py).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t  # type: ignore[import-untyped]

from wakewell.tuning.evidence import Look
from wakewell.tuning.fit import SoilFit
from wakewell.tuning.twin import DAY_S, Course
from wakewell.units import soil

Numbers = NDArray[np.float64]
Day = tuple[float, int, float, float, float, float]

HORIZONS = (1, 2, 3, 4, 5, 6, 7)  # days
NEAR_DAYS = 0.3  # a look this near to a whole day counts for it
AFTER_DOSE_DAYS = 1.0  # drying is foretold from then on
LINE_DAYS = 3.0  # that the rival's straight line goes through
LEAST_SEEN = 8  # of a horizon, for a verdict
LEAST_HELD = 0.6  # share in the band; below, the fit failed its own check
WORSE = 1.25  # times the better rival's error: beyond, it failed too
NEAR_SHARE = 0.15  # of a pot's water: as near as that is near enough, however sure the twin was
FIRST_PART = 2.0 / 3.0
DRAWS = 8
# The band is Student's: errors overlap, and the fit was made to keep them small, so they count as
# those apart less the numbers that the log told (MacKay 1992, Neural Computation 4, 415, from
# memory); never as fewer than this
LEAST_FREE = 4.0
ONE_SIDE = 0.95


@dataclass
class Horizon:
    """Errors so many days ahead, ppt: mean of their size for the twin, for "same as yesterday" and
    for the straight line of the last days. held: share of the readings in the 90 % band."""

    days: int
    count: int
    twin: float
    same: float
    line: float
    held: float


@dataclass
class HeldOut:
    """What the held-out part says. split_s: where it begins; band: (time_s, n, read, foretold,
    low, high) a day ahead, for a picture. totals: (name, as it was, foretold, low, high) of the
    whole part, by the twin living it through; lived: likewise waterings, tank and battery along it,
    one row a day as in band, of what was foretold after wake last_known. why: why the fit failed
    its check, or ""."""

    split_s: float
    first: int
    last: int
    horizons: list[Horizon] = field(default_factory=list)
    band: list[Day] = field(default_factory=list)
    totals: list[tuple[str, float, float, float, float]] = field(default_factory=list)
    lived: dict[str, list[Day]] = field(default_factory=dict)
    last_known: int = 0
    why: str = ""

    @property
    def too_few(self) -> bool:
        """Has it too few days of drying for a verdict by them?"""
        return all(one.count < LEAST_SEEN for one in self.horizons)


def origins(looks: Sequence[Look], since_s: float, until_s: float) -> list[int]:
    """The looks that drying is foretold from: one a day, a while after the last dose."""
    found: list[int] = []
    dosed_s = last_s = -1e18
    for number, look in enumerate(looks):
        if look.anew:
            dosed_s = max(dosed_s, look.time_s - AFTER_DOSE_DAYS * DAY_S / 2)
        ready = look.time_s - dosed_s >= AFTER_DOSE_DAYS * DAY_S
        day = look.time_s - last_s >= (1.0 - NEAR_DAYS) * DAY_S
        if look.counts and ready and day and since_s <= look.time_s < until_s:
            found.append(number)
            last_s = look.time_s
        if look.poured_ml > 0.0:
            dosed_s = look.time_s
    return found


def line_ahead(looks: Sequence[Look], origin: int, target: int) -> float:
    """The straight line through the readings of the last days, since the last water, at a look."""
    at = looks[origin]
    times, read = [], []
    for look in reversed(looks[: origin + 1]):
        watered = look.poured_ml > 0.0 and look is not at  # what was read before it is no drying
        if watered or at.time_s - look.time_s > LINE_DAYS * DAY_S:
            break
        if look.soil_ppt is not None:
            times.append((look.time_s - at.time_s) / DAY_S)
            read.append(float(look.soil_ppt))
        if look.anew:
            break
    if len(times) < 2 or times[0] - times[-1] < 0.5:
        return float(at.soil_ppt or 0)
    slope, level = np.polyfit(times, read, 1)
    return float(level + slope * (looks[target].time_s - at.time_s) / DAY_S)


def _by_day(
    course: Course, values: Numbers, starts: Sequence[int]
) -> dict[tuple[int, int], tuple[int, float]]:
    """{(origin, days): (look, foretold)} for each whole number of days that has a look near it."""
    found: dict[tuple[int, int], tuple[int, float]] = {}
    looks = course.looks
    for origin, target, ppt in course.foretold(values, set(starts), HORIZONS[-1] + NEAR_DAYS):
        days = (looks[target].time_s - looks[origin].time_s) / DAY_S
        whole = round(days)
        if whole in HORIZONS and abs(days - whole) <= NEAR_DAYS and looks[target].counts:
            found.setdefault((origin, whole), (target, ppt))
    return found


def judged(course: Course, fitted: SoilFit, split_s: float) -> HeldOut:
    """Judge a fit to the part before `split_s` by what came after. course: of the whole span."""
    looks = course.looks
    found = HeldOut(split_s, looks[0].n, looks[-1].n)
    early = origins(looks, looks[0].time_s, split_s - HORIZONS[-1] * DAY_S)
    late = origins(looks, split_s, looks[-1].time_s)
    if late:
        found.first = looks[late[0]].n
    middle = _by_day(course, fitted.values, [*early, *late])
    draws = [_by_day(course, values, late) for values in fitted.draws(DRAWS, 5)]
    squares: dict[int, list[float]] = defaultdict(list)
    for (origin, days), (target, ppt) in middle.items():
        if looks[origin].time_s < split_s:
            squares[days].append(((looks[target].soil_ppt or 0) - ppt) ** 2)
    errors: dict[int, list[tuple[float, float, float, bool]]] = defaultdict(list)
    wide, reach = fitted.scatter_ppt, float(t.ppf(ONE_SIDE, LEAST_FREE))
    taken = float(np.sum(1.0 - np.minimum(1.0, fitted.doubt / fitted.priors) ** 2))
    spread: dict[int, tuple[float, float]] = {}
    for days in HORIZONS:
        seen = squares[days]
        # Never narrower further ahead, and no trust in a handful of errors
        if len(seen) >= LEAST_SEEN:
            alone = len(seen) / days  # the others overlap
            free = max(LEAST_FREE, alone - taken)
            error = float(np.sqrt(np.mean(seen) * max(alone, free) / free))
            wide = max(spread.get(days - 1, (0.0, 0.0))[0], error)
            reach = float(t.ppf(ONE_SIDE, free))
        spread[days] = wide, reach
    for (origin, days), (target, ppt) in middle.items():
        if looks[origin].time_s < split_s:
            continue
        read = looks[target].soil_ppt or 0
        others = [one[origin, days][1] for one in draws if (origin, days) in one]
        wide, reach = spread[days]
        half = reach * float(np.hypot(wide, np.std(others, ddof=1) if len(others) > 1 else 0.0))
        same = float(looks[origin].soil_ppt or 0)
        line = line_ahead(looks, origin, target)
        held = abs(read - ppt) <= half
        errors[days].append((abs(read - ppt), abs(read - same), abs(read - line), held))
        if days == 1:
            found.band.append(
                (looks[target].time_s, looks[target].n, read, ppt, ppt - half, ppt + half)
            )
    for days in HORIZONS:
        if errors[days]:
            mean = np.mean(np.array(errors[days], dtype=float), axis=0)
            found.horizons.append(Horizon(days, len(errors[days]), *(float(m) for m in mean)))
    found.why = verdict(found.horizons)
    return found


def by_water(totals: Sequence[tuple[str, float, float, float, float]]) -> str:
    """Why a pot that is watered before it dries for a day is not lived as it was; "" if it is.

    Such a pot shows no drying to foretell, but how often it asked for water, and how much it had.
    """
    for name, was, middle, low, high in totals:
        if was <= 0.0:
            return "and it was not watered"
        if not low <= was <= high and abs(middle - was) > NEAR_SHARE * was:
            text = {"waterings": "waterings", "water_week_ml": "ml of water a week"}[name]
            return f"and {was:.0f} {text}, where the twin foretold {low:.0f} to {high:.0f}"
    return ""


def verdict(horizons: Sequence[Horizon]) -> str:
    """Why these errors are too much for a fit to be relied on; "" if they are not."""
    counted = [one for one in horizons if one.count >= LEAST_SEEN]
    if not counted:
        most = max((one.count for one in horizons), default=0)
        return (
            f"the part held out has {most} days of drying to foretell; {LEAST_SEEN} are needed: "
            "let the log run on"
        )
    for one in counted:
        rival = min(one.same, one.line)
        if one.days >= 2 and one.twin > WORSE * rival:
            return (
                f"{one.days} days ahead the twin is off by {soil(one.twin)} of soil water, and the "
                f"better of the two simple guesses by {soil(rival)}"
            )
        if one.held < LEAST_HELD:
            return (
                f"{one.days} days ahead the 90 % band held {100 * one.held:.0f} % of "
                f"{one.count} readings; {100 * LEAST_HELD:.0f} % are needed"
            )
    return ""
