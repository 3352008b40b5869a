"""From what a log can teach to the twin's numbers, each with its doubt and its wakes.

What belongs here: the least squares for soil and tank, leaning on what is believed before any
log, and how far the result is to be trusted. What does not: the cell's (charge.py), telling it
(told.py), what the twin foretells (ahead.py).

The soil's fit is nonlinear (scipy.optimize.least_squares); the tank's is linear and closed. Its
last steps weigh the soil's residuals by how they hang together (generalised least squares, Aitken
1935), with the belief among them, and the doubt is that of the same sum of squares.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares  # type: ignore[import-untyped]
from scipy.stats import norm, qmc  # type: ignore[import-untyped]

from wakecore.table import convert, counts_at
from wakewell.budget import inputs as budget
from wakewell.budget import sun
from wakewell.budget.doubt import nominal, standard
from wakewell.log.series import WakeRow
from wakewell.rig.battery import CHEMISTRIES
from wakewell.rig.errors import Impossible
from wakewell.rig.fitted import SOUND_MM_US
from wakewell.rig.hydraulics import Line, RigPump, plumbing
from wakewell.rig.pot import PotSpec
from wakewell.rig.probes import sound_mm_us
from wakewell.tuning import charge
from wakewell.tuning.charge import CellFit, alike_of
from wakewell.tuning.evidence import BY_HAND, Evidence, Fall, Look
from wakewell.tuning.twin import CAUGHT_DAYS, DAY_S, KNOBS, NAMES, Course, named, usual
from wakewell.tuning.weather import Weather, year_s

Numbers = NDArray[np.float64]
Weighing = Callable[[Numbers], Numbers]

SPREADING = [NAMES.index(name) for name in ("slow", "spread", "bulb", "zero")]
CLOCK, CLOCKS = NAMES.index("clock"), 25  # and how many speeds of it are tried,
CLOCK_REACH, CLOCKS_TAKEN = 3.0, 3  # as far as so many of its doubts; so many of them are followed
CLOCKED, SEARCHED = 1, 2  # in which round the clock is looked for, and in which all else
# Of what a search ended at: so many at most, so much less likely at most (a logarithm), another and
# not the same found again (of the doubt before the log), and of the doubt after it
MODES, UNLIKELY, APART, SAME_MODE = 3, 5.0, 0.1, 2.0
GOLDEN = 0.5 * (math.sqrt(5.0) - 1.0)
TRIED, TAKEN = 64, 2  # other points to begin a fit from, and how many of them are followed
LEAST_PPT = 2.0  # a probe's reading scatters by this at least: converter and calibration
FAR = 3.0  # standard deviations beyond which a reading counts less and less (Huber 1964)
MOST_STEPS = (8, 10, 10, 20)  # of the search in each round
ROUNDS = len(MOST_STEPS)  # of finding scatter and weights anew
TOLD_BELOW = 0.7  # of the doubt before the log: more is left, so the log hardly told
LEAST_WETTER_PPT, WETTER = 10.0, 5.0  # by so much, or so many times the scatter, it was a can
MOST_LOOKS = 3  # for water by hand: a fit without the largest shows the smaller ones
MOST_BY_HAND = 0.03  # of all readings
# Both parts of what a reading is off by, times the scatter; and what is told less surely still, for
# the soil's course has steps, the bulb's above all: by the ranks of tools/tuned.py
WIDER = 1.25
ALSO_WIDER = {"bulb": 2.0}  # at most as before the log
DOSE_DAYS = 0.1  # readings nearer together than this are of one dose
POURED = 0.005  # the tank's water is told no better than this; by the same pots
UNSEEN_FLOW = 0.07  # of the flow, where no level shows what left the tank: as in the budget
TANK_DOUBT = 0.02  # of the tank's own millilitres
BY_WATER = ("holds", "drying")
# With no date the season is in no weather, and all of it is the swing's: the typical year's has a
# fifth to twice its mean
SEASON, NO_DATE = [NAMES.index("swing"), NAMES.index("lean")], 0.5
NO_HOUR = 0.05  # and day and night are not, in which a dose is drunk or stays; own assumption
# A probe that is broken drifts far beyond what any probe does: looked for where readings scatter
DRIFT, BROKEN_PPT, DRIFTED_PPT = NAMES.index("drift"), 40.0, 15.0  # in a hundred days
SCATTERS, LESS = 1.1, 0.85  # times the least scatter; times the scatter without the drift
LEAST_REACH = 0.05  # of a number to either side, times its doubt before the log
STEPS = 2  # at the end, by wide slopes
STEP = 0.02  # of a number for its slopes, times its doubt before the log
MATCHED, RUN_STEP_S = 5, 0.1  # times the pump is matched to its flow; of a run played through
ODD = 3.0  # standard deviations from what the folder says: perhaps another pot's log


@dataclass
class Mode:
    """One of the places that a log leaves possible: numbers, their covariance there, and how likely
    it is among all of them."""

    values: Numbers
    cov: Numbers
    share: float


@dataclass
class SoilFit:
    """The soil's numbers, of the likeliest mode. cov: their covariance about that, over all modes.
    scatter_ppt: of a reading about the twin.

    alike: correlation of a residual with the one before. evaluations: runs of the twin.
    """

    values: Numbers
    cov: Numbers
    scatter_ppt: float
    alike: float
    evaluations: int
    priors: Numbers
    modes: list[Mode] = field(default_factory=list)

    @property
    def doubt(self) -> Numbers:
        """Standard deviation of each number."""
        found: Numbers = np.sqrt(np.diag(self.cov))
        return found

    def at(self, name: str) -> tuple[float, float]:
        """(value, standard deviation) of that number."""
        index = NAMES.index(name)
        return float(self.values[index]), float(self.doubt[index])

    def told(self, name: str) -> bool:
        """Did the log say something of that number, beyond what was believed before it?"""
        return self.at(name)[1] < TOLD_BELOW * float(self.priors[NAMES.index(name)])

    def draws(self, count: int, seed: int = 0) -> Numbers:
        """So many sets of numbers as the log leaves them possible, within their bounds.

        They fill the doubt evenly (a scrambled Sobol sequence): the middle of a few of them is
        steadier than of as many thrown at random.
        """
        found = np.empty((count, len(self.values)))
        if not count:
            return found
        reached = np.cumsum([mode.share for mode in self.modes])
        # Each mode as often as it is likely, and not in a row (Weyl's sequence)
        picked = np.searchsorted(reached[:-1], (np.arange(count) + 0.5) * GOLDEN % 1.0)
        for number, mode in enumerate(self.modes):
            even = qmc.MultivariateNormalQMC(mode.values, mode.cov, seed=seed)
            drawn = even.random(1 << (count - 1).bit_length())[:count]
            found[picked == number] = drawn[picked == number]
        low, high = _bounds()
        clipped: Numbers = np.clip(found, low, high)
        return clipped


@dataclass(frozen=True)
class TankFit:
    """Water from the tank. flow_ml_s with doubt; ageing: change of it in a hundred days, a share;
    evaporates_ml_day; poured: what left the tank per what the core counted; scatter_ml: of a fall.
    """

    flow_ml_s: tuple[float, float]
    ageing: tuple[float, float]
    evaporates_ml_day: tuple[float, float]
    poured: tuple[float, float]
    scatter_ml: float
    falls: int
    wakes: tuple[int, ...]


@dataclass
class Fit:
    """A pot's twin as fitted to a span of its log."""

    evidence: Evidence
    spec: PotSpec
    weather: Weather
    soil: SoilFit
    tank: TankFit | None
    cell: CellFit | None
    looks: list[Look]
    currents: tuple[float, float]  # doubt of those asleep and awake before the log, as shares
    doubts: Numbers = field(default_factory=lambda: soil_priors(None, 0))  # of any pot
    odd: list[str] = field(default_factory=list)

    @property
    def water_doubt(self) -> float:
        """How far the water of every pulse may be off, as a share."""
        if self.tank is None:
            return UNSEEN_FLOW
        flow, off = self.tank.flow_ml_s
        return math.hypot(TANK_DOUBT, off / flow)

    def at(self, name: str) -> tuple[float, float]:
        """(value, standard deviation) of that number of the soil, with the doubt of the water: if
        every pulse brought more, the soil holds and loses more by as much."""
        value, doubt = self.soil.at(name)
        return value, math.hypot(doubt, self.water_doubt) if name in BY_WATER else doubt


