"""How long will the tank and the battery last, and how sure is that?

What belongs here: forecasts from a log alone, each with the interval that holds in nine
of ten cases (tests say on which pots that was counted). What does not: how it is drawn.

Use only adds up, so "is it used up by day H" and "is the use until day H at least the
margin" are one question. The use until day H is `rate x H`, wrong by a factor whose
spread grows with H: the plant and the season change. That spread is learned from the
log's own past forecasts over four weeks, and leans on a set value while the log is short.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from wakewell.report.series import PotLog, start_of
from wakewell.report.times import DAY_S
from wakewell.report.trend import line_fit

Z90 = 1.645  # normal quantile: 5 % below, 5 % above
WINDOW = 28  # days that make the present rate
LEAST_DAYS, LEAST_DOSES = 7, 4
MOST_DAYS = 730  # beyond that nobody should trust a date
MOST_DRAWN_DAYS = 36500  # and no calendar needs one
# Spread of the log of (mean use of four weeks / mean use of the four weeks before) assumed
# of a pot without a past, and its weight in such pairs. Common practice, no source.
SPREAD_28, WEIGHT = 0.2, 3
BATTERY_SHARE = 0.5  # of that spread: some of the charge goes asleep and awake
# How far a cell's own curve may be off the published one: in charge, and in its slope as a part
CURVE_CHARGE, CURVE_SLOPE = 0.02, 0.15

# Charge against open-circuit voltage of one lithium-ion cell: Chen 2020 parameter set.
LITHIUM = (
    *((2.5, 0.0), (3.296, 0.1), (3.529, 0.25), (3.751, 0.5)),
    *((3.994, 0.75), (4.097, 0.9), (4.2, 1.0)),
)


@dataclass
class Forecast:
    """When something runs out: early, middle and late date, nine of ten between the outer two.

    late_s: None when it may last beyond MOST_DAYS; beyond: when it most likely does.
    why_not: why there is no forecast.
    fan: (earliest time, value, latest time) on the way down, for a picture.
    """

    what: str
    now_s: float = 0.0
    value: float = 0.0
    floor: float = 0.0
    per_day: float = 0.0
    early_s: float | None = None
    middle_s: float | None = None
    late_s: float | None = None
    beyond: bool = False
    why_not: str = ""
    basis: str = ""
    fan: list[tuple[float, float, float]] = field(default_factory=list)


def crossing(margin: float, rate: float, spread: Callable[[float], float], z: float) -> float:
    """Days until the use passes the margin, at `z` spreads from the middle; MOST_DAYS at most.

    spread(days): standard deviation of the logarithm of the use until then.
    """
    if margin <= 0:
        return 0.0
    low, high = 0.0, float(MOST_DAYS)

    def passed(days: float) -> bool:
        return math.log(rate * days / margin) >= z * spread(days)

    # With z > 0 a spread that outgrows the use may never be passed: look for the first day.
    step = 1.0
    while step < high and not passed(step):
        low, step = step, step * 1.05
    high = min(step, high)
    for _ in range(30):
        middle = (low + high) / 2
        if passed(middle):
            high = middle
        else:
            low = middle
    return high


def fill_in(
    found: Forecast,
    margin: float,
    rate: float,
    spread: Callable[[float], float],
    margin_sd: float,
) -> None:
    """The dates and the fan from the margin and the rate.

    margin: use until it has run out. margin_sd: how well it is known; what is used in a day
    turns it into days.
    """
    found.per_day = rate

    def date(left: float, z: float) -> float:
        middle = crossing(left, rate, spread, 0.0)
        away = math.hypot(crossing(left, rate, spread, z) - middle, Z90 * margin_sd / rate)
        return found.now_s + DAY_S * max(0.0, middle + math.copysign(away, z))

    found.early_s = date(margin, -Z90)
    found.middle_s = found.now_s + DAY_S * min(margin / rate, MOST_DRAWN_DAYS)
    late_s, far_s = date(margin, Z90), found.now_s + DAY_S * (MOST_DAYS - 1)
    found.late_s = late_s if late_s < far_s else None
    found.beyond = found.middle_s >= far_s
    for part in range(9):
        left = margin * part / 8
        if left <= 0:
            found.fan.append((found.now_s, found.value, found.now_s))
        else:
            value = found.value - (found.value - found.floor) * part / 8
            found.fan.append((date(left, -Z90), value, date(left, Z90)))


def daily_use(log: PotLog, tolerance_ml: int) -> list[float | None]:
    """Use of each day up to the last level read, oldest first, in millilitres.

    A refill is no use, nor is a large fall with the pump off: that is an accident. None
    where nothing was read, or where the pot was locked out and could not use any.
    """
    times_s: list[float] = []
    used: list[float] = []
    stopped: set[int] = set()
    before: int | None = None
    pumped = False
    end_s = next(w.time_s for w in reversed(log.wakes) if w.level_ml is not None)
    for wake in log.wakes:
        if wake.lockouts:
            stopped.add(int((end_s - wake.time_s) // DAY_S))
        if wake.level_ml is not None:
            fall = before - wake.level_ml if before is not None else 0
            refilled, lost = fall < -2 * tolerance_ml, fall > 5 * tolerance_ml and not pumped
            times_s.append(wake.time_s)
            used.append((used[-1] if used else 0) + (0 if refilled or lost else fall))
            before, pumped = wake.level_ml, False
        pumped = pumped or wake.ran_ms > 0
    days: list[float | None] = []
    for day in range(int((end_s - times_s[0]) // DAY_S), 0, -1):
        start_s, stop_s = end_s - day * DAY_S, end_s - (day - 1) * DAY_S
        a, b = bisect_left(times_s, start_s), bisect_right(times_s, stop_s)
        unread = b < len(times_s) and times_s[b] - times_s[max(a - 1, 0)] > 4e5 and b - a < 2
        if unread or day - 1 in stopped:
            days.append(None)
        else:
            days.append(_at(times_s, used, stop_s) - _at(times_s, used, start_s))
    return days


def _at(times_s: Sequence[float], values: Sequence[float], time_s: float) -> float:
    """The value at that time, on the straight line between its neighbours."""
    at = bisect_left(times_s, time_s)
    if at == 0:
        return values[0]
    if at == len(times_s):
        return values[-1]
    part = (time_s - times_s[at - 1]) / max(1e-9, times_s[at] - times_s[at - 1])
    return values[at - 1] + part * (values[at] - values[at - 1])


def mean_use(days: Sequence[float | None]) -> float | None:
    """Mean of the known days, if at least three quarters are known."""
    known = [d for d in days if d is not None]
    return sum(known) / len(known) if known and 4 * len(known) >= 3 * len(days) else None


def learned_spread(days: Sequence[float | None], least: float) -> float:
    """Spread of four-week forecasts, from this log's own past and the set value.

    least: use per day that counts as any.
    """
    squares, weight = SPREAD_28**2 * WEIGHT, float(WEIGHT)
    for at in range(WINDOW, len(days) - WINDOW + 1, WINDOW // 4):
        before, after = mean_use(days[at - WINDOW : at]), mean_use(days[at : at + WINDOW])
        if before and after and min(before, after) > least:
            squares += math.log(after / before) ** 2 / 4  # windows overlap fourfold
            weight += 1 / 4
    return math.sqrt(squares / weight)


def grown(spread_28: float, window: float) -> Callable[[float], float]:
    """The spread over any number of days: that of a random walk of the rate's logarithm.

    The mean over H days ahead against the mean over W days past differs by s x sqrt((H+W)/3).
    """
    return lambda days: spread_28 * math.sqrt((days + window) / (2 * WINDOW))


def tank(log: PotLog) -> Forecast:
    """When the tank falls below what a run needs to start. Millilitres."""
    found = Forecast("tank")
    pot = log.pot
    rows = [(w.time_s, float(w.level_ml)) for w in log.wakes if w.level_ml is not None]
    if pot is None:
        found.why_not = "the settings that were in force are not beside the log"
    elif pot.calibration.float_only:
        found.why_not = "a float switch shows no amounts"
    elif log.wakes[-1].lockouts:
        found.why_not = "the pot is not watering now"
    elif len(rows) < 3 or rows[-1][0] < log.wakes[-1].time_s - 4 * DAY_S:
        found.why_not = "the level was not read lately"
    if found.why_not or pot is None:
        return found
    found.now_s, found.value = rows[-1]
    found.floor = start_of(pot)
    if found.value < found.floor:
        found.early_s = found.middle_s = found.late_s = found.now_s
        found.basis = "too little is in it for a run already"
        return found
    tolerance_ml = max(1, pot.calibration.tolerance_ml)
    days = daily_use(log, tolerance_ml)
    doses = [d for d in log.doses if d.given_ul and d.time_s > found.now_s - 2 * WINDOW * DAY_S]
    while len(doses) > LEAST_DOSES and doses[0].time_s < found.now_s - WINDOW * DAY_S:
        doses.pop(0)
    if len(doses) < LEAST_DOSES:
        found.why_not = f"fewer than {LEAST_DOSES} waterings lately"
        return found
    # From dose to dose, so that it does not matter where a window begins or ends. A dose
    # makes up for what was drunk since the one before.
    size = sum(d.given_ul for d in doses) / len(doses) / 1000
    first, last = (int((found.now_s - d.time_s) // DAY_S) for d in (doses[0], doses[-1]))
    unknown = sum(day is None for day in days[len(days) - first : len(days) - last])
    between = (doses[-1].time_s - doses[0].time_s) / DAY_S - unknown
    rate = size * (len(doses) - 1) / max(1.0, between)
    # The tank empties by whole doses, and the next one is as far away as the soil is wet
    margin = math.ceil((found.value - found.floor) / size) * size
    margin -= rate * min((found.now_s - doses[-1].time_s) / DAY_S, size / rate)
    spread_28 = learned_spread(days, 0.5)
    margin_sd = math.hypot(size / 4, tolerance_ml / 2)
    fill_in(found, max(margin, size / 8), rate, grown(spread_28, max(between, 7.0)), margin_sd)
    found.basis = (
        f"{rate:.0f} ml a day over {len(doses)} doses in {between:.0f} days; four-week spread "
        f"{100 * spread_28:.0f} %"
    )
    return found


def charge_part(volts: float) -> float:
    """Part of the charge left in a lithium-ion cell at that open-circuit voltage, 0 to 1."""
    if volts <= LITHIUM[0][0]:
        return 0.0
    for (v0, q0), (v1, q1) in pairwise(LITHIUM):
        if volts <= v1:
            return q0 + (volts - v0) / (v1 - v0) * (q1 - q0)
    return 1.0


def cell_volts(charge: float) -> float:
    """The other way round."""
    for (v0, q0), (v1, q1) in pairwise(LITHIUM):
        if charge <= q1:
            return v0 + (charge - q0) / (q1 - q0) * (v1 - v0)
    return LITHIUM[-1][0]


def cells_of(log: PotLog, floor_mv: float) -> int:
    """Lithium-ion cells in series, by pot.toml, else by the lockout's voltage; 0: another kind."""
    battery = log.about.battery if log.about else None
    if battery:
        return battery.cells if battery.chemistry == "lithium-ion" else 0
    return 1 if 3000 <= floor_mv <= 3900 else 0


