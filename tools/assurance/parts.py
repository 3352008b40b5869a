"""The parts of the assurance as `__main__` runs them: each plays, tells, returns its figures."""

from __future__ import annotations

import importlib.util
import os
import random
import re
import signal
import sys
import time
from binascii import crc32
from dataclasses import dataclass, field
from multiprocessing import Pool
from pathlib import Path
from typing import Any

from tqdm import tqdm

from assurance import (
    adversary,
    breaks,
    corners,
    covered,
    damaged,
    explore,
    fuzz,
    generated,
    letters,
    monitor,
    mutate,
    mutate_host,
    nth,
    pairs,
    projection,
    recorded,
    tell,
    world,
)
from wakeboard import driver
from wakewell.core import core_id
from wakewell.interpreters import chip32, interpreter

QUICK_MUTANTS, QUICK_BREAKS, QUICK_PAIRS = 12, 6, 200
# Corners that tests search to their end at every check. Not in corners.py: search_id() reads it
SEARCHED_IN_TESTS = ("begin", "cell", "soil", "run", "saucer", "unready")
HOST_MUTANTS, QUICK_HOST_MUTANTS = 350, 12
# Figures of generated wakes, by the interpreter that agreed
INTERPRETERS = {interpreter.UNIX: "same_wakes", interpreter.CHIP: "same_wakes_32_bits"}


@dataclass
class PersonAsked:
    """What the person asked for."""

    quick: bool
    seconds: float
    seed: int
    found: Path  # folder for sequences of what is found
    corners: list[str] | None
    quiet: bool
    lives_s: float = 1e9
    record: bool = False
    go_on: bool = False  # from the record: corners not at their end, mutants that survived
    host_mutants: int = HOST_MUTANTS
    workers: int = os.cpu_count() or 1  # at a time, of the host's mutants
    modules: list[str] | None = None  # of the host: only the groups that these are in

    def say(self, line: str) -> None:
        """Tell a line, past any progress bar; with --json on the side."""
        tqdm.write(line, file=sys.stderr if self.quiet else sys.stdout)

    def keep(self, name: str, text: str) -> Path:
        """Write a sequence of what was found; an earlier one of that name is kept."""
        self.found.mkdir(parents=True, exist_ok=True)
        stem = re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_")
        path = self.found / f"{stem}.toml"
        for number in range(2, 1000):
            if not path.exists() or path.read_text() == text:
                break
            path = self.found / f"{stem}_{number}.toml"
        path.write_text(text)
        return path


@dataclass
class PartFigures:
    """What a part came to, and what it did not do."""

    numbers: dict[str, Any]
    left_out: list[str] = field(default_factory=list)
    more: dict[str, Any] = field(default_factory=dict)  # for the record alone


def explored(
    job: tuple[corners.Corner, bool, float, float],
) -> tuple[corners.Corner, explore.Result | None]:
    """One corner's search, in a process of its own; None if it was not begun before its end.

    job: corner, quick?, seconds of the processor, and until when to begin (time.monotonic).
    """
    corner, quick, seconds, end_s = job
    if time.monotonic() > end_s:
        return corner, None
    return corner, explore.Search(corner, quick).run(
        most_found=3, seconds=seconds, told=lambda text: tqdm.write(text, file=sys.stderr)
    )


def search(asked: PersonAsked) -> PartFigures:
    """The exhaustive search, a corner to a processor; each is on record once it is done."""
    rows = searched() if asked.go_on or (asked.record and asked.corners) else {}
    ended = {
        name
        for name, row in rows.items()
        if asked.go_on and not row["waiting"] and not row["violations"]
    }
    chosen = [
        corner
        for corner in corners.CORNERS
        if (corner.name in asked.corners if asked.corners else not asked.quick or in_quick(corner))
        and corner.name not in ended
    ]
    # The wide ones last: a run that is bounded in time ends as many as it can
    chosen.sort(key=lambda corner: len({"tank", "storage"} & set(corner.themes)))
    end_s = time.monotonic() + asked.lives_s
    jobs = [(corner, asked.quick and corner.quick >= 0, asked.seconds, end_s) for corner in chosen]
    # Ctrl-C ends the pool, and the pool ends its searches
    with Pool(os.cpu_count(), signal.signal, (signal.SIGINT, signal.SIG_IGN)) as pool:
        done = pool.imap_unordered(explored, jobs)
        for corner, result in tqdm(
            done, total=len(jobs), unit="corner", disable=None, file=sys.stderr
        ):
            if result is None:
                continue
            asked.say(result.line)
            rows[corner.name] = {
                "states": result.states,
                "transitions": result.transitions,
                "waiting": result.frontier,
                "violations": len(result.found),
                "longest_cure_wakes": result.longest_cure,
            }
            if asked.record:
                so_far = summed(rows)
                recorded.record("search", asked.quick, so_far.numbers, so_far.left_out, so_far.more)
            for found in result.found:
                told_of(asked, found, corner.name)
    return summed(rows)


