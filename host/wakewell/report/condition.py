"""Is the pot well, and if not, what must be done? The answer on the first screen.

What belongs here: the four conditions (well, due, no news, needs help now), the things to do
in order, and the next visit. What does not: wear and drift (findings.py) and layout.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from wakecore import fields, rules
from wakewell import words
from wakewell.budget.forecast import Forecast
from wakewell.language import number, plural, say, term
from wakewell.log.series import PotLog, WakeRow, refill_of, start_of, target_of
from wakewell.log.times import DAY_S, Calendar, span_text
from wakewell.report.expected import within_s
from wakewell.report.findings import ACT, Finding

WELL, DUE, SILENT, PERSON = term("well"), term("due"), term("no news"), term("needs help now")
ORDER = {PERSON: 0, SILENT: 1, DUE: 2, WELL: 3}
# What runs out within a week makes a visit due, and a log that is read by cable and ended longer
# ago says nothing of today; common practice, no source.
VISIT_DAYS = 7
BY_HAND = "water by hand"
SAID_BY_LOCKOUT = ("clear a lockout", "see to the pot", "see why it stays dry")
STAYS_DRY = "see why it stays dry"
# Needs that say themselves why the pot gives no water
KEEPS_DRY = (
    "see to the battery",
    "see to the soil probe",
    "see to the thermometer",
    "see to the level",
    "empty the saucer",
    "see to the saucer probe",
    "commission the pot",
)
ROUTINE = ("fill the tank", "charge the battery", "confirm the charge", "unplug the charger")
# Permissives that hold the pump back for a day at most
NOT_FOR_LONG = ("settled", "steady", "day")
# Where one of these does not hold, or is latched, the soil reading itself may be wrong
CABLE = {name for name, _, way in rules.LOCKOUTS if way == rules.CABLE}
DOUBTED = ("no response", "answer", "moving", "commissioned")
# Requirements of other parts that may be at fault, beside a lockout's or a need's own
DOUBTS = {
    "no response": ("R4", "R6"),
    "see to the hose": ("R4", "R6"),
    "interrupted": ("R5",),
    "see to the level": ("R6", "R8"),
    "see to the battery": ("R6",),
    "see to the saucer probe": ("R6",),
}


@dataclass
class Task:
    """One thing to do. why: the plain reason; name: the core's word, for the maker.

    told: the first sentence says why already. call: the maker has to be called.
    """

    do: str
    why: str
    cause: str = ""
    name: str = ""
    told: bool = False
    call: bool = False


@dataclass
class Condition:
    """How a pot is. visit_s: when the next visit should be at the latest, if it can be told.

    heard: its condition at the last wake on record, if today's is not known.
    """

    word: str
    sentence: str
    tasks: list[Task] = field(default_factory=list)
    visit_s: float | None = None
    visit: str = ""
    old_s: float = 0.0  # from the last wake on record to the day the page speaks of
    heard: str = ""


def since(log: PotLog, name: str) -> WakeRow:
    """The wake from which a lockout of the last wake has held without a break."""
    first = log.wakes[-1]
    for wake in reversed(log.wakes):
        if name not in wake.lockouts:
            break
        first = wake
    return first


def fill_ml(pot: fields.Pot, soil_ppt: int) -> int:
    """Water that brings the soil from there to where a dose of this pot would bring it, by its
    calibrated response, else its set dose. In steps that a jug shows."""
    if pot.calibration.ul_per_ppt:
        room_ml = max(0, target_of(pot) - soil_ppt) * int(pot.calibration.ul_per_ppt) / 1000
    else:
        room_ml = float(pot.settings.dose_ml)
    step = 10 if room_ml < 500 else 50
    return max(step, round(room_ml / step) * step)


def held_back(last: WakeRow, log: PotLog) -> bool:
    """Is the pot kept from watering by something that does not pass within a day?"""
    passing: tuple[str, ...] = NOT_FOR_LONG
    if log.pot is not None and log.pot.settings.upkeep_ml:
        passing += ("soil", "moving")  # it gives its upkeep doses meanwhile
    tried = bool(log.doses) and not log.doses[-1].given_ul
    return bool(last.lockouts) or tried or any(name not in passing for name in last.failing)


def by_hand(log: PotLog, meanwhile: str = "") -> Task | None:
    """The task to water by hand a dry plant whose pot cannot water. It comes first because it saves
    the plant. meanwhile: what the pot gives without knowing, as `upkeep` says it.
    """
    last, pot = log.wakes[-1], log.pot
    asked = words.of(words.NEEDS, BY_HAND) if BY_HAND in last.needs else None
    if not asked and not held_back(last, log):
        return None
    if last.soil_ppt is None or pot is None:
        if not asked and (last.soil_word == "cold" or pot is None):
            return None
        do = say("Feel the soil. If it is dry, water it by hand now.")
        if pot is not None:
            do = say(
                "Feel the soil. If it is dry, water it by hand now, about {ml} ml.",
                ml=fill_ml(pot, refill_of(pot)),
            )
        why = say("the pot cannot water by itself, and does not know whether the soil is dry")
        if meanwhile:
            why = say("the pot does not know whether the soil is dry") + meanwhile
        return Task(do, why, "", BY_HAND)
    refill = refill_of(pot)
    if last.soil_ppt > refill and not asked:
        return None
    doubted = any(name in DOUBTED for name in (*last.lockouts, *last.failing))
    do = say("Water it by hand now, about {ml} ml.", ml=fill_ml(pot, last.soil_ppt))
    if doubted:
        do = say(
            "Water it by hand now, about {ml} ml, if the soil feels dry.",
            ml=fill_ml(pot, last.soil_ppt),
        )
    held = number(last.soil_ppt / 10, 1)
    why = say(
        "the soil holds {held} % of water by volume; it should be watered at {refill} %",
        held=held,
        refill=number(refill / 10, 1),
    )
    if last.soil_ppt > refill and asked:
        why = say("{why}; the soil holds {held} % of water by volume", why=asked.plain, held=held)
    return Task(do, why, "", BY_HAND)


def upkeep(log: PotLog, calendar: Calendar) -> str:
    """What a pot gives while its probe is not believed: how much, how often, until when; or "",
    where it gives nothing."""
    last, pot = log.wakes[-1], log.pot
    ignored = "see to the soil probe" in last.needs and last.soil_word != "cold"
    if pot is None or not pot.settings.upkeep_ml or not ignored or held_back(last, log):
        return ""
    settings, level_ml = pot.settings, last.level_ml
    values = {"ml": settings.upkeep_ml, "days": settings.upkeep_days}
    if level_ml is None or pot.calibration.float_only:
        return say("; meanwhile the pot gives {ml} ml every {days} days", **values)
    doses = max(0, level_ml - start_of(pot)) // settings.upkeep_ml
    until_s = last.time_s + doses * settings.upkeep_days * DAY_S
    return say(
        "; meanwhile the pot gives {ml} ml every {days} days, and the tank is enough for that "
        "until {date}",
        date=calendar.date(until_s),
        **values,
    )


def leaks(lockouts: Iterable[str], needs: Iterable[str]) -> bool:
    """Does the tank lose water that nobody pumped? Then it is not filled before that is mended."""
    return "leak" in lockouts or "see why the tank empties" in needs


def asked_for(
    log: PotLog, calendar: Calendar, hand: bool, meanwhile: str
) -> tuple[list[Task], str]:
    """(tasks by the lockouts and needs of the last wake, the condition they make).

    hand: watering by hand is spoken of already; meanwhile: what the pot gives, as `upkeep` says it.
    """
    last = log.wakes[-1]
    tasks, word = [], WELL
    for name in last.lockouts:
        entry, begun = words.of(words.LOCKOUTS, name), since(log, name)
        why = say("{what} (since {date})", what=entry.plain, date=calendar.date(begun.time_s))
        do = entry.mend if hand else entry.do
        tasks.append(Task(do, why, entry.cause, name, call=name in CABLE))
        word = PERSON
    dry = "reserve" in last.failing
    for name in last.needs:
        if name == BY_HAND or (name in SAID_BY_LOCKOUT and last.lockouts):
            continue
        if name == STAYS_DRY and any(other in KEEPS_DRY for other in last.needs):
            continue
        if name == "see why the tank empties" and "leak" in last.lockouts:
            continue
        if name == "fill the tank" and leaks(last.lockouts, last.needs):
            continue
        if name == "charge the battery" and "battery low" in last.lockouts:
            continue
        entry = words.of(words.NEEDS, name)
        why, cause, do = entry.plain, entry.cause, entry.mend if hand else entry.do
        if name == "fill the tank" and dry:
            why = say("the tank is down to its reserve, so the pot cannot water")
        if name in ("see to the soil probe", "see to the level"):
            probe = "soil" if "soil" in name else "level"
            judged = words.of(words.PROBE_WORDS, getattr(last, probe + "_word"))
            why, cause = f"{entry.plain}: {judged.plain}", judged.cause or cause
            if getattr(last, probe + "_word") == "cold":
                do = judged.do
        call = name == "see to the pot" or entry.who == words.MAKER
        if name == "see to the soil probe" and meanwhile:
            do = entry.mend
            why += "" if hand else meanwhile
        tasks.append(Task(do, why, cause, name, call=call))
        routine = name in ROUTINE and not (name == "fill the tank" and dry)
        word = PERSON if not routine or word == PERSON else DUE
    return tasks, word


def told_of(finding: Finding, last: WakeRow) -> bool:
    """Does a lockout or a need of the last wake say already what this finding says?"""
    locked = {words.RULES.get(name) for name in last.lockouts}
    return finding.rule in locked or finding.need in last.needs


def contradicted(finding: Finding, last: WakeRow, tasks: Iterable[Task]) -> bool:
    """Does a lockout, a need or a task doubt what this finding says is in order? A leak of one day
    does not show in weeks of the level: what has just stopped the pot counts."""
    names = {*last.lockouts, *last.needs, *(task.name for task in tasks)}
    names -= {*ROUTINE, *SAID_BY_LOCKOUT}
    doubted = {words.RULES.get(name) for name in names}
    return finding.rule in doubted.union(*(DOUBTS.get(name, ()) for name in names))


def silent_after_s(log: PotLog) -> float:
    """Time after the last wake from which nothing is known of a pot, seconds.

    By radio it is when its report is overdue, as for a reminder; by cable a set time.
    """
    pot = log.pot
    if pot is None or not pot.settings.radio_wakes:
        return VISIT_DAYS * DAY_S
    settings = {name: getattr(pot.settings, name) for name in ("radio_wakes", "wake_s")}
    return within_s(settings, bool(log.wakes[-1].needs))


def judge(
    log: PotLog,
    calendar: Calendar,
    tank: Forecast,
    battery: Forecast,
    found: list[Finding],
    now_s: float | None = None,
) -> Condition:
    """The condition on the day the page speaks of, now_s; None: that of the last wake."""
    last = log.wakes[-1]
    today = now_s if now_s is not None and log.true_dates else last.time_s
    today = max(today, last.time_s)
    silent = today - last.time_s > silent_after_s(log)
    meanwhile = upkeep(log, calendar)
    hand = by_hand(log, meanwhile)
    tasks, word = asked_for(log, calendar, silent or hand is not None, meanwhile)
    if log.doses and not log.doses[-1].given_ul and not last.lockouts:
        tried = log.doses[-1]
        entry = words.of(words.TRIPS_WORDS, tried.trips[-1] if tried.trips else "no flow")
        why = say(
            "it tried to water on {date}, and {what}",
            date=calendar.date(tried.time_s),
            what=entry.plain,
        )
        tasks.append(Task(entry.do, why, entry.cause, "dry run"))
        word = DUE if word == WELL else word
    if hand is not None:
        tasks.insert(0, hand)
        word = PERSON
    for finding in found:
        if finding.state == ACT and not told_of(finding, last):
            tasks.append(Task(finding.do, finding.plain, "", finding.name))
            word = DUE if word == WELL else word
    if silent:
        on = calendar.date(last.time_s)
        tasks = [task for task in tasks if task is not hand]
        for task in tasks:
            task.why = say("by its last record, of {date}: {what}", date=on, what=task.why)
    week_s = today + VISIT_DAYS * DAY_S
    coming = sorted(_coming(last, tank, battery), key=lambda row: row[1])
    condition = Condition(word, "", tasks)
    condition.old_s = today - last.time_s
    for text, date_s in coming:
        if date_s < today:
            do, why = say(text, when=say("now")), say("it may have run out by now")
            tasks.append(Task(do, why))
        elif date_s <= week_s:
            why = say("it may run out from {date} on", date=calendar.date(date_s))
            tasks.append(Task(say(text, when=calendar.within(date_s, today)), why))
    if condition.word == WELL and tasks:
        condition.word = DUE
    if silent:
        condition.heard, condition.word = condition.word, SILENT
        tasks[:0] = _look(log)
    by_s = [f.early_s for f in (tank, battery) if f.early_s is not None]
    if condition.word in (PERSON, SILENT):
        condition.visit_s, condition.visit = last.time_s, say("now")
    elif soonest := by_s + [week_s] * any(t.name for t in tasks):
        condition.visit_s = min(soonest)
        condition.visit = calendar.ahead(condition.visit_s, today)
        if condition.visit_s <= today:
            condition.visit = say("now")
        elif condition.visit_s == week_s:
            condition.visit = say("this week")
    condition.sentence = _sentence(condition, coming, calendar, log, today)
    return condition


def _look(log: PotLog) -> list[Task]:
    """What to do about a pot of which nothing is known."""
    look = say("Look at the plant, and water it by hand if the soil is dry.")
    if log.pot is None or not log.pot.settings.radio_wakes:
        return [
            Task(look, say("its log has not been read since"), told=True),
            Task(
                say("Read its log again with the cable."),
                say("only its log shows how it is"),
                call=True,
            ),
        ]
    return [
        Task(look, say("its report is overdue, so it may not be watering"), told=True),
        Task(
            say(
                "Press its button. If its light does not answer, charge the battery, away from "
                "the water."
            ),
            say("a pot whose light answers is working"),
            say("an empty battery, or a Wi-Fi that is off or has a new password"),
        ),
    ]


def _coming(last: WakeRow, tank: Forecast, battery: Forecast) -> list[tuple[str, float]]:
    """(what to do {when}, by when at the latest) of what will run out and was not asked for."""
    rows = []
    if tank.early_s is not None and "fill the tank" not in last.needs:
        rows.append((term("Fill the tank {when}."), tank.early_s))
    known = {"charge the battery", "confirm the charge"} & set(last.needs)
    if battery.early_s is not None and not known and "battery low" not in last.lockouts:
        text = term("Charge the battery (away from the water) {when}.")
        rows.append((text, battery.early_s))
    return rows


def _sentence(
    condition: Condition,
    coming: list[tuple[str, float]],
    calendar: Calendar,
    log: PotLog,
    today: float,
) -> str:
    if condition.word == PERSON:
        first, more = condition.tasks[0], len(condition.tasks) - 1
        if first.name == BY_HAND and log.wakes[-1].soil_ppt is not None:
            return say("The soil is dry, and the pot cannot water it enough.")
        lead, first.told = first.why, True
        if more and first.name != BY_HAND:
            lead = plural(
                "{what}; {count} more thing to do is listed below",
                "{what}; {count} more things to do are listed below",
                more,
                what=lead,
            )
        return lead[0].upper() + lead[1:] + "."
    if condition.word == SILENT:
        last = {
            "date": calendar.date(log.wakes[-1].time_s),
            "span": span_text(condition.old_s),
        }
        was = {
            WELL: say("Last heard on {date}, {span} ago; then it was watering.", **last),
            DUE: say(
                "Last heard on {date}, {span} ago; then it was watering, and a visit was due.",
                **last,
            ),
        }
        needed = say("Last heard on {date}, {span} ago; then it needed help.", **last)
        return was.get(condition.heard, needed)
    if condition.word == DUE:
        return say("It is watering; a visit is due.")
    if not coming:
        return say("It is watering by itself. Nothing to do.")
    text, date_s = coming[0]
    ahead = say(text, when=calendar.ahead(date_s, today))
    return say("Nothing to do now. {what}", what=ahead)
