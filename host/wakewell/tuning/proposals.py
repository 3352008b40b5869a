"""Settings worth a try: searched with the quick twin, then lived on the rig with the real core.

What belongs here: what may be changed and how far, the search, what makes one set of settings
better than another, and what a few that differ in kind would do. What does not: the quick twin
(fast.py), words (told.py), taking one (taking.py).

The order: days of stress, then visits, then water through the saucer, then charge. Nothing is
proposed that makes an earlier one worse to better a later one. Hard limits stay as they are.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy.stats import qmc  # type: ignore[import-untyped]

from wakecore import fields, line
from wakecore.judge import WARN_MV
from wakecore.state import from_bytes
from wakewell.errors import BadInput
from wakewell.pot import pot_folder
from wakewell.pot.description import PotFolder
from wakewell.rig.pot import DAY_S
from wakewell.simulate import many_runs
from wakewell.simulate.one_run import TrialResult, run_trial
from wakewell.simulate.trials import Trial
from wakewell.tuning import ahead, evidence, study, troubles
from wakewell.tuning.fast import STEP_S, Lives
from wakewell.tuning.study import Study
from wakewell.tuning.troubles import Troubles

Numbers = NDArray[np.float64]
Settings = dict[str, int]
Interval = tuple[float, float, float]

MARKS = (28, 56, 84, 112, 182, 364)  # days after which it is remembered what was foretold
RELAXED = 1.5  # a hard limit is tried so many times as high, to see whether it holds the pot back
LEAST_HELD_DAYS = 1.0  # of stress in a year that a limit must cost to be named
ROUNDS, PRUNED = 2, 0.15  # of the local search; of a gain that a change must bring to stay in
LEAVE = "leave it"


@dataclass(frozen=True)
class Effort:
    """How much is searched: sets of settings (2 to that power), draws of each, draws on the rig,
    days that they live."""

    power: int = 8
    draws: int = 16
    rig: int = 20
    days: float = 365.0
    workers: int = 1
    dask: str | None = None


@dataclass(frozen=True)
class Range:
    """A setting that may be changed, and how far: least, most, a step."""

    name: str
    least: int
    most: int
    step: int

    def at(self, share: float) -> int:
        """The value so far along the range, 0 to 1."""
        if self.name == "wake_s":  # twice as often or half as often
            times = round(share * math.log2(self.most / self.least))
            return int(self.least * 2**times)
        steps = round(share * (self.most - self.least) / self.step)
        return min(self.most, self.least + steps * self.step)

    def near(self, value: int) -> list[int]:
        """A little and a good deal to either side."""
        if self.name == "wake_s":
            found = [value // 2, value * 2]
        else:
            found = [value + n * self.step for n in (-4, -1, 1, 4)]
        return [v for v in found if self.least <= v <= self.most]


@dataclass(frozen=True)
class Improvement:
    """A way to be better: the quantity to lower, by how much at least in a year (or that share of
    it), and what must not get worse for it."""

    name: str
    lowers: str
    least: float
    share: float
    keeps: tuple[str, ...]

    def least_in(self, days: float) -> float:
        """The least in that time: what is counted up grows with it, a mean does not."""
        return self.least if self.lowers in MEANS else self.least * days / 365.0


# How much more than now counts as no worse, in a year: mean, and what one draw in twenty may have
SAME = {
    "stressed_days": (0.25, 1.0), "wilting_days": (0.1, 0.5), "lockouts": (0.05, 0.5),
    "floor_ml": (10.0, 50.0), "airless_days": (1.0, 4.0), "visits": (0.25, 1.0),
    "saucer_ml": (150.0, 600.0),
}  # fmt: skip
MEANS = ("soil_ppt", "swing_ppt")  # all else is counted up
SAFE = ("wilting_days", "lockouts", "floor_ml", "airless_days")
ORDER = ("stressed_days", "visits", "saucer_ml", "used_mah")
KINDS = (
    Improvement("less stress", "stressed_days", 1.0, 0.1, ()),
    Improvement("fewer visits", "visits", 0.7, 0.1, ("stressed_days",)),
    Improvement("less through the saucer", "saucer_ml", 400.0, 0.25, ("stressed_days", "visits")),
    Improvement("drier", "soil_ppt", 12.0, 0.0, ("stressed_days", "visits", "saucer_ml")),
    Improvement("steadier", "swing_ppt", 2.0, 0.15, ("stressed_days", "visits", "saucer_ml")),
)
SHOWN = (
    "stressed_days", "visits", "saucer_ml", "used_mah", "water_week_ml", "waterings", "refills",
    "charges", "lockouts", "soil_ppt", "swing_ppt",
)  # fmt: skip


@dataclass
class Proposal:
    """settings: whole ones; changes: (as it is, proposed) of those that differ. effect: middle, low
    and high on the rig; against: of the difference to leaving it, by the same draws, and saves: by
    how much the mean of the draws has less of it; quick: what
    the quick twin said; matters: (setting, loss of the gain without it) of the two that do most;
    marks: effect after so many days."""

    kind: str
    settings: Settings
    changes: dict[str, tuple[int, int]] = field(default_factory=dict)
    effect: dict[str, Interval] = field(default_factory=dict)
    against: dict[str, Interval] = field(default_factory=dict)
    saves: dict[str, float] = field(default_factory=dict)
    quick: dict[str, float] = field(default_factory=dict)
    matters: list[tuple[str, float]] = field(default_factory=list)
    marks: dict[int, dict[str, Interval]] = field(default_factory=dict)


@dataclass
class Proposals:
    """rows: the first is to leave it; best: which is recommended. held_by: (hard limit, as it is,
    tried, days of stress less). fell: (kind, what was worse on the rig; "": hardly a gain there).
    origin: where the numbers come from."""

    first: int
    last: int
    time_s: float
    days: float
    draws: int
    tried: int
    rows: list[Proposal]
    best: int = 0
    held_by: list[tuple[str, int, int, float]] = field(default_factory=list)
    fell: list[tuple[str, str]] = field(default_factory=list)
    origin: list[str] = field(default_factory=list)


def ranges(now: Settings, lives: Lives, had: Troubles) -> list[Range]:
    """What may be changed, inside the hard limits. had: what has gone wrong so far."""
    limits, cal = lives.limits, lives.cal
    flow = max(0.1, lives.flow)
    pulse = min(limits.dose_ml, int(limits.pulse_ms * flow / 1000.0), 500)
    rows = [
        Range("depletion_ppt", 150, 750, 25),
        Range("fill_ppt", 700, 1000, 10),
        Range("pulse_ml", min(pulse, max(5, round(flow))), pulse, 5),
        Range("soak_s", 300, 3600, 300),
        # No longer than a day: thirst and leaks are told by the wake
        Range("wake_s", round(STEP_S), max(round(DAY_S), now["wake_s"]), 1),
    ]
    if not cal.float_only:
        least = max(now["reserve_ml"], limits.reserve_ml) + 2 * now["pulse_ml"]
        most = int(0.6 * lives.tank_most)
        if most > least:
            rows.append(Range("tank_warn_ml", least, most, max(10, 10 * round(most / 400))))
    if not now["mains"]:
        floor = max(now["battery_mv"], limits.rest_mv)
        least = max(floor, limits.radio_mv if now["radio_wakes"] else 0) + WARN_MV
        most = int(lives.curve[round(0.6 * (len(lives.curve) - 1))])
        if most > least:
            rows.append(Range("battery_warn_mv", least, most, 10))
    if not cal.ul_per_ppt:
        rows.append(Range("dose_ml", min(20, limits.dose_ml), limits.dose_ml, 10))
    if had.spells and limits.upkeep_ml:
        rows.append(Range("upkeep_ml", 0, limits.upkeep_ml, 5))
        rows.append(Range("upkeep_days", limits.upkeep_days, 14, 1))
    if now["radio_wakes"]:
        rows.append(Range("radio_wakes", 1, 7, 1))
    return [row for row in rows if row.most > row.least]


class SettingsSearch:
    """Sets of settings, judged by the same draws as those of now."""

    def __init__(
        self, folder: PotFolder, now: Settings, lives: Lives, had: Troubles, effort: Effort
    ) -> None:
        self.folder, self.now, self.lives, self.effort = folder, now, lives, effort
        self.ranges = ranges(now, lives, had)
        self.tried = 0
        self.usual = self.lived([now])

    def lived(self, some: Sequence[Settings], **limits: int) -> dict[str, Numbers]:
        """What the quick twin makes of each, in rows."""
        self.tried += len(some)
        workers = self.effort.workers if len(some) > 64 or self.effort.dask else 1
        size = math.ceil(len(some) / max(1, workers if not self.effort.dask else 8))
        parts = [some[at : at + size] for at in range(0, len(some), size)]
        work = many_runs.shared(
            partial(_quick, self.lives, limits), parts, workers, self.effort.dask
        )
        done = list(work)
        return {name: np.concatenate([one[name] for one in done]) for name in done[0]}

    def sane(self, one: Settings) -> bool:
        """Would the core water at all by it, inside its limits?"""
        cal = self.lives.cal
        refill = cal.capacity_ppt - (cal.capacity_ppt - cal.wilting_ppt) * one[
            "depletion_ppt"] / 1000.0  # fmt: skip
        target = cal.capacity_ppt * one["fill_ppt"] / 1000.0
        held = one["tank_warn_ml"] > one["reserve_ml"] + one["pulse_ml"] or cal.float_only
        return target > refill + one["response_ppt"] and bool(held) and allowed(self.folder, one)

    def spread(self) -> list[Settings]:
        """Points spread evenly over all that may be changed; those of now come first."""
        points = qmc.Sobol(len(self.ranges), seed=1).random_base2(self.effort.power)
        made = [
            self.now | {row.name: row.at(float(x)) for row, x in zip(self.ranges, one, strict=True)}
            for one in points
        ]
        return [self.now, *[one for one in made if self.sane(one)]]

    def near(self, middle: Settings) -> list[Settings]:
        """Its neighbours, one setting moved, and some with two."""
        single = [
            middle | {row.name: value}
            for row in self.ranges
            for value in row.near(middle[row.name])
        ]
        back = [middle | {row.name: self.now[row.name]} for row in self.ranges]
        random = np.random.default_rng(self.tried)
        pairs = []
        for _ in range(len(single)):
            a, b = random.choice(len(single), 2)
            pairs.append(single[a] | {k: v for k, v in single[b].items() if v != middle[k]})
        return [one for one in (*single, *back, *pairs) if self.sane(one)]

    def worse(self, found: Mapping[str, Numbers], names: Sequence[str]) -> NDArray[np.bool_]:
        """Which rows are worse than now in one of those."""
        return worse(found, self.usual, names, self.lives.days)

    def best(
        self, kind: Improvement, some: Sequence[Settings], found: Mapping[str, Numbers]
    ) -> Settings:
        """The best of them in that kind; those of now if none is."""
        bad = self.worse(found, (*SAFE, *kind.keeps))
        lowered = found[kind.lowers].mean(axis=1)
        # Where two are as good, the order decides, and then the fewer changes
        rough = [
            np.round(found[name].mean(axis=1) / max(1e-9, SAME.get(name, (5.0, 0.0))[0]))
            for name in ORDER
        ]
        width = max(1e-9, 0.02 * float(self.usual[kind.lowers].mean()) + 0.1 * kind.least)
        changes = np.array([sum(one[k] != v for k, v in self.now.items()) for one in some])
        keys = (changes, *reversed(rough), np.round(lowered / width), bad)
        return some[int(np.lexsort(keys)[0])]

    def pruned(self, kind: Improvement, one: Settings) -> tuple[Settings, list[tuple[str, float]]]:
        """Without the changes that hardly matter, and what is lost without each of the rest."""
        while True:
            changed = [name for name in one if one[name] != self.now[name]]
            if not changed:
                return one, []
            tries = [one, *[one | {name: self.now[name]} for name in changed]]
            found = self.lived(tries)
            means = found[kind.lowers].mean(axis=1)
            gain = float(self.usual[kind.lowers].mean() - means[0])
            bad = self.worse(found, (*SAFE, *kind.keeps))
            if gain <= 0.0 or bad[0]:
                return self.now, []
            lost = (means[1:] - means[0]) / gain
            # What keeps it safe stays, whatever it gains
            lost = np.where(bad[1:], np.maximum(lost, 1.0), lost)
            least = int(np.argmin(lost))
            if lost[least] > PRUNED or len(changed) == 1:
                ranked = sorted(zip(changed, lost.tolist(), strict=True), key=lambda row: -row[1])
                return one, ranked
            one = tries[1 + least]

    def of_kind(
        self, kind: Improvement, some: Sequence[Settings], found: Mapping[str, Numbers]
    ) -> Proposal | None:
        """The best of that kind, searched on from the best of `some`; None: none is worth it."""
        best = self.best(kind, some, found)
        for _ in range(ROUNDS):
            around = [best, *self.near(best)]
            best = self.best(kind, around, self.lived(around))
        best, matters = self.pruned(kind, best)
        if best == self.now:
            return None
        lived = self.lived([best])
        gain = self.usual[kind.lowers] - lived[kind.lowers]
        usual = float(self.usual[kind.lowers].mean())
        if float(gain.mean()) < max(kind.least_in(self.lives.days), kind.share * usual):
            return None
        quick = {name: float(row.mean()) for name, row in lived.items()}
        return Proposal(kind.name, best, quick=quick, matters=matters[:2])

    def held_by(self) -> list[tuple[str, int, int, float]]:
        """Hard limits that cost days of stress under the settings of now."""
        rows = []
        years = self.lives.days / 365.0
        if float(self.usual["stressed_days"].mean()) < LEAST_HELD_DAYS * years:
            return []
        for name in ("day_ml", "dose_ml", "pulses", "pulse_ms", "upkeep_ml"):
            was = int(getattr(self.lives.limits, name))
            more = max(was + 1, round(RELAXED * was))
            found = self.lived([self.now], **{name: more})
            less = float((self.usual["stressed_days"] - found["stressed_days"]).mean())
            if less >= LEAST_HELD_DAYS * years:
                rows.append((name, was, more, less))
        return rows


def _quick(lives: Lives, limits: Mapping[str, int], some: Sequence[Settings]) -> dict[str, Numbers]:
    return lives.live(some, **limits)


def worse(
    found: Mapping[str, Numbers], usual: Mapping[str, Numbers], names: Sequence[str], days: float
) -> NDArray[np.bool_]:
    """Which rows are worse than `usual` in one of those quantities, draw against draw."""
    first = next(iter(found.values()))
    bad = np.zeros(len(first), dtype=bool)
    for name in names:
        mean, seldom = (one * max(0.2, days / 365.0) for one in SAME[name])
        more = found[name] - usual[name]
        bad |= (more.mean(axis=1) > mean) | (np.quantile(more, 0.95, axis=1) > seldom)
    return bad


def in_force(found: Study) -> tuple[dict[str, bytes], Settings]:
    """The compiled lines in force at the log's end, and the settings in them by name."""
    lines = study.lines_of(found.log, found.log.wakes[-1])
    record, _ = line.decode(lines["settings"])
    assert record is not None
    return lines, {name: int(record.get(name, usual)) for name, _, _, usual in fields.SETTINGS}


