"""Reading field logs: torn lines, bad CRCs, rings, gzip, mail damage; any size, constant memory.

What cannot be read is skipped and counted, by file and line, never silently and never
with a traceback. Nothing here judges what a record means.
"""

from __future__ import annotations

import contextlib
import gzip
import json
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import lru_cache
from pathlib import Path
from typing import Any, BinaryIO, NamedTuple, NoReturn

import msgspec

from wakecore import line
from wakewell.errors import BadInput
from wakewell.tomlfile import show_path

Record = dict[str, Any]
Line = tuple[bytes, int, int, bool]  # without its end, its number, bytes read so far, is it torn

SUFFIXES = (".jsonl", ".jsonl.gz")
IN_FORCE = "in-force"  # the folder beside the logs that keeps settings, limits, calibration by id
MOST_SKIPS = 1000  # kept with their place; beyond that they are only counted
ID_SIZE = 8
HANDED_OVER = "handed-over.txt"  # in a log's folder: the homes it had before (radio.homes)
MOST_NUMBER = 1 << 30  # no number of a record reaches it, either way
MOST_WORD = 40  # characters of a word such as a cause or an id
LAST_DAY = 38_752  # of the board's clock: what 32 bits of seconds since 1970 can tell
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


def _no_float(text: str) -> NoReturn:
    raise ValueError(f"{text[:20]} is not a whole number")


def _no_twin(pairs: list[tuple[str, Any]]) -> Record:
    record: Record = {}
    for name, value in pairs:
        if name in record:
            raise ValueError(f"{name[:20]!r} stands twice")
        record[name] = value
    return record


# The form of every line that boards write; a number with a fraction is not of it.
_Word = int | str | None
_quick = msgspec.json.Decoder(dict[str, _Word | list[_Word] | dict[str, _Word | list[_Word]]])
_strict = json.JSONDecoder(
    parse_float=_no_float, parse_constant=_no_float, object_pairs_hook=_no_twin
)


def decode(data: bytes) -> tuple[Record | None, str]:
    """A record from one line without its end, or None and why not."""
    body, why = line.body_of(data)
    if body is None:
        return None, why
    # Every member has a colon. As many members as colons: none was named twice.
    record: Record | None = None
    with contextlib.suppress(ValueError):
        record = _quick.decode(body)
    if record is None or body.count(b":") != _members(record):
        record, why = _any(body)
    if record is None:
        return None, why
    if record.get("kind") not in ("wake", "state"):
        return None, f"kind {str(record.get('kind'))[:20]!r} is not known, allowed: wake, state"
    return record, ""


def _any(body: bytes) -> tuple[Record | None, str]:
    """The object in JSON such as no board writes, or None and why there is none."""
    try:
        text = body.decode()
        record, end = _strict.raw_decode(text)
        json.dumps(record, ensure_ascii=False).encode()  # what no file could hold is not to come in
    except UnicodeDecodeError:
        return None, "not UTF-8"
    except UnicodeEncodeError:
        return None, "a text with half a character"
    except RecursionError:
        return None, "nested too deeply"
    except json.JSONDecodeError as error:
        return None, f"not JSON: {error}"
    except ValueError as error:
        # Python itself refuses a whole number of thousands of digits, in words of its own.
        refused = str(error).startswith("Exceeds")
        return None, "a number with too many digits" if refused else str(error)
    if end != len(text):
        return None, f"not JSON: more after the object, at column {end + 1}"
    if not isinstance(record, dict):
        return None, "not an object"
    return record, ""


def _members(record: Record) -> int:
    return len(record) + sum([len(v) for v in record.values() if type(v) is dict])


