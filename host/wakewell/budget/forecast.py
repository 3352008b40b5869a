"""How long will the tank and the battery last, and how sure is that?

What belongs here: forecasts from a log alone, each with the interval that holds in nine
of ten cases (tests say on which pots that was counted). What does not: how it is drawn.

Use only adds up, so "is it used up by day H" and "is the use until day H at least the
margin" are one question. The use until day H is the present rate, carried on as the season goes at
the pot's place, wrong by a factor whose spread grows with H: the plant and the weather change. That
spread is learned from the log's own past forecasts over four weeks, and leans on a set value, by
place, while the log is short. Before the first waterings the rate is the budget's, from what
pot.toml says of plant and place.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from statistics import fmean as mean

from wakewell import units
from wakewell.budget import counted, sun, usage
from wakewell.budget import inputs as budget
from wakewell.budget.doubt import Z90, nominal, standard
from wakewell.budget.usage import daily_use, mean_use
from wakewell.errors import BadInput
from wakewell.language import say
from wakewell.log.series import PotLog, refill_of, start_of, target_of
from wakewell.log.times import DAY_S
from wakewell.log.trend import line_fit
from wakewell.pot import description

WINDOW = 28  # days that make the present rate
LEAST_DAYS, LEAST_DOSES = 7, 4
MOST_DAYS = 730  # no date beyond that can be trusted
MOST_DRAWN_DAYS = 36500  # and no calendar needs one
# Spread of the log of (mean use of four weeks / mean use of the four weeks before, the season taken
# out) assumed of a pot without a past, by place, and its weight in such pairs. From pots of the rig
# (tools/cover.py): in the open, rain decides most of what is used.
SPREAD_28, WEIGHT = 0.2, 3
SPREADS_28 = {"window sill": SPREAD_28, "balcony": 0.25, "open": 0.6}
# Of the first few waterings, how far the rate from one to the next may be from the mean
FEW_SPREAD = 0.4
STEP_DAYS = 5  # in which the season stands still
# Only the pump's share of the charge varies like that; sleep and wakes take a steady charge
PUMP_SHARE = 0.5  # where the records do not tell; never less than LEAST_SHARE
LEAST_SHARE = 0.1
APART_MV = 60  # risen by more than this in a day, a cell was charged; common practice, no source
UNIT_CHARGE = 0.02  # one cell against another of its kind; common practice, no source

# Open-circuit voltage at 0, 5 ... 100 % of charge, mV, of five published lithium-ion cells of
# different makes: it is not known which of them a pot's own cell resembles, and for the same fall
# of the voltage they differ by weeks. By the electrode functions and the balance of the parameter
# sets of pybamm 26.10 (Chen 2020: NMC 811; Mohtat 2020: NMC 532; Ecker 2015: NMC; Kim 2011: NCA; Ai
# 2020: LCO), between each set's lower limit and 4.2 V.
CELLS = (
    (
        *(2500, 3109, 3296, 3434, 3485, 3529, 3581, 3629, 3667, 3705, 3751),
        *(3798, 3841, 3890, 3948, 3994, 4042, 4081, 4097, 4124, 4200),
    ),
    (
        *(2817, 3463, 3511, 3540, 3585, 3620, 3639, 3654, 3671, 3692, 3716),
        *(3745, 3797, 3840, 3880, 3923, 3971, 4022, 4077, 4136, 4200),
    ),
    (
        *(2505, 3294, 3459, 3528, 3587, 3657, 3709, 3743, 3770, 3781, 3787),
        *(3798, 3815, 3842, 3882, 3940, 3987, 4030, 4079, 4135, 4200),
    ),
    (
        *(2706, 3194, 3247, 3310, 3372, 3433, 3492, 3547, 3598, 3643, 3684),
        *(3725, 3768, 3816, 3874, 3930, 3980, 4029, 4080, 4135, 4199),
    ),
    (
        *(3019, 3538, 3639, 3666, 3696, 3717, 3733, 3748, 3762, 3776, 3793),
        *(3812, 3836, 3868, 3909, 3952, 3994, 4041, 4088, 4138, 4199),
    ),
)


Use = Callable[[float], float]  # what is used in so many days from now on


@dataclass
class Forecast:
    """When something runs out: early, middle and late date, nine of ten between the outer two.

    late_s: None when it may last beyond MOST_DAYS; beyond: when it most likely does.
    why_not: why there is no forecast.
    fan: (earliest, middle, latest time, value) on the way down, for a picture.
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
    fan: list[tuple[float, float, float, float]] = field(default_factory=list)


