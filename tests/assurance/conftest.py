"""The package `assurance` is in tools/. Programs that a test starts must find it there too."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

TOOLS = Path(__file__).parents[2] / "tools"


@pytest.fixture(autouse=True)
def _found_by_programs(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PYTHONPATH", str(TOOLS), prepend=os.pathsep)
