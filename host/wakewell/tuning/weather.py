"""The weather that a twin lives in: the typical year of its place, or a file of measured days.

What belongs here: reading measured days, a climate from them, and one drawn out in depth by season.
What does not: how reference ET is found (rig/weather.py), what a pot makes of it.
"""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from wakewell.errors import BadInput
from wakewell.log.times import DAY_S
from wakewell.pot.description import Crop
from wakewell.rig.weather import HOURS, SOUTH_H, Climate, climate, placed
from wakewell.tomlfile import nearest, show, show_path

YEAR_S = HOURS * 3600.0
COLUMNS = ("date", "et0_mm", "rain_mm", "air_c")
RANGES = {"et0_mm": (0.0, 20.0), "rain_mm": (0.0, 500.0), "air_c": (-60.0, 60.0)}
LEAST_DAYS = 7
MIDSUMMER_DAY = 172.0  # the longest day: the season's first harmonic is counted from it


@dataclass(frozen=True)
class Weather:
    """A year of hours, and what it is. known: measured, so that rain in it did fall.

    days: how many days of it were measured.
    """

    climate: Climate
    text: str
    known: bool = False
    days: int = 0

    @property
    def rains(self) -> bool:
        """Is it known when rain fell into the pot, and did any?"""
        return self.known and max(self.climate.rain_mm) > 0.0


def typical(crop: Crop) -> Weather:
    """The typical year where it stands."""
    return Weather(_year(crop), f"the typical year, {_said(crop)}")


def _year(crop: Crop) -> Climate:
    return climate(placed(crop.stands, crop.latitude_deg))


def _said(crop: Crop) -> str:
    return crop.stands + (" south of the equator" if crop.south else "")


def dateless(crop: Crop) -> Weather:
    """The mean of the typical year, for a log that does not know the date."""
    base = _year(crop)
    air, et0 = (sum(row) / base.hours for row in (base.air_c, base.et0_mm))
    flat = Climate([air] * HOURS, [et0] * HOURS, [0.0] * HOURS)
    return Weather(flat, f"the mean of the typical year, {crop.stands}, for the log knows no date")


def year_s(time_s: float) -> float:
    """Seconds since its year began of a time (s since 1970, UTC), at most a typical year's."""
    moment = datetime.fromtimestamp(time_s, UTC)
    begun = datetime(moment.year, 1, 1, tzinfo=UTC).timestamp()
    return min(time_s - begun, YEAR_S - 1.0)


def measured(path: Path, crop: Crop, span: tuple[date, date] | None = None) -> Weather:
    """The days of a CSV of the place, spread over their hours as the typical year has them.

    Columns: date (2026-05-01), et0_mm (reference ET of the day) and, if at hand, rain_mm and air_c.
    A day that the file does not have is as in the typical year. Of several years the newest counts.
    span: first and last day of the log that it belongs to. Raises BadInput with file and line.
    """
    name = show_path(str(path))
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise BadInput(f"{name}: cannot be read: {error}; give a CSV with {_wanted()}") from None
    rows = csv.DictReader(text.splitlines())
    heads = rows.fieldnames or []
    for head in heads:
        if head not in COLUMNS:
            raise BadInput(f"{name}:1: column {show(head)}: {nearest(head, COLUMNS)}")
    for head in COLUMNS[:2]:
        if head not in heads:
            raise BadInput(f"{name}:1: column {head} is missing; give a CSV with {_wanted()}")
    base = _year(crop)
    air, et0, rain = list(base.air_c), list(base.et0_mm), list(base.rain_mm)
    if "rain_mm" not in heads:
        rain = [0.0] * HOURS
    seen: set[date] = set()
    for row in rows:
        where = f"{name}:{rows.line_num}"
        day = _date(row["date"], where, seen)
        seen.add(day)
        first = 24 * min(364, day.timetuple().tm_yday - 1)
        hours = slice(first, first + 24)
        for head, target in (("et0_mm", et0), ("rain_mm", rain), ("air_c", air)):
            if head not in heads:
                continue
            value = _number(row[head], head, where)
            usual = target[hours]
            if head == "air_c":
                more = value - sum(usual) / 24.0
                target[hours] = [one + more for one in usual]
            elif head == "rain_mm" or sum(usual) <= 0.0:
                target[hours] = [value / 24.0] * 24
            else:
                target[hours] = [one * value / sum(usual) for one in usual]
    if len(seen) < LEAST_DAYS:
        raise BadInput(f"{name}: {len(seen)} days; allowed {LEAST_DAYS} or more")
    if span is not None and sum(span[0] <= day <= span[1] for day in seen) < LEAST_DAYS:
        raise BadInput(
            f"{name}: its days, {min(seen)} to {max(seen)}, are not those of the log, {span[0]} to "
            f"{span[1]}; allowed {LEAST_DAYS} or more days in both: give the weather of the log"
        )
    said = f"{show_path(path.name)}, {min(seen)} to {max(seen)}, else the typical year, "
    said += _said(crop)
    return Weather(Climate(air, et0, rain, base.south), said, True, len(seen))


def _wanted() -> str:
    return "columns date, et0_mm and, if at hand, rain_mm, air_c"


def _date(text: str | None, where: str, seen: set[date]) -> date:
    try:
        found = date.fromisoformat(text or "")
    except ValueError:
        raise BadInput(f"{where}: date {show(text)}: allowed 2026-05-01; correct it") from None
    if found in seen:
        raise BadInput(f"{where}: date {found} stands there twice; leave one out")
    return found


def _number(text: str | None, head: str, where: str) -> float:
    low, high = RANGES[head]
    try:
        value = float(text or "")
    except ValueError:
        value = math.nan
    if not low <= value <= high:
        raise BadInput(f"{where}: {head} {show(text)}: allowed {low:g} to {high:g}; correct it")
    return value


def season(level: float, swing: float, lean: float, south: bool = False) -> NDArray[np.float64]:
    """A factor for each hour of the year: exp(level + a first harmonic). swing: midsummer over the
    mean; lean: three months after it; all three logarithms. south: midsummer is in December."""
    at = SOUTH_H // 24 if south else 0
    days = [math.exp(level + swing * a + lean * b) for a, b in _ANGLES[at:] + _ANGLES[:at]]
    return np.repeat(days, 24)


def _angle(day: int) -> float:
    return 2.0 * math.pi * (day + 0.5 - MIDSUMMER_DAY) / 365.0


_ANGLES = [(math.cos(_angle(day)), math.sin(_angle(day))) for day in range(365)]


def span_text(since_s: float, until_s: float) -> str:
    """Two times as days."""
    first, last = (datetime.fromtimestamp(s, UTC).date() for s in (since_s, until_s))
    return f"{first} to {last}" if (until_s - since_s) >= DAY_S else f"{first}"