def _bounds() -> tuple[Numbers, Numbers]:
    return np.array([k.low for k in KNOBS]), np.array([k.high for k in KNOBS])


def soil_priors(inputs: budget.Inputs | None, month: int) -> Numbers:
    """The doubt of each of the soil's numbers before any log; of the drying, what `budget` has."""
    doubts = np.array([knob.doubt for knob in KNOBS])
    if inputs is not None:
        use = inputs.water_day_ml(month)
        if nominal(use) > 0.0:
            doubts[0] = min(0.8, max(0.15, standard(use) / nominal(use)))
    return doubts


def soil(
    course: Course,
    doubts: Numbers,
    begin: Numbers | None = None,
    believed: Numbers | None = None,
) -> SoilFit:
    """Fit the soil's numbers to the looks that count. believed: before the log; None: as of any
    pot."""
    looks = course.looks
    counts = np.array([look.counts for look in looks])
    read = np.array([look.soil_ppt or 0 for look in looks], dtype=float)[counts]
    low, high = _bounds()
    believed = usual() if believed is None else believed
    values = believed if begin is None else begin
    scatter, alike, runs = 6.0, 0.5, 0
    days = np.array([look.time_s / DAY_S for look in looks])[counts]

    last: list[Numbers] = []  # numbers and what they leave: slopes are asked for where it just was

    def off(numbers: Numbers) -> Numbers:
        nonlocal runs
        if not last or not np.array_equal(last[0], numbers):
            runs += 1
            expected, _ = course.run(numbers)
            last[:] = numbers.copy(), read - expected[counts]
        return last[1]

    def scattered() -> tuple[float, float]:
        """Scatter of what those numbers leave, and how much one is like that before it."""
        left = off(values)
        scatter = max(LEAST_PPT, 1.4826 * float(np.median(np.abs(left))))
        return scatter, alike_of(left * np.sqrt(_weights(left, scatter)))

    if begin is not None:
        scatter, alike = scattered()
    tries: list[Any] = []
    for step in range(ROUNDS) if begin is None else range(SEARCHED, ROUNDS):
        share = math.sqrt((1.0 - alike) / (1.0 + alike))

        def weighed(numbers: Numbers, scatter: float = scatter, share: float = share) -> Numbers:
            return share * bent(off(numbers) / scatter)

        def residuals(numbers: Numbers, weighed: Weighing = weighed) -> Numbers:
            return np.concatenate((weighed(numbers), (numbers - believed) / doubts))

        def slopes(numbers: Numbers, weighed: Weighing = weighed) -> Numbers:
            return _slopes(weighed, numbers, believed, doubts)

        starts = [values]
        if step == CLOCKED:
            starts = _clocked(residuals, values, doubts)
        elif step == SEARCHED:
            starts += _elsewhere(residuals, values, believed, doubts)
            # A day's weather is much like the next one's: one clock seems as right as another that
            # is a day off by the log's end, until the rest is nearly found
            starts += _clocked(residuals, values, doubts)
        elif step > SEARCHED:
            starts = [np.asarray(one.x) for one in _apart(tries, doubts)]
        tries = [
            least_squares(
                residuals,
                start,
                jac=slopes,
                bounds=(low, high),
                x_scale=doubts,
                max_nfev=MOST_STEPS[step],
                ftol=1e-4,
                xtol=1e-3,
            )
            for start in starts
        ]
        values = np.asarray(min(tries, key=lambda one: float(one.cost)).x)
        scatter, alike = scattered()
    ends = []
    for one in _apart(tries, doubts):
        values = np.asarray(one.x)
        for _ in range(STEPS):
            left, (scatter, _) = off(values), scattered()
            white = whitening(days, WIDER * scatter, _weights(left, scatter))

            def whitened(numbers: Numbers, white: Weighing = white) -> Numbers:
                return white(off(numbers))

            left = white(left)
            moved, cov = generalised(
                _curved(whitened, values, doubts), left, values - believed, doubts
            )
            values = np.clip(values + moved, low, high)
        ends.append((values, cov, scattered()[0]))
    least = min(scatter for _, _, scatter in ends)

    def cost(numbers: Numbers) -> float:
        left = off(numbers)
        white = whitening(days, WIDER * least, _weights(left, least))(left)
        return 0.5 * float(np.sum(white**2) + np.sum(((numbers - believed) / doubts) ** 2))

    modes = shared([(cost(numbers), numbers, cov) for numbers, cov, _ in ends])
    values = modes[0].values
    return SoilFit(values, spread_of(modes), *scattered(), runs, doubts, modes)


