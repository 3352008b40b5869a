"""At most one message a day about a pot to a person, until all is resolved.

Run it every quarter of an hour or so (--every, cron, a timer). What was sent when is in the
database, written before a message leaves: a restart neither sends twice nor forgets. Here:
when and to whom. Not here: why (causes), what was heard (store).
"""

from __future__ import annotations

import re
import time
from binascii import crc32
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from datetime import time as clock
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from wakecore import fields
from wakecore.run import DRY_RUNS
from wakewell import language, words
from wakewell.budget import forecast
from wakewell.errors import BadInput
from wakewell.language import number, say
from wakewell.log import logs, record, series
from wakewell.log.record import Wake
from wakewell.log.times import Calendar
from wakewell.pot import pot_folder, private
from wakewell.pot.board_file import board_id
from wakewell.radio import beats, causes, letters
from wakewell.radio.causes import Cause
from wakewell.radio.store import LINES, SENT, LastHeard, ReportStore, sa
from wakewell.report import condition, overview
from wakewell.tomlfile import show_path

DAY_S = 86400
LEAST_EVERY_S, MOST_EVERY_S = 60, 86400  # seconds between two rounds
WAITING = Cause(
    "waiting", words.MAKER, "", ""
)  # booked, never sent: since when it was due to report
LISTENER = "listener"  # booked where a board stands
WAS_DOWN_S = 2 * DAY_S  # so long it is told that nobody listened
MESSAGE = "message to the "  # booked beside the causes: when the last one left to whom
BY_CABLE = {f"lockout {name}" for name in causes.CABLE}
SECRET_URL = re.compile(r"[a-z][a-z0-9+.-]*://\S+", re.IGNORECASE)

Send = Callable[[list[str], str, str], bool]
"""(addresses, title, text) to whether it left."""


@dataclass
class PotToRemind:
    """A pot whose people are reminded."""

    board: str
    name: str
    folder: Path
    people: dict[str, private.Person]
    settings: dict[str, int]
    tank_ml: int = 0
    help: str = ""  # who is asked for help, and how
    told: dict[str, tuple[str, ...]] = field(default_factory=dict)  # of whom pot.toml names
    language: str = language.ENGLISH

    def words_of(self, who: str) -> tuple[str, ...]:
        """What that person is told of: all that is an owner's or a maker's, or causes by name."""
        return self.told.get(who, (who,))

    def hears(self, who: str, cause: Cause) -> bool:
        """Is that person told of it? Where nobody has one part, owner or maker hears of both."""
        told = self.words_of(who)
        if {cause.who, cause.key, cause.name} & set(told):
            return True
        return who in private.PEOPLE and not any(
            cause.who in self.words_of(other) for other in self.people
        )


@dataclass
class Round:
    """What one round over the pots did. open: every cause that holds, sent or not."""

    sent: list[tuple[str, str, list[Cause]]] = field(default_factory=list)
    failed: list[str] = field(default_factory=list)
    open: list[tuple[PotToRemind, Cause, int]] = field(default_factory=list)


def quiet(person: private.Person, now: float) -> bool:
    """Is it this person's quiet time, in their time zone?"""
    here = datetime.fromtimestamp(now, ZoneInfo(person.timezone)).time()
    start, end = clock.fromisoformat(person.quiet_from), clock.fromisoformat(person.quiet_to)
    if start <= end:
        return start <= here < end
    return here >= start or here < end


def go_round(
    store: ReportStore, all_pots: list[PotToRemind], send: Send | None, now: float | None = None
) -> Round:
    """Look at every pot once; send what is due; without a way to send, send nothing."""
    now = time.time() if now is None else now
    done = Round()
    heard, listened = store.pots(), beats.listening(store)
    for pot in all_pots:
        with language.speaking(pot.language):
            _look(store, pot, heard.get(pot.board), listened, send, now, done)
    _look_at_listener(store, all_pots, listened, send, now, done)
    return done


