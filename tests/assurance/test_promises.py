"""What is promised of every wake holds in each wake of every sequence; and the witness sees."""

from __future__ import annotations

import copy
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from assurance import promises
from wakewell.sequences import playing, sequence_file

SEQUENCES = Path(__file__).parents[1] / "sequences"


def test_every_wake_of_every_sequence_keeps_what_is_promised_of_all() -> None:
    paths = sorted(SEQUENCES.glob("*.toml"))
    assert len(paths) > 250
    for path in paths:
        sequence = sequence_file.load(path)
        assert [str(one) for one in promises.broken(sequence, playing.run(sequence))] == []


def _unlocked(out: dict[str, Any]) -> None:
    out["record"]["lockouts"] = []


def _counted(out: dict[str, Any]) -> None:
    out["record"]["water"] |= {"day_ml": 1}


def _long(out: dict[str, Any]) -> None:
    out["record"]["commands"][-1] = "sleep 172000 button"


def _order(out: dict[str, Any]) -> None:
    events = out["events"]
    events.remove("store")


def _silent(out: dict[str, Any]) -> None:
    out["record"]["needs"] = []


def _dry(out: dict[str, Any]) -> None:
    out["record"]["values"]["level_ml"] = 10


def _renumbered(out: dict[str, Any]) -> None:
    out["record"]["n"] += 1


@pytest.mark.parametrize(
    ("name", "wake", "change", "rule"),
    [
        ("r08_ordinary_two_looks", 1, _order, "R9"),
        ("r08_ordinary_two_looks", 1, _dry, "R4"),
        ("r08_ordinary_two_looks", 2, _counted, "R3"),
        ("r08_ordinary_two_looks", 2, _long, "R8"),
        ("r08_ordinary_two_looks", 2, _renumbered, "R11"),
        ("r07_ordinary_no_answer", -1, _unlocked, "R9"),
        ("r07_ordinary_no_answer", -1, _silent, "R16"),
    ],
)
def test_the_witness_sees(
    name: str, wake: int, change: Callable[[dict[str, Any]], None], rule: str
) -> None:
    sequence = sequence_file.load(SEQUENCES / f"{name}.toml")
    outputs = [copy.deepcopy(out) for out in playing.run(sequence)]
    change(outputs[wake - 1 if wake > 0 else wake])
    assert rule in {one.rule for one in promises.broken(sequence, outputs)}
