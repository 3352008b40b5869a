"""What a pot's own log says, in place of what its pot.toml assumes.

What belongs here: level, charge and use from the log, and the inputs of a budget with them. What
does not: reading a log (log/series.py), telling its use apart (usage.py).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

from wakewell.log import logs, series
from wakewell.log.times import DAY_S
from wakewell.pot import description
from wakewell.rig.battery import CHEMISTRIES

from . import usage
from .doubt import Doubt, about, doubtful, nominal
from .forecast import SPREADS_28, WINDOW, learned_spread
from .inputs import Inputs, charge_within

FRESH_DAYS = 45  # an older log says how thirsty the plant is, not how full the tank
LEAST_DOSES = 3  # waterings from which a use can be told
HIGH = 0.9  # the percentile that is told


@dataclass(frozen=True)
class Logged:
    """What the log says. day: of its last wake. level_ml: in the tank then, None: not believed.
    rest_mv: of the cell then, None: charging or not believed. use_ml_day: between waterings, by the
    tank's level; None: too few of them; high_ml_day: in nine of ten times between two waterings it
    used no more; spread: of the logarithm of four weeks' use; by_time_ml, by_level_ml: what the
    runs should have moved and what the tank lost. upkeep: does it give upkeep doses now?
    """

    day: date
    began: date
    wakes: int
    level_ml: float | None = None
    tolerance_ml: float = 0.0
    rest_mv: float | None = None
    use_ml_day: float | None = None
    high_ml_day: float | None = None
    doses: int = 0
    spread: float = 0.0
    by_time_ml: float = 0.0
    by_level_ml: float = 0.0
    upkeep: bool = False


def read(folder: description.PotFolder) -> Logged | None:
    """What the log in the pot's folder says, or None if there is none with a date."""
    if not (folder.path / "logs").is_dir():
        return None
    found = logs.find_logs(folder.path)
    if not found:
        return None
    place, files = found[0]
    log = series.read(folder.name, place, files)
    if not log.wakes or not log.true_dates or log.pot is None:
        return None
    last = log.wakes[-1]
    told = Logged(_day(last.time_s), _day(log.wakes[0].time_s), len(log.wakes))
    lately = [w for w in log.wakes if w.time_s > last.time_s - 2 * DAY_S]
    levels = [w.level_ml for w in lately if w.level_ml is not None]
    rests = [w.battery_mv for w in lately if w.battery_mv is not None]
    told = replace(told, rest_mv=sum(rests) / len(rests) if rests else None)
    if log.pot.calibration.float_only or not levels:
        return told
    tolerance_ml = max(1, log.pot.calibration.tolerance_ml)
    told = replace(told, level_ml=float(levels[-1]), tolerance_ml=float(tolerance_ml))
    return _used(told, log, tolerance_ml)


def _used(told: Logged, log: series.PotLog, tolerance_ml: int) -> Logged:
    """With the use of the last weeks, if it watered often enough in them."""
    end_s = log.wakes[-1].time_s
    doses = [d for d in log.doses if d.given_ul and d.time_s > end_s - 2 * WINDOW * DAY_S]
    if len(doses) < LEAST_DOSES:
        return told
    days = usage.daily_use(log, tolerance_ml)
    between, size = usage.seen(log, doses, days, tolerance_ml)
    if between <= 0.0 or size <= 0.0:
        return told
    times_s, used = usage.falls(log, tolerance_ml)
    at = [usage.at(times_s, used, dose.time_s) for dose in doses]
    rates = sorted(
        (b - a) / max(0.25, (two.time_s - one.time_s) / DAY_S)
        for (one, a), (two, b) in pairwise(zip(doses, at, strict=True))
    )
    place = log.about.crop.stands if log.about and log.about.crop else description.STANDS[0]
    return replace(
        told,
        use_ml_day=size * (len(doses) - 1) / between,
        high_ml_day=rates[min(len(rates) - 1, int(HIGH * len(rates)))],
        doses=len(doses),
        spread=learned_spread(days, 0.5, SPREADS_28[place]),
        by_time_ml=sum(dose.given_ul for dose in doses[:-1]) / 1000.0,
        by_level_ml=at[-1] - at[0],
        upkeep=doses[-1].kind == "upkeep",
    )


def _day(time_s: float) -> date:
    return datetime.fromtimestamp(time_s, UTC).date()


def applied(inputs: Inputs, told: Logged, folder: description.PotFolder, today: date) -> Inputs:
    """The inputs with what the log knows better. Level and charge that were noted later than the
    log are used in place of the log's.
    """
    about_pot = folder.about
    assert about_pot is not None
    noted = about_pot.noted
    fresh = timedelta(0) <= today - told.day <= timedelta(days=FRESH_DAYS)
    if fresh and (noted is None or told.day >= noted):
        inputs = _level_and_charge(inputs, told, about_pot)
    if told.use_ml_day is None:
        return inputs
    flat = replace(
        inputs,
        canopy_cm2=nominal(inputs.canopy_cm2),
        surface_cm2=nominal(inputs.surface_cm2),
        wasted=nominal(inputs.wasted),
        rain=nominal(inputs.rain),
        weather=1.0,
    )
    span = [told.day - timedelta(days=n) for n in range(WINDOW)]
    expected = sum(nominal(flat.water_day_ml(day.month - 1)) for day in span) / len(span)
    factor = about(told.use_ml_day / expected, told.spread, "use by its log")
    # Rain and run-off are in what the log saw, so the whole use is scaled
    return replace(flat, wasted=flat.wasted * factor)


def _level_and_charge(inputs: Inputs, told: Logged, pot: description.About) -> Inputs:
    changes: dict[str, Doubt] = {}
    kept = dict(inputs.assumed)
    if told.level_ml is not None:
        level = min(told.level_ml, inputs.full_ml)
        changes["tank_ml"] = doubtful(level, max(1.0, told.tolerance_ml / 2), "level by its log")
        kept.pop("tank.now_ml", None)
    cell = pot.battery
    if told.rest_mv is not None and cell is not None and cell.chemistry in CHEMISTRIES:
        mv = told.rest_mv / cell.cells
        at, doubt = charge_within(mv, cell.chemistry)
        changes["charge"] = doubtful(at, max(0.03, doubt), "charge by its log")
        kept.pop("battery.now_pct", None)
    if not changes:
        return inputs
    return replace(inputs, start=told.day, assumed=kept, **changes)