def crossing(margin: float, use: Use, spread: Callable[[float], float], z: float) -> float:
    """Days until the use passes the margin, at `z` spreads from the middle; MOST_DAYS at most.

    use(days): what is used until then, most likely. spread(days): standard deviation of its
    logarithm.
    """
    if margin <= 0:
        return 0.0
    low, high = 0.0, float(MOST_DAYS)

    def passed(days: float) -> bool:
        return math.log(use(days) / margin) >= z * spread(days)

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
    use: Use,
    spread: Callable[[float], float],
    margin_sd: float,
) -> None:
    """The dates and the fan from the margin and the rate.

    margin: use until it has run out. margin_sd: how well it is known; what is used in a day
    turns it into days.
    """
    rate = found.per_day = use(1.0)

    def date(left: float, z: float) -> float:
        middle = crossing(left, use, spread, 0.0)
        away = math.hypot(crossing(left, use, spread, z) - middle, Z90 * margin_sd / rate)
        return found.now_s + DAY_S * max(0.0, middle + math.copysign(away, z))

    found.early_s = date(margin, -Z90)
    middle = crossing(margin, use, spread, 0.0)
    if middle >= MOST_DAYS - 1:
        middle = min(MOST_DAYS * margin / use(MOST_DAYS), MOST_DRAWN_DAYS)
    found.middle_s = found.now_s + DAY_S * middle
    late_s, far_s = date(margin, Z90), found.now_s + DAY_S * (MOST_DAYS - 1)
    found.late_s = late_s if late_s < far_s else None
    found.beyond = found.middle_s >= far_s
    for part in range(9):
        left, value = margin * part / 8, found.value - (found.value - found.floor) * part / 8
        middle_s = found.now_s + (found.middle_s - found.now_s) * part / 8
        edges = (date(left, -Z90), date(left, Z90)) if left > 0 else (found.now_s, found.now_s)
        found.fan.append((edges[0], middle_s, edges[1], value))


