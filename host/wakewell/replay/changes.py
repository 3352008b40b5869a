"""What one core decided in a wake, compared with the record: stricter, weaker, or otherwise.

Here belongs: one comparison for each kind of protection, with the requirement it serves. The
requirement of a row is said here and not by the core under test. Not here: how the wake was
played (rejudged.py), and what is printed.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from wakecore import rules
from wakecore.run import OVERRUN_MS, TRIPS
from wakewell.log.commanded import CommandedSleep, pulses_of
from wakewell.log.logs import Record
from wakewell.log.record import Wake
from wakewell.pot import parts
from wakewell.replay.verdicts import report_faults, start_faults

WEAKER, STRICTER, OTHER = "weaker", "stricter", "otherwise"

# The requirement of every row by name; a name of another core has what that core says.
PERMISSIVES = {row[0]: row[1] for row in rules.PERMISSIVES} | {
    "pin": "R1",
    "boots": "R9",
    "files": "R11",
    "match": "R14",
    "commissioned": "R14",
    "lockouts": "R9",
    "battery": "R5",
    "level": "R4",
    "reserve": "R4",
    "steady": "R8",
    "soil": "R6",
    "moving": "R6",
    "settled": "R7",
    "saucer": "R15",
    "day": "R3",
    "answer": "R18",
}
STOPS = {row[0]: row[1] for row in TRIPS} | {
    "full": "R2",
    "fault": "R2",
    "day": "R3",
    "reserve": "R4",
    "no flow": "R4",
    "no load": "R4",
    "fast fall": "R8",
    "level lost": "R4",
    "sag": "R5",
    "battery lost": "R5",
    "wet": "R15",
    "saucer lost": "R15",
}
LOCKOUTS = {row[0]: row[1] for row in rules.LOCKOUTS} | {
    "battery low": "R5",
    "dry run": "R4",
    "leak": "R8",
    "no response": "R7",
    "interrupted": "R9",
    "saucer wet": "R15",
    "state lost": "R11",
    "files damaged": "R11",
}
PROBES = {name: probe.rule for name, probe in parts.PROBES.items()}

# What the retained state counts towards a protection: {field: (requirement, less is weaker)}.
COUNTS = {
    "interrupts": ("R9", True),
    "open_ms": ("R9", True),
    "dry_trips": ("R4", True),
    "proof_pulses": ("R4", True),
    "leak_looks": ("R8", True),
    "fill_looks": ("R8", False),
    "pumped_ml": ("R8", False),
    "doubts": ("R8", False),
    "silent_doses": ("R7", True),
    "asked": ("R7", True),
    "unanswered_ul": ("R18", True),
    "tries": ("R18", True),
    "soil_same": ("R6", True),
    "presses": ("R12", True),
    "low_wakes": ("R5", True),
    "clear_wakes": ("R5", False),
    "since_dose_s": ("R7", False),
}
# What it remembers to compare with later: {field: (requirement, what stands for nothing)}.
MEMORIES = {
    "look_ml": ("R8", -1),
    "filled_ml": ("R8", -1),
    "before_ppt": ("R7", -1),
    "soil_ppt": ("R6", -1),
    "proof_ul": ("R4", 0),
    "tried_ppt": ("R18", -1),
}
LATER = 10  # a look later by more than a tenth is weaker (R8)
SOON_S = 600  # a sleep as short as this is one to a look or to the next pulse
# The owner's way out of a lockout: it is asked for less often if the lockout lasts longer.
WAYS_OUT = ("confirm the charge", "unplug the charger")


@dataclass(frozen=True)
class Change:
    """One row with another result. rule: its requirement, "" where it serves none.

    member: where it is in the record, as in "permissives.day".
    """

    way: str
    rule: str
    member: str
    text: str

    @property
    def key(self) -> tuple[str, str, str]:
        """Equal for the same change in another wake."""
        return self.way, self.rule, self.member


def runs(record: Record) -> list[str]:
    """The pump runs a record commands."""
    return pulses_of(record.get("commands", ()))


def run_ms(record: Record) -> int:
    """How long a record's wake was to pump, 0 if not at all."""
    return int(record["plan"]["pulse_ms"]) if runs(record) else 0


