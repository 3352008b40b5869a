"""What a log says about the hardware: drift, wear, clogging, lost water, resets, power.

What belongs here: one function for each, its threshold stated beside it, and the words
for owner and maker. What does not: how they are shown, and what is wrong right now with
the watering (condition.py).

Every threshold is common practice, no source, unless it says otherwise.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import median

from wakewell import words
from wakewell.language import number, plural, say, term
from wakewell.log.series import PotLog, WakeRow
from wakewell.log.times import DAY_S
from wakewell.log.trend import joined, line_fit, mann_kendall, theil_sen
from wakewell.pot import parts
from wakewell.units import soil

# These words, and the names of findings, are shown in the language of the page
QUIET, WATCH, ACT, UNKNOWN = term("quiet"), term("watch"), term("act"), term("not known")
SURE_P = 0.01
LATELY_S = 30 * DAY_S
GROWS_G_DAY = 0.4  # what a houseplant in a pot of some litres adds; own assumption
SEEN_TO = {"soil": "soil probe"}  # what a need calls a probe where a record has another name
GROWN_PPT = 20  # of soil water; growth beyond it moves the refill point too far


@dataclass
class Finding:
    """One thing looked at. plain: for the owner; measure, threshold: for the maker. need: what the
    pot asks for that says the same."""

    name: str
    state: str
    plain: str
    measure: str
    threshold: str
    do: str = ""
    rule: str = ""
    need: str = ""


def findings(log: PotLog) -> list[Finding]:
    """Everything looked at, in one order. Needs at least one wake."""
    return [found for look in LOOKS if (found := look(log)) is not None]


def late(log: PotLog) -> list[WakeRow]:
    """The wakes of the last 30 days; times never go back."""
    return log.wakes[_at(log, log.wakes[-1].time_s - LATELY_S) :]


def _at(log: PotLog, time_s: float) -> int:
    """How many wakes there are up to that time, with it."""
    return bisect_right(log.wakes, time_s, key=lambda wake: wake.time_s)


def share_change(times_s: Sequence[float], values: Sequence[float]) -> tuple[float, float]:
    """(change from first to last time as a part of the first, p) of a robust trend."""
    few_t, few_v = joined([t / DAY_S for t in times_s], values)
    slope, start = theil_sen(few_t, few_v)
    first, last = start + slope * few_t[0], start + slope * few_t[-1]
    return ((last - first) / first if first > 0 else 0.0), mann_kendall(few_v)[1]


def probe_drift(log: PotLog) -> Finding:
    """Does the same water still move the soil reading by as much as when it was calibrated?

    A constant error of the reading cannot be seen, because the pot waters by that reading. A
    reading that shrinks can: by the rise for each millilitre, and by readings above the container
    capacity.
    """
    threshold = "answer outside 0.5 to 2 times the calibrated, or falling by a third (p < 0.01)"
    name, pot = term("soil probe drift"), log.pot
    rows = [
        (d.time_s, (d.peak_ppt - d.before_ppt) * 1000.0 / d.given_ul)
        for d in log.doses
        if d.before_ppt is not None and d.peak_ppt is not None and d.given_ul >= 20000
    ]
    if len(rows) < 8:
        return Finding(
            name, UNKNOWN, say("too few waterings to judge"), f"{len(rows)} answers", threshold
        )
    change, p = share_change([t for t, _ in rows], [v for _, v in rows])
    now = median([v for _, v in rows[-10:]])
    known = pot.calibration.ul_per_ppt if pot else 0
    ratio = now * known / 1000 if known else 1.0
    measure = f"{now / 10:.3f} %/ml over the last {len(rows[-10:])} doses"
    measure += f", {ratio:.2f} of the calibrated" if known else ", none calibrated"
    measure += f"; {100 * change:+.0f} % over the log (p = {p:.2g})"
    over = _over_capacity(log)
    if over:
        measure += f"; {over} wakes read a tenth or more above container capacity"
    if not 0.5 <= ratio <= 2 or (change < -1 / 3 and p < SURE_P) or over > len(log.wakes) / 20:
        plain = say("the soil probe reacts differently than when it was calibrated")
        do = say("Check that it is deep among the roots; if it is, calibrate it again.")
        return Finding(name, WATCH, plain, measure, threshold, do, "R6")
    return Finding(
        name, QUIET, say("the soil probe reacts as calibrated"), measure, threshold, "", "R6"
    )


def _over_capacity(log: PotLog) -> int:
    tops = {ids: 1.1 * pot.calibration.capacity_ppt for ids, pot in log.pots.items() if pot}
    lowest = min(tops.values(), default=math.inf)
    high = [w for w in log.wakes if w.soil_ppt is not None and w.soil_ppt > lowest]
    return sum(w.soil_ppt > tops.get(w.ids, math.inf) for w in high if w.soil_ppt is not None)


def flows(log: PotLog) -> list[tuple[float, float]]:
    """(time, ml per s) of each run that a flow meter measured, or of each dose whose fall of the
    level is large enough to tell.

    A fall of less than five times the gauge's tolerance is added to the next one's.
    """
    found: list[tuple[float, float]] = []
    fall_ml = ran_ms = 0
    for wake in log.wakes:
        if wake.ran_ms and wake.metered_ul:
            found.append((wake.time_s, wake.metered_ul / wake.ran_ms))
            continue
        if not wake.ran_ms or wake.fall_ml is None:
            continue
        pot = log.pot_of(wake)
        if not pot or pot.calibration.float_only:
            continue
        fall_ml += wake.fall_ml
        ran_ms += wake.ran_ms
        if fall_ml >= 5 * max(1, pot.calibration.tolerance_ml) or ran_ms > 60000:
            found.append((wake.time_s, 1000.0 * fall_ml / ran_ms))
            fall_ml = ran_ms = 0
    return found


def pump_wear(log: PotLog) -> Finding:
    """Does the pump move less and less water in the same time?"""
    name = term("pump wear")
    threshold = "flow falls by 15 % over the log (p < 0.01)"
    rows = flows(log)
    if len(rows) < 8:
        return Finding(
            name, UNKNOWN, say("too few runs to judge"), f"{len(rows)} flows measured", threshold
        )
    change, p = share_change([t for t, _ in rows], [v for _, v in rows])
    now = median([v for _, v in rows[-8:]])
    measure = f"{now:.1f} ml/s lately, {100 * change:+.0f} % over {len(rows)} measured flows "
    measure += f"(p = {p:.2g})"
    if change < -0.15 and p < SURE_P:
        plain = say("the pump moves {share} % less water than before", share=number(-100 * change))
        do = say("Clean the pump's inlet and the strainer; if that does not help, plan a new pump.")
        return Finding(name, WATCH, plain, measure, threshold, do, "R4")
    return Finding(
        name, QUIET, say("the pump moves as much water as before"), measure, threshold, "", "R4"
    )


def clogging(log: PotLog) -> Finding:
    """Did the flow drop within days, against the weeks before, or run dry?"""
    name = term("clogging")
    threshold = "last flows below 60 % of those before, or dry runs in the last 30 days: 2 and more"
    rows = flows(log)
    dry = sum(trip in ("no flow", "no load", "no count") for w in late(log) for trip in w.trips)
    measure = f"{dry} dry runs in 30 days"
    ratio = 1.0
    if len(rows) >= 8:
        ratio = median([v for _, v in rows[-3:]]) / max(1e-9, median([v for _, v in rows[:-3]]))
        measure += f"; last three flows {ratio:.2f} of those before"
    if ratio < 0.6 or dry >= 2:
        plain = say("less water flows through the hose than before")
        do = say("Clean the strainer at the pump's inlet and straighten the hose.")
        return Finding(name, ACT if dry >= 2 else WATCH, plain, measure, threshold, do, "R4")
    if not rows and not dry:
        return Finding(name, UNKNOWN, say("no flow was measured"), measure, threshold, "", "R4")
    return Finding(name, QUIET, say("the water flows freely"), measure, threshold, "", "R4")


def lost_water(log: PotLog) -> Finding:
    """Does the tank lose more with the pump off than evaporation explains?"""
    name, pot = term("unexplained fall of the level"), log.pot
    if pot is None or pot.calibration.float_only:
        return Finding(
            name,
            UNKNOWN,
            say("the level shows no amounts"),
            "no gauge",
            "see leak_ml_day",
            "",
            "R8",
        )
    allowed = pot.settings.leak_ml_day
    threshold = f"more than {allowed} ml a day (setting leak_ml_day) over 30 days, 95 % sure"
    rows = _pump_off_falls(log, log.wakes[-1].time_s - LATELY_S, pot.calibration.tolerance_ml)
    if len(rows) < 10 or rows[-1][0] - rows[0][0] < 5:
        return Finding(name, UNKNOWN, say("too few days to judge"), f"{len(rows)} looks", threshold)
    slope, _, error, _ = line_fit([t for t, _ in rows], [v for _, v in rows])
    measure = f"{slope:.1f} ± {2 * error:.1f} ml a day with the pump off"
    if slope - 2 * error > allowed:
        plain = say("the tank loses about {ml} ml a day by itself", ml=number(slope))
        do = say(
            "Look for moisture under tank and fittings, and lift the hose end above the water line."
        )
        return Finding(name, ACT, plain, measure, threshold, do, "R8")
    return Finding(
        name, QUIET, say("the tank loses nothing by itself"), measure, threshold, "", "R8"
    )


def _pump_off_falls(log: PotLog, since_s: float, tolerance_ml: int) -> list[tuple[float, float]]:
    """(day, water lost so far) with the pump off: pulses and refills are stepped over."""
    rows: list[tuple[float, float]] = []
    lost, last, pumped = 0.0, None, False
    for wake in log.wakes:
        if wake.level_ml is not None:
            if last is not None and not pumped and last - wake.level_ml > -2 * tolerance_ml:
                lost += last - wake.level_ml
            if wake.time_s >= since_s:
                rows.append((wake.time_s / DAY_S, lost))
            last = wake.level_ml
        pumped = bool(wake.ran_ms) or (pumped and wake.level_ml is None)
    return rows


def resets(log: PotLog) -> Finding:
    """How often did it start without having been asked to?"""
    name, threshold = (
        term("resets"),
        "brown-outs, watchdog resets in the last 30 days: 1 watch, 3 act",
    )
    causes = Counter(w.cause for w in log.wakes if w.cause not in ("timer", "button"))
    bad = [w.cause for w in late(log) if w.cause in ("brownout", "watchdog")]
    lately = len(bad)
    measure = ", ".join(f"{count} {cause}" for cause, count in sorted(causes.items())) or "none"
    unfinished = sum(w.boots > 0 for w in log.wakes)
    measure += f"; {unfinished} wakes after an unfinished start"
    if lately:
        worst = Counter(bad).most_common(1)[0][0]
        word = words.of(words.CAUSES, worst)
        plain = plural(
            "it {what}, once in 30 days; usually {cause}",
            "it {what}, {count} times in 30 days; usually {cause}",
            lately,
            what=word.plain,
            cause=word.cause,
        )
        do = say("Charge the battery, away from the water, and check its contacts.")
        if worst == "watchdog":
            do = say("Send the log to the maker.")
        return Finding(name, ACT if lately >= 3 else WATCH, plain, measure, threshold, do, "R9")
    return Finding(name, QUIET, say("it has not restarted by itself"), measure, threshold, "", "R9")


def awake_time(log: PotLog) -> Finding:
    """Does a wake without pumping take longer than it used to?"""
    threshold = "usual wake of the last 30 days 1.5 times that of the first 30, or 10 s"
    return _per_wake(log, term("awake time"), lambda w: float(w.awake_ms), "ms", threshold, 10000)


def charge(log: PotLog) -> Finding:
    """Does a wake without pumping use more charge than the budget made of the calibration?"""
    name, pot = term("charge per wake"), log.pot
    threshold = "usual wake of the last 30 days 1.5 times the budget of its sleep, 3 s awake and "
    threshold += "the radio"
    lately = [w for w in late(log) if not w.ran_ms and w.phase == "idle" and w.cause == "timer"]
    if pot is None or len(lately) < 5:
        return Finding(
            name, UNKNOWN, say("too few wakes to judge"), f"{len(lately)} wakes", threshold
        )
    cal = pot.calibration
    asleep_ua = cal.sleep_ua + cal.self_ua
    radio_uah = cal.radio_ua / 3_600_000  # for each millisecond
    budget = median(
        [
            asleep_ua * w.slept_s / 3600 + cal.awake_ua * 3 / 3600 + radio_uah * w.radio_ms
            for w in lately
        ]
    )
    now = median([w.charge_uah for w in lately])
    span_days = max(1.0, (log.wakes[-1].time_s - log.wakes[0].time_s) / DAY_S)
    day = sum(w.charge_uah for w in log.wakes) / span_days / 1000
    measure = f"{now:.0f} µAh a wake, budget {budget:.0f} µAh; {day:.1f} mAh a day with pumping"
    measure += f", of it asleep {asleep_ua * 24 / 1000:.2f}"
    if now > 1.5 * budget:
        plain = say("each wake uses more charge than planned")
        do = say("Send the log to the maker: the battery will not last as long as planned.")
        return Finding(name, WATCH, plain, measure, threshold, do, "R5")
    return Finding(
        name, QUIET, say("it uses as much charge as planned"), measure, threshold, "", "R5"
    )


def _per_wake(
    log: PotLog,
    name: str,
    of: Callable[[WakeRow], float],
    unit: str,
    threshold: str,
    most: float,
) -> Finding:
    early = log.wakes[: _at(log, log.wakes[0].time_s + LATELY_S)]
    first = [of(w) for w in early if not w.ran_ms and w.phase == "idle"]
    last = [of(w) for w in late(log) if not w.ran_ms and w.phase == "idle"]
    if len(first) < 5 or len(last) < 5:
        return Finding(
            name, UNKNOWN, say("too few wakes to judge"), f"{len(last)} wakes", threshold
        )
    was, now = median(first), median(last)
    measure = f"{now:.0f} {unit} lately, {was:.0f} {unit} at first, longest {max(last):.0f} {unit}"
    if now > 1.5 * was or now > most:
        plain = say(
            "it stays awake longer than before: {now} s instead of {was} s",
            now=number(now / 1000, 1),
            was=number(was / 1000, 1),
        )
        do = say("Send the log to the maker: a part answers slowly.")
        return Finding(name, WATCH, plain, measure, threshold, do, "R13")
    return Finding(
        name, QUIET, say("its wakes are as short as before"), measure, threshold, "", "R13"
    )


def storage(log: PotLog) -> Finding:
    """Are writes failing, or records missing?"""
    name, threshold = term("storage"), "any failed write in the last 30 days, or a damaged file"
    failed = sum(w.stores_failed for w in log.wakes)
    lately = sum(w.stores_failed for w in late(log))
    damaged = sum(bool(w.files) for w in late(log))
    measure = f"{failed} failed writes, {log.missing} records missing, {log.skips.count} lines "
    measure += f"not readable, {log.dropped} overwritten: storage full"
    if lately or damaged:
        plain = say("its storage failed to keep something in the last 30 days")
        do = say("Send the log to the maker: the storage may be wearing out.")
        return Finding(name, WATCH, plain, measure, threshold, do, "R11")
    return Finding(name, QUIET, say("its storage works"), measure, threshold, "", "R11")


def memory(log: PotLog) -> Finding:
    """Were records shortened, for want of memory on the board?"""
    name, threshold = term("memory"), "2 shortened records in the last 30 days"
    wakes = late(log)
    lately = sum(bool(w.left_out) for w in wakes)
    lately += sum(n >= wakes[0].n for n, _, _ in log.short.wakes)
    measure = f"{lately} shortened records in 30 days, {log.short.count} in all"
    if lately >= 2:
        plain = say("its memory was short, and {count} of its records are incomplete", count=lately)
        do = say("Send the log to the maker: its chip may not have the memory it needs.")
        return Finding(name, WATCH, plain, measure, threshold, do, "R13")
    return Finding(
        name, QUIET, say("it has enough memory for its records"), measure, threshold, "", "R13"
    )


def probe_words(log: PotLog) -> Finding:
    """How often were probes not believed, and why?"""
    name, threshold = term("implausible readings"), "a tenth of the wakes of the last 30 days"
    lately = late(log)
    counts: Counter[tuple[str, str]] = Counter()
    for wake in lately:
        for probe in ("soil", "level", "battery"):
            word = getattr(wake, probe + "_word")
            if word not in ("good", "unfitted"):
                counts[probe, word] += 1
    measure = ", ".join(f"{p} {w} {c}" for (p, w), c in counts.most_common()) or "none in 30 days"
    if counts and counts.most_common(1)[0][1] > len(lately) / 10:
        probe, word = counts.most_common(1)[0][0]
        entry = words.of(words.PROBE_WORDS, word)
        plain = say(
            "the {probe} often gives implausible readings: {what}",
            probe=parts.PROBES[probe].plain,
            what=entry.plain,
        )
        need = f"see to the {SEEN_TO.get(probe, probe)}"
        return Finding(name, WATCH, plain, measure, threshold, entry.do, "R6", need)
    plain = say("the readings of its probes are plausible")
    if counts:
        few = counts.total()
        plain = say("all readings of its probes but {count} in 30 days are plausible", count=few)
    return Finding(name, QUIET, plain, measure, threshold, "", "R6")


def flow_meter(log: PotLog) -> Finding | None:
    """Does the flow meter, where one is fitted, count what the level loses?"""
    pot, name = log.pot, term("flow meter")
    if pot is None or pot.calibration.flowmeter is None:
        return None
    threshold = "0.8 to 1.25 of what the level lost in the last 30 days"
    runs = [w for w in late(log) if w.ran_ms and w.metered_ul is not None and w.fall_ml is not None]
    fell_ml = sum(w.fall_ml or 0 for w in runs)
    if fell_ml < 10 * max(1, pot.calibration.tolerance_ml):
        measure = f"{len(runs)} runs that the level measured too"
        return Finding(name, UNKNOWN, say("too few runs to judge"), measure, threshold, "", "R4")
    ratio = sum(w.metered_ul or 0 for w in runs) / 1000 / fell_ml
    measure = f"{ratio:.2f} of {fell_ml} ml that the level lost in {len(runs)} runs"
    if 0.8 <= ratio <= 1.25:
        plain = say("the flow meter counts what the tank loses")
        return Finding(name, QUIET, plain, measure, threshold, "", "R4")
    plain = say("the flow meter counts {share} % of what the tank loses", share=number(100 * ratio))
    do = say("Clean the flow meter's wheel; if that does not help, measure the flow again.")
    return Finding(name, WATCH, plain, measure, threshold, do, "R4")


def plant_growth(log: PotLog) -> Finding | None:
    """A scale under the pot takes the plant's growth for water: by how much?

    Beside a soil probe the two are compared; alone, what such a plant usually adds is told.
    """
    pot, name = log.pot, term("growth on the scale")
    if pot is None or not (pot.calibration.weighed or pot.calibration.weight):
        return None
    threshold = f"{soil(GROWN_PPT)} of soil water"
    if pot.calibration.weight:
        gaps = [
            ppt - w.soil_ppt
            for w in log.wakes
            if w.told and (ppt := w.told.get("weight")) is not None and w.soil_ppt is not None
        ]
        if len(gaps) < 20:
            measure = f"{len(gaps)} wakes with both"
            return Finding(
                name, UNKNOWN, say("too few days to judge"), measure, threshold, "", "R6"
            )
        grown = median(gaps[-10:]) - median(gaps[:10])
        measure = f"the scale rose by {grown / 10:+.1f} % of soil water against the soil probe"
    else:
        days = (log.wakes[-1].time_s - log.wakes[0].time_s) / DAY_S
        litres = (
            max(1, pot.calibration.ul_per_ppt) / 1000
        )  # of water; a thousandth of it is one ppt
        grown = GROWS_G_DAY * days / litres
        measure = f"{days:.0f} days, assuming {GROWS_G_DAY} g a day in {litres:.1f} l"
        measure += f": {soil(grown)} of soil water"
    share = number(abs(grown) / 10, 1)
    plain = say(
        "growth makes the soil look about {share} % by volume wetter than it is", share=share
    )
    if grown < GROWN_PPT:
        return Finding(name, QUIET, plain, measure, threshold, "", "R6")
    do = say("Weigh the pot again when it just needs water, and calibrate the scale with it.")
    return Finding(name, WATCH, plain, measure, threshold, do, "R6")


LOOKS: tuple[Callable[[PotLog], Finding | None], ...] = (
    probe_drift,
    pump_wear,
    clogging,
    lost_water,
    resets,
    awake_time,
    charge,
    storage,
    memory,
    probe_words,
    flow_meter,
    plant_growth,
)
