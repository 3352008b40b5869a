"""Logs that grow: months of a simple pot on the mock board, for tests of the report.

Invented data. What belongs here: a plant that drinks by weather and season, a tank, a
battery, and what may go wrong with them, played through the real core. What does not:
physics (that is the rig's).
"""

from __future__ import annotations

import json
import math
import random
import shutil
from binascii import crc32
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from wakeboard.store import STATE_RECORD
from wakecore import line
from wakecore.table import counts_at
from wakewell.budget.forecast import CELLS, cell_volts
from wakewell.core import core_id
from wakewell.log.times import DAY_S, EPOCH_S
from wakewell.portable.mock import play
from wakewell.shipped import CAFE

LIMITS = {"day_ml": 400, "dose_ml": 200, "flow_max_ul_s": 30000, "pulse_ms": 6000}
SETTINGS = {"tank_warn_ml": 700, "leak_ml_day": 5}
SOIL = {"points": [[1000000, 500], [2400000, 50]], "rails": [100000, 3000000], "spread": 20000}
LEVEL = {"points": [[300000, 0], [2500000, 4000]], "rails": [100000, 3000000], "spread": 20000}
BATTERY = {"points": [[1400000, 2800], [2200000, 4400]], "rails": [100000, 3000000]}
CALIBRATION: dict[str, Any] = {
    "stage": 2,
    "ul_per_ppt": 1000,
    "flow_ul_s": 20000,
    "tolerance_ml": 8,
    "self_ua": 0,  # its cell loses nothing by itself: half of the drain is the pump's
    "soil": SOIL,
    "level": LEVEL,
    "battery": {**BATTERY, "spread": 20000},
}
START_S = int(datetime(2026, 3, 2, 5, 0, tzinfo=UTC).timestamp())


@dataclass
class Garden:
    """What the pot stands in, and what goes wrong. Days count from the first wake."""

    days: int = 120
    seed: int = 1
    et_ml: float = 32.0  # used by the plant on a mean day
    season: float = 0.3  # how much the season changes it
    season_day: float = 20  # the day on which the season has its mean, rising
    weather: float = 0.25  # day-to-day spread of its logarithm
    wake_s: int = DAY_S
    tank_ml: int = 3800
    drain: float = 0.0035  # part of the charge used in a day, half of it by the pump
    cell: int = 0  # which of the published cells its own is like
    curve: float = 0.0  # up to 15 mV off that published one, by phase
    charge: float = 0.95
    refill: tuple[int, ...] = ()  # days on which the tank is filled
    recharge: tuple[int, ...] = ()
    unplugged: tuple[int, int] = (0, 0)  # soil probe out of the soil, from day to day
    hose_off: int | None = None  # from this day the water misses the pot
    clog: int | None = None  # from this day the pump runs and no water moves
    wear: float = 0.0  # part of the flow lost by the last day
    leak_ml_day: tuple[int, float] = (0, 0.0)  # from day, how much
    brownouts: tuple[int, ...] = ()
    away: tuple[int, int] = (0, 0)  # days whose records are lost
    clock: int = 1  # 1: the pot knows the date
    end_mv: float = 0.0  # the log ends once the cell is down to this
    truth: list[tuple[float, float, float]] = field(default_factory=list)  # time, tank, charge


def lines(wake_s: int) -> dict[str, bytes]:
    """The three stored lines of this pot."""
    limits = encoded("limits", "", LIMITS)
    limits_id = line.identity(limits)
    flat = {key: value for key, value in CALIBRATION.items() if not isinstance(value, dict)}
    for name in ("soil", "level", "battery"):
        probe = CALIBRATION[name]
        flat[name + "_points"] = [n for pair in probe["points"] for n in pair]
        flat[name + "_rails"], flat[name + "_spread"] = probe["rails"], probe["spread"]
    return {
        "limits": limits,
        "settings": encoded("settings", limits_id, {**SETTINGS, "wake_s": wake_s}),
        "calibration": encoded("calibration", limits_id, flat),
    }


