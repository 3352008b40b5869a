"""A pot in one row of the round: when it was heard, what it runs, how it is, how long it lasts.

Belongs here: the row, from a log and the folder it lies in, for the page and for `wakewell round`.
Not here: how a pot is judged (condition), where its log comes from, and how a row is shown.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from wakecore import line
from wakewell.budget import forecast
from wakewell.budget.forecast import Forecast
from wakewell.errors import BadInput
from wakewell.language import plural, say
from wakewell.log import logs, obeyed, record
from wakewell.log.record import Wake
from wakewell.log.series import PotLog
from wakewell.log.times import DAY_S, Calendar
from wakewell.pot import board_file, description, stage
from wakewell.report import condition, findings, recurring

NOT_READ = "not read"
LATEST = 1e18  # after every visit that has a date
KINDS = ("settings", "limits", "calibration")


@dataclass
class Looks:
    """A log looked at from every side, without drawing anything. now_s: the time it speaks of."""

    log: PotLog
    calendar: Calendar
    tank: Forecast
    battery: Forecast
    findings: list[findings.Finding]
    condition: condition.Condition
    now_s: float


@dataclass
class AskedFor:
    """The newest message to a pot that was made in its folder.

    differs: {setting: asked} of what it does not obey, by its newest wake. until_s: since 1970.
    """

    number: int
    sent: bool
    in_force: bool
    until_s: float
    differs: dict[str, int]


@dataclass
class Overview:
    """A row. heard_s: None where no time is known. why: that it could not be read, then nothing
    else is known. tank_days, battery_days: so long at least, 19 times in 20.

    unsent: {settings, limits or calibration: names of what the folder has otherwise than the
    board}; otherwise: settings that the board obeys by radio, in words.
    muted, muted_until_s: that somebody at the pot muted its reminders, in words and until when.
    program: what its reports say of its version and of the last one that was sent to it.
    """

    name: str
    title: str
    board: str = ""
    why: str = ""
    heard_s: float | None = None
    word: str = NOT_READ
    sentence: str = ""
    tasks: list[str] = field(default_factory=list)
    lockouts: Sequence[str] = ()
    needs: Sequence[str] = ()
    visit: str = ""
    visit_s: float | None = None
    tank_days: int | None = None
    battery_days: int | None = None
    core: str = ""
    settings: str = ""
    asked: AskedFor | None = None
    unsent: dict[str, list[str]] = field(default_factory=dict)
    otherwise: str = ""
    muted: str = ""
    muted_until_s: float | None = None
    program: dict[str, str | int] = field(default_factory=dict)

    @property
    def urgency(self) -> tuple[int, float, str]:
        """For sorting: who needs a visit first. A pot that cannot be read is one not heard of."""
        rank = condition.ORDER.get(self.word, condition.ORDER[condition.SILENT])
        visit_s = LATEST if self.visit_s is None else self.visit_s
        return rank, 0.0 if self.why else visit_s, self.title

    @property
    def good(self) -> bool:
        """Is it well or due?"""
        return self.word in (condition.WELL, condition.DUE)


def look(log: PotLog, zone: str = "", now_s: float | None = None) -> Looks:
    """Look at a log, which has at least one wake. now_s: as for `condition.judge`."""
    calendar = Calendar(zone, log.dated)
    for wake in log.wakes:
        wake.wall_s = calendar.wall_s(wake.time_s)
    tank, battery = forecast.tank(log), forecast.battery(log)
    found = [*findings.findings(log), *recurring.came_back(log, calendar)]
    state = condition.judge(log, calendar, tank, battery, found, now_s)
    return Looks(log, calendar, tank, battery, found, state, log.wakes[-1].time_s + state.old_s)


def of(
    looks: Looks, folder: description.PotFolder | None, heard_s: float | None = None
) -> Overview:
    """The row of a log. folder: its pot's; heard_s: when it was last heard by radio, if known."""
    log, state = looks.log, looks.condition
    last = log.wakes[-1]
    row = Overview(log.name, log.title)
    times = [heard_s] if heard_s is not None else []
    times += [last.time_s] if log.true_dates else []
    row.heard_s = max(times, default=None)
    row.word, row.sentence = state.word, state.sentence
    row.tasks = [task.do for task in state.tasks]
    row.lockouts, row.needs = last.lockouts, last.needs
    row.visit, row.visit_s = state.visit, state.visit_s
    row.tank_days = days_left(looks.tank, looks.now_s)
    row.battery_days = days_left(looks.battery, looks.now_s)
    row.core, row.settings, row.otherwise = last.core, last.ids[0], log.otherwise
    mute(row, looks)
    if folder is not None:
        whole = log.kept[last.place].found if last.place in log.kept else None
        of_folder(row, folder, whole if isinstance(whole, Wake) else None)
    return row


