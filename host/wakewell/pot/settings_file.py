"""settings.toml with other values, its comments kept.

What belongs here: writing them, a copy of the old file kept. What does not: which values
(log/obeyed.py, tuning/), whether they fit (pot_folder.py).
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from wakewell import extras
from wakewell.kept import replace

if TYPE_CHECKING:
    import tomlkit
else:
    tomlkit = extras.Late("tomlkit")


def write(folder: Path, values: Mapping[str, int]) -> Path:
    """Those values into the folder's settings.toml; the copy of what it was. Raises BadInput."""
    path = folder / "settings.toml"
    document = tomlkit.parse(path.read_bytes().decode("utf-8-sig"))
    for name, value in values.items():
        document[name] = value
    copy = replace(path, tomlkit.dumps(document))
    assert copy is not None  # settings.toml was read
    return copy
