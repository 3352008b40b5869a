"""A version of the code for a pot's board, without a cable: what is made of it, and how far it is.

Belongs here: the manifest and the pieces that a board fetches with its reports, sealed with the
pot's key; what of them is kept in the pot's folder; how a pot sent first has fared. Not here: what
a board takes (wakeboard.manifest), how it is put in force (wakeboard.staging and the loader).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from wakeboard import manifest, ordered
from wakewell import kept
from wakewell.errors import BadInput
from wakewell.log import logs
from wakewell.log.fieldlog import FieldLog
from wakewell.log.obeyed import EPOCH, newest_wake
from wakewell.log.record import IN_FORCE, TAKEN_BACK
from wakewell.pot import board_file, description, pot_folder, private
from wakewell.pot.board_file import board_id
from wakewell.pot.sent_files import FOLDER, UNSENT, numbered
from wakewell.radio import ask, broker, newkey, pieces
from wakewell.radio.pieces import FILES
from wakewell.tomlfile import show_path
from wakewell.usb import payload

DAYS = 21  # a manifest may be taken, and its pieces fetched, for so long


@dataclass(frozen=True)
class SealedCode:
    """A manifest, ready to be sent. pieces: (topic below the board's own place, payload)."""

    n: int
    version: str
    manifest: bytes
    listing: bytes
    files: dict[str, bytes]  # by SHA-256


def root_id(chip: str) -> str:
    """What stands for the files in the root of a board with that chip."""
    files = payload.root_files(chip)
    return str(manifest.root_id([payload.sha(files[name]) for name in manifest.ROOT]))


def listing(files: dict[str, bytes]) -> bytes:
    """The list of a version's files, as a board reads it."""
    rows = (
        manifest.row(payload.sha(data), len(data), name) for name, data in sorted(files.items())
    )
    return b"".join(bytes(row) for row in rows)


def order(
    folder: Path,
    found: description.PotFolder,
    code: payload.Code,
    now: datetime,
    back: bool = False,
    database: str | None = None,
) -> SealedCode:
    """The manifest for a pot, and what goes with it. Raises BadInput where none can be made."""
    board = board_id(folder)
    if board is None or found.about is None:
        raise BadInput(f"{folder}: the board of this pot is not known; flash it once by cable")
    machine = board_file.machine(folder)
    told = ask.told(folder, database)
    if not machine or (told and "code" not in told):
        raise BadInput(
            f"{show_path(str(folder))}: the program on its board takes no version by radio, or its "
            "chip is not known; flash it once by cable"
        )
    secret = private.read(folder)
    newkey.see_none_under_way(folder, now)
    made = numbered(folder)
    judged = told.get("sent", 0)
    n = max(made[-1][0] if made else 0, judged if isinstance(judged, int) else 0) + 1
    if n > ordered.MOST_N:
        raise BadInput(
            f"{show_path(str(folder))}: its board lost count of what was sent and takes nothing "
            "more by radio; flash it by cable"
        )
    until = now + timedelta(days=DAYS) - EPOCH
    last = newest_wake(folder / "logs")
    wakes = -(-DAYS * 86400 // found.settings["wake_s"])
    rows = b"" if back else listing(code.files)
    record = {
        "board": board,
        "n": n,
        "until": [until.days, until.seconds],
        "until_n": (last.n if last else 0) + 8 * wakes,  # a dose takes several
        "chip": machine.rpartition(" ")[2],
        "mpy": code.mpy_version,
        "root": root_id(found.about.chip),
        "back": int(back),
        "name": "" if back else code.version,
        "list": "" if back else payload.sha(rows),
        "size": len(rows),
    }
    data = bytes(manifest.make(secret.key, record))
    files = {} if back else {payload.sha(each): each for each in (rows, *code.files.values())}
    return SealedCode(n, record["name"], data, rows, files)


def keep(folder: Path, made: SealedCode) -> Path:
    """Keep it in the pot's folder; the manifest's file."""
    place = folder / FOLDER
    (place / FILES).mkdir(parents=True, exist_ok=True)
    for digest, data in made.files.items():
        path = place / FILES / digest
        if not path.exists():
            kept.store(path, data)
    path = place / f"{made.n:06d}{UNSENT}"
    kept.store(path, made.manifest)
    return path


def leave(folder: Path, made: SealedCode, path: Path) -> Path:
    """Leave it with the broker: its pieces first, the manifest last. For a pot that posts it lies
    ready in its folder. The manifest's file. Raises BadInput."""
    secret, board = private.read(folder), board_id(folder)
    assert board is not None
    older = pieces.kept_files(folder, made.files)
    if not secret.post["host"]:
        head = broker.TOPIC.format(board=board, what="")
        parts = pieces.of(made.files, secret.key, board)
        messages = [(head + name, data) for name, data in parts]
        messages.append((head + "code", made.manifest))
        # An empty one takes away what is retained there (MQTT 3.1.1, section 3.3.1.3)
        messages += [(head + name, b"") for name in pieces.topics(older)]
        broker.publish_all(secret, folder, messages, retain=True)
    for earlier in older:
        earlier.unlink()
    return path.rename(path.with_name(f"{made.n:06d}.json"))


@dataclass(frozen=True)
class FarSoFar:
    """How far a pot is with a version. state: as its report says it; doses: wakes with a dose that
    it finished under it."""

    version: str
    state: str
    why: str
    doses: int


def standing(folder: Path, database: str | None = None) -> FarSoFar:
    """What a pot's reports and its log say of the version it runs. Raises BadInput."""
    told = ask.told(folder, database)
    version, state, why = (str(told.get(name, "")) for name in ("code", "sent_is", "sent_why"))
    return FarSoFar(version, state, why, doses_since(folder))


def doses_since(folder: Path) -> int:
    """Finished wakes with a dose since the log says that a version was put in force."""
    count = 0
    for _, files in logs.first_log(folder / "logs"):
        for entry in FieldLog(files).entries():
            wake = entry.wake
            if wake is None:
                continue
            if IN_FORCE in wake.begin.host or TAKEN_BACK in wake.begin.host:
                count = 0
            if wake.commanded_ms and not wake.trips:
                count += 1
    return count


def loaded(folder: Path) -> description.PotFolder:
    """The pot, without a problem. Raises BadInput."""
    found = pot_folder.load(folder)
    if found.problems:
        raise BadInput(f"{folder}: {found.problems[0]}; run wakewell check {folder}")
    return found
