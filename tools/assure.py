#!/usr/bin/env python3
"""Prove the protections: python3 tools/assure.py [--quick] [--json] [--only PART] ...

Searches the control core exhaustively, cuts and fails it at every operation, plays against
it, fuzzes what reads bytes, mutates every line, and compares both interpreters, in the
environment that check.py uses. `--help` names the parts; `--quick` is what a check runs.
Exit status: 0 nothing found, 1 something was, 2 it could not be run.
"""

import subprocess
import sys

import _env


def main() -> int:
    _env.ready(test=True)
    command = [str(_env.tool("python")), "-m", "wakewell.assure", *sys.argv[1:]]
    return subprocess.call(command, cwd=_env.ROOT)


if __name__ == "__main__":
    sys.exit(_env.guarded(main))
