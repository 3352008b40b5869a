"""A pot's `board.toml`: which board the pot is, and what was last flashed onto it from this folder.

    id            the chip's own unique id
    machine       what its interpreter calls it
    [flashed]     n (number of the board's next wake then), settings (their id), at (when)

`flash` writes it. It is no secret, and may live in the maker's own repository.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wakewell import extras
from wakewell.errors import BadFile
from wakewell.kept import store
from wakewell.tomlfile import Problem, read_toml, show_path

if TYPE_CHECKING:
    import tomlkit
else:
    tomlkit = extras.Late("tomlkit")

BOARD_FILE = "board.toml"


@dataclass(frozen=True)
class Flashed:
    """What the last flash from this folder put in force.

    n: number of the wake that came next. settings: id of the settings. at: when, with a time zone.
    """

    n: int
    settings: str
    at: datetime


def _read(folder: Path) -> dict[str, Any] | None:
    path = folder / BOARD_FILE
    if not os.path.exists(path):
        return None
    name = show_path(str(path))
    file = read_toml(path, name)
    if isinstance(file, Problem):
        text = f"{file.text}; or delete the file and flash again to set it"
        raise BadFile(Problem(name, file.line, text))
    found = file.data.get("id")
    if not isinstance(found, str) or not found or not found.isprintable():
        text = "id is missing; delete the file and flash again to set it"
        raise BadFile(Problem(name, 1, text))
    return file.data


def board_id(folder: Path) -> str | None:
    """The unique id of the board that belongs to this pot, if it is known. Raises BadInput."""
    data = _read(folder)
    return None if data is None else str(data["id"])


def machine(folder: Path) -> str:
    """What the interpreter on it called it when it was flashed, "" if nothing says. Raises
    BadInput."""
    return str((_read(folder) or {}).get("machine", ""))


def flashed(folder: Path) -> Flashed | None:
    """What was last flashed from this folder; None where it does not say. Raises BadInput."""
    noted = (_read(folder) or {}).get("flashed")
    if not isinstance(noted, dict):
        return None
    n, settings, at = noted.get("n"), noted.get("settings"), noted.get("at")
    if type(n) is not int or not isinstance(settings, str):
        return None
    if not isinstance(at, datetime) or at.tzinfo is None:
        return None
    return Flashed(n, settings, at)


def remember(folder: Path, unique_id: str, machine: str, last: Flashed | None = None) -> None:
    """Note in the pot's folder which board it is, and what was flashed. Raises BadInput."""
    document = tomlkit.document()
    document.add(tomlkit.comment(" Which board this pot is: the chip's own unique id."))
    document["id"] = unique_id
    document["machine"] = machine
    if last is not None:
        table = tomlkit.table()
        table.comment("last flashed from this folder")
        table["n"], table["settings"] = last.n, last.settings
        table["at"] = last.at.replace(microsecond=0)
        document["flashed"] = table
    store(folder / BOARD_FILE, tomlkit.dumps(document).encode())