def in_quick(corner: corners.Corner) -> bool:
    """Searched in --quick: small enough, and not to its end by a test beside it."""
    return corner.quick >= 0 and corner.name not in SEARCHED_IN_TESTS


def searched() -> dict[str, dict[str, int]]:
    """{corner: what its search came to} as last recorded, if by this search of this very core."""
    kept = recorded.last_run().get("search", {})
    if kept.get("core") != core_id() or kept.get("by") != search_id() or kept["quick"]:
        return {}
    known = {corner.name for corner in corners.CORNERS}
    return {name: row for name, row in kept["rows"].items() if name in known}


def search_id() -> str:
    """CRC-32 of what a search judges by: a stricter one does not go on from another's rows."""
    crc = 0
    for module in (corners, explore, letters, monitor, projection, world, driver):
        crc = crc32(Path(str(module.__file__)).read_bytes(), crc)
    return f"{crc:08x}"


def summed(rows: dict[str, dict[str, int]]) -> PartFigures:
    """The figures of a search, from those of its corners."""
    numbers = {key: sum(row[key] for row in rows.values()) for key in ("states", "transitions")}
    numbers["corners"] = len(rows)
    numbers["corners_ended"] = sum(not row["waiting"] for row in rows.values())
    numbers["violations"] = sum(row["violations"] for row in rows.values())
    numbers["longest_cure_wakes"] = max(
        (row["longest_cure_wakes"] for row in rows.values()), default=0
    )
    left_out = [
        f'corner "{name}": {row["waiting"]} states not left'
        for name, row in rows.items()
        if row["waiting"] and not row["violations"]
    ]
    missing = [f'"{corner.name}"' for corner in corners.CORNERS if corner.name not in rows]
    if missing:
        of = f"{len(missing)} of {len(corners.CORNERS)} corners of the search"
        left_out.append(f"{of}: {', '.join(missing)}")
    return PartFigures(numbers, left_out, {"by": search_id(), "rows": rows})


def told_of(asked: PersonAsked, found: explore.BrokenPath, name: str) -> None:
    """Keep and tell a violation."""
    text = tell.sequence(found.corner, found.path, found.rule, found.why, found.expected)
    path = asked.keep(f"{found.rule} {name}", text)
    asked.say(f"  {found.rule} is broken: {found.why}")
    asked.say(f"  replay it: wakewell replay {path}")


def each_nth(asked: PersonAsked) -> PartFigures:
    """Every board call, file operation and amount of memory of a wake with a dose."""
    from assurance import nth_bare  # it reads logs: more than an interpreter without C modules has

    numbers: dict[str, Any] = {"violations": 0}
    left_out = ["block writes: tests/usb/test_power_cuts.py makes them"]
    loops = {
        "nth_board_calls": nth.board_calls,
        "nth_file_operations": nth.file_operations,
        "nth_damaged_files": damaged.every,
    }
    if interpreter.found():
        loops["nth_memory"] = nth.allocations
    else:
        left_out.append(f"lack of memory: {interpreter.MISSING}")
    for name, loop in loops.items():
        try:
            numbers[name] = loop()
        except nth.Broken as wrong:
            numbers["violations"] += 1
            asked.say(f"  {name}: {wrong}")
    why_not = chip32.why_not() or ("" if nth_bare.POTS.is_dir() else "only in a clone")
    if asked.quick:
        why_not = "tests/chip32/test_failing.py makes some of each part"
    if why_not:
        left_out.append(f"allocations of a bare chip: {why_not}")
        return PartFigures(numbers, left_out)
    try:
        numbers |= nth_bare.every()
    except nth.Broken as wrong:
        numbers["violations"] += 1
        asked.say(f"  allocations of a bare chip: {wrong}")
    return PartFigures(numbers, left_out)


