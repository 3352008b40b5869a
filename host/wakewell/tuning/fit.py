"""From what a log can teach to the twin's numbers, each with its doubt and its wakes.

What belongs here: the least squares for soil, tank and cell, leaning on what is believed before any
log, and how far the result is to be trusted. What does not: telling it (told.py), what the twin
foretells (ahead.py).

The soil's fit is nonlinear (scipy.optimize.least_squares); the tank's is linear and closed. A doubt
is the standard deviation of a normal posterior (Laplace), widened by how much a residual resembles
the one before.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares  # type: ignore[import-untyped]

from wakewell.budget import inputs as budget
from wakewell.budget.doubt import nominal, standard
from wakewell.rig.battery import OPEN_MV, USABLE
from wakewell.rig.pot import PotSpec
from wakewell.tuning.evidence import BY_HAND, Charge, Evidence, Fall, Look
from wakewell.tuning.twin import KNOBS, NAMES, Course, named, usual
from wakewell.tuning.weather import Weather

Numbers = NDArray[np.float64]

Z90 = 1.645
LEAST_PPT = 2.0  # a probe's reading scatters by this at least: converter and calibration
FAR = 3.0  # standard deviations beyond which a reading counts less and less (Huber 1964)
ROUNDS = 3  # of finding scatter and weights anew
MOST_ALIKE = 0.9  # of the correlation of a residual with the one before
TOLD_BELOW = 0.7  # of the doubt before the log: more is left, so the log hardly told
LEAST_WETTER_PPT, WETTER = 10.0, 5.0  # by so much, or so many times the scatter, it was a can
MOST_BY_HAND = 0.03  # of all readings
ODD = 3.0  # standard deviations from what the folder says: perhaps another pot's log


@dataclass
class SoilFit:
    """The soil's numbers. cov: their covariance. scatter_ppt: of a reading about the twin.

    alike: correlation of a residual with the one before. evaluations: runs of the twin.
    """

    values: Numbers
    cov: Numbers
    scatter_ppt: float
    alike: float
    evaluations: int
    priors: Numbers

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
        """So many sets of numbers as the log leaves them possible, within their bounds."""
        random = np.random.default_rng(seed)
        found = random.multivariate_normal(self.values, self.cov, size=count, method="eigh")
        low, high = _bounds()
        return np.clip(found, low, high)


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


@dataclass(frozen=True)
class CellFit:
    """The cell's numbers: factors on what the folder says it uses asleep and awake, and on its
    capacity; scatter_mv: of a rest voltage."""

    asleep: tuple[float, float]
    active: tuple[float, float]
    capacity: tuple[float, float]
    charge: float
    scatter_mv: float
    used_day_mah: tuple[float, float]
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
    odd: list[str] = field(default_factory=list)


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


def soil(course: Course, doubts: Numbers, begin: Numbers | None = None) -> SoilFit:
    """Fit the soil's numbers to the looks that count."""
    looks = course.looks
    counts = np.array([look.counts for look in looks])
    read = np.array([look.soil_ppt or 0 for look in looks], dtype=float)[counts]
    low, high = _bounds()
    believed = usual()
    values = believed if begin is None else begin
    scatter, alike, runs = 6.0, 0.5, 0
    weights = np.ones(len(read))

    def off(numbers: Numbers) -> Numbers:
        expected, _ = course.run(numbers)
        left: Numbers = read - expected[counts]
        return left

    for step in range(ROUNDS):
        wide = scatter * math.sqrt((1.0 + alike) / (1.0 - alike))
        root = np.sqrt(weights) / wide

        def residuals(numbers: Numbers, root: Numbers = root) -> Numbers:
            return np.concatenate((off(numbers) * root, (numbers - believed) / doubts))

        found = least_squares(
            residuals, values, bounds=(low, high), x_scale=doubts, diff_step=1e-4,
            max_nfev=12 if step < ROUNDS - 1 else 25, ftol=1e-4, xtol=1e-3,
        )  # fmt: skip
        runs += int(found.nfev) + int(found.njev) * len(KNOBS)
        values = np.asarray(found.x)
        left = off(values)
        scatter = max(LEAST_PPT, 1.4826 * float(np.median(np.abs(left))))
        weights = np.minimum(1.0, FAR * scatter / np.maximum(1e-9, np.abs(left)))
        alike = _alike(left * np.sqrt(weights))
    jacobian = np.asarray(found.jac)
    cov = np.linalg.inv(jacobian.T @ jacobian)
    return SoilFit(values, cov, scatter, alike, runs, doubts)