def _weights(left: Numbers, scatter: float) -> Numbers:
    """Of each residual by itself: what lies far off counts less (Huber)."""
    found: Numbers = np.minimum(1.0, FAR * scatter / np.maximum(1e-9, np.abs(left)))
    return found


def _apart(tries: Sequence[Any], doubts: Numbers) -> list[Any]:
    """The likeliest of what a search ended at, each apart from those before it."""
    found: list[Any] = []
    for one in sorted(tries, key=lambda one: float(one.cost)):
        if len(found) == MODES or (found and one.cost > found[0].cost + UNLIKELY):
            break
        if all(np.max(np.abs(one.x - other.x) / doubts) > APART for other in found):
            found.append(one)
    return found


def shared(ends: Sequence[tuple[float, Numbers, Numbers]]) -> list[Mode]:
    """The modes of a fit, likeliest first. ends: (half the sum of squares, numbers, covariance).

    By Laplace's approximation a mode holds as much of the belief as its likelihood times the volume
    of its doubt. Two that lie in each other's doubt are one.
    """
    volume = [0.5 * float(np.linalg.slogdet(cov)[1]) for _, _, cov in ends]
    order = sorted(range(len(ends)), key=lambda n: ends[n][0] - volume[n])
    best = ends[order[0]][0] - volume[order[0]]
    modes: list[Mode] = []
    for n in order:
        cost, values, cov = ends[n]
        if all(np.max(np.abs(values - m.values) / np.sqrt(np.diag(m.cov))) > SAME_MODE
               for m in modes):  # fmt: skip
            modes.append(Mode(values, cov, math.exp(best + volume[n] - cost)))
    whole = sum(mode.share for mode in modes)
    for mode in modes:
        mode.share /= whole
    return modes


