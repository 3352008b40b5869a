"""A quick twin: many settings times many draws at once, a quarter of a day a step.

What belongs here: the water of the rig's pot (soil.py), the tank and the cell as arrays, and the
core's decisions in short: refill point, fill, dose in pulses, what the limits leave of it, the
lesson from an answer, needs and who answers them. What does not: what is searched for
(proposals.py). It only screens: what is proposed has lived on the rig with the real core.

Left out, and so left to the rig: trips, leaks, a pulse that is begun and not ended, the account of
water without an answer (R18), the converter's steps and the scatter of a reading.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wakecore.judge import WARN_MV
from wakecore.plan import LEAST_PULSE_MS
from wakecore.run import OVERRUN_MS
from wakewell.rig.battery import CHEMISTRIES
from wakewell.rig.pot import DAY_S, SAUCER_WET_ML
from wakewell.rig.probes import content_of, permittivity
from wakewell.rig.soil import DRAINED_ML, DRAINING_STEP_S, STILL_ML, Container
from wakewell.rig.weather import Climate
from wakewell.simulate.people import HOURS_TO_CHARGE
from wakewell.simulate.trials import Trial
from wakewell.tuning.charge import given_mah
from wakewell.tuning.fit import run_ml
from wakewell.tuning.twin import MEANS, USUAL_C, WATER_K

Numbers = NDArray[np.float64]
Bools = NDArray[np.bool_]

STEP_S = 21_600.0
A_DAY = round(DAY_S / STEP_S)
MOST_LIVES = 8192  # at once: what a processor's cache holds
AFTER_S = STEP_S  # so long a dose may drain and spread
LONG_S = 1800.0
RAIN_STEPS = round(STEP_S / LONG_S)
NEVER = 1e9
HOUR_S = 3600.0
LEAST_S = LEAST_PULSE_MS / 1000.0
USUAL_MV = 3800.0  # under the pump; own assumption
QUANTITIES = (
    "stressed_days", "wilting_days", "airless_days", "waterings", "water_ml", "saucer_ml",
    "floor_ml", "refills", "charges", "visits", "lockouts", "used_mah", "soil_ppt", "swing_ppt",
)  # fmt: skip


class Lives:
    """The same draws of a pot, to be lived under many settings.

    trials: one for each draw (`ahead.lives`), all of one pot. known_ul: of a part per thousand, as
    the pot has learned it; 0: not yet.
    """

    def __init__(self, trials: Sequence[Trial], known_ul: int = 0) -> None:
        first = trials[0]
        self.days = first.days
        self.steps = math.ceil(first.days * A_DAY)
        self.draws = len(trials)
        pot = first.in_force()
        self.limits, self.cal = pot.limits, pot.calibration
        self.habits, self.owner = first.habits, first.owner
        self.fills_after = np.array([_steps(t.owner.fills_after_days) for t in trials])
        self.known = float(known_ul or self.cal.ul_per_ppt)
        self._soil([Container(t.spec.substrate, t.spec.vessel, t.spec.plant) for t in trials])
        self.hour = round(24 * first.spec.start_day)
        self._weather([t.spec.place for t in trials], first.spec.cell.chemistry)
        self._probe(trials)
        self._tank(trials)
        self._cell(trials)
        self._visits(trials)

    def _soil(self, pots: Sequence[Container]) -> None:
        """Of each draw: ml in each region at which something begins, and how fast water moves."""

        def of(what: Any) -> Numbers:
            return np.array([float(what(pot)) for pot in pots])

        self.volume = of(lambda p: p.volume_ml)
        share = of(lambda p: p.vessel.bulb_share)
        self.share = share
        self.bulb, self.bulk = share * self.volume, (1.0 - share) * self.volume
        level = pots[0].levels
        self.floor, self.wilting = level.floor * self.volume, level.wilting * self.volume
        self.capacity = level.capacity * self.volume
        self.stress = of(lambda p: p.levels.stress * p.volume_ml)
        self.droop = of(lambda p: p.levels.droop * p.volume_ml)
        self.airless = of(lambda p: p.levels.airless * p.volume_ml)
        self.bulb_most, self.bulk_most = level.saturated * self.bulb, level.saturated * self.bulk
        self.bulb_full = level.capacity * self.bulb + STILL_ML
        self.bulk_full = level.capacity * self.bulk + STILL_ML
        self.leaf = of(lambda p: 0.1 * p.plant.kcb * p.plant.crown_cm2)
        self.bare = of(lambda p: 0.1 * p.plant.bare * p.vessel.top_cm2)
        self.top_cm2 = of(lambda p: p.vessel.top_cm2)
        soil, vessel = pots[0].soil, pots[0].vessel
        self.repels = soil.repels
        # In short steps while a dose goes on, in long ones after it
        self.drained = [
            -math.expm1(-step_s / soil.drain_s) for step_s in (DRAINING_STEP_S, 0.5 * LONG_S)
        ]
        self.spread = [
            of(lambda p, s=step_s: -math.expm1(-s / p.soil.spread_s))
            for step_s in (DRAINING_STEP_S, LONG_S)
        ]
        self.evened = of(lambda p: -math.expm1(-STEP_S / p.soil.even_s))
        self.quickly = of(lambda p: -math.expm1(-DRAINING_STEP_S / p.soil.even_s))
        self.saucer_most, self.saucer_cm2 = vessel.saucer_ml, vessel.saucer_cm2
        self.wicked = -math.expm1(-STEP_S / vessel.wick_s)
        self.in_bulb = vessel.probe_in_bulb

    def _weather(self, places: Sequence[Any], chemistry: str) -> None:
        """Reference ET and rain of each step (mm), and its temperatures."""
        climates: list[Climate] = list(places)
        hours = int(STEP_S / HOUR_S)
        at = (self.hour + np.arange(self.steps * hours)) % climates[0].hours

        def sums(rows: Sequence[Sequence[float]]) -> Numbers:
            found = np.array([np.asarray(row)[at].reshape(-1, hours).sum(axis=1) for row in rows])
            return np.ascontiguousarray(found.T)

        self.et0 = sums([c.et0_mm for c in climates])
        self.rain = sums([c.rain_mm for c in climates])
        self.pot_c = np.ascontiguousarray(np.array([np.asarray(c.pot_c)[at[::hours]]
                                                    for c in climates]).T)  # fmt: skip
        air = sums([c.air_c for c in climates]) / hours
        warm, usable = zip(*CHEMISTRIES[chemistry].usable, strict=True)
        self.usable = np.interp(air, warm, usable)

    def _probe(self, trials: Sequence[Trial]) -> None:
        """What the probe shows at each mean content around it, and what warmth adds a kelvin."""
        spec = trials[0].spec
        pot = Container(spec.substrate, spec.vessel, spec.plant)
        weighs = spec.probe.weighs
        self.means = np.linspace(pot.levels.floor, pot.levels.saturated, MEANS)
        self.shown, self.less = np.empty(MEANS), np.zeros(MEANS)
        for number, mean in enumerate(self.means):
            pot.even_out(float(mean))
            content = pot.content if weighs else pot.probe_content
            self.shown[number] = 1000.0 * content
            if not weighs:
                seen = [content_of(1.0 + (permittivity(content) - 1.0) * (1.0 - WATER_K * k))
                        for k in (-5.0, 5.0)]  # fmt: skip
                self.less[number] = 1000.0 * (seen[1] - seen[0]) / 10.0
        self.weighs = weighs
        self.zero, self.kelvin, self.drift = (np.zeros(len(trials)) for _ in range(3))
        base = [(value, uv) for uv, value in self.cal.soil.points]
        for number, trial in enumerate([] if weighs else trials):
            probe: Any = trial.spec.probe
            (low, a), (high, b) = probe.points[0], probe.points[-1]
            slope = (b - a) / (high - low)
            self.zero[number] = min(value for value, _ in base) - low
            self.kelvin[number] = probe.per_kelvin_uv / slope
            self.drift[number] = probe.drift_uv_year / slope / (365.0 * A_DAY)

    def _tank(self, trials: Sequence[Trial]) -> None:
        spec = trials[0].spec
        self.tank_most = spec.tank.capacity_ml
        self.tank_ml = np.array([t.spec.tank_ml or 0.0 for t in trials])
        # A float asks where it sinks, whatever the warning says
        self.sinks_ml = (
            spec.tank.volume_ml(spec.level.float_mm) if spec.level.kind == "float" else None
        )
        self.begin = np.array([t.spec.water or 0.0 for t in trials])
        self.flow = self.cal.flow_ul_s / 1000.0
        # More or less water moves than commanded, by the pump that the log's usual run has
        pulse_s = min(trials[0].in_force().settings.pulse_ml / max(0.1, self.flow),
                      self.limits.pulse_ms / 1000.0)  # fmt: skip
        middle = 0.5 * self.tank_most
        brought = [run_ml(t.spec, pulse_s, middle, USUAL_MV) for t in trials]
        self.moved = np.array(brought) / max(0.1, self.flow * pulse_s)

    def _cell(self, trials: Sequence[Trial]) -> None:
        def of(what: Any) -> Numbers:
            return np.array([float(what(t.spec)) for t in trials])

        cell = trials[0].spec.cell
        kind = CHEMISTRIES[cell.chemistry]
        self.curve = np.array(cell.open_mv, dtype=float)
        self.holds = of(lambda s: s.cell.capacity_mah)
        self.charge = of(lambda s: s.charge)
        hour = STEP_S / HOUR_S
        self.asleep = of(lambda s: (s.board.sleep_ua + s.board.leak_ua) / 1000.0 * hour)
        self.fades = cell.fades_pct_month / 100.0 / 30.0 / A_DAY
        self.awake = of(lambda s: s.board.awake_ma) * self.habits.awake_s / HOUR_S
        self.on_air = of(lambda s: s.board.radio_ma) * self.habits.radio_s / HOUR_S
        self.pumping = of(lambda s: s.pump.running_ma + s.board.awake_ma) / HOUR_S
        self.sun = np.zeros((self.steps, len(trials)))
        if trials[0].spec.panel.peak_mw:
            for number, trial in enumerate(trials):
                self.sun[:, number] = self._sun(trial)
        self.charged = HOURS_TO_CHARGE * self.owner.charger_ma * kind.stays / self.holds

    def _sun(self, trial: Trial) -> Numbers:
        """What a panel's charger gives in each step, mAh."""
        spec = trial.spec
        assert isinstance(spec.place, Climate)
        given = np.array(given_mah(spec, spec.place.air_c))
        hours = int(STEP_S / HOUR_S)
        at = (self.hour + np.arange(self.steps * hours)) % len(given)
        found: Numbers = given[at].reshape(-1, hours).sum(axis=1)
        return found

    def _visits(self, trials: Sequence[Trial]) -> None:
        """Who comes first, and the spells in which the soil is not believed."""
        self.dead = np.zeros((self.steps, self.draws), dtype=bool)
        self.fills, self.brings, self.holds_s = (np.full(self.draws, NEVER) for _ in range(3))
        acts = {"fill the tank": self.fills, "charge the battery": self.brings,
                "hold the button": self.holds_s}  # fmt: skip
        for number, trial in enumerate(trials):
            for fault in trial.spec.faults:
                if fault.kind in ("probe railed", "probe out", "probe frozen"):
                    since = math.ceil(fault.start_s / STEP_S)
                    self.dead[since : math.ceil(fault.end_s / STEP_S), number] = True
            for visit in trial.visits:
                if visit.act in acts:
                    due = acts[visit.act]
                    due[number] = min(due[number], math.ceil(visit.at_s / STEP_S))

    def live(self, settings: Sequence[Mapping[str, int]], **limits: int) -> dict[str, Numbers]:
        """{quantity: a row for each of the settings, a column for each draw}. settings: whole ones,
        by name. limits: hard limits in place of the pot's own."""
        most = max(1, MOST_LIVES // self.draws)
        parts = [
            _Life(self, settings[at : at + most], limits).lived()
            for at in range(0, len(settings), most)
        ]
        return {name: np.concatenate([part[name] for part in parts]) for name in QUANTITIES}


def _steps(days: float) -> float:
    """Steps from a need to its answer."""
    return NEVER if days == math.inf else max(1.0, round(days * A_DAY))


class _Flood:
    """Water on its way through some of the lives: poured, spread, drained into the saucer.

    columns: the draw of each. through, over: what ran to the saucer and over its rim, ml.
    """

    def __init__(
        self, of: Lives, columns: NDArray[np.intp], bulb: Numbers, bulk: Numbers, saucer: Numbers
    ) -> None:
        self.of, self.bulb, self.bulk, self.saucer = of, bulb, bulk, saucer
        self.through, self.over = np.zeros_like(bulb), np.zeros_like(bulb)
        self._volume, self._share = of.volume[columns], of.share[columns]
        self._bulb, self._bulk = of.bulb[columns], of.bulk[columns]
        self._bulb_most, self._bulk_most = of.bulb_most[columns], of.bulk_most[columns]
        self._bulb_full, self._bulk_full = of.bulb_full[columns], of.bulk_full[columns]
        self._spread = [row[columns] for row in of.spread]
        self._stress = of.stress[columns]
        self._evened, self._floor = of.quickly[columns], of.floor[columns]

    def shown(self) -> Numbers:
        """What the probe shows, without its errors, ppt."""
        of = self.of
        if of.weighs:
            mean = (self.bulb + self.bulk) / self._volume
        else:
            mean = (1.0 - of.in_bulb) * self.bulk / self._bulk + of.in_bulb * self.bulb / self._bulb
        found: Numbers = np.interp(mean, of.means, of.shown)
        return found

    def pour(self, water: Numbers) -> None:
        """From the hose, as Container.pour."""
        dry = (self._stress - self.bulb - self.bulk) / (self._stress - self._floor)
        past = water * self.of.repels * np.clip(dry, 0.0, 1.0)
        self.bulb = self.bulb + water - past
        self._overflow()
        self._percolate(past)

    def sprinkle(self, water: Numbers) -> None:
        """Rain."""
        self.bulb = self.bulb + self._share * water
        self.bulk = self.bulk + (1.0 - self._share) * water
        self._overflow()

    def _overflow(self) -> None:
        over = np.maximum(0.0, self.bulb - self._bulb_most)
        self.bulb = self.bulb - over
        self.bulk = self.bulk + over
        over = np.maximum(0.0, self.bulk - self._bulk_most)
        self.bulk = self.bulk - over
        self._percolate(over)

    def _percolate(self, water: Numbers) -> None:
        self.through += water
        self.saucer = self.saucer + water
        over = np.maximum(0.0, self.saucer - self.of.saucer_most)
        self.saucer -= over
        self.over += over

    def _level(self, share: Numbers) -> None:
        """As Container's: both regions so much of the way to the same content."""
        difference = self.bulb / self._bulb - self.bulk / self._bulk
        moved = share * difference * self._bulb * self._bulk / self._volume
        self.bulb = self.bulb - moved
        self.bulk = self.bulk + moved

    def _out(self, moving: Bools, drained: float) -> None:
        """That share of what is above capacity, into the saucer."""
        out = np.where(moving, drained, 0.0)
        bulb = out * np.maximum(0.0, self.bulb - self._bulb_full)
        bulk = out * np.maximum(0.0, self.bulk - self._bulk_full)
        self.bulb, self.bulk = self.bulb - bulb, self.bulk - bulk
        self._percolate(bulb + bulk)

    def drain(self, those: Bools | None) -> bool:
        """One step of what is above capacity; does anything move? those: in which lives, while a
        dose goes on; None: all of them, a long step after it."""
        long = int(those is None)
        wet = self.bulb > self._bulb_full + DRAINED_ML
        moving = wet | (self.bulk > self._bulk_full + DRAINED_ML)
        if those is not None:  # while a dose goes on, the slow levelling counts too
            moving, wet = moving & those, wet & those
            self._level(np.where(those, self._evened, 0.0))
        if not moving.any():
            return False
        if long:  # half of it before the spreading, so that a long step is as the short ones
            self._out(moving, self.of.drained[1])
        self._level(np.where(wet, self._spread[long], 0.0))
        self._out(moving, self.of.drained[long])
        return True


class _Life:
    """One batch of settings, every draw. Arrays are (settings, draws)."""

    def __init__(
        self, lives: Lives, settings: Sequence[Mapping[str, int]], limits: Mapping[str, int]
    ) -> None:
        self.of = lives
        shape = (len(settings), lives.draws)

        def column(name: str) -> Numbers:
            return np.array([[float(one[name])] for one in settings])

        def limit(name: str) -> float:
            return float(limits.get(name, getattr(lives.limits, name)))

        cal = lives.cal
        self.every = np.maximum(1, np.round(column("wake_s") / STEP_S)).astype(int)
        # Of a step with any: more often than that is not looked at, but drawn from the cell
        self.wakes_step = np.where(column("wake_s") < STEP_S, STEP_S / column("wake_s"), 1.0)
        available = cal.capacity_ppt - cal.wilting_ppt
        self.refill = cal.capacity_ppt - available * column("depletion_ppt") / 1000.0
        self.target = cal.capacity_ppt * column("fill_ppt") / 1000.0
        self.dose, self.pulse = column("dose_ml"), column("pulse_ml")
        self.pulse = np.minimum(self.pulse, limit("pulse_ms") / 1000.0 * max(0.1, lives.flow))
        self.soak_steps = np.maximum(1, np.round(column("soak_s") / DRAINING_STEP_S)).astype(int)
        self.response = column("response_ppt")
        self.reserve = np.maximum(column("reserve_ml"), limit("reserve_ml"))
        self.warn_ml = column("tank_warn_ml")
        if lives.sinks_ml is not None:
            self.warn_ml = np.full_like(self.warn_ml, lives.sinks_ml)
        self.upkeep, self.upkeep_steps = column("upkeep_ml"), column("upkeep_days") * A_DAY
        self.radio = column("radio_wakes")
        self.mains = column("mains") > 0
        self.dose_most, self.pulses_most = limit("dose_ml"), int(limit("pulses"))
        self.silent_most = limit("response_doses")
        # What 24 hours may hold is counted at the highest flow, each pulse with its overrun (R3)
        self.counted = limit("flow_max_ul_s") / 1000.0 / max(0.1, lives.flow)
        self.day_most, self.overrun = limit("day_ml"), OVERRUN_MS / 1000.0 * lives.flow
        grid = np.linspace(0.0, 1.0, len(lives.curve))

        def reach(mv: Numbers) -> Numbers:
            return np.interp(mv, lives.curve, grid)

        warn = column("battery_warn_mv")
        radio = np.maximum(limit("radio_mv"), column("battery_mv")) + WARN_MV
        warn = np.where(self.radio > 0, np.maximum(warn, radio), warn)
        self.warn_reach = reach(warn)
        self.floor_reach = reach(np.maximum(column("battery_mv"), limit("rest_mv")))

        def spread(row: Numbers) -> Numbers:
            return np.tile(row, (shape[0], 1))

        def zeros() -> Numbers:
            return np.zeros(shape)

        self.bulb = spread(lives.begin * lives.bulb)
        self.bulk = spread(lives.begin * lives.bulk)
        self.saucer, self.tank = zeros(), spread(lives.tank_ml)
        self.charge = spread(lives.charge)
        self.fills, self.brings = spread(lives.fills), spread(lives.brings)
        self.holds = spread(lives.holds_s)
        self.empties = np.full(shape, NEVER)
        self.locked = self.holds < NEVER
        self.known = np.full(shape, lives.known)
        self.before = np.full(shape, -1.0)  # below zero: no answer is awaited
        self.peak, self.given, self.silent = zeros(), zeros(), zeros()
        self.since = np.full(shape, NEVER)
        self.days = [zeros() for _ in range(A_DAY + 1)]  # R3 widens a day by its clock's error
        self.told = {name: zeros() for name in QUANTITIES}
        self.squares = zeros()

    def lived(self) -> dict[str, Numbers]:
        """Through to the end; the totals."""
        of, told = self.of, self.told
        for step in range(of.steps):
            self._people(step)
            self.days[step % len(self.days)][:] = 0.0
            read = self._read(step)
            told["soil_ppt"] += read
            self.squares += read * read
            awake = step % self.every == 0
            if awake.any():
                self._wake(step, read, np.broadcast_to(awake, read.shape))
            if of.rain[step].any():
                self._rain(step)
            self._dry(step)
            self.since += 1.0
            self.charge -= of.asleep / of.holds + of.fades * self.charge
            self.charge = np.minimum(1.0, self.charge + of.sun[step] / of.holds)
            told["used_mah"] += of.asleep + of.fades * self.charge * of.holds
            np.maximum(self.charge, 0.0, out=self.charge)
        told["soil_ppt"] /= of.steps
        spread = self.squares / of.steps - told["soil_ppt"] ** 2
        told["swing_ppt"] = np.sqrt(np.maximum(0.0, spread))
        return told

    def _read(self, step: int) -> Numbers:
        of = self.of
        if of.weighs:
            mean = (self.bulb + self.bulk) / of.volume
        else:
            mean = (1.0 - of.in_bulb) * self.bulk / of.bulk + of.in_bulb * self.bulb / of.bulb
        kelvin = of.pot_c[step] - USUAL_C
        off = of.zero + of.kelvin * kelvin + of.drift * step
        read: Numbers = np.interp(mean, of.means, of.shown)
        read += off + kelvin * np.interp(mean, of.means, of.less)
        return read

    def _people(self, step: int) -> None:
        of, told = self.of, self.told
        dues = self.fills, self.brings, self.holds, self.empties
        come = [due <= step for due in dues]
        if not any(those.any() for those in come):
            return
        fills, brings, presses, empties = come
        self.tank[fills] = of.tank_most
        self.charge = np.where(brings, np.minimum(1.0, self.charge + of.charged), self.charge)
        self.saucer[empties] = 0.0
        self.locked[presses] = False
        self.silent[presses] = 0.0
        told["refills"] += fills
        told["charges"] += brings
        told["visits"] += fills | brings | presses | empties
        for due, those in zip(dues, come, strict=True):
            due[those] = NEVER

    def _wake(self, step: int, read: Numbers, awake: Bools) -> None:
        of = self.of
        cold = of.pot_c[step] < of.limits.cold_mc / 1000.0
        if of.cal.temperature is None:
            cold = np.zeros_like(cold)
        believed = awake & ~(of.dead[step] | cold)
        self._learn(step, read, believed)
        usable = of.usable[step]
        reach = (self.charge - (1.0 - usable)) / usable
        strong = (reach >= self.floor_reach) | self.mains
        if of.cal.saucer is not None:
            strong = strong & (self.saucer <= SAUCER_WET_ML)
        able = ~self.locked & strong & (self.tank >= self.reserve + self.pulse)
        dry = believed & (read <= self.refill)
        plan = np.where(
            self.known > 0.0, (self.target - read) * self.known / 1000.0, self.dose + 0.0 * read
        )
        plan = np.where(dry, plan, 0.0)
        blind = awake & of.dead[step] & ~cold & (self.upkeep > 0)
        plan = np.where(blind & (self.since >= self.upkeep_steps), self.upkeep, plan)
        plan = np.minimum(plan, self.dose_most)
        left = (self.day_most - sum(self.days)) / self.counted - self.overrun
        wants = able & (np.minimum(plan, left) > LEAST_S * of.flow)
        if wants.any():
            rows, columns = np.nonzero(wants)
            self._dose(step, (rows, columns), plan, read, dry)
        # Needs, and when who answers them
        asks = awake & (self.tank < self.warn_ml) & (self.fills >= NEVER)
        self.fills = np.where(asks, step + of.fills_after, self.fills)
        asks = awake & (reach < self.warn_reach) & (self.brings >= NEVER) & ~self.mains
        self.brings[asks] = step + _steps(of.owner.charges_after_days)
        used = np.where(awake, self.wakes_step * of.awake, 0.0)
        on_air = self.wakes_step * of.on_air / np.maximum(1.0, self.radio)
        used += np.where(awake & (self.radio > 0), on_air, 0.0)
        self._use(used)

    def _use(self, mah: Numbers) -> None:
        self.charge -= mah / self.of.holds
        self.told["used_mah"] += mah

    def _learn(self, step: int, read: Numbers, believed: Bools) -> None:
        """What the last dose's answer teaches (judge.learn), where it is plain."""
        asked = believed & (self.before >= 0.0)
        if not asked.any():
            return
        self.peak = np.where(asked, np.maximum(self.peak, read), self.peak)
        rise = self.peak - self.before
        known = np.maximum(1.0, self.known)
        expected = self.given * 1000.0 / known
        needed = np.where(
            self.known > 0.0, np.clip(expected / 2.0, 1.0, self.response), self.response
        )
        enough = asked & ((self.given >= 0.5 * self.dose) | (expected >= self.response))
        silent = enough & (rise < needed)
        self.silent = np.where(silent, self.silent + 1.0, np.where(enough, 0.0, self.silent))
        taught = enough & (rise >= 2.0 * self.response) & (rise <= 2.0 * expected)
        taught &= self.known > 0.0
        lesson = self.given * 1000.0 / np.maximum(1.0, rise)
        base = float(self.of.cal.ul_per_ppt)
        moved = np.clip(self.known + (lesson - self.known) / 4.0, base / 4.0, base * 4.0)
        self.known = np.where(taught, moved, self.known)
        self.before[enough] = -1.0
        locks = (self.silent >= self.silent_most) & ~self.locked
        if locks.any():
            self.locked |= locks
            self.told["lockouts"] += locks
            self.holds[locks] = step + _steps(self.of.owner.holds_after_days)

    def _dose(
        self, step: int, at: tuple[Any, Any], plan: Numbers, read: Numbers, dry: Bools
    ) -> None:
        """A dose to those lives, pulse by pulse, and what it does in the hours after."""
        of, told = self.of, self.told
        rows, columns = at
        left, tank = plan[at], self.tank[at]
        pulse, soak = self.pulse[rows, 0], self.soak_steps[rows, 0]
        reserve, target = self.reserve[rows, 0], self.target[rows, 0]
        moved, tolerance = of.moved[columns], 2.0 * of.cal.tolerance_ml
        flood = _Flood(of, columns, self.bulb[at], self.bulk[at], self.saucer[at])
        given, ran_ml, pulses = np.zeros_like(left), np.zeros_like(left), np.zeros_like(left)
        begun = self.before[at] < 0.0
        peak = np.where(begun, read[at], self.peak[at])
        wet = np.zeros(left.shape, dtype=bool)
        least = LEAST_S * of.flow
        goes = left > least
        day_left = (self.day_most - sum(day[at] for day in self.days)) / self.counted
        off = read[at] - flood.shown()
        for _ in range(self.pulses_most):
            most = np.minimum(tank - reserve, day_left - ran_ml - self.overrun)
            now = np.where(goes, np.minimum(np.minimum(left, pulse), most), 0.0)
            now = np.where(now > least, now, 0.0)
            if not now.any():
                break
            water = now * moved
            flood.pour(water)
            tank = tank - water
            counted = np.where(water > tolerance, water, now)
            left, given, ran_ml = left - counted, given + water, ran_ml + now
            pulses += now > 0.0
            pours = now > 0.0
            for number in range(int(soak[pours].max())):
                flood.drain(pours & (number < soak))
            seen = flood.shown() + off
            peak = np.maximum(peak, seen)
            goes = pours & (left > least) & ((seen < target) | ~dry[at])
            if of.cal.saucer is not None:  # a permissive, and so a lockout while a dose goes on
                wet |= pours & (flood.saucer > SAUCER_WET_ML)
                goes &= ~wet
        if of.cal.saucer is not None:  # the second look
            flood.drain(np.ones_like(wet))
            wet |= flood.saucer > SAUCER_WET_ML
        for _ in range(round(AFTER_S / LONG_S)):
            if not flood.drain(None):
                break
        self._lock(step, at, wet)
        self.bulb[at], self.bulk[at], self.saucer[at] = flood.bulb, flood.bulk, flood.saucer
        told["saucer_ml"][at] += flood.through
        told["floor_ml"][at] += flood.over
        self.tank[at] = tank
        self.days[step % len(self.days)][at] += ran_ml * self.counted
        self.since[at] = 0.0
        self.before[at] = np.where(begun, read[at], np.minimum(self.before[at], read[at]))
        self.peak[at] = peak
        self.given[at] = np.where(begun, given, self.given[at] + given)
        self.before[at] = np.where(dry[at], self.before[at], -1.0)
        told["waterings"][at] += 1.0
        told["water_ml"][at] += given
        used = (pulses + 1.0) * of.awake[columns] + ran_ml / of.flow * of.pumping[columns]
        self.charge[at] -= used / of.holds[columns]
        told["used_mah"][at] += used

    def _lock(self, step: int, at: tuple[Any, Any], those: Bools) -> None:
        """The saucer was wet in a dose: locked out until somebody empties it and presses (R15)."""
        owner = self.of.owner
        self.locked[at] |= those
        self.told["lockouts"][at] += those
        press = step + _steps(owner.holds_after_days)
        self.holds[at] = np.where(those, press, self.holds[at])
        empty = step + _steps(owner.empties_after_days)
        self.empties[at] = np.where(those, empty, self.empties[at])

    def _rain(self, step: int) -> None:
        of = self.of
        columns = np.nonzero(of.rain[step])[0]
        count = len(self.bulb)
        every = np.tile(columns, count)
        flood = _Flood(
            of, every, self.bulb[:, columns].ravel(), self.bulk[:, columns].ravel(),
            self.saucer[:, columns].ravel(),
        )  # fmt: skip
        water = of.rain[step][every] * 0.1 * of.top_cm2[every] / RAIN_STEPS
        for _ in range(RAIN_STEPS):
            flood.sprinkle(water)
            flood.drain(None)
        shape = count, len(columns)
        self.bulb[:, columns] = flood.bulb.reshape(shape)
        self.bulk[:, columns] = flood.bulk.reshape(shape)
        self.saucer[:, columns] = flood.saucer.reshape(shape)
        self.told["saucer_ml"][:, columns] += flood.through.reshape(shape)
        self.told["floor_ml"][:, columns] += flood.over.reshape(shape)

    def _dry(self, step: int) -> None:
        """A quarter of a day of leaf, air, saucer and levelling."""
        of, told = self.of, self.told
        mm = of.et0[step]
        if self.saucer.any():
            room = np.maximum(0.0, of.bulk_full - STILL_ML - self.bulk)
            drawn = np.minimum(self.saucer, room * of.wicked)
            self.bulk += drawn
            self.saucer -= drawn
            self.saucer -= np.minimum(self.saucer, 0.1 * of.saucer_cm2 * mm)
        water = self.bulb + self.bulk
        middle = np.maximum(of.floor, water - 0.5 * mm * self._loss(water))
        after = np.maximum(of.floor, water - mm * self._loss(middle))
        day = 1.0 / A_DAY
        for name, mark in (("stressed_days", of.stress), ("wilting_days", of.droop)):
            fallen = np.maximum(1e-9, water - after)
            told[name] += day * np.where(
                water <= mark, 1.0, np.clip((mark - after) / fallen, 0.0, 1.0)
            )
        told["airless_days"] += day * (water > of.airless)
        low = of.floor * of.share
        held = np.maximum(1e-9, water - of.floor)
        bulb = low + (self.bulb - low) * (after - of.floor) / held
        bulk = after - bulb
        difference = bulb / of.bulb - bulk / of.bulk
        levelled = of.evened * difference * of.bulb * of.bulk / of.volume
        self.bulb, self.bulk = bulb - levelled, bulk + levelled

    def _loss(self, water: Numbers) -> Numbers:
        """ml a millimetre of reference ET, of leaf and surface."""
        of = self.of
        leaf = np.clip((water - of.wilting) / (of.stress - of.wilting), 0.0, 1.0)
        bare = np.clip((water - of.floor) / (of.capacity - of.floor), 0.0, 1.0)
        return of.leaf * leaf + of.bare * bare
