"""`wakewell simulate`: months of a pot's life in a second, the real core deciding every wake.

What belongs here: the command, and one run of a trial with what came of it. What does not: the
trial's format (trials.py), many runs (many_runs.py), the rig (rig/) and the picture (picture.py).
"""

from __future__ import annotations

import argparse
import errno
import gzip
import json
import sys
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from wakecore import line
from wakewell import drawing
from wakewell.core import core_id
from wakewell.errors import BadInput
from wakewell.log.logs import IN_FORCE, day_text
from wakewell.replay.verdicts import LOCKOUT_RULES, LOCKOUT_WAYS, TRIP_RULES, Verdicts
from wakewell.report import page_files
from wakewell.rig.errors import Impossible, Stopped
from wakewell.rig.libraries import Missing
from wakewell.rig.pot import DAY_S, RigPot
from wakewell.rig.soil import Container
from wakewell.simulate import many_runs, trials
from wakewell.simulate.people import Household
from wakewell.simulate.rig_board import Log, RigBoard
from wakewell.simulate.trials import Trial
from wakewell.tomlfile import show_path

MOST_SHOWN = 10
WILTED_DAYS = 0.5  # below wilting for longer, or more on the floor, is told in the last line
FLOOR_ML = 50.0
LOG_NAME = "00000001.jsonl"
NEVER_DAYS = 9999.0  # an autonomy longer than this is not told apart from it


@dataclass
class Supplied:
    """How long there was something to use, s: by a board that was up, water above the reserve.

    What followed an empty tank or cell says nothing about how long a full one lasts.
    """

    up_s: float = 0.0
    wet_s: float = 0.0
    wet: bool = True

    def to(self, up_s: float, wet: bool) -> None:
        """The board has been up so long by now. wet: whether there is water to use from here."""
        if self.wet:
            self.wet_s += up_s - self.up_s
        self.up_s, self.wet = up_s, wet


@dataclass
class History:
    """What a picture needs beside the log: for each wake, time in days and what was then true.

    n: the number of its record; None: no wake, but a day on which the cell could not carry the
    board.
    """

    day: list[float] = field(default_factory=list)
    n: list[int | None] = field(default_factory=list)
    soil_ppt: list[float] = field(default_factory=list)
    tank_ml: list[float] = field(default_factory=list)
    rest_mv: list[float] = field(default_factory=list)


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
    log: Log | None = None

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
    trial: Trial, seed: int | None = None, history: bool = False, log: bool = False
) -> TrialResult:
    """Run a trial through the rig and the core. One seed reproduces everything.

    seed: instead of the trial's own. history: keep what a picture needs. log: keep the field log.
    A state that no pot can be in ends the run early; the result says when and why.
    """
    seed = trial.seed if seed is None else seed
    in_force = trial.in_force()
    pot = RigPot(trial.spec, seed)
    people = Household(trial.owner, trial.visits, seed)
    verdicts = Verdicts()
    kept = History() if history else None
    supplied = Supplied()

    def seen(record: dict[str, Any]) -> None:
        verdicts.see(record, in_force)
        # By the core's own word; where it knows no level, there may be water.
        wet = record["permissives"]["reserve"] or record["values"]["level_ml"] is None
        supplied.to(pot.t_s - board.down_s, bool(wet))
        if kept is not None:
            _keep(kept, pot, pot.seen_soil, record["n"])

    def dark() -> None:
        # One a day is enough, and one at the trial's end.
        if kept is not None:
            last = kept.day[-1] if kept.day else -1.0
            if pot.t_s >= (last + 1.0) * DAY_S or pot.t_s >= trial.days * DAY_S:
                _keep(kept, pot, pot.soil_now(), None)

    habits = trial.habits
    board = RigBoard(
        pot, in_force, Log() if log else None, seen, people,
        habits.awake_s, habits.radio_s, habits.samples, trial.begins, habits.mains_ma, dark,
    )  # fmt: skip
    result = TrialResult(trial, seed, pot, board, verdicts, people, history=kept)
    result.log, result.began_with_ml = board.field_log, pot.stored_ml()
    result.supplied = supplied
    try:
        board.run(trial.days * DAY_S)
    except Stopped as stop:
        result.stopped = str(stop)
    result.days = pot.t_s / DAY_S
    supplied.to(pot.t_s - board.down_s, False)
    return result


def _keep(kept: History, pot: RigPot, soil: Container, n: int | None) -> None:
    """One entry more. soil: as the probe saw it, or as it is by now."""
    kept.day.append(pot.t_s / DAY_S)
    kept.n.append(n)
    kept.soil_ppt.append(1000.0 * soil.probe_content)
    kept.tank_ml.append(pot.line.tank_ml)
    kept.rest_mv.append(pot.battery.rest_mv(pot.air_c))


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


def keep_old(path: Path) -> None:
    """What stands where a file is to be written is kept beside it, as NAME.old."""
    if path.is_dir():
        raise IsADirectoryError(errno.EISDIR, "a folder stands there; name a file")
    if path.exists():
        path.replace(path.with_name(path.name + ".old"))


