"""Branch coverage of the core by its sequences, lives and unit tests."""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
TESTS = ("tests/sequences", "tests/core")
LEFT_OUT = ("test_both_interpreters", "test_small_ints", "test_properties")
QUICK_OUT = ("test_requirements", "test_soil_sensor", "test_plan_fao56")


def measure(quick: bool) -> tuple[float, list[str]]:
    """(per cent of lines and branches, those that were not reached) of wakecore."""
    with tempfile.TemporaryDirectory(prefix="wakewell-") as folder:
        data, told = Path(folder, "data"), Path(folder, "told.json")
        out = [f"--ignore={ROOT}/tests/core/{name}.py" for name in LEFT_OUT]
        out.append(f"--ignore-glob={ROOT}/tests/sequences/test_*.py")  # they play them once more
        if quick:
            out += [f"--ignore={ROOT}/tests/core/{name}.py" for name in QUICK_OUT]
            # Traced, an example costs several times as much, and few reach every line
            out += ["-m", "not nightly", "--hypothesis-profile", "few"]
        config = Path(folder, "rc")
        config.write_text(
            f"[run]\nbranch = True\nsource = wakecore\ndata_file = {data}\n"
            "[report]\nexclude_also = if TYPE_CHECKING:\n"
        )
        base = [sys.executable, "-m", "coverage"]
        tests = [name for name in TESTS if (ROOT / name).exists()]
        pytest = ["run", f"--rcfile={config}", "-m", "pytest", "-q", "-p", "no:cacheprovider"]
        done = subprocess.run([*base, *pytest, *out, *tests], cwd=ROOT, capture_output=True)
        if done.returncode not in (0, 1):
            raise RuntimeError(done.stderr.decode(errors="replace")[-1000:])
        subprocess.run(
            [*base, "json", f"--rcfile={config}", "-q", "-o", str(told)], cwd=ROOT, check=True
        )
        report = json.loads(told.read_text())
    missing = []
    for name, file in sorted(report["files"].items()):
        short = Path(name).name
        missing += [f"{short}:{line}" for line in file["missing_lines"]]
        missing += [f"{short}:{one} to {other}" for one, other in file["missing_branches"]]
    return float(report["totals"]["percent_covered"]), missing
