"""Lives of a pot chosen against it: any letters together, wake after wake, until one is broken.

The search changes one thing at a time; here anything may come together. The monitor of the search
judges. A life that breaks a requirement is made as short and as ordinary as it can be, and told as
a sequence file.

A life is played by a `Player`: the bench of the search here, or anything else that plays
letters and raises `Violation`, such as the rig.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Protocol

from assurance import corners
from assurance.explore import BrokenPath, Search
from assurance.letters import GROUPS, ORDINARY, THEMES, Letter, choices
from assurance.monitor import Memory, Violation
from assurance.world import start

LIFE = 60  # wakes
Life = list[Letter]
PLAYED = tuple(
    corner
    for corner in corners.CORNERS
    if corner.name
    in (
        "everything",
        "storage, daily",
        "tank, daily",
        "rolling",
        "run, soaked",
        "upkeep, daily",
        "mains",
        "float",
        "current",
        "dry runs",
        "greatest",
    )
)


class LetterPlayer(Protocol):
    """Plays letters on some pot."""

    def play(self, letter: Letter) -> bool:
        """One wake; False if that letter cannot follow. Raises Violation."""


class BenchPlayer:
    """The bench of the search, without its projection."""

    def __init__(self, corner: corners.Corner) -> None:
        self.search = Search(corner, quick=True)
        self.node = start(corner)._replace(memory=Memory())
        self.pulses = 0

    def play(self, letter: Letter) -> bool:
        """One wake."""
        done = self.search.step(self.node, letter)
        if done is None:
            return False
        self.pulses += "on" in done[0].commands
        self.node = done[1]
        return True


def found_choices(corner: corners.Corner) -> dict[str, list[str]]:
    """What may happen to that pot, the ordinary choice first."""
    found = choices(("soil", *corner.probes), tuple(THEMES))
    return {group: [GROUPS[group][0], *names] for group, names in found.items()}


def any_letter(pick: random.Random, found: dict[str, list[str]]) -> Letter:
    """A letter with up to four things out of the ordinary; every third has none."""
    letter = replace(ORDINARY, soil=pick.choice(("dry", "dry", "wet")))
    letter = replace(letter, level=pick.choice(("left", "left", "filled")))
    if pick.random() < 0.2:  # somebody cares, or a locked out pot would be left alone for ever
        return replace(letter, begin=pick.choice(("cable", "held through")), level="filled")
    for group in pick.sample(sorted(found), max(0, pick.randint(-2, 4))):
        letter = replace(letter, **{group: pick.choice(found[group])})
    return letter


def broken(
    corner: corners.Corner, life: Life, make: Callable[..., LetterPlayer]
) -> Violation | None:
    """The first requirement that this life breaks; None if none."""
    player = make(corner)
    for letter in life:
        try:
            player.play(letter)
        except Violation as wrong:
            return wrong
    return None


def shrunk(corner: corners.Corner, life: Life, make: Callable[..., LetterPlayer]) -> Life:
    """The life without every wake and every unusual choice that the violation does not need."""
    wrong = broken(corner, life, make)
    rule = wrong.rule if wrong else ""

    def fails(some: Life) -> bool:
        found = broken(corner, some, make)
        return found is not None and found.rule == rule

    for at in range(len(life), 0, -1):
        if fails(life[:at]):
            life = life[:at]
    for at in reversed(range(len(life))):
        shorter = life[:at] + life[at + 1 :]
        if fails(shorter):
            life = shorter
    for at in range(len(life)):
        for group in GROUPS:
            plain = replace(life[at], **{group: GROUPS[group][0]})
            simpler = [*life[:at], plain, *life[at + 1 :]]
            if plain != life[at] and fails(simpler):
                life = simpler
    return life


def seek(
    seed: int,
    lives: int = 1 << 60,
    seconds: float = 1e9,
    make: Callable[..., LetterPlayer] = BenchPlayer,
    told: Callable[[int], None] | None = None,
) -> tuple[int, int, list[BrokenPath]]:
    """(lives played, pulses in them, what was broken) from a seed, until one bound is reached."""
    begun, played, pulses = time.monotonic(), 0, 0
    found: list[BrokenPath] = []
    while played < lives and time.monotonic() - begun < seconds and len(found) < 3:
        pick = random.Random(f"{seed}.{played}")
        corner = PLAYED[played % len(PLAYED)]
        allowed = found_choices(corner)
        life: Life = []
        player = make(corner)
        try:
            for _ in range(LIFE):
                letter = any_letter(pick, allowed)
                life.append(letter)
                if not player.play(letter):
                    life.pop()
        except Violation:
            life = shrunk(corner, life, make)
            wrong = broken(corner, life, make)
            assert wrong is not None
            found.append(BrokenPath(corner, wrong.rule, wrong.why, wrong.expected, life))
        pulses += getattr(player, "pulses", 0)
        played += 1
        if told:
            told(played)
    return played, pulses, found
