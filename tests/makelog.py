"""Field logs of any length, for the tests and for tools/bench.py: what the mock board recorded.

Here belongs: an invented pot whose soil dries and is watered every tenth wake, and the
writing of its log with the files that were in force. Not here: any expectation.
"""

from __future__ import annotations

import gzip
import json
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from wakeboard.store import STATE_RECORD, snapshot_due
from wakecore import line
from wakecore.wake import RECORD
from wakewell.core import core_id
from wakewell.portable import mock

CYCLE = 10  # wakes from one dose to the next, the two looks for a leak among them
LOOKS_S = (0, 60, 600, 0)
SOIL = ([1_000_000, 500], [2_400_000, 50])  # counts fall as the soil gets wetter


def stored(kind: str, **values: Any) -> bytes:
    """The line that a board stores for one of the three files."""
    record = {"kind": kind, "version": 1, **values}
    return line.encode(tuple(record), record)


def pot(settings: dict[str, Any] | None = None, **calibration: Any) -> dict[str, bytes]:
    """The three files of the invented pot, by kind, with changed settings or calibration."""
    limits = stored("limits", flow_max_ul_s=25_000)
    limits_id = line.identity(limits)
    probes: dict[str, Any] = {
        "soil_points": [number for point in SOIL for number in point],
        "level_points": [300_000, 0, 2_500_000, 1000],
        "battery_points": [1_400_000, 2800, 2_200_000, 4400],
    }
    for name in ("soil", "level", "battery"):
        probes |= {f"{name}_rails": [100_000, 3_000_000], f"{name}_spread": 20_000}
    fitted = {"stage": 2, "ul_per_ppt": 600, "flow_ul_s": 20_000, "tolerance_ml": 8}
    tuned = {"pulse_ml": 100, **(settings or {})}
    return {
        "settings": stored("settings", limits_id=limits_id, **tuned),
        "limits": limits,
        "calibration": stored("calibration", limits_id=limits_id, **fitted | probes | calibration),
    }


def soil_counts(ppt: int) -> int:
    """Counts of the soil probe at that water content."""
    (low, wet), (high, dry) = SOIL
    return low + (wet - ppt) * (high - low) // (wet - dry)


def wakes(count: int, start: int = 0) -> Iterator[dict[str, Any]]:
    """A script's wakes: dry soil at every tenth, so that a pump run of about 4 s follows."""
    for number in range(start, start + count):
        at = number % CYCLE
        # After the dose: two looks, then drier day by day, with a little scatter.
        ppt = 245 if at == 0 else 375 - 16 * max(0, at - 2)
        wake: dict[str, Any] = {
            "counts": {
                "soil": [soil_counts(ppt) + number * 137 % 997, 300],
                "battery": [1_950_000 - number * 31 % 5000, 100],
            },
            # The looks are a minute and ten minutes after the dose, then come seven days.
            "utc": [8400 + 8 * (number // CYCLE) + max(0, at - 2), 25_200 + LOOKS_S[min(at, 3)], 1],
        }
        if number % (5 * CYCLE) == 0 or number == start:
            wake["level_ml"] = 700
        yield wake


def block(count: int) -> Iterator[dict[str, Any]]:
    """As `wakes`, but the pot has lost its state and a person holds the button to clear it.

    So a block's log may be repeated any number of times, and the whole is still a valid log.
    """
    script = wakes(count)
    for number, wake in enumerate(script):
        if number == 0:
            yield wake | {"state": "lost", "cause": "power"}
        elif number == 1:
            yield wake | {"cause": "button", "button_ms": 3000}
        else:
            yield wake


def play(
    script: Iterable[dict[str, Any]], files: dict[str, bytes] | None = None, core: str | None = None
) -> Iterator[dict[str, Any]]:
    """What the mock board made of those wakes, one by one. See `mock.play`."""
    lines = {kind: data.decode() for kind, data in (files or pot()).items()}
    return mock.play({"pot": lines, "core": core_id() if core is None else core, "wakes": script})


def log_lines(played: Iterable[dict[str, Any]], first: bool = True) -> Iterator[bytes]:
    """The log's lines, snapshots among them as the board writes them.

    first: begin with a snapshot, as every file does.
    """
    due = first
    for out in played:
        record = out["record"]
        if record is None:
            continue
        if due or snapshot_due(record, out["before"]):
            yield line.encode(STATE_RECORD, out["before"])
        due = False
        yield out["line"]


def keep_in_force(folder: Path, files: dict[str, bytes] | None = None) -> None:
    """Write the three files beside the logs, by their ids."""
    (folder / "in-force").mkdir(parents=True, exist_ok=True)
    for data in (files or pot()).values():
        (folder / "in-force" / f"{line.identity(data)}.json").write_bytes(data + b"\n")


def write(folder: Path, lines: Iterable[bytes], files: dict[str, bytes] | None = None) -> Path:
    """Write one log file and the files in force into that folder; the path of the log."""
    keep_in_force(folder, files)
    path = folder / "00000001.jsonl"
    with path.open("wb") as file:
        file.writelines(data + b"\n" for data in lines)
    return path


def changed(data: bytes, **members: Any) -> bytes:
    """The same line with some members replaced and a good CRC: as somebody who changes a log would
    write it.
    """
    record = json.loads(data)
    del record["crc"]
    record |= members
    names = RECORD if record["kind"] == "wake" else STATE_RECORD
    return line.encode(dict.fromkeys((*names, *record)), record)


def sealed(body: bytes) -> bytes:
    """Any bytes, closed like a line with a good CRC. body: JSON without its last brace."""
    return body + line.TAIL + f'{line.crc32(body):08x}"}}'.encode()


def another_cores(folder: Path, wakes: dict[int, dict[str, Any]] | None = None) -> None:
    """Rewrite the packed logs there as those of an unknown core, with members of wakes replaced.

    wakes: the members by the wake's number.
    """
    for path in folder.glob("*.gz"):
        lines = []
        for data in gzip.decompress(path.read_bytes()).splitlines():
            record = json.loads(data)
            if record["kind"] == "wake":
                data = changed(data, core="0123456789ab", **(wakes or {}).get(record["n"], {}))
            lines.append(data + b"\n")
        path.write_bytes(gzip.compress(b"".join(lines)))
