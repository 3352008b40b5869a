"""What waits for a board that fetches a version: its manifest, and the files in sealed pieces.

Belongs here: what `wakewell send` left in a pot's folder, as a board gets it. Not here: how it is
made (send).
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from wakeboard import manifest
from wakewell.pot import private
from wakewell.pot.sent_files import FOLDER, UNSENT, numbered

FILES = "files"  # beside the manifests: the files of versions, by SHA-256


def newest(folder: Path) -> Path | None:
    """The newest manifest that was sent to this pot, None if there is none."""
    made = [path for _, path in numbered(folder) if not path.name.endswith(UNSENT)]
    return made[-1] if made else None


def of(files: dict[str, bytes], key: bytes, board: str) -> Iterator[tuple[str, bytes]]:
    """(topic below the board's own place, payload) of every piece of these files by SHA-256."""
    for digest, data in files.items():
        for number in range(-(-len(data) // manifest.PIECE)):
            yield manifest.topic(digest, number), piece(data, key, board, digest, number)


def piece(data: bytes, key: bytes, board: str, digest: str, number: int) -> bytes:
    """One of them."""
    part = data[number * manifest.PIECE : (number + 1) * manifest.PIECE]
    return bytes(manifest.seal_piece(key, board, digest, number, part))


def posted_manifest(folder: Path) -> bytes:
    """The newest manifest for a pot that posts, b"" if there is none; the board knows its
    number."""
    path = newest(folder)
    return b"" if path is None else on_one_line(path, manifest.MOST)


def on_one_line(path: Path, most: int) -> bytes:
    """What lies there for a pot that posts, b"" if it is no line of at most that many bytes."""
    try:
        data = path.read_bytes()
    except OSError:
        return b""
    return data if len(data) <= most and b"\n" not in data else b""


def posted_piece(folder: Path, board: str, digest: str, number: int) -> bytes:
    """The piece that a pot that posts asks for, b"" if there is none. digest: its beginning."""
    found = sorted((folder / FOLDER / FILES).glob(f"{digest}*"))
    if len(found) != 1:
        return b""
    try:
        data = found[0].read_bytes()
    except OSError:
        return b""
    if number * manifest.PIECE >= len(data):
        return b""
    return piece(data, private.read(folder).key, board, found[0].name, number)
