"""The pictures of a pot: which rows each one draws.

What belongs here: rows by picture and name, weeks, thinning of long rows that keeps their extremes.
What does not: how they are drawn (plots.py), pages around them (pages.py).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import groupby, pairwise
from typing import Any

from wakecore import fields
from wakewell import words
from wakewell.budget import forecast
from wakewell.budget.forecast import Forecast
from wakewell.language import say, term
from wakewell.log.record import IN_FORCE, TAKEN_BACK
from wakewell.log.series import PotLog, WakeRow, refill_of, spans_of, start_of
from wakewell.log.times import DAY_S, Calendar

BUCKETS = 1500
HELD = ("entry page", "mute")  # what a long hold of the button asks for
WEEK_S = 7 * DAY_S
MINUTE_MS = 60000
DAY_MS = 1000 * DAY_S
ASKED, STOPPED = term("asked: {what}"), term("stopped: {what}")
Row = tuple[float, float | None]
HEADROOM = 1.08  # the top of a picture that begins at 0, as a multiple of its highest value


@dataclass
class Picture:
    """One picture: its key, heading, text alternative, and rows by name of the data set.

    reach: where its time ends, ms, if that is later than the last record. places: the names of
    nought and of what is above it, where its values are no amounts.
    """

    key: str
    title: str
    text: str
    height: int
    rows: dict[str, list[dict[str, Any]]] = field(default_factory=dict)
    domain: tuple[float, float] = (0.0, 1.0)
    unit: str = ""
    dated: bool = True
    reach: int = 0
    places: tuple[str, str] | None = None


def week_of(wall_s: float, dated: bool) -> int:
    """The week of that wall time: weeks begin on Mondays, of an undated log with its first day."""
    day = int(wall_s // DAY_S)
    return (day + 3) // 7 if dated else day // 7


def week_begins(week: int, dated: bool) -> int:
    """The first second of that week, wall time."""
    return (7 * week - 3 * dated) * DAY_S


def thin(rows: Sequence[Row], buckets: int = BUCKETS, dated: bool = True) -> list[Row]:
    """Fewer rows that look the same: of each bucket of time the first, last, least and most.

    Rows with None part a line; the first of each run of them is kept. Rows are in order
    of time. No bucket spans two weeks, so that each week keeps its own extremes.
    """
    if len(rows) <= 4 * buckets:
        return list(rows)
    start, end = rows[0][0], rows[-1][0]
    width = (end - start) / buckets or 1.0
    found: list[Row] = []
    number = (-1, -1)
    first = last = least = most = -1
    low = high = 0.0

    def close() -> None:
        if first >= 0:
            found.extend(rows[i] for i in sorted({first, least, most, last}))

    for i, (time, value) in enumerate(rows):
        if value is None:
            close()
            first = -1
            if found and found[-1][1] is not None:
                found.append(rows[i])
            continue
        bucket = (week_of(time, dated), int((time - start) / width))
        if bucket != number or first < 0:
            close()
            number, first, least, most, low, high = bucket, i, i, i, value, value
        elif value < low:
            least, low = i, value
        elif value >= high:
            most, high = i, value
        last = i
    close()
    return found


def series(log: PotLog, calendar: Calendar, name: str, scale: float) -> list[Row]:
    """(wall time, value) of a believed quantity, parted by None wherever something is missing."""
    rows: list[Row] = []
    before = None
    for wake in log.wakes:
        value, wall = getattr(wake, name), wake.wall_s
        if before is not None and (wake.gap or value is None):
            rows.append((before + 1, None))
        if value is not None:
            rows.append((wall, value / scale))
        before = wall if value is not None else None
    return thin(rows, dated=calendar.dated)


def ms(wall_s: float) -> int:
    """For the script: milliseconds, on the minute."""
    return int(wall_s // 60) * MINUTE_MS


def as_rows(rows: Sequence[Row], digits: int) -> list[dict[str, Any]]:
    """Rows of a line for Vega."""
    return [{"t": ms(t), "v": None if v is None else round(v, digits)} for t, v in rows]


def gaps(log: PotLog, calendar: Calendar) -> list[dict[str, Any]]:
    """Stretches without a record, long enough to be seen."""
    found: list[dict[str, Any]] = []
    for before, wake in pairwise(log.wakes):
        if wake.gap:
            found.append(
                {
                    "t": ms(before.wall_s),
                    "u": ms(wake.wall_s),
                    "w": "no record",
                }
            )
    if len(found) > 500:
        found = sorted(found, key=lambda g: g["t"] - g["u"])[:500]
    return found


def stretches(
    log: PotLog, of: Callable[[fields.Pot], dict[str, Any] | None], reach: int = 0
) -> list[dict[str, Any]]:
    """What `of` makes of the files in force, as long as each was: rows with t and u, ms.

    reach: until when the last ones are drawn, if that is later than the last record.
    """
    found: list[dict[str, Any]] = []
    last: dict[str, Any] | None = None
    for ids, wakes in groupby(log.wakes, lambda wake: wake.ids):
        begin = ms(next(wakes).wall_s)
        if found and last is not None:
            found[-1]["u"] = begin
        pot = log.pots[ids]
        now = of(pot) if pot is not None else None
        if now is not None and now != last:
            found.append({"t": begin, "u": begin, **now})
        last = now
    if found and last is not None:
        found[-1]["u"] = max(ms(log.wakes[-1].wall_s), reach)
    return found


def weeks(log: PotLog, calendar: Calendar, name: str, scale: float) -> list[dict[str, Any]]:
    """Least (v) and most (h) of each week that has a believed value."""
    found = []
    for week, wakes in by_week(log, calendar):
        values = [value for wake in wakes if (value := getattr(wake, name)) is not None]
        if values:
            low, high = min(values) / scale, max(values) / scale
            found.append({**week_row(log, calendar, week), "v": low, "h": high})
    return found


def week_row(log: PotLog, calendar: Calendar, week: int) -> dict[str, Any]:
    """From when to when that week is on record, ms."""
    first, last = ends(log)
    begin = 1000 * week_begins(week, calendar.dated)
    return {"t": max(first, begin), "u": min(last, begin + 1000 * WEEK_S)}


def by_week(log: PotLog, calendar: Calendar) -> list[tuple[int, list[WakeRow]]]:
    """The wakes by week, in order."""
    found: dict[int, list[WakeRow]] = {}
    for wake in log.wakes:
        found.setdefault(week_of(wake.wall_s, calendar.dated), []).append(wake)
    return list(found.items())


def disbelieved(log: PotLog, calendar: Calendar, probe: str) -> list[dict[str, Any]]:
    """Wakes whose reading was not believed, at most a few for each bucket of time."""
    found: list[dict[str, Any]] = []
    last = None
    start, end = log.wakes[0].time_s, log.wakes[-1].time_s
    width = max(1.0, (end - start) / BUCKETS)
    for wake in log.wakes:
        word = getattr(wake, probe + "_word")
        if word in ("good", "unfitted"):
            continue
        key = (int((wake.time_s - start) / width), word)
        if key != last:
            plain = words.of(words.PROBE_WORDS, word).plain
            found.append({"t": ms(wake.wall_s), "w": plain})
        last = key
    return found


def refills(log: PotLog, calendar: Calendar) -> list[dict[str, Any]]:
    """When the level rose by more than its scatter: (time, litres after, millilitres added)."""
    found: list[dict[str, Any]] = []
    before = None
    for wake in log.wakes:
        if wake.level_ml is None:
            continue
        if before is not None and wake.level_ml - before > 20:
            pot = log.pot_of(wake)
            rise = 2 * max(10, pot.calibration.tolerance_ml) if pot else 40
            if wake.level_ml - before > rise:
                t = ms(wake.wall_s)
                found.append({"t": t, "v": wake.level_ml / 1000, "ml": wake.level_ml - before})
        before = wake.level_ml
    return found


def fan(found: Forecast, calendar: Calendar, scale: float) -> list[dict[str, Any]]:
    """The forecast's outer dates at falling values, and the middle one."""
    if found.middle_s is None or not found.fan:
        return []
    return [
        {
            "t": ms(calendar.wall_s(early)),
            "u": ms(calendar.wall_s(late)),
            "m": ms(calendar.wall_s(middle)),
            "v": round(value / scale, 4),
        }
        for early, middle, late, value in found.fan
    ]


