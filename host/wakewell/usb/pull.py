"""A pot's log from its board, verified, appended, never doubled.

Only what is new crosses the cable. Nothing on the board is deleted; it is told what is safely
stored here. The schedule is not changed: the board gets its clock's offset and sleeps for the time
that was left.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from wakecore import line
from wakecore.state import from_bytes
from wakewell import kept
from wakewell.errors import BadInput
from wakewell.log import record
from wakewell.log.logs import printable
from wakewell.log.record import Brief, Wake
from wakewell.usb.flash import check_belongs, check_board, keep_in_force, progress
from wakewell.usb.link import EPOCH, BoardLost, Link, connect

POT = "/pot"
CHUNK = 4096
LEAST_SLEEP_S = 60

# The names that boards give their log files, and bounds well above those they keep
LISTED = re.compile(r"([0-9]{1,9}) ([0-9]{8}\.jsonl)")
MOST_FILES, MOST_BYTES = 1000, 1 << 17


@dataclass
class Pulled:
    """What a pull did."""

    pot: str
    files: int = 0
    bytes: int = 0
    wakes: int = 0
    bad: list[str] = field(default_factory=list)
    left: list[str] = field(default_factory=list)  # log files that were not taken, and why
    notes: list[str] = field(default_factory=list)
    sleep_s: int = 0


def pull_one(folder: Path, port: str, wait_s: float | None = None) -> Pulled:
    """Pull one pot's log. Raises BadInput or BoardLost; what was stored before stays whole."""
    with connect(port, progress, **({} if wait_s is None else {"wait_s": wait_s})) as link:
        check_board(link, folder)
        check_belongs(link, folder)
        pulled = Pulled(folder.name)
        keep_in_force(link, folder)
        mark(link, pull_log(link, folder / "logs", pulled))
        leave(link, folder / "logs", pulled)
    return pulled


def listed(link: Link) -> tuple[list[tuple[str, int]], list[str]]:
    """(name, bytes) of the board's log files, oldest first; and what else is there, as it is told.

    Only eight digits and .jsonl are a name: so no answer of a board can lead out of the pot's
    folder. Raises BoardLost for more files than any board keeps.
    """
    found, others = [], []
    for row in link.run("list_log").splitlines():
        if match := LISTED.fullmatch(row):
            found.append((match[2], int(match[1])))
        elif row:
            others.append(printable(row, 60))
    if len(found) > MOST_FILES:
        raise BoardLost(f"{link.port}: {len(found)} log files, allowed {MOST_FILES}")
    return sorted(dict(found).items()), others


def pull_log(link: Link, target: Path, pulled: Pulled) -> Wake | Brief | None:
    """Bring the new part of every log file into that folder; the newest wake there is."""
    target.mkdir(exist_ok=True)
    files, others = listed(link)
    if others:
        pulled.notes.append(f"left on the board, no log files: {', '.join(others[:5])}")
    last: Wake | Brief | None = None
    for name, size in files:
        if size > MOST_BYTES:
            pulled.left.append(f"{name} has {size} bytes, allowed {MOST_BYTES}")
        else:
            last = pull_file(link, name, size, target, pulled) or last
    return last


def pull_file(
    link: Link, name: str, size: int, target: Path, pulled: Pulled
) -> Wake | Brief | None:
    """Bring the new part of one log file; the last record in it."""
    path, remote = target / name, f"{POT}/log/{name}"
    have = path.read_bytes() if path.exists() else b""
    if have:
        same = len(have) <= size and (
            link.ask("digest", remote, len(have)) == hashlib.sha256(have).hexdigest()
        )
        if not same:
            aside = set_aside(path)
            pulled.notes.append(
                f"{name} was started again on the board; the older one is {aside.name}"
            )
            have = b""
    if len(have) == size:
        return last_record(have)
    tail = link.fetch("tail", remote, len(have))
    if len(tail) != size - len(have):
        raise BoardLost(f"{link.port}: {name} did not arrive complete; nothing of it was stored")
    # A torn last line stays on the board until it is whole or closed.
    whole = tail[: tail.rfind(b"\n") + 1]
    for number, text in enumerate(whole.split(b"\n")[:-1], have.count(b"\n") + 1):
        found = record.read(text.rstrip(b"\r"))
        if found.found is None:
            pulled.bad.append(f"{name}:{number}: {found.why}")
        else:
            pulled.wakes += isinstance(found.found, Wake | Brief)
    if whole:
        kept.store(path, have + whole, own=True)
        pulled.files += 1
        pulled.bytes += len(whole)
    return last_record(have + whole)


def last_record(data: bytes) -> Wake | Brief | None:
    """The last wake in a log file's bytes."""
    return next(last_records(data), None)


def last_records(data: bytes) -> Iterator[Wake | Brief]:
    """The wakes in a log file's bytes, the last one first."""
    for text in reversed(data.split(b"\n")):
        found = record.read(text.rstrip(b"\r")).found
        if isinstance(found, Wake | Brief):
            yield found


def set_aside(path: Path) -> Path:
    """Rename a file, so that it is kept and a new one can take its name."""
    for number in range(1, 1000):
        aside = path.with_name(f"{path.stem}-{number}{path.suffix}")
        if not aside.exists():
            path.rename(aside)
            return aside
    raise BadInput(f"{path}: a thousand older copies are here; remove some, then pull again")


def mark(link: Link, last: Wake | Brief | None) -> None:
    """Tell the board up to which wake its log is stored here."""
    if last is not None:
        pulled = {"kind": "pulled", "n": last.n}
        link.replace(f"{POT}/pulled.json", line.encode(("kind", "n"), pulled))


def leave(link: Link, target: Path, pulled: Pulled) -> None:
    """Send the board back to sleep for the time that was left of its sleep."""
    state = None
    for slot in ("state.0", "state.1"):
        data = link.read(f"{POT}/{slot}")
        found: Any = from_bytes(data) if data else None
        if found is not None and (state is None or found.seq > state.seq):
            state = found
    now = link.now()
    since = now - EPOCH
    pulled.sleep_s = LEAST_SLEEP_S
    if state is not None and state.open_ms:
        pulled.notes.append("a pulse is open: it was interrupted during a dose; it wakes at once")
    elif state is not None:
        when = newest_moment(target)
        if when is not None:
            left = state.sleep_s - int((now - when).total_seconds())
            pulled.sleep_s = max(LEAST_SLEEP_S, min(left, state.sleep_s))
    link.run_last("back_to_sleep", since.days, since.seconds, pulled.sleep_s)


def newest_moment(target: Path) -> datetime | None:
    """When the last recorded wake was, if its clock was trusted."""
    files = sorted(target.glob("[0-9]*.jsonl"))
    last = last_record(files[-1].read_bytes()) if files else None
    if last is None:
        return None
    day, second, trust = last.begin.utc
    return EPOCH + timedelta(days=day, seconds=second) if trust else None
