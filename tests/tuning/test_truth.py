"""A rig pot whose truth was drawn: what `tools/tuned.py` counts over hundreds."""

from __future__ import annotations

import importlib
import sys
from pathlib import Path
from typing import Any

import pytest

TOOLS = str(Path(__file__).parents[2] / "tools")
POTS = (5,)  # a small tank


def test_a_drawn_pot_is_foretold_for_sixty_days(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(TOOLS)
    tuned: Any = importlib.import_module("tuned")
    held = near = asked = 0
    for number in POTS:
        row = tuned.one(number, 12)
        assert not row["odd"]
        for when in ("same", "other"):
            true, middle, low, high = row["ahead"][when]["water_week_ml"]
            near += abs(middle - true) <= 0.15 * true
            for name in ("water_week_ml", "waterings", "refills"):
                true, middle, low, high = row["ahead"][when][name]
                held += low <= true <= high
                asked += 1
    assert near >= 0.75 * 2 * len(POTS)
    assert held >= 0.75 * asked
    row = tuned.ranked(0)
    assert set(row["ranks"]) == set(tuned.RANKED)
    assert all(0.0 <= rank <= 1.0 for rank in row["ranks"].values())
    sys.modules.pop("tuned")
