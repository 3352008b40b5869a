"""How often do the forecasts hold? Coverage of the 90 % intervals by class of pot, over seeds.

    python tools/cover.py [--seeds 60] [--folder DIR] [--only CLASS]

Pots of the rig, whose physics and weather know nothing of the forecast, are left to run out; at a
moment drawn by chance before that, the forecast is made from the log so far. Needs the rig's extra.
The figures in host/wakewell/report/FORECASTS.md come from here. Nothing here is a test.
"""

from __future__ import annotations

import argparse
import math
import random
import shutil
import statistics
import sys
import tempfile
from collections import defaultdict
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT / "host"), str(ROOT / "device")]

from wakewell import shipped  # noqa: E402
from wakewell.budget import forecast  # noqa: E402
from wakewell.log import series  # noqa: E402
from wakewell.log.times import DAY_S  # noqa: E402
from wakewell.pot import pot_folder  # noqa: E402
from wakewell.simulate import one_run, trials  # noqa: E402

CLASSES = ("window sill, 4 l and more", "window sill, under 4 l", "balcony", "open air")
TRIAL = """
pot = "{pot}"
begins = 2024-{month:02d}-03
days = 240
seed = {seed}
owner = {{ fills_after_days = 1000.0, charges_after_days = 1.0 }}
"""


def a_log(folder: Path, kind: str, seed: int) -> series.PotLog:
    """The log of a run in which the tank is left to run out. Its folder is the pot's own: what it
    says of crown and place is true within its doubt."""
    chance = random.Random(f"{kind} {seed}")
    under = folder / kind.replace(" ", "-").replace(",", "") / str(seed)
    if not (under / "logs").is_dir():
        name = chance.choice(
            {CLASSES[1]: ["fern", "small"]}.get(kind, ["basil", "strawberry", "citrus"])
        )
        shutil.rmtree(under, ignore_errors=True)
        ignore = shutil.ignore_patterns("logs")
        shutil.copytree(shipped.CAFE / ("basil" if name == "small" else name), under, ignore=ignore)
        if name == "small":
            smaller(under, chance.randint(1300, 3600))
        stands = kind if kind == "balcony" else "open" if kind == "open air" else "window sill"
        about = under / "pot.toml"
        text = about.read_text(encoding="utf-8")
        text = text.replace('stands = "window sill"', f'stands = "{stands}"')
        about.write_text(text, encoding="utf-8")
        assert not pot_folder.load(under).problems
        usual = trials.of_pot(under)
        trial = under / "trial.toml"
        text = TRIAL.format(pot=under, month=chance.randint(1, 12), seed=seed)
        # Crown and coefficient are estimates by eye: the true values are drawn around them
        crown = usual.spec.plant.crown_cm2 * math.exp(chance.gauss(0.0, 0.2))
        kcb = usual.spec.plant.kcb * math.exp(chance.gauss(0.0, 0.15))
        text += f"plant = {{ kcb = {min(1.3, kcb):.3f}, crown_cm2 = {crown:.0f} }}\n"
        trial.write_text(text, encoding="utf-8")
        one_run.write_log(one_run.run_trial(trials.load(trial), log=True), under / "logs")
    return series.read(str(seed), under, sorted((under / "logs").glob("*.jsonl")))


def smaller(folder: Path, volume_ml: int) -> None:
    """The basil with another tank, its gauge as coarse for its size."""
    for file, old, new in (
        ("pot", "volume_ml = 4000", f"volume_ml = {volume_ml}"),
        ("calibration", "[2000000, 4000]", f"[2000000, {volume_ml}]"),
        ("settings", "tank_warn_ml = 900", "tank_warn_ml = 450"),
    ):
        path = folder / f"{file}.toml"
        text = path.read_text(encoding="utf-8")
        assert old in text, (file, old)
        path.write_text(text.replace(old, new), encoding="utf-8")


def run_out(log: series.PotLog) -> float | None:
    """When the tank ran out; None if it did not, or something else stopped it."""
    for wake in log.wakes:
        if wake.lockouts:
            return None
        if "reserve" in wake.failing and wake.level_ml is not None:
            return wake.time_s
    return None


def main() -> int:
    """Measure and tell."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=60)
    parser.add_argument("--folder", type=Path, help="keep the logs there, for another time")
    parser.add_argument("--only", choices=CLASSES)
    args = parser.parse_args()
    folder = args.folder or Path(tempfile.mkdtemp(prefix="cover-"))
    hits: dict[str, list[bool]] = defaultdict(list)
    errors: dict[str, list[float]] = defaultdict(list)
    widths: dict[str, list[float]] = defaultdict(list)
    silent: dict[str, int] = defaultdict(int)
    for kind in [args.only] if args.only else CLASSES:
        for seed in range(args.seeds):
            log = a_log(folder, kind, seed)
            truth = run_out(log)
            start_s = log.wakes[0].time_s
            if truth is None or truth < start_s + 12 * DAY_S:
                continue
            chance = random.Random(seed)
            fourth = log.doses[3].time_s if len(log.doses) > 3 else truth
            for name, low, high in (
                (kind, max(fourth, start_s + 7 * DAY_S), truth - 4 * DAY_S),
                (
                    f"{kind}, before the 4th dose",
                    start_s + 3 * DAY_S,
                    min(fourth, truth) - DAY_S,
                ),
            ):
                if high <= low:
                    continue
                now_s = chance.uniform(low, high)
                cut = series.PotLog(log.name, log.place, about=log.about, pots=log.pots)
                cut.dated, cut.files = log.dated, log.files
                cut.wakes = [w for w in log.wakes if w.time_s <= now_s]
                cut.doses = series.doses(cut)
                found = forecast.tank(cut)
                if found.middle_s is None or found.early_s is None:
                    silent[name] += 1
                    continue
                hits[name].append(
                    found.early_s <= truth and (found.late_s is None or truth <= found.late_s)
                )
                errors[name].append(
                    math.log((truth - found.now_s) / max(DAY_S, found.middle_s - found.now_s))
                )
                if found.late_s is not None:
                    widths[name].append((found.late_s - found.early_s) / DAY_S)
    for name, found_hits in hits.items():
        wide = f"{statistics.median(widths[name]):.0f} days wide" if widths[name] else "open-ended"
        print(
            f"{name}: {sum(found_hits) / len(found_hits):.2f} of {len(found_hits)}, "
            f"lean {statistics.mean(errors[name]):+.2f}, "
            f"spread {statistics.pstdev(errors[name]):.2f}, {wide}, "
            f"{len(found_hits) - len(widths[name])} open ends, {silent[name]} without one"
        )
    for name, count in silent.items():
        if name not in hits:
            print(f"{name}: none of {count}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
