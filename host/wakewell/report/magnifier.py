"""One wake in detail: why it did, or did not, water.

What belongs here: the answer in a sentence, and the record laid out in the order the core
judged it. What does not: the page around it.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from wakecore.plan import LEAST_PULSE_MS
from wakecore.run import CHANNELS, OVERRUN_MS, UNREAD
from wakecore.table import convert
from wakecore.wake import LONG_PRESS_MS
from wakewell import words
from wakewell.language import number, plural, say, term
from wakewell.log import record
from wakewell.log.fieldlog import FieldLog
from wakewell.log.record import Read, Reading
from wakewell.log.series import PotLog, WakeRow, refill_of, start_of, target_of
from wakewell.log.times import Calendar, span_text
from wakewell.pot.parts import PROBES
from wakewell.report import plots
from wakewell.units import water

WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
UNSEEN = ("level lost", "fault")  # trips of a run of which nothing is known


@dataclass
class Magnified:
    """One wake, ready for the page."""

    wake: WakeRow
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
        said = plural(
            "watered {ml} ml in {count} pulse",
            "watered {ml} ml in {count} pulses",
            len(ran),
            ml=number(given_ul / 1000),
        )
        cut = [trip_text(wake) for wake in ran if wake.trips]
        said = with_reason(said, "; ".join(cut), ran[0].kind)
    ended = parts[0].wake.phase != "idle"
    told = [said]
    if ended:  # what it gave lies before the wakes that are shown
        told = [
            say("end of a watering: {what}", what=said) if given_ul else say("end of a watering")
        ]
    for part in parts[0 if given_ul or ended else 1 :]:
        before = log.before(part.wake)
        if part.wake.dry or (before is not None and before.lockouts != part.wake.lockouts):
            told.append(part.answer)
    return Watering(parts[0].when, "; ".join(dict.fromkeys(told)), parts)


def with_reason(done: str, cut: str, kind: str) -> str:
    """What was done, and what cut it short; else why it was done."""
    if cut:
        return say("{done}; cut short: {why}", done=done, why=cut)
    return say("{done}: {why}", done=done, why=words.of(words.KINDS, kind).plain)


def percent(ppt: int | None) -> str:
    """27.1 %."""
    return say("implausible") if ppt is None else f"{number(ppt / 10, 1)} %"


def answer(wake: WakeRow, log: PotLog) -> tuple[str, bool]:
    """(why it did or did not water, did it?): what began or ended with this wake comes first."""
    before = log.before(wake)
    was = before.lockouts if before is not None else wake.lockouts
    begun = [name for name in wake.lockouts if name not in was]
    parts = [stopped(name) for name in begun]
    over = [name for name in was if name not in wake.lockouts]
    text, watered = did(wake, log, begun, over)
    return "; ".join([*parts, *(ended(name, wake) for name in over), text]), watered


def stopped(name: str) -> str:
    """That a lockout was in force in a wake, which may be long ago."""
    return say("stopped because of {why}", why=words.STOPPED_FOR.get(name, name))


def ended(name: str, wake: WakeRow) -> str:
    """Which lockout is over with this wake, and what ended it."""
    why = words.STOPPED_FOR.get(name, name)
    if f"clear {name}" in wake.host:
        return say("no longer stopped because of {why}: ended with the maker's cable", why=why)
    if name == "battery low":
        return say("no longer stopped because of {why}: it is charged", why=why)
    if wake.button_ms >= LONG_PRESS_MS:
        return say("no longer stopped because of {why}: the button was held", why=why)
    if name == "dry run":
        return say("no longer stopped because of {why}: the tank was filled", why=why)
    return say("no longer stopped because of {why}", why=why)


def did(wake: WakeRow, log: PotLog, begun: Sequence[str], over: Sequence[str]) -> tuple[str, bool]:
    """(what this wake did about water and why, did it water?).

    begun, over: lockouts that began and ended with it, which the text names already. A run that
    showed no water is a try.
    """
    if wake.dry:
        why = trip_text(wake)
        if any(trip in UNSEEN for trip in wake.trips):
            return say(
                "tried to water, and it is unknown whether water came: {why}", why=why
            ), False
        return say("tried to water, and no water was seen: {why}", why=why), False
    if wake.ran_ms:
        ml, left_ml = number(wake.given_ul / 1000), number(wake.dose_ul / 1000)
        text = say("watered {ml} ml", ml=ml)
        if wake.dose_ul > wake.given_ul + 500:
            text = say("watered {ml} ml of {left} ml still planned", ml=ml, left=left_ml)
        return with_reason(text, trip_text(wake), wake.kind), True
    if wake.pulse_ms:
        return say("did not water: it could not record the start first"), False
    gives_up = wake.phase == "soak" and wake.cause != "button"
    not_now = say("gave no more") if gives_up else say("did not water")
    if not wake.dose_ul or wake.kind == "none":
        return f"{not_now}: {idle(wake, log, begun, over)}", False
    why = "; ".join(hindrances(wake, begun))
    if not why and not begun:
        return f"{not_now}: {too_little(wake, log)}", False
    if wake.phase != "soak":
        not_now = say("did not water, although water was needed")
    return (f"{not_now}: {why}" if why else not_now), False


def too_little(wake: WakeRow, log: PotLog) -> str:
    """Why no pulse was worth a start, although nothing held the pump back."""
    pot = log.pot_of(wake)
    if pot is not None:
        day_ul = 1000 * (pot.limits.day_ml - wake.day_ml)
        least_ul = pot.limits.flow_max_ul_s * (LEAST_PULSE_MS + OVERRUN_MS) // 1000
        if day_ul < least_ul:
            return say("the rest of the 24-hour limit is less than one pulse")
        if wake.level_ml is not None and wake.level_ml <= start_of(pot):
            return say("the water above the tank's reserve is less than one pulse")
    return say("the remaining amount was too small to pump")


def hindrances(wake: WakeRow, begun: Sequence[str]) -> list[str]:
    """What held the pump back, without what has been told."""
    same = words.SAME_AS_STOPPED
    told = {why for name in wake.lockouts for why in ("lockouts", *same.get(name, ()))}
    names = [name for name in wake.failing if name not in told]
    why = [words.of(words.PERMISSIVES, name).plain for name in names]
    return why + [stopped(name) for name in wake.lockouts if name not in begun]


def idle(wake: WakeRow, log: PotLog, begun: Sequence[str], over: Sequence[str]) -> str:
    """Why a wake that asked for no water did not."""
    pot, doubt = log.pot_of(wake), "steady" in wake.failing and "leak" not in wake.lockouts
    look = words.of(words.PHASES, wake.phase).plain
    if wake.cause == "button" or wake.button_ms:
        return pressed(wake, over)
    if wake.phase == "soak":
        if wake.cause != "timer":
            cause = words.of(words.CAUSES, wake.cause).plain
            return say("it {what} in the middle of a dose", what=cause)
        if wake.failing:
            return "; ".join(hindrances(wake, begun))
        return say("the soil was wet enough")
    if wake.phase in ("first look", "second look"):
        if wake.level_ml is None:
            return say("{what}, and the reading of the level was implausible", what=look)
        return again(look) if doubt else look
    if "commissioned" in wake.failing:
        return words.PERMISSIVES["commissioned"].plain
    if wake.soil_ppt is None:
        why = words.of(words.PROBE_WORDS, wake.soil_word).plain
        return say("the soil probe gives implausible readings: {why}", why=why)
    held = percent(wake.soil_ppt)
    if pot is None or wake.soil_ppt <= refill_of(pot):
        return say("the soil held {held}, and no water was needed", held=held)
    refill = percent(refill_of(pot))
    text = say("the soil held {held}, above the refill point of {refill}", held=held, refill=refill)
    return again(text) if doubt else text


def again(text: str) -> str:
    """The text, and that the level is measured once more."""
    return say("{what}; the level fell, so it measures again", what=text)


def pressed(wake: WakeRow, over: Sequence[str]) -> str:
    """What a press did that asked for no water. over: lockouts that it ended."""
    if "entry page" in wake.host:
        return say("its page for a new Wi-Fi was opened")
    if "mute" in wake.host:
        return say("the reminders were muted for a week")
    if "free the button" in wake.needs:
        return words.NEEDS["free the button"].plain
    if wake.button_ms < LONG_PRESS_MS:
        return say("the button was pressed for a status check")
    if wake.lockouts:
        kept = ", ".join(words.STOPPED_FOR.get(name, name) for name in wake.lockouts)
        return say("the button was held, and it is still stopped because of {why}", why=kept)
    if over:
        return say("a press that ends a stop does not start a dose")
    if wake.phase != "idle":
        under_way = words.of(words.PHASES, wake.phase).plain
        return say("the button was held, but a dose is in progress: {what}", what=under_way)
    return say("the button was held")


def trip_text(wake: WakeRow) -> str:
    """What stopped the run."""
    return "; ".join(words.of(words.TRIPS_WORDS, t).plain for t in wake.trips)


def magnify(log: PotLog, wake: WakeRow, read: Read, calendar: Calendar) -> Magnified:
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
    for name in sorted(rows, key=lambda n: list(PROBES).index(n) if n in PROBES else 99):
        found.readings.append(reading_row(name, rows[name], on_record.judged.get(name, ""), cal))
    for name, reading in (on_record.after or {}).items():
        row = reading_row(name, reading, "", cal)
        row["name"] = say("{probe}, after the pulse", probe=row["name"])
        found.readings.append(row)
    for name, held in on_record.permissives.items():
        plain = words.HELD.get(name, name) if held else words.of(words.PERMISSIVES, name).plain
        found.permissives.append(
            {"held": bool(held), "plain": plain, "name": name, "rule": words.RULES.get(name, "")}
        )
    for kind, table, names in (
        (say("cut the run short"), words.TRIPS_WORDS, wake.trips),
        (say("lockout"), words.LOCKOUTS, wake.lockouts),
        (say("asks for"), words.NEEDS, wake.needs),
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
        (say("in progress when it woke"), words.of(words.PHASES, wake.phase).plain),
        (say("asked for"), words.of(words.KINDS, wake.kind).plain),
        (say("still to give"), f"{number(wake.dose_ul / 1000, 1)} ml"),
        (
            say("this pulse"),
            f"{number(wake.pulse_ms / 1000, 2)} s" if wake.pulse_ms else say("none"),
        ),
    ]
    if pot is not None:
        found.plan += [
            (say("refill point"), percent(refill_of(pot))),
            (say("a dose fills to"), percent(target_of(pot))),
        ]
    found.recorded = [
        (say("pump ran"), f"{number(wake.ran_ms / 1000, 2)} s"),
        (say("water given, best estimate"), given_text(wake)),
        (
            say("level fell by"),
            say("not measurable") if wake.fall_ml is None else water(wake.fall_ml),
        ),
        (say("counted against the 24-hour limit"), water(wake.day_ml)),
        (say("awake"), f"{number(wake.awake_ms / 1000, 1)} s"),
        (say("charge since the last wake"), f"{wake.charge_uah} µAh"),
        (say("writes to storage"), say("all good") if not wake.stores_failed else say("FAILED")),
        (say("woke"), words.of(words.CAUSES, wake.cause).plain),
        (say("then slept"), span_text(wake.sleep_s)),
    ]
    if wake.left_out:
        text = ", ".join(words.LEFT_OUT.get(part, part) for part in wake.left_out)
        found.recorded.append((say("left out of its record because memory was short"), text))
    found.run = run_pictures(on_record.run or {}, cal)
    return found


def given_text(wake: WakeRow) -> str:
    """The water of a pulse; of a run that showed none, what it would have been by time."""
    if wake.dry:
        return say("no water seen; {ml} ml by its running time", ml=number(wake.given_ul / 1000, 1))
    return f"{number(wake.given_ul / 1000, 1)} ml"


def reading_row(name: str, reading: Reading | None, word: str, cal: Any) -> dict[str, str]:
    """One probe: counts, scatter, what they convert to, and whether they are believed."""
    told = PROBES.get(name)
    scale, unit = (told.of, told.shown) if told else (1, "")
    probe = getattr(cal, name, None) if cal is not None and told else None
    row = {"name": told.plain if told else name, "counts": say("did not answer"), "spread": ""}
    row["value"] = ""
    row["word"] = words.of(words.PROBE_WORDS, word).plain if word else ""
    if reading is not None:
        row["counts"], row["spread"] = str(reading[0]), str(reading[1])
        if probe is not None:
            value = convert(probe.points, reading[0]) / scale
            row["value"] = f"{number(value, len(str(scale)) - 1)} {say(unit)}"
            if name == "level" and cal.float_only:
                row["value"] = say("the water is above the float switch")
                if value <= 0:
                    row["value"] = say("the water is down to the float switch")
    return row


def run_pictures(run: Mapping[str, int | list[int]], cal: Any) -> list[dict[str, Any]]:
    """Each channel of the run against milliseconds, converted where the table is at hand."""
    times = run.get("ms")
    if not isinstance(times, list) or not times:
        return []
    found = []
    for name in CHANNELS[1:]:
        column = run.get(name)
        if not isinstance(column, list):
            continue
        probe = getattr(cal, name, None) if cal is not None else None
        scale, unit = (PROBES[name].of, PROBES[name].shown) if probe else (1, term("counts"))
        rows = [
            {"t": t, "v": (convert(probe.points, c) if probe is not None else c) / scale}
            for t, c in zip(times, column, strict=True)
            if c != UNREAD
        ]
        if not rows:
            continue
        silent = len(column) - len(rows)
        first, last = rows[0]["v"], rows[-1]["v"]
        text = say(
            "{probe}: {first} to {last} {unit} in {ms} ms",
            probe=PROBES[name].plain,
            first=f"{first:g}",
            last=f"{last:g}",
            unit=say(unit),
            ms=rows[-1]["t"],
        )
        text += say("; {count} samples did not answer", count=silent) if silent else ""
        found.append({"text": text, "spec": plots.run_spec(rows, unit)})
    return found


def wanted(log: PotLog, asked: str, calendar: Calendar) -> list[WakeRow]:
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


def records(log: PotLog, wakes: Sequence[WakeRow]) -> dict[tuple[int, int], Read]:
    """The whole records of those wakes, read again from the files."""
    places: Collection[tuple[int, int]] = {w.place for w in wakes}
    if all(place in log.kept for place in places):
        return {place: log.kept[place] for place in places}
    found = {}
    for entry in FieldLog(log.files).entries():
        if entry.place in places:
            found[entry.place] = entry.read
    return found
