"""Properties of the core over whole lives of a pot: every protection at once, always.

Lives are made by `core_world`, judged by `core_oracles`. Each subject stresses one side
(the cell, the tank, storage ...) and all oracles judge each of them. The same lives come
from Hypothesis, which finds the smallest that fails, and from a seeded generator, which
makes many more of them in the same time.
"""

from __future__ import annotations

import core_oracles
import core_pots
import core_world
import pytest
from hypothesis import HealthCheck, given, settings

THOROUGH = settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
SUBJECTS = [*core_world.SUBJECTS, "all"]
LIVES = 50  # of a subject: what 100 find of broken cores comes within the first 34


def fault(stored: dict[str, bytes], life: core_world.Life) -> str:
    """What an oracle says against this life, "" if nothing."""
    pot = core_pots.load(stored)
    history = core_world.World(pot).live(life)
    try:
        core_oracles.judge(history, pot)
    except AssertionError as wrong:
        return str(wrong)
    return ""


def chosen(subject: str) -> tuple[str, ...]:
    """A subject goes together with the soil's, so that there is watering at all."""
    return () if subject == "all" else (subject, "soil")


@pytest.mark.parametrize("subject", SUBJECTS)
def test_every_oracle_holds_whatever_happens(subject: str) -> None:
    """R1 to R6, R9, R11 to R15 over any readings, resets, clocks, stores and buttons."""

    @THOROUGH
    @given(core_world.cases(chosen(subject)))
    def holds(case: tuple[dict[str, bytes], core_world.Life]) -> None:
        assert fault(*case) == ""

    holds()


@pytest.mark.parametrize("subject", SUBJECTS)
def test_every_oracle_holds_over_many_lives(subject: str) -> None:
    """The same, over many more and longer lives; a failure names its seed and is made small."""
    for seed in range(LIVES):
        pick = core_pots.Pick(seed)
        stored = core_pots.any_lines(pick)
        life = core_world.any_life(pick, chosen(subject), 60)
        if fault(stored, life):

            def fails(some: core_world.Life, stored: dict[str, bytes] = stored) -> bool:
                return fault(stored, some) != ""

            life = core_world.smallest(life, fails)
            pytest.fail(f"{subject}, seed {seed}: {fault(stored, life)}\n{life}\n{stored}")