def learned_spread(days: Sequence[float | None], least: float, assumed: float = SPREAD_28) -> float:
    """Spread of four-week forecasts, from this log's own past and the value set for its place.

    least: use per day that counts as any.
    """
    squares, weight = assumed**2 * WEIGHT, float(WEIGHT)
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
        found.why_not = say("the settings in force are not kept beside the log")
    elif pot.calibration.float_only:
        found.why_not = say("a float switch shows no amounts")
    elif log.wakes[-1].lockouts:
        found.why_not = say("the pot is not watering now")
    elif len(rows) < 3 or rows[-1][0] < log.wakes[-1].time_s - 4 * DAY_S:
        found.why_not = say("the level was not read lately")
    if found.why_not or pot is None:
        return found
    found.now_s, found.value = rows[-1]
    found.floor = start_of(pot)
    if found.value < found.floor:
        found.early_s = found.middle_s = found.late_s = found.now_s
        found.basis = "it already holds too little for a run"
        return found
    crop = crop_of(log)
    tolerance_ml = max(1, pot.calibration.tolerance_ml)
    days = daily_use(log, tolerance_ml)
    doses = [d for d in log.doses if d.given_ul and d.time_s > found.now_s - 2 * WINDOW * DAY_S]
    while len(doses) > LEAST_DOSES and doses[0].time_s < found.now_s - WINDOW * DAY_S:
        doses.pop(0)
    prior = budgeted(log) if len(doses) < LEAST_DOSES else None
    if len(doses) < LEAST_DOSES and prior is None:
        found.why_not = say("fewer than {count} waterings lately", count=LEAST_DOSES)
        return found
    between, size = usage.seen(log, doses, days, tolerance_ml)
    size = size or planned_ml(log)
    # The plant drinks what the soil holds above its refill point before the next dose
    last = log.wakes[-1]
    spare = size / 2
    if last.soil_ppt is not None and pot.calibration.ul_per_ppt:
        spare = max(0, last.soil_ppt - refill_of(pot)) * pot.calibration.ul_per_ppt / 1000
    rate, doubt = size * (len(doses) - 1) / max(1.0, between), 0.0
    since = [d.time_s for d in doses[-1:]]
    if prior is not None:
        rate, doubt = joined(prior, rate if len(doses) > 1 else 0.0, len(doses) - 1)
    elif since:
        spare = size - rate * min((found.now_s - since[0]) / DAY_S, size / rate)
    # The tank empties by whole doses. The wetter the soil, the later the next dose
    margin = (math.ceil((found.value - found.floor) / size) - 1) * size + spare
    spread_28 = learned_spread(days, 0.5, SPREADS_28[crop.stands])
    # It is not known how large the last dose before the floor is: any part of a full one
    margin_sd = math.hypot(size / math.sqrt(12), tolerance_ml / 2)
    walk = grown(spread_28, max(between, 7.0))
    middle_s = found.now_s - between / 2 * DAY_S if prior is None else found.now_s
    season = budget.months(crop)[0] if log.true_dates and log.about else None
    use = by_season(rate, found.now_s, middle_s, season)
    fill_in(found, max(margin, size / 8), use, lambda h: math.hypot(walk(h), doubt), margin_sd)
    found.basis = f"{rate:.0f} ml a day over {len(doses)} doses in {between:.0f} days"
    if prior is not None:
        found.basis = f"{rate:.0f} ml a day by the budget's plant and place"
        if len(doses) > 1:
            found.basis += f" and {len(doses)} doses"
    found.basis += f"; four-week spread {100 * spread_28:.0f} %"
    if crop.stands == "open":
        found.basis += ", most of it rain"
    return found


def crop_of(log: PotLog) -> description.Crop:
    """The pot's plant and where it stands, by pot.toml; without it, indoors."""
    return (log.about.crop if log.about else None) or description.Crop()


def planned_ml(log: PotLog) -> float:
    """A dose from the refill point to the target."""
    pot = log.pot
    assert pot is not None
    depth = (target_of(pot) - refill_of(pot)) * pot.calibration.ul_per_ppt / 1000
    return min(float(depth or pot.settings.dose_ml), float(pot.limits.dose_ml))


def budgeted(log: PotLog) -> tuple[float, float] | None:
    """(millilitres a day, spread of their logarithm) of the budget, for this pot's plant and place
    at this time of the year; None without a usable pot.toml.
    """
    now = datetime.fromtimestamp(log.wakes[-1].time_s, UTC)
    if (inputs := planned(log, now.date())) is None:
        return None
    use = inputs.water_day_ml(now.month - 1)
    return nominal(use), standard(use) / nominal(use)


def planned(log: PotLog, day: date) -> budget.Inputs | None:
    """What the budget counts with at the log's end; None without a pot.toml that it can use."""
    folder = log.place if log.place.is_dir() else log.place.parent
    if not log.true_dates or log.about is None:
        return None
    if not (folder / "pot.toml").is_file():
        folder = folder.parent
    try:
        return budget.gather(budget.open_folder(str(folder)), day)
    except BadInput:
        return None  # `wakewell budget` says why


