"""From a complaint to likely causes: too wet, too dry, silent.

What belongs here: for each complaint the causes we know, how strongly this log speaks for
each, the evidence, and the next check to make. What does not: what is wrong without a
complaint (report/condition.py).

The weights only order the list. They are common practice, no source.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from statistics import median

from wakewell import words
from wakewell.log.series import PotLog, WakeRow, target_of
from wakewell.log.times import DAY_S, Calendar
from wakewell.report import findings as looks
from wakewell.units import volts

LATELY_S = 42 * DAY_S


@dataclass
class LikelyCause:
    """One possible cause. weight: 0 nothing speaks for it, 1 some, 3 strong."""

    name: str
    check: str
    weight: float = 0.0
    evidence: list[str] = field(default_factory=list)

    def say(self, weight: float, evidence: str) -> None:
        """Add something that speaks for it."""
        self.weight += weight
        self.evidence.append(evidence)


def ranked(log: PotLog, complaint: str, calendar: Calendar) -> list[LikelyCause]:
    """The causes of that complaint, likeliest first. Needs at least one wake."""
    found = {"too wet": too_wet, "too dry": too_dry, "silent": silent}[complaint](log, calendar)
    return sorted(found, key=lambda cause: -cause.weight)


def lately(log: PotLog) -> list[WakeRow]:
    """The wakes of the last six weeks."""
    end_s = log.wakes[-1].time_s
    return [w for w in log.wakes if w.time_s > end_s - LATELY_S]


def finding(log: PotLog, look: object) -> looks.Finding:
    """One finding."""
    return look(log)  # type: ignore[operator, no-any-return]


def loud(found: looks.Finding) -> bool:
    """Does that finding need attention?"""
    return found.state in (looks.WATCH, looks.ACT)


def too_wet(log: PotLog, calendar: Calendar) -> list[LikelyCause]:
    """Why a pot may stand too wet."""
    recent, pot = lately(log), log.pot
    siphon = LikelyCause(
        "the tank siphons or leaks into the pot",
        "Lift the hose end above the tank's "
        "water line; mark the level, leave the pump unplugged a day, look again.",
    )
    drift = LikelyCause(
        "the soil probe reads too dry",
        "Pull the probe, wipe it, and compare its reading in wet soil with the calibration.",
    )
    much = LikelyCause(
        "it fills to more than this plant likes",
        "Lower fill_ppt, or raise depletion_ppt so that it waits longer.",
    )
    hand = LikelyCause("somebody waters it by hand, or it rains on it", "Ask who else waters it.")
    drain = LikelyCause(
        "the pot does not drain", "Look for a blocked drain hole and a full saucer."
    )
    button = LikelyCause("doses asked for at the button", "Ask who presses the button.")
    if loud(fall := finding(log, looks.lost_water)):
        siphon.say(3, fall.measure)
    if any("leak" in w.lockouts for w in recent):
        siphon.say(3, "a leak lockout in the last six weeks")
    if loud(probe := finding(log, looks.probe_drift)):
        drift.say(2, probe.measure)
    bad = Counter(w.soil_word for w in recent if w.soil_word not in ("good", "unfitted"))
    if bad:
        word, count = bad.most_common(1)[0]
        drift.say(1, f"{count} implausible readings: {words.of(words.PROBE_WORDS, word).plain}")
    rises = rises_by_hand(recent)
    if rises:
        hand.say(
            1 + min(2, len(rises) / 3),
            f"{len(rises)} rises of the soil without a dose, last {calendar.date(rises[-1])}",
        )
    values = [w.soil_ppt for w in recent if w.soil_ppt is not None]
    if pot is not None and values:
        over = sum(v > pot.calibration.capacity_ppt for v in values)
        if over:
            drain.say(
                1 + 2 * over / len(values),
                f"{over} of {len(values)} readings above what the soil should hold after draining",
            )
        if median(values) > 0.85 * target_of(pot):
            much.say(
                1.5,
                f"half of the readings are above {median(values) / 10:.0f} %, the dose "
                f"fills to {target_of(pot) / 10:.0f} %",
            )
    if wet := sum("saucer wet" in w.lockouts for w in recent):
        drain.say(2, f"{wet} wakes with a wet saucer")
    if manual := sum(w.kind == "manual" and w.ran_ms > 0 for w in recent):
        button.say(1 + min(2, manual / 3), f"{manual} pulses asked for at the button")
    return [siphon, drift, much, hand, drain, button]


def rises_by_hand(wakes: list[WakeRow]) -> list[float]:
    """Times at which the soil got wetter by 3 % of volume and more with no pulse before."""
    found = []
    before, pumped = None, False
    for wake in wakes:
        if wake.soil_ppt is not None:
            if before is not None and not pumped and wake.soil_ppt - before >= 30:
                found.append(wake.time_s)
            before, pumped = wake.soil_ppt, False
        pumped = pumped or wake.ran_ms > 0
    return found


def too_dry(log: PotLog, calendar: Calendar) -> list[LikelyCause]:
    """Why a pot may stand too dry."""
    recent, pot = lately(log), log.pot
    found = []
    held = Counter(name for w in recent for name in w.lockouts)
    for name, count in held.most_common():
        word = words.of(words.LOCKOUTS, name)
        cause = LikelyCause(f"{word.plain}; usual cause: {word.cause}", word.do)
        still = " and still so" if name in log.wakes[-1].lockouts else ""
        cause.say(3 + bool(still), f"in force in {count} of {len(recent)} wakes{still}")
        found.append(cause)
    stopped = Counter(n for w in recent if w.dose_ul and not w.ran_ms for n in w.failing)
    for name, count in stopped.most_common():
        if name not in ("lockouts", "settled", "steady"):
            cause = LikelyCause(words.of(words.PERMISSIVES, name).plain, checks_of(name))
            cause.say(1 + min(2, count / 5), f"kept water back in {count} wakes")
            found.append(cause)
    hose = LikelyCause(
        "water leaves the tank and does not reach the roots",
        "Start a dose with the button and watch where the water goes.",
    )
    answers = [d for d in log.doses if d.time_s > log.wakes[-1].time_s - LATELY_S]
    silent_doses = sum(
        d.peak_ppt is not None and d.before_ppt is not None and d.peak_ppt - d.before_ppt < 10
        for d in answers
    )
    if silent_doses:
        hose.say(
            1 + min(2, silent_doses),
            f"{silent_doses} of {len(answers)} doses without a soil response",
        )
    clog = LikelyCause(
        "less water comes than planned", "Clean the strainer; measure a dose into a cup."
    )
    for look in (looks.pump_wear, looks.clogging):
        if loud(one := finding(log, look)):
            clog.say(2, one.measure)
    short = [d for d in answers if d.given_ul < 0.7 * d.planned_ul]
    if short:
        clog.say(1, f"{len(short)} of {len(answers)} doses gave less than 0.7 of what was planned")
    probe = LikelyCause(
        "the soil probe reads too wet",
        "Pull the probe, wipe it, and compare its reading in dry soil with the calibration.",
    )
    if loud(one := finding(log, looks.probe_drift)):
        probe.say(2, one.measure)
    if not answers and not held and pot is not None:
        probe.say(1.5, "it never needed water in six weeks")
    late = LikelyCause(
        "it waits longer than this plant likes", "Lower depletion_ppt so that it waters sooner."
    )
    if answers and not held and not short:
        late.say(1, f"{len(answers)} doses in six weeks went well")
    return [*found, hose, clog, probe, late]


def checks_of(permissive: str) -> str:
    """What to look at when that permissive kept water back."""
    return {
        "battery": "Charge the battery, away from the water, and check its contacts.",
        "level": words.NEEDS["see to the level"].do,
        "reserve": "Fill the tank.",
        "soil": words.NEEDS["see to the soil probe"].do,
        "saucer": words.NEEDS["empty the saucer"].do,
        "commissioned": words.NEEDS["commission the pot"].do,
        "day": "Compare the limit day_ml with what the plant drinks on a hot day.",
    }.get(permissive, "Connect the pot by cable and run a check of its files.")


def silent(log: PotLog, calendar: Calendar) -> list[LikelyCause]:
    """Why nothing is heard of a pot."""
    last = log.wakes[-1]
    flat = LikelyCause("the battery is empty", "Measure it; charge it, away from the water.")
    contact = LikelyCause(
        "a bad contact, or a cell whose voltage drops under load",
        "Check contacts and cell under load.",
    )
    hang = LikelyCause(
        "its program stops responding or does not start", "Connect it by cable and watch it start."
    )
    store = LikelyCause(
        "its storage fails, so that it can no longer write", "Pull the log by cable."
    )
    stuck = LikelyCause(
        "it is working, but its radio reports do not arrive",
        "Press the button: if its light answers, the pot is working.",
    )
    stuck.say(0.5, f"the last wake on record, {calendar.moment(last.time_s)}, ended in sleep")
    pot = log.pot
    if last.battery_mv is None:
        contact.say(1.5, "the last battery reading was implausible")
    elif pot is not None:
        floor = max(pot.settings.battery_mv, pot.limits.rest_mv)
        if last.battery_mv < pot.settings.battery_warn_mv:
            side = "below" if last.battery_mv < floor else "above"
            side = "at" if last.battery_mv == floor else side
            flat.say(
                3,
                f"last at {volts(last.battery_mv)}, {side} the lockout's {volts(floor)}",
            )
    recent = lately(log)
    if browns := sum(w.cause == "brownout" for w in recent):
        contact.say(1 + min(2, browns), f"{browns} brown-outs in six weeks")
    if bites := sum(w.cause == "watchdog" or w.boots > 0 for w in recent):
        hang.say(1 + min(2, bites), f"{bites} watchdog bites or unfinished starts in six weeks")
    if failed := sum(w.stores_failed for w in recent):
        store.say(1 + min(2, failed), f"{failed} failed writes in six weeks")
    if log.missing:
        store.say(0.5, f"{log.missing} records are missing")
    return [flat, contact, hang, store, stuck]
