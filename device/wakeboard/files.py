"""Plain files of a pot: read, written and put aside; where its log lies.

The boot that belongs to the radio needs no more than this. What the files mean is in `store`.
"""

import os

from wakecore import line
from wakecore.number import is_whole

if False:
    from typing import Any, Sequence

KINDS = ("settings", "limits", "calibration")
SENT = "/code/sent.json"  # what is known of a version that was sent; see `sent`


def read_bytes(path: str, most: int = line.MOST_LINE) -> "bytes | None":
    """A file's first `most` bytes, or None if it cannot be read."""
    try:
        size = os.stat(path)[6]  # a read takes memory for all that it is asked for
        with open(path, "rb") as file:
            data: bytes = file.read(min(size, most))
            return data
    except OSError:
        return None


def write_bytes(path: str, data: bytes) -> bool:
    """True if the file now holds exactly these bytes."""
    try:
        with open(path, "wb") as file:
            file.write(data)
    except OSError:
        return False
    return read_bytes(path, len(data) + 1) == data


def replace(path: str, data: bytes) -> bool:
    """The same in the place of what was there, by one rename: old or new, never neither."""
    try:
        if not write_bytes(path + ".new", data):
            return False
        os.rename(path + ".new", path)
    except OSError:
        return False
    return read_bytes(path, len(data) + 1) == data


def has_fields(record: "dict[str, Any]", fields: "Sequence[tuple[str, int, Any]]") -> bool:
    """Has a decoded record each of these, in range? fields: (name, most, start), a number of 0 or
    more; where `start` is a text, a text of so many characters at most."""
    for name, most, start in fields:
        value = record.get(name)
        if type(start) is str:
            if type(value) is not str or len(value) > most:
                return False
        elif not is_whole(value, 0, most):
            return False
    return True


def exists(path: str) -> bool:
    """Is there a file or folder of that name?"""
    try:
        os.stat(path)
    except OSError:
        return False
    return True


def set_aside(path: str) -> None:
    """Keep a damaged file for a person to look at, in place of an earlier one."""
    try:
        os.rename(path, path + ".bad")
    except OSError:
        pass  # it stays where it is, and is found damaged again


class Folder:
    """Where a pot's files are, below `root`."""

    def __init__(self, root: str) -> None:
        self.root = root
        self.log_folder = root + "/log"

    def path(self, name: str) -> str:
        """Where a file of the pot is."""
        return self.root + "/" + name

    def log_files(self) -> list[int]:
        """The numbers of the log files, oldest first."""
        try:
            names = os.listdir(self.log_folder)
        except OSError:
            return []
        return sorted([int(n[:8]) for n in names if len(n) == 14 and n[:8].isdigit()])

    def log_path(self, number: int) -> str:
        """Where that log file is."""
        return "%s/%08d.jsonl" % (self.log_folder, number)
