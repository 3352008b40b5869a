"""Why somebody is to be reminded of a pot: what it needs, what stopped it, or its silence.

Belongs here: causes and whom they concern, from what was last heard. Not here: when a
message goes out and how (remind).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from wakecore import rules
from wakewell import language, words
from wakewell.language import number, plural, say, term
from wakewell.report.condition import leaks
from wakewell.report.expected import DAY_S, HOUR_S, often, within_s

DAY_FORM = term("EEEE d MMMM")
UNHEEDED_S = 3 * DAY_S  # then the maker is told that the owner has not done it
SILENT = "silent"
NEVER = "never heard"
VAIN = "reports in vain"
UNHEARD = "nobody listens"
MUTED = "muted"
BY_LOCKOUT = ("clear a lockout", "see to the pot")  # needs that the lockout's own sentence covers
CABLE = {name for name, _, way in rules.LOCKOUTS if way == rules.CABLE}
MAKERS = {row[0] for row in rules.NEEDS if row[1] == words.MAKER}


@dataclass(frozen=True)
class Cause:
    """One cause. key names it for good; who: words.OWNER or words.MAKER; is and do: sentences.

    mend: do, for a message that says already how the plant gets water; "": the same. name: of the
    need or the lockout that it is, "": neither.
    """

    key: str
    who: str
    is_: str
    do: str
    mend: str = ""
    name: str = ""


def never(waited_s: float, settings: dict[str, int]) -> Cause | None:
    """The cause for a pot that has never reported, once its first report is overdue."""
    if not settings["radio_wakes"] or waited_s <= within_s(settings, False):
        return None
    return Cause(
        NEVER,
        words.MAKER,
        say("no report has ever arrived from it, for {span}", span=_span(waited_s)),
        say(
            "Check that Wi-Fi and broker in its private.toml are right, that the board was flashed "
            "with them, and that wakewell listen names this pot. The plant may need water by hand."
        ),
    )


def of(
    told: dict[str, Any], told_at: int, settings: dict[str, int], now: float, zone: str = "UTC"
) -> list[Cause]:
    """The causes that hold now. told, told_at: of the pot's newest report, as the store has it.

    zone: whose days of the week are told. What a silent pot asked for is not repeated: it may be
    out of date. A lockout is, because it says where to look.
    """
    found, silent = [], False
    needs, lockouts = told.get("needs", []), told.get("lockouts", [])
    late_s = now - told_at
    # With radio_wakes = 0 it was asked to be silent.
    if settings["radio_wakes"] and late_s > within_s(settings, bool(needs)):
        silent = True
        found.append(
            Cause(
                SILENT,
                words.OWNER,
                silence(told, told_at, settings, zone),
                say(
                    "It may not be watering. Look at the plant and water it by hand if it is dry. "
                    "Press the pot's button; if its light does not answer, charge the battery, "
                    "away from the water."
                ),
            )
        )
    if told.get("vain"):
        found.append(
            Cause(
                VAIN,
                words.MAKER,
                say(
                    "its last report arrived after {count} attempts that failed",
                    count=told["vain"],
                ),
                say(
                    "See its wakes in the log, begin.radio: where it was cut off, the battery is "
                    "too weak for the radio or its wires too thin; where it failed, check Wi-Fi "
                    "and broker."
                ),
            )
        )
    for name in lockouts:
        word = words.of(words.LOCKOUTS, name)
        who = words.MAKER if name in CABLE else words.OWNER
        is_ = word.plain
        if silent:
            is_ = say("when it was last heard, {what}", what=is_)
        found.append(Cause(f"lockout {name}", who, is_, word.do, word.mend, name))
    for name in [] if silent else needs:
        if name in BY_LOCKOUT and lockouts:
            continue
        if name == "fill the tank" and leaks(lockouts, needs):
            continue
        word = words.of(words.NEEDS, name)
        who = words.MAKER if name in MAKERS else words.OWNER
        found.append(Cause(f"need {name}", who, word.plain, word.do, word.mend, name))
    return found


def day(time_s: float, zone: str) -> str:
    """A day in words, in that time zone: Monday 4 May."""
    return language.date(datetime.fromtimestamp(time_s, ZoneInfo(zone)), DAY_FORM)


def _clock(time_s: float, zone: str) -> str:
    return f"{datetime.fromtimestamp(time_s, ZoneInfo(zone)):%H:%M}"


def silence(told: dict[str, Any], told_at: int, settings: dict[str, int], zone: str) -> str:
    """Since when nothing was heard, how the battery was then, and how often it should tell."""
    battery_mv = told.get("values", {}).get("battery_mv")
    values = {"date": day(told_at, zone), "every": often(settings, bool(told.get("needs")))}
    if battery_mv is None:
        return say("not heard since {date}; it was expected {every}", **values)
    return say(
        "not heard since {date}, {volts} V then; it was expected {every}",
        volts=number(battery_mv / 1000, 2),
        **values,
    )


def unheeded(cause: Cause, since_s: float) -> Cause | None:
    """What the maker is told when the owner was reminded of it for days, else None."""
    if cause.who != words.OWNER or since_s < UNHEEDED_S:
        return None
    return Cause(
        f"unheeded {cause.key}",
        words.MAKER,
        say(
            "{what}; its owner was told {span} ago, and it has not changed",
            what=cause.is_,
            span=_span(since_s),
        ),
        say("Ask the owner, or do it yourself. The owner was told: {what}", what=cause.do),
    )


def unheard(since: float, to: float | None, zone: str) -> Cause:
    """What a maker is told when nobody listens, or did not from then to then."""
    start = say("{date}, {time}", date=day(since, zone), time=_clock(since, zone))
    if to is None:
        return Cause(
            UNHEARD,
            words.MAKER,
            say("no pot can be heard since {date}", date=start),
            say(
                "See that wakewell listen runs on its computer, that it reaches broker and "
                "database, and that the disk has room. The pots water all the same, and tell what "
                "they noted later."
            ),
        )
    end = say("{date}, {time}", date=day(to, zone), time=_clock(to, zone))
    return Cause(
        UNHEARD,
        words.MAKER,
        say("no pot could be heard from {start} to {end}", start=start, end=end),
        say("Wakewell listen runs again, and the pots tell what they noted. See why it stopped."),
    )


def muted(until: str) -> Cause:
    """What the maker sees when somebody at the pot muted the reminders. until: a day in words."""
    return Cause(
        MUTED,
        words.MAKER,
        say("its reminders were muted with its button until {date}", date=until),
        say("Nobody else is reminded until then: see whether the plant needs you meanwhile."),
    )


def _span(seconds: float) -> str:
    """A span of time in words."""
    hours = int(seconds // HOUR_S)
    if hours < 48:
        return plural("{count} hour", "{count} hours", hours)
    return say("{count} days", count=hours // 24)