def judge(
    record: Wake, made: Wake, pot: Any, outran: bool, wishes: bool, locked: int = 0
) -> list[Change]:
    """Every protection that acts otherwise in `made` than in `record`, which it was made from.

    pot: what the core was given this time. outran: its pulse ran on where the recorded one had
    ended. wishes: other settings were asked about, so that a mere preference (how often to report,
    when to warn) is not weaker because it is another. locked: the lockouts before the wake, one bit
    for each: what latches in it may be told (R17).
    """
    found = [*_permissives(record, made), *_probes(record, made)]
    was_ms, now_ms = record.commanded_ms, made.commanded_ms
    seen = was_ms <= now_ms  # all of the recorded run went through this core too
    if seen:
        found += _trips(record, made, outran)
    if seen or not was_ms:
        found += _lockouts(record, made)
    found += _run(record, made, pot, locked)
    if was_ms == now_ms and record.trips == made.trips:
        found += _water(record, made)
    asked = [(r.plan.kind, r.plan.pulse_ms) for r in (record, made)]
    if asked[0] == asked[1] and record.trips == made.trips:
        found += _rest(record, made)
        if not wishes:
            found += _told(record, made, bool(found))
    return found


def _permissives(record: Wake, made: Wake) -> Iterator[Change]:
    was, now = record.permissives, made.permissives
    for name in dict.fromkeys((*was, *now)):
        before, after = was.get(name, 1), now.get(name, 1)
        rule, member = PERMISSIVES.get(name, ""), f"permissives.{name}"
        if name == "lockouts" and not before and after:
            rule = next((LOCKOUTS.get(n, rule) for n in record.lockouts), rule)
        if not before and after:
            yield Change(WEAKER, rule, member, f"permissive {name} held the pump back, now not")
        elif before and not after:
            yield Change(STRICTER, rule, member, f"permissive {name} now holds the pump back")


def _probes(record: Wake, made: Wake) -> Iterator[Change]:
    was, now = record.judged, made.judged
    for name in dict.fromkeys((*was, *now)):
        before, after = was.get(name, "unfitted"), now.get(name, "unfitted")
        rule, member = PROBES.get(name, ""), f"judged.{name}"
        if before == after:
            continue
        if after == "good" and before != "unfitted":
            yield Change(WEAKER, rule, member, f"the {name} was {before}, now it is plausible")
        elif after == "unfitted":
            yield Change(WEAKER, rule, member, f"the {name} was judged, now it is not read")
        elif before == "good":
            yield Change(STRICTER, rule, member, f"the {name} is now judged {after}")
        else:
            yield Change(OTHER, "", member, f"the {name} was {before}, now {after}")


def _trips(record: Wake, made: Wake, outran: bool) -> Iterator[Change]:
    was, now = record.trips, made.trips
    if outran:  # this run was not stopped by what stopped the recorded one
        now = [name for name in now if name == "fault" or name not in was]
    words = "trip {} stopped the pump, now it does not", "trip {} now stops the pump"
    yield from _acting("trips", STOPS, was, now, words)


def _lockouts(record: Wake, made: Wake) -> Iterator[Change]:
    words = "lockout {} was in force, now it is not", "lockout {} is now in force"
    yield from _acting("lockouts", LOCKOUTS, record.lockouts, made.lockouts, words)


def _acting(
    member: str, rules: Mapping[str, str], was: list[str], now: list[str], words: tuple[str, str]
) -> Iterator[Change]:
    """What acted and does not act now, and what acts only now. words: for either."""
    for one, other, way, text in ((was, now, WEAKER, words[0]), (now, was, STRICTER, words[1])):
        for name in one:
            if name not in other:
                yield Change(way, rules.get(name, ""), f"{member}.{name}", text.format(name))


