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
from collections.abc import Iterable
from contextlib import suppress
from typing import NamedTuple

from wakewell import ownfile

try:
    import fcntl
except ImportError:  # Windows: one listener at a time writes there
    fcntl = None  # type: ignore[assignment]

Placed = tuple[int, bytes]
"""A line without its end, and how many bytes come before it in its file; -1: not known."""

OPENED = os.O_RDWR | os.O_APPEND | getattr(os, "O_BINARY", 0)
MOST_LIVES = 8  # that a late line may still belong to
MOST_TRIES = 100  # to open a file that others replace


class End(NamedTuple):
    """How a file was left: which it was, its size, and where the board's own file goes on after
    its last line."""

    path: str
    inode: int
    size: int
    at: int


def in_order(placed: Iterable[Placed]) -> list[Placed]:
    """The lines in the order of the board's file. placed: in the order heard.

    Where two lines claim the same bytes, the board's log was erased and began again: the lines of
    the newer log come after those of the older. Lines whose place is not known come first.
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


def append(placed: list[Placed], end: End) -> End | None:
    """Append lines that come after all that is there. placed: in the order of their places.

    None, and nothing is written, if the file is not there as it was left, or they do not.
    """
    at = end.at
    for place, data in placed:
        if place < at:
            return None
        at = place + len(data) + 1
    try:
        fd, found = _opened(end.path, 0)
    except (FileNotFoundError, NotADirectoryError):  # a handover moved it
        return None
    try:
        if found.st_size != end.size or found.st_ino != end.inode:
            return None
        new = _write(fd, b"\n".join([*(data for _, data in placed), b""]))
        return End(end.path, end.inode, end.size + new, at)
    finally:
        os.close(fd)


def lay(path: str, placed: list[Placed]) -> End:
    """Make the file hold these lines, in this order, each once.

    A line in it that is none of them stays behind the one it follows. A last line without its
    end: one of these, cut short, goes and comes anew; else it is closed.
    """
    at = placed[-1][0] + len(placed[-1][1]) + 1 if placed and placed[-1][0] >= 0 else 0
    fd, found = _made(path)
    try:
        old = _read(fd, found.st_size)
        new = _merged(old, [data for _, data in placed])
        if new.startswith(old):
            _write(fd, new[len(old) :])
            return End(path, found.st_ino, len(new), at)
        if fcntl is not None:  # under the lock
            return End(path, _replace(path, new), len(new), at)
    finally:
        os.close(fd)
    # A file that is open cannot be replaced there
    return End(path, _replace(path, new), len(new), at)


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


def _made(path: str) -> tuple[int, os.stat_result]:
    """As _opened; made, with its folder, if it is not there."""
    try:
        return _opened(path, os.O_CREAT)
    except FileNotFoundError:
        with suppress(FileExistsError):  # another listener was quicker
            os.mkdir(os.path.dirname(path))
        return _opened(path, os.O_CREAT)


def _opened(path: str, create: int) -> tuple[int, os.stat_result]:
    """The file, locked against other listeners, and what it is. Close it."""
    for _ in range(MOST_TRIES):
        fd = os.open(path, OPENED | create, ownfile.MODE)
        try:
            if fcntl is not None:
                fcntl.flock(fd, fcntl.LOCK_EX)
            found = os.fstat(fd)
        except BaseException:
            os.close(fd)
            raise
        if found.st_nlink:  # otherwise another file took its place before it was locked
            return fd, found
        os.close(fd)
    raise BlockingIOError(errno.EAGAIN, "another program keeps replacing it", path)


def _read(fd: int, size: int) -> bytes:
    os.lseek(fd, 0, os.SEEK_SET)
    parts = []
    while size and (part := os.read(fd, size)):
        parts.append(part)
        size -= len(part)
    return b"".join(parts)


def _write(fd: int, data: bytes) -> int:
    """Append all of it. Returns the number of bytes."""
    left = len(data)
    while left:
        left -= os.write(fd, data[-left:])
    return len(data)


def _replace(path: str, data: bytes) -> int:
    """Put other contents in the file's place, at once; the new file's inode."""
    path = os.path.realpath(path)
    beside = path + ".laid"
    with open(beside, "wb", opener=ownfile.opener) as file:
        ownfile.to_disk(file, data)
        inode = os.fstat(file.fileno()).st_ino
    shutil.copymode(path, beside)
    os.replace(beside, path)
    return inode