def why_not(found: Study) -> str:
    """Why nothing is proposed from this fit; "" if something may be."""
    now = found.now
    if now is None:
        return found.lacks[-1][1][0]
    if now.odd:
        return f"the log contradicts the folder: {now.odd[0]}"
    if not found.trusted:
        why = found.held.why if found.held is not None else found.not_held
        return f"the twin did not pass its own check: {why}"
    if found.spans[-1] is not now.evidence:
        return (
            f"the calibration changed at wake {found.spans[-1].first}, and since then "
            f"{found.lacks[-1][1][0]}"
        )
    return ""


def made(found: Study, effort: Effort | None = None) -> Proposals:
    """What may be changed, and to what. Raises BadInput where the fit cannot be relied on."""
    effort = effort or Effort()
    now = found.now
    if (why := why_not(found)) or now is None:
        raise BadInput(f"nothing is proposed: {why}")
    lines, usual = in_force(found)
    had = troubles.of(now.evidence)
    base = replace(found.trial, owner=troubles.owner_of(had, found.trial.owner))
    lives = [
        (seed, troubles.drawn(had, trial, seed))
        for seed, trial in ahead.lives(base, now, effort.days, lines, max(effort.draws, effort.rig))
    ]
    state = ahead.state_at(found.log, found.log.wakes[-1])
    begun = from_bytes(state) if state else None
    known = begun.learned_ul_per_ppt if begun is not None else 0
    search = SettingsSearch(
        found.folder,
        usual,
        Lives([trial for _, trial in lives[: effort.draws]], known),
        had,
        effort,
    )
    spread = search.spread()
    swept = search.lived(spread)
    quick = {name: float(row.mean()) for name, row in search.usual.items()}
    rows = [Proposal(LEAVE, usual, quick=quick)]
    for kind in KINDS:
        one = search.of_kind(kind, spread, swept)
        if one is not None and all(one.settings != other.settings for other in rows):
            rows.append(one)
    wakes = now.evidence.wakes
    result = Proposals(
        now.evidence.first, now.evidence.last, wakes[-1].time_s, effort.days,
        min(effort.rig, len(lives)), search.tried, rows,
    )  # fmt: skip
    result.held_by = search.held_by()
    result.origin = _origin(found, had)
    _confirmed(result, lives[: effort.rig], lines, state, effort)
    return result


