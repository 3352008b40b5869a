"""A TOML file with the line of every key, read so that no file can do harm.

What belongs here: size, encoding and syntax of one file, where its keys stand, how a value
or an unknown name is shown in an error. What does not: what the keys mean (pot_folder.py).
"""

from __future__ import annotations

import contextlib
import difflib
import os
import re
import stat
import tomllib
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

from wakewell import terminal

MOST_BYTES = 32768  # a pot's files hold one to three thousand
MOST_STATEMENT = 40  # lines of one key's value; a probe's table has sixteen points
FILES = "pot, wiring, settings, limits and calibration.toml"
NEAR = 0.65  # of their letters in one order, of 1; own choice
MOST_SHOWN = 40  # characters of a value in an error
AT = re.compile(r" \(at (?:line (\d+), column \d+|end of document)\)$")


@dataclass(frozen=True, order=True)
class Problem:
    """One thing to be seen to: where and what, and what to do next. line counts from 1."""

    file: str
    line: int
    text: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line}: {self.text}"


@dataclass
class TomlFile:
    """The content of one file and where its keys stand: `lines[("soil", "rails")]`."""

    name: str
    data: dict[str, Any] = field(default_factory=dict)
    lines: dict[tuple[str, ...], int] = field(default_factory=dict)

    def line(self, *keys: str) -> int:
        """The line of a key, of the nearest table around it, else 1."""
        for end in range(len(keys), 0, -1):
            if keys[:end] in self.lines:
                return self.lines[keys[:end]]
        return 1

    def problem(self, text: str, *keys: str) -> Problem:
        """A problem at that key."""
        return Problem(self.name, self.line(*keys), text)


def read_toml(path: Path, name: str, empty: bool = False) -> TomlFile | Problem:
    """The file at `path`, called `name` in errors; a Problem if it cannot be read.

    empty: it may hold nothing but comments."""
    data = read_bytes(path, name)
    if isinstance(data, Problem):
        return data
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        found = f"byte 0x{data[error.start]:02x} is not UTF-8"
        return Problem(name, line, found + "; save the file as UTF-8 text")
    try:
        content = tomllib.loads(text)
    except RecursionError:
        return Problem(name, 1, "nested too deeply; a pot's file has two levels at most")
    except ValueError as error:
        return _syntax(name, text, error)
    if not content and not empty:
        return Problem(name, 1, "no value in it; write at least one, as the demo set's files do")
    return TomlFile(name, content, _locate(text))


def read_bytes(path: Path, name: str) -> bytes | Problem:
    """A regular file's bytes, at most MOST_BYTES of them; else a Problem."""
    try:
        mode = path.stat().st_mode
        if not stat.S_ISREG(mode):  # a pipe would never end
            return Problem(name, 1, "not a regular file; put a text file of that name there")
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
    except FileNotFoundError:
        return Problem(name, 1, "missing; a pot's folder holds " + FILES)
    except OSError as error:
        why = error.strerror or "cannot be read"
        return Problem(name, 1, f"{why.lower()}; check the file and its permissions")
    if len(data) > MOST_BYTES:
        return Problem(name, 1, f"more than {MOST_BYTES} bytes; a pot's file is a page of text")
    return data


class Complaint(NamedTuple):
    """What tomllib finds wrong with a text. line: 0 for its end."""

    what: str
    line: int


def complaint(error: ValueError) -> Complaint:
    """The same of what it raised. The standard library tells the place only in its message, up to
    Python 3.13; nothing here reads a message of our own. The text may hold anything."""
    if not isinstance(error, tomllib.TOMLDecodeError):  # Python's int() refuses the number
        return Complaint("a number with too many digits", 1)
    why = str(error).encode("unicode_escape").decode()
    place = AT.search(why)
    if place is None:
        return Complaint(why, 1)
    return Complaint(why[: place.start()], int(place[1] or 0))


def _syntax(name: str, content: str, error: ValueError) -> Problem:
    what, line = complaint(error)
    where = "" if line else ", at the end of the file"
    last = content.rstrip().count("\n") + 1
    text = f"not TOML: {shorten(what, 80)}{where}; correct the line and check again"
    return Problem(name, line or last, text)


