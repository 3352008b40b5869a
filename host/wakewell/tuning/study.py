"""One pot's log studied: read, told apart by calibration, and a twin fitted to each span.

What belongs here: from a pot's folder to its fits. What does not: the numbers (fit.py), words
(told.py).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path

from wakewell.budget import inputs as budget
from wakewell.errors import BadInput
from wakewell.log import logs, series
from wakewell.log.series import PotLog
from wakewell.pot import description
from wakewell.simulate import trials
from wakewell.simulate.trials import Trial
from wakewell.tomlfile import show_path
from wakewell.tuning import evidence, fit, weather
from wakewell.tuning.evidence import Evidence
from wakewell.tuning.fit import Fit
from wakewell.tuning.weather import Weather


@dataclass
class Study:
    """A pot, its log and what was fitted. spans: of the log, by calibration, oldest first; fits:
    of those with enough in them; lacks: of each other, what it lacks. now: the newest fit."""

    folder: description.PotFolder
    log: PotLog
    trial: Trial
    weather: Weather
    inputs: budget.Inputs
    spans: list[Evidence] = field(default_factory=list)
    fits: list[Fit] = field(default_factory=list)
    lacks: list[tuple[Evidence, list[str]]] = field(default_factory=list)

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
    stands = folder.about.crop.stands if folder.about.crop else description.STANDS[0]
    if csv is not None:
        if not log.dated:
            raise BadInput(f"{name}: its log knows no date, so no weather belongs to it; leave out "
                           "--weather")  # fmt: skip
        sky = weather.measured(Path(csv), stands)
    else:
        sky = weather.typical(stands) if log.dated else weather.dateless(stands)
    trial = trials.of_pot(where)
    return Study(folder, log, trial, sky, budget.gather(folder, _day(log)))


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


def _day(log: PotLog) -> date:
    return datetime.fromtimestamp(log.wakes[-1].time_s, UTC).date()


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
        month = datetime.fromtimestamp(span[-1].time_s, UTC).month - 1
        spec = study.trial.spec
        study.fits.append(fit.fit(found, spec, study.weather, study.inputs, month))
    return study