def _look_at_listener(
    store: ReportStore,
    all_pots: list[PotToRemind],
    listened: beats.Listening,
    send: Send | None,
    now: float,
    done: Round,
) -> None:
    """Tell each maker, once for all pots, that nobody listens, or once that nobody did."""
    since_s, to_s = listened.down_from, listened.down_to
    if listened.is_down(now):
        since_s, to_s = listened.beat_at, None
    elif to_s is None or not 0 <= now - to_s < WAS_DOWN_S:
        since_s = None
    if since_s is None:
        book(store, LISTENER, [], now)
        return
    told: dict[tuple[str, ...], tuple[str, str, private.Person, Cause]] = {}
    pairs = [(pot, *each) for pot in all_pots for each in pot.people.items()]
    for pot, who, person in pairs:
        with language.speaking(pot.language):
            cause = causes.unheard(since_s, to_s, person.timezone)
            if pot.hears(who, cause):
                key = f"{MESSAGE}{who} {crc32(repr(person.apprise).encode()):08x}"
                told.setdefault(person.apprise, (key, who, person, cause))
    found = [cause for _, _, _, cause in told.values()][:1]
    since = book(
        store, LISTENER, found + [Cause(row[0], row[1], "", "") for row in told.values()], now
    )
    where = PotToRemind(LISTENER, "the listener", Path(), {}, {})
    done.open += [(where, cause, since[cause.key]) for cause in found]
    for key, who, person, cause in told.values():
        again = to_s is None or sent_at(store, LISTENER, key) < to_s  # that it is over: once
        if send is None or quiet(person, now) or not again:
            continue
        if claim(store, LISTENER, key, int(now)):
            text = f"{cause.is_[:1].upper()}{cause.is_[1:]}. {cause.do}"
            good = send(list(person.apprise), f"Wakewell: {cause.is_}"[:120], text)
            _sent(store, where, key, who, [cause], good, now, done)


def _look(
    store: ReportStore,
    pot: PotToRemind,
    row: LastHeard | None,
    listened: beats.Listening,
    send: Send | None,
    now: float,
    done: Round,
) -> None:
    """Look at a pot once, and send what is due."""
    zone = next((person.timezone for person in pot.people.values()), "UTC")
    since, pressed = held(store, pot.board), muted_at(store, pot.board, now)
    if row is None:
        waits = since.get(WAITING.key, now)
        waited_s = now - waits - listened.unheard_s(waits, now)
        found = [causes.never(waited_s, pot.settings)]
    else:
        # While nobody listens its silence says nothing
        then = now - listened.unheard_s(row.told_at, now)
        found = list(causes.of(row.told, row.told_at, settings_of(pot, row.told), then, zone))
        if set(private.PEOPLE) <= pot.people.keys() and pressed is None:
            found += [causes.unheeded(c, now - since.get(c.key, now)) for c in found if c]
    if pressed is not None:
        until = causes.day(pressed + record.MUTED_S, zone)
        found.append(causes.muted(until))
    holds = [cause for cause in found if cause is not None]
    booked = [Cause(MESSAGE + who, who, "", "") for who in pot.people]
    since = book(store, pot.board, holds + booked + [WAITING] * (row is None), now)
    done.open += [(pot, cause, since[cause.key]) for cause in holds]
    for parts, person in listeners(pot):
        if pressed is not None:  # the pot's people have it quiet, the maker does not
            parts = [who for who in parts if words.MAKER in pot.words_of(who)]
        alone = pressed is not None and bool(parts)  # and hears of everything
        mine = [c for c in holds if alone or any(pot.hears(who, c) for who in parts)]
        if [c.key for c in mine] == [causes.MUTED] and sent_at(store, pot.board) >= (pressed or 0):
            continue  # that one is told once
        if send is not None and mine and not quiet(person, now):
            _remind(store, pot, row, parts[0], mine, send, now, done)


def muted_at(store: ReportStore, board: str, now: float) -> int | None:
    """When somebody at the pot muted its reminders, if they still are: by the pot's clock where it
    is trusted, seconds since 1970."""
    chosen = sa.select(LINES.c.heard_at, LINES.c.data).where(
        (LINES.c.board == board)
        & (LINES.c.kind == "wake")
        & LINES.c.heard_at.between(int(now) - record.MUTED_S, int(now) + DAY_S)
    )
    found = None
    with store.engine.connect() as c:
        for row in c.execute(chosen.order_by(LINES.c.id)):
            wake = record.read(row.data).found if b'"mute"' in row.data else None
            if isinstance(wake, Wake) and "mute" in wake.begin.host:
                day, second, trusted = wake.begin.utc
                at = letters.unix_s(day, second) if trusted else row.heard_at
                found = min(at, row.heard_at)
    return found if found is not None and found > now - record.MUTED_S else None


def sent_at(store: ReportStore, board: str, cause: str = causes.MUTED) -> int:
    """When that cause was last told, seconds since 1970; -1: not yet."""
    here = (SENT.c.board == board) & (SENT.c.cause == cause)
    with store.engine.connect() as c:
        found = c.scalar(sa.select(SENT.c.sent_at).where(here))
    return -1 if found is None else int(found)


