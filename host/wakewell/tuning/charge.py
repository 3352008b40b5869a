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
    board, pump_ma = spec.board, spec.pump.running_ma
    asleep = np.array([(board.sleep_ua + board.leak_ua) / 1000.0 * c.asleep_s / 3600.0
                       for c in charges])  # fmt: skip
    active = np.array([
        (board.awake_ma * c.awake_ms + board.radio_ma * c.radio_ms + pump_ma * c.ran_ms) / 3.6e6
        for c in charges
    ])  # fmt: skip
    given = np.zeros(len(charges))
    if light is not None:
        given[1:] = np.diff([light.until(c.time_s) for c in charges])
    cells, chemistry = spec.cell.cells, spec.cell.chemistry
    seen = np.array([float(c.rest_mv) for c in charges])
    celsius = np.array([20.0 if c.celsius is None else c.celsius for c in charges])
    warm, share = zip(*CHEMISTRIES[chemistry].usable, strict=True)
    usable = np.interp(celsius, warm, share)
    full = spec.cell.capacity_mah
    fades = spec.cell.fades_pct_month / 100.0 / 30.0  # of the charge, a day
    days = np.array([c.asleep_s for c in charges]) / 86_400.0
    starts = [n for n, c in enumerate(charges) if c.anew] or [0]
    starts[0] = 0
    curve = np.array(spec.cell.open_mv, dtype=float)
    grid = np.linspace(0.0, 1.0, len(curve))

    def charge(values: Numbers, moved: Numbers) -> Numbers:
        """The share left at each look: dQ/dt = -I - k Q, as the rig's cell has it, never above all
        that it holds. moved: shares drawn, less what was given."""
        left = np.empty(len(charges))
        for number, (first, end) in enumerate(pairwise([*starts, len(charges)])):
            used, since = moved[first:end].copy(), days[first:end].copy()
            used[0] = since[0] = 0.0
            begin = float(values[STARTS + number])
            if light is None:
                grown = np.exp(fades * np.cumsum(since))
                left[first:end] = (begin - np.cumsum(used * grown)) / grown
                continue
            keeps = np.exp(-fades * since)
            for n in range(end - first):
                begin = min(1.0, begin * keeps[n] - used[n])
                left[first + n] = begin
        return left

    def left_of(values: Numbers) -> Numbers:
        drawn = math.exp(values[0]) * asleep + math.exp(values[1]) * active
        return charge(values, (drawn - math.exp(values[4]) * given) / (full * math.exp(values[2])))

    def expected(values: Numbers) -> Numbers:
        reach = np.maximum(0.0, (left_of(values) - (1.0 - usable)) / usable)
        shown: Numbers = np.interp(reach, grid, curve) + values[3]
        return shown

    begins, off = [], []
    for first in starts:
        at, doubt_at = charge_within(seen[first] / cells, chemistry)
        begins.append(at * usable[first] + 1.0 - usable[first])
        off.append(max(BEGIN_DOUBT, doubt_at))
    believed = np.array([0.0, 0.0, 0.0, 0.0, 0.0, *begins])
    spread = np.array([*doubts, HOLDS_DOUBT, ZERO_MV * cells, SUN, *off])
    scatter, alike = 12.0, 0.5
    values = believed
    for _ in range(ROUNDS):
        wide = scatter * math.sqrt((1.0 + alike) / (1.0 - alike))

        def residuals(v: Numbers, wide: float = wide) -> Numbers:
            return np.concatenate(((seen - expected(v)) / wide, (v - believed) / spread))

        found = least_squares(residuals, values, x_scale=spread, max_nfev=MOST_STEPS, ftol=1e-5)
        values = np.asarray(found.x)
        missed = seen - expected(values)
        scatter = max(3.0, 1.4826 * float(np.median(np.abs(missed))))
        alike = alike_of(missed)
    cov = np.linalg.inv(found.jac.T @ found.jac) * WIDER**2
    if light is None:
        values[4] = cov[4, :] = cov[:, 4] = 0.0
    doubt = np.sqrt(np.diag(cov))
    span = max(1.0, float(sum(days[1:])))
    grad = np.zeros(len(values))
    grad[0] = math.exp(values[0]) * float(np.sum(asleep[1:])) / span
    grad[1] = math.exp(values[1]) * float(np.sum(active[1:])) / span
    asleep_off, active_off, holds_off, zero_mv, sun_off = (
        (float(values[n]), float(doubt[n])) for n in range(STARTS)
    )
    last = min(1.0, max(0.0, float(left_of(values)[-1])))
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