def spread_of(modes: Sequence[Mode]) -> Numbers:
    """The covariance about the likeliest mode, over all of them."""
    apart = [mode.values - modes[0].values for mode in modes]
    found: Numbers = sum(
        (mode.share * (mode.cov + np.outer(off, off))
         for mode, off in zip(modes, apart, strict=True)), np.zeros_like(modes[0].cov),
    )  # fmt: skip
    return found


def bent(off: Numbers) -> Numbers:
    """Residuals whose squares are Huber's loss, so that a far one pulls less (1964, Annals of
    Mathematical Statistics 35, 73). Each set of numbers is judged by its own far ones: weights that
    were taken from the last set would hold the search where it is."""
    size = np.abs(off)
    far: Numbers = np.sign(off) * np.sqrt(np.maximum(0.0, FAR * (2.0 * size - FAR)))
    return np.where(size > FAR, far, off)


def _clocked(
    residuals: Callable[[Numbers], Numbers], values: Numbers, doubts: Numbers
) -> list[Numbers]:
    """With the pot's clock as it suits best, and as the next best of other speeds. A wrong one
    blurs all else, where days differ, and one a day off by the log's end may suit as well until the
    rest is found."""
    found = []
    for z in np.linspace(-CLOCK_REACH, CLOCK_REACH, CLOCKS):
        start = values.copy()
        start[CLOCK] = z * doubts[CLOCK]
        found.append((float(np.sum(residuals(start) ** 2)), start))
    costs = [math.inf, *[cost for cost, _ in found], math.inf]
    least = [pair for n, pair in enumerate(found, 1) if costs[n] < min(costs[n - 1], costs[n + 1])]
    least.sort(key=lambda pair: pair[0])
    return [start for _, start in least[:CLOCKS_TAKEN]]


def _elsewhere(
    residuals: Callable[[Numbers], Numbers], values: Numbers, believed: Numbers, doubts: Numbers
) -> list[Numbers]:
    """The best of points spread over what is believed of how a dose spreads: a dose that just runs
    through and one that just does not lie apart, and no slope leads from one to the other."""
    spread = norm.ppf(qmc.Sobol(len(SPREADING), seed=1).random(TRIED))
    found = []
    for one in spread:
        start = values.copy()
        for index, z in zip(SPREADING, one, strict=True):
            there = believed[index] + z * doubts[index]
            start[index] = np.clip(there, KNOBS[index].low, KNOBS[index].high)
        found.append((float(np.sum(residuals(start) ** 2)), start))
    found.sort(key=lambda pair: pair[0])
    return [start for _, start in found[:TAKEN]]


