"""Changes of behaviour made by hand, and which part of the assurance notices each.

A mutant changes a token (see `mutate`); a break changes what a pot does, as a plausible mistake
would: a patch of `device/` in tests/assurance/breaks, by somebody who has not seen the tests. It is
killed if something notices that looks from outside, where readings come in and commands,
records and stored state go out: a sequence, a pair of conditions, a life, the search; for the
board's own code also the tests that play a whole board. A test that calls a function inside does
not count. Each stage runs in a process of its own, on a copy of `device/` with the patch in it.

The words before a patch's diff:

    The second of two pulses is not counted in the day
    Breaks: R3, R9 : where a person would meet it, in as many lines as it takes
    Unseen: why nothing can notice it; only if that is so, and it does not count as killed
"""

from __future__ import annotations

import os
import random
import re
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
DEVICE = ROOT / "device"
FOLDER = ROOT / "tests" / "assurance" / "breaks"
SEQUENCES = ROOT / "tests" / "sequences"
BOARDS = ROOT / "tests" / "boards"
CORE_ALONE = "WAKEWELL_CORE_ALONE"  # set: the break is of the core, which plain sequences play
BREAKS = re.compile(r"^Breaks: ([^:]+) : \S", re.MULTILINE)
UNSEEN = re.compile(r"^Unseen: (.+)$", re.MULTILINE)
FILE = re.compile(r"^\+\+\+ b/device/(\S+)", re.MULTILINE)
MOST_S = 900  # of the processor, for one stage: whatever takes longer hangs
PAIRS, LIVES, RIG_LIVES, OUTCOME_LIVES = 1500, 1100, 60, 120
SEED = 1
# Tests that play a whole board, on the desk board or in files; none calls an inner function
BOARD_TESTS = (
    "usb/test_promises_kept.py",
    "usb/test_by_itself.py",
    "radio/test_desk_radio.py",
    "simulate/test_rig_board.py",
    "chip32/test_boots.py",
    "radio/test_entry.py",
    "usb/test_power_cuts.py",
)


class BadBreak(Exception):
    """A patch that cannot be judged: one line that says what is wrong and what to do."""


@dataclass(frozen=True)
class Break:
    """One change of behaviour. files: below device/. unseen: why nothing notices it, or ""."""

    path: Path
    title: str
    rules: tuple[str, ...]
    files: tuple[str, ...]
    unseen: str = ""

    @property
    def of_the_board(self) -> bool:
        """Does it change more than the core?"""
        return any(not name.startswith("wakecore/") for name in self.files)


def load(path: Path) -> Break:
    """The break in that file. Raises BadBreak."""
    text = path.read_text(encoding="utf-8")
    head = text.partition("\ndiff --git ")[0]
    title, said, unseen = head.split("\n")[0].strip(), BREAKS.search(head), UNSEEN.search(head)
    if not title or title.startswith(("Breaks:", "diff ", "---")):
        raise BadBreak(f"{path}: its first line says what a pot now does wrong, in words")
    known = [f"R{number}" for number in range(1, 19)]
    rules = tuple(re.findall(r"\w*\d+", said[1])) if said else ()
    if not rules or not set(rules) <= set(known):
        example = "Breaks: R3, R9 : where a person would meet it"
        raise BadBreak(f'{path}: no line before the diff like "{example}", of R1 to R18')
    files = tuple(FILE.findall(text))
    if not files:
        raise BadBreak(f"{path}: changes no file of device/; make it by git diff from the root")
    return Break(path, title, rules, files, unseen[1] if unseen else "")


@contextmanager
def broken(found: Break | None) -> Iterator[Path]:
    """A copy of device/ with that change in it (None: with none). Raises BadBreak."""
    with tempfile.TemporaryDirectory(prefix="wakewell-") as name:
        root = Path(name)
        unwanted = shutil.ignore_patterns("__pycache__", ".mypy_cache")
        shutil.copytree(DEVICE, root / "device", ignore=unwanted)
        if found is not None:
            # Outside any repository: otherwise git would take paths from there
            environment = {**os.environ, "GIT_CEILING_DIRECTORIES": str(root.parent)}
            git = ["git", "apply", "--whitespace=nowarn", str(found.path.resolve())]
            done = subprocess.run(git, cwd=root, env=environment, capture_output=True, text=True)
            if done.returncode:
                why = done.stderr.strip().split("\n")[0]
                todo = "make the same change on today's code, and write its diff into the file"
                raise BadBreak(f"{found.path}: does not apply ({why}): {todo}")
        yield root / "device"


# What may notice it. Each returns what it was, "" if all is as promised


def sequences_notice() -> str:
    """The first sequence that fails: of the core, of a board, or of the core played by a board."""
    from assurance import boarded, promises
    from wakewell.sequences import playing, sequence_file

    for path in sorted(SEQUENCES.glob("*.toml"), key=lambda path: path.stat().st_size):
        sequence = sequence_file.load(path)
        if playing.check(sequence) or any(promises.broken(sequence, playing.run(sequence))):
            return path.stem
    for path in sorted(BOARDS.glob("*.toml")):
        if boarded.check(boarded.load(path)):
            return f"boards/{path.stem}"
    if os.environ.get(CORE_ALONE):
        return ""
    for sequence in boarded.plain(SEQUENCES):
        if boarded.check(sequence):
            return f"{sequence.path.stem} on a whole board"
    return ""


