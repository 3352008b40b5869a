"""A pot's log files on the host, laid by the places its reports name.

Belongs here: lines in the order of the board's own log whatever the order they came in, each
once; a file that was cut off in the middle made whole; whatever else stands in it kept. Not
here: which lines there are (store).
"""

from __future__ import annotations

import errno
import os
import shutil
from bisect import bisect
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import NamedTuple

from wakewell import ownfile

try:
    import fcntl
except ImportError:  # Windows: one listener at a time writes there
    fcntl = None  # type: ignore[assignment]

Placed = tuple[int, bytes]
"""A line without its end, and how many bytes come before it in its file; -1: not known."""

OPENED = os.O_RDWR | os.O_CREAT | os.O_APPEND | getattr(os, "O_BINARY", 0)
MOST_LIVES = 8  # that a late line may still belong to
MOST_TRIES = 100  # to open a file that others replace


class End(NamedTuple):
    """How a file was left: its size, and where the board's own file goes on after its last line."""

    size: int
    at: int


def in_order(placed: Iterable[Placed]) -> list[Placed]:
    """The lines in the order of the board's file. placed: in the order heard.

    Where two claim the same bytes the board's log began anew (it was erased): what is told of
    the newer one comes after the older. Lines whose place is not known come first.
    """
    unplaced: list[Placed] = []
    lives: list[list[Placed]] = []
    for at, data in placed:
        if at < 0:
            unplaced.append((at, data))
            continue
        for life in reversed(lives[-MOST_LIVES:]):
            place = bisect(life, (at, b""))
            before = place == 0 or life[place - 1][0] + len(life[place - 1][1]) < at
            if before and (place == len(life) or at + len(data) < life[place][0]):
                life.insert(place, (at, data))
                break
        else:
            lives.append([(at, data)])
    return [*unplaced, *(each for life in lives for each in life)]


def append(path: str, placed: list[Placed], end: End) -> End | None:
    """Append lines that come after all that is there. placed: in the order of their places.

    None, and nothing is written, if the file is not as it was left, or they do not.
    """
    at = end.at
    for place, data in placed:
        if place < at:
            return None
        at = place + len(data) + 1
    with _opened(path) as fd:
        if os.lseek(fd, 0, os.SEEK_END) != end.size:
            return None
        return End(end.size + _write(fd, _whole(placed)), at)


def lay(path: str, placed: list[Placed]) -> End:
    """Make the file hold these lines, in this order, each once.

    A line in it that is none of them stays behind the one it follows. A last line without its
    end: one of these, cut short, goes and comes anew; else it is closed.
    """
    at = placed[-1][0] + len(placed[-1][1]) + 1 if placed and placed[-1][0] >= 0 else 0
    with _opened(path) as fd:
        old = _read(fd)
        new = _merged(old, [data for _, data in placed])
        if new.startswith(old):
            _write(fd, new[len(old) :])
            return End(len(new), at)
        if fcntl is not None:  # under the lock
            _replace(path, new)
    if fcntl is None:  # a file that is open cannot be replaced there
        _replace(path, new)
    return End(len(new), at)


def _merged(old: bytes, lines: list[bytes]) -> bytes:
    rank = {data: number for number, data in enumerate(lines)}
    groups: list[tuple[int, list[bytes]]] = [(-1, [])]
    *whole, torn = old.split(b"\n")
    if torn and not any(data.startswith(torn) for data in lines):
        whole.append(torn)
    for text in whole:
        number = rank.pop(text.rstrip(b"\r"), None)
        if number is None:
            groups[-1][1].append(text + b"\n")
        else:
            groups.append((number, [text + b"\n"]))
    groups += [(number, [data + b"\n"]) for data, number in rank.items()]
    groups.sort(key=lambda group: group[0])
    return b"".join(text for _, texts in groups for text in texts)


def _whole(placed: list[Placed]) -> bytes:
    return b"".join(data + b"\n" for _, data in placed)


@contextmanager
def _opened(path: str) -> Iterator[int]:
    """The file, made with its folder if it is not there, locked against other listeners."""
    for _ in range(MOST_TRIES):
        try:
            fd = os.open(path, OPENED, ownfile.MODE)
        except FileNotFoundError:
            os.mkdir(os.path.dirname(path))
            fd = os.open(path, OPENED, ownfile.MODE)
        try:
            if fcntl is not None:
                fcntl.flock(fd, fcntl.LOCK_EX)
            if os.fstat(fd).st_nlink:  # else another took its place before it was locked
                yield fd
                return
        finally:
            os.close(fd)
    raise BlockingIOError(errno.EAGAIN, "replaced again and again by somebody else", path)


def _read(fd: int) -> bytes:
    left = os.lseek(fd, 0, os.SEEK_END)
    os.lseek(fd, 0, os.SEEK_SET)
    parts = []
    while left and (part := os.read(fd, left)):
        parts.append(part)
        left -= len(part)
    return b"".join(parts)


def _write(fd: int, data: bytes) -> int:
    """Append all of it; how many bytes that were."""
    left = memoryview(data)
    while left:
        left = left[os.write(fd, left) :]
    return len(data)


def _replace(path: str, data: bytes) -> None:
    """Put other contents in the file's place, at once."""
    path = os.path.realpath(path)
    beside = path + ".laid"
    with open(beside, "wb", opener=ownfile.opener) as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    shutil.copymode(path, beside)
    os.replace(beside, path)