def mute(row: Overview, looks: Looks) -> None:
    """Are its reminders muted with its button? Not known of a log without true dates."""
    pressed = [w.time_s for w in looks.log.wakes if record.MUTE in w.host]
    if pressed and looks.log.true_dates and looks.now_s < pressed[-1] + record.MUTED_S:
        row.muted_until_s = pressed[-1] + record.MUTED_S
        date = looks.calendar.date(row.muted_until_s)
        row.muted = say("its reminders were muted with its button until {date}", date=date)


def of_folder(row: Overview, folder: description.PotFolder, last: Wake | None) -> None:
    """What is asked, and what is not sent yet, as its folder has it. last: its newest wake."""
    try:
        if folder.problems:
            return
        at = obeyed.known(folder.path, folder, last)
        if made := obeyed.made_so_far(folder.path):
            number, path = made[-1]
            was = obeyed.read_made(path)
            sent = not path.name.endswith(obeyed.KEPT)
            row.asked = AskedFor(
                number, sent, was.in_force(at), was.until.timestamp(), was.differs(at)
            )
        if last is not None:
            row.unsent = unsent(folder, last)
    except BadInput as error:
        row.otherwise = row.otherwise or str(error)


def unsent(folder: description.PotFolder, last: Wake) -> dict[str, list[str]]:
    """What the folder has otherwise than the board had at that wake. Raises BadInput.

    Not what was asked by radio, and nothing where a flash came after that wake.
    """
    flashed = board_file.flashed(folder.path)
    if flashed is not None and not obeyed.came_after(last, flashed):
        return {}
    in_force = logs.InForce(folder.path / "logs")
    found: dict[str, list[str]] = {}
    for kind in KINDS:
        identity = getattr(last, kind)
        if identity == line.identity(folder.lines[kind]):
            continue
        there = in_force(identity)
        if kind == "calibration":
            if there is None or not _same_but_stage(folder, there):
                found[kind] = []
            continue
        values = record.values_of(kind, there)
        here: dict[str, Any] = getattr(folder, kind)
        names = [n for n in here if values is not None and here[n] != getattr(values, n, None)]
        by_radio = kind == "settings" and obeyed.by_log(folder, last) is not None
        if (names or values is None) and not by_radio:
            found[kind] = names
    return found


def _same_but_stage(folder: description.PotFolder, there: bytes) -> bool:
    """Is that stored calibration the folder's? Which stage counts is told by the pot's own page."""
    # A folder without the tables that the board has makes no calibration of that stage
    ours = stage.compiled(folder, stage.stage_of(there)).lines.get("calibration")
    return ours is not None and stage.same_calibration(there, ours)


def days_left(found: Forecast, now_s: float) -> int | None:
    """Whole days from now until it may run out; None: not known."""
    return None if found.early_s is None else max(0, int((found.early_s - now_s) // DAY_S))


def by_urgency(rows: Sequence[Overview]) -> list[Overview]:
    """Who needs a visit next comes first."""
    return sorted(rows, key=lambda row: row.urgency)


# In words


def heard(row: Overview, calendar: Calendar, now_s: float) -> str:
    """When it was last heard."""
    if row.heard_s is None:
        return say("not known")
    if now_s - row.heard_s < DAY_S:
        return calendar.moment(row.heard_s)
    return calendar.date(row.heard_s)


def left(row: Overview, days: int | None) -> str:
    """Days that are left, by its last record."""
    if days is None:
        return say("not known")
    if not days and row.word == condition.SILENT:
        return say("may have run out")
    return plural("{count} day", "{count} days", days)


def asked(row: Overview) -> str:
    """What was asked and is not in force, "" if nothing."""
    if row.asked is None or row.asked.in_force:
        return ""
    values = {
        "number": row.asked.number,
        "what": ", ".join(f"{k} = {v}" for k, v in row.asked.differs.items()) or "–",
    }
    if not row.asked.sent:
        return say("number {number}, made and not sent: {what}", **values)
    return say("number {number}, not seen in force: {what}", **values)


def not_sent(row: Overview) -> str:
    """What is in its folder and not on its board, "" if nothing."""
    parts = []
    for kind, names in row.unsent.items():
        parts.append(f"{kind}.toml ({', '.join(names)})" if names else f"{kind}.toml")
    return ", ".join(parts)
