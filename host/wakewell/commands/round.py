"""`wakewell round`: its arguments, its words and its exit code."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from wakewell.commands import given
from wakewell.core import core_id
from wakewell.errors import BadInput
from wakewell.log.parcel import opened
from wakewell.log.series import without_collector
from wakewell.log.times import Calendar
from wakewell.radio import listen
from wakewell.report import overview
from wakewell.report.overview import Overview
from wakewell.shipped import CAFE
from wakewell.terminal import marked, tell

HEADS = ("how it is", "pot", "last heard", "tank", "battery", "core", "settings")
WIDEST = 30  # of a pot's name


def arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument(
        "logs", nargs="*", metavar="LOG",
        help="pots' folders, a folder of them, logs or parcels; none: every pot of the database",
    )  # fmt: skip
    given.option(
        parser, "--database", f"default: {listen.DATABASE} beside the first pot, if it is there"
    )
    given.option(parser, "--demo")
    given.option(parser, "--timezone", default="")
    given.option(parser, "--json")
    parser.epilog = (
        "exit codes: 0 every pot is well or due, 1 a pot needs help now, sent no news or cannot "
        "be read, 2 input that cannot be used. Days are the least that tank and battery last, 19 "
        "times in 20."
    )


def run(args: argparse.Namespace) -> int:
    """The command. Returns its exit code."""
    calendar = Calendar(args.timezone)  # refuses a wrong name before any work
    paths = [Path(p) for p in args.logs] + [CAFE] * args.demo
    where = database(args.database, paths)
    if not paths and where is None:
        raise BadInput(
            "no pot is named: give pots' folders or logs, --database FILE for every pot that was "
            "heard, or --demo"
        )
    with opened(paths) as found, without_collector():
        rows = look(found, where, args.timezone)
    code = 0 if all(row.good for row in rows) else 1
    if args.json:
        return given.show_json(args, code, [as_json(row) for row in rows])
    tell(*table(rows, calendar, time.time()))
    return code


def database(named: str | None, paths: Sequence[Path]) -> str | None:
    """The database to look into: the one named, else what is beside the first pot. BadInput."""
    if named is not None:
        return given.existing_database(named)
    beside = paths[0].resolve().parent / listen.DATABASE if paths else None
    return str(beside) if beside is not None and beside.is_file() else None


def look(paths: Sequence[Path], where: str | None, zone: str) -> list[Overview]:
    """The rows. Raises BadInput."""
    from wakewell.radio import rounds
    from wakewell.radio.store import ReportStore, sa, why_of

    places = rounds.places(paths)
    if where is None:
        return rounds.go(places, None, zone)
    store = ReportStore(where)
    if store.note:
        print(store.note, file=sys.stderr)
    try:
        return rounds.go(places, store, zone)
    except sa.exc.SQLAlchemyError as error:
        raise BadInput(f"database: {why_of(error)}; try again") from None
    finally:
        store.close()


def table(rows: Sequence[Overview], calendar: Calendar, now_s: float) -> list[str]:
    """A line for each pot below one another, and below it what there is to do or to send."""
    cells: list[tuple[str, ...]] = [HEADS]
    for row in rows:
        name = row.title if len(row.title) <= WIDEST else row.title[: WIDEST - 3] + "..."
        heard = "" if row.why else overview.heard(row, calendar, now_s)
        left = [overview.left(row, days) for days in (row.tank_days, row.battery_days)]
        settings = row.settings or "safe defaults"
        known = (*left, row.core, settings) if not row.why else ("", "", "", "")
        cells.append((row.word, name, heard, *known))
    widths = [max(len(line[at]) for line in cells) for at in range(len(HEADS))]
    shown = [
        "  ".join(f"{cell:<{width}}" for cell, width in zip(line, widths, strict=True)).rstrip()
        for line in cells
    ]
    lines = shown[:1]
    for row, text in zip(rows, shown[1:], strict=True):
        lines += [marked(text, not row.good), *(f"    {more}" for more in below(row))]
    return lines


def below(row: Overview) -> list[str]:
    """What to do, and what is under way."""
    if row.why:
        return [row.why]
    lines = [f"do        {text}" for text in row.tasks]
    if row.muted:
        lines.append(f"muted     {row.muted}")
    if row.otherwise:
        lines.append(f"by radio  {row.otherwise}")
    if text := overview.asked(row):
        lines.append(f"asked     {text}")
    if row.program.keys() & {"sent", "waits"}:
        lines.append(f"program   {program(row)}")
    if text := overview.not_sent(row):
        lines.append(f"not sent  {text}")
    return lines


def program(row: Overview) -> str:
    """How far the last version is that was sent to a pot, by its own account."""
    version, n, state, why = (
        row.program.get(name, "") for name in ("code", "sent", "sent_is", "sent_why")
    )
    rows = [str(version)] if version else []
    if state:
        rows.append(f"number {n} was sent: {state}{f', {why}' if why else ''}")
    if "waits" in row.program:
        rows.append(f"number {row.program['waits']} was sent: {row.program['waits_is']}")
    return "; ".join(rows)


def as_json(row: Overview) -> dict[str, Any]:
    """The same for a machine."""
    asked = None
    if row.asked is not None:
        asked = vars(row.asked) | {"until": _utc(row.asked.until_s)}
        del asked["until_s"]
    return {
        "name": row.name,
        "good": row.good,
        "title": row.title,
        "board": row.board or None,
        "why": row.why or None,
        "last_heard": _utc(row.heard_s),
        "condition": row.word,
        "sentence": row.sentence or None,
        "do": row.tasks,
        "lockouts": list(row.lockouts),
        "needs": list(row.needs),
        "visit": row.visit or None,
        "tank_days": row.tank_days,
        "battery_days": row.battery_days,
        "core": {"in_force": row.core or None, "here": core_id()},
        "settings": {"in_force": row.settings, "asked": asked},
        "not_sent": row.unsent,
        "program": row.program or None,
        "muted_until": _utc(row.muted_until_s),
    }


def _utc(time_s: float | None) -> str | None:
    return None if time_s is None else f"{datetime.fromtimestamp(time_s, UTC):%Y-%m-%dT%H:%M:%SZ}"