def foretold(found: Forecast) -> str:
    """The text above the forecast, "" where there is none."""
    if found.why_not or not found.fan:
        return ""
    years = forecast.MOST_DAYS // 365
    if found.beyond:
        return say("forecast: over {years} years", years=years)
    return say("forecast")


def reach_of(found: Forecast, rows: Sequence[dict[str, Any]], begin: int, end: int) -> int:
    """Where the axis of a forecast ends: past its middle, so that this is seen.

    Where the middle is too far away to be told, the record keeps most of the paper.
    """
    if not rows:
        return end
    middle = int(rows[-1]["m"])
    late = middle + (middle - begin) // 20
    if found.beyond:
        late = end + (end - begin) // 4 + 21 * DAY_MS
    return late // MINUTE_MS * MINUTE_MS


def pictures(log: PotLog, calendar: Calendar, tank: Forecast, battery: Forecast) -> list[Picture]:
    """The pictures of a pot, in the order of the page. Needs at least one wake."""
    span = {"t": ms(log.wakes[0].wall_s), "u": ms(log.wakes[-1].wall_s)}
    found = [
        soil_picture(log, calendar),
        dose_picture(log, calendar),
        tank_picture(log, calendar, tank),
        battery_picture(log, calendar, battery),
    ]
    found.append(happenings(log, calendar, found[2].rows["refills"]))
    missing = gaps(log, calendar)
    for picture in found:
        picture.dated = calendar.dated
        ahead = {"tank": tank, "battery": battery}.get(picture.key)
        over = foretold(ahead) if ahead is not None else ""
        picture.rows |= {"gaps": missing, "span": [{**span, "w": over}]}
        picture.reach = max(picture.reach, span["u"])
    return found