def joined(prior: tuple[float, float], rate: float, pairs: int) -> tuple[float, float]:
    """(rate, spread of its logarithm) of a prior and what so many pairs of doses showed, each
    weighed by what it is worth."""
    if pairs < 1 or rate <= 0:
        return prior
    (expected, doubt), told = prior, FEW_SPREAD / math.sqrt(pairs)
    weights = doubt**-2, told**-2
    middle = (weights[0] * math.log(expected) + weights[1] * math.log(rate)) / sum(weights)
    return math.exp(middle), sum(weights) ** -0.5


def by_season(rate: float, now_s: float, middle_s: float, months: Sequence[float] | None) -> Use:
    """Use from now on, of a pot that used `rate` a day around middle_s: it goes with the reference
    ET of the place's months. None: no season is known."""
    if months is None:
        return lambda days: rate * days
    base = months[datetime.fromtimestamp(middle_s, UTC).month - 1]
    steps = [0.0]
    for step in range(MOST_DAYS // STEP_DAYS + 1):
        month = datetime.fromtimestamp(now_s + (step + 0.5) * STEP_DAYS * DAY_S, UTC).month - 1
        steps.append(steps[-1] + STEP_DAYS * rate * months[month] / base)
    most = len(steps) - 1

    def use(days: float) -> float:
        at = min(int(days / STEP_DAYS), most - 1)
        return steps[at] + (days / STEP_DAYS - at) * (steps[at + 1] - steps[at])

    return use


def charge_part(volts: float, cell: Sequence[int] = CELLS[0]) -> float:
    """Part of the charge left in that cell at that open-circuit voltage, 0 to 1."""
    at = bisect_right(cell, volts * 1000) - 1
    if not 0 <= at < len(cell) - 1:
        return 0.0 if at < 0 else 1.0
    return (at + (volts * 1000 - cell[at]) / (cell[at + 1] - cell[at])) / (len(cell) - 1)


def cell_volts(charge: float, cell: Sequence[int] = CELLS[0]) -> float:
    """The other way round."""
    place = min(max(charge, 0.0), 1.0) * (len(cell) - 1)
    at = min(int(place), len(cell) - 2)
    return (cell[at] + (place - at) * (cell[at + 1] - cell[at])) / 1000


def cells_of(log: PotLog, floor_mv: float) -> int:
    """Lithium-ion cells in series, by pot.toml, else by the lockout's voltage; 0: another kind."""
    battery = log.about.battery if log.about else None
    if battery:
        return battery.cells if battery.chemistry == "lithium-ion" else 0
    return 1 if 3000 <= floor_mv <= 3900 else 0


@dataclass(frozen=True)
class VoltageFall:
    """How a battery goes down if `charge` gives its charge for a voltage.

    level: charge now; scatter: of a day's reading; rate: charge used in a day, slope_part how
    well it is known; past: days it was learned from; share: of the charge, that the pump used.
    """

    charge: Callable[[float], float]
    level: float
    scatter: float
    rate: float
    slope_part: float
    past: int
    share: float

    def used_by(self, mv: float, days: float) -> float:
        """Chance that the voltage is down to `mv` after so many days."""
        margin = self.level - self.charge(mv)
        if margin <= 0:
            return 1.0
        drift = self.share * grown(SPREAD_28, self.past)(days)
        spread = math.hypot(self.slope_part, drift, self.scatter / margin)
        return 0.5 * math.erfc(-math.log(self.rate * days / margin) / spread / math.sqrt(2))


def days_until(falls: Sequence[VoltageFall], mv: float, chance: float) -> float:
    """Days after which the voltage is down to `mv` with that chance; MOST_DRAWN_DAYS at most.

    Each of the falls is as likely as any other.
    """

    def reached(days: float) -> bool:
        return sum(fall.used_by(mv, days) for fall in falls) >= chance * len(falls)

    low, high = 0.0, 0.01
    while not reached(high):
        low, high = high, high * 1.1
        if high > MOST_DRAWN_DAYS:
            return MOST_DRAWN_DAYS
    for _ in range(20):
        middle = (low + high) / 2
        low, high = (low, middle) if reached(middle) else (middle, high)
    return high


def battery(log: PotLog, curves: Sequence[Sequence[int]] = CELLS) -> Forecast:
    """When the rest voltage falls to the low-battery lockout. Millivolts.

    curves: of the cells that the pot's own may resemble.
    """
    found = Forecast("battery")
    pot = log.pot
    rows = [(w.time_s, float(w.battery_mv)) for w in log.wakes if w.battery_mv is not None]
    if pot is None:
        found.why_not = say("the settings in force are not kept beside the log")
    elif pot.settings.mains:
        found.why_not = say("the pot stays on a charger")
    elif len(rows) < 3 or rows[-1][0] < log.wakes[-1].time_s - 4 * DAY_S:
        found.why_not = say("the battery was not read lately")
    if found.why_not or pot is None:
        return found
    floor_mv = float(max(pot.settings.battery_mv, pot.limits.rest_mv))
    days = since_charge(by_day(rows))
    about = log.about
    has = about.battery if about else None
    if about and has and (counted.is_flat(has.chemistry) or sun.charges(about)):
        _counted(found, log, has, rows, floor_mv)
        return found
    if len(days) < LEAST_DAYS:
        found.why_not = say(
            "fewer than {count} days are on record since it was charged", count=LEAST_DAYS
        )
        return found
    used = days[-2 * WINDOW :]
    found.now_s, found.value, found.floor = rows[-1][0], days[-1][1], floor_mv
    if found.value <= floor_mv:
        found.early_s = found.middle_s = found.late_s = found.now_s
        found.basis = "the battery is at its lockout voltage already"
        return found
    cells = cells_of(log, floor_mv)
    ways = [_by_cell(cell, cells) for cell in curves] if cells else [float]
    share = pump_share(log)
    falls = [f for way in ways if (f := fall_of(used, way, found.now_s, bool(cells), share))]
    if 2 * len(falls) <= len(ways):
        found.why_not = say("the voltage has not fallen enough yet for a forecast")
        return found

    def date(mv: float, chance: float) -> float:
        return found.now_s + DAY_S * days_until(falls, mv, chance)

    found.early_s, found.middle_s = date(floor_mv, 0.05), date(floor_mv, 0.5)
    late_s, far_s = date(floor_mv, 0.95), found.now_s + DAY_S * (MOST_DAYS - 1)
    found.late_s = late_s if late_s < far_s else None
    found.beyond = found.middle_s >= far_s
    found.fan.append((found.now_s, found.now_s, found.now_s, found.value))
    for part in range(1, 9):
        mv = found.value - (found.value - floor_mv) * part / 8
        found.fan.append((date(mv, 0.05), date(mv, 0.5), date(mv, 0.95), mv))
    kind = "charge by the curves of published lithium-ion cells" if cells else "straight line"
    found.basis = f"{kind}, {len(used)} days since the last charge"
    if cells:
        rates = sorted(100 * fall.rate for fall in falls)
        found.basis += f", {rates[0]:.2f} to {rates[-1]:.2f} % of the charge a day"
    return found


def _counted(
    found: Forecast,
    log: PotLog,
    has: description.Battery,
    rows: Sequence[tuple[float, float]],
    floor_mv: float,
) -> None:
    """Of a battery whose voltage alone tells too little: by the budget, from its charge now on."""
    assert log.about is not None
    panel = log.about.panel if sun.charges(log.about) else None
    # With a panel the lowest of a day is its night's: the sun lifts the others
    days = by_day(rows, min if panel else mean)
    since = since_charge(days, APART_MV * has.cells) if panel is None else days[-1:]
    found.now_s, found.value, found.floor = rows[-1][0], days[-1][1], floor_mv
    if found.value <= floor_mv:
        found.early_s = found.middle_s = found.late_s = found.now_s
        found.basis = "the battery is at its lockout voltage already"
        return
    day = datetime.fromtimestamp(found.now_s, UTC).date()
    if (inputs := planned(log, day)) is None:
        found.why_not = say("wakewell budget cannot count with this pot: it says why")
        return
    if panel is not None and panel.peak_mw is None:
        found.why_not = say("what its panel gives is not told (peak_mw in pot.toml)")
        return
    dated = [(datetime.fromtimestamp(at * DAY_S, UTC).date(), mv) for at, mv in since]
    if panel is None:
        charged = dated[0][0] if len(since) < len(days) else None
        charge = counted.charge_now(inputs, has, dated, charged)
        lasts = counted.falling(inputs, charge, day)
        found.basis = "by the budget: a voltage that hardly falls tells little of the charge"
    else:
        try:
            months = sun.months(log.about, inputs)
        except ModuleNotFoundError:
            found.why_not = say("what a panel gives needs the library pvlib: wakewell[rig]")
            return
        charge = counted.charge_now(inputs, has, dated)
        lasts = counted.in_the_sun(inputs, has, months, float(panel.peak_mw or 0), charge, day)
        found.basis = "by the budget: what the panel gives and what is drawn, month by month"
    now, doubt = units.share(nominal(charge)), units.share(standard(charge))
    found.basis += f"; {now} of the charge now, give or take {doubt}"
    most = float(MOST_DAYS - 1)
    early, middle = (found.now_s + DAY_S * min(most, d) for d in (lasts.early, lasts.middle))
    found.early_s, found.middle_s = early, middle
    found.late_s = found.now_s + DAY_S * lasts.late if lasts.late < most else None
    found.beyond = lasts.middle >= most
    for part, mv in counted.way_down(has, lasts, floor_mv, 8):
        late_s = found.now_s + part * DAY_S * min(lasts.late, MOST_DRAWN_DAYS)
        first_s, middle_s = (found.now_s + part * (s - found.now_s) for s in (early, middle))
        found.fan.append((first_s, middle_s, late_s, mv))


def _by_cell(cell: Sequence[int], cells: int) -> Callable[[float], float]:
    return lambda mv: charge_part(mv / 1000 / cells, cell)


def pump_share(log: PotLog) -> float:
    """The part of the charge that went into the pump, by the records' own estimates."""
    all_uah = sum(wake.charge_uah for wake in log.wakes)
    if log.pot is None or all_uah <= 0:
        return PUMP_SHARE
    pump_uah = log.pot.calibration.pump_ua * sum(wake.ran_ms for wake in log.wakes) / 3.6e6
    return float(min(1.0, max(LEAST_SHARE, pump_uah / all_uah)))


def fall_of(
    days: Sequence[tuple[float, float]],
    way: Callable[[float], float],
    now_s: float,
    of_cell: bool,
    share: float,
) -> VoltageFall | None:
    """The fall that these days show, or None if its doubt is too large."""
    slope, at_zero, slope_sd, scatter = line_fit([t for t, _ in days], [way(v) for _, v in days])
    if slope >= 0 or -slope < slope_sd:
        return None
    level = at_zero + slope * now_s / DAY_S
    doubt = math.hypot(scatter, UNIT_CHARGE if of_cell else 0.005 * level)
    return VoltageFall(way, level, doubt, -slope, slope_sd / -slope, len(days), share)


def by_day(
    rows: Sequence[tuple[float, float]], of: Callable[[Sequence[float]], float] = mean
) -> list[tuple[float, float]]:
    """(day as a number, mean or another number of its readings) of each day with readings."""
    found: dict[int, list[tuple[float, float]]] = {}
    for time_s, value in rows:
        found.setdefault(int(time_s // DAY_S), []).append((time_s / DAY_S, value))
    return [(sum(t for t, _ in day) / len(day), of([v for _, v in day])) for day in found.values()]


def since_charge(
    days: Sequence[tuple[float, float]], rise_mv: float = APART_MV
) -> Sequence[tuple[float, float]]:
    """The days after the last charge: after the last rise of more than that in a day."""
    for at in range(len(days) - 1, 0, -1):
        if days[at][1] - days[at - 1][1] > rise_mv:
            return days[at + 1 :]
    return days
