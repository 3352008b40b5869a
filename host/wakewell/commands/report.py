"""`wakewell report`: its arguments, its words and its exit code."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from wakewell.commands import given
from wakewell.errors import BadInput
from wakewell.log import series
from wakewell.log.parcel import opened
from wakewell.log.series import without_collector
from wakewell.log.times import Calendar
from wakewell.report import condition, magnifier, pages, plots, writing
from wakewell.report.page_files import speaks_of
from wakewell.report.pages import PotView
from wakewell.shipped import CAFE
from wakewell.terminal import marked, tell
from wakewell.tomlfile import show_path

PLACE = "report"  # the folder that pages go to
FORMS = ("page", *writing.DRAWINGS, *writing.TABLES)
NOT_GOOD = (condition.PERSON, condition.SILENT)


def arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument("logs", nargs="*", metavar="LOG", help="logs, pots' folders or parcels")
    given.option(parser, "--demo")
    given.option(parser, "--out", f"default: {PLACE}", default=PLACE)
    parser.add_argument(
        "--form",
        choices=FORMS,
        default="page",
        metavar="FORM",
        help="what to write: page; png or svg, the pictures; csv or parquet, a table with a row "
        "for each wake; default: page",
    )
    parser.add_argument(
        "--wake",
        metavar="WAKE",
        help="show one wake in detail, on a page of its own: its number, a date such as "
        "2026-03-14, a day of the week such as Tuesday (the latest), or last; default: none",
    )
    parser.add_argument(
        "--as-of",
        metavar="DATE",
        help="speak of that day and leave out what came later; default: today, for the demo set "
        "its last day",
    )
    given.option(parser, "--timezone", default="")
    given.option(parser, "--json")
    parser.epilog = (
        "exit codes: 0 every pot is well or due, 1 a pot needs help now or sent no news, "
        "2 input that cannot be used. As pages it writes one for each pot and round.html for "
        "all of them; --wake writes a page of its own."
    )


def run(args: argparse.Namespace) -> int:
    """The command. Returns its exit code."""
    asked = [Path(p) for p in args.logs] + [CAFE] * args.demo
    if not asked:
        raise BadInput("nothing to report on: give a log, a pot's folder or a parcel, or --demo")
    with opened(asked) as paths, without_collector():
        return report(paths, args)


def report(paths: Sequence[Path], args: argparse.Namespace) -> int:
    """Read, look, write; say where it is."""
    calendar = Calendar(args.timezone)  # refuses a wrong name before any work
    until_s = writing.end_of_day(args.as_of, calendar) if args.as_of else None
    found = writing.find_logs(paths)
    names = series.names([place for place, _ in found])
    if args.form == "page":
        plots.begin_script()
    out = Path(args.out)
    views, unread = [], []
    results: list[dict[str, Any]] = []

    def say(text: str) -> None:
        if not args.json:
            tell(text)  # each as it is done: some years take seconds

    for (place, files), name in zip(found, names, strict=True):
        log = series.read(name, place, files, sys.stderr.isatty(), until_s)
        for text in series.told(log):
            say(text)
        if not log.wakes:
            why = f"no wake could be read, {log.skips.count} lines skipped"
            if log.later:
                why = f"nothing is on record up to {args.as_of}"
            unread.append((name, why))
            results.append({"name": name, "good": False, "why": why, "files": []})
            continue
        written: list[str] = []
        results.append({"name": name, "good": True, "condition": None, "files": written})
        if args.form in writing.TABLES:
            written.append(str(writing.table(log, args.form, out)))
            say(written[-1])
            continue
        now_s = speaks_of(place) if until_s is None else until_s
        view = pages.view(log, args.timezone, now_s)
        views.append(view)
        word = view.condition.word
        results[-1] |= {"condition": word, "good": word not in NOT_GOOD}
        if args.form in writing.DRAWINGS:
            for path in writing.pictures(view, args.form, out):
                written.append(str(path))
                say(str(path))
        elif not args.wake:
            written.append(str(writing.page(view, out, writing.ROUND if len(found) > 1 else "")))
            row = f"{word:<14}  {view.log.title}: {written[-1]}"
            say(marked(row, word in NOT_GOOD))
    if not views and unread:
        advice = "give a later day" if args.as_of else "look at its first lines"
        raise BadInput(f"{show_path(str(found[0][0]))}: {unread[0][1]}; {advice}")
    code = 0
    if args.form == "page" and args.wake:
        magnify(views, args.wake, out, say)
    elif args.form == "page":
        writing.safety_page(out)
        if len(found) > 1:
            say(f"{'the round':<14}  {writing.round_page(views, unread, out)}")
        code = 0 if all(result["good"] for result in results) else 1
    return given.show_json(args, code, results) if args.json else code


def magnify(views: list[PotView], asked: str, out: Path, say: Callable[[str], None]) -> None:
    """A page of the wakes asked for, for every log that has them."""
    done = False
    for view in views:
        if (made := writing.magnified(view, asked, out)) is not None:
            wakes, path = made
            for wake in wakes:
                say(f"wake {wake.n}: {magnifier.answer(wake, view.log)[0]}")
            say(str(path))
            done = True
    if not done:
        log, calendar = views[0].log, views[0].calendar
        first, last = log.wakes[0], log.wakes[-1]
        example = "a date such as 2026-03-14, a day such as Tuesday" if log.dated else "'day 12'"
        raise BadInput(
            f"--wake {asked[:40]!r}: no such wake; the log has {first.n} to {last.n}, "
            f"{calendar.moment(first.time_s)} to {calendar.moment(last.time_s)}; give a number, "
            f"{example}, or last"
        )