def _locate(text: str) -> dict[tuple[str, ...], int]:
    """The line of every key down to two levels, in a text that is known to be TOML; of the tables
    of a list such as [[fault]], ("fault", "2") and ("fault", "2", "kind").

    A statement is the shortest run of lines that is TOML by itself. One that goes on for
    more than MOST_STATEMENT lines ends the search: its keys are then placed on line 1.
    """
    found: dict[tuple[str, ...], int] = {}
    rows = text.replace("\r\n", "\n").split("\n")
    table: tuple[str, ...] = ()
    numbers: Counter[str] = Counter()
    at, depth = 0, 2
    while at < len(rows):
        for end in range(at + 1, min(at + MOST_STATEMENT, len(rows)) + 1):
            statement = "\n".join(rows[at:end])
            try:
                data = tomllib.loads(statement)
            except (ValueError, RecursionError):
                continue
            break
        else:
            return found
        paths = _paths(data)
        if paths and statement.lstrip().startswith("[["):
            numbers[paths[0][0]] += 1
            table, depth = (paths[0][0], str(numbers[paths[0][0]])), 3
            paths = [table[:1], table]
        elif paths and statement.lstrip().startswith("["):
            table, depth = paths[-1], 2
            paths = [table[:1], table]
        else:
            paths = [table + path for path in paths]
        for path in paths:
            found.setdefault(path[:depth], at + 1)
        at = end
    return found


def _paths(data: dict[str, Any]) -> list[tuple[str, ...]]:
    """Every key of the first two levels."""
    paths: list[tuple[str, ...]] = []
    for key, value in data.items():
        paths.append((key,))
        if isinstance(value, dict):
            paths.extend((key, inner) for inner in value)
    return paths


def shorten(text: str, most: int = MOST_SHOWN) -> str:
    """The text, cut to `most` characters."""
    return text if len(text) <= most else text[: most - 3] + "..."


def show(value: object) -> str:
    """A value as it may stand in an error: short, one line, plain ASCII, however hostile."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int) and value.bit_length() > 64:
        return "a number of over 19 digits"  # longer ones cannot even be written out
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        inner = ["[...]" if isinstance(item, list) else show(item) for item in value[:4]]
        return shorten("[" + ", ".join(inner) + (", ...]" if len(value) > 4 else "]"))
    if isinstance(value, str):
        return shorten('"' + value[: 2 * MOST_SHOWN].encode("unicode_escape").decode() + '"')
    return shorten(str(value))


def nearest(name: str, known: Iterable[str]) -> str:
    """What to say about the known names after an unknown one: the nearest, if one is near.

    Near is one that has a slip or two in it, or a word of which the unknown one is that.
    """
    names, asked = list(known), name[:MOST_SHOWN].lower().lstrip("-")
    alike = difflib.SequenceMatcher(b=asked, autojunk=False)
    found: dict[str, float] = {}
    for each in names:
        bare = each.lower().lstrip("-")
        for part in (bare, *re.split(r"[ _-]", bare)):
            alike.set_seq1(part)
            if (share := alike.ratio()) >= NEAR:
                found[each] = max(share, found.get(each, 0))
    if found:
        return f"nearest known name {max(found, key=found.__getitem__)}"
    return "known names: " + ", ".join(names)


def show_key(*keys: str) -> str:
    """A key as it may stand in an error."""
    return ".".join(shorten(key.encode("unicode_escape").decode()) for key in keys)


_called: dict[str, str] = {}  # a folder that was only made for a while: what a person knows it as


@contextlib.contextmanager
def called(folder: str, name: str) -> Iterator[None]:
    """Meanwhile what lies in that folder is shown as lying in `name`."""
    _called[folder] = name
    try:
        yield
    finally:
        del _called[folder]


def show_path(path: str) -> str:
    """A path as it may be printed: bytes that are no text, and control characters, escaped."""
    for folder, name in _called.items():
        if path == folder or path.startswith(folder + os.sep):
            path = name + path[len(folder) :]
    return terminal.plain(path)
