"""One pot's log studied: read, told apart by calibration, and a twin fitted to each span.

What belongs here: from a pot's folder to its fits. What does not: the numbers (fit.py), words
(told.py).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from pathlib import Path

from wakewell.budget import inputs as budget
from wakewell.budget.doubt import Z90
from wakewell.errors import BadInput
from wakewell.log import logs, series
from wakewell.log.series import PotLog, WakeRow
from wakewell.log.times import DAY_S
from wakewell.pot import description
from wakewell.simulate import trials
from wakewell.simulate.one_run import run_trial
from wakewell.simulate.trials import Trial
from wakewell.tomlfile import show_path
from wakewell.tuning import ahead, evidence, fit, heldout, pooled, troubles, weather
from wakewell.tuning.evidence import Evidence
from wakewell.tuning.fit import Fit
from wakewell.tuning.heldout import HeldOut
from wakewell.tuning.pooled import Pool
from wakewell.tuning.twin import Course, Numbers
from wakewell.tuning.weather import Weather

FEW = 32  # twins that live through the part held out; of 16 the outermost would be the band


@dataclass
class Study:
    """A pot, its log and what was fitted. spans: of the log, by calibration, oldest first; fits:
    of those with enough in them; lacks: of each other, what it lacks. now: the newest fit; held:
    how it did on the part of its log that it had not seen."""

    folder: description.PotFolder
    log: PotLog
    trial: Trial
    weather: Weather
    inputs: budget.Inputs
    spans: list[Evidence] = field(default_factory=list)
    fits: list[Fit] = field(default_factory=list)
    lacks: list[tuple[Evidence, list[str]]] = field(default_factory=list)
    held: HeldOut | None = None
    others: list[tuple[str, Fit]] = field(default_factory=list)  # of pots that share what they know
    pool: Pool | None = None
    not_held: str = ""  # why there is no part to hold out

    @property
    def trusted(self) -> bool:
        """May something be proposed from it? Only if it passed its own check."""
        return self.held is not None and not self.held.why

    def pooled(self, doubts: Numbers) -> tuple[Numbers, Numbers]:
        """What the others say, in place of what is believed of any pot: (numbers, their doubt)."""
        self.pool = pooled.of(self.others, doubts)
        return self.pool.values, self.pool.doubts

    @property
    def now(self) -> Fit | None:
        """The twin of the pot as it is now."""
        return self.fits[-1] if self.fits else None


def opened(path: str, csv: str | None = None) -> Study:
    """A pot's folder with its log, not yet fitted. csv: weather of the place. Raises BadInput."""
    folder = budget.open_folder(path)
    where = folder.path
    name = show_path(str(where))
    found = logs.find_logs(where / "logs") if (where / "logs").is_dir() else []
    if not found:
        raise BadInput(f"{name}: no logs/ with a field log; fetch it with wakewell pull {name}")
    place, files = found[0]
    log = series.read(folder.name, place, files)
    if not log.wakes:
        raise BadInput(f"{name}: no wake in its log can be read; see wakewell replay {name}")
    if log.pot is None:
        text = f"{name}: the files that were in force are not beside the log; keep the folder "
        raise BadInput(f"{text}{logs.IN_FORCE}/ that came with it")
    _same_pot(name, folder, log)
    assert folder.about is not None
    crop = folder.about.crop or description.Crop()
    if csv is not None:
        if not log.true_dates:
            raise BadInput(f"{name}: its log knows no date, so no weather belongs to it; leave out "
                           "--weather")  # fmt: skip
        sky = weather.measured(Path(csv), crop, (_day(log.wakes[0]), _day(log.wakes[-1])))
    else:
        sky = weather.typical(crop) if log.true_dates else weather.dateless(crop)
    trial = trials.of_pot(where)
    return Study(folder, log, trial, sky, budget.gather(folder, _day(log.wakes[-1])))


def _same_pot(name: str, folder: description.PotFolder, log: PotLog) -> None:
    """BadInput where the log cannot be this folder's pot's."""
    tank_ml = folder.about.tank.volume_ml if folder.about else 0
    pot = log.pot
    if pot is None or pot.calibration.float_only:
        return
    tolerance = max(1, pot.calibration.tolerance_ml)
    for wake in log.wakes:
        if wake.level_ml is not None and wake.level_ml > 1.1 * tank_ml + 5 * tolerance:
            raise BadInput(
                f"{log.place_text(wake)}: wake {wake.n} read {wake.level_ml} ml in the tank, and "
                f"{name}/pot.toml has a tank of {tank_ml} ml: this log is of another pot, or "
                "tank.volume_ml is wrong"
            )


def _day(wake: WakeRow) -> date:
    return datetime.fromtimestamp(wake.time_s, UTC).date()


def fitted(study: Study, until_s: float | None = None) -> Study:
    """Fit every span of the log that has enough in it. until_s: with nothing from after it."""
    wakes = [w for w in study.log.wakes if until_s is None or w.time_s <= until_s]
    for span in evidence.spans(wakes):
        found = evidence.of(study.log, span, study.weather.rains)
        study.spans.append(found)
        lacks = evidence.short(found)
        if lacks:
            study.lacks.append((found, lacks))
            continue
        study.fits.append(_fit(study, found, span[-1].time_s))
    return study


