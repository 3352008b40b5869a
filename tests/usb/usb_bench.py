"""Figures of boards over USB for tools/bench.py, on a desk board.

Belongs here: what is measured and how. Does not belong here: targets (tools/bench.py), tests.
"""

from __future__ import annotations

import shutil
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

from usb_desks import IMAGE_BYTES, Desk, copy_pot, silent, wakes, world_for

from wakewell.deskboard import DeskBoard, read_image, write_image
from wakewell.simulate import one_run, trials
from wakewell.usb import flash, pull

LOG_FILE_BYTES = 32768  # as wakeboard.store
STEP_BYTES = 4096


@contextmanager
def desk(folder: Path, image: Path | None = None, **options: object) -> Iterator[Desk]:
    """A desk board with basil's pot on its pins; image: a flash to start from."""
    folder.mkdir(parents=True, exist_ok=True)
    pot = folder / "basil"
    if not pot.exists():
        copy_pot("basil", folder)
    target = folder / "flash.img"
    if image is not None and image != target:
        shutil.copy(image, target)
    changes = options.pop("changes", {})
    assert isinstance(changes, dict)
    world = world_for(pot, **changes)
    settings: dict[str, object] = {"awake": "real", "unique_id": b"desk-1"} | options
    with DeskBoard(target, world, image_bytes=2 * IMAGE_BYTES, **settings) as board:  # type: ignore[arg-type]
        world.board = board
        yield Desk(board, world, pot)


def flashed(folder: Path) -> Path:
    """A flash image on which basil's board has finished one wake; made once."""
    image = folder / "flashed" / "flash.img"
    if not image.exists():
        with desk(folder / "flashed") as made:
            flash.flash_one(made.folder, made.port, silent, 20)
            made.board.awake = "stepped"
            made.board.wait_asleep()
    return image


def flash_first_s(bench: Any) -> float:
    """A blank board: code, loader, a pot's files, self-test."""
    with desk(bench.folder / "first") as made:
        begun = time.perf_counter()
        flash.flash_one(made.folder, made.port, silent, 20)
        return time.perf_counter() - begun


def flash_unchanged_s(bench: Any) -> float:
    """Nothing to send: seen by its sums."""
    times = []
    with desk(bench.folder / "unchanged", flashed(bench.folder)) as made:
        for _ in range(bench.pick(7, 3, 1)):
            port = made.take()
            time.sleep(0.5)  # let it boot: that time is the board's, not that of flashing
            begun = time.perf_counter()
            result = flash.flash_one(made.folder, port, silent, 20)
            times.append(time.perf_counter() - begun)
            if result.files_sent:
                raise RuntimeError("an unchanged flash sent files")
    return statistics.median(times)


def pull_over_mpremote(bench: Any) -> float:
    """A year of logs, verified and stored, over mpremote's own recursive copy of the folder."""
    folder = bench.folder
    trial = replace(trials.load(trials.shipped("basil")), days=bench.pick(365, 60, 3))
    run = one_run.run_trial(trial, log=True)
    assert run.log is not None
    files: dict[str, bytes] = {}
    size = 0
    for text in run.log.lines:
        if not files or size + len(text) > LOG_FILE_BYTES:
            name, size = f"pot/log/{len(files) + 1:08d}.jsonl", 0
            files[name] = b""
        files[name] += text
        size += len(text)
    image = folder / "year.img"
    shutil.copy(flashed(folder), image)
    write_image(image, files)
    ratios = []
    with desk(folder / "year", image) as made:
        for number in range(bench.pick(3, 1, 1)):
            logs = made.folder / "logs"
            shutil.rmtree(logs, ignore_errors=True)
            port = made.take()
            time.sleep(0.5)
            begun = time.perf_counter()
            pull.pull_one(made.folder, port, 20)
            pulled_s = time.perf_counter() - begun
            port, target = made.take(), folder / f"copied{number}"
            target.mkdir()
            time.sleep(0.5)
            command = [sys.executable, "-m", "mpremote", "connect", port, "fs", "cp", "-r"]
            begun = time.perf_counter()
            subprocess.run([*command, ":/pot/log", str(target)], check=True, capture_output=True)
            ratios.append(pulled_s / (time.perf_counter() - begun))
            for name, data in files.items():
                plain = Path(name).name
                if (logs / plain).read_bytes() != data:
                    raise RuntimeError(f"{plain} was not pulled as it is")
                if (target / "log" / plain).read_bytes() != data:
                    raise RuntimeError(f"{plain} was not copied as it is")
    return statistics.median(ratios)


def block_writes_per_wake(bench: Any) -> float:
    """Writes and erases of the flash in a timer wake, mean over a month with doses."""
    with desk(bench.folder / "writes", flashed(bench.folder), awake="stepped") as made:
        made.days(bench.pick(31, 7, 3))
        timed = [b for b in made.board.boots if b.cause == 4 and b.ended == "deep sleep"]
        return statistics.mean(b.writes + b.erases for b in timed)


def board_heap_peak_bytes(bench: Any) -> float:
    """The smallest heap with which a month with doses passes: its high-water mark (64-bit words,
    twice a chip's). The least that is asked for here: that the largest one carries a day."""
    folder = bench.folder

    def passes(size: int, days: float) -> bool:
        with desk(
            folder / "heap", flashed(folder), awake="stepped", heap_bytes=size,
            changes={"water": 0.2},
        ) as made:  # fmt: skip
            made.board.wait_asleep()
            made.days(days)
        files = read_image(folder / "heap" / "flash.img")
        trips = [trip for record in wakes(files) for trip in record["trips"]]
        doses = [record for record in wakes(files) if record.get("run")]
        return "error.txt" not in files and bool(doses) and "fault" not in trips

    low, high = 16 * STEP_BYTES, 256 * STEP_BYTES
    if bench.least:
        if not passes(high, 1.2):
            raise RuntimeError(f"no day of wakes with {high} bytes")
        return high
    while high - low > STEP_BYTES:
        middle = (low + high) // 2 // STEP_BYTES * STEP_BYTES
        low, high = (low, middle) if passes(middle, 1.2) else (middle, high)
    while not bench.quick and not passes(high, 31):
        high += STEP_BYTES
    return high
