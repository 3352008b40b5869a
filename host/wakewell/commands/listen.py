"""`wakewell listen`: its arguments, its words and its exit code."""

from __future__ import annotations

import argparse
import signal
import sys
import threading
from datetime import datetime
from pathlib import Path

from wakewell.commands import given
from wakewell.commands.durations import seconds
from wakewell.radio import unit
from wakewell.radio.listen import DATABASE, folders_of


def arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument("pots", nargs="+", metavar="POT", help="the pots' folders")
    given.option(parser, "--database", f"default: {DATABASE} beside the pots")
    parser.add_argument(
        "--own-broker", action="store_true", help="be the broker as well, for a first try"
    )
    parser.add_argument(
        "--post", type=int, metavar="NUMBER",
        help="take what pots post over HTTPS, on this TCP port; default: only from the broker",
    )  # fmt: skip
    parser.add_argument(
        "--certificate",
        type=Path,
        metavar="PEM",
        help="with --post, needed: the server's certificate; default: none",
    )
    parser.add_argument(
        "--key", type=Path, metavar="PEM", help="with --post: its key; default: in the same file"
    )
    given.option(
        parser,
        "--page",
        "kept up to date as reports come, with the round (index.html); default: no pages",
        type=Path,
    )
    parser.add_argument(
        "--metrics",
        metavar="HOST:PORT",
        help="serve each pot's newest numbers as OpenMetrics text, at /metrics; a port's number "
        "alone: for this computer only; else anyone who can reach it can read them; default: none",
    )
    parser.add_argument(
        "--publish",
        action="store_true",
        help="also leave each pot's newest numbers at its broker, retained, as plain SenML on "
        "wakewell/BOARD/plain: never keys, names or the Wi-Fi, but not sealed as reports are, so "
        "anyone who may write there can forge them",
    )
    parser.add_argument(
        "--for",
        dest="for_s",
        type=seconds,
        metavar="TIME",
        help="stop after this time; default: go on until Ctrl-C",
    )
    given.option(parser, "--unit")
    parser.epilog = "exit codes: 0 stopped; 2 it cannot listen, with the reason"


def run(args: argparse.Namespace) -> int:
    """The command. Returns its exit code."""
    from wakewell.radio.hearing import Hearing, Wanted

    found = folders_of(args.pots)
    if args.unit:
        return given.show_unit(args, "hears what the pots tell", watched=True)
    wanted = Wanted(
        database=args.database, own_broker=args.own_broker,
        post=args.post, certificate=args.certificate, key=args.key,
        page=args.page, metrics=args.metrics, publish=args.publish,
    )  # fmt: skip
    hearing = Hearing(found, wanted, say)
    until = end_of(args.for_s)
    hearing.start()
    print(f"listening to {hearing.shown} at {hearing.at}; stop with Ctrl-C", flush=True)
    unit.alive(unit.STARTED)
    try:
        hearing.listen(until)
    except KeyboardInterrupt:
        pass
    finally:
        hearing.stop()
    heard = hearing.listener
    print(f"heard {heard.heard} reports, {heard.new} new lines; dropped {heard.bad}")
    return 0


def say(text: str) -> None:
    """A line of what it does, with the time."""
    print(f"{datetime.now():%Y-%m-%d %H:%M:%S} {text}", file=sys.stderr, flush=True)


def end_of(for_s: float | None) -> threading.Event:
    """Set when the command shall end: by SIGTERM, or after that time."""
    until = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: until.set())
    if for_s is not None:
        timer = threading.Timer(for_s, until.set)
        timer.daemon = True
        timer.start()
    return until
