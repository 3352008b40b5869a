"""The twin goes on: the rig with a pot's fitted numbers, the real core deciding every wake.

What belongs here: a rig's pot from a fit and one draw of its doubt, many runs of it, and what came
of them with an interval. What does not: fitting (fit.py), words and pictures (told.py, drawn.py).
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wakecore import rules
from wakecore.state import State, from_bytes
from wakewell.budget.inputs import charge_at
from wakewell.budget.sun import SUN
from wakewell.core import core_id
from wakewell.log.fieldlog import FieldLog
from wakewell.log.logs import EPOCH, InForce
from wakewell.log.series import Dose, PotLog, WakeRow
from wakewell.log.times import DAY_S
from wakewell.replay.rejudged import States
from wakewell.rig.errors import Impossible
from wakewell.rig.fitted import CalibratedProbe
from wakewell.rig.pot import PotSpec
from wakewell.rig.weather import HOURS, Climate
from wakewell.simulate.one_run import TrialResult, run_trial
from wakewell.simulate.people import ANSWERS, Owner, Visit
from wakewell.simulate.trials import Trial
from wakewell.tuning.charge import HOLDS_DOUBT
from wakewell.tuning.evidence import REFILL
from wakewell.tuning.fit import BY_WATER, Fit, echo_off_ml
from wakewell.tuning.heldout import Day
from wakewell.tuning.twin import NAMES, Course, named, soil_parts
from wakewell.tuning.weather import season, year_s

Numbers = NDArray[np.float64]

WEATHER, WEATHER_DAYS = 0.15, 21.0  # of a week's drying, and how long it lasts: own assumption
RAIN_SHIFT_DAYS = 30  # where rain is not known, it falls so many days sooner or later
STATES_KEPT = 8
CARRIED = ("learned_ul_per_ppt", "since_dose_s", "ages_s", "mls", "place_s", "needed")
USUAL_CHARGE = 0.8  # where no rest voltage is known
LEVELS = 7  # readings of the tank that its content now is taken from, at most
COVERED = (0.05, 0.95)
LEAST_APART_S = 0.9 * DAY_S  # of two rows of what was lived along a log
VISITS = ("fill the tank", "charge the battery", "water by hand", "empty the saucer",
          "hold the button", "clear with the cable")  # fmt: skip


@dataclass(frozen=True)
class RunStart:
    """What a run begins with. water: mean ml/ml; charge: a share; time_s: since 1970."""

    time_s: float
    water: float
    tank_ml: float
    charge: float


def spec_of(
    found: Fit,
    values: Numbers,
    begin: RunStart,
    climate: Climate,
    seed: int | None,
    poured: float = 0,
) -> PotSpec:
    """The rig's pot of one draw, from `begin` on, under that year's climate.
    seed: draw the cell's numbers too; None: as fitted.

    Raises Impossible where the draw makes no pot.
    """
    at = named(values)
    soil, vessel, plant = soil_parts(found.spec, at)
    spec = found.spec
    board, cell = spec.board, spec.cell
    pump = replace(spec.pump, flow_ml_s=spec.pump.flow_ml_s * math.exp(poured))
    asleep, active, holds, light = map(math.exp, _cell(found, seed))
    pump = replace(pump, running_ma=pump.running_ma * active)
    board = replace(
        board,
        sleep_ua=board.sleep_ua * asleep,
        leak_ua=board.leak_ua * asleep,
        awake_ma=board.awake_ma * active,
        radio_ma=board.radio_ma * active,
    )
    cell = replace(cell, capacity_mah=cell.capacity_mah * holds)
    panel = replace(spec.panel, peak_mw=spec.panel.peak_mw * light)
    return replace(
        spec,
        substrate=soil,
        vessel=vessel,
        plant=plant,
        place=climate,
        start_day=day_of(found, values, begin.time_s),
        water=begin.water,
        tank_ml=min(spec.tank.capacity_ml, begin.tank_ml),
        charge=begin.charge,
        board=board,
        cell=cell,
        panel=panel,
        pump=pump,
        probe=_probe(spec.probe, at),
        clock_off=math.expm1(at["clock"]),
        faults=(),
    )


def _cell(found: Fit, seed: int | None) -> tuple[float, float, float, float]:
    """Logarithms of the factors asleep, awake, of the capacity and of the light on a panel, of one
    draw."""
    if found.cell is not None:
        return found.cell.drawn(seed)
    if seed is None:
        return 0.0, 0.0, 0.0, 0.0
    random = np.random.default_rng([9, seed])
    asleep, active, holds, light = random.normal(0.0, (*found.currents, HOLDS_DOUBT, SUN))
    return float(asleep), float(active), float(holds), float(light)


def _probe(probe: Any, at: Mapping[str, float]) -> Any:
    """The pot's probe with the errors that were fitted to it."""
    if not isinstance(probe, CalibratedProbe):
        return probe
    points = tuple((ppt - at["zero"], counts) for ppt, counts in probe.points)
    (low_ppt, low), (high_ppt, high) = points[0], points[-1]
    uv_ppt = (high - low) / (high_ppt - low_ppt)
    return replace(
        probe,
        points=points,
        per_kelvin_uv=max(-50_000.0, min(50_000.0, at["warm"] * uv_ppt)),
        drift_uv_year=max(-1e6, min(1e6, 3.65 * at["drift"] * uv_ppt)),
    )