def listeners(pot: PotToRemind) -> list[tuple[list[str], private.Person]]:
    """(parts, person) of everyone to be reminded: a person who is owner and maker is told once."""
    found: dict[tuple[str, ...], tuple[list[str], private.Person]] = {}
    for who, person in pot.people.items():
        found.setdefault(person.apprise, ([], person))[0].append(who)
    return list(found.values())


def held(store: ReportStore, board: str) -> dict[str, int]:
    """{cause: it holds since} of a pot, as booked."""
    chosen = sa.select(SENT.c.cause, SENT.c.since)
    with store.engine.connect() as c:
        rows = c.execute(chosen.where((SENT.c.board == board) & SENT.c.holds))
        return {row.cause: row.since for row in rows}


def book(store: ReportStore, board: str, found: list[Cause], now: float) -> dict[str, int]:
    """Note which causes hold; {cause: it holds since}. Causes that are over are removed."""
    at = int(now)
    keys = {cause.key for cause in found}
    with store.engine.begin() as c:
        rows = {r.cause: r for r in c.execute(sa.select(SENT).where(SENT.c.board == board))}
        for key in keys - rows.keys():
            c.execute(SENT.insert().values(board=board, cause=key, since=at, holds=True))
        for key, row in rows.items():
            holds, set_back = key in keys, row.sent_at is not None and row.sent_at > at
            # The PC's clock was set back: count from now, so that no reminder is hidden.
            values = {"sent_at": at} if set_back else {}
            if row.holds != holds:
                values |= {"holds": holds, "since": at if holds else row.since}
            if values:
                here = (SENT.c.board == board) & (SENT.c.cause == key)
                c.execute(SENT.update().where(here).values(**values))
    return {key: rows[key].since if key in rows and rows[key].holds else at for key in keys}


def _remind(
    store: ReportStore, pot: PotToRemind, row: LastHeard | None, who: str, mine: list[Cause],
    send: Send, now: float, done: Round,
) -> None:  # fmt: skip
    """One message to one person with every cause that holds, if none went within 24 hours."""
    key = MESSAGE + who
    if not claim(store, pot.board, key, int(now)):
        return
    person = pot.people[who]
    what = say("please look") if len(mine) > 1 else mine[0].is_
    title = f"{pot.name}: {what}"
    good = send(list(person.apprise), title[:120], text_of(pot, row, mine, person, now))
    _sent(store, pot, key, who, mine, good, now, done)


def _sent(
    store: ReportStore, pot: PotToRemind, key: str, who: str, mine: list[Cause], good: bool,
    now: float, done: Round,
) -> None:  # fmt: skip
    """Note whether a message that was claimed left; one that did not is claimed anew next time."""
    if good:
        done.sent.append((pot.name, who, mine))
        if any(cause.key == causes.MUTED for cause in mine):
            here = (SENT.c.board == pot.board) & (SENT.c.cause == causes.MUTED)
            with store.engine.begin() as c:
                c.execute(SENT.update().where(here).values(sent_at=int(now)))
        return
    whom = f"the {who}" if who in private.PEOPLE else who
    done.failed.append(
        f"{pot.name}: the message to {whom} could not be sent; it will be tried again"
    )
    with store.engine.begin() as c:
        here = (SENT.c.board == pot.board) & (SENT.c.cause == key)
        c.execute(SENT.update().where(here).values(sent_at=SENT.c.before))


def claim(store: ReportStore, board: str, key: str, now: int) -> bool:
    """True for one caller a day: its message may go now. It is on disk when this returns."""
    here = (SENT.c.board == board) & (SENT.c.cause == key)
    free = SENT.c.sent_at.is_(None) | (SENT.c.sent_at <= now - DAY_S)
    with store.engine.begin() as c:
        stated = SENT.update().where(here & free).values(before=SENT.c.sent_at, sent_at=now)
        return c.execute(stated).rowcount == 1


