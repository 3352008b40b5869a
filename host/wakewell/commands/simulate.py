"""`wakewell simulate`: its arguments, its words and its exit code."""

from __future__ import annotations

import argparse
import csv
import errno
import json
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from wakewell import drawing, words
from wakewell.core import core_id
from wakewell.errors import BadInput
from wakewell.kept import keep_old, writing
from wakewell.log.logs import day_text
from wakewell.replay.verdicts import LOCKOUT_RULES, LOCKOUT_WAYS, TRIP_RULES
from wakewell.report import page_files
from wakewell.rig.errors import Impossible
from wakewell.rig.pot import DAY_S
from wakewell.simulate import many_runs, picture, trials
from wakewell.simulate.many_runs import Row, library
from wakewell.simulate.one_run import NEVER_DAYS, TrialResult, last_line, run_trial, write_log
from wakewell.simulate.trials import Trial
from wakewell.tomlfile import show_path
from wakewell.units import water

MOST_SHOWN = 10


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
        f"  water    {water(now['pumped_ml'])} pumped, {water(now['siphoned_ml'])} siphoned; "
        f"{water(now['saucer_ml'])} ran to the saucer, {water(now['floor_ml'])} to the floor"
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
        yield f"  asked    to {words.task(name)} in {count} of {seen.wakes} wakes"
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


def _days(what: str, days: float | None) -> str:
    if days is None:
        return f"the {what} was never used"
    told = "more than 27 years" if days >= NEVER_DAYS else f"{days:.0f} days"
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
        help="whose probes a pot has while it is not calibrated: cafe/basil, or a pot's folder",
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
        raise BadInput("--page shows the log: give the log's place with --out")
    if args.page:
        page_files.can_draw()
    can_write(args)
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
    except Impossible as no:
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
    write_rows(args, [many_runs.row(result) for result in results])
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
    write_rows(args, rows)
    good = not any(row["broken"] or row["stopped"] for row in rows)
    if args.json:
        print(json.dumps({"good": good, "core": core_id(), "runs": rows}))
    return 0 if good else 1


def can_write(args: argparse.Namespace) -> None:
    """BadInput where `write_rows` will not do: told before hours of runs, not after them."""
    for path in (args.csv, args.parquet):
        if path and not Path(path).parent.is_dir():
            with writing(path):
                raise FileNotFoundError(errno.ENOENT, "its folder is not there; make it first")
    if args.parquet:
        library("pyarrow", "--parquet", "pyarrow")


def write_rows(args: argparse.Namespace, rows: Sequence[Row]) -> None:
    """The rows into the files that were asked for."""
    if args.csv:
        with writing(args.csv):
            keep_old(Path(args.csv))
            with Path(args.csv).open("w", newline="", encoding="utf-8") as file:
                table = csv.DictWriter(file, list(rows[0]))
                table.writeheader()
                table.writerows(rows)
    if args.parquet:
        arrow = library("pyarrow", "--parquet", "pyarrow")
        parquet = library("pyarrow.parquet", "--parquet", "pyarrow")
        with writing(args.parquet):
            keep_old(Path(args.parquet))
            parquet.write_table(arrow.Table.from_pylist(list(rows)), args.parquet)
