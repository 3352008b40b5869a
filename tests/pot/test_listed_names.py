"""`wakewell check --names`: every name of a pot's files, with unit, range and meaning."""

from __future__ import annotations

import pytest

from wakecore import fields
from wakewell.cli import main
from wakewell.pot import description, names, parts, pot_folder, private
from wakewell.shipped import CAFE


def test_no_name_of_any_file_is_missing() -> None:
    listed = {(each.file, each.table, each.name) for each in names.every()}
    for kind in description.KINDS:
        for row in fields.KINDS[kind]:
            told = kind == "calibration" and row[0] in description.TOLD_BY_POT
            assert ((kind, "", row[0]) in listed) != told
    for table, (_, rows, optional, words) in description.TABLES.items():
        for name in (*words, *(row[0] for row in rows + optional)):
            assert ("pot", table, name) in listed
    for (part, _), what in parts.PARTS.items():
        for name in (*what.pins, *what.words, *(row[0] for row in what.rows)):
            assert ("wiring", part, name) in listed
    for table, rows_ in private.TABLES.items():
        assert {("private", table, name) for name in rows_} <= listed


@pytest.mark.parametrize("name", ["basil", "citrus", "fern", "mint", "strawberry", "tomato"])
def test_whatever_a_pot_has_is_listed(name: str) -> None:
    listed = {(each.file, each.table, each.name) for each in names.every()}
    for kind, file in pot_folder.load(CAFE / name).files.items():
        for key, value in file.data.items():
            for inner in value if isinstance(value, dict) else (None,):
                row = (kind, "", key) if inner is None else (kind, key, inner)
                assert row in listed


def test_every_number_has_its_range_and_every_measure_its_unit() -> None:
    for each in names.every():
        assert each.allowed, each
        assert each.meaning, each
        if each.name.rpartition("_")[2] in ("ml", "mm", "mv", "ua", "ms", "s", "ppt", "mah"):
            assert each.unit, each


def test_the_command_lists_them_and_stops(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--names"]) == 0
    said = capsys.readouterr().out
    assert "# day_ml = 200 if left out  # most water in any 24 hours (R3); ml; allowed 1 to" in said
    for file in ("pot", "wiring", "settings", "limits", "calibration", "private"):
        assert f"---- {file}.toml" in said
    assert main(["check"]) == 2
    assert "give a pot's folder, or --names" in capsys.readouterr().err
