"""Lives judged by the plant, the floor and the cell: a sample of them, and broken cores found."""

from __future__ import annotations

import itertools
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

import permitted
from lacking import NO_LIBRARY
from wakecore import judge, plan, rules, wake

pytest.importorskip("fluids", reason=NO_LIBRARY)

from assurance import note, outcomes, parts, recorded, troubles
from wakewell.rig.pot import DAY_S
from wakewell.simulate import people

SEED = 1


@pytest.mark.parametrize("number", range(12))  # the whole proofs play these and all that follow
def test_no_outcome_of_a_life_is_broken(number: int) -> None:
    life = troubles.life(SEED, number)
    came = outcomes.play(life)
    assert came.broken == [], life.line
    assert came.wakes > 20


def test_a_life_is_its_number() -> None:
    assert troubles.life(SEED, 17) == troubles.life(SEED, 17)
    assert troubles.life(SEED, 17).tables != troubles.life(SEED + 1, 17).tables
    life = troubles.life(SEED, 3)
    assert outcomes.play(life) == outcomes.play(life)


def test_every_trouble_comes_alone_and_in_pairs() -> None:
    lives = [troubles.life(SEED, number) for number in range(120)]
    alone = {life.troubles for life in lives if len(life.troubles) == 1}
    assert {name for (name,) in alone} == set(troubles.TROUBLES)
    paired = {name for life in lives if len(life.troubles) == 2 for name in life.troubles}
    assert len(paired) > 20
    assert sum(not life.troubles for life in lives) == 24 - 3


def test_every_need_that_is_mended_and_every_trouble_is_known() -> None:
    """A name that nobody uses any more would make the owner deaf."""
    needs = {row[0] for row in rules.NEEDS}
    assert set(outcomes.HELP) | set(outcomes.ROUTINE) <= needs
    assert {need for one in troubles.TROUBLES.values() for need in one.about} <= needs


def alone(name: str, number: int, **changed: Any) -> troubles.LifePlan:
    """The life of that number under another trouble, or with something else changed."""
    life = troubles.life(SEED, number)
    assert life.troubles == (name,)
    return replace(life, **changed)


# {outcome: what the core is broken by, and the lives in which it must show}
BROKEN: dict[str, tuple[Any, str, Any, tuple[str, ...]]] = {
    "plant": (wake, "look_at_thirst", lambda *_: None, ("settings too small",)),
    "floor": (plan, "left_ul", lambda *_: 1 << 29, ("hose off",)),
    "cell": (wake, "look_at_battery", lambda *_: None, ("cell flat",)),
    "silence": (wake, "is_to_report", lambda *_: False, ("pump seized",)),
    "lockout": (judge, "judge_answer", lambda *_: (0, True, 10), ()),
}


def begun_low(life: troubles.LifePlan) -> troubles.LifePlan:
    """The same with a cell that is nearly flat."""
    life.tables["start"]["charge"] = 0.08
    return life


@pytest.mark.nightly
@pytest.mark.parametrize("kind", BROKEN)
def test_a_broken_core_is_found(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    module, name, instead, trouble = BROKEN[kind]
    monkeypatch.setattr(module, name, instead)
    if kind == "floor":  # the lockout stops it as well
        monkeypatch.setattr(judge, "learn", lambda *_: None)
    if kind == "cell":
        monkeypatch.setattr(rules, "judge_permissives", permitted.always("battery"))
    lives = (troubles.life(SEED, number) for number in range(600))
    some = itertools.islice((life for life in lives if life.troubles == trouble), 10)
    if kind == "cell":
        some = (begun_low(life) for life in some)
    lines = (line for life in some for line in outcomes.play(life).broken)
    assert any(line.split(": ")[1] == kind for line in lines)


def test_the_record_goes_on_and_the_note_tells_it(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(recorded, "LAST_RUN", tmp_path / "last_run.json")
    monkeypatch.setattr(outcomes, "LIVES", 8)
    monkeypatch.setattr(outcomes, "BATCH", 4)
    asked = parts.PersonAsked(False, 1.0, SEED, tmp_path, None, True, workers=1)
    asked.record = True
    asked.lives_s = 1e-9  # the time is over after the first batch
    first = parts.outcomes(asked)
    assert 0 <= first.numbers["outcome_lives"] < 8
    assert first.left_out == [f"{8 - first.numbers['outcome_lives']} of 8 lives"]
    recorded.record("outcomes", False, first.numbers, first.left_out, first.more)
    asked.lives_s, asked.go_on = 1e9, True
    whole = parts.outcomes(asked)
    assert whole.numbers == {"outcome_lives": 8, "violations": 0}
    assert sum(row["lives"] for row in whole.more["rows"].values()) == 8
    recorded.record("outcomes", False, whole.numbers, whole.left_out, whole.more)
    text = note.text()
    assert "8 lives were played on a simulated pot" in text
    assert "| nothing, for a year | 2 |" in text
    kept = json.loads(recorded.LAST_RUN.read_text())["outcomes"]
    kept["broken"] = ["life 3: day 20.0: floor: too much"]
    recorded.LAST_RUN.write_text(json.dumps({"outcomes": kept}))
    assert "In all but 1 of them" in note.text()
    assert "Broken: life 3" in note.text()


# The judge itself, on lives that are made to fail


def test_the_judge_sees_a_plant_that_nobody_was_told_of(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever the pot asks for, nobody hears it: the tank is empty, the plant wilts."""
    monkeypatch.setattr(outcomes.Outcome, "heard", lambda *_: None)
    number = next(n for n in range(300) if troubles.life(SEED, n).troubles == ("tank forgotten",))
    life = alone("tank forgotten", number, owner="away", days=120.0)
    life.faults = tuple(replace(fault, end_s=200 * DAY_S) for fault in life.faults)
    life.tables["thirst"], life.tables["start"]["tank"] = 0.8, 0.3
    assert any("plant: below wilting" in line for line in outcomes.play(life).broken)


def test_the_judge_waits_for_the_maker_as_long_as_he_takes(monkeypatch: pytest.MonkeyPatch) -> None:
    """A float that stuck for two weeks is freed: by all readings the tank leaked, which only the
    cable ends. The pot wakes twice a day, and the maker comes after four days."""
    life = troubles.life(SEED, 649)
    assert life.tables["settings"]["wake_s"] == 43200
    assert outcomes.play(life).broken == []
    # He comes, and does nothing
    monkeypatch.setattr(people.Household, "clear_by_cable", lambda *_: 0)
    (line,) = outcomes.play(life).broken
    assert "again: no water for 10 dry wakes" in line