# The members a wake cannot do without, each with what it must be. See DEVELOPERS.md.
MEMBERS: dict[str, type | tuple[type, ...]] = {
    **dict.fromkeys(("n", "awake_ms", "charge_uah"), int),
    **dict.fromkeys(("core", "settings", "limits", "calibration", "before", "state"), str),
    **dict.fromkeys(("begin", "read", "values", "judged", "permissives", "plan", "water"), dict),
    **dict.fromkeys(("stores", "trips", "lockouts", "needs", "commands"), list),
    "rest": (list, type(None)),
}
BEGIN: dict[str, type] = {
    **dict.fromkeys(("slept_s", "vouched", "boots", "pin", "button_ms"), int),
    **dict.fromkeys(("cause", "state", "settings", "limits", "calibration"), str),
    **dict.fromkeys(("host", "utc"), list),
}
TEXTS = ("trips", "lockouts", "needs", "commands")
# What must stand inside these members, and words that must be short
INSIDE: dict[str, dict[str, type | tuple[type, ...]]] = {
    "values": dict.fromkeys(
        ("battery_mv", "level_ml", "soil_ppt", "temperature_mc"), (int, type(None))
    ),
    "judged": dict.fromkeys(("soil", "level", "battery"), str),
    "plan": {
        **dict.fromkeys(("phase", "kind"), str),
        **dict.fromkeys(("dose_ul", "pulse_ms"), int),
    },
    "water": {"day_ml": int},
}
PARTS: dict[str, dict[str, Any]] = {"": MEMBERS, "begin": BEGIN, **INSIDE}
WORDS = ("core", "settings", "limits", "calibration", "before", "state")
BEGIN_WORDS = ("cause", "state", "settings", "limits", "calibration")
# What a brief wake need not have, in the form in which nothing is wrong with it
BRIEF: Record = {
    **dict.fromkeys(("awake_ms", "charge_uah"), 0),
    **{name: [] for name in ("stores", "trips", "lockouts", "needs", "commands")},
    **{name: {} for name in ("read", "permissives")},
    "values": dict.fromkeys(INSIDE["values"]),
    "judged": dict.fromkeys(INSIDE["judged"], ""),
    "plan": {"phase": "", "kind": "", "dose_ul": 0, "pulse_ms": 0},
    "water": {"day_ml": 0},
    "rest": None,
}
STATE_MEMBERS: dict[str, type] = {
    **dict.fromkeys(("n", "version", "dropped"), int),
    **dict.fromkeys(("ages_s", "mls"), list),
    "fields": dict,
}


def is_brief(record: Record) -> bool:
    """Is it a wake without its decisions, for want of memory on the board? It says which wake it
    was, what began it, and perhaps what was read; `left_out` says what is missing."""
    return record.get("kind") == "wake" and "left_out" in record and "commands" not in record


def why_bad(record: Record) -> str:
    """What is wrong with the form of a decoded line; "" if it has the form of a record.

    It may take its time: wakes as boards write them are known by their form (`usual.decode`).
    What passes can be played, judged, shown and written as a line again.
    """
    n = record.get("n")
    if type(n) is not int or not 0 <= n < MOST_NUMBER:
        return "n is missing or not a whole number in range"
    for name, value in record.items():
        inner = value if isinstance(value, dict) else {name: value}
        if not all(map(_is_flat, inner.values())):
            return f"{_shown(name)} = {_shown(value)} is not made of whole numbers and text"
        if not all(name.isprintable() and '"' not in name and "\\" not in name for name in inner):
            return f"a name in {_shown(name)} is not a word"
    if record.get("kind") == "state":
        return _why_bad_snapshot(record)
    left_out = record.get("left_out", ["samples"])
    if not isinstance(left_out, list) or not left_out or not all(map(_is_word, left_out)):
        return f"left_out = {_shown(left_out)} is not a list of words, with one at least"
    if is_brief(record):  # what it has is as in any other
        record = BRIEF | record
    for place, members in PARTS.items():
        if why := _lacks(record[place] if place else record, members, place):
            return why
    words = [(name, record[name]) for name in WORDS]
    words += [(f"begin.{name}", record["begin"][name]) for name in BEGIN_WORDS]
    words += [(f"judged.{_shown(name)}", word) for name, word in record["judged"].items()]
    words += [(f"plan.{name}", record["plan"][name]) for name in ("phase", "kind")]
    for name, word in words:
        if not _is_word(word):
            return f"{name} = {_shown(word)} is not a word of at most {MOST_WORD} characters"
    for name in TEXTS:
        if not all(isinstance(text, str) for text in record[name]):
            return f"{name} = {_shown(record[name])} is not a list of texts"
    if not set(record["stores"]) <= {0, 1}:
        return f"stores = {_shown(record['stores'])} is not made of 0 and 1"
    if not all(isinstance(text, str) for text in record["begin"]["host"]):
        return "begin.host is not a list of texts"
    utc = record["begin"]["utc"]
    if not _is_numbers(utc, 3) or not 0 <= utc[0] <= LAST_DAY:
        return f"begin.utc is not [day 0 to {LAST_DAY}, second, trusted]"
    for name in ("permissives", "values", "water"):
        for key, value in record[name].items():
            if not isinstance(value, int) and value is not None:
                return f"{name}.{_shown(key)} = {_shown(value)} is of the wrong kind"
    after = record.get("after", {})
    if not isinstance(after, dict):
        return f"after = {_shown(after)} is of the wrong kind"
    for name, reading in (("rest", record["rest"]), *record["read"].items(), *after.items()):
        if reading is not None and not _is_numbers(reading, 2):
            return f"reading {_shown(name)} = {_shown(reading)} is not [counts, spread]"
    return _why_bad_run(record)


