"""What a version about to be sent would have decided on the wakes of the pot it is sent to.

Here belongs: which of the pot's log is played, and the answer in a few lines. Not here: how a
wake is judged (rejudged.py), and whether the version is sent all the same (usb/flash.py).
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from wakecore import line
from wakewell.core import core_id
from wakewell.errors import BadInput
from wakewell.log import logs, obeyed
from wakewell.pot.description import PotFolder
from wakewell.replay import replaying
from wakewell.replay.asked import Asked
from wakewell.replay.changes import STRICTER, WEAKER
from wakewell.replay.replaying import Changed, LogReplay
from wakewell.replay.verdicts import many

ONE_AT_A_TIME = threading.Lock()
MOST_BYTES = 8_000_000  # of the newest log files: some thousand wakes, played in seconds


@dataclass
class Preview:
    """The answer: lines for a person; weaker: what would protect less, the first of each."""

    lines: list[str] = field(default_factory=list)
    weaker: list[Changed] = field(default_factory=list)


def foresee(
    pot: PotFolder, say: Callable[[str], None], accept_weaker: bool, only_core: bool = False
) -> None:
    """Say what this version would have decided on the pot's own log. Raises BadInput where that
    protects less, and nobody has accepted it. only_core: its settings stay as they are there."""
    found = of(pot, only_core)
    for text in found.lines:
        say(f"{pot.name}: {text}")
    if found.weaker and not accept_weaker:
        first = found.weaker[0]
        raise BadInput(
            f"judged by its own log it would protect less, first {first.rule} at wake "
            f"{first.wake}: {first.text}. Nothing was sent. To see each: wakewell replay "
            f"{pot.path}; to send it all the same: --accept-weaker"
        )


def of(pot: PotFolder, only_core: bool = False) -> Preview:
    """As `_of`, one pot after another: boards are flashed at the same time, but there is only one
    core.
    """
    with ONE_AT_A_TIME:
        return _of(pot, only_core)


def _of(pot: PotFolder, only_core: bool) -> Preview:
    """Play the pot's log under this core where another made it, and under the pot's settings
    where it obeyed others. Raises BadInput if a file of the log cannot be read."""
    found = Preview()
    place = pot.path / "logs"
    last = obeyed.newest_wake(place)
    if last is None:
        return found  # what it would have decided is not known
    files = newest(logs.find_logs(place)[0][1])
    if last.core != core_id():
        _add(found, "the new core", replaying.newest_life(pot.path.name, files))
    if not only_core and last.settings != line.identity(pot.lines["settings"]):
        settings = Asked("settings.toml", dict(pot.settings))
        _add(found, "settings.toml", replaying.newest_life(pot.path.name, files, settings))
    return found


def newest(files: list[Path]) -> list[Path]:
    """The newest of a log's files, as many as are played in a few seconds."""
    size, first = 0, len(files)
    while first and (first == len(files) or size < MOST_BYTES):
        first -= 1
        size += files[first].stat().st_size
    return files[first:]


def _add(found: Preview, what: str, report: LogReplay) -> None:
    played = f"{report.played} of {report.wakes} wakes"
    weaker, stricter = report.changed(WEAKER), report.changed(STRICTER)
    if not report.played:
        found.lines.append(f"{what}: none of {report.wakes} wakes of the log could be played")
        return
    said = {changed.text for changed in found.weaker}
    found.weaker += [changed for changed in weaker if changed.text not in said]
    if report.first is None and not weaker and not stricter:
        found.lines.append(f"{what}: by the log, {played}, all would be decided as they were")
        return
    found.lines.append(
        f"{what}: by the log, {played}, {many(report.different, 'wake')} with other decisions"
    )
    found.lines += [f"  {text}" for text in replaying.what_if(report)]
    for word, changes in (("WEAKER", weaker), ("stricter", stricter)):
        for changed in changes:
            count = many(changed.count, "wake")
            text = f"{changed.rule}: {changed.text}: {count}, first at wake {changed.wake}"
            found.lines.append(f"  {word} {text}")
