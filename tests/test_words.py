"""Every word the core can say has a plain one, and only those."""

from __future__ import annotations

from typing import Any

import pytest

from wakecore import plan, rules, state
from wakecore.run import TRIPS
from wakewell import words

TABLES: dict[str, tuple[dict[str, Any], list[str]]] = {
    "needs": (words.NEEDS, [row[0] for row in rules.NEEDS]),
    "lockouts": (words.LOCKOUTS, [row[0] for row in rules.LOCKOUTS]),
    "trips": (words.TRIPS_WORDS, [row[0] for row in TRIPS]),
    "permissives": (words.PERMISSIVES, [row[0] for row in rules.PERMISSIVES]),
    "held": (words.HELD, [row[0] for row in rules.PERMISSIVES]),
    "kinds": (words.KINDS, list(plan.KINDS)),
    "phases": (words.PHASES, list(state.PHASES)),
}


@pytest.mark.parametrize("table", TABLES)
def test_every_word_of_the_core(table: str) -> None:
    ours, theirs = TABLES[table]
    assert sorted(ours) == sorted(theirs)


def test_probe_words_are_those_the_core_lists() -> None:
    from wakecore import judge

    listed = [
        row.split()[0]
        for row in (judge.__doc__ or "").splitlines()
        if row.startswith("    ") and not row.startswith("     ")
    ]
    assert sorted(words.PROBE_WORDS) == sorted(listed)


def test_who_is_spoken_to_is_who_the_core_names() -> None:
    for name, who, *_ in rules.NEEDS:
        if name != "see to the pot":  # the owner is told to call the maker
            assert words.NEEDS[name].who == who


def test_whoever_is_spoken_to_is_told_what_to_do() -> None:
    for table in (words.NEEDS, words.LOCKOUTS):
        for name, word in table.items():
            assert word.plain, name
            assert word.cause, name
            assert word.do.endswith("."), name


def test_every_lockout_says_how_it_ends() -> None:
    ways = {rules.ITSELF: "by itself", rules.BUTTON: "button", rules.CABLE: "maker"}
    for name, _, way in rules.LOCKOUTS:
        assert ways[way] in words.LOCKOUTS[name].do, name


def test_a_word_of_a_newer_core_speaks_for_itself() -> None:
    assert words.of(words.NEEDS, "water the moon").plain == "water the moon"
