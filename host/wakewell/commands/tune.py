"""`wakewell tune`: its arguments and its exit code."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from pathlib import Path

import msgspec

from wakewell import drawing
from wakewell.commands import given
from wakewell.errors import BadInput
from wakewell.kept import keep_old, writing
from wakewell.log import parcel, taken
from wakewell.terminal import tell
from wakewell.tomlfile import show_path
from wakewell.tuning import proposals, sheet, study, taking, told
from wakewell.tuning.proposals import Effort
from wakewell.tuning.study import Study

MOST_WORKERS = 256


def arguments(parser: argparse.ArgumentParser) -> None:
    """The command's arguments."""
    parser.add_argument("pot", metavar="POT", help="the pot's folder with its log in logs/")
    parser.add_argument(
        "--weather",
        metavar="FILE",
        help="a CSV file of the place's measured days: date, et0_mm and, if at hand, rain_mm and "
        "air_c; default: none",
    )
    parser.add_argument(
        "--with", dest="others", metavar="POT", nargs="+", default=[],
        help="pots of the same substrate, plant and place with logs of their own, which say first "
        "what is likely; default: none",
    )  # fmt: skip
    parser.add_argument(
        "--fit-only", action="store_true", help="fit and check the twin; propose nothing"
    )
    parser.add_argument(
        "--take", type=int, metavar="N",
        help="write the proposal of that number into settings.toml, a copy of the old one kept, "
        "and remember what it foretold; default: take none",
    )  # fmt: skip
    given.option(parser, "--picture", "default: no picture")
    given.option(parser, "--workers", type=int, default=1)
    given.option(parser, "--dask")
    given.option(parser, "--json")
    parser.epilog = (
        "exit codes: 0 fitted; 1 the log is too short or shows too little change, contradicts the "
        "folder, or the fit failed its own check; 2 input that cannot be used"
    )


def run(args: argparse.Namespace) -> int:
    """The command. 0: fitted; 1: nothing could be, or the folder is contradicted; 2: bad input."""
    if not 1 <= args.workers <= MOST_WORKERS:
        raise BadInput(f"--workers {args.workers}: allowed 1 to {MOST_WORKERS}")
    if args.take is not None and args.take < 1:
        raise BadInput(f"--take {args.take}: allowed 1 or more; wakewell tune shows the proposals")
    if args.take is not None and args.fit_only:
        raise BadInput("--take takes a proposal, and --fit-only makes none: leave one of them out")
    if args.picture:
        drawing.form_of(Path(args.picture))
        drawing.converter()
    with parcel.opened([Path(args.pot), *map(Path, args.others)]) as (pot, *others):
        if args.take is not None and pot != Path(args.pot):
            raise BadInput(
                f"--take: {show_path(args.pot)} is a parcel; take it in the pot's folder"
            )
        found = study.opened(str(pot), args.weather)
        study.with_others(found, [str(other) for other in others])
        return _told(args, study.held_out(study.fitted(found)))


def _told(args: argparse.Namespace, found: Study) -> int:
    """What was found, shown or written. The exit code."""
    failed = found.held is not None and bool(found.held.why)
    code = int(found.now is None or failed or any(fit.odd for fit in found.fits))
    if not args.json:
        tell(*told.lines(found), *told.outcome_lines(found))
    made, why = (None, "") if args.fit_only else _proposed(args, found)
    done = None
    if args.take is not None:
        if made is None:
            raise BadInput(f"--take {args.take}: there is no proposal: {why}")
        done = taking.take(found, made, args.take)
    if args.picture:
        file = Path(args.picture)
        with writing(args.picture):
            keep_old(file)
            file.write_bytes(sheet.of(found, made, drawing.form_of(file)))
    if args.json:
        row = told.as_json(found) | {"good": not code, "not_proposed": why}
        row["proposals"] = None if made is None else asdict(made)
        row["taken"] = msgspec.to_builtins(
            taken.outcomes(found.folder.path, found.log), str_keys=True
        )
        return given.show_json(args, code, [row])
    if made is not None:
        print("\n".join(told.proposal_lines(made)))
        if done is not None:
            print("\n".join(told.taken_lines(done, show_path(args.pot))))
    elif why:
        print(f"  no proposal  {why}")
    return code


def _proposed(args: argparse.Namespace, found: Study) -> tuple[proposals.Proposals | None, str]:
    """The proposals, or why there are none."""
    why = proposals.why_not(found)
    if why:
        return None, why
    return proposals.made(found, Effort(workers=args.workers, dask=args.dask)), ""