def allowed(folder: PotFolder, one: Settings) -> bool:
    """Do the pot's rules take those settings, with no warning that they do not have now?"""
    made = pot_folder.with_values(folder, "settings", one)
    # The text of a warning has the values in it; where it stands says which it is
    now = {(w.file, w.line) for w in folder.warnings}
    return not made.problems and not {(w.file, w.line) for w in made.warnings} - now


def compiled(lines: Mapping[str, bytes], one: Settings) -> dict[str, bytes]:
    """The compiled lines with those settings."""
    record, _ = line.decode(lines["settings"])
    assert record is not None
    return {**lines, "settings": bytes(line.encode(tuple(record), {**record, **one}))}


def _life(
    state: bytes, work: tuple[int, Trial]
) -> tuple[dict[str, float], dict[int, dict[str, float]]]:
    """One life on the rig: (totals at its end, totals at each mark)."""
    seed, trial = work
    marks: dict[int, dict[str, float]] = {}

    def note(result: TrialResult) -> None:
        marks[MARKS[len(marks)]] = told(result)

    until = [mark for mark in MARKS if mark < trial.days]
    result = run_trial(trial, seed, history=True, state=state, marks=until, at=note)
    return told(result), marks


def told(result: TrialResult) -> dict[str, float]:
    """What is asked of a life on the rig, its soil among it."""
    assert result.history is not None
    read = np.array([ppt for ppt in result.history.read_ppt if ppt is not None], dtype=float)
    found = ahead.totals(result)
    found["floor_ml"] = result.numbers()["floor_ml"]
    found["soil_ppt"] = float(read.mean()) if len(read) else 0.0
    found["swing_ppt"] = float(read.std()) if len(read) else 0.0
    return found


