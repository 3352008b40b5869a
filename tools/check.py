#!/usr/bin/env python3
"""Check everything: python3 tools/check.py [--fast] [-k EXPRESSION] [test paths]

Runs lint, format, types of the host code, types of the device code, what is quick of the
proofs (tools/assure.py), each figure of tools/bench.py once, and all tests, each to its end, in
the environment that demo.py uses with the test packages added. Prints each step's command before
it, a table after them and what was left out.
Exit status: 0 all passed, 1 something did not, 2 the environment could not be made.

Device code is checked against the types of MicroPython 1.27 for the ESP32, which stand
in for the standard library's: a module or a function that the chip lacks is an error
there, see device/mypy.ini. They lie in .venv/stubs, out of sight of the host check.
"""

import argparse
import json
import os
import shlex
import subprocess
import sys
import time

import _env

Step = tuple[str, list[str]]
Row = tuple[str, int, float, list[str]]


def steps(fast: bool, expression: str | None, paths: list[str]) -> list[Step]:
    """Name and command of each step; commands are relative to the root of the clone."""

    def command(name: str, *arguments: str) -> list[str]:
        return [os.path.relpath(_env.tool(name), _env.ROOT), *arguments]

    def tests(*arguments: str) -> list[str]:
        # A worker takes tests that follow one another, so that few make the same fixture twice
        workers = ["-n", str(os.cpu_count() or 1), "--dist", "worksteal"]
        return command("pytest", *workers, *arguments)

    # A part of the tests only: the proofs are no part of it
    whole = not fast and expression is None and not paths
    chosen = [*(["-m", "not slow"] if fast else []), *(["-k", expression] if expression else [])]
    return [
        ("lint", command("ruff", "check", ".")),
        ("format", command("ruff", "format", "--check", ".")),
        ("types, host", command("mypy", "--strict", "host", "tools")),
        (
            "types, device",
            command("mypy", "--config-file", "device/mypy.ini", "device", "host/wakewell/boards"),
        ),
        *([("proofs", command("python", "-m", "wakewell.assure", "--quick"))] if whole else []),
        *([("figures", command("python", "tools/bench.py", "--least"))] if whole else []),
        ("tests", tests(*chosen, *paths)),
    ]


def shown(command: list[str]) -> str:
    """The command as a person would type it."""
    return subprocess.list2cmdline(command) if os.name == "nt" else shlex.join(command)


def run(todo: list[Step]) -> list[Row]:
    """Run every step, also after a failed one; its output goes straight through."""
    rows = []
    for name, command in todo:
        print(f"\n== {name}: {shown(command)}", flush=True)
        start = time.monotonic()
        # The program is named in full: Windows looks for a relative one from where we
        # are, other systems from where the step will run.
        program = [str(_env.ROOT / command[0]), *command[1:]]
        code = subprocess.call(program, cwd=_env.ROOT)
        rows.append((name, code, time.monotonic() - start, command))
    return rows


def left_out(fast: bool, expression: str | None, paths: list[str]) -> str:
    """What this run did not test, in words; the tests' own skips are in pytest's output."""
    parts = [
        *(["tests marked slow (--fast)"] if fast else []),
        *(
            ["the proofs, tools/assure.py --quick", "the figures, tools/bench.py --least"]
            if fast or expression or paths
            else []
        ),
        *([f"tests not matching -k {expression}"] if expression else []),
        *(["tests outside " + " ".join(paths)] if paths else []),
    ]
    return "; ".join(parts) or "nothing"


def recorded() -> str:
    """When each part of the whole proofs was last run and recorded, the oldest first."""
    path = _env.ROOT / "tests" / "assure" / "last_run.json"
    parts = json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}
    dates = sorted((one["date"], name) for name, one in parts.items())
    return ", ".join(f"{name} {day}" for day, name in dates) or "none"


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
    parser.add_argument("--fast", action="store_true", help="leave out tests marked slow")
    parser.add_argument("-k", metavar="EXPRESSION", help="only tests that match, as in pytest")
    parser.add_argument("paths", nargs="*", help="only these test files or folders")
    asked = parser.parse_args()
    _env.ready(test=True)
    rows = run(steps(asked.fast, asked.k, asked.paths))
    asked_out = left_out(asked.fast, asked.k, asked.paths)
    print(f"\n{table(rows)}\nleft out by request: {asked_out}; skips: see the tests' own lines")
    print(f"the whole proofs (tools/assure.py) were last recorded: {recorded()}")
    return 1 if any(code for _, code, _, _ in rows) else 0


if __name__ == "__main__":
    sys.exit(_env.guarded(main))
