"""`wakewell listen`: its arguments, its words and its exit code."""

from __future__ import annotations

import argparse
import signal
import sys
import threading
import time
from datetime import datetime
from pathlib import Path

from wakewell.commands import given
from wakewell.commands.durations import seconds
from wakewell.radio import homes, newkey, unit
from wakewell.radio.listen import (
    DATABASE,
    MOST_SHOWN,
    Listener,
    Radio,
    alone,
    by_broker,
    by_post,
    folders_of,
    listen,
    name_of,
    sign,
)


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
    from wakewell.radio.beats import Beats
    from wakewell.radio.sharing import follow
    from wakewell.radio.store import ReportStore, share

    if args.unit:
        folders_of(args.pots)
        return given.show_unit(args, "hears what the pots tell", watched=True)
    found = folders_of(args.pots)
    folder, secret = next(iter(found.values()))
    base = folder.resolve().parent
    database = str(args.database or base / DATABASE)
    if "://" not in database:
        database = str(Path(database).absolute())
    lock = alone(database)
    folders = {board: f for board, (f, _) in found.items()}
    store = ReportStore(database, folders, {b: homes.marks(f) for b, f in folders.items()})
    sharing = share(store)
    radio = by_broker(found, database, sharing.place if sharing is not None else 0)
    posted = by_post(found, radio, args.post, args.certificate, args.key)
    where = [s.broker["host"] for _, s in found.values()]
    keys = {board: s.key for board, (_, s) in found.items()}

    def say(text: str) -> None:
        print(f"{datetime.now():%Y-%m-%d %H:%M:%S} {text}", file=sys.stderr, flush=True)

    if store.note:
        say(store.note)

    signs = Beats(store, name_of(database, 0 if sharing is None else sharing.place))

    def turn() -> None:
        sign(listener, radio, signs.beat)
        listener.clear_late(time.time())
        if sharing is not None and isinstance(radio, Radio):
            follow(sharing, radio.hear, listener.renew)

    def post(topic: str, payload: bytes) -> None:
        if posted is None or not posted.post(topic, payload):
            radio.post(topic, payload)

    names = {board: f.resolve().name for board, (f, _) in found.items()}
    shown = ", ".join(list(names.values())[:MOST_SHOWN])
    more = len(names) - MOST_SHOWN
    shown += f" and {more} more" if more > 0 else ""
    listener = Listener(keys, store, post, say, names if len(names) <= MOST_SHOWN else {})
    listener.next_keys = newkey.waiting(folders.items())
    if args.page is not None:
        from wakewell.radio.shown import Shown

        listener.shown = Shown(folders, args.page, say)
    if args.publish:
        from wakewell.radio import plain

        listener.publish, count = plain.publisher(radio)
        say(
            f"--publish: plain numbers of {count} of these pots go to the broker, on "
            "wakewell/BOARD/plain; they are not sealed: show them, and act on nothing by them"
        )
    metrics = None
    if args.metrics is not None:
        from wakewell.radio.metrics import Metrics, place_of

        metrics = Metrics(listener, *place_of(args.metrics))
        if not metrics.own:
            say(f"--metrics: anyone who can reach {args.metrics} can read these pots' numbers")
    until = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: until.set())
    if args.for_s is not None:
        timer = threading.Timer(args.for_s, until.set)
        timer.daemon = True
        timer.start()
    own = None
    if args.own_broker:
        from wakewell.radio.own_broker import OwnBroker

        own = OwnBroker(secret)
        own.start()
    if sharing is not None and isinstance(radio, Radio):
        radio.hear(sharing.mine)
        if not sharing.alone():
            say(f"shares these pots with other listeners; hears {len(radio.mine)} of them now")
    radio.start()
    if posted is not None:
        posted.start()
        where.append(f"port {args.post}")
    if listener.shown is not None:
        listener.shown.start()
    if metrics is not None:
        metrics.start()
    if listener.publish is not None:
        for board, last in store.pots(folders).items():
            listener.publish(board, last)
    at = " and ".join(dict.fromkeys(w for w in where if w))
    print(f"listening to {shown} at {at}; stop with Ctrl-C", flush=True)
    unit.alive(unit.STARTED)
    try:
        listen(listener, radio, until, base, turn)
    except KeyboardInterrupt:
        pass
    finally:
        if sharing is not None and isinstance(radio, Radio) and not sharing.alone():
            radio.hear([])  # others hear them now, so the broker need not keep anything for us
        if posted is not None:
            posted.stop()
        radio.stop()
        if own is not None:
            own.stop()
        if listener.shown is not None:
            listener.shown.stop()
        if metrics is not None:
            metrics.stop()
        if sharing is not None:
            sharing.stop()
        store.close()
        if lock is not None:
            lock.close()
    print(f"heard {listener.heard} reports, {listener.new} new lines; dropped {listener.bad}")
    return 0