def _slopes(
    off: Callable[[Numbers], Numbers], numbers: Numbers, believed: Numbers, doubts: Numbers
) -> Numbers:
    """The Jacobian of residuals and beliefs. Steps are wide, for the soil's steps are short spans
    of time, and a narrow one would see their edges."""
    here = off(numbers)
    columns = []
    for index, doubt in enumerate(doubts):
        step = STEP * float(doubt)
        if numbers[index] + step > KNOBS[index].high:
            step = -step
        moved = numbers.copy()
        moved[index] += step
        columns.append((off(moved) - here) / step)
    found: Numbers = np.vstack((np.column_stack(columns), np.diag(1.0 / doubts)))
    return found


def _curved(weighed: Weighing, values: Numbers, doubts: Numbers) -> Numbers:
    """The slopes of the weighed residuals, as far out on either side as the doubt reaches: the
    soil's course has steps, which nearer slopes would take for knowledge."""
    reach = 0.5 * doubts
    low, high = _bounds()
    for _ in range(2):
        columns = []
        for index in range(len(values)):
            above, below = values.copy(), values.copy()
            above[index] = min(high[index], values[index] + reach[index])
            below[index] = max(low[index], values[index] - reach[index])
            columns.append((weighed(above) - weighed(below)) / (above[index] - below[index]))
        slopes = np.column_stack(columns)
        cov = np.linalg.inv(slopes.T @ slopes + np.diag(1.0 / doubts**2))
        reach = np.maximum(LEAST_REACH * doubts, np.sqrt(np.diag(cov)))
    return slopes


def together(days: Numbers) -> Numbers:
    """The share of each reading in a count where those of one dose count as one: how it came in
    time, and what the pump brought, is off by the same for all of them."""
    group = np.cumsum(np.diff(days, prepend=days[:1]) > DOSE_DAYS)
    share: Numbers = 1.0 / np.bincount(group)[group]
    return share


def whitening(days: Numbers, off_ppt: float, weights: Numbers) -> Weighing:
    """What makes residuals of those days independent, each of spread 1.

    off_ppt: by so much each reading is off by itself (those of one dose count as one), and as much
    together with those near it, for what a dose or the weather brought beside the mark stays in
    the pot until the twin has followed the readings there: an exponential correlation with the
    twin's own time constant. So drying is told by the days and not by the many readings of a dose.
    weights: of each reading by itself. What hangs together so is a chain, and Kalman's filter
    takes from each reading what those before it foretell (1960, J. Basic Eng. 82, 35).
    """
    steps = []
    power = off_ppt * off_ppt
    doubt = power  # of what readings are off by together
    alone = power / (together(days) * weights)
    for keeps, own in zip(
        np.exp(-np.diff(days, prepend=days[:1]) / CAUGHT_DAYS).tolist(), alone.tolist(), strict=True
    ):
        doubt = keeps * keeps * doubt + (1.0 - keeps * keeps) * power
        gain = doubt / (doubt + own)
        steps.append((keeps, gain, 1.0 / math.sqrt(doubt + own)))
        doubt *= 1.0 - gain

    def white(off: Numbers) -> Numbers:
        found, near = [], 0.0
        for (keeps, gain, scale), one in zip(steps, off.tolist(), strict=True):
            near *= keeps
            new = one - near
            near += gain * new
            found.append(scale * new)
        return np.array(found)

    return white


def generalised(
    slopes: Numbers, white: Numbers, beyond: Numbers, doubts: Numbers
) -> tuple[Numbers, Numbers]:
    """(the step to the least sum of whitened squares and of the belief's, the covariance there).

    slopes: of the whitened residuals; white: they; beyond: the numbers less what was believed;
    doubts: before the log.
    """
    belief = np.diag(1.0 / doubts**2)
    cov = np.linalg.inv(slopes.T @ slopes + belief)
    step = -cov @ (slopes.T @ white + belief @ beyond)
    more = np.array([ALSO_WIDER.get(name, 1.0) for name in NAMES])
    more = np.maximum(1.0, np.minimum(more, doubts / np.sqrt(np.diag(cov))))
    return step, np.asarray(cov * np.outer(more, more), dtype=np.float64)


