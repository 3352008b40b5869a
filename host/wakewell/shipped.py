"""What ships with the program: the cafe's six planters, logs in which protections act, trials."""

from __future__ import annotations

from pathlib import Path

DATA = Path(__file__).parent / "data"
CAFE = DATA / "cafe"
HANDS = DATA / "hands.toml"  # what hands do at a desk board when commission asks
TROUBLE = DATA / "trouble"  # logs that call on what the cafe's hardly meet, and their trials
TRIALS = DATA / "trials"