def quantity(
    log: PotLog, calendar: Calendar, name: str, scale: float, digits: int
) -> dict[str, list[dict[str, Any]]]:
    """The rows that every quantity has: its line, its weeks, what was not believed."""
    return {
        "line": as_rows(series(log, calendar, name, scale), digits),
        "weeks": weeks(log, calendar, name, scale),
        "bad": disbelieved(log, calendar, name.partition("_")[0]),
    }


def values_in(rows: Sequence[dict[str, Any]], *members: str) -> list[float]:
    """Those members of the rows, without what is missing."""
    return [row[name] for row in rows for name in members if row[name] is not None]


def soil_picture(log: PotLog, calendar: Calendar) -> Picture:
    """Soil water, with refill point (r) and container capacity (c) as they were in force."""
    picture = Picture("soil", say("Water in the soil"), "", 240, unit=say("% by volume"))
    picture.rows = quantity(log, calendar, "soil_ppt", 10, 1)
    picture.rows["bands"] = stretches(
        log, lambda pot: {"v": refill_of(pot) / 10, "h": pot.calibration.capacity_ppt / 10}
    )
    picture.rows["given"] = [{"t": ms(calendar.wall_s(d.time_s))} for d in log.waterings]
    rows = picture.rows
    known = values_in(rows["line"], "v") + values_in(rows["bands"], "v", "h")
    picture.domain = around(known, 3.0, 1.0)
    return picture


def dose_picture(log: PotLog, calendar: Calendar) -> Picture:
    """Water given, dose by dose and week by week."""
    picture = Picture("doses", say("Water given"), "", 170, unit=say("ml a watering"))
    doses = dose_rows(log, calendar)
    sums: dict[int, dict[str, Any]] = {}
    for dose in doses:
        week = week_of(dose["t"] / 1000, calendar.dated)
        empty = {**week_row(log, calendar, week), "v": 0, "n": 0, "x": 0}
        row = sums.setdefault(week, empty)
        row["v"] += dose["v"]
        row["n"] += bool(dose["v"])
        row["x"] += bool(dose["x"])
    picture.rows = {"doses": doses, "weeks": list(sums.values())}
    most = max((max(dose["v"], dose["p"]) for dose in doses), default=0)
    picture.domain = (0.0, 1.1 * most or 10.0)
    return picture


def tank_picture(log: PotLog, calendar: Calendar, ahead: Forecast) -> Picture:
    """Water in the tank, the levels at which it asks for a refill and stops, refills, forecast."""
    unit = say("float switch") if log.float_only else say("litres")
    picture = Picture("tank", say("Water in the tank"), "", 220, unit=unit)
    rows = picture.rows = quantity(log, calendar, "level_ml", 1000, 3)
    rows["refills"] = refills(log, calendar)
    rows["fan"] = fan(ahead, calendar, 1000)
    picture.reach = reach_of(ahead, rows["fan"], *ends(log))

    def level(name: str, pot: fields.Pot) -> dict[str, Any] | None:
        if pot.calibration.float_only:
            return None
        stops = start_of(pot)
        if name == "stops":
            return {"v": stops / 1000}
        asks = pot.settings.tank_warn_ml
        return {"v": asks / 1000} if asks > stops else None

    for name in ("asks", "stops"):
        rows[name] = stretches(log, partial(level, name), picture.reach)
    known = values_in([*rows["line"], *rows["asks"], *rows["stops"]], "v")
    picture.domain = (0.0, HEADROOM * max(known, default=0.0) or 1.0)
    if log.float_only:
        picture.places = say("down"), say("up")
    return picture


