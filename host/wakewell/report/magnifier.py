"""One wake under the magnifier: why it did, or did not, water.

What belongs here: the answer in a sentence, and the record laid out in the order the core
judged it. What does not: the page around it.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from wakecore.plan import LEAST_PULSE_MS
from wakecore.run import OVERRUN_MS, UNREAD
from wakecore.table import convert
from wakecore.wake import HELD_MS
from wakewell import words
from wakewell.log import record
from wakewell.log.fieldlog import FieldLog
from wakewell.log.record import Read, Reading
from wakewell.log.series import PotLog, Wake, refill_of, start_of, target_of
from wakewell.log.times import Calendar
from wakewell.report import plots

WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
UNITS = {
    "soil": (10, "% by volume"),
    "level": (1, "ml"),
    "battery": (1000, "V"),
    "temperature": (1000, "°C"),
    "current": (1, "mA"),
    "saucer": (10, "%"),
    "charger": (1, ""),
}
UNSEEN = ("level lost", "fault")  # trips of a run of which nothing is known


@dataclass
class Magnified:
    """One wake, ready for the page."""

    wake: Wake
    when: str
    answer: str
    watered: bool
    readings: list[dict[str, str]] = field(default_factory=list)
    permissives: list[dict[str, Any]] = field(default_factory=list)
    stopped: list[dict[str, str]] = field(default_factory=list)
    plan: list[tuple[str, str]] = field(default_factory=list)
    recorded: list[tuple[str, str]] = field(default_factory=list)
    run: list[dict[str, Any]] = field(default_factory=list)
    raw: str = ""
    place: str = ""
    parts: tuple[()] = ()  # a wake of its own


@dataclass
class Watering:
    """The wakes of one watering: its pulses, the waits between them, the looks for a leak."""

    when: str
    answer: str
    parts: list[Magnified]


def gathered(close: Sequence[Magnified], log: PotLog) -> list[Magnified | Watering]:
    """Those wakes in order of time, the ones of a watering in one row."""
    groups: list[list[Magnified]] = []
    for one in close:
        before = groups[-1][-1].wake if groups else None
        follows = before is not None and one.wake.n == before.n + 1 and one.wake.phase != "idle"
        if follows:
            groups[-1].append(one)
        else:
            groups.append([one])
    return [group[0] if len(group) == 1 else watering(group, log) for group in groups]


def watering(parts: list[Magnified], log: PotLog) -> Watering:
    """One row for the wakes of a watering: what it gave, and what began or ended meanwhile."""
    ran = [part.wake for part in parts if part.wake.ran_ms]
    given_ul = sum(wake.delivered_ul for wake in ran)
    said = parts[0].answer
    if given_ul:
        pulses = f"{len(ran)} pulse" + ("s" if len(ran) > 1 else "")
        said = f"watered {given_ul / 1000:.0f} ml in {pulses}"
        cut = [trip_text(wake) for wake in ran if wake.trips]
        said += f"; cut short: {'; '.join(cut)}" if cut else ""
        said += f": {words.of(words.KINDS, ran[0].kind).plain}" if not cut else ""
    told = [said if parts[0].wake.phase == "idle" else f"the end of a watering: {said}"]
    for part in parts[0 if given_ul else 1 :]:
        before = log.before(part.wake)
        if part.wake.dry or (before is not None and before.lockouts != part.wake.lockouts):
            told.append(part.answer)
    return Watering(parts[0].when, "; ".join(dict.fromkeys(told)), parts)


def percent(ppt: int | None) -> str:
    """27.1 %."""
    return "not believed" if ppt is None else f"{ppt / 10:.1f} %"


def answer(wake: Wake, log: PotLog) -> tuple[str, bool]:
    """(why it did or did not water, did it?): what began or ended with this wake comes first."""
    before = log.before(wake)
    was = before.lockouts if before is not None else wake.lockouts
    begun = [name for name in wake.lockouts if name not in was]
    parts = [words.of(words.LOCKOUTS, name).plain for name in begun]
    over = [name for name in was if name not in wake.lockouts]
    text, watered = did(wake, log, begun, over)
    return "; ".join([*parts, *(ended(name, wake) for name in over), text]), watered


def ended(name: str, wake: Wake) -> str:
    """Which lockout is over with this wake, and what ended it."""
    text = f"no longer stopped for {words.STOPPED_FOR.get(name, name)}"
    if f"clear {name}" in wake.host:
        return f"{text}: ended with the maker's cable"
    if name == "battery low":
        return f"{text}: it is charged"
    if wake.button_ms >= HELD_MS:
        return f"{text}: the button was held"
    return f"{text}: the tank was filled" if name == "dry run" else text


def did(wake: Wake, log: PotLog, begun: Sequence[str], over: Sequence[str]) -> tuple[str, bool]:
    """(what this wake did about water and why, did it water?).

    begun, over: lockouts that began and ended with it, told already. A run that showed no water
    is a try.
    """
    if wake.dry:
        unseen = any(trip in UNSEEN for trip in wake.trips)
        seen = "whether water came is not known" if unseen else "no water was seen"
        return f"tried to water, and {seen}: {trip_text(wake)}", False
    if wake.ran_ms:
        text = f"watered {wake.given_ul / 1000:.0f} ml"
        left = wake.dose_ul / 1000
        text += f" of {left:.0f} ml still planned" if left * 1000 > wake.given_ul + 500 else ""
        if wake.trips:
            return f"{text}; cut short: " + trip_text(wake), True
        return f"{text}: {words.of(words.KINDS, wake.kind).plain}", True
    if wake.pulse_ms:
        return "did not water: it could not first write down that it would", False
    gives_up = wake.phase == "soak" and wake.cause != "button"
    not_now = "gave no more" if gives_up else "did not water"
    if wake.dose_ul and wake.kind != "none":
        why = hindrances(wake, begun)
        asked = "" if wake.phase == "soak" else ", though asked for"
        if why or begun:
            return f"{not_now}{asked}" + (f": {'; '.join(why)}" if why else ""), False
        return f"{not_now}: {too_little(wake, log)}", False
    return f"{not_now}: {idle(wake, log, begun, over)}", False


def too_little(wake: Wake, log: PotLog) -> str:
    """Why nothing held the pump back, and yet no pulse was worth a start."""
    pot = log.pot_of(wake)
    if pot is not None:
        day_ul = 1000 * (pot.limits.day_ml - wake.day_ml)
        least_ul = pot.limits.flow_max_ul_s * (LEAST_PULSE_MS + OVERRUN_MS) // 1000
        if day_ul < least_ul:
            return "what the 24 hours still allow is less than one pulse"
        if wake.level_ml is not None and wake.level_ml <= start_of(pot):
            return "the water above the tank's reserve is less than one pulse"
    return "what was left to give is less than the pump can do at once"


def hindrances(wake: Wake, begun: Sequence[str]) -> list[str]:
    """What held the pump back, without what has been told."""
    names = [name for name in wake.failing if name != "lockouts" or not wake.lockouts]
    why = [words.of(words.PERMISSIVES, name).plain for name in names]
    return why + [words.of(words.LOCKOUTS, n).plain for n in wake.lockouts if n not in begun]


def idle(wake: Wake, log: PotLog, begun: Sequence[str], over: Sequence[str]) -> str:
    """Why a wake that asked for no water did not."""
    pot, doubt = log.pot_of(wake), "steady" in wake.failing and "leak" not in wake.lockouts
    look = words.of(words.PHASES, wake.phase).plain
    if wake.cause == "button" or wake.button_ms:
        return pressed(wake, over)
    if wake.phase == "soak":
        if wake.cause != "timer":
            cause = words.of(words.CAUSES, wake.cause).plain
            return f"{'' if wake.cause == 'power' else 'it '}{cause} in the middle of a dose"
        return (
            "the soil reached its mark" if not wake.failing else "; ".join(hindrances(wake, begun))
        )
    if wake.phase in ("first look", "second look"):
        if wake.level_ml is None:
            return f"{look}, and the level could not be believed"
        return look + ("; the level fell, so it looks again" if doubt else "")
    if "commissioned" in wake.failing:
        return words.PERMISSIVES["commissioned"].plain
    if wake.soil_ppt is None:
        return (
            "the soil probe is not believed: " + words.of(words.PROBE_WORDS, wake.soil_word).plain
        )
    text = f"the soil held {percent(wake.soil_ppt)}"
    if pot is None or wake.soil_ppt <= refill_of(pot):
        return f"{text}, and no water was asked for"
    text += f", above the refill point of {percent(refill_of(pot))}"
    return text + ("; the level fell, so it looks again" if doubt else "")


def pressed(wake: Wake, over: Sequence[str]) -> str:
    """What a press did that asked for no water. over: lockouts that it ended."""
    if "entry page" in wake.host:
        return "its page for the Wi-Fi was opened"
    if "free the button" in wake.needs:
        return words.NEEDS["free the button"].plain
    if wake.button_ms < HELD_MS:
        return "it was only asked how it is"
    if wake.lockouts:
        kept = ", ".join(words.STOPPED_FOR.get(name, name) for name in wake.lockouts)
        return f"the button was held, and it is still stopped for {kept}"
    if over:
        return "the press that ends a lockout asks for no dose"
    if wake.phase != "idle":
        under_way = words.of(words.PHASES, wake.phase).plain
        return f"the button was held, but a dose is under way: {under_way}"
    return "the button was held"


def trip_text(wake: Wake) -> str:
    """What stopped the run."""
    return "; ".join(words.of(words.TRIPS_WORDS, t).plain for t in wake.trips)


def magnify(log: PotLog, wake: Wake, read: Read, calendar: Calendar) -> Magnified:
    """Lay out the record of a whole wake."""
    on_record = read.found
    assert isinstance(on_record, record.Wake)
    text, watered = answer(wake, log)
    found = Magnified(wake, calendar.moment(wake.time_s), text, watered)
    pot = log.pot_of(wake)
    cal = pot.calibration if pot else None
    found.place = log.place_text(wake)
    whole = read.more or record.parse(record.line_of(on_record))[0]  # in the order of the line
    found.raw = json.dumps(whole, indent=1, ensure_ascii=False)[:20000]
    rows = {"battery": on_record.rest, **on_record.read}
    for name in sorted(rows, key=lambda n: list(UNITS).index(n) if n in UNITS else 99):
        found.readings.append(reading_row(name, rows[name], on_record.judged.get(name, ""), cal))
    for name, reading in (on_record.after or {}).items():
        row = reading_row(name, reading, "", cal)
        row["name"] += ", after the pulse"
        found.readings.append(row)
    for name, held in on_record.permissives.items():
        plain = words.HELD.get(name, name) if held else words.of(words.PERMISSIVES, name).plain
        found.permissives.append(
            {"held": bool(held), "plain": plain, "name": name, "rule": words.RULES.get(name, "")}
        )
    for kind, table, names in (
        ("cut the run short", words.TRIPS_WORDS, wake.trips),
        ("lockout", words.LOCKOUTS, wake.lockouts),
        ("asks for", words.NEEDS, wake.needs),
    ):
        for name in names:
            word = words.of(table, name)
            found.stopped.append(
                {
                    "kind": kind,
                    "name": name,
                    "plain": word.plain,
                    "cause": word.cause,
                    "do": word.do,
                    "rule": words.RULES.get(name, ""),
                }
            )
    found.plan = [
        ("under way when it woke", words.of(words.PHASES, wake.phase).plain),
        ("asked for", words.of(words.KINDS, wake.kind).plain),
        ("still to give", f"{wake.dose_ul / 1000:.1f} ml"),
        ("this pulse", f"{wake.pulse_ms / 1000:.2f} s" if wake.pulse_ms else "none"),
    ]
    if pot is not None:
        found.plan += [
            ("refill point", percent(refill_of(pot))),
            ("a dose fills to", percent(target_of(pot))),
        ]
    found.recorded = [
        ("pump ran", f"{wake.ran_ms / 1000:.2f} s"),
        ("water given, best estimate", given_text(wake)),
        ("level fell by", "not to be told" if wake.fall_ml is None else f"{wake.fall_ml} ml"),
        ("booked in 24 hours", f"{wake.day_ml} ml"),
        ("awake", f"{wake.awake_ms / 1000:.1f} s"),
        ("charge since the last wake", f"{wake.charge_uah} µAh"),
        ("writes to storage", "all good" if not wake.stores_failed else "FAILED"),
        ("woke", words.of(words.CAUSES, wake.cause).plain),
        ("then slept", f"{wake.sleep_s} s"),
    ]
    if wake.left_out:
        text = ", ".join(words.LEFT_OUT.get(part, part) for part in wake.left_out)
        found.recorded.append(("left out of its record, for its memory was short", text))
    found.run = run_pictures(on_record.run or {}, cal)
    return found


def given_text(wake: Wake) -> str:
    """The water of a pulse; of a run that showed none, what it would have been by time."""
    if wake.dry:
        return f"none seen; {wake.given_ul / 1000:.1f} ml by the time it ran"
    return f"{wake.given_ul / 1000:.1f} ml"


def reading_row(name: str, reading: Reading | None, word: str, cal: Any) -> dict[str, str]:
    """One probe: counts, scatter, what they convert to, and whether they are believed."""
    scale, unit = UNITS.get(name, (1, ""))
    probe = getattr(cal, name, None) if cal is not None and name in UNITS else None
    row = {"name": words.PROBES.get(name, name), "counts": "did not answer", "spread": ""}
    row["value"] = ""
    row["word"] = words.of(words.PROBE_WORDS, word).plain if word else ""
    if reading is not None:
        row["counts"], row["spread"] = str(reading[0]), str(reading[1])
        if probe is not None:
            value = convert(probe.points, reading[0]) / scale
            row["value"] = f"{value:.{len(str(scale)) - 1}f} {unit}"
    return row


def run_pictures(run: Mapping[str, int | list[int]], cal: Any) -> list[dict[str, Any]]:
    """Each channel of the run against milliseconds, converted where the table is at hand."""
    times = run.get("ms")
    if not isinstance(times, list) or not times:
        return []
    found = []
    for name in ("level", "battery", "current", "saucer"):
        column = run.get(name)
        if not isinstance(column, list):
            continue
        probe = getattr(cal, name, None) if cal is not None else None
        scale, unit = UNITS[name] if probe is not None else (1, "counts")
        rows = [
            {"t": t, "v": (convert(probe.points, c) if probe is not None else c) / scale}
            for t, c in zip(times, column, strict=True)
            if c != UNREAD
        ]
        if not rows:
            continue
        silent = len(column) - len(rows)
        first, last = rows[0]["v"], rows[-1]["v"]
        text = f"{words.PROBES[name]}: {first:g} to {last:g} {unit} in {rows[-1]['t']} ms"
        text += f"; {silent} samples did not answer" if silent else ""
        found.append({"text": text, "spec": plots.run_spec(rows, unit)})
    return found


def wanted(log: PotLog, asked: str, calendar: Calendar) -> list[Wake]:
    """The wakes that a number, a date, a day of the week or the word "last" means; maybe none.

    A day of the week is the latest one on record. A pot that never knew the date has "day 12".
    """
    asked = asked.strip().lower()
    if asked == "last":
        return log.wakes[-1:]
    if asked.isascii() and asked.isdigit():
        return [w for w in log.wakes if str(w.n) == asked]
    if not log.dated:
        return [w for w in log.wakes if calendar.date(w.time_s) == asked]
    if asked in WEEKDAYS:
        days = [w for w in log.wakes if calendar.local(w.time_s).weekday() == WEEKDAYS.index(asked)]
        latest = [calendar.local(w.time_s).date() for w in days[-1:]]
        return [w for w in days if calendar.local(w.time_s).date() in latest]
    return [w for w in log.wakes if f"{calendar.local(w.time_s):%Y-%m-%d}" == asked]


def records(log: PotLog, wakes: Sequence[Wake]) -> dict[tuple[int, int], Read]:
    """The whole records of those wakes, read again from the files."""
    places: Collection[tuple[int, int]] = {w.place for w in wakes}
    if all(place in log.kept for place in places):
        return {place: log.kept[place] for place in places}
    found = {}
    for entry in FieldLog(log.files).entries():
        if entry.place in places:
            found[entry.place] = entry.read
    return found
