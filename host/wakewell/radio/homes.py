"""Which home a line of a pot's log was heard in.

A pot has another key in each of its homes, so a line belongs to the home whose key its report
was sealed with, whatever any clock said. A database keeps the key's mark with every line, and a
handover leaves the marks of the home that was left beside the log. Here: marks, and the folder
that goes with one. Not here: what is written there (store), what a handover does (handover).
"""

from __future__ import annotations

import hmac
import os
import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

from wakewell.log import logs
from wakewell.pot import private
from wakewell.pot.description import ALL_PRIVATE

LOGS = "logs"
MARK_SIZE = 16  # hexadecimal digits
_ROW = re.compile(rf"([0-9a-f]{{{MARK_SIZE}}}) (logs-until-[0-9-]{{10,14}})")


@cache
def mark_of(key: bytes) -> str:
    """The mark of a pot's key, for files that anybody may read; the key cannot be found from it."""
    return hmac.digest(key, b"wakewell home", "sha256").hex()[:MARK_SIZE]


def marks(folder: Path) -> frozenset[str]:
    """The marks of the keys that pot has here, with those put aside for a new one. BadInput."""
    names = sorted(path.name for path in folder.glob(ALL_PRIVATE))
    return frozenset(mark_of(private.read(folder, name).key) for name in names)


@dataclass
class Homes:
    """The homes of one pot. ours: marks of its keys; None: every key but those of homes left."""

    folder: Path
    ours: frozenset[str] | None = None
    left: dict[str, str] = field(default_factory=dict)  # {mark: its folder's name}
    since: int = -1  # seconds since 1970: a handover that left no marks

    def logs_of(self, mark: str, heard_at: int) -> str | None:
        """The folder of the log that a line belongs to, None if there is none here.

        mark: "" for a line that was heard before marks were kept; heard_at tells then.
        """
        if mark in self.left:
            old = f"{self.folder}/{self.left[mark]}"
            return old if os.path.isdir(old) else None
        if not mark:
            here = not self.left and heard_at > self.since
        else:
            here = self.ours is None or mark in self.ours
        return f"{self.folder}/{LOGS}" if here else None


def read(folder: Path, ours: frozenset[str] | None = None) -> Homes:
    """The homes of that pot's folder. Anything else in the file of homes is ignored."""
    found = Homes(folder, ours)
    try:
        with open(f"{folder}/{LOGS}/{logs.HANDED_OVER}", encoding="ascii") as file:
            rows = file.read().splitlines()
    except (FileNotFoundError, NotADirectoryError, UnicodeDecodeError):
        return found
    for row in rows:
        if made := _ROW.fullmatch(row):
            found.left[made[1]] = made[2]
        elif row.isdecimal():
            found.since = max(found.since, int(row[:15]))
    return found


def leave(folder: Path, old: Path, left: Iterable[str]) -> None:
    """Write down that the homes of those marks are left, and that their log is in `old` now.

    The new log's folder must be there; what stood in the old one's file is kept.
    """
    try:
        before = (old / logs.HANDED_OVER).read_text(encoding="ascii").splitlines()
    except (FileNotFoundError, UnicodeDecodeError):
        before = []
    rows = [*before, *(f"{mark} {old.name}" for mark in sorted(left))]
    text = "\n".join([*dict.fromkeys(rows), ""])
    (folder / LOGS / logs.HANDED_OVER).write_text(text, encoding="ascii")
