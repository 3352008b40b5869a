"""What tests need beside Python's packages, and the one command that brings all of it."""

from __future__ import annotations

DEBIAN = ("chromium", "mosquitto", "openssl", "postgresql")  # as .ci/run installs them


def lacking(program: str) -> str:
    """Why a test is skipped where that program is missing, and what to do."""
    return f"no {program} here; all that tests need, on Debian: sudo apt install {' '.join(DEBIAN)}"