def lives(asked: PersonAsked) -> PartFigures:
    """Lives chosen against the pot, from the printed seed."""
    wanted = 200 if asked.quick else 20000
    asked.say(f"seed {asked.seed}, {wanted} lives of {adversary.LIFE} wakes")
    with tqdm(total=wanted, unit="life", disable=None, file=sys.stderr) as bar:
        played, pulses, found = adversary.seek(
            asked.seed, wanted, asked.lives_s, told=lambda done: _to(bar, done)
        )
    for one in found:
        told_of(asked, one, f"lives {asked.seed}")
    numbers = {"lives": played, "lives_pulses": pulses, "violations": len(found)}
    return PartFigures(numbers, unplayed(played, 20000))


def unplayed(played: int, full: int) -> list[str]:
    """What a run that was bounded in time or number left out."""
    return [f"{full - played} of {full} lives"] if played < full else []


def rig(asked: PersonAsked) -> PartFigures:
    """Lives of the cafe's pots on the rig, from the printed seed."""
    if importlib.util.find_spec("fluids") is None:
        return PartFigures({}, ["the rig as the adversary's pot: its extra is not installed"])
    from assurance import rigged

    wanted = 18 if asked.quick else 600
    asked.say(f"seed {asked.seed}, {wanted} lives of {rigged.LIFE_DAYS} days")
    with tqdm(total=wanted, unit="life", disable=None, file=sys.stderr) as bar:
        played, woken, pulses, found = rigged.seek(
            asked.seed, wanted, asked.lives_s, told=lambda done: _to(bar, done)
        )
    for one in found:
        asked.say(f"  {one.wrong.rule} is broken: {one.line}")
        if one.text:
            path = asked.keep(f"{one.wrong.rule} {one.pot}", one.text)
            asked.say(f"  replay it: wakewell replay {path}")
    numbers = {"rig_lives": played, "rig_wakes": woken, "rig_pulses": pulses}
    left_out = ["R7 on the rig: the search judges it", *unplayed(played, 600)]
    return PartFigures({**numbers, "violations": len(found)}, left_out)


def outcomes(asked: PersonAsked) -> PartFigures:
    """Lives on the rig judged by plant, floor and cell; each hundred is on record as it is done.

    To go on is to play the lives that this core's record has not reached.
    """
    if importlib.util.find_spec("fluids") is None:
        return PartFigures({}, ["lives judged by plant, floor and cell: the rig is not installed"])
    from assurance import outcomes as lived
    from assurance import rigged, troubles

    wanted = 40 if asked.quick else lived.LIVES
    by = 0
    for module in (lived, troubles, rigged):
        by = crc32(Path(str(module.__file__)).read_bytes(), by)
    more: dict[str, Any] = {"by": by, "seed": asked.seed, "rows": {}, "broken": []}
    kept = recorded.last_run().get("outcomes", {})
    same = all(kept.get(name) == more[name] for name in ("by", "seed"))
    first = 0
    if asked.go_on and same and kept.get("core") == core_id() and not kept["quick"]:
        more, first = {name: kept[name] for name in more}, kept["numbers"]["outcome_lives"]
    rows = {name: lived.TroubleRow(**row) for name, row in more["rows"].items()}

    def figures(played: int) -> PartFigures:
        more["rows"] = {name: vars(row) for name, row in rows.items()}
        numbers = {"outcome_lives": played, "violations": len(more["broken"])}
        return PartFigures(numbers, unplayed(played, lived.LIVES), more)

    asked.say(f"seed {asked.seed}, lives {first} to {wanted - 1}")
    end_s, played = time.monotonic() + asked.lives_s, first
    with tqdm(total=wanted - first, unit="life", disable=None, file=sys.stderr) as bar:
        for done in lived.many(asked.seed, first, wanted, asked.workers, end_s):
            for life, came in done:
                name, words = lived.row_of(life)
                rows.setdefault(name, lived.TroubleRow(words)).add(came)
                for why in came.broken:
                    asked.say(f"  {why}; {life.line}, seed {asked.seed}")
                if came.broken:
                    more["broken"].append(f"{life.line}: {'; '.join(came.broken)}")
            played += len(done)
            bar.update(len(done))
            if asked.record and not asked.quick and played % 100 == 0:
                so_far = figures(played)
                recorded.record(
                    "outcomes", False, dict(so_far.numbers), so_far.left_out, so_far.more
                )
    return figures(played)