def _alike(left: Numbers) -> float:
    if len(left) < 8:
        return 0.5
    a, b = left[:-1], left[1:]
    power = float(np.sum(left * left))
    return min(MOST_ALIKE, max(0.0, float(np.sum(a * b)) / power)) if power > 0.0 else 0.0


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


def cell(charges: Sequence[Charge], spec: PotSpec, doubts: tuple[float, float]) -> CellFit | None:
    """What asleep and awake draw, and what the cell holds, from its rest voltages.

    doubts: of the currents asleep and awake before the log, as shares.
    """
    if len(charges) < 10:
        return None
    board, pump_ma = spec.board, spec.pump.running_ma
    asleep = np.array([(board.sleep_ua + board.leak_ua) / 1000.0 * c.asleep_s / 3600.0
                       for c in charges])  # fmt: skip
    active = np.array([
        (board.awake_ma * c.awake_ms + board.radio_ma * c.radio_ms + pump_ma * c.ran_ms) / 3.6e6
        for c in charges
    ])  # fmt: skip
    seen = np.array([float(c.rest_mv) for c in charges])
    celsius = np.array([20.0 if c.celsius is None else c.celsius for c in charges])
    warm, share = zip(*USABLE, strict=True)
    usable = np.interp(celsius, warm, share)
    full = spec.cell.capacity_mah
    fades = spec.cell.fades_pct_month / 100.0 / 30.0
    days = np.array([c.asleep_s for c in charges]) / 86_400.0
    starts = [n for n, c in enumerate(charges) if c.anew] or [0]
    part = np.zeros(len(charges), dtype=int)
    part[np.array(starts)] = 1
    part = np.maximum(0, np.cumsum(part) - 1)
    curve = np.array(OPEN_MV, dtype=float)
    grid = np.linspace(0.0, 1.0, len(curve))

    def expected(values: Numbers) -> Numbers:
        drawn = math.exp(values[0]) * asleep + math.exp(values[1]) * active
        holds = full * math.exp(values[2])
        left = np.empty(len(charges))
        for number in range(len(starts)):
            inside = part == number
            used = drawn[inside] / holds + fades * days[inside]
            used[0] = 0.0
            left[inside] = values[4 + number] - np.cumsum(used)
        reach = np.maximum(0.0, (left - (1.0 - usable)) / usable)
        shown: Numbers = np.interp(reach, grid, curve) + values[3]
        return shown

    begin = [
        float(np.interp(seen[first], curve, grid) * usable[first]) + 1.0 - usable[first]
        for first in starts
    ]
    believed = np.array([0.0, 0.0, 0.0, 0.0, *begin])
    spread = np.array([*doubts, 0.05, 10.0, *[0.08] * len(starts)])
    scatter, alike = 12.0, 0.5
    values = believed
    for _ in range(ROUNDS):
        wide = scatter * math.sqrt((1.0 + alike) / (1.0 - alike))

        def residuals(v: Numbers, wide: float = wide) -> Numbers:
            return np.concatenate(((seen - expected(v)) / wide, (v - believed) / spread))

        found = least_squares(residuals, values, x_scale=spread, max_nfev=30, ftol=1e-5)
        values = np.asarray(found.x)
        left = seen - expected(values)
        scatter = max(3.0, 1.4826 * float(np.median(np.abs(left))))
        alike = _alike(left)
    cov = np.linalg.inv(found.jac.T @ found.jac)
    doubt = np.sqrt(np.diag(cov))
    span = sum(days[1:])
    a, b = (
        math.exp(values[0]) * float(np.sum(asleep[1:])),
        math.exp(values[1]) * float(np.sum(active[1:])),
    )
    used = (a + b) / max(1.0, span)
    grad = np.zeros(len(values))
    grad[0], grad[1] = a / max(1.0, span), b / max(1.0, span)
    last = values[4 + part[-1]] - float(
        np.sum(
            ((math.exp(values[0]) * asleep + math.exp(values[1]) * active)
             / (full * math.exp(values[2])) + fades * days)[part == part[-1]][1:]
        )
    )  # fmt: skip
    return CellFit(
        asleep=(float(values[0]), float(doubt[0])),
        active=(float(values[1]), float(doubt[1])),
        capacity=(float(values[2]), float(doubt[2])),
        charge=min(1.0, max(0.0, float(last))),
        scatter_mv=scatter,
        used_day_mah=(used, math.sqrt(float(grad @ cov @ grad))),
        wakes=(charges[0].n, charges[-1].n),
    )