def water_drawn(found: Fit, values: Numbers, seed: int | None) -> tuple[Numbers, float]:
    """(the numbers, logarithm of the water that a pulse truly moves over what was fitted), one draw
    of its doubt: with more water in every pulse the soil holds and dries by as much more."""
    if seed is None:
        return values, 0.0
    more = found.water_doubt * float(np.random.default_rng([11, seed]).normal())
    moved = values.copy()
    for name in BY_WATER:
        moved[NAMES.index(name)] += more
    return moved, more


def climate_of(found: Fit, values: Numbers, seed: int | None) -> Climate:
    """The year of its place, as this draw dries. seed: draw weather too, where it is not
    known; None: none."""
    at = named(values)
    factor = season(at["drying"], at["swing"], at["lean"], found.weather.climate.south)
    weather = found.weather.climate
    if seed is not None and not found.weather.known:
        random = np.random.default_rng([8, seed])
        keeps = math.exp(-1.0 / WEATHER_DAYS)
        wet = random.normal()
        days = []
        for _ in range(HOURS // 24):
            wet = keeps * wet + math.sqrt(1.0 - keeps * keeps) * random.normal()
            days.append(math.exp(WEATHER * wet))
        factor = factor * np.repeat(days, 24)
        shift = 24 * int(random.integers(-RAIN_SHIFT_DAYS, RAIN_SHIFT_DAYS + 1))
        rain = weather.rain_mm[shift:] + weather.rain_mm[:shift]
        weather = Climate(weather.air_c, weather.et0_mm, rain)
    return weather.drawn_out(factor)


def day_of(found: Fit, values: Numbers, begin_s: float) -> float:
    """The day of the year, with its part, that a time by the pot's clock truly is."""
    first_s = found.looks[0].time_s
    slower = math.exp(-named(values)["clock"])
    return min(364.0, year_s(first_s + (begin_s - first_s) * slower) / DAY_S)


def begin_of(
    found: Fit, values: Numbers | None = None, seed: int | None = None, until: int | None = None
) -> RunStart:
    """How the pot is at the end of what was fitted, by this draw (None: the fit itself).

    until: not at the end, but at that wake, before it waters.
    """
    looks = found.looks
    wakes = found.evidence.wakes
    if until is not None:
        looks = [look for look in looks if look.n <= until]
        looks[-1] = replace(looks[-1], poured_ml=0.0)
        wakes = [wake for wake in wakes if wake.n <= until]
    course = Course(found.spec, found.weather.climate, looks, found.weather.known)
    _, pot = course.run(found.soil.values if values is None else values)
    level = tank_now(found, wakes)
    if level is None:
        level = found.spec.tank.capacity_ml / 2
    rest = next((w.battery_mv for w in reversed(wakes) if w.battery_mv is not None), None)
    cell = found.spec.cell
    charge = USUAL_CHARGE if rest is None else charge_at(rest / cell.cells, cell.chemistry)
    if found.cell is not None and until is None:
        charge = found.cell.drawn_charge(seed)
    levels = pot.levels
    water = min(levels.saturated, max(levels.floor, pot.content))
    return RunStart(wakes[-1].time_s, water, level, charge)


def tank_now(found: Fit, wakes: Sequence[WakeRow]) -> float | None:
    """What the tank holds at the end of those wakes, ml: the middle of the last readings with
    nothing between that moved water, corrected for the cold. None: it gives no millilitres."""
    pot = found.evidence.log.pot_of(wakes[-1])
    gauge = pot.calibration.level if pot is not None else None
    if pot is None or pot.calibration.float_only or gauge is None:
        return None
    points = gauge.points
    refills = found.evidence.left_out.get(REFILL, ())
    levels: list[float] = []
    for wake in reversed(wakes):
        if levels and wake.ran_ms:
            break
        if wake.level_ml is not None and wake.level_word == "good":
            level = wake.level_ml - (wake.delivered_ul / 1000.0 if wake.ran_ms else 0.0)
            level += echo_off_ml(found.spec, found.weather, points, wake)
            levels.append(level)
        if len(levels) == LEVELS or wake.n in refills or wake.ran_ms:
            break
    return statistics.median(levels) if levels else None


def promised(owner: Owner, wakes: Sequence[WakeRow], end_s: float) -> tuple[Visit, ...]:
    """The visits of those who were asked before `end_s` and had not come by then. They come after
    `end_s`, in the time that the owner takes. A lockout that only a person can end counts as asked.
    """
    asked_s: dict[str, float] = {}  # since when each answer is awaited
    for wake in wakes:
        wanted = {ANSWERS[need] for need in wake.needs if need in ANSWERS}
        asked_s = {act: asked_s.get(act, wake.time_s) for act in wanted}
    first: dict[str, float] = {}
    for act, since_s in asked_s.items():
        if owner.delay_s(act) < math.inf:
            first[act] = max(0.0, since_s + owner.delay_s(act) - end_s)
    ways = {name: way for name, _, way in rules.LOCKOUTS}
    for lockout in wakes[-1].lockouts:
        held = {rules.BUTTON: "hold the button", rules.CABLE: "clear with the cable"}
        act = held.get(ways.get(lockout, ""), "")
        if act and owner.delay_s(act) < math.inf:
            first.setdefault(act, owner.delay_s(act))
    return tuple(Visit(act, due_s, promised=True) for act, due_s in sorted(first.items()))


def trial_of(base: Trial, found: Fit, values: Numbers, begin: RunStart, days: float,
             lines: Mapping[str, bytes], seed: int | None) -> Trial:  # fmt: skip
    """A trial of one draw from `begin` on, under those compiled settings, limits, calibration."""
    values, poured = water_drawn(found, values, seed)
    climate = climate_of(found, values, seed)
    begins = (datetime.fromtimestamp(begin.time_s, UTC).date() - EPOCH).days
    spec = spec_of(found, values, begin, climate, seed, poured)
    wakes = [wake for wake in found.evidence.wakes if wake.time_s <= begin.time_s]
    visits = promised(base.owner, wakes, begin.time_s)
    return replace(base, begins=max(0, begins), days=days, spec=spec, lines=lines, visits=visits)


def state_at(log: PotLog, wake: WakeRow, before: bool = False) -> bytes:
    """The retained state, as stored, with which a twin goes on from the end of a wake, or from its
    beginning. Empty where another core made the log.

    With a lockout in force it is the whole state, because the lockout goes on in the twin. Without
    one it is what `carried` keeps.
    """
    keep = InForce(log.files[0].parent)
    states = States(keep, core_id(), STATES_KEPT)
    data: bytes | None = None
    for entry in FieldLog(log.files).entries():
        states.feed(entry.record)
        if entry.place == wake.place:
            data = states(entry.record["before" if before else "state"])
            break
    if data is None or wake.lockouts:
        return data or b""
    return carried(data)


def carried(data: bytes) -> bytes:
    """What a twin goes on with of a stored state without a lockout.

    All of it while a lockout that a press ended may come back, because then no other press helps.
    Otherwise only what the pot has learned, and its water of the last day. A state also counts how
    the true soil answered the last dose. The twin's soil is only near the true one, so with that
    count the twin could lock out at its first dose.
    """
    known, fresh = from_bytes(data), State()
    if known is None:
        return b""
    if known.tries or known.trial_doses:
        return data
    for name in CARRIED:
        setattr(fresh, name, getattr(known, name))
    return fresh.to_bytes()


def lives(
    base: Trial,
    found: Fit,
    days: float,
    lines: Mapping[str, bytes],
    draws: int,
    seed: int = 0,
    until: int | None = None,
) -> list[tuple[int, Trial]]:
    """(seed, trial) of so many draws of the pot's doubt, from the log's end or from wake `until`; a
    single one has the numbers as fitted. A draw that makes no pot is left out."""
    made = []
    drawn = found.soil.draws(draws, seed) if draws > 1 else [found.soil.values]
    for number, values in enumerate(drawn):
        try:
            begin = begin_of(found, values, seed + number, until)
            trial = trial_of(base, found, values, begin, days, lines, seed + number)
        except Impossible:
            continue
        made.append((seed + number, trial))
    return made


def run(
    base: Trial,
    found: Fit,
    days: float,
    lines: Mapping[str, bytes],
    draws: int,
    seed: int = 0,
    state: bytes = b"",
    until: int | None = None,
) -> list[TrialResult]:
    """The runs of `lives`. state: that the board begins with."""
    made = lives(base, found, days, lines, draws, seed, until)
    return [run_trial(trial, number, history=True, state=state) for number, trial in made]


def totals(result: TrialResult) -> dict[str, float]:
    """What is asked of a run, by name."""
    numbers = result.numbers()
    weeks = max(1.0, result.days) / 7.0
    visits = [act for _, act in result.people.done if act in VISITS]
    # What is done in one go is one visit
    days = {round(at_s / DAY_S) for at_s, act in result.people.done if act in VISITS}
    return {
        "water_week_ml": numbers["pumped_ml"] / weeks,
        "waterings": numbers["doses"],
        "stressed_days": numbers["stressed_days"],
        "wilting_days": numbers["wilting_days"],
        "airless_days": numbers["waterlogged_days"],
        "saucer_ml": numbers["saucer_ml"],
        "refills": float(visits.count("fill the tank")),
        "charges": float(visits.count("charge the battery")),
        "visits": float(len(days)),
        "lockouts": numbers["lockouts"],
        "used_mah": numbers["used_mah"],
    }


def along(
    runs: Sequence[TrialResult],
    begin_s: float,
    wakes: Sequence[WakeRow],
    doses: Sequence[Dose],
    reads: Mapping[str, tuple[float, float]],
) -> dict[str, list[Day]]:
    """Waterings so far, tank (ml) and battery at rest (mV), once a day of those wakes: as they were
    and as runs that began at `begin_s` have them. doses: of those wakes; reads: of tank and
    battery, where they are measured, what a reading shows beside the truth, and how far it may be
    off that."""
    found: dict[str, list[Day]] = {"waterings": [], "level_ml": [], "battery_mv": []}
    for wake in wakes:
        so_far = sum(1 for dose in doses if dose.time_s <= wake.time_s)
        steady = wake.phase == "idle" and not wake.ran_ms
        for name, was in (
            ("waterings", so_far),
            ("level_ml", wake.level_ml if wake.level_word == "good" and steady else None),
            ("battery_mv", wake.battery_mv if wake.battery_word == "good" and steady else None),
        ):
            rows = found[name]
            if (
                was is None
                or name not in reads
                or (rows and wake.time_s - rows[-1][0] < LEAST_APART_S)
            ):
                continue
            day = (wake.time_s - begin_s) / DAY_S
            middle, low, high = interval([_then(run, name, day) for run in runs])
            beside, off = reads[name]
            told = (middle + beside, max(0.0, low + beside - off), high + beside + off)
            rows.append((wake.time_s, wake.n, float(was), *told))
    return {name: rows for name, rows in found.items() if rows}


def _then(run: TrialResult, name: str, day: float) -> float:
    """What a run had after so many days."""
    assert run.history is not None
    kept = run.history
    rows: dict[str, Sequence[float]] = {
        "waterings": kept.doses, "level_ml": kept.tank_ml, "battery_mv": kept.rest_mv,
    }  # fmt: skip
    return float(np.interp(day, kept.day, rows[name]))


def mean_read(result: TrialResult, found: Fit, seed: int) -> float:
    """The mean soil water as read in a run, with one draw of how far readings lie off the twin: one
    that is off makes the next one likely to be (ppt)."""
    assert result.history is not None
    read = [ppt for ppt in result.history.read_ppt if ppt is not None]
    soil = found.soil
    if not read:
        return 0.0
    alone = max(1.0, len(read) * (1.0 - soil.alike) / (1.0 + soil.alike))
    # The end cuts one rise and fall from dose to dose anywhere: at most an eighth of its height
    height = math.sqrt(12.0) * float(np.std(read))
    cut = height / 8.0 / max(1, result.verdicts.doses) / math.sqrt(3.0)
    off = math.hypot(soil.scatter_ppt / math.sqrt(alone), cut)
    return float(np.mean(read)) + off * float(np.random.default_rng([13, seed]).normal())


def interval(values: Sequence[float]) -> tuple[float, float, float]:
    """(middle, low, high): another draw lies between the outer two nine times in ten.

    By Weibull's plotting positions k / (n + 1). The usual quantiles of few draws lie too close
    together: with 16 draws they hold another one only eight times in ten.
    """
    low, middle, high = np.quantile(
        np.array(values), (COVERED[0], 0.5, COVERED[1]), method="weibull"
    )
    return float(middle), float(low), float(high)


def foretold(rows: Sequence[Mapping[str, float]], name: str) -> tuple[float, float, float]:
    """`interval` of that total. That the end of the time falls before or after a dose is in it: the
    doses of each draw fall at other times."""
    return interval([row[name] for row in rows])
