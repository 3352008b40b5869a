"""What waits for a board that fetches a version: its manifest, and the files in sealed pieces.

Belongs here: what `wakewell send` left in a pot's folder, as a board gets it, and when that goes
again. Not here: how it is made (send).
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from wakeboard import manifest
from wakewell.errors import BadInput
from wakewell.log.obeyed import EPOCH
from wakewell.pot import private
from wakewell.pot.sent_files import FOLDER, UNSENT, numbered
from wakewell.tomlfile import show_path

FETCHING = "fetching"  # as a board tells it (wakeboard.sent)
FILES = "files"  # beside the manifests: the files of versions, by SHA-256


def newest(folder: Path) -> Path | None:
    """The newest manifest that was sent to this pot, None if there is none."""
    made = [path for _, path in numbered(folder) if not path.name.endswith(UNSENT)]
    return made[-1] if made else None


@dataclass(frozen=True)
class LastSent:
    """A manifest made earlier, its tag not looked at. back: it asked for the version before;
    until: it may be taken up to then."""

    n: int
    version: str
    back: bool
    until: datetime

    @property
    def what(self) -> str:
        return "back to the version before" if self.back else f"version {self.version}"


def last_sent(folder: Path) -> LastSent | None:
    """The newest manifest that was sent to this pot, None if there is none. Raises BadInput."""
    path = newest(folder)
    if path is None:
        return None
    try:
        record = json.loads(path.read_bytes())
        day, second = record["until"]
        until = EPOCH + timedelta(days=day, seconds=second)
        return LastSent(int(record["n"]), str(record["name"]), bool(record["back"]), until)
    except (OSError, ValueError, LookupError, TypeError, OverflowError):
        raise BadInput(
            f"{show_path(str(path))}: not a manifest as send made it; move it away"
        ) from None


def waits(folder: Path, told: Mapping[str, object]) -> tuple[int, str] | None:
    """(number, how it is) of what was sent to this pot and not heard of from it. told: by its last
    report. Raises BadInput."""
    last = last_sent(folder)
    judged = told.get("sent", 0)
    if last is None or (isinstance(judged, int) and judged >= last.n):
        return None
    if last.until < datetime.now(UTC):
        return last.n, f"{last.what}; not taken in its time, send it again"
    return last.n, f"{last.what}; not heard of yet, it may be taken until {last.until:%Y-%m-%d}"


def of(files: dict[str, bytes], key: bytes, board: str) -> Iterator[tuple[str, bytes]]:
    """(topic below the board's own place, payload) of every piece of these files by SHA-256."""
    for digest, data in files.items():
        for number in range(-(-len(data) // manifest.PIECE)):
            yield manifest.topic(digest, number), piece(data, key, board, digest, number)


def piece(data: bytes, key: bytes, board: str, digest: str, number: int) -> bytes:
    """One of them."""
    part = data[number * manifest.PIECE : (number + 1) * manifest.PIECE]
    return bytes(manifest.seal_piece(key, board, digest, number, part))


def is_over(folder: Path, n: object, state: object, now: datetime) -> bool:
    """Does its board fetch no more of the newest version that was sent to it? n, state: what the
    board last told of what was sent."""
    path = newest(folder)
    if path is None:
        return False
    number = int(path.name.partition(".")[0])
    if isinstance(n, int) and (n > number or (n == number and state != FETCHING)):
        return True
    try:
        last = last_sent(folder)
    except BadInput:  # who sends or asks is told of it
        return False
    return last is not None and last.until < now


def kept_files(folder: Path, but: Collection[str] = ()) -> list[Path]:
    """The files of versions that wait in a pot's folder, without those of these SHA-256."""
    place = folder / FOLDER / FILES
    found = sorted(place.iterdir()) if place.is_dir() else []
    return [path for path in found if path.name not in but and manifest.is_hex(path.name, 64)]


def topics(files: Iterable[Path]) -> list[str]:
    """The topics of their pieces, below the board's own place."""
    return [
        manifest.topic(path.name, number)
        for path in files
        for number in range(-(-path.stat().st_size // manifest.PIECE))
    ]


def forget(folder: Path) -> list[str]:
    """Nothing more of what was sent is fetched: its files go; their topics (`topics`), which hold
    nothing from then on, if a broker kept them. Each was kept as a copy of what lies in a
    program."""
    files = kept_files(folder)
    found = topics(files)
    for path in files:
        path.unlink()
    return found


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
