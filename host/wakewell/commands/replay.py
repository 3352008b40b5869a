"""`wakewell replay`: its arguments, its words and its exit code."""

from __future__ import annotations

import argparse
import io
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from wakewell import extras, words
from wakewell.commands import given
from wakewell.core import core_id
from wakewell.errors import BadInput
from wakewell.interpreters import interpreter
from wakewell.log import fieldlog, logs, parcel
from wakewell.log.logs import printable
from wakewell.replay import asked
from wakewell.replay.asked import Asked
from wakewell.replay.changes import STRICTER, WEAKER
from wakewell.replay.rejudged import keep_states, read_states
from wakewell.replay.replaying import (
    SHORTENED,
    LogReplay,
    agree_on,
    each_life,
    in_wakes,
    log_name,
    what_if,
)
from wakewell.replay.verdicts import LOCKOUT_RULES, LOCKOUT_WAYS, TRIP_RULES, UNKNOWN_RULE, many
from wakewell.report import page_files as report_pages
from wakewell.sequences import candidate, playing
from wakewell.shipped import CAFE, TROUBLE
from wakewell.terminal import Bad, marked, tell
from wakewell.tomlfile import show_path
from wakewell.units import water

MOST_SHOWN = 10  # skips, lockouts and the like in words; --json has more


def lines_of(report: LogReplay) -> Iterator[str]:
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
        f"{water(seen.given_ul / 1000)}; {many(sum(seen.trips.values()), 'trip')}, "
        f"{many(sum(seen.lockouts.values()), 'lockout')}"
    )
    for trip, count in sorted(seen.trips.items()):
        yield f"  trip     {printable(trip)} ({TRIP_RULES.get(trip, UNKNOWN_RULE)}): {count}"
    for wake, name, ended in seen.latched[:MOST_SHOWN]:
        way = LOCKOUT_WAYS.get(name, "in a way that this core does not know")
        end = f"ended at wake {ended}" if ended is not None else f"ends {way}"
        rule = LOCKOUT_RULES.get(name, UNKNOWN_RULE)
        yield f"  lockout  {printable(name)} ({rule}) at wake {wake}, {end}"
    if len(seen.latched) > MOST_SHOWN:
        yield f"  lockout  {sum(seen.lockouts.values())} in all"
    for need, count in seen.needs.most_common():
        yield f"  asked    to {printable(words.task(need))} in {count} of {seen.wakes} wakes"
    weaker = {changed.rule: changed for changed in reversed(report.changed(WEAKER))}
    for verdict in report.held:
        word, text = "held  " if verdict.held else "BROKEN", verdict.evidence
        where = "" if verdict.wake is None else f" at wake {verdict.wake}"
        weakened = verdict.held and verdict.rule in weaker
        if weakened:
            changed = weaker[verdict.rule]
            word, text, where = "WEAKER", changed.text, f", first at wake {changed.wake}"
        told = f"  {verdict.rule:<4} {word}  {verdict.title}: {printable(text)}{where}"
        yield marked(told, weakened or not verdict.held)
    by = ", ".join(f"{printable(core)} ({in_wakes(n)})" for core, n in report.cores.most_common())
    yield f"  core     recorded by {by}; played by {report.core}"
    if len(report.lives) > 1:
        here = f"{report.life + 1} of {len(report.lives)}: {report.lives[report.life]}"
        yield f"  life     {here}"
        yield "           the others are from another board, or from this one before a new start"
    yield from fieldlog.told(report.skips)
    yield from report.short.told()
    for why, count in report.unplayed.most_common(MOST_SHOWN):
        at = report.unplayed_at.get(why, "see above")
        yield f"  not played  {in_wakes(count)}, first {at}: {printable(why)}"
    yield from difference_lines(report)


def difference_lines(report: LogReplay) -> Iterator[str]:
    """How the decisions compare with the recorded ones."""
    if report.faults:
        first = report.faults[0]
        place = f"wake {first.wake} ({first.place}), {report.divergent} in all"
        yield Bad(f"  verdict  DIVERGES at {place}:")
        for difference in report.faults:
            member, indent = printable(difference.member), " " * len(printable(difference.member))
            yield f"           {member}: recorded {_shown(difference.recorded)}"
            yield f"           {indent}   decided {_shown(difference.decided)}"
    why = f"settings {report.asked}" if report.asked else f"core {report.core}"
    for way, word in ((WEAKER, "WEAKER"), (STRICTER, "stricter")):
        found = report.changed(way)
        if found:
            yield marked(f"  verdict  {word} by {why}:", way == WEAKER)
        for changed in found:
            at = f"{in_wakes(changed.count)}, first at wake {changed.wake} ({changed.place})"
            yield f"           {changed.rule:<4} {printable(changed.text)}: {at}"
    if report.different:
        yield f"  verdict  {in_wakes(report.different)} with other decisions by {why}:"
        for member, count in report.members.most_common():
            example = next((d for d in report.differences if d.member == member), None)
            text = f"           {printable(member)}: {count}"
            if example:
                text += f", first at wake {example.wake}: "
                text += f"{_shown(example.recorded)} -> {_shown(example.decided)}"
            yield text
        if report.holds_until is not None:
            yield f"           from wake {report.holds_until} on the water would be different:"
            yield "           later readings follow from the water given then, not from this"
    if not report.faults and not report.different and not report.changes:
        yield f"  verdict  {report.played} of {report.wakes} wakes played, all as recorded"
    if not all(v.held for v in report.held):
        yield Bad("  verdict  a requirement is BROKEN")


def _shown(value: Any) -> str:
    return printable(repr(value))


def nothing_played(report: LogReplay) -> str:
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