def linear(
    rows: Numbers, seen: Numbers, believed: Numbers, doubts: Numbers, scatter: float
) -> tuple[Numbers, Numbers]:
    """The posterior of a linear fit with normal beliefs: (values, covariance). Closed form."""
    inverse = np.diag(1.0 / doubts**2)
    cov = np.linalg.inv(rows.T @ rows / scatter**2 + inverse)
    values: Numbers = cov @ (rows.T @ seen / scatter**2 + inverse @ believed)
    return values, np.asarray(cov, dtype=np.float64)


def tank(falls: Sequence[Fall], flow_ml_s: float, tolerance_ml: float) -> TankFit | None:
    """Flow, its ageing and the tank's evaporation from the falls of its level; None: no pulse."""
    pumped = [fall for fall in falls if fall.pulses]
    if len(pumped) < 3 or flow_ml_s <= 0.0:
        return None
    middle = 0.5 * (falls[0].time_s + falls[-1].time_s)
    moved = np.array([flow_ml_s * fall.ran_ms / 1000.0 for fall in falls])
    hundred = np.array([(fall.time_s - middle) / 8.64e6 for fall in falls])
    days = np.array([fall.days for fall in falls])
    lost = np.array([fall.lost_ml for fall in falls])
    rows = np.column_stack((moved, moved * hundred, days))
    believed, doubts = np.array([1.0, 0.0, 1.0]), np.array([0.2, 0.1, 4.0])
    scatter = max(0.5, tolerance_ml / math.sqrt(3.0))
    for _ in range(ROUNDS):
        values, cov = linear(rows, lost, believed, doubts, scatter)
        left = lost - rows @ values
        scatter = max(0.3, float(np.sqrt(np.mean(left**2))))
    doubt = np.sqrt(np.diag(cov))
    given = sum(fall.given_ml for fall in pumped)
    by_level = float(np.sum(rows[:, :2] @ values[:2]))
    poured = by_level / given if given > 0.0 else 1.0
    return TankFit(
        flow_ml_s=(flow_ml_s * float(values[0]), flow_ml_s * float(doubt[0])),
        ageing=(float(values[1] / values[0]), float(doubt[1] / values[0])),
        evaporates_ml_day=(float(values[2]), float(doubt[2])),
        poured=(poured, poured * float(doubt[0] / values[0])),
        scatter_ml=scatter,
        falls=len(falls),
        wakes=tuple(fall.first for fall in pumped),
    )


def echo_off_ml(
    spec: PotSpec, weather: Weather, points: Sequence[tuple[int, int]], wake: WakeRow
) -> float:
    """By how much the tank holds more than its gauge read in that wake, ml.

    Sound is slower in the cold, and the core does not know how cold the tank is. So an echo is
    corrected by the temperature of its wake, or by that of the weather. points: of the gauge.
    """
    level_ml = wake.level_ml
    if spec.level.kind != "echo" or level_ml is None or level_ml >= points[0][1]:
        return 0.0
    if wake.temperature_mc is not None:
        celsius = wake.temperature_mc / 1000.0
    else:
        celsius = weather.climate.pot_c[weather.climate.hour(year_s(wake.time_s))]
    away_us = round(counts_at(points, level_ml) * sound_mm_us(celsius) / SOUND_MM_US)
    return float(convert(points, away_us) - level_ml)


def in_the_cold(evidence: Evidence, spec: PotSpec, weather: Weather) -> list[Fall]:
    """The falls of the tank's level with each reading corrected by `echo_off_ml`."""
    pot = evidence.log.pot_of(evidence.wakes[-1])
    if pot is None or pot.calibration.level is None:
        return evidence.falls
    points, by_n = pot.calibration.level.points, {wake.n: wake for wake in evidence.wakes}

    def off(n: int) -> float:
        return echo_off_ml(spec, weather, points, by_n[n])

    return [
        replace(fall, lost_ml=fall.lost_ml + off(fall.first) - off(fall.last))
        for fall in evidence.falls
    ]


