"""A pot's log, as every part of this package reads it: its records in order, each with its place
and its life.

What belongs here: which records are taken, which are told as skipped, and which of them belong
together. A number that goes back may be the same wake once more, a line that stands twice, or
another life: of another board, or of this one before it was begun anew. What does not: reading
lines (logs.py, mended.py), the form of one record (record.py), what it means.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

from tqdm import tqdm

from wakewell import terminal
from wakewell.log import logs, mended, record
from wakewell.log.logs import Skips
from wakewell.log.record import Brief, Plain, Read, Snapshot, Wake
from wakewell.tomlfile import show_path

Place = tuple[int, int]  # file, line
MOST_KEPT = 200_000  # wakes of a life that are known again
MOST_LIVES = 50
MOST_TOLD = 10  # skips in words; whoever wants all asks for --json
MOST_PENDING = 100  # snapshots in a row


@dataclass
class Short:
    """Wakes whose record is shortened for want of memory on the board: how many, the first of them
    in words, and which have no decisions in it."""

    count: int = 0
    first: list[str] = field(default_factory=list)
    wakes: set[tuple[int, str, str]] = field(default_factory=set, repr=False)  # n, before, state

    def add(self, wake: Wake | Brief, shown: str) -> None:
        """Count one more, found at that place."""
        self.count += 1
        left_out = ", ".join(wake.left_out or [])
        if len(self.first) < logs.MOST_SKIPS:
            self.first.append(f"wake {wake.n} ({shown}): left out: {terminal.plain(left_out)}")
        if isinstance(wake, Brief) and len(self.wakes) < MOST_KEPT:
            self.wakes.add((wake.n, wake.before, wake.state))

    def told(self) -> Iterator[str]:
        """The same for a person."""
        for text in self.first[:MOST_TOLD]:
            yield f"  shortened  memory was short: {text}"
        if self.count > MOST_TOLD:
            yield f"  shortened  {self.count} in all"


@dataclass
class Life:
    """The wakes of one board from its first with an empty memory on. first, last: their places."""

    first: Place
    last: Place = (0, 0)
    wakes: int = 0
    least_n: int = 0
    most_n: int = 0
    n: int = -1  # of the last one
    ended: str = ""  # the CRC of the state it ended with
    unstored: bool = False  # was a write of it to storage lost?
    dated: tuple[int, int] | None = None  # of its newest wake with a trusted clock: day, second
    began: dict[tuple[int, str], str] = field(
        default_factory=dict, repr=False
    )  # (n, before): state
    short: Short = field(default_factory=lambda: Short())

    def take(self, wake: Wake | Brief, place: Place) -> None:
        """The next wake of it."""
        self.least_n = min(self.least_n, wake.n) if self.wakes else wake.n
        self.most_n = max(self.most_n, wake.n)
        self.last, self.wakes = place, self.wakes + 1
        self.n, self.ended, self.unstored = wake.n, wake.state, 0 in wake.stores
        day, second, trusted = wake.begin.utc
        if trusted:
            self.dated = day, second
        self.began[wake.n, wake.before] = wake.state
        if len(self.began) > MOST_KEPT:
            del self.began[next(iter(self.began))]

    def goes_on(self, wake: Wake | Brief) -> bool:
        """Does the wake begin with exactly the state that this life ended with? Every wake changes
        it.
        """
        return wake.before == self.ended

    def again(self, wake: Wake | Brief) -> bool:
        """May the wake bear a number that was there before?

        A pot that lost its state counts anew; one that fell back on its older slot, or that
        could not store how the last wake ended, does that wake's number once more.
        """
        if wake.begin.state == "lost":
            return True
        return (wake.begin.state == "previous" or self.unstored) and wake.n >= self.n - 1

    def knows(self, wake: Wake | Brief) -> bool:
        """Was this same wake there before?"""
        if (wake.n, wake.before, wake.state) in self.short.wakes:
            return True
        return self.began.get((wake.n, wake.before)) == wake.state

    def late(self, wake: Wake | Brief) -> bool:
        """Does the wake end with the state that a wake of this life began with?"""
        return (wake.n + 1, wake.state) in self.began


class Entry(NamedTuple):
    """One record with its place. wake: None if it is a snapshot, or a wake without decisions."""

    data: bytes
    place: Place
    life: int
    wake: Wake | None
    read: Read

    @property
    def record(self) -> Plain:
        """The record as JSON has it."""
        return self.read.plain


@dataclass
class FieldLog:
    """The files of one log, oldest first; after `entries`: the lives in it and what was skipped."""

    files: Sequence[Path]
    skips: Skips = field(default_factory=Skips)
    lives: list[Life] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._names = [show_path(str(path)) for path in self.files]

    def entries(self, progress: bool = False, brief: bool = False) -> Iterator[Entry]:
        """Every record, wakes and snapshots, in the order of the files.

        A snapshot belongs to the life of the wake after it. brief: with the wakes on record without
        their decisions (`record.Brief`), which are else only counted (`Life.short`). Raises
        BadInput if a file cannot be read.
        """
        self.lives = []
        current = 0
        waiting: list[tuple[bytes, Place, Read]] = []
        for data, place, torn in self._lines(progress):
            read = record.read(data)
            wake = read.found
            if wake is None:
                self.skip(place, logs.why_none(read, torn))
                continue
            if isinstance(wake, Snapshot):
                waiting = [*waiting[-MOST_PENDING:], (data, place, read)]
                continue
            found = self._life(wake, place, current)
            if isinstance(found, str):
                self.skip(place, found)
                continue
            current = found
            for before, at, snapshot in waiting:
                yield Entry(before, at, current, None, snapshot)
            waiting.clear()
            life = self.lives[current]
            life.take(wake, place)
            if wake.left_out:
                life.short.add(wake, self.shown(place))
            if isinstance(wake, Wake):
                yield Entry(data, place, current, wake, read)
            elif brief:
                yield Entry(data, place, current, None, read)
        for before, at, snapshot in waiting:
            yield Entry(before, at, current, None, snapshot)

    def _life(self, wake: Wake | Brief, place: Place, current: int) -> int | str:
        """The life a wake belongs to, or why it is not taken."""
        if not self.lives:
            self.lives.append(Life(place))
            return 0
        now = self.lives[current]
        if wake.begin.state == "lost" or now.goes_on(wake):
            return current
        for number, other in enumerate(self.lives):
            if other is not now and other.goes_on(wake):
                return number
        if wake.n > now.n or now.again(wake):
            return current
        for life in self.lives:
            if life.knows(wake):
                return f"wake {wake.n} again, after wake {life.n}"
            if life.late(wake):
                return f"wake {wake.n} out of order, after wake {life.n}"
        if len(self.lives) == MOST_LIVES:
            return f"of yet another board or start, allowed {MOST_LIVES} in one log"
        self.lives.append(Life(place))
        return len(self.lives) - 1

    def _lines(self, progress: bool) -> Iterator[tuple[bytes, Place, bool]]:
        """(line, where it stands, is it torn) of all files in order, where it may hold a record."""
        total = sum(path.stat().st_size for path in self.files) if progress else 0
        with tqdm(
            total=total, unit="B", unit_scale=True, leave=False, disable=not progress,
            file=terminal.bare(),
        ) as bar:  # fmt: skip
            for index, path in enumerate(self.files):
                before = size = 0
                for data, number, size, torn in mended.read_lines(path, self.skips):
                    if number & 1023 == 0:
                        bar.update(size - before)
                        before = size
                    yield data, (index, number), torn
                bar.update(size - before)

    def skip(self, place: Place, why: str) -> None:
        """Count a line that was not taken."""
        self.skips.add(*self.at(place), why)

    def at(self, place: Place) -> tuple[Path, int]:
        """The file and the line."""
        return self.files[place[0]], place[1]

    def shown(self, place: Place) -> str:
        """file:line"""
        return f"{self._names[place[0]]}:{place[1]}"

    @property
    def own(self) -> int:
        """The pot's own life: the latest by date, because a copied log has ended.

        The one that stands last in the log, where a life is without a trusted date.
        """
        last = max(0, len(self.lives) - 1)
        dates = [life.dated for life in self.lives]
        if None in dates:
            return last
        return max(range(len(dates)), key=lambda at: (dates[at], at), default=last)

    def told(self, number: int) -> str:
        """A life in words: its wakes and where they stand."""
        life = self.lives[number]
        (first, begin), (last, end) = life.first, life.last
        ends = [terminal.plain(self.files[at].name) for at in (first, last)]
        count = f"{life.wakes} wakes" if life.wakes > 1 else "1 wake"
        numbers = f"{life.least_n} to {life.most_n}" if life.wakes > 1 else str(life.n)
        return f"{count}, {numbers}, {ends[0]}:{begin} to {ends[1]}:{end}"


def told(skips: Skips) -> Iterator[str]:
    """What was mended and what was skipped, in words, with its place."""
    for word, found, count in (
        ("mended ", skips.mends, skips.mended),
        ("skipped", skips.first, skips.count),
    ):
        for skip in found[:MOST_TOLD]:
            yield f"  {word}  {skip}"
        if count > MOST_TOLD:
            yield f"  {word}  {count} in all"
