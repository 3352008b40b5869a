"""The settings a pot obeys, where they are not what its settings.toml says.

What belongs here: what is in force by the pot's log, by its board, and by the messages that
`wakewell ask` made; how that differs from settings.toml; writing it into settings.toml. What does
not: making messages (remote/ask.py), what other settings would decide (asked.py).
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from wakeboard import asked, heard
from wakecore import fields, line
from wakewell.errors import BadInput
from wakewell.log import logs, record
from wakewell.log.fieldlog import FieldLog
from wakewell.log.record import Wake
from wakewell.pot import board_file, description, pot_folder, sent_files, settings_file
from wakewell.tomlfile import show_path

FOLDER = "asked"  # in a pot's folder: every message ever made, by number
KEPT = sent_files.UNSENT  # end of the name of one that was not sent
EPOCH = datetime(2000, 1, 1, tzinfo=UTC)
ROWS = {row[0]: row for row in fields.SETTINGS}


@dataclass(frozen=True)
class Known:
    """What is known of a pot from its log: its newest wake, and the settings it obeys."""

    last: Wake | None
    settings: dict[str, int]
    from_log: bool


@dataclass(frozen=True)
class Made:
    """A message made earlier. id: of the settings it brings in force; limits_id: made for these."""

    values: dict[str, int]
    until: datetime
    id: str
    limits_id: str

    def in_force(self, at: Known) -> bool:
        """Does the newest wake obey it?"""
        return at.last is not None and at.last.settings == self.id

    def differs(self, at: Known) -> dict[str, int]:
        """Those of its values that differ from the settings in force."""
        return {k: v for k, v in self.values.items() if v != at.settings.get(k)}


@dataclass(frozen=True)
class OtherSettings:
    """Settings that a pot obeys, or is asked to obey, and that differ from settings.toml.

    values: {name: (in settings.toml, obeyed)}. n: number of the message that asked, 0 if it was
    not made here. taken: in force already.
    """

    values: dict[str, tuple[int, int]]
    n: int = 0
    taken: bool = True

    @property
    def obeyed(self) -> dict[str, int]:
        """The values obeyed, by name."""
        return {name: value for name, (_, value) in self.values.items()}

    @property
    def text(self) -> str:
        """In a few words, such as "dose_ml = 60 (settings.toml: 80), asked by radio, number 3"."""
        said = ", ".join(
            f"{name} = {value} (settings.toml: {here})"
            for name, (here, value) in self.values.items()
        )
        if not self.taken:
            return f"{said}, asked by radio, number {self.n}, not yet taken"
        how = f"by radio, number {self.n}" if self.n else "by radio, or from another copy"
        return f"{said}, in force {how}"


def values_of(data: bytes) -> dict[str, int] | None:
    """The settings by name in a stored line; None if it is none."""
    values = record.values_of("settings", data)
    return None if values is None else {name: getattr(values, name) for name in ROWS}


def known(folder: Path, found: description.PotFolder, newest: Wake | None = None) -> Known:
    """The newest wake in the pot's log and the settings in force by it, else settings.toml's.

    newest: that wake, where it is known already.
    """
    last = newest or newest_wake(folder / "logs")
    data = logs.InForce(folder / "logs")(last.settings) if last is not None else None
    values = values_of(data) if data is not None else None
    if values is None:
        return Known(last, dict(found.settings), False)
    return Known(last, values, True)


def newest_wake(place: Path) -> Wake | None:
    """The last whole wake of the log there, of the pot's own life; None without one."""
    last: dict[int, Wake] = {}
    for _, files in logs.first_log(place):
        source = FieldLog(files)
        for entry in source.entries():
            if entry.wake is not None:
                last[entry.life] = entry.wake
        if source.own in last:
            return last[source.own]
    return None


def made_so_far(folder: Path) -> list[tuple[int, Path]]:
    """(number, file) of every message made for this pot, oldest first."""
    return [one for one in sent_files.numbered(folder, FOLDER) if one[0] <= asked.MOST_N]


def sent_so_far(folder: Path) -> list[tuple[int, Path]]:
    """(number, file) of every message that was sent, oldest first."""
    return [one for one in made_so_far(folder) if not one[1].name.endswith(KEPT)]


def read_made(path: Path) -> Made:
    """That message, its tag not looked at. Raises BadInput."""
    try:
        body = json.loads(_bytes_of(path))
        values, limits_id = body["values"], body["limits_id"]
        until = EPOCH + timedelta(days=body["until"][0], seconds=body["until"][1])
        identity = line.identity(asked.settings_line(limits_id, values))
        return Made(dict(values), until, identity, limits_id)
    except (ValueError, LookupError, TypeError, AttributeError, OverflowError):
        name = show_path(str(path))
        raise BadInput(f"{name}: not a message as ask made it; move it away") from None


