#!/usr/bin/env python3
"""Check everything: python3 tools/check.py [--full] [-k EXPRESSION] [test paths]

Runs lint, format, types of the host code, types of the device code, what is quick of the
proofs (tools/assure.py), each figure of tools/bench.py once, and all tests but those marked
nightly, each to its end, in the environment that demo.py uses with the test packages added.
Proofs and figures run beside the tests; with --full each runs by itself.
Prints each step's command before it, a table after them and what was left out. --full adds the
tests marked nightly and the whole proofs, which takes hours; one that passes is on record in
tests/last_full.json.
Exit status: 0 all passed, 1 something did not, 2 the environment could not be made.

Device code is checked against the types of MicroPython 1.27 for the ESP32, which stand
in for the standard library's: a module or a function that the chip lacks is an error
there, see device/mypy.ini. They lie in .venv/stubs, out of sight of the host check.
"""

import argparse
import ast
import json
import os
import shlex
import subprocess
import sys
import time
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from datetime import date, datetime, timezone
from pathlib import Path
from typing import Any

import _env

Step = tuple[str, list[str]]
Row = tuple[str, int, float, list[str]]


PROOFS_MIN = 40  # for each part of the whole proofs, at most
# What runs on MicroPython: judged against its types
ON_MICROPYTHON = ("device", "host/wakewell/portable", "tools/inside")
# One processor's work each
SIDE_BY_SIDE = ("lint", "format", "test files", "types, host", "types, device")
SAYS_MUCH = ("test files",)  # a line for each file, shown if it failed
# The tests wait for a third of their time: these use it
BESIDE_TESTS = ("proofs", "figures")


def steps(full: bool, expression: str | None, paths: list[str]) -> list[Step]:
    """Name and command of each step; commands are relative to the root of the clone."""

    def command(name: str, *arguments: str) -> list[str]:
        return [os.path.relpath(_env.tool(name), _env.ROOT), *arguments]

    def tests(*arguments: str) -> list[str]:
        # A worker takes tests that follow one another, so that few make the same fixture twice.
        # Tests of boards, brokers and browsers wait for a third of their time: one worker more
        workers = ["-n", str((os.cpu_count() or 1) + 1), "--dist", "worksteal"]
        return command("pytest", *workers, *arguments)

    # A part of the tests only: the proofs are no part of it
    whole = expression is None and not paths
    depth = ["--minutes", str(PROOFS_MIN)] if full else ["--quick"]
    chosen = [
        *([] if full else ["-m", "not nightly"]),
        *(["-k", expression] if expression else []),
    ]
    return [
        ("lint", command("ruff", "check", ".")),
        ("format", command("ruff", "format", "--check", ".")),
        # In a new clone pytest compiles every test file, which takes longer than to read them.
        # Once, while a processor is idle, instead of once in each worker
        *([("test files", command("pytest", "--collect-only", "-qq"))] if whole else []),
        ("types, host", command("mypy", "--strict", "host", "tools")),
        (
            "types, device",
            command("mypy", "--config-file", "device/mypy.ini", *ON_MICROPYTHON),
        ),
        *([("figures", command("python", "tools/bench.py", "--least"))] if whole else []),
        ("tests", tests(*chosen, *paths)),
        *([("proofs", command("python", "tools/assure.py", *depth))] if whole else []),
    ]


def shown(command: list[str]) -> str:
    """The command as a person would type it."""
    return subprocess.list2cmdline(command) if os.name == "nt" else shlex.join(command)


def run(todo: list[Step], together: bool = True) -> list[Row]:
    """Run every step, also after a failed one.

    Those of SIDE_BY_SIDE begin together, as many as there are processors. Then the others, whose
    output goes straight through. together: those of BESIDE_TESTS run one after another meanwhile.
    What a step says that does not run alone is shown when it is done and its turn has come.
    """
    early = [step for step in todo if step[0] in SIDE_BY_SIDE]
    beside = [step for step in todo if together and step[0] in BESIDE_TESTS]
    rows = []
    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        rows += told(early, pool.map(run_quiet, early))
    with ThreadPoolExecutor(1) as pool:
        ended = pool.map(run_quiet, beside)
        for step in todo:
            if step not in early and step not in beside:
                print(f"\n== {step[0]}: {shown(step[1])}", flush=True)
                rows.append(run_one(step)[0])
        rows += told(beside, ended)
    return rows


def told(todo: list[Step], ended: Iterable[tuple[Row, str]]) -> list[Row]:
    """Show what each of these steps said, in their order; their results."""
    rows = []
    for (name, command), (row, said) in zip(todo, ended, strict=True):
        text = "" if name in SAYS_MUCH and not row[1] else said
        print(f"\n== {name}: {shown(command)}\n{text}", end="", flush=True)
        rows.append(row)
    return rows


def run_quiet(step: Step) -> tuple[Row, str]:
    """One step's result and what it said, which is not shown yet."""
    return run_one(step, subprocess.PIPE)


