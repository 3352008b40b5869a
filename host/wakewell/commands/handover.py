"""`wakewell handover`: its arguments, its words and its exit code."""

from __future__ import annotations

import argparse
from datetime import date

from wakewell.commands import given
from wakewell.errors import BadInput
from wakewell.radio.handover import hand_over
from wakewell.usb.flash import match_ports
from wakewell.usb.link import BoardLost


def arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument("pot", metavar="POT", help="the pot's folder")
    given.board(parser)
    given.option(parser, "--new-key", "with the same broker and no Wi-Fi, also on the board")
    given.option(parser, "--yes")
    parser.epilog = "exit codes: 0 handed over; 2 not, with the reason"


def run(args: argparse.Namespace) -> int:
    """The command. Returns its exit code."""
    folder = given.pot_folder(args.pot)
    if not args.yes:
        print("This deletes the key, Wi-Fi and broker of this pot, here and on its board.")
        if input("Type yes to go on: ").strip() != "yes":
            raise BadInput("nothing was changed; type yes, or give --yes")
    (pair,) = match_ports([folder], args.port, True)
    try:
        rows = hand_over(folder, pair[1], date.today(), args.wait, args.new_key)
        print(*rows, sep="\n")
    except BoardLost as error:
        raise BadInput(f"{error}; run the same command again") from None
    return 0