def _is_word(word: Any) -> bool:
    return isinstance(word, str) and len(word) <= MOST_WORD


def _lacks(found: Record, members: dict[str, Any], place: str) -> str:
    """The first of these members that is not there, or of another kind; "" if none."""
    place += "." if place else ""
    for name, kind in members.items():
        if name not in found:
            return f"{place}{name} is missing"
        if not isinstance(found[name], kind):
            return f"{place}{name} = {_shown(found[name])} is of the wrong kind"
    return ""


def _why_bad_snapshot(record: Record) -> str:
    why = _lacks(record, STATE_MEMBERS, "")
    if why:
        return why
    for name, numbers in (
        ("ages_s", record["ages_s"]),
        ("mls", record["mls"]),
        ("fields", list(record["fields"].values())),
    ):
        if not _is_numbers(numbers):
            return f"{name} is not made of whole numbers"
    return "" if record["dropped"] >= 0 else "dropped is below 0"


def _why_bad_run(record: Record) -> str:
    run = record.get("run", {"ran_ms": 0})
    if not isinstance(run, dict) or type(run.get("ran_ms")) is not int:
        return "run.ran_ms is not a whole number"
    columns = [column for name, column in run.items() if name != "ran_ms"]
    if not all(map(_is_numbers, columns)):
        return "run is not lists of whole numbers"
    if len({len(column) for column in columns}) > 1:
        return "run has channels of different length"
    return ""


def _is_flat(value: Any) -> bool:
    """A word of a line, or a list of them: numbers of a sane size, printable text, null."""
    return all(
        item is None
        or (type(item) is int and abs(item) < MOST_NUMBER)
        or (isinstance(item, str) and item.isprintable())
        for item in (value if isinstance(value, list) else [value])
    )


def _is_numbers(value: Any, length: int | None = None) -> bool:
    return (
        isinstance(value, list)
        and all(type(number) is int for number in value)
        and (length is None or len(value) == length)
    )


def printable(text: str, most: int = 200) -> str:
    """Text from a file, fit for one line of a terminal."""
    return show_path(text if len(text) <= most else text[:most] + "...")


def _shown(value: Any) -> str:
    """A value from a file in a few characters. A nested one is not looked into."""
    if isinstance(value, dict):
        return "an object"
    if isinstance(value, list) and not all(map(_is_flat, value)):
        return "a list"
    return printable(str(value), 40)


def _place_in_order(path: Path) -> tuple[str, bool]:
    """By name; a packed file before the plain one of its name, which is still being written."""
    packed = path.name.endswith(".gz")
    return path.name.removesuffix(".gz"), not packed


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


def read_file(path: Path, skips: Skips) -> Iterator[tuple[Record, int, int]]:
    """(record, line number, bytes read so far) of every good line of a file.

    Raises BadInput if the file cannot be opened or read.
    """
    return records(read_lines(path, skips), path, skips)


def records(lines: Iterator[Line], path: Path, skips: Skips) -> Iterator[tuple[Record, int, int]]:
    """(record, line number, bytes read so far) of every good one of that file's lines."""
    for data, number, size, torn in lines:
        record, why = decode(data)
        if record is not None:
            yield record, number, size
        else:
            skips.add(path, number, TORN if torn else why)


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
        """The stored line, or None. A line under another's id is not the one asked for."""
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
                return data  # it is for the reader to say what is wrong with it
            if data[-10:-2] == identity.encode():
                return data
        return None


def sleep_s(record: Record) -> int | None:
    """The seconds that a wake commanded to sleep at its end; None if it commanded no sleep."""
    found = sleep_of(record["commands"])
    return found.seconds if found else None


class Sleep(NamedTuple):
    """A command to sleep. button: does it wake the board?"""

    seconds: int
    button: bool


def sleep_of(commands: Sequence[str]) -> Sleep | None:
    """The sleep that a wake commanded at its end (R13); None if it commanded none."""
    return _slept(commands[-1]) if commands else None


@lru_cache(maxsize=1000)  # a pot sleeps the same few lengths
def _slept(command: str) -> Sleep | None:
    """`sleep SECONDS`, and `button` where the button wakes it: so the field log has it."""
    name, *values = command.split()[:3] or [""]
    if name != "sleep" or not values or not values[0].isdecimal() or len(values[0]) > 8:
        return None
    return Sleep(int(values[0]), values[1:] == ["button"])


def day_text(day: int) -> str:
    """The date of a day of the board's clock, counted from 2000-01-01."""
    try:
        return (EPOCH + timedelta(days=day)).isoformat()
    except OverflowError:
        return f"day {day}"