def encoded(kind: str, limits_id: str, values: dict[str, Any]) -> bytes:
    """One stored line."""
    head = {"kind": kind, "version": 1} | ({"limits_id": limits_id} if limits_id else {})
    return bytes(line.encode(tuple(head | values), head | values))


def grow(garden: Garden) -> Iterator[dict[str, Any]]:
    """Play the garden day by day: what `play` yields for each wake."""
    random_ = random.Random(garden.seed)
    garden_lines = {kind: data.decode() for kind, data in lines(garden.wake_s).items()}
    now = {"s": float(START_S), "soil": 300.0, "charge": garden.charge, "day": -1, "drift": 0.0}
    now["sleep"] = 0.0

    def wakes() -> Iterator[dict[str, Any]]:
        first = True
        while now["s"] < START_S + garden.days * DAY_S:
            if volts_of(garden, now["charge"]) * 1000 < garden.end_mv:
                return
            day = (now["s"] - START_S) / DAY_S
            wake: dict[str, Any] = {"counts": counts(day)}
            utc_s = int(now["s"]) - EPOCH_S
            wake["utc"] = [utc_s // DAY_S, utc_s % DAY_S, garden.clock]
            whole_day = int(day)
            if first or (whole_day in garden.refill and whole_day != now["day"]):
                wake["level_ml"] = garden.tank_ml
            if whole_day in garden.recharge and whole_day != now["day"]:
                now["charge"] = 0.97
                wake["counts"] = counts(day)
            leak_from, leak = garden.leak_ml_day
            now["leak"] = now.get("leak", 0.0)
            if leak and day >= leak_from:
                now["leak"] += leak * now["sleep"] / DAY_S
                wake["lost_ml"] = int(now["leak"])
                now["leak"] -= wake["lost_ml"]
            if garden.wear:
                part = 1 - garden.wear * day / garden.days
                wake["run"] = {"flow_ul_s": int(20000 * part)}
            if garden.clog is not None and day >= garden.clog:
                wake["run"] = {"flow_ul_s": 0}
            if whole_day in garden.brownouts and whole_day != now["day"]:
                wake["cause"] = "brownout"
                wake["boots"] = 1
            now["day"] = whole_day
            first = False
            yield wake

    def counts(day: float) -> dict[str, Any]:
        soil = max(55.0, min(490.0, now["soil"])) + random_.gauss(0, 1.2)
        volts = volts_of(garden, now["charge"]) + random_.gauss(0, 0.004)
        found = {
            "soil": [at(SOIL, soil), random_.randint(200, 900)],
            "battery": [at(BATTERY, volts * 1000), random_.randint(100, 400)],
        }
        start, end = garden.unplugged
        if start <= day < end:
            found["soil"] = [2950000 + random_.randint(0, 9000), 900]
        return found

    script = {"pot": garden_lines, "core": core_id(), "wakes": wakes()}
    for out in play(script):
        record = out["record"]
        day = (now["s"] - START_S) / DAY_S
        garden.truth.append((now["s"], float(out["level_ml"]), now["charge"]))
        lost = garden.away[0] <= day < garden.away[1]
        if record is not None and not lost:
            out["time_s"] = now["s"]
            yield out
        if not (garden.hose_off is not None and day >= garden.hose_off):
            now["soil"] += out["pumped_ul"] / 1000
        sleep_s = int(record["commands"][-1].split()[1]) if record else 60
        now["s"] += sleep_s + (out["ran_ms"] + 2000) / 1000
        now["sleep"] = sleep_s
        part = sleep_s / DAY_S
        now["drift"] = now["drift"] * 0.7**part + random_.gauss(0, garden.weather * part**0.5) * 0.7
        year = math.sin(2 * math.pi * (day - garden.season_day) / 365)
        drunk = garden.et_ml * (1 + garden.season * year) * math.exp(now["drift"]) * part
        stress = min(1.0, max(0.0, (now["soil"] - 100) / 80))
        now["soil"] -= drunk * stress
        used = garden.drain / 2 * (part + out["ran_ms"] * 20 / garden.et_ml / 1000)
        now["charge"] = max(0.0, now["charge"] - used)


def volts_of(garden: Garden, charge: float) -> float:
    """Rest voltage of this garden's cell."""
    own = 0.015 * math.sin(9 * charge + garden.curve) if garden.curve else 0.0
    return cell_volts(charge, CELLS[garden.cell]) + own


def at(probe: dict[str, Any], value: float) -> int:
    """Counts of a value, with fractions, so that rounding does not hide the scatter."""
    points = [tuple(p) for p in probe["points"]]
    return int(counts_at(points, int(value)))


def write(folder: Path, outs: Iterator[dict[str, Any]], stored: dict[str, bytes]) -> Path:
    """A log folder with one file and what was in force beside it. Returns the log folder."""
    log = folder / "logs"
    (log / "in-force").mkdir(parents=True)
    with (log / "00000001.jsonl").open("wb") as file:
        for index, out in enumerate(outs):
            if index % 32 == 0:
                file.write(line.encode(STATE_RECORD, out["before"]) + b"\n")
            file.write(out["line"] + b"\n")
    for data in stored.values():
        (log / "in-force" / f"{line.identity(data)}.json").write_bytes(data + b"\n")
    return log


def make(folder: Path, garden: Garden) -> Path:
    """Grow a garden into a pot's log folder."""
    return write(folder, grow(garden), lines(garden.wake_s))


def long_log(folder: Path, wakes: int, every_s: int) -> Path:
    """A log of very many wakes, made by shifting the numbers of a few real ones.

    States no longer follow one another, which the report does not look at. Soil, level
    and battery vary; one wake in 400 waters, one in 9000 trips, one lockout is in force.
    """
    garden = Garden(days=12, seed=3, wake_s=every_s)
    outs = list(grow(garden))
    quiet = next(o["record"] for o in outs if not o["record"]["commands"][3].startswith("store"))
    pump = next(o["record"] for o in outs if "run" in o["record"])
    log = folder / "logs"
    (log / "in-force").mkdir(parents=True)
    for data in lines(garden.wake_s).values():
        (log / "in-force" / f"{line.identity(data)}.json").write_bytes(data + b"\n")
    start_s = START_S - EPOCH_S
    begin_s, size = start_s, 4000
    for number in range(-(-wakes // size)):
        with (log / f"{number + 1:08d}.jsonl").open("wb") as file:
            for n in range(number * size, min(wakes, (number + 1) * size)):
                now_s = begin_s + n * every_s
                record = pump if n % 400 == 7 else quiet
                record["n"] = n
                record["begin"]["cause"] = "timer" if n else "power"
                record["begin"]["vouched"] = 1 if n else 0
                record["begin"]["slept_s"] = every_s if n else 0
                record["begin"]["utc"] = [now_s // DAY_S, now_s % DAY_S, 1]
                record["commands"][-1] = f"sleep {every_s} button"
                record["values"]["soil_ppt"] = 300 - n % 400 // 8 + (n * 7919) % 5
                record["values"]["level_ml"] = 3900 - n // 400 * 40 % 3600
                record["values"]["battery_mv"] = 4100 - n % 40000 // 100
                record["trips"] = ["no flow"] if n % 9000 == 7 else []
                record["lockouts"] = ["dry run"] if 50000 <= n < 50100 else []
                body = json.dumps(record, separators=(",", ":")).encode()[:-1]
                file.write(body + line.TAIL + b'%08x"}\n' % crc32(body))
    return log


def pot_toml(folder: Path, **texts: str) -> None:
    """A pot.toml from the demo set with other texts."""
    shutil.copytree(
        CAFE / "fern", folder, dirs_exist_ok=True, ignore=shutil.ignore_patterns("logs")
    )
    text = (folder / "pot.toml").read_text(encoding="utf-8")
    for key, value in texts.items():
        kept = [row for row in text.splitlines() if not row.startswith(f"{key} = ")]
        text = "\n".join([f"{key} = {json.dumps(value)}", *kept]) + "\n"
    (folder / "pot.toml").write_text(text, encoding="utf-8")


def hostile(record: dict[str, object]) -> bytes:
    """A line with a good CRC whatever it holds."""
    body = json.dumps(record, separators=(",", ":")).encode()[:-1]
    return body + line.TAIL + b'%08x"}\n' % crc32(body)