def _run(record: Wake, made: Wake, pot: Any, locked: int) -> Iterator[Change]:
    """A start that should not be, and a pulse longer than the same dose was given before."""
    was_ms, now_ms = record.commanded_ms, made.commanded_ms
    was, now = (
        [*start_faults(one, pot), *report_faults(one, pot, last_word=_latches(one, locked))]
        for one in (record, made)
    )
    known = {rule for rule, _ in was}
    for rule, why in now:
        if rule not in known:
            yield Change(WEAKER, rule, f"commands.{rule}", f"now {why}")
    if not now_ms:
        return
    limits = pot.limits
    used_ml = record.water.day_ml - (record.water.counted_ml or 0)
    most_ml = -(-(now_ms + OVERRUN_MS) * limits.flow_max_ul_s // 1_000_000)
    past = ""
    if now_ms > limits.pulse_ms:
        past, why = "R2", f"pulse beyond the hard limit of {limits.pulse_ms} ms"
    elif most_ml > max(0, limits.day_ml - used_ml):
        past, why = "R3", "pulse beyond the rest of the 24-hour limit"
    elif was_ms < now_ms and _all_else_the_same(record, made):
        past, why = "R2", "longer pulse for the same dose"  # a bound of the pulse is missing
    if past and (was_ms < now_ms or past not in known):
        yield Change(WEAKER, past, f"plan.pulse_ms.{past}", f"now a {why}")
    if made.plan.dose_ul > 1000 * limits.dose_ml:
        text = f"now a dose beyond the hard limit of {limits.dose_ml} ml"
        yield Change(WEAKER, "R3", "plan.dose_ul", text)


def _latches(record: Wake, locked: int) -> bool:
    """Does something end the watering or the reporting in this very wake, or is the plant to be
    watered by hand (R17)?"""
    new = [name for name in record.lockouts if not locked & rules.BITS.get(name, 0)]
    return bool(new) or record.values.battery_mv is None or "water by hand" in record.needs


def _all_else_the_same(record: Wake, made: Wake) -> bool:
    """Nothing else says why the pulse is longer: not the dose, no permissive, no failed write."""
    same = made.plan.dose_ul == record.plan.dose_ul
    return same and made.permissives == record.permissives and 0 not in record.stores[:1]


def _water(record: Wake, made: Wake) -> Iterator[Change]:
    for name, text in (("counted_ml", "for this pulse"), ("day_ml", "for the last 24 hours")):
        was, now = getattr(record.water, name) or 0, getattr(made.water, name) or 0
        if now != was:
            way, word = (WEAKER, "less") if now < was else (STRICTER, "more")
            yield Change(way, "R3", f"water.{name}", f"counts {word} water {text}")
            return


def _rest(record: Wake, made: Wake) -> Iterator[Change]:
    """The sleep that follows, and whether the button wakes from it."""
    was, now = (r.sleep or CommandedSleep(0, False) for r in (record, made))
    was_s, now_s = was.seconds, now.seconds
    low = "battery low" in record.lockouts and "battery low" in made.lockouts
    if was_s <= SOON_S and now_s * LATER > was_s * (LATER + 1):
        text = "measures the level later, or not at all"
        yield Change(WEAKER, "R8", "commands.sleep", text)
    elif low and now_s < was_s:
        text = "protects a low battery less: it sleeps for a shorter time"
        yield Change(WEAKER, "R5", "commands.sleep", text)
    elif now_s != was_s:
        yield Change(OTHER, "", "commands.sleep", "sleeps for another time")
    if now.button and not was.button:
        yield Change(WEAKER, "R12", "commands.button", "a stuck button wakes it again")
    elif was.button and not now.button:
        yield Change(STRICTER, "R12", "commands.button", "the button no longer wakes it")
    if made.commands[:1] != ["off"] and record.commands[:1] == ["off"]:
        yield Change(WEAKER, "R1", "commands.off", "the pump is no longer switched off first")


def _told(record: Wake, made: Wake, already: bool) -> Iterator[Change]:
    """Is somebody no longer asked for help (R16), or not told of it (R17)?

    already: the wake differs otherwise too, and what it asks for may follow from that.
    """
    lost = [n for n in record.needs if n not in made.needs and n not in WAYS_OUT]
    way = OTHER if already else WEAKER
    for name in lost:
        yield Change(way, "R16", f"needs.{name}", f"no longer asks: {name}")
    for name in made.needs:
        if name not in record.needs:
            yield Change(OTHER, "", f"needs.{name}", f"now asks: {name}")
    if "report" in record.commands and "report" not in made.commands:
        yield Change(way, "R17", "commands.report", "does not report by radio, as it did")


def forgiven(recorded: Any, made: Any) -> Iterator[Change]:
    """What the state after a wake counts or remembers less than it did. Both began the same."""
    for name, (rule, fewer) in COUNTS.items():
        was, now = getattr(recorded, name, None), getattr(made, name, None)
        if was is None or now is None or was == now:
            continue
        if (now < was) == fewer:
            text = f"no longer counts {name}"
            yield Change(WEAKER, rule, f"state.{name}", text)
        else:
            yield Change(STRICTER, rule, f"state.{name}", f"counts more in {name}")
    for name, (rule, nothing) in MEMORIES.items():
        was, now = getattr(recorded, name, None), getattr(made, name, None)
        if was not in (None, nothing) and now == nothing:
            yield Change(WEAKER, rule, f"state.{name}", f"forgets what it kept in {name}")
