"""What each value of the core's tables means, read from the tables themselves.

The meaning of a row stands behind it as a comment, where a person reads it and a chip need not
keep it. This is the one place that reads those comments.
"""

from __future__ import annotations

import re
from functools import cache

from wakewell.core import core_folder

_TABLE = re.compile(r"^([A-Z_]+) = \($")
_ROW = re.compile(r'^    \("(\w+)", .*\),  # (.+)$')


@cache
def meanings(module: str, table: str) -> dict[str, str]:
    """{name: meaning} of a table of the core, such as ("fields", "SETTINGS")."""
    found: dict[str, str] = {}
    current = ""
    text = (core_folder() / f"{module}.py").read_text(encoding="utf-8")
    for line in text.splitlines():
        start, row = _TABLE.match(line), _ROW.match(line)
        if start:
            current = start[1]
        elif line == ")":
            current = ""
        elif row and current == table:
            found[row[1]] = row[2]
    return found


def of(kind: str) -> dict[str, str]:
    """{name: meaning} of the settings, limits or calibration, probes included."""
    extra = meanings("fields", "PROBES") if kind == "calibration" else {}
    return meanings("fields", kind.upper()) | extra
