"""`wakewell tune`: its arguments and its exit code."""

from __future__ import annotations

import argparse

from wakewell.commands import given
from wakewell.tuning import study, told


def arguments(parser: argparse.ArgumentParser) -> None:
    """The command's arguments."""
    parser.add_argument("pot", metavar="POT", help="the pot's folder with its log in logs/")
    parser.add_argument(
        "--weather",
        metavar="FILE",
        help="a CSV file of the place's measured days: date, et0_mm and, if at hand, rain_mm and "
        "air_c; default: none",
    )
    given.option(parser, "--json")
    parser.epilog = (
        "exit codes: 0 fitted; 1 the log is too short or too tame, contradicts the folder, or the "
        "fit failed its own check; 2 input that cannot be used"
    )


def run(args: argparse.Namespace) -> int:
    """The command. 0: fitted; 1: nothing could be, or the folder is contradicted; 2: bad input."""
    found = study.held_out(study.fitted(study.opened(args.pot, args.weather)))
    failed = found.held is not None and bool(found.held.why)
    code = int(found.now is None or failed or any(fit.odd for fit in found.fits))
    if args.json:
        return given.show_json(args, code, [told.as_json(found) | {"good": not code}])
    print("\n".join(told.lines(found)))
    return code
