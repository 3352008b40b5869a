"""Many runs of one trial over seeds: on this machine's processors, or on a Dask cluster.

What belongs here: handing seeds out, bringing the numbers back in order, tables and their summary.
What does not: a run itself (one_run.py). A run depends on its trial and seed alone, so the rows are
the same however the runs are divided among workers.
"""

from __future__ import annotations

import csv
import errno
import importlib
import multiprocessing
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any, TypeVar

from tqdm import tqdm

from wakecore import rules
from wakecore.run import TRIPS
from wakewell import terminal
from wakewell.errors import BadInput
from wakewell.kept import keep_old, writing
from wakewell.simulate.one_run import TrialResult, run_trial
from wakewell.simulate.trials import Trial
from wakewell.tomlfile import show_path

Work = TypeVar("Work")
Done = TypeVar("Done")
Row = dict[str, float | str | None]
TABLES = (".csv", ".parquet")  # forms of a table
BATCH = 10  # seeds handed to a cluster at a time
# What the summary shows: (number, what it is, unit)
SHOWN = (
    ("wilting_days", "below wilting", "days"),
    ("stressed_days", "short of water", "days"),
    ("waterlogged_days", "waterlogged", "days"),
    ("pumped_ml", "pumped", "ml"),
    ("saucer_ml", "ran to the saucer", "ml"),
    ("floor_ml", "ran to the floor", "ml"),
    ("tank_autonomy_days", "a full tank lasts", "days"),
    ("battery_autonomy_days", "a full cell lasts", "days"),
    ("lockouts", "lockouts", ""),
    ("trips", "trips", ""),
)


def row(result: TrialResult) -> Row:
    """The numbers of one run, its trips and lockouts by name, and why it stopped."""
    seen = result.verdicts
    found: Row = {"trial": result.trial.name, **result.numbers()}
    for name, *_ in TRIPS:
        found["trip " + name] = seen.trips[name]
    for name, *_ in rules.LOCKOUTS:
        found["lockout " + name] = seen.lockouts[name]
    found["why stopped"] = result.stopped
    return found


def batch(work: tuple[Trial, Sequence[int]]) -> list[Row]:
    """The rows of a few seeds; what each worker runs."""
    trial, seeds = work
    return [row(run_trial(trial, seed)) for seed in seeds]


def many(
    trial: Trial,
    seeds: Sequence[int],
    workers: int = 1,
    dask: str | None = None,
    progress: bool = False,
) -> list[Row]:
    """A row for each seed, in their order. dask: address of a scheduler, in place of workers.

    Raises BadInput where the scheduler cannot be reached.
    """
    # Here one at a time, so that at the end no worker waits long for another with several left.
    size = BATCH if dask else 1
    work = [(trial, seeds[at : at + size]) for at in range(0, len(seeds), size)]
    return _gather(shared(batch, work, workers, dask), len(seeds), progress)


def shared(
    do: Callable[[Work], Done], work: Sequence[Work], workers: int = 1, dask: str | None = None
) -> Iterator[Done]:
    """Each piece of work done, in order: here, by so many processes, or on a Dask scheduler.

    Raises BadInput where the scheduler cannot be reached.
    """
    if dask:
        yield from on_dask(dask, work, do)
    elif workers == 1 or len(work) < 2:
        yield from map(do, work)
    else:
        # A fresh start of each worker, the same on every system, threads or not in this process.
        with multiprocessing.get_context("spawn").Pool(min(workers, len(work))) as pool:
            yield from pool.imap(do, work)


def _gather(batches: Iterable[list[Row]], total: int, progress: bool) -> list[Row]:
    rows: list[Row] = []
    with tqdm(
        total=total, unit="run", leave=False, disable=not progress, file=terminal.bare()
    ) as bar:
        for some in batches:
            rows += some
            bar.update(len(some))
    return rows


