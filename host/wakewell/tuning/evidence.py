"""What of a log can teach a twin: readings and doses that are physics, and what is left out.

What belongs here: the looks at soil, tank and cell of one calibration, with the wakes they come
from, and why others do not count: hand waterings, gaps, lockouts, refills, visits. What does not:
the twin (twin.py), fitting (fit.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from wakewell.budget import sun
from wakewell.budget.forecast import APART_MV
from wakewell.log.series import PotLog, WakeRow
from wakewell.log.times import DAY_S

BY_HAND = "water by hand, or rain"
REFILL = "refill"
RISE_PPT = 12  # the soil rises by so much without a dose: somebody's can, or rain; own assumption
AFTER_DOSE_S = 1.5 * DAY_S  # so long after a dose the soil may still rise by itself
MOST_RISE = 2.0  # times what the dose should bring: more was not the dose alone
SETTLES_S = 1.0 * DAY_S  # after water by hand the pot is not fitted for so long
LEAST_WATERINGS = 3
LEAST_DAYS = 10.0


@dataclass(frozen=True)
class Look:
    """One wake as the soil's twin goes through it: what was read, what was poured then.

    time_s: since 1970. soil_ppt: None: not believed. celsius: of the soil, None: not measured.
    anew: the twin takes the reading as it is, for what lies before is not physics. counts: is the
    reading held against the twin?
    """

    time_s: float
    n: int
    soil_ppt: int | None
    celsius: float | None
    poured_ml: float
    anew: bool
    counts: bool


@dataclass(frozen=True)
class Fall:
    """Tank levels at the ends of a spell: what was commanded between, and what the tank lost.

    ran_ms of so many pulses; given_ml by the core's own count.
    """

    first: int
    last: int
    days: float
    ran_ms: int
    pulses: int
    given_ml: float
    lost_ml: float
    time_s: float


@dataclass(frozen=True)
class Charge:
    """The cell at rest, and what was used since the look before: in ms or, asleep, s.

    anew: it was charged, or nothing is known of the time before.
    """

    time_s: float
    n: int
    rest_mv: int
    celsius: float | None
    asleep_s: float
    awake_ms: int
    radio_ms: int
    ran_ms: int
    anew: bool


@dataclass
class Evidence:
    """What a span of the log under one calibration can teach.

    left_out: by reason, the wakes it happened in. waterings: doses with the soil's answer.
    """

    log: PotLog
    wakes: list[WakeRow]
    looks: list[Look] = field(default_factory=list)
    falls: list[Fall] = field(default_factory=list)
    charges: list[Charge] = field(default_factory=list)
    waterings: list[int] = field(default_factory=list)
    left_out: dict[str, list[int]] = field(default_factory=dict)

    @property
    def days(self) -> float:
        """From the first wake to the last."""
        return (self.wakes[-1].time_s - self.wakes[0].time_s) / DAY_S if self.wakes else 0.0

    @property
    def first(self) -> int:
        """The number of its first wake."""
        return self.wakes[0].n

    @property
    def last(self) -> int:
        """The number of its last wake."""
        return self.wakes[-1].n

    def leave_out(self, why: str, wake: WakeRow) -> None:
        """Note a wake that is no physics."""
        self.left_out.setdefault(why, []).append(wake.n)


def spans(wakes: Sequence[WakeRow]) -> list[list[WakeRow]]:
    """The wakes by calibration, in order: a change in the middle begins another span."""
    found: list[list[WakeRow]] = []
    for wake in wakes:
        if not found or found[-1][-1].ids[2] != wake.ids[2]:
            found.append([])
        found[-1].append(wake)
    return found


def of(log: PotLog, wakes: Sequence[WakeRow], rainy: bool) -> Evidence:
    """What those wakes can teach. rainy: the weather is known, so rain in it explains a rise."""
    found = Evidence(log, list(wakes))
    _soil(found, rainy)
    _tank(found)
    _cell(found)
    return found


def _soil(found: Evidence, rainy: bool) -> None:
    pot = found.log.pot_of(found.wakes[-1])
    per_ppt = pot.calibration.ul_per_ppt if pot else 0
    dosed_s, since_ml = -1e18, 0.0
    before: WakeRow | None = None  # the last one whose soil was believed
    settles_s = -1e18
    lost = True  # the next believed reading is taken as it is
    in_dose = False
    for wake in found.wakes:
        believed = wake.soil_ppt is not None and wake.soil_word == "good"
        if wake.gap and before is not None:
            found.leave_out("gap", wake)
            lost = True
        if wake.host or wake.button_ms:
            found.leave_out("visit", wake)
        if wake.lockouts:
            found.leave_out("lockout", wake)
        counts = believed and not wake.lockouts
        if believed and before is not None and before.soil_ppt is not None and not lost:
            assert wake.soil_ppt is not None
            rise = wake.soil_ppt - before.soil_ppt
            expected = 1000.0 * since_ml / per_ppt if per_ppt else 1000.0
            late = wake.time_s - dosed_s > AFTER_DOSE_S
            if rise > RISE_PPT and not rainy and (late or rise > RISE_PPT + MOST_RISE * expected):
                found.leave_out(BY_HAND, wake)
                settles_s = wake.time_s + SETTLES_S
                lost = True
        if not believed:
            found.leave_out("soil reading implausible", wake)
        anew = lost and believed
        if anew:
            lost = False
        settling = wake.time_s < settles_s
        poured = wake.delivered_ul / 1000.0
        found.looks.append(
            Look(
                wake.time_s,
                wake.n,
                wake.soil_ppt if believed else None,
                None if wake.temperature_mc is None else wake.temperature_mc / 1000.0,
                poured,
                anew or (settling and believed),
                counts and not anew and not settling,
            )
        )
        if poured > 0.0:
            if not in_dose:
                found.waterings.append(wake.n)
            dosed_s = wake.time_s
            since_ml += poured
        in_dose = wake.phase != "idle" if poured <= 0.0 else True
        if believed:
            before = wake
            if wake.time_s - dosed_s > AFTER_DOSE_S:
                since_ml = 0.0


def _tank(found: Evidence) -> None:
    """Falls of the level from look to look, refills and accidents left out."""
    pot = found.log.pot_of(found.wakes[-1])
    if pot is None or pot.calibration.float_only:
        return
    tolerance = max(1, pot.calibration.tolerance_ml)
    before: WakeRow | None = None
    ran = pulses = 0
    given = 0.0
    for wake in found.wakes:
        if wake.level_ml is not None and wake.level_word == "good" and wake.phase == "idle":
            if before is not None and before.level_ml is not None:
                lost = before.level_ml - wake.level_ml
                refilled = lost < -2 * tolerance
                if refilled or lost > given + 5 * tolerance:
                    found.leave_out(REFILL if refilled else "tank lost water", wake)
                elif wake.gap:
                    pass
                else:
                    days = (wake.time_s - before.time_s) / DAY_S
                    found.falls.append(
                        Fall(before.n, wake.n, days, ran, pulses, given, lost, wake.time_s)
                    )
            before, ran, pulses, given = wake, 0, 0, 0.0
        if wake.ran_ms and not wake.dry:
            ran, pulses = ran + wake.ran_ms, pulses + 1
            given += wake.delivered_ul / 1000.0


def _cell(found: Evidence) -> None:
    """Rest voltages with what was used between."""
    before: WakeRow | None = None
    asleep, awake, radio, ran = 0.0, 0, 0, 0
    told = found.log.about
    by_sun = told is not None and sun.charges(told)
    cells = told.battery.cells if told is not None and told.battery is not None else 1
    for wake in found.wakes:
        if before is not None:
            asleep += max(0.0, wake.time_s - before.time_s)
        radio += wake.radio_ms
        if wake.battery_mv is not None and wake.battery_word == "good" and not wake.ran_ms:
            last_mv = found.charges[-1].rest_mv if found.charges else wake.battery_mv
            rising = not by_sun and wake.battery_mv > last_mv + APART_MV * cells
            if rising:
                found.leave_out("cell charged", wake)
            found.charges.append(
                Charge(
                    wake.time_s, wake.n, wake.battery_mv,
                    None if wake.temperature_mc is None else wake.temperature_mc / 1000.0,
                    asleep, awake, radio, ran,
                    bool(rising or wake.gap or not found.charges),
                )
            )  # fmt: skip
            asleep, awake, radio, ran = 0.0, 0, 0, 0
        awake += wake.awake_ms
        ran += wake.ran_ms
        before = wake


def short(found: Evidence) -> list[str]:
    """What the log is too short or too tame to tell, with numbers and what would teach it."""
    lacks = []
    if found.days < LEAST_DAYS:
        lacks.append(f"{found.days:.0f} days of log; {LEAST_DAYS:.0f} are needed: let it run on")
    if len(found.waterings) < LEAST_WATERINGS:
        lacks.append(
            f"{len(found.waterings)} waterings; {LEAST_WATERINGS} are needed to tell what the soil "
            "holds: wait for them, or hold the button for a dose when the soil is due"
        )
    scored = [look for look in found.looks if look.counts]
    if len(scored) < 10:
        lacks.append(
            f"{len(scored)} soil readings that can be fitted; 10 are needed: a week of wakes every "
            "six hours teaches more than a month of daily ones"
        )
    return lacks


def reasons(found: Evidence) -> list[str]:
    """What was left out, by reason, with the wakes."""
    lines = []
    for why, wakes in sorted(found.left_out.items()):
        lines.append(f"{why}: {many_wakes(wakes)}")
    return lines


def many_wakes(wakes: Sequence[int]) -> str:
    """Numbers of wakes, runs of them joined; the first few."""
    runs: list[tuple[int, int]] = []
    for n in sorted(set(wakes)):
        if runs and n == runs[-1][1] + 1:
            runs[-1] = (runs[-1][0], n)
        else:
            runs.append((n, n))
    told = [f"{a}" if a == b else f"{a}-{b}" for a, b in runs[:5]]
    more = f" and {len(runs) - 5} more times" if len(runs) > 5 else ""
    return f"wake{'s' if len(set(wakes)) > 1 else ''} {', '.join(told)}{more}"
