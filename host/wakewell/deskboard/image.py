"""The flash of a desk board that is switched off, as files.

Belongs here: reading and writing the littlefs image on the PC, by littlefs-python.
Does not belong here: the running board, which has its own driver (inside/desk_flash.py).
"""

from __future__ import annotations

import os
import struct
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from wakewell import extras, ownfile
from wakewell.deskboard.inside import layout as L
from wakewell.deskboard.interpreter import DeskBoardError

if sys.platform != "win32":  # no desk board can run there, so none can be in the way
    import fcntl

BLOCK_BYTES = 4096

# As MicroPython mounts it (ports/esp32/modules/inisetup.py, extmod/vfs_lfsx.c): a larger cache
# here would write inline files that the board cannot open. Only to read, a larger one is quicker.
_READ_BYTES = _PROGRAM_BYTES = _LOOKAHEAD_BYTES = 32
_CACHE_BYTES = 4 * _READ_BYTES


def make_image(
    path: str | os.PathLike[str],
    files: Mapping[str, str | bytes] | None = None,
    *,
    image_bytes: int = 2 << 20,
) -> None:
    """Make a flash with a new filesystem and these files in it, folders as needed.

    Raises DeskBoardError if the file is there already or the files do not fit.
    """
    if Path(path).exists():
        raise DeskBoardError(f"{path}: is there already; remove it or name another file")
    with _littlefs(path, image_bytes, write=True, new=True) as system:
        _write(system, path, files or {})


def write_image(path: str | os.PathLike[str], files: Mapping[str, str | bytes]) -> None:
    """Write files into a flash. Raises DeskBoardError if they do not fit."""
    with _littlefs(path, Path(path).stat().st_size, write=True) as system:
        _write(system, path, files)


def read_image(path: str | os.PathLike[str]) -> dict[str, bytes]:
    """Every file in a flash, by its path without a leading slash."""
    with _littlefs(path, Path(path).stat().st_size) as system:
        return _read(system)


def flash_writes(path: str | os.PathLike[str]) -> Iterator[tuple[int, bytes]]:
    """(place in the flash, what was written there) of each write and erase that a board noted
    there (DeskBoard's `writes`), in their order."""
    with open(path, "rb") as file:
        while head := file.read(L.NOTE_BYTES):
            place, size = struct.unpack(L.NOTE, head)
            yield place, file.read(size)


def read_unlocked(path: str | os.PathLike[str]) -> dict[str, bytes]:
    """As read_image, for the board that holds the lock."""
    with _littlefs(path, Path(path).stat().st_size, lock=False) as system:
        return _read(system)


def write_unlocked(path: str | os.PathLike[str], files: Mapping[str, str | bytes]) -> None:
    """As write_image, for the board that holds the lock."""
    with _littlefs(path, Path(path).stat().st_size, write=True, lock=False) as system:
        _write(system, path, files)


def _read(system: Any) -> dict[str, bytes]:
    found = {}
    for folder, _, names in system.walk("/"):
        for name in names:
            full = f"{folder.rstrip('/')}/{name}"
            with system.open(full, "rb") as file:
                found[full.lstrip("/")] = file.read()
    return found


def _write(system: Any, path: str | os.PathLike[str], files: Mapping[str, str | bytes]) -> None:
    from littlefs import LittleFSError

    try:
        for name, data in files.items():
            if "/" in name.strip("/"):
                system.makedirs(str(Path(name).parent), exist_ok=True)
            with system.open(name, "wb") as file:
                file.write(data.encode() if isinstance(data, str) else data)
    except LittleFSError as error:
        raise DeskBoardError(f"{path}: {name} cannot be written: {error}") from error


@contextmanager
def _littlefs(
    path: str | os.PathLike[str],
    size: int,
    *,
    write: bool = False,
    new: bool = False,
    lock: bool = True,
) -> Iterator[Any]:
    try:
        from littlefs import LittleFS, LittleFSError, UserContext

        class FlashMemory(UserContext):
            """The flash, without a log line for each read: those take most of the time."""

            def read(self, cfg: Any, block: int, off: int, size: int) -> bytearray:
                start: int = block * cfg.block_size + off
                return self.buffer[start : start + size]
    except ImportError as error:
        raise DeskBoardError(
            f"reading a flash image needs the package littlefs-python: {extras.install('test')}"
        ) from error
    # A pot's secrets may be on it.
    with open(path, "xb" if new else "r+b", opener=ownfile.opener) as file:
        try:
            if lock and sys.platform != "win32":
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise DeskBoardError(
                f"{path}: a desk board runs on this flash; close it first"
            ) from error
        system = LittleFS(
            context=FlashMemory(size),
            block_size=BLOCK_BYTES,
            block_count=size // BLOCK_BYTES,
            read_size=_READ_BYTES,
            prog_size=_PROGRAM_BYTES,
            cache_size=_CACHE_BYTES if write else BLOCK_BYTES,
            lookahead_size=_LOOKAHEAD_BYTES,
            mount=False,
        )
        if new:
            system.format()
        else:
            system.context.buffer[:] = file.read()
        try:
            system.mount()
        except LittleFSError as error:
            raise DeskBoardError(f"{path}: holds no littlefs filesystem: {error}") from error
        yield system
        system.unmount()
        if write:
            file.seek(0)
            file.write(system.context.buffer)
