"""Is the pot all right, and if not, what is to be done? The first screen's answer.

What belongs here: the three conditions (well, due, needs a person), the things to do in
order, and the next visit. What does not: wear and drift (findings.py) and layout.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from wakewell import words
from wakewell.report.findings import ACT, Finding
from wakewell.report.forecast import Forecast
from wakewell.report.series import PotLog, Wake
from wakewell.report.times import DAY_S, Calendar, span_text

WELL, DUE, PERSON = "well", "due", "needs a person"
ORDER = {PERSON: 0, DUE: 1, WELL: 2}
CHARGE = "Charge the battery (away from the water)"
# What runs out within a week makes a visit due, and a log that ended longer ago says nothing
# of today; common practice, no source.
VISIT_DAYS = 7
SAID_BY_LOCKOUT = ("clear a lockout", "see to the pot", "see why it stays dry")
ROUTINE = ("fill the tank", "charge the battery", "confirm the charge", "unplug the charger")


@dataclass
class Task:
    """One thing to do. why: the plain reason; name: the core's word, for the maker."""

    do: str
    why: str
    cause: str = ""
    name: str = ""


@dataclass
class Condition:
    """How a pot is. visit_s: when the next visit should be at the latest, if it can be told."""

    word: str
    sentence: str
    tasks: list[Task] = field(default_factory=list)
    visit_s: float | None = None
    visit: str = ""
    old_s: float = 0.0  # from the last wake on record to the day the page was made


def since(log: PotLog, name: str) -> Wake:
    """The wake from which a lockout of the last wake has held without a break."""
    first = log.wakes[-1]
    for wake in reversed(log.wakes):
        if name not in wake.lockouts:
            break
        first = wake
    return first


def judge(
    log: PotLog,
    calendar: Calendar,
    tank: Forecast,
    battery: Forecast,
    found: list[Finding],
    now_s: float | None = None,
) -> Condition:
    """The condition at the end of the log. now_s: today, for what has run out since."""
    last = log.wakes[-1]
    tasks, word = [], WELL
    for name in last.lockouts:
        entry, begun = words.of(words.LOCKOUTS, name), since(log, name)
        why = f"{entry.plain} (since {calendar.date(begun.time_s)})"
        tasks.append(Task(entry.do, why, entry.cause, name))
        word = PERSON
    dry = "reserve" in last.failing
    for name in last.needs:
        if name in SAID_BY_LOCKOUT and last.lockouts:
            continue
        if name == "charge the battery" and "battery low" in last.lockouts:
            continue
        entry = words.of(words.NEEDS, name)
        why, cause, do = entry.plain, entry.cause, entry.do
        if name == "fill the tank" and dry:
            why = "the tank is down to its reserve, so the pot cannot water"
        if name in ("see to the soil probe", "see to the level"):
            probe = "soil" if "soil" in name else "level"
            judged = words.of(words.PROBE_WORDS, getattr(last, probe + "_word"))
            why, cause = f"{entry.plain}: {judged.plain}", judged.cause or cause
        tasks.append(Task(do, why, cause, name))
        routine = name in ROUTINE and not (name == "fill the tank" and dry)
        word = PERSON if not routine or word == PERSON else DUE
    if log.doses and not log.doses[-1].given_ul and not last.lockouts:
        tried = log.doses[-1]
        entry = words.of(words.TRIPS_WORDS, tried.trips[-1] if tried.trips else "no flow")
        why = f"it tried to water on {calendar.date(tried.time_s)}, and {entry.plain}"
        tasks.append(Task(entry.do, why, entry.cause, "dry run"))
        word = DUE if word == WELL else word
    locked = {words.RULES.get(name) for name in last.lockouts}
    for finding in found:
        if finding.state == ACT and finding.rule not in locked:
            tasks.append(Task(finding.do, finding.plain, "", finding.name))
            word = DUE if word == WELL else word
    week_s = last.time_s + VISIT_DAYS * DAY_S
    coming = sorted(_coming(last, tank, battery), key=lambda row: row[1])
    condition = Condition(word, "", tasks)
    today = now_s if now_s is not None and log.dated and not log.shifted else last.time_s
    condition.old_s = today - last.time_s
    for text, date_s in coming:
        if date_s < today:
            tasks.append(Task(f"{text} now.", "by its last log it may have run out meanwhile"))
        elif date_s <= week_s:
            by = f"{text} by {calendar.date(date_s)}."
            tasks.append(Task(by, "it may run out from then on"))
    if today > week_s:
        ago = f"{span_text(condition.old_s)} ago"
        why = f"nothing is known since {calendar.date(last.time_s)}, {ago}"
        tasks.append(Task("Look at the pot, and pull its log anew.", why))
    if word == WELL and tasks:
        condition.word = DUE
    by_s = [f.early_s for f in (tank, battery) if f.early_s is not None]
    if condition.word == PERSON:
        condition.visit_s, condition.visit = last.time_s, "now"
    elif soonest := by_s + [week_s] * (today > week_s or any(t.name for t in tasks)):
        condition.visit_s = min(soonest)
        condition.visit = f"by {calendar.date(condition.visit_s)}"
        if condition.visit_s <= today:
            condition.visit = "now"
        elif condition.visit_s == week_s:
            condition.visit = "this week"
    condition.sentence = _sentence(condition, coming, calendar, log)
    return condition


def _coming(last: Wake, tank: Forecast, battery: Forecast) -> list[tuple[str, float]]:
    """(what to do, by when at the latest) of what will run out and was not asked for yet."""
    rows = []
    if tank.early_s is not None and "fill the tank" not in last.needs:
        rows.append(("Fill the tank", tank.early_s))
    known = {"charge the battery", "confirm the charge"} & set(last.needs)
    if battery.early_s is not None and not known and "battery low" not in last.lockouts:
        rows.append((CHARGE, battery.early_s))
    return rows


def _sentence(
    condition: Condition,
    coming: list[tuple[str, float]],
    calendar: Calendar,
    log: PotLog,
) -> str:
    if condition.word == PERSON:
        lead = condition.tasks[0].why
        more = len(condition.tasks) - 1
        also = f", and {more} more" if more else ""
        return lead[0].upper() + lead[1:] + also + "."
    if condition.old_s > VISIT_DAYS * DAY_S:
        return f"It was watering on {calendar.date(log.wakes[-1].time_s)}; nothing is known since."
    if condition.word == DUE:
        return "It is watering; a visit is due."
    if not coming:
        return "It is watering by itself. Nothing to do."
    text, date_s = coming[0]
    away = span_text(max(0.0, date_s - log.wakes[-1].time_s))
    return (
        f"Nothing to do now. {text} by {calendar.date(date_s)}, {away} after the last wake on "
        "record."
    )