def pairs_notice() -> str:
    """The first pair of conditions that breaks a promise."""
    from assurance import pairs

    _, found = pairs.seek(SEED, PAIRS)
    return found[0].line if found else ""


def lives_notice() -> str:
    """The first life that breaks a rule, on the bench of the search or on the rig, or an outcome:
    as many and the same ones each time."""
    from assurance import adversary, outcomes, rigged

    _, _, found = adversary.seek(SEED, LIVES)
    if found:
        return f"{found[0].rule}, {found[0].corner.name}: {found[0].why}"
    _, _, _, rigs = rigged.seek(SEED, RIG_LIVES)
    if rigs:
        return f"{rigs[0].wrong.rule}: {rigs[0].line}"
    for done in outcomes.many(SEED, 0, OUTCOME_LIVES, 1, float("inf")):
        for life, came in done:
            if came.broken:
                return f"{life.line}: {came.broken[0]}"
    return ""


def search_notices() -> str:
    """The first violation in the corners that a check searches too, for as long."""
    from assurance import corners, explore

    for corner in corners.CORNERS:
        if corner.quick >= 0:
            result = explore.Search(corner, quick=True).run(seconds=2.0)
            if result.found:
                return f"{result.found[0].rule}, {corner.name}: {result.found[0].why}"
    return ""


def files_notice() -> str:
    """The first operation on a file whose failure, or damage of one, does what it must not."""
    from assurance import damaged, nth

    try:
        damaged.every()
        nth.file_operations()
        nth.board_calls()
    except nth.Broken as wrong:
        return str(wrong)
    return ""


def board_notices() -> str:
    """The first test of a whole board that fails."""
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "-m"]
    command += ["not nightly", *(f"tests/{name}" for name in BOARD_TESTS)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True)
    if done.returncode == 0:
        return ""
    failed = re.search(r"^(?:FAILED|ERROR) (\S+)", done.stdout, re.MULTILINE)
    return failed[1] if failed else f"pytest ended with {done.returncode}"


# The quickest ones first
STAGES: dict[str, Callable[[], str]] = {
    "sequences": sequences_notice,
    "files": files_notice,
    "pairs": pairs_notice,
    "lives": lives_notice,
    "search": search_notices,
    "board": board_notices,
}
OF_THE_BOARD = ("board",)
QUICK = ("sequences", "files")


@dataclass(frozen=True)
class BreakVerdict:
    """What became of one break. by: the stage that noticed it, "" if none did. told: what it said,
    or why the patch cannot be judged (unfit)."""

    path: Path
    by: str = ""
    told: str = ""
    unfit: bool = False
    unseen: str = ""  # why nothing can notice it


def judged(path: Path, names: Iterable[str]) -> BreakVerdict:
    """The break in that file, held against those stages until one notices it."""
    try:
        found = load(path)
        with broken(found) as device:
            for name in names:
                if name not in OF_THE_BOARD or found.of_the_board:
                    told = staged(name, device, core_alone=not found.of_the_board)
                    if told:
                        return BreakVerdict(path, name, told)
    except BadBreak as wrong:
        return BreakVerdict(path, told=str(wrong), unfit=True)
    return BreakVerdict(path, unseen=found.unseen)


def staged(name: str, device: Path, core_alone: bool = False) -> str:
    """What that stage says of this code, from a process of its own."""
    command = [sys.executable, "-B", "-m", "assurance.breaks", name]
    places = (str(device), str(ROOT / "tools"))
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(places)}
    environment[CORE_ALONE] = "1" if core_alone else ""
    done = subprocess.run(command, env=environment, capture_output=True, text=True)
    if done.returncode == 0:
        return done.stdout.strip()
    return done.stderr.strip().rsplit("\n", 1)[-1] or "it never ended"


def all_paths() -> list[Path]:
    """Every patch, in the order of their numbers."""
    return sorted(FOLDER.glob("*.patch"))


def chosen(most: int, seed: int) -> list[Path]:
    """So many of them by the seed, in the order of their numbers."""
    paths = all_paths()
    return sorted(random.Random(seed).sample(paths, min(most, len(paths))))


def plain_fails(names: Iterable[str]) -> str:
    """What a stage says of the code as it is: then it can judge no break. "" if all is well."""
    with broken(None) as device:
        for name in names:
            if told := staged(name, device):
                return f"{name}: {told}"
    return ""


def run(
    todo: list[Path], names: Iterable[str], workers: int = 1
) -> Generator[BreakVerdict, None, None]:
    """The verdicts, in order. RuntimeError if the code as it is fails. workers: so many at once."""
    names = list(names)
    pool = ThreadPoolExecutor(workers)  # a thread only waits for its process
    try:
        plain = pool.submit(plain_fails, names)
        done = pool.map(lambda path: judged(path, names), todo)
        if told := plain.result():
            raise RuntimeError(f"the code as it is fails: {told}")
        yield from done
    finally:
        pool.shutdown(cancel_futures=True)


def main() -> int:
    """One stage, on the code that PYTHONPATH names; its word on standard output."""
    import wakecore

    device = os.environ["PYTHONPATH"].split(os.pathsep)[0]
    assert str(wakecore.__file__).startswith(device), "the copy is not in force"
    if hasattr(signal, "setitimer"):  # of processor time: a busy machine is no hang
        signal.setitimer(signal.ITIMER_PROF, MOST_S)
    print(STAGES[sys.argv[1]]())
    return 0


if __name__ == "__main__":
    sys.exit(main())