def wakes(asked: PersonAsked) -> PartFigures:
    """Generated wakes on each interpreter, and every sum in them."""
    full = 200
    count = 1 if asked.quick else full  # a check's tests compare some thousand more
    end_s = time.monotonic() + asked.lives_s
    numbers: dict[str, Any] = {"violations": 0}
    left_out = []
    try:
        with tqdm(
            total=(1 + len(INTERPRETERS)) * count, unit="life", disable=None, file=sys.stderr
        ) as bar:

            def told(_: int) -> None:
                bar.update()

            checked, sums = generated.small(
                asked.seed, count, told, time.monotonic() + asked.lives_s / 3
            )
            numbers |= {"small_wakes": checked, "small_sums": sums}
            for on, name in INTERPRETERS.items():
                if interpreter.found(on):
                    numbers[name] = generated.both(asked.seed, count, told, end_s, on)
                else:
                    left_out.append(f"another interpreter: {interpreter.missing(on)}")
    except generated.Differs as wrong:
        numbers["violations"] += 1
        asked.say(f"  {wrong}")
    for name in ("small_wakes", *INTERPRETERS.values()):
        missing = full * generated.WAKES - numbers.get(name, 0)
        if missing:
            left_out.append(f"{missing} of {full * generated.WAKES} {name.replace('_', ' ')}")
    return PartFigures(numbers, left_out)


def fuzzed(asked: PersonAsked) -> PartFigures:
    """Everything that reads bytes."""
    runs = 2000 if asked.quick else 100000
    numbers: dict[str, Any] = {"fuzz_inputs": 0, "fuzz_guided": fuzz.guided(), "violations": 0}
    left_out = [] if fuzz.guided() else ["guided fuzzing: there is no atheris here"]
    for name in tqdm(fuzz.TARGETS, unit="target", disable=None, file=sys.stderr):
        done, why = fuzz.run(name, runs, asked.seed, asked.lives_s / len(fuzz.TARGETS))
        numbers["fuzz_inputs"] += done
        if why:
            numbers["violations"] += 1
            asked.say(f"  fuzzing {name}: {why}")
    full = 100000 * len(fuzz.TARGETS)
    if numbers["fuzz_inputs"] < full:
        left_out.append(f"{full - numbers['fuzz_inputs']} of {full} fuzz inputs")
    return PartFigures(numbers, left_out)


def mutants(asked: PersonAsked) -> PartFigures:
    """Every line of the core changed, or a sample of them; survivors are listed.

    To go on is to judge the recorded survivors once more: tests may have come since.
    """
    everyone, explained = mutate.mutants(), mutate.explained()
    todo = mutate.chosen(QUICK_MUTANTS if asked.quick else len(everyone), asked.seed)
    killed, alike, number = 0, 0, 0
    kept = recorded.last_run().get("mutants", {})
    again = asked.go_on and kept.get("core") == core_id() and not kept["quick"]
    if again:
        todo = [mutant for mutant in everyone if mutant.key in kept["survived"]]
        killed, alike = kept["numbers"]["mutants_killed"], kept["numbers"]["mutants_alike"]
    end_s = time.monotonic() + asked.lives_s
    survived = []
    done = mutate.run(todo, not asked.quick, os.cpu_count() or 1)
    bar = tqdm(done, total=len(todo), unit="mutant", disable=None, file=sys.stderr)
    for number, (mutant, why) in enumerate(bar, 1):
        if number % 100 == 0:
            asked.say(f"  {number} of {len(todo)}")
        if why:
            killed += 1
        elif mutant.key in explained:
            alike += 1
        else:
            survived.append(mutant.key)
            asked.say(f"  survived: {mutant}")
        if time.monotonic() > end_s:
            done.close()
            break
    judged = number
    if again:
        judged = kept["numbers"]["mutants"]
        survived += [mutant.key for mutant in todo[number:]]
    missing = len(everyone) - judged
    left_out = [f"{missing} of {len(everyone)} mutants, by the seed"] if missing else []
    numbers = {"mutants": judged, "mutants_killed": killed, "mutants_alike": alike}
    return PartFigures(numbers, left_out, {"survived": survived})