def pump_of(spec: PotSpec, wakes: Sequence[WakeRow], flow_ml_s: float) -> RigPump:
    """The rig's pump, made stronger or weaker until the log's runs together give that flow.

    A run fills the hose first, and what stays in it runs back: of a short one hardly anything
    arrives. Hence each length is played through, as often as the log has it.
    """
    runs = [w for w in wakes if w.ran_ms and not w.dry and w.level_ml and w.battery_mv]
    if not runs:
        return spec.pump
    level = float(np.median([w.level_ml or 0 for w in runs]))
    sag_mv = 0.001 * (spec.pump.running_ma + spec.board.awake_ma) * spec.cell.resistance_mohm
    millivolts = float(np.median([w.battery_mv or 0 for w in runs])) - sag_mv
    lengths = Counter(round(w.ran_ms / 1000.0, 1) for w in runs)
    ran_s = sum(length * count for length, count in lengths.items())
    pump = spec.pump
    for _ in range(MATCHED):
        try:
            played = replace(spec, pump=pump)
            out = sum(
                count * run_ml(played, length, level, millivolts)
                for length, count in lengths.items()
            )
        except Impossible:
            return spec.pump
        if out <= 0.0:
            return spec.pump
        pump = replace(pump, flow_ml_s=pump.flow_ml_s * min(2.0, flow_ml_s * ran_s / out))
    return pump


def run_ml(spec: PotSpec, ran_s: float, level_ml: float, millivolts: float) -> float:
    """Water that a run of that length brings into the pot, the hose filled on the way.

    Raises Impossible where these parts make no plumbing."""
    tank = spec.tank
    line = Line(plumbing(tank, spec.pump, spec.hose, spec.intake_mm, spec.cell.full_mv),
                min(level_ml, tank.capacity_ml))  # fmt: skip
    return sum(line.pump(RUN_STEP_S, millivolts)[0] for _ in range(round(ran_s / RUN_STEP_S)))


def scaled(looks: Sequence[Look], factor: float) -> list[Look]:
    """The looks with the water that truly left the tank."""
    return [replace(look, poured_ml=factor * look.poured_ml) for look in looks]


def watered_by_hand(course: Course, found: SoilFit) -> set[int]:
    """The wakes whose soil is so much wetter than the twin that somebody must have watered it.

    So much wetter at once needs less: what a twin is wrong by changes slowly. None where that is
    said of so many that the twin itself is wrong.
    """
    expected, _ = course.run(found.values)
    rows: list[tuple[int, float, float]] = []  # wake, ppt wetter than the twin, and since the last
    poured_s, before = -math.inf, math.nan
    for look, ppt in zip(course.looks, expected, strict=True):
        # While a dose sinks in, a twin that is not yet right is as far off without any can
        sinking = look.time_s - poured_s < DOSE_DAYS * DAY_S
        if look.counts and not sinking:
            wetter = (look.soil_ppt or 0) - ppt
            rows.append((look.n, wetter, wetter - before))
            before = wetter
        if look.anew or look.poured_ml > 0.0:
            before = math.nan
        if look.poured_ml > 0.0:
            poured_s = look.time_s
    steps = [abs(step) for _, _, step in rows if math.isfinite(step)]
    usual = 1.4826 * float(np.median(steps)) if steps else math.inf
    most, most_step = (
        max(LEAST_WETTER_PPT, WETTER * scatter) for scatter in (found.scatter_ppt, usual)
    )
    wet = set()
    already = False  # the wakes after one are as wet by the same water
    for n, wetter, step in rows:
        if (wetter > most and not already) or step > most_step:
            wet.add(n)
        already = wetter > most
    return wet if len(wet) <= MOST_BY_HAND * len(course.looks) else set()


def _more_water(cov: Numbers, share: float) -> Numbers:
    """With the doubt of the water that was poured: if it was more by a share, the pot holds and
    loses more by that share, and reads the same."""
    alike = np.array([float(name in BY_WATER) for name in NAMES])
    return np.asarray(cov + share**2 * np.outer(alike, alike), dtype=np.float64)


def _anew(look: Look) -> Look:
    return replace(look, anew=True, counts=False)