def _confirmed(
    result: Proposals, lives: Sequence[tuple[int, Trial]],
    lines: Mapping[str, bytes], state: bytes, effort: Effort,
) -> None:  # fmt: skip
    """Let each live on the rig; what does not hold there is taken out, and said."""
    known = [(one, compiled(lines, one.settings)) for one in result.rows]
    work = [(seed, replace(trial, lines=b)) for _, b in known for seed, trial in lives]
    done = list(many_runs.shared(partial(_life, state), work, effort.workers, effort.dask))
    count = len(lives)
    usual: dict[str, Numbers] = {}
    kept: list[Proposal] = []
    kinds = {kind.name: kind for kind in KINDS}
    for number, (one, _) in enumerate(known):
        mine = done[number * count : (number + 1) * count]
        rows = {name: np.array([[row[name] for row, _ in mine]]) for name in mine[0][0]}
        usual = usual or rows
        kind = kinds.get(one.kind)
        if kind is not None:
            gain = float((usual[kind.lowers] - rows[kind.lowers]).mean())
            more = [
                name for name in (*SAFE, *kind.keeps) if worse(rows, usual, (name,), result.days)[0]
            ]
            if more:
                result.fell.append((one.kind, more[0]))
                continue
            if gain < 0.5 * kind.least_in(result.days):
                result.fell.append((one.kind, ""))
                continue
        now = result.rows[0].settings
        one.changes = {k: (now[k], v) for k, v in one.settings.items() if now[k] != v}
        one.effect = {name: ahead.foretold([row for row, _ in mine], name) for name in SHOWN}
        one.against = {
            name: ahead.interval((rows[name] - usual[name])[0].tolist()) for name in SHOWN
        }
        one.saves = {name: float((usual[name] - rows[name]).mean()) for name in SHOWN}
        one.marks = {
            mark: {name: ahead.foretold([marks[mark] for _, marks in mine], name) for name in SHOWN}
            for mark in mine[0][1]
        }
        kept.append(one)
    result.rows = kept
    result.best = recommended(kept, result.days)