def _bytes_of(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        why = error.strerror or "cannot be read"
        raise BadInput(f"{show_path(str(path))}: {why.lower()}; move it away") from None


def differ(pot: description.PotFolder, values: Mapping[str, int]) -> dict[str, tuple[int, int]]:
    """{name: (in settings.toml, there)} of every setting that differs there."""
    return {n: (pot.settings[n], v) for n, v in values.items() if pot.settings[n] != v}


def by_log(pot: description.PotFolder, newest: Wake | None = None) -> OtherSettings | None:
    """The settings that the newest wake in the log obeys, if no flash from this folder put them in
    force.

    None if there is nothing of that, or the log cannot tell. pot has no problems. newest: that
    wake, where it is known already.
    """
    at = known(pot.path, pot, newest)
    if at.last is None or not at.from_log or not (values := differ(pot, at.settings)):
        return None
    n = _asked_by(pot.path, at.last.settings)
    flashed = board_file.flashed(pot.path)
    if flashed is None:
        return OtherSettings(values, n) if n else None
    if at.last.settings == flashed.settings or not came_after(at.last, flashed):
        return None
    return OtherSettings(values, n)


def came_after(last: Wake, flashed: board_file.Flashed) -> bool:
    """Did that wake come after that flash? By its clock, if it is trusted; a number may begin anew
    (a board whose memory was lost)."""
    when = moment(last)
    return last.n >= flashed.n if when is None else when >= flashed.at


def moment(last: Wake, later_s: int = 0) -> datetime | None:
    """When a wake began, or so much later, if its clock is trusted."""
    day, second, trusted = last.begin.utc
    return EPOCH + timedelta(days=day, seconds=second + later_s) if trusted else None


def _asked_by(folder: Path, identity: str) -> int:
    """Number of the message sent from here that asks for these very settings; 0: none."""
    for n, path in reversed(sent_so_far(folder)):
        try:
            if read_made(path).id == identity:
                return n
        except BadInput:
            continue  # `wakewell ask` says so
    return 0


@dataclass(frozen=True)
class Judged:
    """What a board remembers of messages that asked. n: the newest it judged; lost: it cannot say,
    and takes no other."""

    n: int = 0
    lost: bool = False


def judged(slots: list[bytes | None]) -> Judged:
    """The newest of a board's two slots (see wakeboard.heard)."""
    records = [line.decode(data.rstrip(b"\r\n"))[0] for data in slots if data is not None]
    whole = [record for record in records if record is not None and heard.whole(record)]
    if not whole:
        return Judged(0, bool(records))
    n = max(whole, key=lambda record: int(record["seq"]))["asked"]
    return Judged(n, n == heard.MOST)


def on_board(pot: description.PotFolder, data: bytes | None, seen: Judged) -> OtherSettings | None:
    """The settings that a board obeys, if no flash from this folder put them in force. data: its
    settings line.
    """
    values = values_of(data) if data is not None else None
    if data is None or values is None or not (found := differ(pot, values)):
        return None
    identity = line.identity(data.rstrip(b"\r\n"))
    flashed = board_file.flashed(pot.path)
    if identity == flashed.settings if flashed else not (seen.n or seen.lost):
        return None
    return OtherSettings(found, _asked_by(pot.path, identity))


def pending(
    pot: description.PotFolder, board: str, seen: Judged, key: bytes, now: datetime
) -> OtherSettings | None:
    """What was sent to a pot and its board has not judged yet, and may still take.

    board: its id. key: of the pot. Raises BadInput.
    """
    sent = sent_so_far(pot.path)
    if seen.lost or not sent:
        return None
    data = _bytes_of(sent[-1][1])
    if asked.opened(data, key, board, seen.n)[1] is None:
        return None
    made = read_made(sent[-1][1])
    if made.until < now or made.limits_id != line.identity(pot.lines["limits"]):
        return None
    values = differ(pot, {name: made.values[name] for name in ROWS if name in made.values})
    return OtherSettings(values, sent[-1][0], False) if values else None


def keep(pot: description.PotFolder, found: OtherSettings) -> tuple[description.PotFolder, Path]:
    """Write what is obeyed into settings.toml, comments kept: (the pot now, the copy of the old).

    Raises BadInput if the pot's files would then hold a problem; nothing is written.
    """
    made = pot_folder.with_values(pot, "settings", found.obeyed)
    if made.problems:
        raise BadInput(f"{made.problems[0]}; so it cannot be kept: --replace-asked, or correct it")
    copy = settings_file.write(pot.path, found.obeyed)
    return pot_folder.load(pot.path), copy
