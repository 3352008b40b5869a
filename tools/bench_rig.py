"""The rig's figures for bench.py: how fast pots live, and the daily balance beside a reference.

Each function returns one number. `bench` is bench.Bench: only its size is looked at. A library
or a data folder that is not there raises Absent.
"""

from __future__ import annotations

import gc
import importlib
import importlib.util
import json
import math
import shutil
import statistics
import sys
import tempfile
import time
import tracemalloc
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

# Time of the processor, so that what else runs here counts less. Too coarse on Windows.
CLOCK = time.perf_counter if sys.platform == "win32" else time.process_time


class Absent(Exception):
    """A figure cannot be measured here; its text says why."""


def a_year(days: float = 365.0, faults: bool = False) -> Any:
    """The café's mint for a year, with daily wakes and hourly weather; faults: two a year."""
    if importlib.util.find_spec("fluids") is None:
        raise Absent("the rig's extra is not installed")
    from wakewell import shipped
    from wakewell.rig.faults import Fault
    from wakewell.rig.pot import DAY_S
    from wakewell.simulate import trials

    trial = trials.load(shipped.TRIALS / "mint.toml")
    happening = (
        Fault("hose clogged", 60 * DAY_S, 90 * DAY_S, 0.5),
        Fault("probe out", 120 * DAY_S, 140 * DAY_S, 0.5),
        Fault("tank forgotten", 200 * DAY_S, 230 * DAY_S, 0.5),
        Fault("write fails", 0.0, 365 * DAY_S, 0.01),
    )
    spec = replace(trial.spec, faults=happening if faults else ())
    return replace(trial, days=days, spec=spec)


def seconds(trial: Any, rounds: int) -> float:
    """The quickest of some runs. A run before them fills the tables that they share."""
    from wakewell.simulate.one_run import run_trial

    run_trial(replace(trial, days=2.0))
    best = float("inf")
    for _ in range(rounds):
        gc.collect()
        begun = CLOCK()
        run_trial(trial)
        best = min(best, CLOCK() - begun)
    return best


def pot_years_per_s(bench: Any) -> float:
    """Simulated pot-years in a second of one core."""
    days: int = bench.pick(365, 365, 3)
    return days / 365 / seconds(a_year(days), bench.pick(10, 3, 1))


def run_cost_linear(bench: Any) -> float:
    """Cost of four years over four times the cost of one."""
    days, rounds = bench.pick(365, 365, 2), bench.pick(5, 2, 1)
    return seconds(a_year(4.0 * days), rounds) / (4.0 * seconds(a_year(days), rounds))


def pot_year_over_parse(bench: Any) -> float:
    """A simulated pot year over `json.loads` of its own field log; both take turns."""
    from wakewell.simulate.one_run import run_trial

    trial = a_year(bench.pick(365, 365, 2))
    run_trial(replace(trial, days=2.0))
    log = run_trial(trial, log=True).log
    assert log is not None
    ratios = []
    for _ in range(bench.pick(25, 5, 1)):
        gc.collect()
        begun = CLOCK()
        run_trial(trial)
        simulated = CLOCK()
        parsed = [json.loads(line) for line in log.lines]
        ratios.append((simulated - begun) / (CLOCK() - simulated))
        del parsed
    return statistics.median(ratios)


def workers_efficiency(bench: Any) -> float:
    """How much two workers do in a second over twice what one does, their start not counted.

    By the clock on the wall. One and two take turns, and of each the least disturbed turn counts.
    """
    from wakewell.simulate import many_runs

    count, days = bench.pick(60, 40, 20), bench.pick(365, 365, 1)

    def took(trial: Any, workers: int) -> float:
        begun = time.perf_counter()
        many_runs.many(trial, range(count), workers=workers)
        return time.perf_counter() - begun

    took(a_year(0.01), 1)  # fills the tables that runs in this process share
    start: dict[int, list[float]] = {1: [], 2: []}
    whole: dict[int, list[float]] = {1: [], 2: []}
    for _ in range(bench.pick(5, 2, 1)):
        for workers in (1, 2):
            start[workers].append(took(a_year(0.01), workers))
            whole[workers].append(took(a_year(days), workers))
    one_s, two_s = (min(whole[workers]) - min(start[workers]) for workers in (1, 2))
    return one_s / (2.0 * two_s)


