"""Let the n-th allocation of a bare chip's boot fail: the wake leaves a record, the pump is off,
the board sleeps its time, and the next boot is an ordinary one.

On the 32-bit interpreter, with the board's whole program. A failure before the wake began leaves no
record: the loader sleeps an hour, and the next record's `boots` tells of it, or error.txt where the
loader had not counted the boot yet. Where one fails while the loader's text is compiled, this
interpreter itself may fall (a trap); a chip would be reset. Where one fails while main.py's few
lines are compiled, the board is at its prompt, pump off, until the lease that boot.py armed resets
it. Where one fails after the record, the sleep is the loader's hour.
"""

from __future__ import annotations

import copy
import importlib
import json
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import wakewell
from assurance.bare_broker import Broker
from assurance.nth import Broken
from wakeboard import short
from wakecore import line
from wakecore.state import from_bytes
from wakewell.interpreters.chip32.bare import BareBoot, BareChip
from wakewell.log import logs
from wakewell.log.fieldlog import Entry, FieldLog
from wakewell.replay import replaying

HOUR_MS = 3600000  # the loader's last resort
POTS = Path(wakewell.__file__).parents[2] / "tests" / "chip32"  # in a clone
Files = dict[str, bytes]


def lines(chip: BareChip, first: int = 1, step: int = 1) -> int:
    """The next wake's line, with every `step`-th allocation of it failing; how many. Raises Broken.

    The record is there, whole but for the samples, and at most one line beside it is torn.
    """
    done = 0
    for found in chip.failing_lines(first, step):
        done += 1
        where = f"allocation {found.nth} of the line fails"
        if found.escaped:
            raise Broken(f"{where}: R13: the board's program was left by the error")
        wakes = _wakes(found.files, where)
        if len(wakes) != 1:
            raise Broken(f"{where}: no record, or more than one")
        left_out = wakes[0].record.get("left_out", [])
        if left_out not in ([], [short.SAMPLES]) or (found.enough and left_out):
            raise Broken(f"{where}: left out {left_out}")
    return done


def wakes(chip: BareChip, fails: Sequence[int]) -> Counter[str]:
    """The next boot, a wake's, with each of those allocations failing, and one boot after it.

    How many left a whole record, a shortened one, one that broke off, none. Raises Broken.
    """
    good = copy.copy(chip).boot()
    before = len(_wakes(chip.files, "before"))
    counts: Counter[str] = Counter()
    for nth, boot, files, after in _failing(chip, good, fails, counts):
        where = f"allocation {nth} fails"
        told = [each.record for each in _wakes(files, where)[before:]]
        record, more = told[0] if told else None, told[1:]
        left_out = record.get("left_out", []) if record else []
        kind = "whole" if record else "none"
        if left_out:
            kind = "broken off" if short.END in left_out else "short"
        counts[kind] += 1
        if more or (kind == "none" and nth > good.asked):
            raise Broken(f"{where}: R13: {len(more)} records too many, or none: {boot.error}")
        # Where the wake was over and its end failed: a record, and the loader's sleep
        done = kind in ("whole", "short") and boot.sleep_ms == good.sleep_ms
        if not done and boot.sleep_ms != HOUR_MS:
            raise Broken(f"{where}: slept {boot.sleep_ms} ms, its record is {kind}")
        # One that fails before it is counted is told by its error alone
        counted = files["boots"] == b"1" or "error.txt" not in files
        if files["boots"] != (b"1" if counted and not done else b"0"):
            raise Broken(f"{where}: boots that did not finish: {files['boots']!r}")
        next_ = _wakes(after, where)[before + bool(record) :]
        if not done or good.sleep_ms != 100:  # else it is the radio's
            if len(next_) != 1 or "left_out" in next_[0].record:
                raise Broken(f"{where}: the boot after it is no ordinary one")
            if next_[0].record["begin"]["boots"] != int(files["boots"]):
                raise Broken(f"{where}: the boot after it does not know")
        _plays(after, where)
    return counts


def reports(chip: BareChip, fails: Sequence[int]) -> Counter[str]:
    """The next boot, the radio's, with each of those allocations failing, and one boot after it.

    How many were heard, failed, cut off, or never began (none). Raises Broken.
    """
    good = copy.copy(chip).boot()
    before = len(_wakes(chip.files, "before"))
    counts: Counter[str] = Counter()
    for nth, boot, files, after in _failing(chip, good, fails, counts):
        where = f"allocation {nth} of the radio's boot fails"
        if len(_wakes(files, where)) != before:
            raise Broken(f"{where}: the radio's boot left a record of a wake")
        told = [each.record for each in _wakes(after, where)[before:]]
        if boot.sleep_ms != good.sleep_ms and (boot.sleep_ms != HOUR_MS or "pot/radio" in files):
            raise Broken(f"{where}: slept {boot.sleep_ms} ms")
        if not told:  # nothing had begun, and the report is tried once more
            counts["again"] += 1
            continue
        came = told[0]["begin"]["radio"]
        counts[came] += 1
        if (came == "heard") != files.get("pot/radio", b"").startswith(b"heard"):
            raise Broken(f"{where}: R17: the next wake has it that {came}")
        if (came == "heard") != (not _state(after).radio_fails):
            raise Broken(f"{where}: R17: a report in vain is not counted, or one heard is")
    return counts


