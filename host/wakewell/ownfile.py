"""Files for their owner's eyes alone: what a pot's log tells of a home, and what opens it.

A log says when somebody was there: who may read it is the owner's to decide, not the umask's.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import BinaryIO

MODE = 0o600
_BINARY = getattr(os, "O_BINARY", 0)


def opener(path: str, flags: int) -> int:
    """For `open`: a file that is made by it is its owner's."""
    return os.open(path, flags, MODE)


def new(path: Path) -> BinaryIO:
    """A new file of that name, open for writing; what had the name before is gone."""
    path.unlink(missing_ok=True)
    return os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | _BINARY, MODE), "wb")


def opened(path: Path) -> BinaryIO:
    """The file of that name, made if there is none, open for more; nobody else may read it."""
    file = os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND | _BINARY, MODE), "ab")
    if os.name == "posix" and os.fstat(file.fileno()).st_uid == os.geteuid():
        os.fchmod(file.fileno(), MODE)
    return file


def to_disk(file: BinaryIO, data: bytes) -> None:
    """Write these bytes, and return once they are on the disk. Raises OSError."""
    file.write(data)
    file.flush()
    os.fsync(file.fileno())


def keep(path: Path) -> None:
    """Make sure that there is such a file and that nobody else may read it. Raises OSError."""
    opened(path).close()
