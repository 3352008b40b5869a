"""What came back: faults that went away by themselves or were cleared, and came again.

What belongs here: counting them over a season, with the likely cause of each. What does not: what
is wrong right now (condition.py), and wear that shows in figures (findings.py).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from operator import attrgetter

from wakewell import words
from wakewell.language import say, term
from wakewell.log.series import PotLog, WakeRow, lockout_spans
from wakewell.log.times import DAY_S, Calendar
from wakewell.pot import parts
from wakewell.report.findings import ACT, LATELY_S, QUIET, WATCH, Finding

NAME = term("faults that come back")
SEASON_DAYS, YEAR_DAYS = 92, 365
MOST_TIMES = 2  # in a season; more has a cause that is still there. Common practice, no source
THRESHOLD = f"more than {MOST_TIMES} times within {SEASON_DAYS} days of the last year"
# Trips that are no fault: the day's water is used up, or the run reached its limit
NO_FAULT = ("day", "full", "reserve")
PROBES = ("soil", "level", "battery")
PLAUSIBLE = ("good", "unfitted", "cold")
RESERVE = words.Word(
    "the tank ran down to its reserve",
    "it was filled too late, or it is too small for this plant",
)

Time = tuple[str, words.Word, float]  # (key, what happened, when)


def stretches(log: PotLog, bad: Callable[[WakeRow], bool], least: int) -> Iterator[WakeRow]:
    """The first wake of each run of at least so many of which that is true."""
    first, count = log.wakes[0], 0
    for wake in log.wakes:
        if not bad(wake):
            count = 0
            continue
        count += 1
        first = wake if count == 1 else first
        if count == least:
            yield first


def happened(log: PotLog) -> Iterator[Time]:
    """Every fault on record that began: lockouts, an empty tank, probes not believed, trips."""
    locked_days = set()
    for name, start_s, _, _ in lockout_spans(log):
        locked_days.add(int(start_s // DAY_S))
        word = words.of(words.LOCKOUTS, name)
        why = words.STOPPED_FOR.get(name, name)
        told = say("it stopped watering because of {why}", why=why)
        yield f"lockout {name}", words.Word(told, word.cause), start_s
    for first in stretches(log, lambda wake: "reserve" in wake.failing, 1):
        yield "reserve", RESERVE, first.time_s
    for probe in PROBES:
        member = attrgetter(probe + "_word")
        told = say("the {probe} gave implausible readings", probe=parts.PROBES[probe].plain)
        for first in stretches(log, lambda wake: member(wake) not in PLAUSIBLE, 2):  # noqa: B023
            cause = words.of(words.PROBE_WORDS, member(first)).cause
            yield f"probe {probe}", words.Word(told, cause), first.time_s
    for wake in log.wakes:
        for trip in wake.trips:
            if trip not in NO_FAULT and int(wake.time_s // DAY_S) not in locked_days:
                word = words.of(words.TRIPS_WORDS, trip)
                yield f"trip {trip}", words.Word(word.plain, word.cause), wake.time_s


def densest(times_s: Sequence[float], since_s: float) -> list[float]:
    """The most of these times, on different days, that lie within one season; the latest such."""
    days = {int(time_s // DAY_S): time_s for time_s in times_s if time_s >= since_s}
    rows = sorted(days.values())
    best: list[float] = []
    for at, first_s in enumerate(rows):
        season = [t for t in rows[at:] if t - first_s <= SEASON_DAYS * DAY_S]
        if len(season) >= len(best):
            best = season
    return best


def came_back(log: PotLog, calendar: Calendar) -> list[Finding]:
    """A finding for each fault that came back, most often first; one that says there is none."""
    end_s = log.wakes[-1].time_s
    times: dict[str, list[float]] = {}
    said: dict[str, words.Word] = {}
    for key, word, time_s in happened(log):
        times.setdefault(key, []).append(time_s)
        said[key] = word
    found = []
    for key, rows in times.items():
        season = densest(rows, end_s - YEAR_DAYS * DAY_S)
        if len(season) <= MOST_TIMES:
            continue
        last = calendar.date(season[-1], False)
        plain = say(
            "{count} times within three months {what}, last on {date}",
            count=len(season),
            what=said[key].plain,
            date=last,
        )
        do = say(
            "Find the cause, or it will happen again. Likely cause: {cause}.",
            cause=said[key].cause,
        )
        state = ACT if end_s - season[-1] <= LATELY_S else WATCH
        measure = f"{key}: {len(season)} in a season, {len(rows)} on record"
        found.append((len(season), Finding(NAME, state, plain, measure, THRESHOLD, do)))
    if not found:
        return [Finding(NAME, QUIET, say("no fault came back"), "none", THRESHOLD)]
    return [one for _, one in sorted(found, key=lambda row: -row[0])]