def fit(
    evidence: Evidence,
    spec: PotSpec,
    weather: Weather,
    inputs: budget.Inputs | None,
    month: int,
    pooled: Callable[[Numbers], tuple[Numbers, Numbers]] | None = None,
) -> Fit:
    """A pot's twin from what its log can teach. month: 0 to 11, of the log's end. pooled: from the
    doubt of any pot to what other pots say: (numbers, their doubt).

    evidence: with enough in it (`evidence.short` is empty).
    """
    pot = evidence.log.pot_of(evidence.wakes[-1])
    assert pot is not None
    cal = pot.calibration
    falls = in_the_cold(evidence, spec, weather)
    found_tank = tank(falls, cal.flow_ul_s / 1000.0, cal.tolerance_ml)
    if found_tank is not None:
        spec = replace(spec, pump=pump_of(spec, evidence.wakes, found_tank.flow_ml_s[0]))
    looks = scaled(evidence.looks, found_tank.poured[0] if found_tank else 1.0)
    any_pot = doubts = soil_priors(inputs, month)
    if not evidence.log.true_dates:
        doubts[SEASON] = NO_DATE
    believed = usual()
    if pooled is not None:
        believed, doubts = pooled(doubts)
    course = Course(spec, weather.climate, looks, weather.known)
    found_soil = soil(course, doubts, None, believed)
    for _ in range(MOST_LOOKS):
        by_hand = watered_by_hand(course, found_soil)
        if not by_hand:
            break
        looks = [_anew(look) if look.n in by_hand else look for look in looks]
        for wake in evidence.wakes:
            if wake.n in by_hand:
                evidence.leave_out(BY_HAND, wake)
        course = Course(spec, weather.climate, looks, weather.known)
        found_soil = soil(course, doubts, found_soil.values, believed)
    found_soil = _drifting(course, found_soil, believed) or found_soil
    if found_tank is not None:
        poured, doubt = found_tank.poured
        share = math.hypot(POURED, doubt / poured)
        if not evidence.log.true_dates:
            share = math.hypot(share, NO_HOUR)
        found_soil.cov = _more_water(found_soil.cov, share)
        for mode in found_soil.modes:
            mode.cov = _more_water(mode.cov, share)
    about = evidence.log.about
    shares = budget.CURRENT_DOUBT[about.board_sheet.currents if about is not None else "sheet"]
    found_cell = cell(evidence, spec, weather, shares)
    made = Fit(evidence, spec, weather, found_soil, found_tank, found_cell, looks, shares, any_pot)
    made.odd = odd(made)
    return made


def cell(
    evidence: Evidence, spec: PotSpec, weather: Weather, doubts: tuple[float, float]
) -> CellFit | None:
    """The battery's part; None on mains, without a known curve, with too few voltages, and with a
    panel where the dates are not the true ones, for then it is not known when the sun shone.

    doubts: of the currents asleep and awake before the log.
    """
    log, about = evidence.log, evidence.log.about
    pot = log.pot_of(evidence.wakes[-1])
    battery = about.battery if about is not None else None
    if about is None or battery is None or battery.chemistry not in CHEMISTRIES:
        return None
    if pot is None or pot.settings.mains:
        return None
    if not sun.charges(about):
        return charge.fit(evidence.charges, spec, doubts)
    if not log.true_dates or not spec.panel.peak_mw:
        return None
    return charge.fit(evidence.charges, spec, doubts, charge.Light(spec, weather.climate.air_c))


def _drifting(course: Course, found: SoilFit, believed: Numbers) -> SoilFit | None:
    """The same with a probe that drifts, where that explains the readings much better."""
    if found.scatter_ppt < SCATTERS * LEAST_PPT:
        return None
    doubts = found.priors.copy()
    doubts[DRIFT] = BROKEN_PPT
    other = soil(course, doubts, None, believed)
    return other if _drifts(other) and other.scatter_ppt < LESS * found.scatter_ppt else None


def _drifts(found: SoilFit) -> bool:
    drift, doubt = found.at("drift")
    return abs(drift) > max(DRIFTED_PPT, ODD * doubt)


def odd(found: Fit) -> list[str]:
    """Where the log contradicts the folder so much that it may be another pot's."""
    lines = []
    at = named(found.soil.values)
    for name, what, where in (
        ("holds", "water for one per cent of soil water", "ul_per_ppt and [planter]"),
        ("drying", "water use", "[crop]"),
    ):
        prior = float(found.doubts[NAMES.index(name)])
        if abs(at[name]) > ODD * prior:
            lines.append(
                f"{what} is {math.exp(at[name]):.2f} times what the folder says, from wakes "
                f"{found.evidence.first} to {found.evidence.last}: is this log of another pot? "
                f"If not, correct {where}"
            )
    drift, _ = found.soil.at("drift")
    if _drifts(found.soil):
        lines.append(
            f"the probe drifts by {drift / 10:+.1f} % of soil water in a hundred days, wakes "
            f"{found.evidence.first} to {found.evidence.last}: calibrate it again"
        )
    return lines
