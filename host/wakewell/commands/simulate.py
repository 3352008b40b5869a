"""`wakewell simulate`: its arguments, its words and its exit code."""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from wakewell import drawing, units, words
from wakewell.commands import given
from wakewell.core import core_id
from wakewell.errors import BadInput
from wakewell.kept import keep_old, writing
from wakewell.log.logs import day_text
from wakewell.replay.verdicts import LOCKOUT_RULES, LOCKOUT_WAYS, TRIP_RULES
from wakewell.report import page_files
from wakewell.rig.errors import Impossible
from wakewell.rig.pot import DAY_S
from wakewell.simulate import many_runs, picture, trials
from wakewell.simulate.one_run import (
    NEVER_DAYS,
    History,
    TrialResult,
    last_line,
    run_trial,
    write_log,
)
from wakewell.simulate.trials import Trial
from wakewell.terminal import Bad, marked, tell
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
        yield Bad(f"  STOPPED  {result.stopped}")
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
    if trial.spec.panel.peak_mw:
        yield f"  panel    lowest charge by month: {_lowest(result)}"
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
        told = f"  {verdict.rule:<4} {word}  {verdict.title}: {verdict.evidence}{where}"
        yield marked(told, not verdict.held)


def _days(what: str, days: float | None) -> str:
    if days is None:
        return f"the {what} was never used"
    told = "more than 27 years" if days >= NEVER_DAYS else f"{days:.0f} days"
    return f"a full {what} {told}"


def _lowest(result: TrialResult) -> str:
    """The battery's lowest charge of each month that the run has, first to last."""
    lowest: dict[str, float] = {}
    kept = result.history or History()
    for day, charge in zip(kept.day, kept.charge, strict=True):
        month = _date(result.trial, day)[:7]
        lowest[month] = min(charge, lowest.get(month, 1.0))
    return ", ".join(f"{month} {units.share(charge)}" for month, charge in lowest.items())


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
        "trials", nargs="*", metavar="TRIAL", help="trial files, or pots' folders for usual months"
    )
    parser.add_argument(
        "--cafe", metavar="NAME", action="append", default=[],
        help="the trial of a café's pot: basil, citrus, fern, mint, strawberry or tomato; may be "
        "repeated; default: none",
    )  # fmt: skip
    given.option(parser, "--like", "its probes; default: the trial's own choice")
    given.option(parser, "--out", "each field log as DIR/NAME/logs; default: no log is kept")
    given.option(parser, "--page", "needs --out; default: no page")
    given.option(parser, "--seed", "default: the trial's own", type=int)
    parser.add_argument(
        "--runs", type=int, default=1, metavar="N",
        help="how many runs, each with the next seed; default: 1",
    )  # fmt: skip
    given.option(parser, "--workers", type=int, default=1)
    given.option(parser, "--dask")
    given.option(parser, "--picture", "default: no picture")
    parser.add_argument(
        "--table", metavar="FILE",
        help="write a row of numbers for each run into this file, a .csv or .parquet (that one "
        "needs pyarrow); default: no table",
    )  # fmt: skip
    given.option(parser, "--json")
    given.option(parser, "--names", "a trial's file")
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
    if args.table:
        many_runs.can_write(Path(args.table))
    if args.picture:
        drawing.form_of(Path(args.picture))
        drawing.converter()
    if args.picture and len(paths) > 1:
        raise BadInput("--picture draws one trial: give one, or leave --picture out")
    if args.runs > 1 and (args.picture or args.out):
        raise BadInput(
            "--picture and --out show one run: leave --runs out, and choose it by --seed"
        )
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
            tell(*lines_of(result))
        _leave(args, result)
        if not args.json:
            print()
    if args.table:
        many_runs.write_rows(Path(args.table), [many_runs.row(result) for result in results])
    code = 0 if all(result.good for result in results) else 1
    if args.json:
        return given.show_json(args, code, [as_json(r) for r in results], core=core_id())
    tell(marked(last_line(results), bool(code)))
    return code


def _shown(args: argparse.Namespace, trial: Trial) -> TrialResult:
    """One run with what the files that were asked for need."""
    return run_trial(
        trial, args.seed, history=bool(args.picture), log=bool(args.out or args.picture)
    )


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
    if args.picture:
        with writing(args.picture):
            keep_old(Path(args.picture))
            picture.save(result, Path(args.picture))


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
        if args.out or args.picture:
            # One run on a cluster: only numbers come back, but its seed makes it again here.
            _leave(args, _shown(args, trial))
    if args.table:
        many_runs.write_rows(Path(args.table), rows)
    told = [
        row | {"name": row["trial"], "good": not (row["broken"] or row["stopped"])} for row in rows
    ]
    code = 0 if all(row["good"] for row in told) else 1
    return given.show_json(args, code, told, core=core_id()) if args.json else code
