"""`wakewell commission`: its arguments, its words and its exit code."""

from __future__ import annotations

import argparse
from pathlib import Path

from wakewell.bench import calibrate
from wakewell.bench.bench_board import BenchBoard
from wakewell.bench.commission import STEPS, Answers, Session, carry_on, read_answers
from wakewell.commands import given
from wakewell.errors import BadInput
from wakewell.pot import pot_folder
from wakewell.pot.bench_book import Book
from wakewell.pot.board_file import board_id
from wakewell.usb.flash import match_ports


def arguments(parser: argparse.ArgumentParser) -> None:
    """The command's options."""
    parser.add_argument("pot", metavar="POT", help="the pot's folder")
    given.board(parser)
    parser.add_argument(
        "--answers",
        metavar="FILE",
        help='a TOML file with the answers, such as wiring.checked = "yes", a list where a '
        'question comes again; "hand" takes the figure that a desk board\'s hand reads; '
        "default: you are asked",
    )
    parser.add_argument(
        "--again", action="append", default=[], metavar="STEP",
        help="take this step once more; may be repeated; default: none. Steps: "
        + ", ".join(row[0] for row in STEPS),
    )  # fmt: skip
    parser.epilog = "exit codes: 0 all steps done; 1 stopped or a step failed; 2 no start"


def run(args: argparse.Namespace) -> int:
    """The command. Returns its exit code."""
    calibrate.need_fits()  # what is missing is told before an hour at the bench, not after it
    folder = Path(args.pot)
    pot = pot_folder.load(folder)
    if pot.about is None or not pot.parts or "calibration" not in pot.files:
        why = pot.problems[0] if pot.problems else "not complete"
        raise BadInput(f"{why}; correct it, then run this again")
    for name in args.again:
        if name not in [row[0] for row in STEPS]:
            raise BadInput(f"--again {name}: allowed {', '.join(row[0] for row in STEPS)}")
    answers = Answers(read_answers(Path(args.answers)) if args.answers else None)
    board = board_id(folder)
    if board is None:
        raise BadInput(f"{folder}: its board is not known yet; run wakewell flash {folder} first")
    port = match_ports([folder], args.port, True)[0][1]
    book = Book(folder)
    if book.begun:
        print(f"Going on with {book.path}.")
    with BenchBoard(folder, port, args.wait) as bench:
        answers.tell = bench.asked
        session = Session(folder, pot, book, bench, answers, board, bench.now)
        return carry_on(session, args.again)
