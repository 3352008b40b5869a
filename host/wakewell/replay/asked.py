"""Settings that somebody asks about: what would they have decided on the same readings?

Here belongs: reading one settings file, TOML or as a board stores it, and writing it as
the line that a core loads. Not here: a whole pot's folder (pot_folder.py), the comparison.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from wakecore import fields, line
from wakecore.number import is_whole
from wakewell.errors import BadInput
from wakewell.pot import meanings
from wakewell.tomlfile import (
    Problem,
    TomlFile,
    nearest,
    read_bytes,
    read_toml,
    show,
    show_key,
    show_path,
)

MADE_WITH = ("kind", "version", "limits_id")  # of a stored line: not for a person to tune


@dataclass
class Asked:
    """Settings by name, read from a file called `name`."""

    name: str
    values: dict[str, Any]

    def line(self, limits_id: str) -> bytes:
        """The stored line of these settings, made for those hard limits."""
        version = {"kind": "settings", "version": fields.VERSION, "limits_id": limits_id}
        record = {**version, **self.values}
        return bytes(line.encode(tuple(record), record))


def read(path: Path) -> Asked:
    """The settings in that file, or in settings.toml of that folder. Raises BadInput."""
    if path.is_dir():
        path = path / "settings.toml"
    name = show_path(str(path))
    if not path.exists():
        raise BadInput(f"{name}: no such file; give a settings.toml, or the folder that holds it")
    data = read_bytes(path, name)
    if isinstance(data, bytes) and data.startswith(b"{"):
        file = _stored(data, name)
    else:
        file = read_toml(path, name)
    if isinstance(file, Problem):
        raise BadInput(str(file))
    known = [row[0] for row in fields.SETTINGS]
    for key, value in file.data.items():
        if key not in known:
            text = f"{show_key(key)} = {show(value)}: not a name of the settings; "
            raise BadInput(str(file.problem(text + nearest(key, known), key)))
    said = meanings.of("settings")
    for key, least, most, _ in fields.SETTINGS:
        if key in file.data and not is_whole(file.data[key], least, most):
            text = f"{key} = {show(file.data[key])}: allowed {least} to {most} ({said[key]})"
            raise BadInput(str(file.problem(text, key)))
    asked = Asked(name, file.data)
    record, _ = line.decode(asked.line(""))
    _, why = fields.load("settings", record or {}, "")
    if why:
        raise BadInput(f"{name}: {why}; correct one of the two")
    return asked


def _stored(data: bytes, name: str) -> TomlFile | Problem:
    """A stored line's own values, without what says which limits it was made for."""
    record: Any
    try:
        record, why = line.decode(data.rstrip(b"\r\n"))
    except RecursionError:
        record, why = None, "nested too deeply"
    if record and record.get("kind") != "settings":
        record, why = None, f"kind {show(record.get('kind'))}, allowed settings"
    elif record is not None:
        record, why = fields.migrate("settings", record)
    if record is None:
        return Problem(name, 1, f"{why}; give a settings.toml or a settings line from a board")
    return TomlFile(name, {k: v for k, v in record.items() if k not in MADE_WITH})