def paired(asked: PersonAsked) -> PartFigures:
    """Every two conditions that touch nothing in common, in every pot, or a sample of them."""
    everyone = len(pairs.all_pairs())
    wanted = QUICK_PAIRS if asked.quick else everyone
    with tqdm(total=wanted, unit="pair", disable=None, file=sys.stderr) as bar:
        played, found = pairs.seek(
            asked.seed, wanted, asked.lives_s, told=lambda done: _to(bar, done)
        )
    for one in found:
        asked.say(f"  {one.rule} is broken: {one.line}")
    left_out = [f"{everyone - played} of {everyone} pairs"] if played < everyone else []
    return PartFigures({"pairs": played, "violations": len(found)}, left_out)


def behaviour(asked: PersonAsked) -> PartFigures:
    """Every change of behaviour kept as a patch, and what notices it first; or a sample of them,
    by the quick stages alone.

    To go on is to judge those that were not killed, and those that are new or were changed.
    """
    names = breaks.QUICK if asked.quick else tuple(breaks.STAGES)
    paths = breaks.all_paths()
    todo = breaks.chosen(QUICK_BREAKS, asked.seed) if asked.quick else paths
    kept = recorded.last_run().get("breaks", {})
    rows: dict[str, dict[str, str]] = {}
    if asked.go_on and kept.get("core") == core_id() and not kept["quick"]:
        marks = {path.stem: mark_of(path) for path in paths}
        rows = {
            name: row
            for name, row in kept["rows"].items()
            if row["by"] and row["mark"] == marks.get(name)
        }
        todo = [path for path in paths if path.stem not in rows]
    unfit = 0
    unseen: list[str] = []
    alive: list[str] = []

    def figures() -> PartFigures:
        numbers: dict[str, Any] = {"breaks": len(rows)}
        for name in breaks.STAGES:
            numbers[f"breaks_by_{name}"] = sum(row["by"] == name for row in rows.values())
        numbers["breaks_killed"] = sum(bool(row["by"]) for row in rows.values())
        numbers["breaks_explained"] = len(unseen)
        left_out = [f"{len(paths) - len(rows)} of {len(paths)} breaks"]
        left_out += [f"break not noticed: {one}" for one in [*alive, *unseen]]
        if len(rows) == len(paths):
            left_out.pop(0)
        return PartFigures({**numbers, "violations": unfit}, left_out, {"rows": dict(rows)})

    end_s = time.monotonic() + asked.lives_s
    done = breaks.run(todo, names, asked.workers)
    for verdict in tqdm(done, total=len(todo), unit="break", disable=None, file=sys.stderr):
        name = verdict.path.stem
        if verdict.unfit:
            unfit += 1
            asked.say(f"  {verdict.told}")
            continue
        if verdict.by:
            asked.say(f"  {name}: {verdict.by}: {verdict.told}")
        elif asked.quick:
            continue  # the slow stages have not judged it
        else:
            (unseen if verdict.unseen else alive).append(name)
            asked.say(f"  survived: {name}: {verdict.unseen or 'no reason is given'}")
        rows[name] = {"by": verdict.by, "told": verdict.told, "mark": mark_of(verdict.path)}
        if asked.record and not asked.quick:
            so_far = figures()
            recorded.record("breaks", False, dict(so_far.numbers), so_far.left_out, so_far.more)
        if time.monotonic() > end_s:
            done.close()
            break
    return figures()


def mark_of(path: Path) -> str:
    """CRC-32 of a patch: one that was changed is judged anew."""
    return f"{crc32(path.read_bytes()):08x}"


