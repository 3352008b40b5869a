"""`wakewell pull`: its arguments, its words and its exit code."""

from __future__ import annotations

import argparse
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from wakewell.commands import given
from wakewell.errors import BadInput
from wakewell.log.times import span_text
from wakewell.terminal import Bad, tell
from wakewell.usb.flash import match_ports
from wakewell.usb.link import BoardLost
from wakewell.usb.pull import pull_one


def arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument("pots", nargs="+", metavar="POT", help="the pots' folders")
    given.board(parser, "one for each pot, in their order")
    given.option(parser, "--json")
    parser.epilog = "exit codes: 0 pulled; 1 pulled, but some lines are damaged; 2 not pulled"


def run(args: argparse.Namespace) -> int:
    """The command. Returns its exit code."""
    folders = [given.pot_folder(name) for name in args.pots]
    pairs = match_ports(folders, args.port, True)
    code = 0
    results: list[dict[str, Any]] = []
    with ThreadPoolExecutor(max_workers=max(1, len(pairs))) as pool:
        jobs = [(folder, pool.submit(pull_one, folder, port, args.wait)) for folder, port in pairs]
        for folder, job in jobs:
            try:
                pulled = job.result()
            except (BadInput, BoardLost) as error:
                given.not_done(args, results, folder.name, "NOT pulled", error)
                code = 2
                continue
            whole = not pulled.bad and not pulled.left
            results.append({"name": pulled.pot, "good": whole} | vars(pulled))
            code = max(code, 0 if whole else 1)
            if args.json:
                continue
            print(
                f"{pulled.pot}: {pulled.wakes} new wake{'s' * (pulled.wakes != 1)}, "
                f"{pulled.bytes} bytes; it sleeps for another {span_text(pulled.sleep_s)}"
            )
            tell(*(Bad(f"  damaged: {bad}") for bad in pulled.bad))
            tell(*(Bad(f"  left on the board: {left}") for left in pulled.left))
            for note in pulled.notes:
                print(f"  note: {note}")
    return given.show_json(args, code, results) if args.json else code
