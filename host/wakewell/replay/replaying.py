"""Logs and sequences played through the same core that runs on the chip.

For each log: what happened, a verdict on every requirement, and the first wake where the
core decides otherwise than was recorded. Under the core that made the record that is a
fault; under another core, or other settings, it is a difference, listed rule by rule.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from wakeboard.short import WAKE
from wakeboard.store import STATE_RECORD, state_from_snapshot
from wakecore import line
from wakewell.core import core_id
from wakewell.interpreters import interpreter
from wakewell.log import logs
from wakewell.log.fieldlog import FieldLog, Short
from wakewell.log.logs import InForce, Record, Skips, printable
from wakewell.log.record import Wake
from wakewell.log.series import tick_of
from wakewell.log.times import DAY_S, EPOCH_S, Tick, timeline
from wakewell.portable import run_replay
from wakewell.portable.replayed import Player
from wakewell.replay.asked import Asked
from wakewell.replay.changes import WEAKER, Change, run_ms, runs
from wakewell.replay.rejudged import STUMBLES, Rejudge, States
from wakewell.replay.verdicts import (
    Verdict,
    Verdicts,
    book,
    many,
)
from wakewell.units import water

DECISIONS = ("values", "judged", "permissives", "plan", "trips", "lockouts", "water", "commands")
BEFORE_PUMP = ("values", "judged", "permissives", "plan", "commands")
MOST_DIFFERENCES = 1000
SHORTENED = "with a shortened record"
MOST_STATES = 64  # kept at a time, if this same core made the log


@dataclass
class Difference:
    """One member that differs, with both values."""

    wake: int
    place: str
    member: str
    recorded: Any
    decided: Any


@dataclass
class Changed:
    """A protection that acts otherwise now: in how many wakes, and in which one first."""

    way: str
    rule: str
    text: str
    wake: int
    place: str
    count: int = 1


@dataclass
class First:
    """The first wake that came out in another way: when it was, and how in words."""

    wake: int
    day: int | None
    text: str


@dataclass
class LogReplay:
    """What the replay of one pot's log found."""

    name: str
    core: str
    asked: str = ""  # the name of the settings asked about, if any
    verdicts: Verdicts = field(default_factory=Verdicts)
    skips: Skips = field(default_factory=Skips)
    short: Short = field(default_factory=Short)
    wakes: int = 0  # records read; those played are fewer by the unplayed
    unplayed: Counter[str] = field(default_factory=Counter)
    unplayed_at: dict[str, str] = field(default_factory=dict)
    files_missing: bool = False  # settings, limits or calibration are not kept beside the log
    cores: Counter[str] = field(default_factory=Counter)
    faults: list[Difference] = field(default_factory=list)  # of the first divergent wake
    divergent: int = 0  # wakes that this very core decided otherwise, under the same settings
    different: int = 0  # wakes decided otherwise by another core or under other settings
    differences: list[Difference] = field(default_factory=list)
    members: Counter[str] = field(default_factory=Counter)
    changes: dict[tuple[str, str, str], Changed] = field(default_factory=dict)
    first: First | None = None  # the first wake that another core or other settings decide so
    holds_until: int | None = None  # from this wake on the water would differ
    held_ul: int = 0  # given before it, in that many waterings
    held_doses: int = 0
    first_day: int | None = None
    last_day: int | None = None
    lives: list[str] = field(default_factory=list)  # of one board or several, in words
    life: int = 0  # which of them this is
    own: int = 0  # which of them is the pot's own

    @property
    def played(self) -> int:
        """Wakes that went through the core."""
        return self.wakes - sum(self.unplayed.values())

    @property
    def held(self) -> list[Verdict]:
        """The verdicts, requirement by requirement."""
        return self.verdicts.verdicts()

    def changed(self, way: str) -> list[Changed]:
        """What became `changes.WEAKER`, `STRICTER` or `OTHER`, in the order of the requirements."""
        found = [changed for changed in self.changes.values() if changed.way == way]
        return sorted(found, key=lambda c: (len(c.rule), c.rule))

    @property
    def good(self) -> bool:
        """Something played, no requirement broken or weaker, no wake divergent under its core."""
        held = self.played > 0 and not self.divergent and all(v.held for v in self.held)
        return held and not self.changed(WEAKER)

    @property
    def lacking(self) -> dict[str, int]:
        """How much of the log was not judged, or not as it lay there."""
        return {
            "skipped": self.skips.count,
            "mended": self.skips.mended,
            "not played": self.wakes - self.played,
            SHORTENED: self.short.count,
        }


def differences(made: Record, record: Record, exact: bool) -> Iterator[tuple[str, Any, Any]]:
    """(member, recorded, decided) for each member that differs, one level deep.

    Where another pulse is decided than was run, nothing is known of how it went, so only
    what was decided before it is compared. A permissive that another core does not know is
    one that held.
    """
    names: Iterable[str] = DECISIONS if runs(made) == runs(record) else BEFORE_PUMP
    for name in dict.fromkeys((*made, *record)) if exact else names:
        was, now = record.get(name), made.get(name)
        if was == now:
            continue
        if isinstance(was, dict) and isinstance(now, dict):
            lacking = 1 if name == "permissives" and not exact else None
            for key in sorted({*was, *now}):
                if was.get(key, lacking) != now.get(key, lacking):
                    yield f"{name}.{key}", was.get(key), now.get(key)
        else:
            yield name, was, now