def host(asked: PersonAsked) -> PartFigures:
    """A sample, by the seed, of the changes of the host's modules that judge, advise and read.

    Each group of modules is on record once it is done. To go on is to judge what the sample has
    left, and the recorded survivors once more: tests may have come since.
    """
    everyone, explained = mutate_host.mutants(), mutate.explained()
    kept = recorded.last_run().get("host", {}) if asked.go_on else {}
    if kept and not kept["quick"]:
        again = {*kept["waiting"], *kept["survived"]}
        todo = [mutant for mutant in everyone if mutant.key in again]
        so_far = HostFigures(kept["seed"], kept["groups"], kept["waiting"], kept["survived"])
        so_far.failing = kept["failing"]
    else:
        quick = mutate_host.GROUPS[0].modules
        most = QUICK_HOST_MUTANTS if asked.quick else asked.host_mutants
        todo = mutate_host.chosen(most, asked.seed, quick if asked.quick else ())
        so_far = HostFigures(asked.seed, {}, [mutant.key for mutant in todo], [])
    random.Random(so_far.seed).shuffle(todo)  # a group that is cut short is a fair sample of it
    groups = [group for group in mutate_host.GROUPS if any(m.file in group.modules for m in todo)]
    if asked.modules:
        groups = [group for group in groups if {*asked.modules} & {*group.modules}]
    end_s = time.monotonic() + asked.lives_s
    with tqdm(total=len(todo), unit="mutant", disable=None, file=sys.stderr) as bar:
        left = len(todo)
        for group in groups:
            for file in group.tests:
                so_far.failing.pop(f"tests/{file}", None)
            mine = [mutant for mutant in todo if mutant.file in group.modules]
            mine.sort(key=lambda mutant: mutant.key in so_far.waiting)  # survivors first: few
            group_end_s = None
            done = mutate_host.run(mine, asked.workers)
            for mutant, why in done:
                if mutant is None:
                    file = why.split("::")[0]
                    so_far.failing[file] = so_far.failing.get(file, 0) + 1
                    continue
                if group_end_s is None:  # its share of the time left, once its tests are measured
                    now_s = time.monotonic()
                    group_end_s = now_s + (end_s - now_s) * len(mine) / left
                bar.update()
                so_far.judged(group, mutant, why, explained)
                if mutant.key in so_far.survived:
                    asked.say(f"  survived: {mutant}")
                if time.monotonic() > group_end_s:
                    done.close()
                    break
            left -= len(mine)
            found = so_far.figures(len(everyone))
            if asked.record:
                recorded.record("host", asked.quick, found.numbers, found.left_out, found.more)
    return so_far.figures(len(everyone))


@dataclass
class HostFigures:
    """What a sample of the host's mutants came to so far.

    groups: {its modules: how many were judged, killed, and killed at the first trial, before
    any test was written for this sample}. waiting, survived: keys.
    """

    seed: int
    groups: dict[str, dict[str, int]]
    waiting: list[str]
    survived: list[str]
    failing: dict[str, int] = field(default_factory=dict)  # tests of a file, on the code as it is

    def judged(
        self, group: mutate_host.Group, mutant: mutate.Mutant, why: str, explained: dict[str, str]
    ) -> None:
        """Count a verdict. why: what killed it."""
        new = {"judged": 0, "killed_at_first": 0, "killed": 0, "explained": 0}
        row = self.groups.setdefault(", ".join(group.modules), new)
        if mutant.key in self.waiting:
            self.waiting.remove(mutant.key)
            row["judged"] += 1
            row["killed_at_first"] += bool(why)
        else:
            self.survived.remove(mutant.key)
        row["killed"] += bool(why)
        row["explained"] += not why and mutant.key in explained
        if not why and mutant.key not in explained:
            self.survived.append(mutant.key)

    def figures(self, of: int) -> PartFigures:
        """of: so many mutants there are."""
        rows = self.groups.values()
        words = ("judged", "killed", "killed_at_first", "explained")
        judged, killed, first, alike = (sum(row[word] for row in rows) for word in words)
        left_out = [
            f"{count} tests of {file}, which fail here on the code as it is"
            for file, count in self.failing.items()
        ]
        if self.waiting:
            missing = sorted({key.split(" ")[0] for key in self.waiting})
            waits = f"{len(self.waiting)} of the sample not reached, of {', '.join(missing)}"
            left_out.append(waits)
        left_out.append(f"{of - judged} of {of} mutants of the host, by the seed")
        numbers = {
            "host_mutants": judged,
            "host_mutants_killed": killed,
            "host_mutants_killed_at_first": first,
            "host_mutants_explained": alike,
        }
        return PartFigures(numbers, left_out, vars(self))


def coverage(asked: PersonAsked) -> PartFigures:
    """Lines and branches of the core that its tests reach."""
    if importlib.util.find_spec("coverage") is None:
        return PartFigures({}, ["branch coverage: there is no coverage package here"])
    share, missing = covered.measure(asked.quick)
    for place in missing:
        asked.say(f"  not reached: {place}")
    return PartFigures({"branch_coverage": round(share, 2)})


def _to(bar: Any, done: int) -> None:
    bar.update(done - bar.n)
