"""Lives chosen against the pot: by Hypothesis, and from a seed; failures become sequences."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule

from assurance import adversary, letters, monitor, tell
from wakecore import wake
from wakewell.sequences import playing


class Pot(RuleBasedStateMachine):
    """Anything, any time, together; the monitor of the search speaks after every wake."""

    player: adversary.BenchPlayer
    life: adversary.Life

    @initialize(corner=st.sampled_from(adversary.PLAYED))
    def begin(self, corner: Any) -> None:
        self.corner = corner
        self.player, self.life = adversary.BenchPlayer(corner), []
        self.choices = adversary.found_choices(corner)

    def play(self, letter: letters.Letter) -> None:
        self.life.append(letter)
        try:
            self.player.play(letter)
        except monitor.Violation as wrong:
            told = tell.sequence(self.corner, self.life, wrong.rule, wrong.why, wrong.expected)
            raise AssertionError(told) from wrong

    @precondition(lambda self: hasattr(self, "player"))
    @rule(data=st.data(), soil=st.sampled_from(("dry", "wet")))
    def something(self, data: st.DataObject, soil: str) -> None:
        odd = {
            group: data.draw(st.sampled_from(self.choices[group]))
            for group in data.draw(st.sets(st.sampled_from(sorted(self.choices)), max_size=4))
        }
        self.play(letters.Letter(**{"soil": soil, **odd}))

    @precondition(lambda self: hasattr(self, "player"))
    @rule(soil=st.sampled_from(("dry", "wet")))
    def nothing(self, soil: str) -> None:
        self.play(letters.Letter(soil=soil))

    @precondition(lambda self: hasattr(self, "player"))
    @rule(begin=st.sampled_from(("cable", "held through")))
    def somebody_cares(self, begin: str) -> None:
        self.play(letters.Letter(begin=begin, level="filled"))


TestPot = Pot.TestCase
TestPot.settings = settings(
    max_examples=60, stateful_step_count=40, deadline=None, suppress_health_check=list(HealthCheck)
)


def test_lives_from_a_seed_break_nothing() -> None:
    played, pulses, found = adversary.seek(seed=7, lives=200)
    assert [one.why for one in found] == []
    assert played == 200
    assert pulses > 500


def test_a_broken_core_is_found_made_short_and_told(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(wake, "look_at_saucer", lambda *_: None)
    monkeypatch.setattr(wake, "LATCHES", {"sag": "battery low"})
    _, _, found = adversary.seek(seed=5, lives=400)
    rules = {one.rule for one in found}
    assert rules & {"R15", "R8", "R5"}
    first = min(found, key=lambda one: len(one.path))
    assert len(first.path) < 12
    path = tmp_path / "found.toml"
    path.write_text(tell.sequence(first.corner, first.path, first.rule, first.why, first.expected))
    assert [failure.rule for failure in playing.check(playing.load(path))] == [first.rule]
    monkeypatch.undo()
    assert playing.check(playing.load(path)) == []