def _fit(study: Study, found: Evidence, end_s: float) -> Fit:
    """The twin by that part of the log, which ends then."""
    month = datetime.fromtimestamp(end_s, UTC).month - 1
    share = study.pooled if study.others else None
    return fit.fit(found, study.trial.spec, study.weather, study.inputs, month, share)


def _kind(about: description.About) -> dict[str, str]:
    """What pots of one kind have in common, where it is told."""
    crop = about.crop
    told = {"crop.habit": crop.habit, "crop.stands": crop.stands} if crop is not None else {}
    return {"planter.substrate": about.planter.substrate, **told}


def with_others(study: Study, paths: Sequence[str]) -> Study:
    """Let pots of the same kind say first what is likely. Raises BadInput where one is of another
    kind, or its log tells too little."""
    for path in paths:
        other = opened(path)
        name = show_path(path)
        assert study.folder.about is not None
        assert other.folder.about is not None
        for known, log in [
            ("this pot", study.log),
            *[(n, f.evidence.log) for n, f in study.others],
        ]:
            if other.log.wakes[-1] == log.wakes[-1]:
                raise BadInput(
                    f"--with {name}: its log is that of {known}, which would count twice; leave it "
                    "out"
                )
        mine, its = _kind(study.folder.about), _kind(other.folder.about)
        for key in mine.keys() & its.keys():
            if mine[key] != its[key]:
                raise BadInput(
                    f"--with {name}: {key} is {its[key]}, and {mine[key]} here: pots of one kind "
                    "have the same substrate, plant and place; leave it out"
                )
        if fitted(other).now is None:
            raise BadInput(f"--with {name}: {other.lacks[-1][1][0]}; leave it out")
        assert other.now is not None
        study.others.append((name, other.now))
    return study


def lines_of(log: PotLog, wake: WakeRow) -> dict[str, bytes]:
    """The compiled settings, limits and calibration that were in force in a wake.

    Raises BadInput where one is not kept beside the log.
    """
    keep = logs.InForce(log.files[0].parent)
    kinds = ("settings", "limits", "calibration")
    found = {kind: keep(identity) for kind, identity in zip(kinds, wake.ids, strict=True)}
    lacking = [kind for kind, data in found.items() if data is None]
    if lacking:
        text = f"{log.place_text(wake)}: the {lacking[0]} in force are not kept beside the log"
        raise BadInput(f"{text}; keep the folder {logs.IN_FORCE}/ that came with it")
    return {kind: data for kind, data in found.items() if data is not None}


def held_out(study: Study) -> Study:
    """Judge the newest fit's kind: fit the first part of its span alone, foretell the rest."""
    now = study.now
    if now is None:
        return study
    span = now.evidence.wakes
    split_s = span[0].time_s + heldout.FIRST_PART * (span[-1].time_s - span[0].time_s)
    known = study.weather
    early = evidence.of(study.log, [w for w in span if w.time_s < split_s], known.rains)
    if lacks := evidence.short(early):
        study.not_held = f"the first two thirds of it are too little to fit alone: {lacks[0]}"
        return study
    fitted_early = _fit(study, early, split_s)
    late = [look for look in now.looks if look.time_s >= split_s]
    course = Course(fitted_early.spec, known.climate, [*fitted_early.looks, *late], known.known)
    study.held = heldout.judged(course, fitted_early.soil, split_s)
    lived = [w for w in span if w.time_s >= split_s]
    begins = fitted_early.evidence.wakes[-1]
    days = (lived[-1].time_s - begins.time_s) / DAY_S
    in_force = lines_of(study.log, lived[0])
    state = ahead.state_at(study.log, begins)
    had = troubles.of(fitted_early.evidence)
    base = replace(study.trial, owner=troubles.owner_of(had, study.trial.owner))
    runs = [
        run_trial(troubles.drawn(had, trial, seed), seed, history=True, state=state)
        for seed, trial in ahead.lives(base, fitted_early, days, in_force, FEW)
    ]
    totals = [ahead.totals(run) for run in runs]
    doses = [d for d in study.log.waterings if split_s <= d.time_s <= lived[-1].time_s]
    study.held.last_known = begins.n
    pot, cell = study.log.pot_of(begins), fitted_early.cell
    reads = {"waterings": (0.0, 0.0)}
    if pot is not None and not pot.calibration.float_only:
        reads["level_ml"] = 0.0, float(max(1, pot.calibration.tolerance_ml))
    if cell is not None:
        zero_mv, doubt_mv = cell.zero_mv
        reads["battery_mv"] = zero_mv, Z90 * math.hypot(cell.scatter_mv, doubt_mv)
    study.held.lived = ahead.along(runs, begins.time_s, lived, doses, reads)
    true = {
        "waterings": float(len(doses)),
        "water_week_ml": sum(w.delivered_ul for w in lived) / 1000.0 / days * 7.0,
    }
    for name, was in true.items():
        row = ahead.foretold(totals, name)
        study.held.totals.append((name, was, *row))
    if study.held.too_few:
        unlike = heldout.by_water(study.held.totals)
        study.held.why = f"{study.held.why}, {unlike}" if unlike else ""
    return study
