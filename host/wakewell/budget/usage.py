"""What a pot uses, by the level of its tank.

What belongs here: water that left the tank, with refills, accidents and gaps told apart. What does
not: what will be used (forecast.py), what would be used (the budget).

The level is trusted more than the pump's run time. For one run the difference (water that ran back
from the hose, or never moved) is smaller than the scatter of a gauge. Over several runs it shows.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence

from wakewell.log.series import Dose, PotLog
from wakewell.log.times import DAY_S


def falls(log: PotLog, tolerance_ml: int) -> tuple[list[float], list[float]]:
    """(times of the levels read, millilitres used up to each).

    A refill is no use, nor is a large fall beyond what was given: that is an accident.
    """
    times_s: list[float] = []
    used: list[float] = []
    before: int | None = None
    given_ml = 0
    for wake in log.wakes:
        if wake.level_ml is not None:
            fall = before - wake.level_ml if before is not None else 0
            if fall < -2 * tolerance_ml or fall > given_ml + 5 * tolerance_ml:
                fall = given_ml  # filled up, or lost
            times_s.append(wake.time_s)
            used.append((used[-1] if used else 0) + fall)
            before, given_ml = wake.level_ml, 0
        given_ml += round(wake.delivered_ul / 1000)
    return times_s, used


def daily_use(log: PotLog, tolerance_ml: int) -> list[float | None]:
    """Use of each day up to the last level read, oldest first, in millilitres.

    None where nothing was read, or where the pot was locked out and could not use any.
    """
    times_s, used = falls(log, tolerance_ml)
    if not times_s:
        return []
    end_s = times_s[-1]
    stopped = {int((end_s - wake.time_s) // DAY_S) for wake in log.wakes if wake.lockouts}
    days: list[float | None] = []
    for day in range(int((end_s - times_s[0]) // DAY_S), 0, -1):
        start_s, stop_s = end_s - day * DAY_S, end_s - (day - 1) * DAY_S
        a, b = bisect_left(times_s, start_s), bisect_right(times_s, stop_s)
        unread = b < len(times_s) and times_s[b] - times_s[max(a - 1, 0)] > 4e5 and b - a < 2
        if unread or day - 1 in stopped:
            days.append(None)
        else:
            days.append(at(times_s, used, stop_s) - at(times_s, used, start_s))
    return days


def at(times_s: Sequence[float], values: Sequence[float], time_s: float) -> float:
    """The value at that time, on the straight line between its neighbours."""
    index = bisect_left(times_s, time_s)
    if index == 0:
        return values[0]
    if index == len(times_s):
        return values[-1]
    part = (time_s - times_s[index - 1]) / max(1e-9, times_s[index] - times_s[index - 1])
    return values[index - 1] + part * (values[index] - values[index - 1])


def mean_use(days: Sequence[float | None]) -> float | None:
    """Mean of the known days, if at least three quarters are known."""
    known = [d for d in days if d is not None]
    return sum(known) / len(known) if known and 4 * len(known) >= 3 * len(days) else None


def seen(
    log: PotLog, doses: Sequence[Dose], days: Sequence[float | None], tolerance_ml: int
) -> tuple[float, float]:
    """(days from the first of these doses to the last, millilitres of one by the tank's level).

    From dose to dose, so that it does not matter where a window begins or ends: a dose makes up for
    what was drunk since the one before. Days on which nothing could be used do not count.
    """
    if len(doses) < 2:
        return 0.0, doses[0].given_ul / 1000 if doses else 0.0
    times_s, used = falls(log, tolerance_ml)
    now_s = times_s[-1]
    first, last = (int((now_s - d.time_s) // DAY_S) for d in (doses[0], doses[-1]))
    unknown = sum(day is None for day in days[len(days) - first : len(days) - last])
    between = (doses[-1].time_s - doses[0].time_s) / DAY_S - unknown
    by_time = sum(d.given_ul for d in doses) / len(doses) / 1000
    by_level = at(times_s, used, doses[-1].time_s) - at(times_s, used, doses[0].time_s)
    size = by_level / (len(doses) - 1)
    # Where the level shows half the water or less, or more than before, there was a refill or a
    # leak
    return between, size if 0.5 * by_time <= size <= 1.2 * by_time else by_time
