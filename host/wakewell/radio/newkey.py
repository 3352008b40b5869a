"""Another key for a pot over the air, the host's side of it (wakeboard.newkey is the board's).

A message under the old key tells the host's half; its secret waits in private-next.json beside
private.toml. The first report that tells the board's half makes the new key, which is stored there
before anything is answered under it. Both keys are good until a report comes under the new one:
then private.toml gets it, and a copy of the old file stays. Here: those files. Not here: who asks
(ask), who hears (listen).
"""

from __future__ import annotations

import json
import secrets
from binascii import hexlify
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

from wakeboard import newkey
from wakewell import kept
from wakewell.errors import BadInput
from wakewell.log.obeyed import FOLDER
from wakewell.pot import private
from wakewell.radio import homes
from wakewell.tomlfile import show_path

FILE = "private-next.json"
ASKED, DONE = ".key.json", ".key.done.json"  # ends of a message's name in `asked`


@dataclass(frozen=True)
class KeyChange:
    """A key on its way. n: number of the message; was: mark of the key that it was asked under;
    until: a board may take it up to then; key: b"" until the board has told its half."""

    n: int
    was: str
    until: datetime
    secret: bytes = field(repr=False)
    key: bytes = field(default=b"", repr=False)

    def is_open(self, now: datetime) -> bool:
        """Is it waited for? One that was agreed on is good after that too, if the board uses it."""
        return now <= self.until


def read(folder: Path) -> KeyChange | None:
    """The key on its way to that pot, None if there is none beside the key it has. Raises
    BadInput."""
    path = folder / FILE
    try:
        made = json.loads(path.read_text(encoding="ascii"))
        until = datetime.fromisoformat(made["until"])
        secret, key = bytes.fromhex(made["secret"]), bytes.fromhex(made["key"])
        change = KeyChange(int(made["n"]), str(made["was"]), until, secret, key)
    except FileNotFoundError:
        return None
    except (ValueError, LookupError, TypeError):
        text = "not as ask --replace-key made it; move it away and ask once more"
        raise BadInput(f"{show_path(str(path))}: {text}") from None
    return change if change.was == homes.mark_of(private.read(folder).key) else None


def see_none_under_way(folder: Path, now: datetime) -> None:
    """Raises BadInput where a key is waited for: what the old one seals may come too late."""
    change = read(folder)
    if change is not None and change.is_open(now):
        raise BadInput(
            f"{show_path(str(folder))}: a new key is on its way to its board, {shown(folder)}; try "
            "again when it is in force"
        )


def numbers(folder: Path) -> list[int]:
    """The numbers of the messages that asked for a key."""
    return [number_of(path) for path in (folder / FOLDER).glob("[0-9]*.key*.json")]


def number_of(path: Path) -> int:
    """The number that a message's file begins with, -1 if it is none."""
    text = path.name.partition(".")[0]
    return int(text) if text.isdecimal() and len(text) < 12 else -1


def begin(
    folder: Path, board: str, n: int, until: datetime, day: tuple[int, int], until_n: int
) -> bytes:
    """Ask for another key: the message, kept in `asked`. Raises BadInput.

    n, day, until_n: as in wakeboard.newkey.make; until: the same as day.
    """
    key, secret = private.read(folder).key, secrets.token_bytes(newkey.SIZE)
    share = newkey.x25519(secret, newkey.BASE)
    data = bytes(newkey.make(key, board, n, day, until_n, share))
    private.ignore(folder, FILE)
    _store(folder, KeyChange(n, homes.mark_of(key), until, secret))
    path = folder / FOLDER / f"{n:06d}{ASKED}"
    path.parent.mkdir(exist_ok=True)
    kept.store(path, data, own=True)
    return data


def agree(folder: Path, n: object, share: object) -> bytes | None:
    """The new key, stored, once the board has told its half in a report; None if it answers no
    message that is open here. Raises BadInput where it cannot be stored."""
    change, other = read(folder), newkey.half(share)
    if change is None or other is None or n != change.n:
        return None
    shared = newkey.x25519(change.secret, other)
    mine = newkey.x25519(change.secret, newkey.BASE)
    key = newkey.agreed(private.read(folder).key, shared, mine, other)
    if key is not None and key != change.key:
        _store(folder, replace(change, key=bytes(key)))
    return None if key is None else bytes(key)


def settle(folder: Path, key: bytes) -> Path:
    """A report came under the new key: private.toml gets it; the copy of the old file. Raises
    BadInput, and then all is as it was."""
    copy = private.put_key(folder, key)
    for path in (folder / FOLDER).glob("[0-9]*" + ASKED):
        path.replace(path.with_name(path.name.removesuffix(ASKED) + DONE))
    (folder / FILE).unlink(missing_ok=True)
    return copy


def waiting(folders: Iterable[tuple[str, Path]]) -> dict[str, bytes]:
    """{board: the key agreed on that no report came under yet}. Raises BadInput."""
    found = {board: read(folder) for board, folder in folders}
    return {board: change.key for board, change in found.items() if change and change.key}


def shown(folder: Path) -> str:
    """How far the change of key is, in words; "" if there is none."""
    change = read(folder)
    if change is None:
        return ""
    is_open = change.is_open(datetime.now(UTC))
    if change.key and is_open:
        return f"number {change.n}: agreed on; in force with the pot's next report or the one after"
    if is_open:
        until = f"{change.until:%Y-%m-%d %H:%M} UTC"
        return f"number {change.n}: asked for, not heard of yet; the pot may take it until {until}"
    return f"number {change.n}: its time is past; ask again, or use a cable"


def _store(folder: Path, change: KeyChange) -> None:
    made = {"n": change.n, "was": change.was, "until": change.until.isoformat()}
    made |= {"secret": hexlify(change.secret).decode(), "key": hexlify(change.key).decode()}
    kept.store(folder / FILE, json.dumps(made).encode(), own=True)
