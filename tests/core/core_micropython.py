"""Runs a few lines of test code on a real MicroPython, with the same core as this process."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from wakewell.interpreters import interpreter

needs_micropython = pytest.mark.skipif(not interpreter.found(), reason=interpreter.MISSING)

START = "import sys, micropython_unix; sys.exit(micropython_unix.main())"


def run(folder: Path, code: str, *arguments: str) -> str:
    """What that program prints. folder: an empty one to keep the program in."""
    program = folder / "program.py"
    program.write_text(code)
    command = [sys.executable, "-c", START, "-X", "heapsize=64M", str(program), *arguments]
    done = subprocess.run(
        command, env=interpreter.environment(), capture_output=True, timeout=300, check=False
    )
    assert done.returncode == 0, done.stderr.decode(errors="replace")[-2000:]
    return done.stdout.decode()
