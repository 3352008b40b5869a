"""Reading field logs: torn lines, bad CRCs, rings, gzip, mail damage; any size, constant memory.

What cannot be read is skipped and counted, by file and line, never silently and never
with a traceback. Nothing here judges what a record means.
"""

from __future__ import annotations

import gzip
import json
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from typing import Any, BinaryIO

from wakecore import line
from wakewell.errors import BadInput
from wakewell.log import record
from wakewell.log.record import Read
from wakewell.tomlfile import show_path

Record = dict[str, Any]
Line = tuple[bytes, int, int, bool]  # without its end, its number, bytes read so far, is it torn

SUFFIXES = (".jsonl", ".jsonl.gz")
IN_FORCE = "in-force"  # the folder beside the logs that keeps settings, limits, calibration by id
MOST_SKIPS = 1000  # kept with their place; beyond that they are only counted
ID_SIZE = 8
HANDED_OVER = "handed-over.txt"  # in a log's folder: the homes it had before (radio.homes)
EPOCH = date(2000, 1, 1)
TORN = "torn: the file ends inside it"
BOM = b"\xef\xbb\xbf"  # what some editors and mail programs put before the first line


@dataclass
class Skip:
    """A line, or the rest of a file, that was not read."""

    path: Path
    line: int
    why: str

    def __str__(self) -> str:
        return f"{show_path(str(self.path))}:{self.line}: {self.why}"


@dataclass
class Skips:
    """What was skipped: the first ones with their place, all of them counted."""

    count: int = 0
    first: list[Skip] = field(default_factory=list)
    mended: int = 0  # records that were put together again from lines that mail had broken
    mends: list[Skip] = field(default_factory=list)

    def mend(self, path: Path, number: int, why: str) -> None:
        """Count a record that was put together again."""
        self.mended += 1
        if len(self.mends) < MOST_SKIPS:
            self.mends.append(Skip(path, number, why))

    def add(self, path: Path, number: int, why: str) -> None:
        """Count one more."""
        self.count += 1
        if len(self.first) < MOST_SKIPS:
            self.first.append(Skip(path, number, why))


def printable(text: str, most: int = 200) -> str:
    """Text from a file, fit for one line of a terminal."""
    return show_path(text if len(text) <= most else text[:most] + "...")


def _place_in_order(path: Path) -> tuple[str, bool]:
    """Sorts by name. A packed file comes before the plain one of that name, which is still being
    written.
    """
    packed = path.name.endswith(".gz")
    return path.name.removesuffix(".gz"), not packed


def no_log(path: Path) -> BadInput:
    """What to say of a place without a log: a new pot has none yet."""
    text = f"{show_path(str(path))}: no log here; a log's name ends in {' or '.join(SUFFIXES)}"
    if (path / "pot.toml").is_file():
        text += f"; a pot's log comes from its board: wakewell pull {show_path(str(path))}"
    return BadInput(text)


def find_logs(path: Path) -> list[tuple[Path, list[Path]]]:
    """The logs at that path: (folder or file, its log files, oldest first) for each pot found.

    Raises BadInput. Links to folders are not followed, for they may lead round in a ring.
    """
    try:
        if path.is_file():
            return [(path, [path])]
        if not path.is_dir():
            place = show_path(str(path))
            raise BadInput(f"{place}: no such file or folder; give a log, a pot or a sequence")
        found = []
        todo = [path]
        while todo:
            folder = todo.pop()
            inside = sorted(folder.iterdir(), key=_place_in_order)
            files = [p for p in inside if p.name.endswith(SUFFIXES) and p.is_file()]
            if files:
                found.append((folder, files))
            todo += [
                p
                for p in reversed(inside)
                if p.is_dir()
                and not p.is_symlink()
                and not p.name.startswith(".")
                and p.name != IN_FORCE
            ]
        return found
    except OSError as error:
        place = show_path(str(error.filename or path))
        raise BadInput(f"{place}: cannot be read: {error.strerror}") from None


def first_log(place: Path) -> list[tuple[Path, list[Path]]]:
    """[the first log in that folder], or [] where there is no log or no such folder. Raises
    BadInput."""
    return find_logs(place)[:1] if place.is_dir() else []


def open_log(path: Path) -> BinaryIO:
    """The file's bytes, unpacked if it is gzip by content, whatever its name."""
    file = path.open("rb")
    try:
        packed = file.read(2) == b"\x1f\x8b"
        file.seek(0)
    except OSError:
        file.close()
        raise
    if not packed:
        return file
    unpacked: Any = gzip.GzipFile(fileobj=file)
    unpacked.myfileobj = file  # so that closing the one closes the other
    return unpacked  # type: ignore[no-any-return]


def read_file(path: Path, skips: Skips) -> Iterator[tuple[Read, int]]:
    """(record, line number) of every good line of a file.

    Raises BadInput if the file cannot be opened or read.
    """
    return records(read_lines(path, skips), path, skips)


def records(lines: Iterator[Line], path: Path, skips: Skips) -> Iterator[tuple[Read, int]]:
    """(record, line number) of every good one of that file's lines."""
    for data, number, _, torn in lines:
        found = record.read(data)
        if found.found is not None:
            yield found, number
        else:
            skips.add(path, number, why_none(found, torn))


def why_none(found: Read, torn: bool) -> str:
    """Why a line holds no record. torn: the file ends inside it."""
    return TORN if torn and not found.sound else found.why


def read_lines(path: Path, skips: Skips) -> Iterator[Line]:
    """Every line of a file that may hold a record.

    Raises BadInput if the file cannot be opened or read.
    """
    number = size = 0
    try:
        with open_log(path) as file:
            while data := file.readline(line.MOST_LINE + 2):
                number += 1
                size += len(data)
                text = data.rstrip(b"\r\n")
                if number == 1:
                    text = text.removeprefix(BOM)
                if len(text) > line.MOST_LINE:
                    while data and not data.endswith(b"\n"):
                        data = file.readline(line.MOST_LINE)
                        size += len(data)
                    skips.add(path, number, f"longer than {line.MOST_LINE} bytes")
                elif text:
                    yield text, number, size, not data.endswith(b"\n")
    except (EOFError, gzip.BadGzipFile, zlib.error) as error:
        skips.add(path, number + 1, f"gzip damaged, the rest is not read: {error}")
    except OSError as error:
        place = show_path(str(path))
        raise BadInput(f"{place}: cannot be read: {error.strerror}") from None


class InForce:
    """The settings, limits and calibrations kept beside a log, by id.

    Looked for in `in-force/` beside the log files, then one folder up.
    """

    def __init__(self, folder: Path) -> None:
        self.folders = [folder / IN_FORCE, folder.parent / IN_FORCE]

    def __call__(self, identity: str) -> bytes | None:
        """The stored line, or None. A line stored under the id of another file does not count."""
        if not identity.isalnum() or len(identity) != ID_SIZE:
            return None
        for folder in self.folders:
            try:
                with (folder / f"{identity}.json").open("rb") as file:
                    data = file.read(line.MOST_LINE + 2).rstrip(b"\r\n")
                json.loads(data)
            except (OSError, RecursionError):
                continue
            except ValueError:
                return data  # the reader says what is wrong with it
            if data[-10:-2] == identity.encode():
                return data
        return None


def day_text(day: int) -> str:
    """The date of a day of the board's clock, counted from 2000-01-01."""
    try:
        return (EPOCH + timedelta(days=day)).isoformat()
    except OverflowError:
        return f"day {day}"
