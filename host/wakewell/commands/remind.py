"""`wakewell remind`: its arguments, its words and its exit code."""

from __future__ import annotations

import argparse
import sys
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from wakewell import terminal
from wakewell.commands import given
from wakewell.commands.durations import seconds
from wakewell.errors import BadInput
from wakewell.pot import private
from wakewell.radio import listen
from wakewell.radio.remind import (
    LEAST_EVERY_S,
    LISTENER,
    MOST_EVERY_S,
    SECRET_URL,
    PotToRemind,
    Round,
    by_apprise,
    calendar,
    go_round,
    load,
)
from wakewell.radio.store import ReportStore, sa, why_of


def arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument("pots", nargs="+", metavar="POT", help="the pots' folders")
    given.option(parser, "--database", f"default: {listen.DATABASE} beside the first pot")
    parser.add_argument(
        "--calendar", metavar="FILE",
        help="write the open tasks into this iCalendar file; default: none",
    )  # fmt: skip
    given.option(parser, "--every", "1m to 1d; default: once", type=seconds)
    given.option(parser, "--unit")
    given.option(parser, "--dry-run")
    given.option(parser, "--json")
    parser.epilog = (
        "exit codes: 0 nothing to tell, or everything was sent; 1 a message could not be sent; 2 "
        "input that cannot be used"
    )


def run(args: argparse.Namespace) -> int:
    """The command. Returns its exit code."""
    all_pots = load(args.pots)
    base = Path(args.pots[0]).resolve().parent
    given.check_every(args, LEAST_EVERY_S, MOST_EVERY_S, "1m to 1d, such as 15m")
    if args.every is not None and args.json:
        raise BadInput("--json tells of one round; leave --every out")
    if args.unit:
        if args.every is None:
            raise BadInput("--unit: give --every too, such as --every 15m")
        return given.show_unit(args, "reminds people of what their pots need")
    store = ReportStore(given.existing_database(args.database or str(base / listen.DATABASE)))
    if store.note:
        print(store.note, file=sys.stderr)
    while True:
        try:
            failed = once(store, all_pots, args)
        except (sa.exc.SQLAlchemyError, OSError) as error:
            why = why_of(error)
            if args.every is None:
                raise BadInput(f"{why}; nothing more was sent, try again") from None
            failed = True
            print(f"waiting: {SECRET_URL.sub('(address)', why)}", file=sys.stderr, flush=True)
        if args.every is None:
            store.close()
            return 1 if failed else 0
        time.sleep(args.every)


def once(store: ReportStore, all_pots: list[PotToRemind], args: argparse.Namespace) -> bool:
    """One round, told and drawn up. Returns True if a message could not be sent."""
    now = time.time()
    done = go_round(store, all_pots, None if args.dry_run else by_apprise, now)
    if not args.json:
        tell(done, args)
    if args.calendar:
        beside = Path(args.calendar + ".part")
        beside.write_bytes(calendar(done, now))
        beside.replace(args.calendar)
    for text in done.failed:
        terminal.tell(terminal.Bad(SECRET_URL.sub("(address)", text)), to=sys.stderr)
    if args.json:
        unheard = [cause.is_ for pot, cause, _ in done.open if pot.board == LISTENER]
        results = results_of(done, all_pots)
        given.show_json(args, 1 if done.failed else 0, results, listener=unheard)
    return bool(done.failed)


def tell(done: Round, args: argparse.Namespace) -> None:
    """A round in words."""
    for pot, cause, since in done.open:
        print(f"{pot.name}: {cause.is_} (for the {cause.who}, since {_utc(since)} UTC)")
    if not done.open and args.every is None:
        print("nobody needs a reminder")
    for name, who, due in done.sent:
        whom = f"the {who}" if who in private.PEOPLE else who
        print(f"{name}: sent to {whom}: {len(due)} cause{'s' if len(due) > 1 else ''}", flush=True)


def results_of(done: Round, all_pots: list[PotToRemind]) -> list[dict[str, Any]]:
    """What holds for each pot, and who was told, for a machine."""
    results = []
    for pot in all_pots:
        causes = [
            {"key": cause.key, "for": cause.who, "since": _utc(since), "text": cause.is_}
            for found, cause, since in done.open
            if found is pot
        ]
        sent = [who for name, who, _ in done.sent if name == pot.name]
        results.append({"name": pot.name, "good": not causes, "causes": causes, "sent_to": sent})
    return results


def _utc(time_s: float) -> str:
    return f"{datetime.fromtimestamp(time_s, UTC):%Y-%m-%d %H:%M}"
