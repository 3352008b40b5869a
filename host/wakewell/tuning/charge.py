"""The battery's part of a twin: what it draws, holds and gets from a panel, by its rest voltages.

What belongs here: the least squares for the cell, leaning on what is believed before any log, and
the light of the typical year between two looks. What does not: soil and tank (fit.py), which
voltages count (evidence.py).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares  # type: ignore[import-untyped]

from wakewell.budget.inputs import charge_within
from wakewell.budget.sun import SUN
from wakewell.rig.battery import CHEMISTRIES, open_mv
from wakewell.rig.panel import charging_ma, powers_mw
from wakewell.rig.pot import PotSpec
from wakewell.tuning.evidence import Charge
from wakewell.tuning.weather import year_s

Numbers = NDArray[np.float64]

LEAST_LOOKS = 10
MOST_ALIKE = 0.9  # of the correlation of a residual with the one before
ROUNDS, MOST_STEPS = 4, 30  # of finding scatter anew, and of the search in each
# What the log tells is this much less sure than the slopes say, by the pots of tools/tuned.py
WIDER = 1.5
CHARGE_DOUBT = 0.02  # a cell's curve and temperature are not quite the table's; own assumption
# Before the log: of a capacity, of a voltage at a cell, and of the charge at a look
HOLDS_DOUBT, ZERO_MV, BEGIN_DOUBT = 0.05, 10.0, 0.08
STARTS = 5  # where the charges at the beginnings stand among the numbers


@dataclass(frozen=True)
class CellFit:
    """The cell's numbers: logarithms of factors on what the folder says it uses asleep and awake,
    on its capacity and on the panel's light (0 without one); zero_mv: error of the divider;
    scatter_mv: of a rest voltage. charge: a share, at the end."""

    asleep: tuple[float, float]
    active: tuple[float, float]
    capacity: tuple[float, float]
    sun: tuple[float, float]
    zero_mv: tuple[float, float]
    charge: tuple[float, float]
    scatter_mv: float
    used_day_mah: tuple[float, float]
    cov: Numbers
    wakes: tuple[int, ...]

    def drawn_charge(self, seed: int | None) -> float:
        """The share of charge at the end, likewise."""
        value, doubt = self.charge
        if seed is not None:
            value += doubt * float(np.random.default_rng([10, seed]).normal())
        return min(1.0, max(0.0, value))

    def drawn(self, seed: int | None) -> tuple[float, float, float, float]:
        """Logarithms of the factors asleep, active, of the capacity and of the light: one draw of
        their doubt, or, with no seed, as fitted."""
        middle = np.array([self.asleep[0], self.active[0], self.capacity[0], self.sun[0]])
        if seed is not None:
            middle = np.random.default_rng([9, seed]).multivariate_normal(middle, self.cov)
        asleep, active, holds, light = (float(value) for value in middle)
        return asleep, active, holds, light


def given_mah(spec: PotSpec, air_c: Sequence[float]) -> list[float]:
    """What a panel's charger gives in each hour of the typical year, at a half full battery's
    voltage, as far as it stays there. air_c: of these hours."""
    stays = CHEMISTRIES[spec.cell.chemistry].stays
    half_mv = open_mv(0.5, spec.cell.open_mv)
    return [
        stays * charging_ma(spec.panel, power, half_mv, celsius)
        for power, celsius in zip(powers_mw(spec.panel, tuple(air_c)), air_c, strict=True)
    ]


class Light:
    """What a panel's charger gives in the typical year, and when."""

    def __init__(self, spec: PotSpec, air_c: Sequence[float]) -> None:
        self._lit = [power > 0.0 for power in powers_mw(spec.panel, tuple(air_c))]
        self._summed = np.concatenate(([0.0], np.cumsum(given_mah(spec, air_c))))

    def shines(self, time_s: float) -> bool:
        """Is there any at that time (s since 1970, UTC)? Then no voltage is one of rest."""
        return self._lit[int(year_s(time_s) // 3600.0)]

    def until(self, time_s: float) -> float:
        """Given up to that time since 1970, mAh."""
        years = datetime.fromtimestamp(time_s, UTC).year - 1970
        hours = np.arange(len(self._summed))
        here = float(np.interp(year_s(time_s) / 3600.0, hours, self._summed))
        return years * float(self._summed[-1]) + here


def in_the_dark(charges: Sequence[Charge], light: Light) -> list[Charge]:
    """The looks without any light, each with all that was used since the last of these."""
    found: list[Charge] = []
    since: list[Charge] = []
    for look in charges:
        since.append(look)
        if light.shines(look.time_s):
            continue
        found.append(
            replace(
                look,
                asleep_s=sum(one.asleep_s for one in since),
                awake_ms=sum(one.awake_ms for one in since),
                radio_ms=sum(one.radio_ms for one in since),
                ran_ms=sum(one.ran_ms for one in since),
                anew=any(one.anew for one in since),
            )
        )
        since = []
    return found


def alike_of(left: Numbers) -> float:
    """How much a residual resembles the one before, 0 to MOST_ALIKE."""
    if len(left) < 8:
        return 0.5
    a, b = left[:-1], left[1:]
    power = float(np.sum(left * left))
    return min(MOST_ALIKE, max(0.0, float(np.sum(a * b)) / power)) if power > 0.0 else 0.0


class Drain:
    """What was drawn and given between looks at a battery, and the voltage that it should show.

    values, where they are taken: logarithms of the factors asleep, active and of the capacity, the
    meter's offset (mV), the logarithm of the factor of the light, then the charge at each start.
    """

    def __init__(self, charges: Sequence[Charge], spec: PotSpec, light: Light | None) -> None:
        board, pump_ma = spec.board, spec.pump.running_ma
        self.dark = light is None
        self.asleep = np.array([(board.sleep_ua + board.leak_ua) / 1000.0 * c.asleep_s / 3600.0
                                for c in charges])  # fmt: skip
        self.active = np.array([
            (board.awake_ma * c.awake_ms + board.radio_ma * c.radio_ms + pump_ma * c.ran_ms) / 3.6e6
            for c in charges
        ])  # fmt: skip
        self.given = np.zeros(len(charges))
        if light is not None:
            self.given[1:] = np.diff([light.until(c.time_s) for c in charges])
        celsius = np.array([20.0 if c.celsius is None else c.celsius for c in charges])
        warm, share = zip(*CHEMISTRIES[spec.cell.chemistry].usable, strict=True)
        self.usable = np.interp(celsius, warm, share)
        self.full = spec.cell.capacity_mah
        self.fades = spec.cell.fades_pct_month / 100.0 / 30.0  # of the charge, a day
        self.days = np.array([c.asleep_s for c in charges]) / 86_400.0
        self.starts = [n for n, c in enumerate(charges) if c.anew] or [0]
        self.starts[0] = 0
        self._curve = np.array(spec.cell.open_mv, dtype=float)
        self._grid = np.linspace(0.0, 1.0, len(self._curve))

    def _charge(self, values: Numbers, moved: Numbers) -> Numbers:
        """The share left at each look: dQ/dt = -I - k Q, as the rig's cell has it, never above all
        that it holds. moved: shares drawn, less what was given."""
        left = np.empty(len(moved))
        for number, (first, end) in enumerate(pairwise([*self.starts, len(moved)])):
            used, since = moved[first:end].copy(), self.days[first:end].copy()
            used[0] = since[0] = 0.0
            begin = float(values[STARTS + number])
            if self.dark:
                grown = np.exp(self.fades * np.cumsum(since))
                left[first:end] = (begin - np.cumsum(used * grown)) / grown
                continue
            keeps = np.exp(-self.fades * since)
            for n in range(end - first):
                begin = min(1.0, begin * keeps[n] - used[n])
                left[first + n] = begin
        return left

    def left(self, values: Numbers) -> Numbers:
        """The share of its charge at each look."""
        drawn = math.exp(values[0]) * self.asleep + math.exp(values[1]) * self.active
        moved = drawn - math.exp(values[4]) * self.given
        return self._charge(values, moved / (self.full * math.exp(values[2])))

    def expected(self, values: Numbers) -> Numbers:
        """The rest voltage at each look, mV."""
        reach = np.maximum(0.0, (self.left(values) - (1.0 - self.usable)) / self.usable)
        shown: Numbers = np.interp(reach, self._grid, self._curve) + values[3]
        return shown

    def used_day(self, values: Numbers) -> Numbers:
        """By value, how the charge used in a day (mAh) changes with it: asleep and active."""
        span = max(1.0, float(sum(self.days[1:])))
        grad = np.zeros(len(values))
        grad[0] = math.exp(values[0]) * float(np.sum(self.asleep[1:])) / span
        grad[1] = math.exp(values[1]) * float(np.sum(self.active[1:])) / span
        return grad


def believed_before(
    drain: Drain, seen: Numbers, spec: PotSpec, doubts: tuple[float, float]
) -> tuple[Numbers, Numbers]:
    """(the values before the log was read, their doubt). seen: rest voltages, mV."""
    begins, off = [], []
    for first in drain.starts:
        at, doubt_at = charge_within(seen[first] / spec.cell.cells, spec.cell.chemistry)
        begins.append(at * drain.usable[first] + 1.0 - drain.usable[first])
        off.append(max(BEGIN_DOUBT, doubt_at))
    believed = np.array([0.0, 0.0, 0.0, 0.0, 0.0, *begins])
    return believed, np.array([*doubts, HOLDS_DOUBT, ZERO_MV * spec.cell.cells, SUN, *off])


def fit(
    charges: Sequence[Charge],
    spec: PotSpec,
    doubts: tuple[float, float],
    light: Light | None = None,
) -> CellFit | None:
    """What asleep and awake draw, and what the cell holds, from its rest voltages.

    doubts: of the currents asleep and awake before the log, as shares. light: of its panel.
    """
    if light is not None:
        charges = in_the_dark(charges, light)
    if len(charges) < LEAST_LOOKS:
        return None
    drain = Drain(charges, spec, light)
    seen = np.array([float(c.rest_mv) for c in charges])
    believed, spread = believed_before(drain, seen, spec, doubts)
    scatter, alike = 12.0, 0.5
    values = believed
    for _ in range(ROUNDS):
        wide = scatter * math.sqrt((1.0 + alike) / (1.0 - alike))

        def residuals(v: Numbers, wide: float = wide) -> Numbers:
            return np.concatenate(((seen - drain.expected(v)) / wide, (v - believed) / spread))

        found = least_squares(residuals, values, x_scale=spread, max_nfev=MOST_STEPS, ftol=1e-5)
        values = np.asarray(found.x)
        missed = seen - drain.expected(values)
        scatter = max(3.0, 1.4826 * float(np.median(np.abs(missed))))
        alike = alike_of(missed)
    cov = np.linalg.inv(found.jac.T @ found.jac) * WIDER**2
    if light is None:
        values[4] = cov[4, :] = cov[:, 4] = 0.0
    doubt = np.sqrt(np.diag(cov))
    grad = drain.used_day(values)
    asleep_off, active_off, holds_off, zero_mv, sun_off = (
        (float(values[n]), float(doubt[n])) for n in range(STARTS)
    )
    last = min(1.0, max(0.0, float(drain.left(values)[-1])))
    drawn = [0, 1, 2, 4]
    return CellFit(
        asleep=asleep_off,
        active=active_off,
        capacity=holds_off,
        sun=sun_off,
        zero_mv=zero_mv,
        charge=(last, math.hypot(CHARGE_DOUBT, float(doubt[-1]))),
        scatter_mv=scatter,
        used_day_mah=(float(grad[0] + grad[1]), math.sqrt(float(grad @ cov @ grad))),
        cov=cov[np.ix_(drawn, drawn)],
        wakes=(charges[0].n, charges[-1].n),
    )
