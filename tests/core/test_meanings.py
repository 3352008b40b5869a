"""Every row of the core's tables says what it means."""

import pytest

from wakecore import fields, state
from wakewell.meanings import meanings


@pytest.mark.parametrize("table", ["LIMITS", "SETTINGS", "CALIBRATION", "PROBES"])
def test_every_value_has_a_meaning(table: str) -> None:
    assert list(meanings("fields", table)) == [row[0] for row in getattr(fields, table)]


def test_every_field_of_the_state_has_a_meaning() -> None:
    assert list(meanings("state", "FIELDS")) == [row[0] for row in state.FIELDS]
