"""What is promised of every wake holds in each wake of every sequence; and the witness sees."""

from __future__ import annotations

import copy
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from assurance import pairs, promises
from wakewell.sequences import playing, sequence_file

LASTS_S = {"cell low": 25 * pairs.HOUR_S}  # of a condition that ends before the others
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


@pytest.mark.parametrize(
    ("variant", "one", "other"),
    [
        # Told in the wake that was lost, and the day before; a press puts the next day's off
        ("provisional", ("slot damaged", 176785, "idle"), ("hold each day", 180385, "idle")),
        # Presses before the damage count among those of the day that are answered
        ("mains", ("slot damaged", 391213, "second look"), ("hold each day", 394813, "idle")),
        # A lost file takes nothing with it of what was told
        ("radio", ("tank low", 250969, "idle"), ("calibration lost", 250969, "first look")),
        # The damaged slot may have held a pulse: it has to settle, then the wakes count
        ("provisional", ("slot damaged", 205907, "idle"), ("cell unknown", 209507, "idle")),
        # A wait after a report in vain goes on while the cell is not known
        ("float", ("cell scatters", 306279, "idle"), ("radio fails", 306579, "idle")),
        # The wakes that doubt the level are put off only so often, then one is regular
        ("float", ("level at reserve", 282568, "idle"), ("radio browns out", 286168, "idle")),
        # A full cell ends the lockout, the pulse sags, and it latches again in the same wake
        ("thirsty", ("cell low", 342563, "second look"), ("sags", 428963, "idle")),
    ],
)
def test_what_a_pot_may_have_lost_is_not_asked_of_it(
    variant: str, one: tuple[str, int, str], other: tuple[str, int, str]
) -> None:
    spells = [
        pairs.Spell(
            name, begin_s, min(pairs.END_S, begin_s + LASTS_S.get(name, pairs.DAY_S * 8)), phase
        )
        for name, begin_s, phase in (one, other)
    ]
    pairs.play(variant, (spells[0], spells[1]))
