"""Every row of the core's tables says what it means, in the words that people are shown."""

from __future__ import annotations

import re

import pytest

from wakecore import fields, state
from wakewell.core import core_folder
from wakewell.pot import meanings


def comments(module: str, table: str) -> dict[str, str]:
    """{name: comment} of a table's rows, read from the source."""
    text = (core_folder() / f"{module}.py").read_text(encoding="utf-8")
    rows = re.search(rf"^{table} = \(\n(.*?)^\)$", text, re.MULTILINE | re.DOTALL)
    assert rows is not None
    return dict(re.findall(r'^    \("(\w+)", .*\),  # (.+)$', rows[1], re.MULTILINE))


@pytest.mark.parametrize("table", ["LIMITS", "SETTINGS", "CALIBRATION", "PROBES"])
def test_every_value_has_a_meaning_and_both_say_the_same(table: str) -> None:
    assert list(getattr(meanings, table)) == [row[0] for row in getattr(fields, table)]
    assert getattr(meanings, table) == comments("fields", table)


def test_the_meanings_of_a_file_are_those_of_its_rows() -> None:
    for kind, rows in fields.KINDS.items():
        probes = [row[0] for row in fields.PROBES] if kind == "calibration" else []
        assert list(meanings.of(kind)) == [row[0] for row in rows] + probes


def test_every_field_of_the_state_has_a_meaning() -> None:
    assert list(comments("state", "FIELDS")) == [row[0] for row in state.FIELDS]


def test_a_name_for_each_number_of_the_state_and_each_value_of_a_file() -> None:
    """What mypy knows by name is what the tables hold."""
    names = set(state.State.__annotations__) - {"ages_s", "mls", "crc"}
    assert names == {row[0] for row in state.FIELDS}
    named = set(fields.Values.__annotations__)
    rows = [row for rows in fields.KINDS.values() for row in rows]
    assert named == {row[0] for row in (*rows, *fields.PROBES)}
