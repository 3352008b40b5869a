"""`wakewell replay`: logs and sequences through the very core that runs on the chip.

For each log: what happened, a verdict on every requirement, and the first wake where the
core decides otherwise than was recorded. Under the core that made the record that is a
fault; under another core, or other settings, it is a difference, listed rule by rule.
"""

from __future__ import annotations

import argparse
import io
import json
import os
import struct
import subprocess
import sys
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import wakewell
from wakeboard.store import STATE_RECORD, state_from_snapshot
from wakecore import line
from wakecore.wake import RECORD
from wakewell import asked, fieldlog, interpreter, logs, parcel
from wakewell import report as report_pages
from wakewell.asked import Asked
from wakewell.boards import run_replay
from wakewell.boards.replayed import Player
from wakewell.core import core_id
from wakewell.fieldlog import FieldLog
from wakewell.logs import BadInput, InForce, Record, Skips, printable
from wakewell.tomlfile import show_path
from wakewell.verdicts import (
    LOCKOUT_RULES,
    LOCKOUT_WAYS,
    TRIP_RULES,
    UNKNOWN_RULE,
    Verdict,
    Verdicts,
    book,
    many,
)

# What a record of a wrong form can raise on its way through the core.
STUMBLES = (
    KeyError,
    TypeError,
    ValueError,
    IndexError,
    AttributeError,
    OverflowError,
    RecursionError,
    struct.error,
)
DECISIONS = ("values", "judged", "permissives", "plan", "trips", "lockouts", "water", "commands")
BEFORE_PUMP = ("values", "judged", "permissives", "plan", "commands")
MOST_DIFFERENCES = 1000
MOST_SHOWN = 10  # skips, lockouts and the like in words; --json has more
DEMO = Path(wakewell.__file__).parent / "data" / "cafe"


@dataclass
class Difference:
    """One member that came out otherwise, with both sides."""

    wake: int
    place: str
    member: str
    recorded: Any
    decided: Any


@dataclass
class Report:
    """What the replay of one pot's log found."""

    name: str
    core: str
    asked: str = ""  # the name of the settings asked about, if any
    verdicts: Verdicts = field(default_factory=Verdicts)
    skips: Skips = field(default_factory=Skips)
    wakes: int = 0  # records read; those played are fewer by the unplayed
    unplayed: Counter[str] = field(default_factory=Counter)
    unplayed_at: dict[str, str] = field(default_factory=dict)
    cores: Counter[str] = field(default_factory=Counter)
    faults: list[Difference] = field(default_factory=list)  # of the first divergent wake
    divergent: int = 0  # wakes that this very core decided otherwise, under the same settings
    different: int = 0  # wakes decided otherwise by another core or under other settings
    differences: list[Difference] = field(default_factory=list)
    members: Counter[str] = field(default_factory=Counter)
    holds_until: int | None = None
    first_day: int | None = None
    last_day: int | None = None
    lives: list[str] = field(default_factory=list)  # of one board or several, in words
    life: int = 0  # which of them this is

    @property
    def played(self) -> int:
        """Wakes that went through the core."""
        return self.wakes - sum(self.unplayed.values())

    @property
    def held(self) -> list[Verdict]:
        """The verdicts, requirement by requirement."""
        return self.verdicts.verdicts()

    @property
    def good(self) -> bool:
        """Something played, nothing broken, nothing divergent under the core that recorded it."""
        return self.played > 0 and not self.divergent and all(v.held for v in self.held)


def differences(made: Record, record: Record, exact: bool) -> Iterator[tuple[str, Any, Any]]:
    """(member, recorded, decided) for each member that differs, one level deep.

    Where another pulse is decided than was run, nothing is known of how it went, so only
    what was decided before it is compared.
    """
    names: Iterable[str] = DECISIONS if runs(made) == runs(record) else BEFORE_PUMP
    for name in dict.fromkeys((*made, *record)) if exact else names:
        was, now = record.get(name), made.get(name)
        if was == now:
            continue
        if isinstance(was, dict) and isinstance(now, dict):
            for key in sorted({*was, *now}):
                if was.get(key) != now.get(key):
                    yield f"{name}.{key}", was.get(key), now.get(key)
        else:
            yield name, was, now


