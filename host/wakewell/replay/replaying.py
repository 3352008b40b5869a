"""`wakewell replay`: logs and sequences through the very core that runs on the chip.

For each log: what happened, a verdict on every requirement, and the first wake where the
core decides otherwise than was recorded. Under the core that made the record that is a
fault; under another core, or other settings, it is a difference, listed rule by rule.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from wakeboard.short import WAKE
from wakeboard.store import STATE_RECORD, state_from_snapshot
from wakecore import line
from wakewell.boards import run_replay
from wakewell.boards.replayed import Player
from wakewell.core import core_id
from wakewell.errors import BadInput
from wakewell.interpreters import interpreter
from wakewell.log import fieldlog, logs, parcel
from wakewell.log.fieldlog import FieldLog, Short
from wakewell.log.logs import InForce, Record, Skips, printable
from wakewell.log.record import Wake
from wakewell.log.series import tick_of
from wakewell.log.times import DAY_S, EPOCH_S, Tick, timeline
from wakewell.replay import asked, candidate
from wakewell.replay.asked import Asked
from wakewell.replay.changes import STRICTER, WEAKER, Change, run_ms, runs
from wakewell.replay.rejudged import STUMBLES, Rejudge, States, read_states, write_states
from wakewell.replay.verdicts import (
    LOCKOUT_RULES,
    LOCKOUT_WAYS,
    TRIP_RULES,
    UNKNOWN_RULE,
    Verdict,
    Verdicts,
    book,
    many,
)
from wakewell.report import page_files as report_pages
from wakewell.tomlfile import show_path

DECISIONS = ("values", "judged", "permissives", "plan", "trips", "lockouts", "water", "commands")
BEFORE_PUMP = ("values", "judged", "permissives", "plan", "commands")
MOST_DIFFERENCES = 1000
SHORTENED = "with a shortened record"
MOST_STATES = 64  # kept at a time, where this very core made the log
MOST_SHOWN = 10  # skips, lockouts and the like in words; --json has more
DEMO = report_pages.DEMO
TROUBLE = DEMO.with_name("trouble")  # shipped logs that call on what the café's hardly meet


@dataclass
class Difference:
    """One member that came out otherwise, with both sides."""

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
    """The first wake that came out otherwise: when it was, and how in words."""

    wake: int
    day: int | None
    text: str


@dataclass
class Report:
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
    holds_until: int | None = None  # from this wake on the water would be another
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
) -> Report:
    """Play one pot's log files, oldest first, through the core.

    settings: other settings to ask about. life: which of the lives that lie in the log. What
    was skipped is told with the first of them. known: states that wakes began or ended with, by
    their CRC, from the core that made the log. instead: by kind, the stored lines of settings,
    limits and calibration to take for the recorded ones.
    """
    report = Report(name, core_id(), settings.name if settings else "")
    log = FieldLog(files, Skips() if life else report.skips)
    player = Player(InForce(files[0].parent))
    asked_about = bool(settings or instead)
    player.asked = dict(instead or {})
    # Where this core made the log, and others than its files are asked about, it knows the states.
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
            report.skips.add(*log.at(entry.place), "the core could not make sense of it")
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
            report.verdicts.see(record, pot)
    times, dated, _ = timeline(ticks)
    if dated:  # the same days as the pages have
        report.first_day, report.last_day = (int((times[at] - EPOCH_S) // DAY_S) for at in (0, -1))
    report.lives = [log.told(number) for number in range(len(log.lives))]
    report.life, report.own = life, log.own
    report.files_missing = bool(player.missing)
    if log.lives:
        report.short = log.lives[life].short
    return report


def newest_life(
    name: str,
    files: list[Path],
    settings: Asked | None = None,
    instead: dict[str, bytes] | None = None,
) -> Report:
    """As `replay_log`, of the pot's own life, should there be others."""
    report = replay_log(name, files, settings, instead=instead)
    if report.own:
        report = replay_log(name, files, settings, life=report.own, instead=instead)
    return report


