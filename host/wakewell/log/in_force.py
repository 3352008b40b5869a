"""Settings, limits and calibrations that were ever in force, kept beside the log by their id."""

from __future__ import annotations

from pathlib import Path

from wakecore import line
from wakewell.errors import BadInput
from wakewell.kept import store
from wakewell.log import logs, record
from wakewell.tomlfile import show_path


def keep_in_force(folder: Path, data: bytes) -> bool:
    """Keep one of a pot's three files beside its logs, by id. False if it is none of them.

    folder: the pot's. Raises BadInput.
    """
    data = data.rstrip(b"\r\n")
    if record.file_of(data) is None:
        return False
    target = folder / "logs" / logs.IN_FORCE
    try:
        target.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        why = error.strerror or "cannot be made"
        raise BadInput(f"{show_path(str(target))}: {why.lower()}; correct that first") from None
    path = target / f"{line.identity(data)}.json"
    if not path.exists():
        store(path, data, own=True)
    return True