def battery(log: PotLog) -> Forecast:
    """When the rest voltage falls to the low-battery lockout. Millivolts."""
    found = Forecast("battery")
    pot = log.pot
    rows = [(w.time_s, float(w.battery_mv)) for w in log.wakes if w.battery_mv is not None]
    if pot is None:
        found.why_not = "the settings that were in force are not beside the log"
    elif pot.settings.mains:
        found.why_not = "the pot lives on a charger"
    elif len(rows) < 3 or rows[-1][0] < log.wakes[-1].time_s - 4 * DAY_S:
        found.why_not = "the battery was not read lately"
    if found.why_not or pot is None:
        return found
    floor_mv = max(pot.settings.battery_mv, pot.limits.rest_mv)
    cells = cells_of(log, floor_mv)

    def charge(mv: float) -> float:
        return charge_part(mv / 1000 / cells) if cells else mv

    def millivolts(part: float) -> float:
        return cell_volts(part) * 1000 * cells if cells else part

    days = since_charge(by_day(rows))
    if len(days) < LEAST_DAYS:
        found.why_not = f"fewer than {LEAST_DAYS} days are on record since it was charged"
        return found
    used = days[-2 * WINDOW :]
    slope, at_zero, slope_sd, scatter = line_fit([t for t, _ in used], [charge(v) for _, v in used])
    now_day = rows[-1][0] / DAY_S
    found.now_s, found.floor = rows[-1][0], charge(floor_mv)
    found.value = at_zero + slope * now_day
    rate = -slope
    last_mv = days[-1][1]
    if last_mv <= floor_mv:
        found.early_s = found.middle_s = found.late_s = found.now_s
        found.value, found.floor = last_mv, float(floor_mv)
        found.basis = "the battery is at its lockout voltage already"
        return found
    if rate <= 0 or rate < slope_sd:
        found.why_not = "the voltage has not fallen enough yet to tell"
        return found
    found.value = max(found.value, found.floor + 1e-6)
    slope_part = slope_sd / rate
    doubt = CURVE_CHARGE if cells else 0.005 * found.value
    margin_sd = math.hypot(scatter, doubt)

    def spread(length: float) -> float:
        drift = BATTERY_SHARE * grown(SPREAD_28, len(used))(length)
        return math.hypot(slope_part, CURVE_SLOPE, drift)

    fill_in(found, found.value - found.floor, rate, spread, margin_sd)
    kind = "charge by the curve of a lithium-ion cell" if cells else "straight line in voltage"
    found.basis = f"{kind}, {len(used)} days since the last charge"
    if cells:
        found.basis += f", {100 * rate:.2f} % of the charge a day"
    found.fan = [(a, millivolts(level), b) for a, level, b in found.fan]
    found.value, found.floor = millivolts(found.value), float(floor_mv)
    found.per_day = 0.0
    return found


def by_day(rows: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """(day as a number, mean) of each day with readings."""
    found: dict[int, list[tuple[float, float]]] = {}
    for time_s, value in rows:
        found.setdefault(int(time_s // DAY_S), []).append((time_s / DAY_S, value))
    return [
        (sum(t for t, _ in day) / len(day), sum(v for _, v in day) / len(day))
        for day in found.values()
    ]


def since_charge(days: Sequence[tuple[float, float]]) -> Sequence[tuple[float, float]]:
    """The days after the last charge: after the last rise of more than 60 mV in a day."""
    for at in range(len(days) - 1, 0, -1):
        if days[at][1] - days[at - 1][1] > 60:
            return days[at + 1 :]
    return days