def battery_picture(log: PotLog, calendar: Calendar, ahead: Forecast) -> Picture:
    """The battery at rest, the voltages at which it asks for a charge and stops, the forecast."""
    picture = Picture("battery", say("Battery at rest"), "", 200, unit=say("volts"))
    rows = picture.rows = quantity(log, calendar, "battery_mv", 1000, 3)
    rows["fan"] = fan(ahead, calendar, 1000)
    picture.reach = reach_of(ahead, rows["fan"], *ends(log))

    def rest(name: str, pot: fields.Pot) -> dict[str, Any] | None:
        stops = max(pot.settings.battery_mv, pot.limits.rest_mv)
        if name == "stops":
            return {"v": stops / 1000}
        asks = pot.settings.battery_warn_mv
        return {"v": asks / 1000} if asks > stops else None

    for name in ("asks", "stops"):
        rows[name] = stretches(log, partial(rest, name), picture.reach)
    picture.domain = around(
        values_in([*rows["line"], *rows["asks"], *rows["stops"]], "v"), 0.08, 0.1
    )
    return picture


def ends(log: PotLog) -> tuple[int, int]:
    """First and last record, ms."""
    return ms(log.wakes[0].wall_s), ms(log.wakes[-1].wall_s)


def around(values: Sequence[float], room: float, step: float) -> tuple[float, float]:
    """An axis from a round number below the least of them to above the most."""
    if not values:
        return 0.0, 1.0
    low = math.floor((min(values) - room) / step) * step
    return round(max(low, 0.0), 6), max(values) + room


def dose_rows(log: PotLog, calendar: Calendar) -> list[dict[str, Any]]:
    """Every watering: delivered and planned millilitres, and what stopped it early."""
    return [
        {
            "t": ms(calendar.wall_s(d.time_s)),
            "v": round(d.given_ul / 1000),
            "p": round(d.planned_ul / 1000),
            "w": words.of(words.KINDS, d.kind).plain,
            "x": "; ".join(words.of(words.TRIPS_WORDS, t).plain for t in dict.fromkeys(d.trips)),
        }
        for d in log.doses
    ]


def happenings(log: PotLog, calendar: Calendar, filled: list[dict[str, Any]]) -> Picture:
    """Lockouts and needs as bars; trips, resets and presses as marks, each in a row of its own."""
    picture = Picture("events", say("Stops and visits"), "", 0)
    bars, marks = [], []
    for member, table in (("lockouts", words.LOCKOUTS), ("needs", words.NEEDS)):
        for name, start, end, _ in spans_of(log, member):
            t, u = ms(calendar.wall_s(start)), ms(calendar.wall_s(end))
            said = say(ASKED, what=words.task(name))
            if member == "lockouts":
                said = say(STOPPED, what=words.STOPPED_FOR.get(name, name))
            plain = words.of(table, name).plain
            bars.append({"row": said, "t": t, "u": max(u, t + 1), "w": plain, "k": member})
    for wake in log.wakes:
        if wake.cause == "timer" and not wake.trips and not wake.host:
            continue
        wall_ms = ms(wake.wall_s)
        for trip in wake.trips:
            plain = words.of(words.TRIPS_WORDS, trip).plain
            row = {"row": say("run cut short"), "t": wall_ms, "w": plain, "k": "trip"}
            marks.append(row)
        if wake.cause in ("brownout", "watchdog", "power", "reset"):
            plain = words.of(words.CAUSES, wake.cause).plain
            marks.append({"row": say("restarted"), "t": wall_ms, "w": plain, "k": "start"})
        elif wake.cause == "button":
            text = say("somebody pressed the button")
            if "entry page" in wake.host:
                text = say("somebody opened the Wi-Fi page")
            elif "mute" in wake.host:
                text = say("somebody muted the reminders")
            marks.append({"row": say("button"), "t": wall_ms, "w": text, "k": "button"})
        new, back = IN_FORCE in wake.host, TAKEN_BACK in wake.host
        if new or back:
            text = say("a new version of the program")
            text = say("back to the version before") if back else text
            marks.append({"row": say("program"), "t": wall_ms, "w": text, "k": "cable"})
        others = (*HELD, IN_FORCE, TAKEN_BACK)
        by_cable = "; ".join(action for action in wake.host if action not in others)
        if by_cable:
            row = {"row": say("maker's cable"), "t": wall_ms, "w": by_cable, "k": "cable"}
            marks.append(row)
    for refill in filled:
        text = say("filled by {ml} ml", ml=refill["ml"])
        marks.append({"row": say("tank filled"), "t": refill["t"], "w": text, "k": "refill"})
    picture.rows = {"bars": bars, "marks": marks}
    in_rows(picture)
    return picture


def in_rows(picture: Picture) -> None:
    """Give each row of bars or marks its place, and the picture its height."""
    names = dict.fromkeys(row["row"] for name in ("bars", "marks") for row in picture.rows[name])
    picture.rows["rows"] = [{"row": name} for name in names]
    picture.height = max(40, 36 * len(names))
