"""When was that wake? Times for records whose clock may be absent, late or wrong.

What belongs here: times put together from counted sleep and believed clocks, and how a
time is written for a person. What does not: which record is which (series.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, tzinfo
from typing import NamedTuple
from zoneinfo import ZoneInfo

from wakewell import language
from wakewell.errors import BadInput
from wakewell.language import plural, say, term

EPOCH_S = 946684800  # 2000-01-01 UTC, from which the pot counts, in seconds since 1970
DAY_S = 86400
AFTER_S = 1.0  # between records that cannot be of the same time
# Forms of a date, as Unicode writes them (UTS 35)
WITH_WEEKDAY = term("EEE d MMMM y")
WITHOUT_WEEKDAY = term("d MMMM y")
WITHOUT_YEAR = term("d MMMM")
NEAR_S = 3600  # clocks that differ by less from counted time agree with it


class Tick(NamedTuple):
    """What a record says about time.

    elapsed_s: since the record before, or None if nothing vouches for it. utc_s: the
    pot's clock in seconds since 1970, or None if it was not trusted.
    """

    elapsed_s: float | None
    utc_s: int | None


def tick(
    cause: str, slept_s: int | None, before: tuple[int, int] | None, utc_s: int | None
) -> Tick:
    """What one record says. slept_s: None if nothing vouches for it; before: sleep commanded (s)
    and time awake (ms) of the record just before this one, None if that is missing.

    If a timer woke the board long before its time, a visit with the cable had set it anew. The
    sleep after the visit counts, not the time before it (R10), so only a clock knows the whole
    length.
    """
    if slept_s is None or before is None or cut_short(cause, slept_s, before[0]):
        return Tick(None, utc_s)
    return Tick(max(0, min(slept_s, before[0])) + before[1] / 1000, utc_s)


def cut_short(cause: str, slept_s: int, asked_s: int) -> bool:
    """Was a sleep that the timer ended much shorter than the one commanded?"""
    return cause == "timer" and 10 * slept_s < 9 * asked_s


def timeline(ticks: Sequence[Tick]) -> tuple[list[float], bool, int]:
    """(time of each record, dated, jumps of the clock).

    A run of records with vouched time is placed as a whole by the clock offset that holds for most
    of its records, so one wrong clock moves nothing. Times never go back: a run whose clock lies
    before the end of the last one begins right after it, and keeps its length; that is a jump.
    Without any trusted clock they count from the first record, and `dated` is False.
    """
    times: list[float] = []
    dated, jumps = any(tick.utc_s is not None for tick in ticks), 0
    at = 0
    while at < len(ticks):
        end = at + 1
        while end < len(ticks) and ticks[end].elapsed_s is not None:
            end += 1
        counted = [0.0]
        for tick in ticks[at + 1 : end]:
            counted.append(counted[-1] + (tick.elapsed_s or 0.0))
        placed, changes = _place(ticks[at:end], counted)
        jumps += changes
        last = times[-1] if times else None
        if placed is None:  # never dated: right after what came before
            first = (last or 0.0) + 60.0 if last is not None else 0.0
            placed = [first + c for c in counted]
        if last is not None and placed[0] <= last:
            late = last + AFTER_S - placed[0]
            jumps += late > NEAR_S
            placed = [time + late for time in placed]
        for time in placed:
            times.append(time if last is None or time > last else last + 1.0)
            last = times[-1]
        at = end
    if dated:
        _date_the_start(ticks, times)
    return times, dated, jumps


def _date_the_start(ticks: Sequence[Tick], times: list[float]) -> None:
    """Records before the first dated run end where it begins."""
    first = next(i for i, tick in enumerate(ticks) if tick.utc_s is not None)
    while first and ticks[first].elapsed_s is not None:
        first -= 1
    if first:
        shift = times[first] - 60.0 - times[first - 1]
        for i in range(first):
            times[i] += shift


def _place(ticks: Sequence[Tick], counted: list[float]) -> tuple[list[float] | None, int]:
    """Times of one vouched run, and how often its clock jumped against the count."""
    groups: list[list[tuple[int, float]]] = []  # (index, offset), neighbours that agree
    for i, tick in enumerate(ticks):
        if tick.utc_s is not None:
            offset = tick.utc_s - counted[i]
            if groups:
                last_i, last_offset = groups[-1][-1]
                drift = NEAR_S + 0.1 * (counted[i] - counted[last_i])
                if abs(offset - last_offset) <= drift:
                    groups[-1].append((i, offset))
                    continue
            groups.append([(i, offset)])
    if not groups:
        return None, 0
    best = max(groups, key=len)
    times: list[float] = []
    ends = [i for i, _ in best[1:]] + [len(counted)]
    for (_, offset), end in zip(best, ends, strict=True):
        times += [count + offset for count in counted[len(times) : end]]
    return times, len(groups) - 1


class Calendar:
    """Times as a person reads them: local if dated, else counted from the first wake."""

    def __init__(self, zone: str = "", dated: bool = True) -> None:
        self.zone: tzinfo | None = None
        self.dated = dated
        if zone:
            try:
                self.zone = ZoneInfo(zone)
            except (KeyError, ValueError, OSError):
                raise BadInput(
                    f"--timezone {zone[:40]!r}: not a time zone; write one such as Europe/Brussels "
                    "or UTC"
                ) from None
        self._hours: dict[int, float] = {}

    def local(self, time_s: float) -> datetime:
        """Local date and time, for a pot that knows the date."""
        return datetime.fromtimestamp(time_s, UTC).astimezone(self.zone)

    def wall_s(self, time_s: float) -> float:
        """Local wall time as seconds since 1970, as if it were UTC: what pictures draw."""
        if not self.dated:
            return time_s
        hour = int(time_s // 3600)
        shift = self._hours.get(hour)
        if shift is None:
            offset = self.local(hour * 3600).utcoffset()
            shift = self._hours[hour] = offset.total_seconds() if offset else 0.0
        return time_s + shift

    def date(self, time_s: float, weekday: bool = True) -> str:
        """Fri 12 June 2026, or day 12."""
        if not self.dated:
            return say("day {day}", day=int(time_s // DAY_S) + 1)
        form = WITH_WEEKDAY if weekday else WITHOUT_WEEKDAY
        return language.date(self.local(time_s), form)

    def between(self, early_s: float, late_s: float) -> tuple[str, str]:
        """Two dates, the first without its year where both have the same."""
        early, late = self.date(early_s, False), self.date(late_s, False)
        first = self.local(early_s)
        if self.dated and early != late and first.year == self.local(late_s).year:
            early = language.date(first, WITHOUT_YEAR)
        return early, late

    def days(self, time_s: float, now_s: float) -> int:
        """Midnights from now until then, on this calendar."""
        return int(self.wall_s(time_s) // DAY_S) - int(self.wall_s(now_s) // DAY_S)

    def ahead(self, time_s: float, now_s: float) -> str:
        """How far away a day is: today, tomorrow, in 6 days, in 5 weeks, in 4 months."""
        days = self.days(time_s, now_s)
        if days <= 1:
            return say("tomorrow") if days == 1 else say("today")
        if days < 21:
            return say("in {count} days", count=days)
        if days < 84:
            return say("in {count} weeks", count=days // 7)
        if days < 730:
            return say("in {count} months", count=int(days / 30.44))
        return plural("in {count} year", "in {count} years", int(days / 365.25))

    def within(self, time_s: float, now_s: float) -> str:
        """The same as a limit: today, by tomorrow, within 6 days."""
        days = self.days(time_s, now_s)
        if days <= 1:
            return say("by tomorrow") if days == 1 else say("today")
        return say("within {count} days", count=days)

    def moment(self, time_s: float) -> str:
        """Fri 12 June 2026, 06:00."""
        second = int(self.wall_s(time_s)) % DAY_S
        return f"{self.date(time_s)}, {second // 3600:02d}:{second % 3600 // 60:02d}"

    @property
    def name(self) -> str:
        """What these times are."""
        if not self.dated:
            return say("days since the first wake on record (this pot never knew the date)")
        if self.zone:
            return say("local time, {zone}", zone=self.zone)
        return say("local time of this computer")


def span_text(seconds: float) -> str:
    """A length of time in words: 40 minutes, 3 hours, 12 days."""
    if seconds < 5400:
        return plural("{count} minute", "{count} minutes", max(1, round(seconds / 60)))
    if seconds < 2 * DAY_S:
        return plural("{count} hour", "{count} hours", max(1, round(seconds / 3600)))
    return say("{count} days", count=round(seconds / DAY_S))
