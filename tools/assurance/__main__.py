"""Runs the parts of the assurance and prints what they came to. `tools/assure.py` calls it."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from tempfile import TemporaryFile
from typing import Any

from assurance import corners, mutate_host, parts, recorded
from assurance.parts import PartFigures, PersonAsked

PARTS: dict[str, Callable[[PersonAsked], PartFigures]] = {
    "search": parts.search,
    "nth": parts.each_nth,
    "pairs": parts.paired,
    "lives": parts.lives,
    "rig": parts.rig,
    "outcomes": parts.outcomes,
    "fuzz": parts.fuzzed,
    "wakes": parts.wakes,
    "coverage": parts.coverage,
    "mutants": parts.mutants,
    "breaks": parts.behaviour,
    "host": parts.host,
}
# Not in --quick: where tests, which a check runs beside it, play the same in short
IN_TESTS = {
    "nth": "tests/assurance/test_nth.py and test_breaks.py",
    "pairs": "tests/assurance/test_breaks.py",
    "lives": "tests/assurance/test_adversary.py",
    "rig": "tests/assurance/test_rigged.py",
    "outcomes": "tests/assurance/test_lives.py",
    "fuzz": "tests/assurance/test_fuzz.py",
    "wakes": "tests/assurance/test_parts.py and tests/core/test_both_interpreters.py",
    "coverage": "tests/core, not counted",
    "breaks": "tests/assurance/test_breaks.py",
    "host": "tests/assurance/test_parts.py",
}
QUICK_S = 0.5  # of the processor, at most for one corner, in --quick
ORDER = (
    "states",
    "transitions",
    "violations",
    "mutants",
    "mutants_killed",
    "branch_coverage",
    "fuzz_inputs",
)


def positive(text: str) -> float:
    """A time above 0."""
    value = float(text)
    if not 0.0 < value < float("inf"):
        raise argparse.ArgumentTypeError(f"{text}: allowed above 0")
    return value


def count(text: str) -> int:
    """A number of things, from 1."""
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text}: allowed whole numbers from 1")
    return int(text)


def part(name: str, asked: PersonAsked) -> PartFigures:
    """What a part comes to."""
    asked.say(f"== {name}")
    return PARTS[name](asked)


def played(names: list[str], asked: PersonAsked) -> Iterator[tuple[str, PartFigures]]:
    """What each part comes to, in their order.

    In a check they run side by side: most are one processor's work. Only the search, which shares
    itself out, runs alone; and whatever is to be recorded, in one file.
    """
    together = [name for name in names if name != "search"]
    if not asked.quick or asked.record or len(together) < 2 or os.name == "nt":
        for name in names:
            yield name, part(name, asked)
        return
    if "search" in names:
        yield "search", part("search", asked)
    with ProcessPoolExecutor(os.cpu_count(), get_context("fork")) as pool:
        # The longest first
        todo = sorted(together, key=lambda name: name not in ("coverage", "mutants", "host"))
        begun = {name: pool.submit(part, name, asked) for name in todo}
        for name in together:
            yield name, begun[name].result()


def main() -> int:
    parser = argparse.ArgumentParser(prog="assure", description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--quick", action="store_true", help="what a check runs; says what it left")
    parser.add_argument("--json", action="store_true", help="print the figures as one JSON object")
    parser.add_argument("--only", action="append", choices=PARTS, help="only this part")
    names = [corner.name for corner in corners.CORNERS]
    parser.add_argument(
        "--corner", action="append", choices=names, metavar="CORNER",
        help="search only this corner; with --record the others' figures stay",
    )  # fmt: skip
    parser.add_argument(
        "--seconds", type=positive, default=600.0, help="of the processor, for one corner"
    )
    parser.add_argument("--seed", type=int, default=1, help="of everything that is chosen")
    parser.add_argument(
        "--found", type=Path, default=Path("build/assure"), help="for what is found"
    )
    parser.add_argument(
        "--most", type=count, default=parts.HOST_MUTANTS, metavar="N",
        help=f"mutants of the host, spread over its modules (default {parts.HOST_MUTANTS})",
    )  # fmt: skip
    parser.add_argument(
        "--module", action="append", choices=mutate_host.modules(), metavar="MODULE",
        help="mutants of the host only in the groups of these modules, as budget/sizing.py",
    )  # fmt: skip
    parser.add_argument(
        "--workers", type=count, default=os.cpu_count() or 1, metavar="N",
        help="lives, or mutants of the host, at a time (default: one a processor)",
    )  # fmt: skip
    parser.add_argument("--minutes", type=positive, help="at most, for each part but nth")
    parser.add_argument("--record", action="store_true", help="keep the figures for the note")
    parser.add_argument(
        "--go-on", action="store_true",
        help="only what this core's record lacks: corners, lives, mutants that survived",
    )  # fmt: skip
    parser.add_argument("--note", action="store_true", help="write SAFETY.md from the last run")
    given = parser.parse_args()
    if given.corner and given.only and "search" not in given.only:
        parser.error("--corner chooses what is searched: add --only search, or leave it out")
    if given.note:
        from assurance import note  # its words come from what reads logs: the search needs none

        for path in note.NOTES:
            path.write_text(note.text(), encoding="utf-8")
            print(f"written: {path}")
        return 0
    try:
        given.found.mkdir(parents=True, exist_ok=True)
        with TemporaryFile(dir=given.found):
            pass
    except OSError as wrong:
        parser.error(f"--found {given.found}: {wrong.strerror}; name a folder that can be written")
    seconds = min(given.seconds, QUICK_S) if given.quick else given.seconds
    asked = PersonAsked(given.quick, seconds, given.seed, given.found, given.corner, given.json)
    asked.record, asked.go_on = given.record, given.go_on
    asked.host_mutants, asked.workers = given.most, given.workers
    asked.modules = given.module
    if given.minutes:
        asked.lives_s = 60 * given.minutes
    figures: dict[str, Any] = {"violations": 0}
    left_out: list[str] = []
    shortened = IN_TESTS if given.quick and not given.only else {}
    left_out += [f"{name}: in short in {place}" for name, place in shortened.items()]
    chosen = given.only or [name for name in PARTS if name not in shortened]
    for name, found in played(chosen, asked):
        if given.record:
            recorded.record(name, given.quick, dict(found.numbers), found.left_out, found.more)
        figures["violations"] += found.numbers.pop("violations", 0)
        figures |= found.numbers
        left_out += found.left_out
    ordered = {name: figures[name] for name in ORDER if name in figures}
    ordered |= {name: value for name, value in figures.items() if name not in ordered}
    ordered["left_out"] = left_out
    if given.json:
        print(json.dumps(ordered))
    else:
        for name, value in ordered.items():
            print(f"{name}: {'; '.join(value) or 'nothing' if name == 'left_out' else value}")
    settled = (
        "mutants_killed", "mutants_alike", "host_mutants_killed", "host_mutants_explained",
        "breaks_killed", "breaks_explained",
    )  # fmt: skip
    unexplained = sum(figures.get(name, 0) for name in ("mutants", "host_mutants", "breaks"))
    unexplained -= sum(figures.get(name, 0) for name in settled)
    return 1 if figures["violations"] or unexplained else 0


if __name__ == "__main__":
    try:
        code = main()
    except KeyboardInterrupt:
        print("Stopped. What --record kept so far stays: --go-on begins there.", file=sys.stderr)
        code = 130
    sys.exit(code)
