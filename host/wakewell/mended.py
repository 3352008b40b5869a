"""Reading logs that came through mail: wrapped, quoted, encoded lines put together again.

What belongs here: finding whole records among broken text lines. The CRC at the end of
every record says whether a join was right, so nothing is guessed. What does not: what a
record means (logs.py reads healthy files, and is asked first).
"""

from __future__ import annotations

import quopri
import re
from collections.abc import Iterator
from itertools import islice, product
from pathlib import Path

from wakecore import line, rules
from wakecore.run import TRIPS
from wakecore.state import PHASES
from wakewell import logs
from wakewell.logs import Line, Record, Skips

MOST_BREAKS = 8  # texts not known that are tried with and without a space
BREAK = b"\0"
TEXT = re.compile(rb'"[^"]*"')
PHRASES = [row[0] for table in (rules.NEEDS, rules.LOCKOUTS, TRIPS) for row in table]
PHRASES += [*PHASES, *("clear " + row[0] for row in rules.LOCKOUTS)]
# Texts of a record that hold a space: the core's phrases and the commands
SPACED = re.compile(
    "|".join(
        [re.escape(p) for p in PHRASES if " " in p] + [r"run \d+", r"sleep \d+( button)?"]
    ).encode()
)
START = b'{"kind":"'
QUOTE = re.compile(rb"^(?:[>|][ \t]?)+")


def read_file(path: Path, skips: Skips) -> Iterator[tuple[Record, int, int]]:
    """As `logs.read_file`; where that finds no record's end, broken lines are mended first."""
    return logs.records(read_lines(path, skips), path, skips)


def read_lines(path: Path, skips: Skips) -> Iterator[Line]:
    """As `logs.read_lines`; broken lines are mended first."""
    if not _looks_broken(path):
        yield from logs.read_lines(path, skips)
        return
    size = 0
    for number, data, why in pieces(_lines(path)):
        size += len(data) + 1
        if why:
            skips.add(path, number, why)
        else:
            yield data, number, size, False


def _lines(path: Path) -> Iterator[bytes]:
    with logs.open_log(path) as file:
        while data := file.readline(line.MOST_LINE + 2):
            yield data.rstrip(b"\r\n")


def _looks_broken(path: Path) -> bool:
    """Among the first lines with a record's start, is there one without its end?"""
    try:
        some = list(islice(_lines(path), 200))
    except (OSError, EOFError, ValueError):
        return False  # logs.read_file says what is wrong
    begun = [text for text in some[:-1] if START in text[:40]]
    whole = [text for text in begun if text.startswith(b"{") and text.endswith(b'"}')]
    return bool(some) and (len(whole) < len(begun) or not begun)


def pieces(texts: Iterator[bytes]) -> Iterator[tuple[int, bytes, str]]:
    """(line it begins at, one whole record, "") or (line, the text, why it is none)."""
    parts: list[bytes] = []
    began = 0
    for number, raw in enumerate(texts, 1):
        text = QUOTE.sub(b"", raw)
        starts = text.lstrip().startswith(START)
        if starts or not parts:
            if parts:
                yield began, b"".join(parts)[: line.MOST_LINE], "a fragment: the record has no end"
            if not starts:
                if text.strip():
                    yield number, text, "not a record: text around the log"
                parts = []
                continue
            parts, began = [text.lstrip()], number
        else:
            parts.append(text)
        if sum(map(len, parts)) > line.MOST_LINE:
            yield began, parts[0], "a fragment: no end within the longest line"
            parts = []
        elif b"".join(p.strip() for p in parts[-2:]).endswith((b'"}', b'"}=')):
            whole = join(parts)
            if whole is not None:
                yield began, whole, ""
                parts = []
    if parts:
        yield began, b"".join(parts)[: line.MOST_LINE], "a fragment: the record has no end"


def join(parts: list[bytes]) -> bytes | None:
    """The record that these lines make, if there is a way to join them that its CRC confirms."""
    for candidate in _joins(parts):
        if line.body_of(candidate)[0] is not None:
            return candidate
    return None


def _joins(parts: list[bytes]) -> Iterator[bytes]:
    """Likely ways to join: as they are, quoted-printable, a space lost at each break in words.

    Outside quotes a record has no spaces. Inside, a text that is known with a space gets it;
    any other is tried without and, up to MOST_BREAKS of them, with one.
    """
    yield b"".join(parts)
    if any(part.endswith(b"=") for part in parts):
        yield quopri.decodestring(b"\n".join(parts)).replace(b"\n", b"")
    joined = BREAK.join([part.strip() for part in parts])
    choices: list[list[bytes]] = []
    doubts = 0
    at = 0
    for found in TEXT.finditer(joined):
        choices.append([joined[at : found.start()].replace(BREAK, b"")])
        at = found.end()
        text = found[0]
        options = [b"".join(way) for way in _fillings(text)]
        known = [option for option in options if SPACED.fullmatch(option[1:-1])]
        if not known and len(options) > 1:
            doubts += 1
            known = options if doubts <= MOST_BREAKS else options[:1]
        choices.append(known or [text])
    choices.append([joined[at:].replace(BREAK, b"")])
    for way in product(*choices):
        yield b"".join(way)


def _fillings(text: bytes) -> Iterator[tuple[bytes, ...]]:
    """The pieces of a broken text, each break closed or filled with a space."""
    pieces_ = text.split(BREAK)
    if len(pieces_) > 4:  # a text of ours is no longer than that
        return iter([tuple(pieces_)])
    ends = [[piece, piece + b" "] for piece in pieces_[:-1]]
    return product(*ends, pieces_[-1:])
