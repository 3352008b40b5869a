"""Files of a pot's folder: written as a whole or not at all, copied before they are replaced.

    kept/NAME-DATE.toml        what a file was before it was replaced

What does not belong here: what is in the files.
"""

from __future__ import annotations

import errno
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime
from pathlib import Path

from wakewell import ownfile
from wakewell.errors import BadInput
from wakewell.tomlfile import show_path

KEPT = "kept"


def today() -> date:
    """The date that is written down."""
    return datetime.now(UTC).date()


def store(path: Path, data: bytes, own: bool = False) -> None:
    """Write a file so that it is on the disk, read back the same, before its name says so.

    own: for its owner's eyes alone. Else what it replaces says who may read it.
    """
    beside = path.with_name(path.name + ".part")
    try:
        with ownfile.new(beside) if own else beside.open("wb") as file:
            ownfile.to_disk(file, data)
        if beside.read_bytes() != data:
            raise OSError("what was read back differs")
        if not own and path.exists():
            shutil.copymode(path, beside)
        beside.replace(path)
    except OSError as error:
        raise BadInput(
            f"{show_path(str(path))}: could not be stored: {error}; free some space, then run "
            "this again"
        ) from None


def keep_copy(path: Path) -> Path | None:
    """Copy a file to kept/NAME-DATE.toml beside it; None if there is nothing to keep."""
    if not path.exists():
        return None
    folder = path.parent / KEPT
    try:
        folder.mkdir(exist_ok=True)
        data = path.read_bytes()
        for number in range(1, 1000):
            tail = "" if number == 1 else f"-{number}"
            copy = folder / f"{path.stem}-{today().isoformat()}{tail}{path.suffix}"
            if copy.exists() and copy.read_bytes() == data:
                return copy
            if not copy.exists():
                shutil.copy2(path, copy)
                return copy
    except OSError as error:
        why = error.strerror or "cannot be written"
        raise BadInput(
            f"{show_path(str(folder))}: no copy of {path.name} can be kept: {why.lower()}; correct "
            "that first; nothing was changed"
        ) from None
    raise BadInput(f"{folder}: a thousand copies of one day are here; remove some, then try again")


def replace(path: Path, text: str) -> Path | None:
    """Write a file in place of the old one, of which a copy stays. Returns the copy."""
    copy = keep_copy(path)
    store(path, text.encode())
    return copy


def keep_old(path: Path) -> None:
    """What stands where a file is to be written is kept beside it, as NAME.old."""
    if path.is_dir():
        raise IsADirectoryError(errno.EISDIR, "a folder is there; name a file")
    if path.exists():
        path.replace(path.with_name(path.name + ".old"))


@contextmanager
def writing(path: str) -> Iterator[None]:
    """What goes wrong with a file that is to be written, as BadInput."""
    try:
        yield
    except (OSError, ValueError) as no:
        why = no.strerror if isinstance(no, OSError) and no.strerror else str(no)
        raise BadInput(f"{show_path(path)}: cannot be written: {why}") from None