def _book(
    report: Report,
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
        _compare(report, made, record, place, exact, changed)


def _compare(
    report: Report, made: Record, record: Record, place: str, exact: bool, changed: list[Change]
) -> None:
    """Book how the record made this time differs from the recorded one, if it does."""
    if report.asked and report.holds_until is not None:
        return  # what follows from other water is no decision of its own
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
        return f"no water; recorded: {(record['water'].get('given_ul') or 0) // 1000} ml"
    now = f"a pulse of {now_ms / 1000:.1f} s"
    return f"{now}; recorded: " + (f"{was_ms / 1000:.1f} s" if was_ms else "no water")


def agree_on(on: str, name: str, files: list[Path], settings: Asked | None, life: int = 0) -> str:
    """Where MicroPython makes other bytes from these files than this interpreter; "" if nowhere.

    on: which one, of interpreter.KINDS.
    """
    inputs = partial(lines_to_play, files, settings, life)
    there = interpreter.stream("wakewell.boards.run_replay", inputs(), on=on)
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
    """The input of `boards.run_replay` for one life of a log."""
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


def lines_of(report: Report) -> Iterator[str]:
    """The report in words, for a person."""
    seen = report.verdicts
    span = ""
    if report.first_day is not None and report.last_day is not None:
        span = f", {logs.day_text(report.first_day)} to {logs.day_text(report.last_day)}"
    yield f"{report.name}: {report.wakes} wakes{span}"
    if report.asked:
        yield from (f"  what if  {text}" for text in what_if(report))
    yield (
        f"  {many(seen.doses, 'watering')} in {many(seen.pulses, 'pulse')}, "
        f"{seen.given_ul / 1e6:.2f} l; {many(sum(seen.trips.values()), 'trip')}, "
        f"{many(sum(seen.lockouts.values()), 'lockout')}"
    )
    for trip, count in sorted(seen.trips.items()):
        yield f"  trip     {printable(trip)} ({TRIP_RULES.get(trip, UNKNOWN_RULE)}): {count}"
    for wake, name, ended in seen.latched[:MOST_SHOWN]:
        way = LOCKOUT_WAYS.get(name, "in a way this core does not know")
        end = f"ended at wake {ended}" if ended is not None else f"ends {way}"
        rule = LOCKOUT_RULES.get(name, UNKNOWN_RULE)
        yield f"  lockout  {printable(name)} ({rule}) at wake {wake}, {end}"
    if len(seen.latched) > MOST_SHOWN:
        yield f"  lockout  {sum(seen.lockouts.values())} in all"
    for need, count in seen.needs.most_common():
        yield f"  asked    {printable(need)}: in {count} of {seen.wakes} wakes"
    weaker = {changed.rule: changed for changed in reversed(report.changed(WEAKER))}
    for verdict in report.held:
        word, text = "held  " if verdict.held else "BROKEN", verdict.evidence
        where = "" if verdict.wake is None else f" at wake {verdict.wake}"
        if verdict.held and verdict.rule in weaker:
            changed = weaker[verdict.rule]
            word, text, where = "WEAKER", changed.text, f", first at wake {changed.wake}"
        yield f"  {verdict.rule:<4} {word}  {verdict.title}: {printable(text)}{where}"
    by = ", ".join(f"{printable(core)} ({_many(n)})" for core, n in report.cores.most_common())
    yield f"  core     recorded by {by}; played by {report.core}"
    if len(report.lives) > 1:
        here = f"{report.life + 1} of {len(report.lives)}: {report.lives[report.life]}"
        yield f"  life     {here}"
        yield "           the others are another board's, or this one's before it was begun anew"
    yield from fieldlog.told(report.skips)
    yield from report.short.told()
    for why, count in report.unplayed.most_common(MOST_SHOWN):
        at = report.unplayed_at.get(why, "see above")
        yield f"  not played  {_many(count)}, first {at}: {printable(why)}"
    yield from difference_lines(report)


def difference_lines(report: Report) -> Iterator[str]:
    """How the decisions compare with the recorded ones."""
    if report.faults:
        first = report.faults[0]
        place = f"wake {first.wake} ({first.place}), {report.divergent} in all"
        yield f"  verdict  DIVERGES at {place}:"
        for difference in report.faults:
            member, indent = printable(difference.member), " " * len(printable(difference.member))
            yield f"           {member}: recorded {_shown(difference.recorded)}"
            yield f"           {indent}   decided {_shown(difference.decided)}"
    why = f"settings {report.asked}" if report.asked else f"core {report.core}"
    for way, word in ((WEAKER, "WEAKER"), (STRICTER, "stricter")):
        found = report.changed(way)
        if found:
            yield f"  verdict  {word} by {why}:"
        for changed in found:
            at = f"{_many(changed.count)}, first at wake {changed.wake} ({changed.place})"
            yield f"           {changed.rule:<4} {printable(changed.text)}: {at}"
    if report.different:
        yield f"  verdict  {_many(report.different)} decided otherwise by {why}:"
        for member, count in report.members.most_common():
            example = next((d for d in report.differences if d.member == member), None)
            text = f"           {printable(member)}: {count}"
            if example:
                text += f", first at wake {example.wake}: "
                text += f"{_shown(example.recorded)} -> {_shown(example.decided)}"
            yield text
        if report.holds_until is not None:
            yield f"           from wake {report.holds_until} on the water would be different:"
            yield "           later readings answer the water given then, not this"
    if not report.faults and not report.different and not report.changes:
        yield f"  verdict  {report.played} of {report.wakes} wakes played, all as recorded"
    if not all(v.held for v in report.held):
        yield "  verdict  a requirement is BROKEN"


def what_if(report: Report) -> list[str]:
    """What other settings would have done, in short: from where on, and the water up to there."""
    water = f"{report.verdicts.given_ul / 1e6:.2f} l in {many(report.verdicts.doses, 'watering')}"
    if report.first is None:
        return [f"all {_many(report.played)} decide the same: {water}"]
    first = report.first
    when = f" ({logs.day_text(first.day)})" if first.day is not None else ""
    lines = [f"wake {first.wake}{when} is the first decided otherwise: {first.text}"]
    if report.holds_until is None:
        return [*lines, f"the water stays the same: {water}"]
    until = f"the same water, {report.held_ul / 1e6:.2f} l in {many(report.held_doses, 'watering')}"
    until = until if report.held_doses else "no water yet"
    to = "until then" if report.holds_until == first.wake else f"up to wake {report.holds_until}"
    return [*lines, f"{to} {until}; from there on the readings answer other water than it gives"]


def in_short(report: Report) -> list[str]:
    """`what_if`, and which protections would be weaker: the answer for somebody about to ask."""
    weaker = [
        f"WEAKER {changed.rule}: {changed.text}: {_many(changed.count)}, first at {changed.wake}"
        for changed in report.changed(WEAKER)
    ]
    return [*what_if(report), *(printable(text) for text in weaker)]


def _shown(value: Any) -> str:
    return printable(repr(value))


def _many(count: int) -> str:
    return f"{count} wake" if count == 1 else f"{count} wakes"


def nothing_played(report: Report) -> str:
    """Why no wake of a log could be played, in one line."""
    if report.wakes:
        why, count = report.unplayed.most_common(1)[0]
        text = f"none of {report.wakes} wakes could be played: {printable(why)} ({count} wakes)"
        if report.files_missing:
            text += f"; keep the folder {logs.IN_FORCE}/ that came with the log beside it"
        return text
    if report.skips.count:
        first = report.skips.first[0]
        return f"no wake in it can be read; {report.skips.count} lines skipped, the first {first}"
    return "no wake in it"


def as_json(report: Report) -> dict[str, Any]:
    """The report for a machine."""
    seen = report.verdicts
    return {
        "name": report.name,
        "core": report.core,
        "recorded_by": dict(report.cores),
        "settings_asked": report.asked,
        "wakes": report.wakes,
        "played": report.played,
        "waterings": seen.doses,
        "pulses": seen.pulses,
        "given_ul": seen.given_ul,
        "trips": {
            t: {"count": c, "rule": TRIP_RULES.get(t, UNKNOWN_RULE)}
            for t, c in sorted(seen.trips.items())
        },
        "lockouts_all": sum(seen.lockouts.values()),
        "lockouts": [
            {"wake": w, "name": n, "rule": LOCKOUT_RULES.get(n, UNKNOWN_RULE), "ended": e}
            for w, n, e in seen.latched
        ],
        "verdicts": [vars(v) | {"title": v.title} for v in report.held],
        "life": report.life + 1,
        "lives": report.lives,
        "mended": report.skips.mended,
        "skipped": report.skips.count,
        "skips": [str(skip) for skip in report.skips.first],
        "not_played": dict(report.unplayed),
        "shortened": report.short.count,
        "shortened_first": report.short.first,
        "divergent": report.divergent,
        **{way: [vars(c) for c in report.changed(way)] for way in (WEAKER, STRICTER)},
        "first_otherwise": vars(report.first) if report.first else None,
        "held_ul": report.held_ul if report.holds_until is not None else seen.given_ul,
        "held_waterings": report.held_doses if report.holds_until is not None else seen.doses,
        "different": report.different,
        "differences": [vars(d) for d in report.differences],
        "holds_until": report.holds_until,
        "good": report.good,
    }


def arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument("paths", nargs="*", metavar="PATH", help="log, folder or sequence file")
    parser.add_argument(
        "--demo",
        action="store_true",
        help="play the repair café's six planters; with --core also the logs where protections act",
    )
    parser.add_argument(
        "--each",
        action="store_true",
        help="say of each of several logs how every requirement held, not only of one that did not",
    )
    parser.add_argument("--settings", metavar="FILE", help="ask what these settings decide instead")
    parser.add_argument("--core", metavar="DIR", help="folder that holds another wakecore")
    parser.add_argument(
        "--on",
        choices=interpreter.KINDS,
        help="play on a real MicroPython too, and compare bytes; micropython32: one of 32 bits",
    )
    parser.add_argument("--states", help=argparse.SUPPRESS)  # from `with_core` to its own process
    parser.add_argument("--json", action="store_true", help="one JSON object for a machine")
    parser.add_argument("--page", metavar="DIR", help="write each log's page there and link it")
    parser.epilog = (
        "exit codes: 0 every requirement held, and no protection weaker than was recorded; "
        "1 a divergence, a broken or weaker requirement or a failed expectation; "
        "2 input that cannot be used"
    )


def run(args: argparse.Namespace) -> int:
    """The command. Returns its exit code."""
    if args.core:
        return with_core(args)
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")  # a file's name may be any bytes
    paths = given(args)
    if not paths:
        raise BadInput("nothing to replay: give a log, a folder or a sequence, or --demo")
    with parcel.opened(paths) as folders:  # what is no parcel stays as it is
        return replay_paths(folders, args)


def given(args: argparse.Namespace) -> list[Path]:
    """What is to be replayed. Another core meets more than the café: where protections act."""
    demo = [DEMO, TROUBLE] if args.core or args.states else [DEMO]
    return [Path(p) for p in args.paths] + (demo if args.demo else [])


def replay_paths(paths: list[Path], args: argparse.Namespace) -> int:
    """Replay logs, folders and sequences; print or collect what was found."""
    settings = asked.read(Path(args.settings)) if args.settings else None
    known = read_states(Path(args.states)) if args.states else {}
    if args.page:
        report_pages.can_draw()
    results: list[dict[str, Any]] = []
    lacking: Counter[str] = Counter()
    others = 0
    good = usable = True
    all_logs = {path: logs.find_logs(path) for path in paths if path.suffix != ".toml"}
    table = table_for([place for found in all_logs.values() for place, _ in found], args)
    for path in paths:
        if path.suffix == ".toml":
            good = replay_sequence(path, args, results) and good
            continue
        found = all_logs[path]
        if not found:
            names = " or ".join(logs.SUFFIXES)
            raise BadInput(f"{show_path(str(path))}: no log here; a log's name ends in {names}")
        for place, files, report in played(found, settings, known):
            answer = as_json(report)
            if not report.played:
                named = show_path(str(place))
                print(f"wakewell replay: {named}: {nothing_played(report)}", file=sys.stderr)
                usable = False
            elif args.on:
                answer[args.on] = agree_on(args.on, report.name, files, settings, report.life)
            good = good and report.good and not answer.get(args.on or "")
            others += report.different
            for what, count in report.lacking.items():
                lacking[what] += count
            results.append(answer)
            if report.played and table is not None:
                table.add(report)
            elif report.played and not args.json:
                print(*lines_of(report), sep="\n")
                if args.on:
                    print(f"  {args.on}  {answer[args.on] or 'the same bytes'}")
                if args.page:
                    print(f"  page     {report_pages.page_link(place, args.page, files)}")
                print()
    if args.json:
        print(json.dumps({"good": good, "core": core_id(), "replayed": results}))
    else:
        if table is not None:
            table.close()
        print(f"{len(results)} replayed, {closing(good, lacking, others)} (core {core_id()})")
    return 2 if not usable else 0 if good else 1


class Table:
    """Several logs at a glance, a row each as it is played; in full those with anything to tell."""

    HEADS = ("wakes", "waterings", "trips", "lockouts")

    def __init__(self, names: Sequence[str]) -> None:
        self.width = max(map(len, ("pot", *names)))
        self.others: list[Report] = []
        print("  ".join(["pot".ljust(self.width), *self.HEADS, "verdict"]))

    def add(self, report: Report) -> None:
        """A row."""
        seen = report.verdicts
        counts = (report.wakes, seen.doses, sum(seen.trips.values()), sum(seen.lockouts.values()))
        cells = [str(n).rjust(len(head)) for n, head in zip(counts, self.HEADS, strict=True)]
        said = "all held, as recorded"
        if not report.good or any(report.lacking.values()) or report.different:
            said = closing(report.good, Counter(report.lacking), report.different)
            self.others.append(report)
        print("  ".join([report.name.ljust(self.width), *cells, said]), flush=True)

    def close(self) -> None:
        """What there is to tell."""
        for report in self.others:
            print("", *lines_of(report), sep="\n")
        print()


def table_for(places: Sequence[Path], args: argparse.Namespace) -> Table | None:
    """A table where several logs are only to be judged; None where each is told in full."""
    more = args.each or args.json or args.settings or args.states or args.on or args.page
    return Table([shown(place) for place in places]) if len(places) > 1 and not more else None


def played(
    found: list[tuple[Path, list[Path]]], settings: Asked | None, known: dict[str, bytes]
) -> Iterator[tuple[Path, list[Path], Report]]:
    """Each log, and each life in it by itself."""
    for place, files in found:
        count, life = 1, 0
        while life < count:
            bar = sys.stderr.isatty()
            report = replay_log(shown(place), files, settings, bar, life, known)
            count, life = len(report.lives), life + 1
            yield place, files, report


def closing(good: bool, lacking: Counter[str], others: int) -> str:
    """The last line's verdict. All is good only where all of it was read, played and as it was."""
    what = {"skipped": "line", "mended": "line", "not played": "wake", SHORTENED: "wake"}
    parts = [f"{many(lacking[how], one)} {how}" for how, one in what.items() if lacking[how]]
    if others:
        parts.append(f"{_many(others)} decided otherwise")
    if not parts:
        return "all good" if good else "NOT all good"
    return f"{'nothing bad found, but' if good else 'NOT all good:'} {', '.join(parts)}"


def shown(place: Path) -> str:
    """A pot's name for its log: the folder above `logs`."""
    place = place.resolve()
    return printable(place.parent.name if place.name in ("logs", "log") else place.name)


def replay_sequence(path: Path, args: argparse.Namespace, results: list[dict[str, Any]]) -> bool:
    """Play one sequence file and print or collect what failed."""
    from wakewell.sequences import playing

    sequence = playing.load(path)
    failures = playing.check(sequence, args.on or "cpython")
    wakes, good = len(sequence.script["wakes"]), not failures
    results.append(
        {
            "name": str(path),
            "title": sequence.title,
            "wakes": wakes,
            "failures": [str(failure) for failure in failures],
            "good": good,
        }
    )
    if not args.json:
        print(f"{path}: {sequence.title}: {wakes} wakes, {'good' if good else 'FAILED'}")
        for failure in failures:
            print(failure)
    return good


def with_core(args: argparse.Namespace) -> int:
    """Run the same command under another core, in a process of its own."""
    environment = candidate.environment(args.core)
    command = [sys.executable, "-m", "wakewell", "replay"]
    command += ["--demo"] if args.demo else []
    command += ["--json"] if args.json else []
    command += ["--page", args.page] if args.page else []
    command += ["--settings", args.settings] if args.settings else []
    command += ["--on", args.on] if args.on else []
    with tempfile.TemporaryDirectory(prefix="wakewell-") as scratch:
        states = Path(scratch) / "states"
        keep_states(given(args), states)
        command += ["--states", str(states), "--", *args.paths]
        return subprocess.run(command, env=environment).returncode


def keep_states(paths: list[Path], out: Path) -> None:
    """Write down the states of all logs there that this core made, for another core to begin with.

    What cannot be read is left to the replay itself to tell.
    """
    with out.open("wb") as file, contextlib.suppress(BadInput), parcel.opened(paths) as folders:
        for path in folders:
            for _, files in [] if path.suffix == ".toml" else logs.find_logs(path):
                lives: dict[int, States] = {}
                for entry in FieldLog(files).entries(brief=True):
                    if entry.life not in lives:
                        in_force = InForce(files[0].parent)
                        lives[entry.life] = States(in_force, core_id(), sys.maxsize)
                    lives[entry.life].feed(entry.record)
                for states in lives.values():
                    write_states(file, states.found)
