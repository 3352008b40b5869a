"""Every word the core can say has a plain one, and only those."""

from __future__ import annotations

import ast
from pathlib import Path
from typing import Any

import pytest

import wakewell
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


# Wordings that readers stumbled over. They are parts of sentences, so that no name of the core
# ("see why it stays dry" is one) is caught, only what a person is told.
OLD_WORDINGS = (
    "not called on",
    "disbelieved",
    "may have run out meanwhile",
    "so it does not decide about water",
    "what was left to give",
    "not to be told",
    "booked in 24 hours",
    "what had to hold before",
    "stands on top",
    "no run below this",
    "given up by the ring",
    "shows that it lives",
    "tells air from water",
    "no surer than that",
    "longer than can be told",
    "a name that is none",
    "see to it by cable",
    "only asked how it is",
    "the plant has drunk it",
    "under the magnifier",
    "reason is given under",
    "reason is given below",
    "an option of it",
    "parts per thousand of soil",
)


def told(path: Path) -> list[str]:
    """What that file may show to a person: its strings but for docstrings, or all of a page."""
    text = path.read_text(encoding="utf-8")
    if path.suffix != ".py":
        return [text]
    tree = ast.parse(text)
    docs = {id(n.value) for n in ast.walk(tree) if isinstance(n, ast.Expr)}
    return [
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docs
        if " " in node.value  # a word alone is a name in the code
    ]


def test_no_wording_that_readers_stumbled_over_has_come_back() -> None:
    folder = Path(wakewell.__file__).parent
    files = [p for p in folder.rglob("*") if p.suffix in (".py", ".html", ".js")]
    texts = [(path.name, " ".join(t.split()).lower()) for path in files for t in told(path)]
    found = [(name, old) for name, text in texts for old in OLD_WORDINGS if old in text]
    assert len(texts) > 5000
    assert found == []