def replay_log(
    name: str,
    files: list[Path],
    settings: Asked | None = None,
    progress: bool = False,
    life: int = 0,
    known: dict[str, bytes] | None = None,
    instead: dict[str, bytes] | None = None,
) -> LogReplay:
    """Play one pot's log files, oldest first, through the core.

    settings: other settings to ask about. life: which of the lives that lie in the log. What
    was skipped is told with the first of them. known: states that wakes began or ended with, by
    their CRC, from the core that made the log. instead: by kind, the stored lines of settings,
    limits and calibration to take for the recorded ones.
    """
    report = LogReplay(name, core_id(), settings.name if settings else "")
    log = FieldLog(files, Skips() if life else report.skips)
    player = Player(InForce(files[0].parent))
    asked_about = bool(settings or instead)
    player.asked = dict(instead or {})
    # Where this core made the log and is asked about other files, it knows the states of the log.
    here = States(player.in_force, report.core, MOST_STATES) if asked_about else None
    states = known or {}
    rejudge = Rejudge(
        player,
        lambda crc: states.get(crc) or (here(crc) if here else None),
        bool(settings),
    )
    made_for = None
    ticks: list[Tick] = []
    before: Wake | None = None
    for entry in log.entries(progress, brief=True):
        if entry.life != life:
            continue
        record, place = entry.record, log.shown(entry.place)
        changed: list[Change] = []
        try:
            if here:
                here.feed(record)
            if record["kind"] == "state":
                rejudge.snapshot(record)
                made, why = player.feed(record)
            else:
                player.exact = not asked_about and record["core"] == report.core
                if settings and made_for != record["limits"]:
                    made_for = record["limits"]
                    player.asked["settings"] = settings.line(made_for)
                if player.exact:
                    rejudge.passed()
                    made, why = player.feed(record)
                else:
                    made, why, changed = rejudge.feed(record)
        except STUMBLES:
            report.skips.add(*log.at(entry.place), "the core could not read it")
            continue
        if record["kind"] == "state":
            if why:
                report.skips.add(*log.at(entry.place), why)
            continue
        _book(report, record, made, why, place, player.exact, changed)
        if entry.wake is None:  # without its decisions there is no more to judge
            continue
        ticks.append(tick_of(entry.wake, before))
        before = entry.wake
        pot, _ = player.pot(record)
        if pot is not None:
            report.verdicts.see(entry.wake, pot)
    times, dated, _ = timeline(ticks)
    if dated:  # the same days as on the pages
        report.first_day, report.last_day = (int((times[at] - EPOCH_S) // DAY_S) for at in (0, -1))
    report.lives = [log.told(number) for number in range(len(log.lives))]
    report.life, report.own = life, log.own
    report.files_missing = bool(player.missing)
    if log.lives:
        report.short = log.lives[life].short
    return report


def log_name(place: Path) -> str:
    """A pot's name for its log: the folder above `logs`."""
    place = place.resolve()
    return printable(place.parent.name if place.name in ("logs", "log") else place.name)


def each_life(
    found: list[tuple[Path, list[Path]]],
    settings: Asked | None,
    known: dict[str, bytes],
    bar: bool = False,
) -> Iterator[tuple[Path, list[Path], LogReplay]]:
    """(place, files, what came of it) of each log, and of each life in it by itself."""
    for place, files in found:
        count, life = 1, 0
        while life < count:
            report = replay_log(log_name(place), files, settings, bar, life, known)
            count, life = len(report.lives), life + 1
            yield place, files, report


def newest_life(
    name: str,
    files: list[Path],
    settings: Asked | None = None,
    instead: dict[str, bytes] | None = None,
) -> LogReplay:
    """As `replay_log`, of the pot's own life, should there be others."""
    report = replay_log(name, files, settings, instead=instead)
    if report.own:
        report = replay_log(name, files, settings, life=report.own, instead=instead)
    return report


def _book(
    report: LogReplay,
    record: Record,
    made: Record | None,
    why: str,
    place: str,
    exact: bool,
    changed: list[Change],
) -> None:
    """Count a wake, and how it came out."""
    report.wakes += 1
    book(report.cores, record["core"])
    for change in changed:
        kept = report.changes.get(change.key)
        if kept is not None:
            kept.count += 1
        elif len(report.changes) < MOST_DIFFERENCES:
            row = Changed(change.way, change.rule, change.text, record["n"], place)
            report.changes[change.key] = row
    if made is None:
        book(report.unplayed, why)
        if why in report.unplayed:
            report.unplayed_at.setdefault(why, place)
    elif made != record or changed:
        compare(report, made, record, place, exact, changed)


def compare(
    report: LogReplay, made: Record, record: Record, place: str, exact: bool, changed: list[Change]
) -> None:
    """Book how the record made this time differs from the recorded one, if it does."""
    if report.asked and report.holds_until is not None:
        return  # what follows from other water is not a decision
    found = [Difference(record["n"], place, *d) for d in differences(made, record, exact)]
    if not found and not changed:
        return
    if not exact and report.first is None:
        day, _, trusted = record["begin"]["utc"]
        text = told(record, made) or (changed[0].text if changed else in_words(found[0]))
        report.first = First(record["n"], day if trusted else None, text)
    if exact:
        report.faults = report.faults or found
        report.divergent += 1
    else:
        report.different += 1
        for difference in found:
            book(report.members, difference.member)
    report.differences += found[: MOST_DIFFERENCES - len(report.differences)]
    if not exact and report.holds_until is None and runs(made) != runs(record):
        report.holds_until = record["n"]
        report.held_ul, report.held_doses = report.verdicts.given_ul, report.verdicts.doses


def in_words(difference: Difference) -> str:
    """One member that differs, for a person."""
    was, now = difference.recorded, difference.decided
    if isinstance(was, list) and isinstance(now, list):
        was, now = ([one for one in a if one not in b] for a, b in ((was, now), (now, was)))
        was, now = (", ".join(map(str, names)) or "nothing" for names in (was, now))
    return f"{difference.member}: {now}; recorded: {was}"


def told(record: Record, made: Record) -> str:
    """How this wake's water differs, in words; "" if it does not."""
    was_ms, now_ms = run_ms(record), run_ms(made)
    if was_ms == now_ms:
        return ""
    if not now_ms:
        return f"no water; recorded: {water((record['water'].get('given_ul') or 0) // 1000)}"
    now = f"a pulse of {now_ms / 1000:.1f} s"
    return f"{now}; recorded: " + (f"{was_ms / 1000:.1f} s" if was_ms else "no water")


def agree_on(on: str, name: str, files: list[Path], settings: Asked | None, life: int = 0) -> str:
    """Where MicroPython makes other bytes from these files than this interpreter; "" if nowhere.

    on: which one, of interpreter.KINDS.
    """
    inputs = partial(lines_to_play, files, settings, life)
    there = interpreter.stream("wakewell.portable.run_replay", inputs(), on=on)
    try:
        for number, mine in enumerate(run_replay.answers(inputs()), 1):
            theirs = next(there, b"")
            if mine != theirs:
                return f"{name}: record {number}: {theirs[:200]!r} instead of {mine[:200]!r}"
        extra = next(there, b"")
    except RuntimeError as error:
        return f"{name}: {str(error).splitlines()[-1]}"
    return f"{name}: more answers than records: {extra[:200]!r}" if extra else ""


def lines_to_play(files: list[Path], settings: Asked | None, life: int = 0) -> Iterator[bytes]:
    """The input of `portable.run_replay` for one life of a log."""
    in_force = InForce(files[0].parent)
    known: set[str] = set()
    made_for = None
    yield b"core " + core_id().encode()
    for entry in FieldLog(files).entries(brief=True):
        if entry.life != life:
            continue
        record = entry.record
        if record["kind"] == "wake":
            if settings and made_for != record["limits"]:
                made_for = record["limits"]
                yield b"ask  " + settings.line(made_for)
            for kind in ("settings", "limits", "calibration"):
                identity = record[kind]
                data = in_force(identity) if identity not in known else None
                if data:
                    known.add(identity)
                    yield b"file " + data
            yield b"wake " + line.encode(WAKE, record)
        elif state_from_snapshot(record):
            yield b"wake " + line.encode(STATE_RECORD, record)


def what_if(report: LogReplay) -> list[str]:
    """What other settings would have done, in short: from where on, and the water up to there."""
    given = f"{water(report.verdicts.given_ul / 1000)} in {many(report.verdicts.doses, 'watering')}"
    if report.first is None:
        return [f"all {in_wakes(report.played)} decide the same: {given}"]
    first = report.first
    when = f" ({logs.day_text(first.day)})" if first.day is not None else ""
    lines = [f"wake {first.wake}{when} is the first with another decision: {first.text}"]
    if report.holds_until is None:
        return [*lines, f"the water stays the same: {given}"]
    until = (
        f"the same water, {water(report.held_ul / 1000)} in {many(report.held_doses, 'watering')}"
    )
    until = until if report.held_doses else "no water yet"
    to = "until then" if report.holds_until == first.wake else f"up to wake {report.holds_until}"
    return [
        *lines,
        f"{to} {until}; from then on the readings followed other water than it would have given",
    ]


def in_short(report: LogReplay) -> list[str]:
    """`what_if`, and which protections would be weaker: the answer for somebody about to ask."""
    weaker = [
        f"WEAKER {changed.rule}: {changed.text}: {in_wakes(changed.count)}, first at {changed.wake}"
        for changed in report.changed(WEAKER)
    ]
    return [*what_if(report), *(printable(text) for text in weaker)]


def in_wakes(count: int) -> str:
    return f"{count} wake" if count == 1 else f"{count} wakes"