def lines_of(result: TrialResult) -> Iterator[str]:
    """The result in words, for a person."""
    trial, seen, now = result.trial, result.verdicts, result.numbers()
    yield f"{trial.name}: {trial.title}"
    for note in trial.notes:
        yield f"  note     {note}"
    yield (
        f"  run      {result.days:.0f} days from {day_text(trial.begins)}, seed {result.seed}: "
        f"{seen.wakes} wakes, {seen.doses} waterings in {seen.pulses} pulses"
    )
    if result.stopped:
        yield f"  STOPPED  {result.stopped}"
    yield (
        f"  plant    {now['wilting_days']:.1f} days below wilting, "
        f"{now['stressed_days']:.1f} short of water, {now['waterlogged_days']:.1f} waterlogged"
    )
    yield (
        f"  water    {now['pumped_ml']:.0f} ml pumped, {now['siphoned_ml']:.0f} siphoned; "
        f"{now['saucer_ml']:.0f} ml ran to the saucer, {now['floor_ml']:.0f} ml to the floor"
    )
    tank, cell = _days("tank", result.tank_days()), _days("cell", result.battery_days())
    yield f"  lasts    {tank}, {cell}, at this run's use"
    yield (
        f"  battery  {now['used_mah']:.0f} mAh used, {now['charged_mah']:.0f} charged, "
        f"{now['brownouts']:.0f} brown-outs"
    )
    for act, count in Counter(act for _, act in result.people.done).items():
        first = next(at_s for at_s, done in result.people.done if done == act)
        times = "once, on" if count == 1 else f"{count} times, first on"
        yield f"  people   {act}: {times} {_date(trial, first / DAY_S)}"
    for name, count in result.needs.most_common():
        yield f"  asked    {name}: in {count} of {seen.wakes} wakes"
    for trip, count in sorted(seen.trips.items()):
        yield f"  trip     {trip} ({TRIP_RULES[trip]}): {count}"
    for wake, name, ended in seen.latched[:MOST_SHOWN]:
        end = f"ended at wake {ended}" if ended is not None else f"ends {LOCKOUT_WAYS[name]}"
        yield f"  lockout  {name} ({LOCKOUT_RULES[name]}) at wake {wake}, {end}"
    if len(seen.latched) > MOST_SHOWN:
        yield f"  lockout  {len(seen.latched)} in all"
    for verdict in seen.verdicts():
        word = "held  " if verdict.held else "BROKEN"
        where = "" if verdict.wake is None else f" at wake {verdict.wake}"
        yield f"  {verdict.rule:<4} {word}  {verdict.title}: {verdict.evidence}{where}"


def last_line(results: list[TrialResult]) -> str:
    """What came of them all: requirements that hold are not enough, the plant has to live."""
    suffered = []
    for result in results:
        now, came = result.numbers(), []
        if now["wilting_days"] >= WILTED_DAYS:
            came.append(f"{now['wilting_days']:.1f} days below wilting")
        if now["floor_ml"] >= FLOOR_ML:
            came.append(f"{now['floor_ml']:.0f} ml on the floor")
        if came:
            suffered.append(f"{result.trial.name} {' and '.join(came)}")
    count = f"{len(results)} simulated"
    if not all(result.good for result in results):
        return ", ".join([f"{count}, NOT all good", *suffered])
    if suffered:
        return f"{count}, every requirement held, but: {', '.join(suffered)}"
    return f"{count}, all good"


def _days(what: str, days: float | None) -> str:
    if days is None:
        return f"the {what} was never used"
    told = "longer than can be told" if days >= NEVER_DAYS else f"{days:.0f} days"
    return f"a full {what} {told}"


def _date(trial: Trial, days: float) -> str:
    return day_text(trial.begins + int(days))


def as_json(result: TrialResult) -> dict[str, Any]:
    """The result for a machine."""
    seen = result.verdicts
    return {
        "name": result.trial.name,
        "title": result.trial.title,
        "stopped": result.stopped,
        "numbers": result.numbers(),
        "trips": dict(sorted(seen.trips.items())),
        "lockouts": [{"wake": w, "name": n, "ended": e} for w, n, e in seen.latched],
        "needs": dict(result.needs),
        "people": [{"day": at_s / DAY_S, "did": act} for at_s, act in result.people.done],
        "notes": list(result.trial.notes),
        "verdicts": [vars(v) | {"title": v.title} for v in seen.verdicts()],
        "good": result.good,
    }


def arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument(
        "trials", nargs="*", metavar="TRIAL", help="trial files, or pots' folders: months as usual"
    )
    parser.add_argument(
        "--cafe", metavar="NAME", action="append", default=[],
        help="a trial that ships, by its planter: basil, citrus, fern, mint, strawberry, tomato",
    )  # fmt: skip
    parser.add_argument(
        "--like", metavar="POT",
        help="whose probes a pot has that is not calibrated yet: cafe/basil, or a pot's folder",
    )  # fmt: skip
    parser.add_argument("--out", metavar="DIR", help="write the field log to DIR/NAME/logs")
    parser.add_argument("--page", metavar="DIR", help="with --out: write the log's page there too")
    parser.add_argument("--seed", type=int, metavar="N", help="instead of the trial's own")
    parser.add_argument("--runs", type=int, default=1, metavar="N", help="N seeds from there on")
    parser.add_argument("--workers", type=int, default=1, metavar="K", help="processes for --runs")
    parser.add_argument(
        "--dask", metavar="ADDRESS", help="hand the runs to this Dask scheduler instead"
    )
    parser.add_argument("--png", metavar="FILE", help="draw its pictures, as .png or .svg")
    parser.add_argument("--csv", metavar="FILE", help="numbers of every run as CSV")
    parser.add_argument("--parquet", metavar="FILE", help="the same as Parquet (needs pyarrow)")
    parser.add_argument("--json", action="store_true", help="one JSON object for a machine")
    parser.add_argument("--names", action="store_true", help="every name of a trial file, and stop")
    parser.epilog = (
        "exit codes: 0 every requirement held; 1 one is broken, or a run stopped early; "
        "2 input that cannot be used"
    )


def run(args: argparse.Namespace) -> int:
    """The command. Returns its exit code."""
    if args.names:
        print(*trials.names(), sep="\n")
        return 0
    paths = [Path(p) for p in args.trials] + [trials.shipped(name) for name in args.cafe]
    if not paths:
        raise BadInput("nothing to simulate: give a trial file, a pot's folder, or --cafe NAME")
    for name, least, most in (("runs", 1, 100_000), ("workers", 1, 256), ("seed", 0, 2**53)):
        value = getattr(args, name)
        if value is not None and not least <= value <= most:
            raise BadInput(f"--{name} {value}: allowed {least} to {most}")
    if args.page and not args.out:
        raise BadInput("--page shows the log: say with --out where the log shall be")
    if args.page:
        page_files.can_draw()
    many_runs.can_write(args)
    if args.png:
        drawing.form_of(Path(args.png))
        drawing.converter()
    if args.png and len(paths) > 1:
        raise BadInput("--png draws one trial: give one, or leave --png out")
    if args.runs > 1 and (args.png or args.out):
        raise BadInput("--png and --out show one run: leave --runs out, and choose it by --seed")
    try:
        found = [trials.load(path, args.like) for path in paths]
        if args.runs > 1 or args.dask:
            return _many(args, found)
        return _single(args, found)
    except (Missing, Impossible) as no:
        raise BadInput(str(no)) from None


def _single(args: argparse.Namespace, found: list[Trial]) -> int:
    results = []
    for trial in found:
        result = _shown(args, trial)
        results.append(result)
        if not args.json:
            print(*lines_of(result), sep="\n")
        _leave(args, result)
        if not args.json:
            print()
    many_runs.write_rows(args, [many_runs.row(result) for result in results])
    good = all(result.good for result in results)
    if args.json:
        answer = {"good": good, "core": core_id(), "simulated": [as_json(r) for r in results]}
        print(json.dumps(answer))
    else:
        print(last_line(results))
    return 0 if good else 1


def _shown(args: argparse.Namespace, trial: Trial) -> TrialResult:
    """One run with what the files that were asked for need."""
    return run_trial(trial, args.seed, history=bool(args.png), log=bool(args.out or args.png))


def _leave(args: argparse.Namespace, result: TrialResult) -> None:
    """The files of one run that were asked for: log, its page, picture."""
    if args.out:
        with writing(args.out):
            path = write_log(result, Path(args.out) / result.trial.name / "logs")
        if not args.json:
            print(f"  log      {show_path(str(path))}")
        if args.page:
            with writing(args.page):
                link = page_files.page_link(path.parent, args.page, [path], ended=True)
            print(f"  page     {link}", file=sys.stderr if args.json else sys.stdout)
    if args.png:
        from wakewell.simulate import picture

        with writing(args.png):
            keep_old(Path(args.png))
            picture.save(result, Path(args.png))


def _many(args: argparse.Namespace, found: list[Trial]) -> int:
    rows: list[many_runs.Row] = []
    for trial in found:
        first = trial.seed if args.seed is None else args.seed
        mine = many_runs.many(
            trial, range(first, first + args.runs), args.workers, args.dask, sys.stderr.isatty()
        )
        rows += mine
        if not args.json:
            print(*many_runs.lines_of(trial, mine), sep="\n")
        if args.out or args.png:
            # One run on a cluster: only numbers come back, but its seed makes it again here.
            _leave(args, _shown(args, trial))
    many_runs.write_rows(args, rows)
    good = not any(row["broken"] or row["stopped"] for row in rows)
    if args.json:
        print(json.dumps({"good": good, "core": core_id(), "runs": rows}))
    return 0 if good else 1


@contextmanager
def writing(path: str) -> Iterator[None]:
    """What goes wrong with a file that is to be written, as BadInput."""
    try:
        yield
    except (OSError, ValueError) as no:
        why = no.strerror if isinstance(no, OSError) and no.strerror else str(no)
        raise BadInput(f"{show_path(path)}: cannot be written: {why}") from None
