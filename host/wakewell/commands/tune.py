"""`wakewell tune`: its arguments and its exit code."""

from __future__ import annotations

import argparse
import json

from wakewell.tuning import study, told


def arguments(parser: argparse.ArgumentParser) -> None:
    """The command's arguments."""
    parser.add_argument("pot", metavar="POT", help="a pot's folder with its log in logs/")
    parser.add_argument(
        "--weather",
        metavar="CSV",
        help="measured days of the place: date, et0_mm and, if at hand, rain_mm, air_c",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.epilog = (
        "exit codes: 0 fitted; 1 the log is too short or too tame, or contradicts the folder; "
        "2 input that cannot be used"
    )


def run(args: argparse.Namespace) -> int:
    """The command. 0: fitted; 1: nothing could be, or the folder is contradicted; 2: bad input."""
    found = study.fitted(study.opened(args.pot, args.weather))
    if args.json:
        print(json.dumps(told.as_json(found), indent=2))
    else:
        print("\n".join(told.lines(found)))
    return int(found.now is None or any(fit.odd for fit in found.fits))
