"""What other settings would have come to, beyond the wake from which a record tells no more.

What belongs here: the twin living on from that wake twice, under the settings that were in force
and under those asked about, and the comparison. What does not: the record's own answer
(replay/), words (told.py), the picture (drawn.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from wakewell.errors import BadInput
from wakewell.log.series import refill_of
from wakewell.log.times import DAY_S
from wakewell.replay.asked import Asked
from wakewell.simulate import trials
from wakewell.simulate.one_run import TrialResult
from wakewell.tuning import ahead, study
from wakewell.tuning.study import Study

LEAST_DAYS = 28.0  # foretold at least, however little of the record is left
DRAWS = 16
Interval = tuple[float, float, float]  # middle, low, high

# What is compared: (name, in words)
COMPARED = (
    ("water_week_ml", "ml of water a week"),
    ("waterings", "waterings"),
    ("below_days", "days below the refill point of now"),
    ("wilting_days", "days wilting"),
    ("saucer_ml", "ml run to the saucer"),
    ("refills", "refills of the tank"),
    ("charges", "charges of the cell"),
    ("lockouts", "lockouts"),
)


@dataclass
class Beyond:
    """Both lives of the twin from a wake on. rows: (name, in words, under the settings in force,
    under those asked about); kept, tried: the lives themselves, likewise."""

    wake: int
    time_s: float
    days: float
    draws: int
    asked: str
    weather: str
    rows: list[tuple[str, str, Interval, Interval]] = field(default_factory=list)
    kept: list[TrialResult] = field(default_factory=list)
    tried: list[TrialResult] = field(default_factory=list)


def folder_of(place: Path) -> Path:
    """The pot's folder that a log lies in. Raises BadInput where it lies in none."""
    for folder in (place, place.parent, place.parent.parent):
        if (folder / "pot.toml").is_file():
            return folder
    raise BadInput("the log lies in no pot's folder, so no twin can be made of it")


def of_log(place: Path, wished: Asked, number: int) -> tuple[Study, Beyond]:
    """The pot's twin, fitted to the log at that place, and what it foretells from that wake on.

    Raises BadInput where there is no twin.
    """
    found = study.held_out(study.fitted(study.opened(str(folder_of(place)))))
    return found, foretold(found, wished, number)


def foretold(found: Study, wished: Asked, number: int) -> Beyond:
    """The twin's two lives from wake `number` on. Raises BadInput with why it cannot tell."""
    now = found.now
    if now is None:
        raise BadInput(found.lacks[-1][1][0])
    if not found.trusted:
        why = found.held.why if found.held is not None else found.not_held
        raise BadInput(f"the twin did not pass its own check: {why}")
    wakes = now.evidence.wakes
    wake = next((w for w in wakes if w.n == number), None)
    if wake is None or wake.n <= now.evidence.looks[0].n:
        raise BadInput(
            f"wake {number} lies before wakes {now.evidence.first} to {now.evidence.last}, which "
            "the twin was fitted to"
        )
    lines = study.lines_of(found.log, wake)
    other = {**lines, "settings": wished.line(wake.ids[1])}
    try:
        allowed = trials.loaded(other).match
    except ValueError as why:
        raise BadInput(f"{wished.name}: {why}; correct it") from None
    if not allowed:
        raise BadInput(f"{wished.name}: outside the pot's hard limits, so it would never pump")
    days = max(LEAST_DAYS, (wakes[-1].time_s - wake.time_s) / DAY_S)
    state = ahead.state_at(found.log, wake, before=True)
    result = Beyond(wake.n, wake.time_s, days, DRAWS, wished.name, found.weather.text)
    for lived, with_lines in ((result.kept, lines), (result.tried, other)):
        lived += ahead.run(found.trial, now, days, with_lines, DRAWS, 0, state, wake.n)
    pot = found.log.pot_of(wake)
    refill = refill_of(pot) if pot is not None else 0
    both = [[_told(run, refill) for run in lived] for lived in (result.kept, result.tried)]
    for name, text in COMPARED:
        kept, tried = (ahead.foretold(rows, name) for rows in both)
        result.rows.append((name, text, kept, tried))
    return result


def _told(run: TrialResult, refill_ppt: int) -> dict[str, float]:
    assert run.history is not None
    return ahead.totals(run) | {
        "below_days": below(run.history.day, run.history.soil_ppt, refill_ppt)
    }


def below(days: Sequence[float], soil_ppt: Sequence[float], refill_ppt: int) -> float:
    """Days that the soil was below the refill point, by straight lines between the wakes."""
    total = 0.0
    for at in range(len(days) - 1):
        low, high = sorted((soil_ppt[at], soil_ppt[at + 1]))
        if high <= refill_ppt:
            share = 1.0
        elif low >= refill_ppt:
            share = 0.0
        else:
            share = (refill_ppt - low) / (high - low)
        total += share * (days[at + 1] - days[at])
    return total
