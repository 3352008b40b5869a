"""Rows of wakes written by hand: a pot whose every number is known, one wake a day.

What belongs here: a quiet pot, so that a test names only what it changes. What does not:
reading a log (test_series.py) and whole gardens (grown.py).
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import grown
from wakecore import fields, line
from wakewell.log.series import Dose, PotLog, WakeRow
from wakewell.log.times import DAY_S

IDS = ("settings id", "limits id", "calibration id")
START_S = float(grown.START_S)
# The record of a wake in which nothing happened
QUIET: dict[str, Any] = {
    "cause": "timer", "core": "0" * 12, "ids": IDS, "slept_s": DAY_S, "sleep_s": DAY_S,
    "rest": 1800000, "soil_counts": 1600000, "soil_ppt": 300, "level_ml": 2000,
    "battery_mv": 3900, "temperature_mc": None, "soil_word": "good", "level_word": "good",
    "battery_word": "good", "phase": "idle", "kind": "none", "dose_ul": 0, "pulse_ms": 0,
    "ran_ms": 0, "given_ul": 0, "fall_ml": None, "after_counts": None, "day_ml": 0, "trips": (),
    "lockouts": (), "needs": (), "failing": (), "awake_ms": 2000, "charge_uah": 290,
    "stores_failed": 0, "boots": 0, "button_ms": 0, "files": (), "host": (),
    "radio_ms": 0,
}  # fmt: skip


def pot(**changes: dict[str, Any]) -> fields.Pot:
    """The grown gardens' pot.

    changes: by file, "settings", "limits" or "calibration".
    """
    found = []
    for kind in ("settings", "limits", "calibration"):
        content = line.decode(grown.lines(DAY_S)[kind])[0]
        assert content is not None
        values = fields.load(kind, content, "")[0]
        assert values is not None
        for name, value in changes.get(kind, {}).items():
            assert hasattr(values, name), name
            setattr(values, name, value)
        found.append(values)
    return fields.Pot(*found)


def wakes(days: int, changes: dict[int, dict[str, Any]] | None = None) -> list[WakeRow]:
    """One wake a day, numbered from 0. changes: by day, -1 is the last."""
    found = []
    for day in range(days):
        changed = {**(changes or {}).get(day, {}), **(changes or {}).get(day - days, {})}
        values = QUIET | {"time_s": START_S + day * DAY_S} | changed
        found.append(WakeRow(n=day, place=(0, day + 1), **values))
    return found


def log(rows: list[WakeRow], doses: Iterable[Dose] = (), known: fields.Pot | None = None) -> PotLog:
    """A log of these wakes; known: the files in force, None where they are not at hand."""
    return PotLog("pot", grown.Path("pot"), wakes=rows, doses=list(doses), pots={IDS: known})


def dose(day: float, rise_ppt: int | None = 40, **changes: Any) -> Dose:
    """40 ml planned and given, by which the soil rose."""
    peak = None if rise_ppt is None else 200 + rise_ppt
    values: dict[str, Any] = {"planned_ul": 40000, "given_ul": 40000, "ran_ms": 2000, "pulses": 1}
    values |= {"before_ppt": 200, "peak_ppt": peak}
    return Dose(START_S + day * DAY_S, int(day), "normal", **(values | changes))