def text_of(
    pot: PotToRemind, row: LastHeard | None, due: list[Cause], person: private.Person, now: float
) -> str:
    """The message's text: what saves the plant, what is wrong, what to do, what was last heard."""
    rows, log = [], newest_log(pot, row)
    silent = any(cause.key == causes.SILENT for cause in due)
    watered = silent
    if log is not None and not silent:
        meanwhile = condition.upkeep(log, Calendar(person.timezone, log.dated))
        if (hand := condition.by_hand(log, meanwhile)) is not None:
            watered = True
            rows.append(f"{hand.do} {hand.why[:1].upper()}{hand.why[1:]}.")
            due = [cause for cause in due if cause.key != f"need {condition.BY_HAND}"]
    for cause in due:
        more = []
        if row and cause.key == "need see to the soil probe" and not watered:
            more = upkeep(pot, row, person)
        do = cause.mend if cause.mend and (watered or more) else cause.do
        rows += [f"{cause.is_[:1].upper()}{cause.is_[1:]}. {do}", *more]
        level_ml = row.told.get("values", {}).get("level_ml") if row else None
        if row and cause.key == "need fill the tank" and level_ml is not None:
            room = max(0, pot.tank_ml - level_ml) // 50 * 50
            by = last_day(pot, level_ml, row.told_at, person)
            text = say("There is room for {ml} ml.", ml=room)
            if by:
                text = say("There is room for {ml} ml; do it before {date}.", ml=room, date=by)
            rows.append(text)
    if row:
        rows += last_values(pot, row, log, person, now, silent)
    if pot.help and any(cause.who == words.OWNER or cause.key in BY_CABLE for cause in due):
        rows.append(f"{say('Help:')} {pot.help}.")
    rows.append(
        say(
            "Keep mains chargers away from the water. This message comes once a day until it is "
            "done."
        )
    )
    if pot.language != language.ENGLISH:
        rows.append(say("No native speaker has checked this translation yet."))
    return "\n\n".join(rows)


def last_values(
    pot: PotToRemind, row: LastHeard, log: series.PotLog | None, person: private.Person, now: float,
    silent: bool,
) -> list[str]:  # fmt: skip
    """When it was last heard and what it read then, with the days that are left; silent: that were
    left then, and not the charge, which may be the cause."""
    values = row.told.get("values", {})
    soil, level, battery = (values.get(k) for k in ("soil_ppt", "level_ml", "battery_mv"))
    said = []
    if soil is not None:
        said.append(say("soil {share} % by volume", share=number(soil / 10, 1)))
    if level is not None:
        by = last_day(pot, level, row.told_at, person)
        text = say("tank {ml} ml, enough until {date}", ml=level, date=by)
        if silent:
            text = say("tank {ml} ml, then enough until {date}", ml=level, date=by)
        said.append(text if by else say("tank {ml} ml", ml=level))
    if battery is not None:
        days, volts = None if silent else battery_days(log, now), number(battery / 1000, 2)
        text = say("battery {volts} V, enough for at least {days} days", volts=volts, days=days)
        said.append(text if days is not None else say("battery {volts} V", volts=volts))
    when = datetime.fromtimestamp(row.told_at, ZoneInfo(person.timezone))
    day = causes.day(row.told_at, person.timezone)
    heard = say("Last heard on {date}, {time}", date=day, time=f"{when:%H:%M}")
    return [f"{heard}: {'; '.join(said)}." if said else f"{heard}."]


def newest_log(pot: PotToRemind, row: LastHeard | None) -> series.PotLog | None:
    """The pot's log, where it ends with the wake that was last heard."""
    for place, files in logs.first_log(pot.folder / "logs"):
        log = series.read(pot.name, place, files)
        if row is not None and log.wakes and log.wakes[-1].n == row.n:
            return log
    return None


def battery_days(log: series.PotLog | None, now: float) -> int | None:
    """Days from now that the charge lasts, 19 times in 20, by the pot's log; None: not known."""
    if log is None or not log.dated:
        return None
    return overview.days_left(forecast.battery(log), now)


def upkeep(pot: PotToRemind, row: LastHeard, person: private.Person) -> list[str]:
    """What the pot gives meanwhile: how much, how often, until when; [] where it gives nothing."""
    settings, level_ml = settings_of(pot, row.told), row.told.get("values", {}).get("level_ml")
    others = {*condition.KEEPS_DRY} - {"see to the soil probe"}
    if not settings.get("upkeep_ml") or row.told.get("lockouts"):
        return []
    if others & {*row.told.get("needs", ())}:
        return []
    values = {"ml": settings["upkeep_ml"], "days": settings["upkeep_days"]}
    if level_ml is None:
        return [say("Meanwhile the pot gives {ml} ml every {days} days.", **values)]
    doses = max(0, level_ml - settings["reserve_ml"]) // settings["upkeep_ml"]
    until = causes.day(row.told_at + doses * settings["upkeep_days"] * DAY_S, person.timezone)
    text = say(
        "Meanwhile the pot gives {ml} ml every {days} days, and the tank is enough for that until "
        "{date}.",
        date=until,
        **values,
    )
    return [text]


