"""Months of a pot's life in a second, the real core deciding every wake.

What belongs here: one run of a trial with what came of it, and its log. What does not: the
trial's format (trials.py), many runs (many_runs.py), the rig (rig/) and the picture (picture.py).
"""

from __future__ import annotations

import gzip
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from wakecore import line
from wakewell.kept import keep_old
from wakewell.log.logs import IN_FORCE
from wakewell.log.record import gist_of
from wakewell.replay.verdicts import Verdicts
from wakewell.rig.errors import Stopped
from wakewell.rig.pot import DAY_S, RigPot
from wakewell.rig.soil import Container
from wakewell.simulate.people import Household
from wakewell.simulate.rig_board import LogInMemory, RigBoard
from wakewell.simulate.trials import Trial
from wakewell.units import water

WILTED_DAYS = 0.5  # below wilting for longer, or more on the floor, is told in the last line
FLOOR_ML = 50.0
LOG_NAME = "00000001.jsonl"
NEVER_DAYS = 9999.0  # a longer autonomy is shown as this


@dataclass
class Supplied:
    """For how many seconds the board was up, and for how many of them the tank had water above the
    reserve.

    The time after an empty tank or cell says nothing about how long a full one lasts.
    """

    up_s: float = 0.0
    wet_s: float = 0.0
    wet: bool = True

    def to(self, up_s: float, wet: bool) -> None:
        """The board has been up for so long. wet: is there water to use from now on?"""
        if self.wet:
            self.wet_s += up_s - self.up_s
        self.up_s, self.wet = up_s, wet


@dataclass
class History:
    """What a picture needs beside the log: for each wake, time in days and what was then true.

    n: the number of its record; None: no wake, but a day on which the cell could not carry the
    board. soil_ppt: as it truly was; read_ppt: as the pot read it, None: not believed. charge: a
    share of what the battery holds. doses: how many there were by then.
    """

    day: list[float] = field(default_factory=list)
    n: list[int | None] = field(default_factory=list)
    soil_ppt: list[float] = field(default_factory=list)
    read_ppt: list[int | None] = field(default_factory=list)
    tank_ml: list[float] = field(default_factory=list)
    rest_mv: list[float] = field(default_factory=list)
    charge: list[float] = field(default_factory=list)
    doses: list[int] = field(default_factory=list)


@dataclass
class TrialResult:
    """What came of one run. pot: the rig's pot as it ended, with all its books.

    stopped: why a run ended before its time, "" if it did not.
    """

    trial: Trial
    seed: int
    pot: RigPot
    board: RigBoard
    verdicts: Verdicts
    people: Household
    days: float = 0.0
    stopped: str = ""
    began_with_ml: float = 0.0
    supplied: Supplied = field(default_factory=Supplied)
    history: History | None = None
    log: LogInMemory | None = None

    @property
    def needs(self) -> Counter[str]:
        """In how many wakes somebody was asked for what."""
        return self.verdicts.needs

    @property
    def good(self) -> bool:
        """Ran to its end with every requirement held."""
        return not self.stopped and all(v.held for v in self.verdicts.verdicts())

    def numbers(self) -> dict[str, Any]:
        """The result as numbers by name: one row of a Monte Carlo. None: never used."""
        seen, tally, counts = self.verdicts, self.pot.soil.tally, self.pot.counts
        return {
            "seed": self.seed,
            "days": self.days,
            "stopped": int(bool(self.stopped)),
            "wakes": seen.wakes,
            "doses": seen.doses,
            "pulses": seen.pulses,
            "trips": sum(seen.trips.values()),
            "lockouts": sum(seen.lockouts.values()),
            "broken": sum(not v.held for v in seen.verdicts()),
            "wilting_days": tally.drooping_s / DAY_S,
            "stressed_days": tally.stressed_s / DAY_S,
            "waterlogged_days": tally.airless_s / DAY_S,
            "pumped_ml": counts.pumped_ml,
            "siphoned_ml": counts.siphoned_ml,
            "saucer_ml": tally.percolated_ml,
            "floor_ml": tally.floor_ml + counts.missed_ml + counts.leaked_ml + counts.brim_ml,
            "transpired_ml": tally.transpired_ml,
            "refilled_ml": counts.refilled_ml,
            "tank_autonomy_days": self.tank_days(),
            "battery_autonomy_days": self.battery_days(),
            "used_mah": self.pot.counts.used_mah,
            "charged_mah": counts.charged_mah,
            "lowest_start_mv": seen.lowest_start_mv or 0,
            "brownouts": counts.brownouts,
        }

    def tank_days(self) -> float | None:
        """How long a full tank lasts, above its reserve, at the run's own mean use while there was
        water to use. What leaks away is no use. None: it was never used."""
        pot = self.board.in_force
        reserve = max(pot.settings.reserve_ml, pot.limits.reserve_ml)
        usable = self.trial.spec.tank.capacity_ml - reserve
        return _lasts(usable, self.pot.counts.pumped_ml, self.supplied.wet_s)

    def battery_days(self) -> float | None:
        """How long a full cell lasts, to nothing, at the run's own mean use while the board was up.
        None: it was never used."""
        used = self.pot.counts.used_mah - self.board.down_mah
        return _lasts(self.trial.spec.cell.capacity_mah, used, self.supplied.up_s)


