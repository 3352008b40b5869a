#!/usr/bin/env python3
"""Prove the protections: python3 tools/assure.py [--quick] [--json] [--only PART] ...

Searches the control core exhaustively, cuts and fails it at every operation, plays against
it, fuzzes what reads bytes, mutates every line, and compares both interpreters, in the
environment that check.py uses. `--help` names the parts; `--quick` is what a check runs.
Exit status: 0 nothing found, 1 something was, 2 it could not be run, 130 it was stopped.
"""

import os
import subprocess
import sys

import _env


def main() -> int:
    _env.ready(test=True)
    command = [str(_env.tool("python")), "-m", "assurance", *sys.argv[1:]]
    places = [str(_env.ROOT / "tools"), os.environ.get("PYTHONPATH", "")]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, places))}
    with subprocess.Popen(command, cwd=_env.ROOT, env=environment) as process:
        try:
            return process.wait()
        except KeyboardInterrupt:  # Ctrl-C reached the parts too: let them end their workers
            try:
                return process.wait(20)
            except subprocess.TimeoutExpired:
                process.terminate()
                return 130


if __name__ == "__main__":
    sys.exit(_env.guarded(main))