def on_dask(address: str, work: Sequence[Work], do: Callable[[Work], Done]) -> Iterator[Done]:
    """Work done by a running scheduler, in order. Its workers need this package too."""
    distributed = importlib.import_module("distributed")
    try:
        client = distributed.Client(address, timeout=10)
    except (OSError, ValueError) as no:
        why = str(no).splitlines()[0][:120]
        raise BadInput(f"--dask {address}: no scheduler answers there: {why}") from None
    with client:
        for future in client.map(do, work, pure=False):
            yield future.result()


def library(module: str, option: str, install: str) -> Any:
    """That optional library, or BadInput with how to install it."""
    try:
        return importlib.import_module(module)
    except ModuleNotFoundError as no:
        text = f"{option} needs the library {no.name}, which is not installed: "
        raise BadInput(text + f"python -m pip install {install}") from None


def lines_of(trial: Trial, rows: Sequence[Row]) -> Iterator[str]:
    """Many runs in words: for each quantity what one run in twenty stays below, the middle, and
    what one in twenty exceeds."""
    yield f"{trial.name}: {trial.title}"
    for note in trial.notes:
        yield f"  note     {note}"
    first, last = rows[0]["seed"], rows[-1]["seed"]
    yield f"  runs     {len(rows)} of {trial.days:g} days, seeds {first} to {last}"
    yield f"  {'':<18} {'5 %':>9} {'half':>9} {'95 %':>9}"
    for name, text, unit in SHOWN:
        values = sorted(float(n) for n in (found[name] for found in rows) if n is not None)
        unused = len(rows) - len(values)
        never = f"never used in {unused} of {len(rows)} runs"
        if not values:
            yield f"  {text:<18} {never}"
            continue
        unit += f"; {never}" if unused else ""
        low, middle, high = (_share(values, share) for share in (0.05, 0.5, 0.95))
        yield f"  {text:<18} {low:>9.1f} {middle:>9.1f} {high:>9.1f}  {unit}".rstrip()
    for name in (*(f"trip {n[0]}" for n in TRIPS), *(f"lockout {n[0]}" for n in rules.LOCKOUTS)):
        count = sum(bool(found[name]) for found in rows)
        if count:
            yield f"  {name}: in {count} of {len(rows)} runs"
    for what, word in (("broken", "a requirement BROKEN"), ("stopped", "STOPPED early")):
        bad = [found for found in rows if found[what]]
        if bad:
            again = f"again with --seed {bad[0]['seed']}"
            yield f"  {word} in {len(bad)} of {len(rows)} runs, {again}"


def _share(values: Sequence[float], share: float) -> float:
    """The value below which that share of sorted values lies, straight between neighbours."""
    place = share * (len(values) - 1)
    index = min(int(place), len(values) - 2) if len(values) > 1 else 0
    high = values[min(index + 1, len(values) - 1)]
    return values[index] + (place - index) * (high - values[index])


def can_write(path: Path) -> None:
    """BadInput where `write_rows` will not do: it says so before hours of runs, not after them."""
    form = path.suffix.lower()
    if form not in TABLES:
        raise BadInput(f"--table {show_path(str(path))}: its name must end in .csv or .parquet")
    if not path.parent.is_dir():
        with writing(str(path)):
            raise FileNotFoundError(errno.ENOENT, "its folder is not there; make it first")
    if form == ".parquet":
        library("pyarrow", "--table", "pyarrow")


def write_rows(path: Path, rows: Sequence[Row]) -> None:
    """The rows into the file that was asked for."""
    with writing(str(path)):
        keep_old(path)
        if path.suffix.lower() == ".csv":
            with path.open("w", newline="", encoding="utf-8") as file:
                table = csv.DictWriter(file, list(rows[0]))
                table.writeheader()
                table.writerows(rows)
            return
        arrow = library("pyarrow", "--table", "pyarrow")
        parquet = library("pyarrow.parquet", "--table", "pyarrow")
        parquet.write_table(arrow.Table.from_pylist(list(rows)), str(path))
