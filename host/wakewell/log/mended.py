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
from wakewell.log import logs
from wakewell.log.logs import Line, Skips
from wakewell.log.record import Read

MOST_BREAKS = 8  # texts not known that are tried with and without a space
MOST_JOINS = 512  # ways to join the same lines that are tried
MOST_PARTS = 2000  # lines that one record may have been broken into
MOST_TRIES = 16  # line ends of one record that look like its own
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
END = b'"}'
QUOTE = re.compile(rb"^(?:[>|][ \t]?)+")


def read_file(path: Path, skips: Skips) -> Iterator[tuple[Read, int]]:
    """As `logs.read_file`; broken lines are mended first, and counted."""
    return logs.records(read_lines(path, skips), path, skips)


def read_lines(path: Path, skips: Skips) -> Iterator[Line]:
    """As `logs.read_lines`; broken lines are mended first, and counted. Every fragment is named."""
    broken = BrokenLines(path, skips)
    for found in logs.read_lines(path, skips):
        data = found[0]
        if not broken.parts and data.startswith(START) and data.endswith(END):
            yield found
            continue
        whole = broken.add(found)
        if whole is not None:
            yield whole
    broken.give_up()


class BrokenLines:
    """Lines of one file that are not whole records: put together, or named in `skips`."""

    def __init__(self, path: Path, skips: Skips) -> None:
        self.path, self.skips = path, skips
        self.parts: list[bytes] = []
        self.size = self.began = self.ended = self.tries = 0
        self.torn = False

    def add(self, found: Line) -> Line | None:
        """One more line; the whole record that it ends, if it ends one."""
        data, number, size, torn = found
        text = QUOTE.sub(b"", data)
        if text.lstrip().startswith(START):
            self.give_up()
            self.parts, self.began = [text.lstrip()], number
        elif self.parts:
            self.parts.append(text)
        elif line.TAIL in text[-line.TAIL_SIZE :]:
            return found  # by itself it may be whole: the reader decides
        else:
            if text.strip():
                begin = b'"' in text and b":" in text
                told = "a fragment: the record has no beginning" if begin else "text around the log"
                self.skips.add(self.path, number, told)
            return None
        self.ended, self.torn = number, torn
        self.size += len(text)
        if self.size > line.MOST_LINE or len(self.parts) > MOST_PARTS:
            self.give_up()
        elif b"".join(part.strip() for part in self.parts[-2:]).endswith((END, END + b"=")):
            self.tries += 1
            whole = join(self.parts) if self.tries <= MOST_TRIES else None
            if whole is not None:
                began, spread = self.began, len(self.parts)
                self.forget()
                told = f"mended from {spread} lines" if spread > 1 else "mended: it was quoted"
                self.skips.mend(self.path, began, told)
                return whole, began, size, False
        return None

    def give_up(self) -> None:
        """Report the lines collected so far that make no record."""
        if self.parts:
            lines = f", lines {self.began} to {self.ended}" if self.ended > self.began else ""
            told = f"a fragment{lines}: the record has no end"
            torn = self.torn and len(self.parts) == 1
            self.skips.add(self.path, self.began, logs.TORN if torn else told)
        self.forget()

    def forget(self) -> None:
        """Begin anew."""
        self.parts, self.size, self.tries, self.torn = [], 0, 0, False


def join(parts: list[bytes]) -> bytes | None:
    """The record that these lines make, if there is a way to join them that its CRC confirms."""
    for candidate in islice(_joins(parts), MOST_JOINS):
        if line.body_of(candidate)[0] is not None:
            return candidate
    return None


def _joins(parts: list[bytes]) -> Iterator[bytes]:
    """Likely ways to join: as they are, as quoted-printable, or with a space added where a break in
    words lost one.

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
