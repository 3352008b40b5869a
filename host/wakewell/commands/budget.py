"""`wakewell budget`: its arguments and its run.

What belongs here: the command line and its dates. What does not: numbers and words.
"""

from __future__ import annotations

import argparse
import math
from datetime import date, timedelta

from wakewell.budget import logged, told
from wakewell.budget.course import MOST_DAYS
from wakewell.budget.inputs import gather, open_folder
from wakewell.commands import given
from wakewell.errors import BadInput
from wakewell.terminal import tell
from wakewell.tomlfile import show

MOST_AWAY = 366


def arguments(parser: argparse.ArgumentParser) -> None:
    """The command's arguments."""
    parser.add_argument("pot", metavar="POT", help="the pot's folder, or its pot.toml")
    parser.add_argument(
        "--until",
        metavar="DATE",
        help="will it last until then? 2026-05-27, or 27: the next 27th; default: not asked",
    )
    parser.add_argument(
        "--away", metavar="DAYS", help="what to buy before this many days away; default: not asked"
    )
    given.option(parser, "--json")
    parser.epilog = (
        "exit codes: 0 it lasts; 1 it will not or may not last until the date, or something is "
        "not enough for the days away, or its panel is; 2 input that cannot be used"
    )


def run(args: argparse.Namespace) -> int:
    """The command. 0: told; 1: it will not last until the date, or may not, or something is not
    enough for the days away; 2: bad input."""
    today = date.today()
    folder = open_folder(args.pot)
    inputs = gather(folder, today)
    log = logged.read(folder)
    if log is not None:
        inputs = logged.applied(inputs, log, folder, today)
    until = None if args.until is None else date_of(args.until, today)
    away = None if args.away is None else _days(args.away)
    found = told.made(folder, inputs, today, until, away, log)
    answers = (found.tank_until, found.cell_until)
    late = any(answer is not None and answer.sure != "yes" for answer in answers)
    small = any(math.isinf(s.least) or (s.margin or 0.0) < 0.0 for s in found.sizes)
    dim = found.sunned is not None and found.sunned.enough is False
    code = int(late or small or dim)
    if args.json:
        return given.show_json(args, code, [told.as_json(found) | {"good": not code}])
    tell(*told.lines(found))
    return code


def date_of(text: str, today: date) -> date:
    """A date after today: written out, or a day of the month, the next that has one."""
    latest = today + timedelta(days=MOST_DAYS - 1)
    allowed = f"--until {show(text)}: allowed a date such as 2026-05-27, or a day such as 27, "
    allowed += f"after today ({today}) and up to {latest}; correct it"
    try:
        found = _next_day(int(text), today) if text.isdecimal() else date.fromisoformat(text)
    except (ValueError, OverflowError):
        raise BadInput(allowed) from None
    if not today < found <= latest:
        raise BadInput(allowed)
    return found


def _next_day(day: int, today: date) -> date:
    """The next date with that day of the month. Raises ValueError if no month has it."""
    if not 1 <= day <= 31:
        raise ValueError
    found = today + timedelta(days=1)
    while found.day != day:
        found += timedelta(days=1)
    return found


def _days(text: str) -> int:
    if text.isdecimal() and len(text) < 5 and 1 <= int(text) <= MOST_AWAY:
        return int(text)
    raise BadInput(f"--away {show(text)}: allowed 1 to {MOST_AWAY} days; correct it")