def as_json(report: LogReplay) -> dict[str, Any]:
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
    parser.add_argument(
        "paths",
        nargs="*",
        metavar="LOG",
        help="logs, pots' folders, parcels or sequence files",
    )
    given.option(parser, "--demo", "with --core also the logs where protections act")
    parser.add_argument(
        "--each",
        action="store_true",
        help="show for each log how every requirement held, not only where one did not",
    )
    parser.add_argument(
        "--settings",
        metavar="FILE",
        help="a settings.toml: what would it have decided? default: what was in force",
    )
    parser.add_argument(
        "--core", metavar="DIR", help="a folder with another wakecore; default: the one installed"
    )
    parser.add_argument(
        "--on",
        choices=interpreter.KINDS,
        metavar="KIND",
        help="play on a real MicroPython too and compare bytes: micropython, or micropython32 for "
        "one of 32 bits as on a chip; default: neither",
    )
    parser.add_argument("--states", help=argparse.SUPPRESS)  # from `with_core` to its own process
    given.option(parser, "--json")
    given.option(parser, "--page", "default: no page")
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
    paths = asked_for(args)
    if not paths:
        raise BadInput("nothing to replay: give a log, a folder or a sequence, or --demo")
    with parcel.opened(paths) as folders:  # what is no parcel stays as it is
        return replay_paths(folders, args)


def asked_for(args: argparse.Namespace) -> list[Path]:
    """What is to be replayed. Another core meets more than the café: where protections act."""
    demo = [CAFE, TROUBLE] if args.core or args.states else [CAFE]
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
            raise logs.no_log(path)
        for place, files, report in each_life(found, settings, known, sys.stderr.isatty()):
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
                tell(*lines_of(report))
                if args.on:
                    print(f"  {args.on}  {answer[args.on] or 'the same bytes'}")
                if settings is not None and len(results) == 1 and len(paths) == 1:
                    print(*beyond(place, report, settings, args.page), sep="\n")
                if args.page:
                    print(f"  page     {report_pages.page_link(place, args.page, files)}")
                print()
    code = 2 if not usable else 0 if good else 1
    if args.json:
        return given.show_json(args, code, results, core=core_id())
    if table is not None:
        table.close()
    last = f"{len(results)} replayed, {closing(good, lacking, others)} (core {core_id()})"
    tell(marked(last, not good))
    return code


def beyond(place: Path, report: LogReplay, settings: Asked, page: str | None) -> Iterator[str]:
    """What the pot's twin foretells from where the record tells no more, or why it cannot."""
    if report.holds_until is None:
        return
    try:
        from wakewell.tuning import beyond as twin
        from wakewell.tuning import told

        found, ahead = twin.of_log(place, settings, report.holds_until)
        yield from told.beyond_lines(ahead, found.log.true_dates)
        if page:
            from wakewell.tuning import drawn

            path = Path(page) / f"{report.name}-foretold.svg"
            drawn.keep(found, ahead, path)
            yield f"  picture  {show_path(str(path))}"
    except BadInput as why:
        yield f"  beyond   not foretold: {why}"
    except ModuleNotFoundError as absent:
        yield f"  beyond   not foretold: {extras.advice(absent.name, 'tune') or absent}"


class LogTable:
    """Several logs at a glance, a row each as it is played; in full those with anything to tell."""

    HEADS = ("wakes", "waterings", "trips", "lockouts")

    def __init__(self, names: Sequence[str]) -> None:
        self.width = max(map(len, ("pot", *names)))
        self.others: list[LogReplay] = []
        print("  ".join(["pot".ljust(self.width), *self.HEADS, "verdict"]))

    def add(self, report: LogReplay) -> None:
        """A row."""
        seen = report.verdicts
        counts = (report.wakes, seen.doses, sum(seen.trips.values()), sum(seen.lockouts.values()))
        cells = [str(n).rjust(len(head)) for n, head in zip(counts, self.HEADS, strict=True)]
        said = "all held, as recorded"
        if not report.good or any(report.lacking.values()) or report.different:
            said = closing(report.good, Counter(report.lacking), report.different)
            self.others.append(report)
        tell(marked("  ".join([report.name.ljust(self.width), *cells, said]), not report.good))

    def close(self) -> None:
        """What there is to tell."""
        for report in self.others:
            tell("", *lines_of(report))
        print()


def table_for(places: Sequence[Path], args: argparse.Namespace) -> LogTable | None:
    """A table where several logs are only to be judged; None where each is told in full."""
    more = args.each or args.json or args.settings or args.states or args.on or args.page
    return LogTable([log_name(p) for p in places]) if len(places) > 1 and not more else None


def closing(good: bool, lacking: Counter[str], others: int) -> str:
    """The last line's verdict. All is good only where all of it was read, played and as it was."""
    what = {"skipped": "line", "mended": "line", "not played": "wake", SHORTENED: "wake"}
    parts = [f"{many(lacking[how], one)} {how}" for how, one in what.items() if lacking[how]]
    if others:
        parts.append(f"{in_wakes(others)} with other decisions")
    if not parts:
        return "all good" if good else "NOT all good"
    return f"{'nothing bad found, but' if good else 'NOT all good:'} {', '.join(parts)}"


def replay_sequence(path: Path, args: argparse.Namespace, results: list[dict[str, Any]]) -> bool:
    """Play one sequence file and print or collect what failed."""
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
        said = f"{path}: {sequence.title}: {wakes} wakes, {'good' if good else 'FAILED'}"
        tell(marked(said, not good))
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
        keep_states(asked_for(args), states)
        command += ["--states", str(states), "--", *args.paths]
        return subprocess.run(command, env=environment).returncode