def replay_log(
    name: str,
    files: list[Path],
    settings: Asked | None = None,
    progress: bool = False,
    life: int = 0,
) -> Report:
    """Play one pot's log files, oldest first, through the core.

    settings: other settings to ask about. life: which of the lives that lie in the log. What
    was skipped is told with the first of them.
    """
    report = Report(name, core_id(), settings.name if settings else "")
    log = FieldLog(files, Skips() if life else report.skips)
    player = Player(InForce(files[0].parent))
    made_for = None
    for entry in log.entries(progress):
        if entry.life != life:
            continue
        record, place = entry.record, log.shown(entry.place)
        try:
            if entry.wake is not None:
                player.exact = not settings and record["core"] == report.core
                if settings and made_for != record["limits"]:
                    made_for = record["limits"]
                    player.settings = settings.line(made_for)
            made, why = player.feed(record)
        except STUMBLES:
            report.skips.add(*log.at(entry.place), "the core could not make sense of it")
            continue
        if entry.wake is None:
            if why:
                report.skips.add(*log.at(entry.place), why)
            continue
        _book(report, record, made, why, place, player.exact)
        pot, _ = player.pot(record)
        if pot is not None:
            report.verdicts.see(record, pot)
    report.lives = [log.told(number) for number in range(len(log.lives))]
    report.life = life
    return report


def _book(
    report: Report, record: Record, made: Record | None, why: str, place: str, exact: bool
) -> None:
    """Count a wake, and how it came out."""
    report.wakes += 1
    book(report.cores, record["core"])
    day, _, trusted = record["begin"]["utc"]
    if trusted:
        report.last_day = day
        if report.first_day is None:
            report.first_day = day
    if made is None:
        book(report.unplayed, why)
        if why in report.unplayed:
            report.unplayed_at.setdefault(why, place)
    elif made != record:
        _compare(report, made, record, place, exact)


def _compare(report: Report, made: Record, record: Record, place: str, exact: bool) -> None:
    """Book how the record made this time differs from the recorded one, if it does."""
    found = [Difference(record["n"], place, *d) for d in differences(made, record, exact)]
    if not found:
        return
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


def runs(record: Record) -> list[str]:
    """The pump runs a record commands."""
    return [command for command in record["commands"] if command.startswith("run ")]


def agree_on(on: str, name: str, files: list[Path], settings: Asked | None, life: int = 0) -> str:
    """Where MicroPython makes other bytes from these files than this interpreter; "" if nowhere.

    on: which one, of interpreter.KINDS.
    """
    in_force = InForce(files[0].parent)

    def inputs() -> Iterator[bytes]:
        known: set[str] = set()
        made_for = None
        yield b"core " + core_id().encode()
        for entry in FieldLog(files).entries():
            if entry.life != life:
                continue
            record = entry.record
            if entry.wake is not None:
                if settings and made_for != record["limits"]:
                    made_for = record["limits"]
                    yield b"ask  " + settings.line(made_for)
                for kind in ("settings", "limits", "calibration"):
                    identity = record[kind]
                    data = in_force(identity) if identity not in known else None
                    if data:
                        known.add(identity)
                        yield b"file " + data
                yield b"wake " + line.encode(RECORD, record)
            elif state_from_snapshot(record):
                yield b"wake " + line.encode(STATE_RECORD, record)

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


def lines_of(report: Report) -> Iterator[str]:
    """The report in words, for a person."""
    seen = report.verdicts
    span = ""
    if report.first_day is not None and report.last_day is not None:
        span = f", {logs.day_text(report.first_day)} to {logs.day_text(report.last_day)}"
    yield f"{report.name}: {report.wakes} wakes{span}"
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
    for verdict in report.held:
        word = "held  " if verdict.held else "BROKEN"
        where = "" if verdict.wake is None else f" at wake {verdict.wake}"
        yield f"  {verdict.rule:<4} {word}  {verdict.title}: {printable(verdict.evidence)}{where}"
    by = ", ".join(f"{printable(core)} ({_many(n)})" for core, n in report.cores.most_common())
    yield f"  core     recorded by {by}; played by {report.core}"
    if len(report.lives) > 1:
        here = f"{report.life + 1} of {len(report.lives)}: {report.lives[report.life]}"
        yield f"  life     {here}"
        yield "           the others are another board's, or this one's before it was begun anew"
    yield from fieldlog.told(report.skips)
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
    if report.different:
        why = f"settings {report.asked}" if report.asked else f"core {report.core}"
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
    if not report.faults and not report.different:
        yield f"  verdict  {report.played} of {report.wakes} wakes played, all as recorded"
    if not all(v.held for v in report.held):
        yield "  verdict  a requirement is BROKEN"


def _shown(value: Any) -> str:
    return printable(repr(value))


def _many(count: int) -> str:
    return f"{count} wake" if count == 1 else f"{count} wakes"


def nothing_played(report: Report) -> str:
    """Why no wake of a log could be played, in one line."""
    if report.wakes:
        why, count = report.unplayed.most_common(1)[0]
        text = f"none of {report.wakes} wakes could be played: {printable(why)} ({count} wakes)"
        if why.endswith("is not at hand"):
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
        "divergent": report.divergent,
        "different": report.different,
        "differences": [vars(d) for d in report.differences],
        "holds_until": report.holds_until,
        "good": report.good,
    }


def arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument("paths", nargs="*", metavar="PATH", help="log, folder or sequence file")
    parser.add_argument("--demo", action="store_true", help="play the repair café's six planters")
    parser.add_argument("--settings", metavar="FILE", help="ask what these settings decide instead")
    parser.add_argument("--core", metavar="DIR", help="folder that holds another wakecore")
    parser.add_argument(
        "--on",
        choices=interpreter.KINDS,
        help="play on a real MicroPython too, and compare bytes; micropython32: one of 32 bits",
    )
    parser.add_argument("--json", action="store_true", help="one JSON object for a machine")
    parser.add_argument("--page", metavar="DIR", help="write each log's page there and link it")
    parser.epilog = (
        "exit codes: 0 every decision as recorded and every requirement held; 1 a divergence, "
        "a broken requirement or a failed expectation; 2 input that cannot be used"
    )


def run(args: argparse.Namespace) -> int:
    """The command. Returns its exit code."""
    if args.core:
        return with_core(args)
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")  # a file's name may be any bytes
    paths = [Path(p) for p in args.paths] + ([DEMO] if args.demo else [])
    if not paths:
        raise BadInput("nothing to replay: give a log, a folder or a sequence, or --demo")
    with parcel.opened(paths) as folders:  # what is no parcel stays as it is
        return replay_paths(folders, args)


def replay_paths(paths: list[Path], args: argparse.Namespace) -> int:
    """Replay logs, folders and sequences; print or collect what was found."""
    settings = asked.read(Path(args.settings)) if args.settings else None
    if args.page:
        report_pages.can_draw()
    results: list[dict[str, Any]] = []
    good = usable = True
    for path in paths:
        if path.suffix == ".toml":
            good = replay_sequence(path, args, results) and good
            continue
        found = logs.find_logs(path)
        if not found:
            names = " or ".join(logs.SUFFIXES)
            raise BadInput(f"{show_path(str(path))}: no log here; a log's name ends in {names}")
        for place, files, report in played(found, settings):
            answer = as_json(report)
            if not report.played:
                named = show_path(str(place))
                print(f"wakewell replay: {named}: {nothing_played(report)}", file=sys.stderr)
                usable = False
            elif args.on:
                answer[args.on] = agree_on(args.on, report.name, files, settings, report.life)
            good = good and report.good and not answer.get(args.on or "")
            results.append(answer)
            if report.played and not args.json:
                print(*lines_of(report), sep="\n")
                if args.on:
                    print(f"  {args.on}  {answer[args.on] or 'the same bytes'}")
                if args.page:
                    print(f"  page     {report_pages.page_link(place, args.page, files)}")
                print()
    if args.json:
        print(json.dumps({"good": good, "core": core_id(), "replayed": results}))
    else:
        print(
            f"{len(results)} replayed, {'all good' if good else 'NOT all good'} (core {core_id()})"
        )
    return 2 if not usable else 0 if good else 1


def played(
    found: list[tuple[Path, list[Path]]], settings: Asked | None
) -> Iterator[tuple[Path, list[Path], Report]]:
    """Each log, and each life in it by itself."""
    for place, files in found:
        count, life = 1, 0
        while life < count:
            report = replay_log(shown(place), files, settings, sys.stderr.isatty(), life)
            count, life = len(report.lives), life + 1
            yield place, files, report


def shown(place: Path) -> str:
    """A pot's name for its log: the folder above `logs`."""
    place = place.resolve()
    return printable(place.parent.name if place.name in ("logs", "log") else place.name)


def replay_sequence(path: Path, args: argparse.Namespace, results: list[dict[str, Any]]) -> bool:
    """Play one sequence file and print or collect what failed."""
    from wakewell import sequences

    sequence = sequences.load(path)
    failures = sequences.check(sequence, args.on or "cpython")
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
    folder = Path(args.core)
    if folder.name == "wakecore":
        folder = folder.parent
    if not (folder / "wakecore" / "__init__.py").is_file():
        raise BadInput(f"--core {args.core}: no wakecore folder there")
    path = os.pathsep.join([str(folder.resolve()), os.environ.get("PYTHONPATH", "")])
    environment = {**os.environ, "PYTHONPATH": path}
    trial = [sys.executable, "-c", "import wakewell.replay"]
    tried = subprocess.run(trial, env=environment, stderr=subprocess.PIPE)
    if tried.returncode:
        why = (tried.stderr.decode(errors="replace").splitlines() or ["it does not load"])[-1]
        raise BadInput(f"--core {args.core}: cannot be used: {printable(why)}")
    command = [sys.executable, "-m", "wakewell", "replay"]
    command += ["--demo"] if args.demo else []
    command += ["--json"] if args.json else []
    command += ["--page", args.page] if args.page else []
    command += ["--settings", args.settings] if args.settings else []
    command += ["--on", args.on] if args.on else []
    return subprocess.run([*command, "--", *args.paths], env=environment).returncode