def recommended(rows: Sequence[Proposal], days: float) -> int:
    """The first in the order that is surely better than to leave it; 0: none is. It must be no
    worse in nine of ten draws, and better by their mean: what seldom goes wrong may go very wrong.
    """
    years = days / 365.0
    for name, least in (("stressed_days", 1.0), ("visits", 0.7), ("saucer_ml", 400.0)):
        better = [
            (-row.saves[name], number)
            for number, row in enumerate(rows)
            if number and row.saves[name] >= least * years and row.against[name][2] <= 0.0
        ]
        if better:
            return min(better)[1]
    return 0


def _origin(found: Study, had: Troubles) -> list[str]:
    """Where in the log the numbers of a proposal come from."""
    now = found.now
    assert now is not None
    span = now.evidence
    counted = [look.n for look in span.looks if look.counts]
    rows = [
        f"stress, water, soil, saucer: {len(counted)} readings in {evidence.many_wakes(counted)} "
        f"and {len(span.waterings)} waterings, {evidence.many_wakes(span.waterings)}",
    ]
    if now.tank is not None:
        rows.append(
            f"refills: {len(now.tank.wakes)} falls of the level, "
            f"{evidence.many_wakes(now.tank.wakes)}"
        )
    else:
        rows.append("refills: the tank of pot.toml and the calibrated flow; no level shows it")
    if now.cell is not None:
        rows.append(f"charge: rest voltages of wakes {now.cell.wakes[0]} to {now.cell.wakes[1]}")
    else:
        rows.append("charge: currents of pot.toml and calibration.toml; no voltages were fitted")
    return [*rows, *had.origin(), f"weather: {found.weather.text}"]
