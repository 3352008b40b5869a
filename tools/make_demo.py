"""The demo set's field logs, made by the simulator: run again whenever the core has changed.

    python3 tools/make_demo.py

For each trial that ships, the log its pot would have left goes to the pot's folder: one packed file
in logs/, and in logs/in-force/ the settings, limits and calibration behind it. Needs the rig's
extra. What was there before is replaced.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT / "host"), str(ROOT / "device")]

from wakewell import simulate, trials  # noqa: E402


def main() -> int:
    """Make all of them; 1 if a run broke a requirement or stopped early."""
    code = 0
    for path in sorted(trials.TRIALS.glob("*.toml")):
        began = time.perf_counter()
        trial = trials.load(path)
        result = simulate.run_trial(trial, log=True)
        folder = trials.CAFE / path.stem / "logs"
        for old in folder.rglob("*.json*"):
            old.unlink()
        simulate.write_log(result, folder, packed=True)
        code |= not result.good
        size = sum(file.stat().st_size for file in folder.rglob("*") if file.is_file())
        print(
            f"{path.stem}: {result.verdicts.wakes} wakes, {size // 1024} KiB, "
            f"{'good' if result.good else 'NOT good'}, {time.perf_counter() - began:.1f} s"
        )
    return code


if __name__ == "__main__":
    sys.exit(main())