def run_memory_growth_mib(bench: Any) -> float:
    """Memory kept after 24 runs of two months more than after 4."""
    from wakewell.simulate import many_runs

    trial = a_year(bench.pick(60, 60, 1))
    many_runs.many(trial, range(2))
    kept = []
    tracemalloc.start()
    for first, last in ((0, 4), (4, 24)):
        many_runs.many(trial, range(first, last))
        gc.collect()
        kept.append(tracemalloc.get_traced_memory()[0])
    tracemalloc.stop()
    return (kept[1] - kept[0]) / (1 << 20)


def thousand_pot_years_s(bench: Any) -> float:
    """Seconds on the clock for 1,000 pot-years with faults on two workers, their start included.

    The start of the workers is timed apart and counts once; the rest comes from 200 runs (quick:
    40) of a year each, cost being linear in runs.
    """
    from wakewell.simulate import many_runs

    count: int = bench.pick(200, 40, 20)
    days: int = bench.pick(365, 365, 1)
    begun = time.perf_counter()
    many_runs.many(a_year(0.01, faults=True), range(20), workers=2)
    start_s = time.perf_counter() - begun
    begun = time.perf_counter()
    many_runs.many(a_year(days, faults=True), range(count), workers=2)
    return start_s + (time.perf_counter() - begun - start_s) * 1000.0 / count * 365 / days


def published_season() -> Any:
    """tests/rig/cotton_season.py: the tests' reader is the bench's reader."""
    folder = str(Path(__file__).resolve().parent.parent / "tests" / "rig")
    if folder not in sys.path:
        sys.path.insert(0, folder)
    return importlib.import_module("cotton_season")


@cache
def season() -> tuple[Any, Any]:
    """(ours, the reference's run and its depletions): functions over the published 2022 season."""
    published = published_season()
    if not published.FOLDER.is_dir():
        raise Absent(published.MISSING)
    try:
        reference = importlib.import_module("pyfao56")
    except ModuleNotFoundError:
        raise Absent("the FAO-56 reference library pyfao56 is not installed") from None
    from wakewell.rig import fao56

    crop, ground, days = published.crop(), published.layered(), published.days()
    files = {path.suffix: str(path) for path in published.FOLDER.iterdir()}
    parameters = reference.Parameters()
    parameters.loadfile(files[".par"])
    inputs = (
        "2022-111", "2022-304", parameters, reference.Weather(files[".wth"]),
        reference.Irrigation(files[".irr"]),
    )  # fmt: skip
    soil = reference.SoilProfile(files[".sol"])

    def ours() -> list[float]:
        run = fao56.season(crop, ground, days, published.WIND_HEIGHT_M)
        return [day.depletion_mm for day in run]

    def theirs() -> list[float]:
        model = reference.Model(*inputs, sol=soil)
        model.run()
        return [float(value) for value in model.odata["Dr"]]

    return ours, theirs


def fao56_speedup(bench: Any) -> float:
    """How many times faster than the reference library, on the same input with equal results."""
    ours, theirs = season()
    if any(abs(a - b) > 1e-3 for a, b in zip(ours(), theirs(), strict=True)):
        raise RuntimeError("the two balances differ")
    times = []
    for run, rounds in ((ours, bench.pick(50, 50, 1)), (theirs, bench.pick(5, 2, 1))):
        best = float("inf")
        for _ in range(rounds):
            begun = CLOCK()
            run()
            best = min(best, CLOCK() - begun)
        times.append(best)
    return times[1] / times[0]


def fao56_rmse_mm(_bench: Any) -> float:
    """RMSE of our root-zone depletion against the published daily output."""
    ours, _ = season()
    published = published_season()
    (path,) = published.FOLDER.glob("*.out")
    header = next(r for r in path.read_text().splitlines() if r.startswith("Year-DOY")).split()
    theirs = [float(row[header.index("Dr")]) for row in published.rows(".out")]
    errors = [(a - b) ** 2 for a, b in zip(ours(), theirs, strict=True)]
    return math.sqrt(sum(errors) / len(errors))