def _failing(
    chip: BareChip, good: BareBoot, fails: Sequence[int], counts: Counter[str]
) -> Iterator[tuple[int, BareBoot, Files, Files]]:
    """(n, the boot whose n-th allocation fails, files after it, files after the next boot).

    Both boots ended asleep. Where the interpreter itself fell, or nothing ran but the lease, that
    is counted and left out; the boot after it slept all the same.
    """
    for nth, ((boot, files), (later, after)) in zip(fails, chip.failing(fails), strict=True):
        if boot.ended in ("trap", "lease") and nth < good.loaded:
            counts[boot.ended] += 1
            where = f"allocation {nth} fails"
            if boot.ended == "lease":
                _pump_off(where, chip, boot)
            _slept(f"the boot after {where}", chip, later)
            continue
        _slept(f"allocation {nth} fails", chip, boot, later)
        yield nth, boot, files, after


def _slept(where: str, chip: BareChip, *boots: BareBoot) -> None:
    """Asleep, the pump's pin set to off."""
    for boot in boots:
        if boot.ended != "deep sleep":
            raise Broken(f"{where}: R13: it ended by {boot.ended}: {boot.error}")
        _pump_off(where, chip, boot)


def _pump_off(where: str, chip: BareChip, boot: BareBoot) -> None:
    pump = json.loads(chip.files["pump.json"])
    if boot.levels.get(pump["pin"]) != pump["off"]:
        raise Broken(f"{where}: R1: the pump's pin was not set to off")


def _log(files: Files, folder: Path) -> list[Path]:
    """The log among those files, written into the folder."""
    found = []
    for name, data in sorted(files.items()):
        if name.lstrip("/").startswith("pot/log/"):
            found.append(folder / Path(name).name)
            found[-1].write_bytes(data)
    return found


def _wakes(files: Files, where: str) -> list[Entry]:
    """The wakes on the log among those files, as the one reader has them."""
    with tempfile.TemporaryDirectory(prefix="wakewell-") as name:
        log = FieldLog(_log(files, Path(name)))
        found = [entry for entry in log.entries(brief=True) if entry.record["kind"] == "wake"]
    if log.skips.count > 1:
        raise Broken(f"{where}: R11: {log.skips.first[1]}")
    return found


def _plays(files: Files, where: str) -> None:
    """A replay of that log finds nothing wrong."""
    with tempfile.TemporaryDirectory(prefix="wakewell-") as name:
        folder = Path(name)
        (folder / logs.IN_FORCE).mkdir()
        for kind in ("settings", "limits", "calibration"):
            data = files[f"pot/{kind}.json"].strip()
            (folder / logs.IN_FORCE / f"{line.identity(data)}.json").write_bytes(data)
        report = replaying.replay_log("bare", _log(files, folder))
    if not report.good:
        why = [str(verdict) for verdict in report.held if not verdict.held]
        raise Broken(f"{where}: its log does not replay: {report.faults} {why}")


def _state(files: Files) -> Any:
    states = [from_bytes(files[f"pot/state.{slot}"]) for slot in range(2)]
    return max((state for state in states if state is not None), key=lambda state: state.seq)


def every() -> dict[str, int]:
    """All three, on the pots of tests/chip32: every allocation of a line with a short pulse, and
    of the longest one and of whole boots so many as reach each part of them. Raises Broken."""
    sys.path.insert(0, str(POTS))
    pots = importlib.import_module("bare_pots")
    broker = Broker(pots.BOARD, pots.KEY)
    short_pulse = {"pulse_ml": 8, "dose_ml": 8}
    found = {"nth_lines": lines(pots.chip(**short_pulse), step=1)}
    found["nth_lines"] += lines(pots.chip(), step=41)
    chip = pots.reporting(broker, **short_pulse)
    found["nth_boots"] = _swept(chip, wakes, 13)
    chip.boot()
    found["nth_boots"] += _swept(chip, reports, 211)
    return found


def _swept(chip: BareChip, loop: Any, step: int) -> int:
    fails = range(1, copy.copy(chip).boot().allocations + 1, step)
    return sum(loop(chip, fails).values())