def run_one(step: Step, output: int | None = None) -> tuple[Row, str]:
    """One step's result and, with PIPE, what it said."""
    # Many tests start programs of ours: each would compile all it imports once more
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    name, command = step
    start = time.monotonic()
    # The program is named in full: Windows looks for a relative one from where we
    # are, other systems from where the step will run.
    program = [str(_env.ROOT / command[0]), *command[1:]]
    done = subprocess.run(
        program, cwd=_env.ROOT, env=environment, stdout=output,
        stderr=None if output is None else subprocess.STDOUT, encoding="utf-8", errors="replace",
    )  # fmt: skip
    return (name, done.returncode, time.monotonic() - start, command), done.stdout or ""


def nightly() -> list[str]:
    """Names of the tests with that mark: their own, their file's or that of some of their cases."""
    found = []
    for path in sorted((_env.ROOT / "tests").rglob("test_*.py")):
        text = path.read_text(encoding="utf-8")
        if "mark.nightly" not in text:
            continue
        body = ast.parse(text).body
        whole_file = any(
            isinstance(at, ast.Assign)
            and ast.unparse(at.targets[0]) == "pytestmark"
            and marked(at.value)
            for at in body
        )
        for at in body:
            if isinstance(at, ast.FunctionDef) and at.name.startswith("test_"):
                marks = [ast.unparse(mark) for mark in at.decorator_list if marked(mark)]
                if whole_file or marks:
                    part = not whole_file and "pytest.mark.nightly" not in marks
                    found.append(f"{path.stem}::{at.name}" + " (some cases)" * part)
    return found


def marked(node: ast.expr) -> bool:
    return "mark.nightly" in ast.unparse(node)


def left_out(full: bool, expression: str | None, paths: list[str]) -> str:
    """What this run did not test, in words; the tests' own skips are in pytest's output."""
    part = bool(expression or paths)
    names = [] if full else nightly()
    parts = [
        *([f"{len(names)} tests marked nightly (--full): {', '.join(names)}"] if names else []),
        *(["the proofs but for their quick part (--full)"] if not full and not part else []),
        *(
            ["the proofs, tools/assure.py --quick", "the figures, tools/bench.py --least"]
            if part
            else []
        ),
        *([f"tests not matching -k {expression}"] if expression else []),
        *(["tests outside " + " ".join(paths)] if paths else []),
    ]
    return "; ".join(parts) or "nothing"


def last_full() -> Path:
    """The record of the last whole check that passed."""
    return _env.ROOT / "tests" / "last_full.json"


def aged(day: str) -> str:
    """A record's date, YYYY-MM-DD, with its age."""
    today = datetime.now(timezone.utc).date()  # noqa: UP017 - an old Python reads this file too
    days = (today - date.fromisoformat(day)).days
    return f"{day} ({days} days ago)"


def recorded() -> str:
    """How long ago the whole check last passed, and each part of the proofs was last recorded."""
    whole = kept(last_full())
    proofs = kept(_env.ROOT / "tests" / "assurance" / "last_run.json")
    dates = sorted((one["date"], name) for name, one in proofs.items())
    parts = ", ".join(f"{name} {aged(day)}" for day, name in dates) or "none"
    full = f"{aged(whole['date'])}, commit {whole['commit']}" if whole else "no record"
    return (
        f"the whole check (--full) last passed: {full}\n"
        f"the whole proofs (tools/assure.py) were last recorded: {parts}"
    )


def kept(path: Path) -> dict[str, Any]:
    """A record, {} if there is none."""
    return dict(json.loads(path.read_text(encoding="utf-8"))) if path.exists() else {}


def record(rows: list[Row]) -> None:
    """Keep that a whole check passed: its date, its commit and the minutes of its steps."""
    git = ["git", "-C", str(_env.ROOT), "describe", "--always", "--dirty=+", "--exclude=*"]
    commit = subprocess.run(git, capture_output=True, text=True).stdout.strip() or "unknown"
    minutes = {name: round(seconds / 60, 1) for name, _, seconds, _ in rows}
    passed = {"date": time.strftime("%Y-%m-%d", time.gmtime()), "commit": commit}
    last_full().write_text(json.dumps(passed | {"minutes": minutes}, indent=1) + "\n", "utf-8")


def table(rows: list[Row]) -> str:
    """Step, result and seconds of each step, and how to repeat the failed ones."""
    lines = [f"{'step':14}{'result':10}{'seconds':>8}"]
    for name, code, seconds, _ in rows:
        lines.append(f"{name:14}{'FAILED' if code else 'passed':10}{seconds:8.1f}")
    for _, code, _, command in rows:
        if code:
            lines.append(f"repeat, in {_env.ROOT}: {shown(command)}")
    return "\n".join(lines)


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "--full", action="store_true", help="with the tests marked nightly and the whole proofs"
    )
    parser.add_argument("-k", metavar="EXPRESSION", help="only tests that match, as in pytest")
    parser.add_argument("paths", nargs="*", help="only these test files or folders")
    asked = parser.parse_args()
    _env.ready(test=True)
    # The whole proofs are bounded in time: they want the processors for themselves
    rows = run(steps(asked.full, asked.k, asked.paths), together=not asked.full)
    passed = not any(code for _, code, _, _ in rows)
    if asked.full and passed and not (asked.k or asked.paths):
        record(rows)
    out = left_out(asked.full, asked.k, asked.paths)
    print(f"\n{table(rows)}\nleft out: {out}; skips: see the tests' own lines\n{recorded()}")
    return 0 if passed else 1


if __name__ == "__main__":
    sys.exit(_env.guarded(main))
