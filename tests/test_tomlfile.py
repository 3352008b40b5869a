"""A TOML file read with the line of every key; what an error shows of it."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from wakewell import tomlfile
from wakewell.tomlfile import MOST_BYTES, Problem, TomlFile, read_toml


def read(tmp_path: Path, text: str | bytes) -> TomlFile | Problem:
    path = tmp_path / "x.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_toml(path, "x.toml")


LONG_TABLE = "[level]\npoints = [\n" + "  [1, 2],\n" * 16 + "]\nspread = 3\n"
PLACED = """# a comment

a = 1
[soil] # another
points = [[1, 2],
          [3, 4]]
rails = [0, 9]

[soil.deep]
x = 1
["two words"]
b.c = 2
[[fault]]
kind = "a"
[[fault]]
kind = "b"
from = 3
"""


def test_every_key_has_its_line(tmp_path: Path) -> None:
    found = read(tmp_path, PLACED)
    assert isinstance(found, TomlFile)
    assert found.lines == {
        ("a",): 3, ("soil",): 4, ("soil", "points"): 5, ("soil", "rails"): 7, ("soil", "deep"): 9,
        ("two words",): 11, ("two words", "b"): 12, ("fault",): 13, ("fault", "1"): 13,
        ("fault", "1", "kind"): 14, ("fault", "2"): 15, ("fault", "2", "kind"): 16,
        ("fault", "2", "from"): 17,
    }  # fmt: skip
    assert found.line("soil", "rails") == 7
    assert found.line("soil", "nothing") == 4, "the nearest table around it"
    assert found.line("soil", "deep", "x") == 9
    assert found.line("nothing") == 1
    assert str(found.problem("is odd", "soil", "rails")) == "x.toml:7: is odd"


def test_lines_are_the_same_with_other_line_ends(tmp_path: Path) -> None:
    plain, other = read(tmp_path, PLACED), read(tmp_path, PLACED.replace("\n", "\r\n"))
    assert isinstance(plain, TomlFile)
    assert isinstance(other, TomlFile)
    assert plain.lines == other.lines
    with_mark = read(tmp_path, b"\xef\xbb\xbfa = 1\n")
    assert isinstance(with_mark, TomlFile)
    assert with_mark.lines == {("a",): 1}


def test_a_long_value_is_placed_up_to_a_bound(tmp_path: Path) -> None:
    found = read(tmp_path, LONG_TABLE)
    assert isinstance(found, TomlFile)
    assert found.lines[("level", "spread")] == 20

    def lines(rows: int) -> dict[tuple[str, ...], int]:
        one = read(tmp_path, "a = [\n" + "1,\n" * (rows - 2) + "]\nb = 2\n")
        assert isinstance(one, TomlFile)
        return one.lines

    assert lines(tomlfile.MOST_STATEMENT) == {("a",): 1, ("b",): tomlfile.MOST_STATEMENT + 1}
    assert lines(tomlfile.MOST_STATEMENT + 1) == {}, "the search ends there"


@pytest.mark.parametrize(
    ("data", "line", "said"),
    [
        ("a = 1\nb = \n", 2, "not TOML: Invalid value; correct the line"),
        ("a = 1\nb = 'x", 2, ", at the end of the file; correct"),
        ("a = 1\na = 2\n", 2, "not TOML: Cannot overwrite a value; correct"),
        (b"a = 1\nb = '\xff'\n", 2, "byte 0xff is not UTF-8; save the file as UTF-8"),
        ("# nothing\n", 1, "no value in it"),
        ("", 1, "no value in it"),
        ("a = " + "9" * 5000, 1, "not TOML: a number with too many digits; correct"),
        ("a = " + "[" * 4000 + "]" * 4000, 1, "nested too deeply"),
        ("a" * (MOST_BYTES + 1), 1, f"more than {MOST_BYTES} bytes"),
    ],
    ids=range(9),
)
def test_what_cannot_be_read_is_told_with_its_line(
    tmp_path: Path, data: str | bytes, line: int, said: str
) -> None:
    found = read(tmp_path, data)
    assert isinstance(found, Problem)
    assert (found.file, found.line) == ("x.toml", line)
    assert said in found.text


def test_what_is_wrong_is_told_in_eighty_characters(tmp_path: Path) -> None:
    name = "a" * 100
    found = read(tmp_path, f"[{name}]\n[{name}]\n")
    assert isinstance(found, Problem)
    told = found.text.removeprefix("not TOML: ").split(";")[0]
    assert (len(told), told[-6:], found.line) == (80, "aaa...", 2)


def test_a_file_of_the_greatest_size_is_read(tmp_path: Path) -> None:
    assert isinstance(read(tmp_path, "a = 1\n" + "#" * (MOST_BYTES - 6)), TomlFile)


def test_what_is_no_file(tmp_path: Path) -> None:
    def text(path: Path) -> str:
        found = read_toml(path, "x.toml")
        assert isinstance(found, Problem)
        assert (found.file, found.line) == ("x.toml", 1)
        return found.text

    assert text(tmp_path / "absent.toml").startswith("missing; a pot's folder holds pot, wiring")
    assert text(tmp_path).startswith("not a regular file; put a text file")
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "pipe")
        assert text(tmp_path / "pipe").startswith("not a regular file")
    name = tmp_path / ("n" * 300)  # a name that is too long cannot be asked for
    assert text(name).endswith("; check the file and its permissions")


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (True, "true"), (False, "false"), (3, "3"), (2**64 - 1, "18446744073709551615"),
        (2**64, "a number of over 19 digits"), ({"a": 1}, "a table"), (1.5, "1.5"),
        ("a", '"a"'), ("a\x1b\n", '"a\\x1b\\n"'), ("é", '"\\xe9"'),
        ([1, 2, 3, 4], "[1, 2, 3, 4]"), ([1, 2, 3, 4, 5], "[1, 2, 3, 4, ...]"),
        ([[1], "a"], '[[...], "a"]'), ([], "[]"),
        ("x" * 38, '"' + "x" * 38 + '"'), ("x" * 39, '"' + "x" * 36 + "..."),
        ("x" * 999, '"' + "x" * 36 + "..."),
        (["x" * 30, "y" * 30], '["' + "x" * 30 + '", "y...'),
    ],
)  # fmt: skip
def test_a_value_in_an_error(value: object, shown: str) -> None:
    assert tomlfile.show(value) == shown


def test_texts_are_cut_short() -> None:
    assert tomlfile.shorten("x" * 40) == "x" * 40
    assert tomlfile.shorten("x" * 41) == "x" * 37 + "..."
    assert tomlfile.shorten("abcdef", 5) == "ab..."
    assert tomlfile.show_key("a", "b\n", "x" * 50) == "a.b\\n." + "x" * 37 + "..."


def test_the_nearest_known_name_or_all_of_them() -> None:
    known = ["reserve_ml", "pulse_ml", "dose_ml"]
    assert tomlfile.nearest("reserv_ml", known) == "nearest known name reserve_ml"
    assert tomlfile.nearest("pulse", iter(known)) == "nearest known name pulse_ml"
    assert tomlfile.nearest("qqq", known) == "known names: reserve_ml, pulse_ml, dose_ml"
    assert tomlfile.nearest("days", ["wake_s", "upkeep_days"]) == "nearest known name upkeep_days"
    assert tomlfile.nearest("DOSE_ML", known) == "nearest known name dose_ml"


@pytest.mark.parametrize("name", ["plot", "delete", "update", "init", "xyz", "--debug", "--date"])
def test_a_far_name_is_not_offered(name: str) -> None:
    known = ["report", "sheet", "simulate", "inspect", "--demo", "--wake", "--as-of"]
    assert tomlfile.nearest(name, known).startswith("known names: ")


def test_a_folder_made_for_a_while_is_shown_by_the_name_a_person_knows(tmp_path: Path) -> None:
    folder = str(tmp_path)
    inside, beside = os.path.join(folder, "a"), folder + "x"
    with tomlfile.called(folder, "my.zip"):
        assert tomlfile.show_path(folder) == "my.zip"
        assert tomlfile.show_path(inside) == os.path.join("my.zip", "a")
        assert tomlfile.show_path(beside) == beside
    assert tomlfile.show_path(inside) == inside