def last_day(pot: PotToRemind, level_ml: int, now: float, person: private.Person) -> str:
    """The day on which the tank reaches its reserve at the use of the last two weeks, or "".

    now: when it had that level.
    """
    given_ul, first, last = 0, None, None
    for _, files in logs.first_log(pot.folder / "logs"):
        for path in files[-2:]:
            for read, _ in logs.read_file(path, logs.Skips()):
                wake = read.found
                if not isinstance(wake, Wake):
                    continue
                day, second, trusted = wake.begin.utc
                at = day * DAY_S + second
                if trusted and at > (now - 946684800) - 14 * DAY_S:
                    first, last = at if first is None else first, at
                    if not set(wake.trips) & set(DRY_RUNS):  # else no water was seen
                        given_ul += wake.water.given_ul or 0
    if first is None or last is None or last - first < 2 * DAY_S or given_ul <= 0:
        return ""
    ul_day = given_ul * DAY_S // (last - first)
    days = max(0, level_ml - pot.settings["reserve_ml"]) * 1000 // max(1, ul_day)
    return causes.day(now + min(days, 60) * DAY_S, person.timezone)


def settings_of(pot: PotToRemind, told: dict[str, Any]) -> dict[str, int]:
    """The settings a pot obeys by its newest wake, else those of its folder."""
    data = logs.InForce(pot.folder / "logs")(str(told.get("settings", "")))
    values = record.values_of("settings", data)
    if values is None:
        return pot.settings
    return {row[0]: getattr(values, row[0]) for row in fields.SETTINGS}


def calendar(done: Round, now: float) -> bytes:
    """An iCalendar file (RFC 5545) with a task for every cause that holds."""
    import icalendar

    made = icalendar.Calendar()
    made.add("prodid", "-//wakewell//remind//EN")
    made.add("version", "2.0")
    stamp = datetime.fromtimestamp(now, UTC)
    for pot, cause, since in done.open:
        task = icalendar.Todo()
        task.add("uid", f"{pot.board}-{cause.key.replace(' ', '-')}-{since}@wakewell")
        task.add("dtstamp", stamp)
        task.add("dtstart", datetime.fromtimestamp(since, UTC))
        task.add("summary", f"{pot.name}: {cause.is_}")
        task.add("description", cause.do)
        task.add("categories", [cause.who])
        task.add("status", "NEEDS-ACTION")
        made.add_component(task)
    return bytes(made.to_ical())


def by_apprise(addresses: list[str], title: str, text: str) -> bool:
    """Through Apprise: mail, chat, phone. False if not one of them took it: if one did, the person
    knows, and another try would tell them twice in a day.
    """
    import logging

    import apprise

    logging.getLogger("apprise").disabled = True  # its lines may quote an address
    took = 0
    for address in addresses:
        post = apprise.Apprise()
        took += bool(post.add(address)) and bool(post.notify(body=text, title=title))
    return took > 0


def load(names: list[str]) -> list[PotToRemind]:
    """The pots of those folders. Raises BadInput."""
    found = []
    for name in names:
        folder = Path(name)
        made = pot_folder.load(folder)
        board = board_id(folder) if folder.is_dir() else None
        if made.about is None or made.pot is None or board is None:
            unknown = "its board is not known; flash it once by cable"
            problem = f"{made.problems[0]}" if made.problems else unknown
            raise BadInput(f"{show_path(name)}: {problem}")
        people, told = private.read(folder).people, dict(made.about.people)
        for name_ in sorted(told.keys() ^ (people.keys() - set(private.PEOPLE))):
            text = (
                f"[people] of pot.toml and [people.{name_}] of private.toml go together: one says "
            )
            raise BadInput(f"{show_path(name)}: {text}what {name_} is told, the other how")
        if not people:
            text = "add [owner] and [maker], each with apprise = [...], to private.toml"
            raise BadInput(f"{show_path(name)}: nobody to remind; {text}")
        tank = made.about.tank.volume_ml
        settings, helps = dict(made.settings), made.about.help
        spoken = made.about.language
        found.append(
            PotToRemind(board, made.about.name, folder, people, settings, tank, helps, told, spoken)
        )
    return found