@cache
def a_fit(days: float) -> Any:
    """(the study of so many days of the café's basil, s for reading and fitting it, s for living
    through them)."""
    from wakewell import shipped
    from wakewell.simulate import one_run, trials
    from wakewell.tuning import study

    a_year()  # raises Absent where the rig is
    trial = replace(trials.load(shipped.TRIALS / "basil.toml"), days=days, visits=())
    with tempfile.TemporaryDirectory(prefix="bench-") as scratch:
        folder = Path(scratch) / "basil"
        ignore = shutil.ignore_patterns("logs")
        shutil.copytree(shipped.CAFE / "basil", folder, ignore=ignore)
        one_run.write_log(one_run.run_trial(trial, log=True), folder / "logs")
        begun = CLOCK()
        found = study.fitted(study.opened(str(folder)))
        fitted_s = CLOCK() - begun
    if found.now is None:
        raise Absent(f"{days:g} days of log are too few to fit")
    return found, fitted_s, seconds(trial, 3)


def tune_fit_over_year(bench: Any) -> float:
    """Fitting a twin to a year's log over simulating that year."""
    _, fitted_s, lived_s = a_fit(bench.pick(365.0, 365.0, 60.0))
    return float(fitted_s / lived_s)


def tune_quick_years_per_s(bench: Any) -> float:
    """Pot-years in a second of one core that the quick twin lives, many settings at once."""
    from wakewell.tuning import ahead, fast

    found, _, _ = a_fit(bench.pick(365.0, 365.0, 60.0))
    count, draws, days = bench.pick(160, 160, 4), bench.pick(50, 50, 2), bench.pick(365, 120, 10)
    lives = ahead.lives(found.trial, found.now, float(days), found.trial.lines, draws)
    quick = fast.Lives([trial for _, trial in lives])
    some = [
        found.folder.settings | {"depletion_ppt": 200 + 2 * n, "wake_s": 43_200}
        for n in range(count)
    ]
    begun = CLOCK()
    quick.live(some)
    return float(count * len(lives) * days / 365.0 / (CLOCK() - begun))


def tune_sweep_years_per_s(bench: Any) -> float:
    """Pot-years in a second of one core that draws of a twin live through under given settings."""
    from wakewell.tuning import ahead

    found, _, _ = a_fit(bench.pick(365.0, 365.0, 60.0))
    draws, days = bench.pick(40, 16, 2), bench.pick(60, 60, 10)
    begun = CLOCK()
    runs = ahead.run(found.trial, found.now, days, found.trial.lines, draws)
    return float(len(runs) * days / 365.0 / (CLOCK() - begun))


# As bench.FIGURES: name to (function, what it is, target)
FIGURES = {
    "tune_fit_over_year": (
        tune_fit_over_year,
        "a twin fitted to a year's log over simulating the year",
        "under 30 s on one core",
    ),
    "tune_quick_years_per_s": (
        tune_quick_years_per_s,
        "pot-years a second of the quick twin; 1,000 settings, 50 draws: 300 s on two cores",
        "at least 84",
    ),
    "tune_sweep_years_per_s": (
        tune_sweep_years_per_s,
        "pot-years a second that a twin's draws live through",
        "",
    ),
    "pot_years_per_s": (pot_years_per_s, "simulated pot-years a second, one core", "at least 20"),
    "pot_year_over_parse": (
        pot_year_over_parse,
        "a simulated pot year over json.loads of its own field log",
        "at most 4",
    ),
    "workers_efficiency": (
        workers_efficiency,
        "pot years of two workers over twice those of one",
        "at least 0.9",
    ),
    "run_cost_linear": (run_cost_linear, "cost of 4 years over 4 times that of one", "about 1"),
    "run_memory_growth_mib": (run_memory_growth_mib, "memory kept by 20 more runs, MiB", "about 0"),
    "thousand_pot_years_s": (
        thousand_pot_years_s,
        "1,000 pot-years with faults on two workers, s",
        "under 60",
    ),
    "fao56_speedup": (
        fao56_speedup,
        "daily balance over a reference library's time",
        "at least 50",
    ),
    "fao56_rmse_mm": (fao56_rmse_mm, "depletion against the published season, mm", "at most 0.5"),
}
