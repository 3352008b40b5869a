"""`wakewell remind`: its arguments, its words and its exit code."""

from __future__ import annotations

import argparse
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

from wakewell.commands.durations import minutes
from wakewell.errors import BadInput
from wakewell.radio import listen
from wakewell.radio.remind import (
    MOST_EVERY,
    SECRET_URL,
    PotToRemind,
    by_apprise,
    calendar,
    go_round,
    load,
)
from wakewell.radio.store import Store, sa
from wakewell.tomlfile import show_path


def arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument("pots", nargs="+", metavar="POT", help="folders of the pots")
    parser.add_argument("--database", metavar="FILE", help="what `wakewell listen` keeps")
    parser.add_argument("--calendar", metavar="FILE", help="write an iCalendar file of open tasks")
    parser.add_argument(
        "--every",
        type=minutes,
        metavar="MIN",
        help="go on, a round every 15m or 1h",
    )
    parser.add_argument("--dry-run", action="store_true", help="show what holds, send nothing")
    parser.epilog = (
        "exit codes: 0 nothing holds or all sent; 1 a message could not be sent; 2 input"
    )


def run(args: argparse.Namespace) -> int:
    """The command. Returns its exit code."""
    all_pots = load(args.pots)
    base = Path(args.pots[0]).resolve().parent
    if args.every is not None and not 0.0 < args.every <= MOST_EVERY:
        raise BadInput(f"--every {args.every:g}: allowed more than 0, up to {MOST_EVERY} minutes")
    where = args.database or base / listen.DATABASE
    if "://" not in str(where) and not Path(where).exists():
        raise BadInput(f"{show_path(str(where))}: no such database; run wakewell listen first")
    store = Store(where)
    while True:
        try:
            failed = once(store, all_pots, args)
        except (sa.exc.SQLAlchemyError, OSError) as error:
            why = str(getattr(error, "orig", None) or error).splitlines()[0]
            if args.every is None:
                raise BadInput(f"{why}; nothing more was sent, try again") from None
            failed = True
            print(f"waiting: {SECRET_URL.sub('(address)', why)}", file=sys.stderr, flush=True)
        if args.every is None:
            store.close()
            return 1 if failed else 0
        time.sleep(max(60.0, 60.0 * args.every))


def once(store: Store, all_pots: list[PotToRemind], args: argparse.Namespace) -> bool:
    """One round, told and drawn up. Returns True if a message could not be sent."""
    now = time.time()
    done = go_round(store, all_pots, None if args.dry_run else by_apprise, now)
    for pot, cause, since in done.open:
        when = datetime.fromtimestamp(since, UTC)
        print(f"{pot.name}: {cause.is_} (for the {cause.who}, since {when:%Y-%m-%d %H:%M} UTC)")
    if not done.open and args.every is None:
        print("nobody needs a reminder")
    for name, who, due in done.sent:
        print(
            f"{name}: sent to the {who}: {len(due)} cause{'s' if len(due) > 1 else ''}", flush=True
        )
    if args.calendar:
        beside = Path(args.calendar + ".part")
        beside.write_bytes(calendar(done, now))
        beside.replace(args.calendar)
    for text in done.failed:
        print(SECRET_URL.sub("(address)", text), file=sys.stderr, flush=True)
    return bool(done.failed)
