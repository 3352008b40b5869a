"""What tests need beside Python's packages, and the one command that brings all of it."""

from __future__ import annotations

import sys

DEBIAN = ("chromium", "mosquitto", "postgresql")  # the same as .ci/run installs
# Another way to one of them, for a machine that is not Debian
ELSEWHERE = {"chromium": f"{sys.executable} -m playwright install chromium"}

# Why a test is skipped where a library is missing
NO_LIBRARY = (
    f"a library is missing; all that tests need, in the clone: {sys.executable} -m pip install "
    "-e '.[test]'"
)


def lacking(program: str) -> str:
    """Why a test is skipped where that program is missing, and what to do."""
    other = f"; elsewhere: {ELSEWHERE[program]}" if program in ELSEWHERE else ""
    debian = f"sudo apt install {' '.join(DEBIAN)}"
    return f"no {program} here{other}; all that tests need, on Debian: {debian}"