def scaled(looks: Sequence[Look], factor: float) -> list[Look]:
    """The looks with the water that truly left the tank."""
    return [replace(look, poured_ml=factor * look.poured_ml) for look in looks]


def watered_by_hand(course: Course, found: SoilFit) -> set[int]:
    """The wakes whose soil is so much wetter than the twin that somebody must have watered it.

    None where that is said of so many that the twin itself is wrong.
    """
    expected, _ = course.run(found.values)
    most = max(LEAST_WETTER_PPT, WETTER * found.scatter_ppt)
    wet = set()
    already = False  # the wakes after one are as wet by the same water
    for look, ppt in zip(course.looks, expected, strict=True):
        if look.counts:
            wetter = (look.soil_ppt or 0) - ppt > most
            if wetter and not already:
                wet.add(look.n)
            already = wetter
    return wet if len(wet) <= MOST_BY_HAND * len(course.looks) else set()


def _anew(look: Look) -> Look:
    return replace(look, anew=True, counts=False)


def fit(
    evidence: Evidence, spec: PotSpec, weather: Weather, inputs: budget.Inputs | None, month: int
) -> Fit:
    """A pot's twin from what its log can teach. month: 0 to 11, of the log's end.

    evidence: with enough in it (`evidence.short` is empty).
    """
    pot = evidence.log.pot_of(evidence.wakes[-1])
    assert pot is not None
    cal = pot.calibration
    found_tank = tank(evidence.falls, cal.flow_ul_s / 1000.0, cal.tolerance_ml)
    looks = scaled(evidence.looks, found_tank.poured[0] if found_tank else 1.0)
    doubts = soil_priors(inputs, month)
    course = Course(spec, weather.climate, looks, weather.known)
    found_soil = soil(course, doubts)
    if by_hand := watered_by_hand(course, found_soil):
        looks = [_anew(look) if look.n in by_hand else look for look in looks]
        for wake in evidence.wakes:
            if wake.n in by_hand:
                evidence.leave_out(BY_HAND, wake)
        course = Course(spec, weather.climate, looks, weather.known)
        found_soil = soil(course, doubts, found_soil.values)
    found_cell = None
    about = evidence.log.about
    lithium = about is not None and about.battery is not None and (
        about.battery.chemistry == "lithium-ion" and about.battery.cells == 1
    )  # fmt: skip
    if lithium and not pot.settings.mains:
        measured = (
            about is not None and about.board is not None and (about.board.currents == "measured")
        )
        shares = budget.CURRENT_DOUBT["measured" if measured else "sheet"]
        found_cell = cell(evidence.charges, spec, shares)
    made = Fit(evidence, spec, weather, found_soil, found_tank, found_cell, looks)
    made.odd = odd(made)
    return made


def odd(found: Fit) -> list[str]:
    """Where the log contradicts the folder so much that it may be another pot's."""
    lines = []
    at = named(found.soil.values)
    for name, what, where in (
        ("holds", "water for one part per thousand of soil water", "ul_per_ppt and [planter]"),
        ("drying", "water use", "[crop]"),
    ):
        prior = float(found.soil.priors[NAMES.index(name)])
        if abs(at[name]) > ODD * prior:
            lines.append(
                f"{what} is {math.exp(at[name]):.2f} times what the folder says, from wakes "
                f"{found.evidence.first} to {found.evidence.last}: is this log of another pot? "
                f"If not, correct {where}"
            )
    drift, doubt = found.soil.at("drift")
    if abs(drift) > 15.0 and abs(drift) > 3.0 * doubt:
        lines.append(
            f"the probe drifts by {drift:+.0f} parts per thousand in a hundred days, wakes "
            f"{found.evidence.first} to {found.evidence.last}: calibrate it anew"
        )
    return lines