def _lasts(amount: float, used: float, seconds: float) -> float | None:
    """Days of an amount of which so much was used in that time."""
    if used <= 0.0 or seconds <= 0.0:
        return None
    return min(NEVER_DAYS, amount / used * (seconds / DAY_S))


def run_trial(
    trial: Trial,
    seed: int | None = None,
    history: bool = False,
    log: bool = False,
    state: bytes = b"",
    marks: Sequence[float] = (),
    at: Callable[[TrialResult], None] = lambda result: None,
) -> TrialResult:
    """Run a trial through the rig and the core. One seed reproduces everything.

    seed: instead of the trial's own. history: keep what a picture needs; with a panel it is
    always kept. log: keep the field log. state: the retained state, as stored, that the board
    begins with; none: a new board's.
    at: called with the result so far when each of `marks` (days, rising) is over.
    A state that no pot can be in ends the run early; the result says when and why.
    """
    seed = trial.seed if seed is None else seed
    in_force = trial.in_force()
    pot = RigPot(trial.spec, seed)
    people = Household(trial.owner, trial.visits, seed)
    verdicts = Verdicts()
    kept = History() if history or trial.spec.panel.peak_mw else None
    supplied = Supplied()

    def seen(record: dict[str, Any]) -> None:
        verdicts.see(gist_of(record), in_force)
        # As the core judged it; where it knows no level, there may be water.
        wet = record["permissives"]["reserve"] or record["values"]["level_ml"] is None
        supplied.to(pot.t_s - board.down_s, bool(wet))
        if kept is not None:
            read_ppt = record["values"]["soil_ppt"]
            _keep(kept, pot, verdicts.doses, pot.seen_soil, record["n"], read_ppt)

    def dark() -> None:
        # One entry a day is enough, and one at the trial's end.
        if kept is not None:
            last = kept.day[-1] if kept.day else -1.0
            if pot.t_s >= (last + 1.0) * DAY_S or pot.t_s >= trial.days * DAY_S:
                _keep(kept, pot, verdicts.doses, pot.soil_now(), None)

    habits = trial.habits
    board = RigBoard(
        pot, in_force, LogInMemory() if log else None, seen, people,
        habits.awake_s, habits.radio_s, habits.samples, trial.begins, habits.mains_ma, dark,
    )  # fmt: skip
    if state:
        board.slots.slots[0] = state
        board.cause, board.slept_from = "timer", pot.clock_s  # it goes on from that state
    result = TrialResult(trial, seed, pot, board, verdicts, people, history=kept)
    result.log, result.began_with_ml = board.field_log, pot.stored_ml()
    result.supplied = supplied
    try:
        for mark in marks:
            board.run(min(mark, trial.days) * DAY_S)
            result.days = pot.t_s / DAY_S
            at(result)
        board.run(trial.days * DAY_S)
    except Stopped as stop:
        result.stopped = str(stop)
    result.days = pot.t_s / DAY_S
    supplied.to(pot.t_s - board.down_s, False)
    return result


def _keep(
    kept: History, pot: RigPot, doses: int, soil: Container, n: int | None,
    read_ppt: int | None = None,
) -> None:  # fmt: skip
    """One entry more. soil: as the probe saw it, or as it is by now."""
    kept.day.append(pot.t_s / DAY_S)
    kept.n.append(n)
    kept.soil_ppt.append(1000.0 * soil.probe_content)
    kept.read_ppt.append(read_ppt)
    kept.tank_ml.append(pot.line.tank_ml)
    kept.rest_mv.append(pot.battery.rest_mv(pot.air_c))
    kept.charge.append(pot.battery.charge_mah / pot.battery.capacity_mah)
    kept.doses.append(doses)


def write_log(result: TrialResult, folder: Path, packed: bool = False) -> Path:
    """Write a run's field log as `pull` would: the log and, in `in-force/`, the files behind it.

    packed: as gzip, the same bytes for the same run.
    """
    assert result.log is not None
    (folder / IN_FORCE).mkdir(parents=True, exist_ok=True)
    for data in result.trial.lines.values():
        (folder / IN_FORCE / f"{line.identity(data)}.json").write_bytes(data + b"\n")
    text = b"".join(result.log.lines)
    path = folder / (LOG_NAME + (".gz" if packed else ""))
    keep_old(path)
    path.write_bytes(gzip.compress(text, mtime=0) if packed else text)
    return path


def last_line(results: list[TrialResult]) -> str:
    """The result of all runs. Requirements that hold are not enough: the plant has to live."""
    suffered = []
    for result in results:
        now, came = result.numbers(), []
        if now["wilting_days"] >= WILTED_DAYS:
            came.append(f"{now['wilting_days']:.1f} days below wilting")
        if now["floor_ml"] >= FLOOR_ML:
            came.append(f"{water(now['floor_ml'])} on the floor")
        if came:
            suffered.append(f"{result.trial.name} {' and '.join(came)}")
    count = f"{len(results)} simulated"
    if not all(result.good for result in results):
        return ", ".join([f"{count}, NOT all good", *suffered])
    if suffered:
        return f"{count}, every requirement held, but: {', '.join(suffered)}"
    return f"{count}, all good"
