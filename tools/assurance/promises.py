"""What was promised of every wake, whatever it is about: held against each wake of a sequence.

A sequence says what must follow from its own readings. The witness here asks of any wake what a
person could check who has the pot's files, a meter at the pump's pins and the log:

    told as it was    what the record says of readings, commands, water and storage is what happened
    reasons           no water where something forbids it, no lockout that ends by itself, no report
                      for nothing new, and none on a cell that does not bear it
    and consequences  what stands in the readings is asked for; what is new is told where the radio
                      may be used; water is counted, and counts no longer than its day

The core's own arithmetic is not repeated: sums are taken over what was pumped and told, and bounds
leave room where only the core knows more. What a script puts into the state, or takes from it,
makes the witness forget what it knew.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from itertools import pairwise
from typing import Any

from wakecore import rules
from wakecore.fields import refill_ppt
from wakecore.run import LATCHES
from wakecore.table import convert
from wakewell.log.commanded import sleep_of
from wakewell.portable import mock
from wakewell.sequences.judging import Failure
from wakewell.sequences.sequence_file import Sequence

DAY_S, HOUR_S = 86400, 3600
PLACE_S = 5 * HOUR_S  # water counts for so much longer than a day, as the developers' page says
NIGHT_S = 12 * HOUR_S
HELD_MS, STUCK_MS = 2000, 15000  # as the README says of a press
LEAST_SLEEP_S = 60
LOOKS_S = 2 * HOUR_S  # soaks and looks that may put a regular wake off
LOOKS = (60, 540)  # sleeps after the last pulse, so that a leak is seen soon (R8)
MOST_LOOKS = 12  # wakes in a row for a level in doubt, and without a pulse
THIRSTY_WAKES = 4  # regular wakes with dry soil until somebody is asked: one more than promised
MOST_TIMES = 4  # a pot may learn that it needs so many times the water
WORSE = ("absent", "railed", "flicker", "span", "frozen", "jump")
ASKED = ("set", "depletion")  # doses that dry soil asked for
UNANSWERED = 1 << 29  # counts of a part that did not answer
TIMED = ("timer", "button")
STORAGE = ("settings", "limits", "calibration")
NEXT = -1  # a time that the next wake sets
Broken = tuple[str, str, str]  # requirement, what was promised, what was found


class WakeWitness:
    """Looks at the wakes of one pot, one after another."""

    def __init__(self, script: Mapping[str, Any], clock_moves: bool = False) -> None:
        pot = mock.load_pot(script["pot"])
        self.settings, self.limits, self.cal = pot.settings, pot.limits, pot.calibration
        self.match = pot.match
        self.floor_mv = max(self.settings.battery_mv, self.limits.rest_mv)
        self.radio_mv = max(self.limits.radio_mv, self.floor_mv)
        self.reserve_ml = max(self.settings.reserve_ml, self.limits.reserve_ml)
        self.window_s = DAY_S * (1000 + self.limits.clock_ppt) // 1000 + PLACE_S
        self.real_s = 0  # by the clock on the wall
        self.pumped: list[tuple[int, int]] = []  # when (by that clock), microlitres
        response = self.settings.response_ppt * self.cal.ul_per_ppt
        self.answer_ul = 3 * response
        self.refill_ppt = refill_ppt(self.settings, self.cal)
        self.silent_ul, self.lowest_ppt, self.learns = 0, -1, False
        self.now_s = self.elapsed_s = 0  # time that was vouched for, and what of it the last wake
        self.forget_all()
        self.waits_known = True  # a new pot has no report behind it
        self.pulse_s = -100 * DAY_S

    def forget_all(self) -> None:
        """The pot begins anew, or with what a script says."""
        self.told_s: dict[str, int] = {}  # when a need was last told
        # Needs that were told, and the pot may know it or not: they may be told, and need not be
        self.blurred: set[str] = set()
        self.presses: list[int] = []
        self.forget()

    def forget(self) -> None:
        """The state of the last wake may be lost. The pot goes on with the one before it: it may
        know what was told earlier, or take the last report for one that nobody heard. Of presses
        it forgets at most that wake's, and they are younger by that wake's time."""
        self.blurred |= set(self.told_s)
        self.told_s = {}
        self.presses = [min(self.now_s, at + self.elapsed_s) for at in self.presses]
        self.last: dict[str, Any] | None = None
        self.counted: list[tuple[int, int]] = []  # when (by that time), millilitres as counted
        self.unsure_s = self.now_s  # when something was last counted that is in no record
        self.knows = False  # was there a report since?
        self.vain = False  # nobody heard the last one
        self.quiet = 0  # wakes by the timer since the last report
        self.regular_s: int | None = None  # when nothing was under way last
        self.highs: list[int | None] = []  # levels of the last wakes
        self.looks: set[int] = set()  # owed since the last pulse
        self.short = 0  # sleeps in a row that were no longer than a look's, and no pulse
        # When the last pulse was. A damaged state is taken to have held one, and the wake that
        # finds it so books it
        self.pulse_s = NEXT
        self.charged = 0  # rested wakes in a row above the clearing voltage
        self.thirst = 0  # regular wakes in a row that found the plant in want of water
        self.cut = False  # was the last dose cut short?
        self.in_vain = self.sat = 0  # reports in a row that nobody heard, regular wakes since
        self.sat_most = 0  # and with those that doubt the level: some of them are regular
        self.browned, self.waits_known = False, False
        self.regulars = 0  # of the wakes that `quiet` counts, those that doubted no level

    # A wake

    def see(self, wake: Mapping[str, Any], out: Mapping[str, Any]) -> Iterator[Broken]:
        """What is broken in this wake."""
        self.real_s += out["passed_s"]
        if "retained" in wake:
            self.forget_all()
        if out["pumped_ul"]:
            self.pumped.append((self.real_s, out["pumped_ul"]))
        record = out["record"]
        yield from self.day(wake, out)
        yield from self.unanswered(out)
        if record is None:
            if wake.get("cause") == "button":
                self.presses.append(self.now_s)
            self.forget()
            return
        begin = record["begin"]
        if begin["state"] == "lost":
            self.forget_all()
        elif begin["state"] != "good":
            self.forget()
        elif self.settings_lost(record):
            kept = self.told_s, self.blurred, self.presses  # in the state, which is good
            self.forget()
            self.told_s, self.blurred, self.presses = kept
        last_sleep = None if self.last is None else sleep_of(self.last["commands"])
        elapsed_s = begin["slept_s"] if begin["vouched"] else 0
        if last_sleep is not None:
            late = elapsed_s > last_sleep.seconds and begin["cause"] == "button"
            elapsed_s = 0 if late else min(elapsed_s, last_sleep.seconds)
        self.now_s, self.elapsed_s = self.now_s + elapsed_s, elapsed_s
        if self.pulse_s == NEXT:
            self.pulse_s = self.now_s
        if begin["cause"] == "button":
            self.presses.append(self.now_s)
        yield from self.story(out, record)
        if "values" not in record:  # a shortened one does not say enough
            yield from self.in_order(record)
            self.forget()
            return
        yield from self.in_order(record)
        yield from self.ran(wake, out)
        yield from self.needed(record)
        yield from self.thirsty(out, record, elapsed_s)
        if "on" in out["events"]:
            yield from self.forbidden(record)
        yield from self.endings(record, elapsed_s)
        yield from self.begun(record)
        yield from self.account(out, record)
        yield from self.slept(out, record, elapsed_s)
        yield from self.radio(out["events"], record, elapsed_s)
        self.last = record
        if not record["stores"][-1]:
            self.forget()

    def day(self, wake: Mapping[str, Any], out: Mapping[str, Any]) -> Iterator[Broken]:
        """R2, R3 by the meter at the pins."""
        if out["ran_ms"] > self.limits.pulse_ms + 250:
            yield "R2", f"at most {self.limits.pulse_ms} ms", f"the pump ran {out['ran_ms']} ms"
        flow = wake.get("run", {}).get("flow_ul_s") or 0
        if max(flow, self.cal.flow_ul_s) > self.limits.flow_max_ul_s:
            self.pumped.clear()  # no pump here does that, and only a gauge could tell
        self.pumped = [(at, ul) for at, ul in self.pumped if at > self.real_s - DAY_S]
        ul = sum(ul for _, ul in self.pumped)
        if ul > 1000 * self.limits.day_ml and self.limits.id:
            yield "R3", f"at most {self.limits.day_ml} ml in 24 hours", f"{ul} microlitres pumped"

    def story(self, out: Mapping[str, Any], record: Mapping[str, Any]) -> Iterator[Broken]:
        """R1, R9, R13: stored before pumped, all of it stored and on record before it is told."""
        events = [one for one in out["events"] if one not in ("off", "read")]
        if "on" in events and events[events.index("on") - 1] != "store":
            yield "R9", "no pulse before its begin is stored", " ".join(out["events"])
        if "on" in events and "off" not in out["events"][out["events"].index("on") :]:
            yield "R1", "off after the pulse", " ".join(out["events"])
        plain = [one.replace("store failed", "store") for one in wake_of(events)]
        ran = ["store", "on"] if "on" in plain else []
        unstored = ["store"] if not ran and plain.count("store") > 1 else []
        told = ["report"] if "report" in plain else []
        wanted = ["rest", *ran, *unstored, "close", "store", "log", *told, "sleep"]
        if "reset" in plain:  # by the radio, or between log and sleep
            plain = plain[: plain.index("reset")]
            wanted = wanted[: len(plain)]
        if "rest" not in plain:
            return  # no part of this board answers, so nobody sees when it is asked
        if (record["begin"]["pin"] and out["events"][0] != "off") or plain != wanted:
            yield "R13", " ".join(["off", *wanted]), " ".join(out["events"])
        if "left_out" not in record:
            if ("run" in record) != ("on" in plain):
                yield "R11", f"a record of what ran: {events}", f"{record['commands']}"
            asked = [one.split()[0] for one in record["commands"]]
            asked = [one for one in asked if one not in ("read", "off", "run")]
            done = [one for one in plain if one not in ("on", "log")]
            if asked[: len(done)] != done or (len(asked) > len(done) and "reset" not in events):
                yield "R11", f"a record of {' '.join(plain)}", " ".join(record["commands"])
        stores = [int(one == "store") for one in out["events"] if one.startswith("store")]
        if record["stores"] != stores:
            yield "R11", f"a record of the writes {stores}", f"{record['stores']}"

    def in_order(self, record: Mapping[str, Any]) -> Iterator[Broken]:
        """R11: each record goes on from what the one before it left in storage."""
        if self.last is None:
            return
        if record["n"] != self.last["n"] + 1:
            yield "R11", f"record {self.last['n'] + 1}", f"record {record['n']}"
        if record["before"] != self.last["state"]:
            yield "R11", f"begins with the state {self.last['state']}", record["before"]

    # Reasons

    def needed(self, record: Mapping[str, Any]) -> Iterator[Broken]:
        """R4 to R17: what stands in the readings and among the lockouts is asked for."""
        values, judged, needs = record["values"], record["judged"], record["needs"]
        level_ml, mv = values["level_ml"], values["battery_mv"]
        locked = {way for name, _, way in rules.LOCKOUTS if name in record["lockouts"]}
        spent = "no response" in record["lockouts"]
        lost = record["begin"]["calibration"] == "default"
        empty = level_ml is not None and level_ml < self.settings.tank_warn_ml and not lost
        empties = "see why the tank empties" in needs
        for wanted, need in (
            (empty and not empties and not self.settings_lost(record), "fill the tank"),
            (mv is None, "see to the battery"),
            (judged["soil"] in WORSE, "see to the soil probe"),
            (level_ml is None, "see to the level"),
            (judged.get("saucer") == "good" and self.wet(record), "empty the saucer"),
            ((rules.BUTTON in locked) and not spent, "clear a lockout"),
            (rules.CABLE in locked or 0 in record["stores"], "see to the pot"),
        ):
            if wanted and need not in needs:
                yield "R17", f"asks: {need}", f"asks: {', '.join(needs) or 'for nothing'}"

    def settings_lost(self, record: Mapping[str, Any]) -> bool:
        return any(record["begin"][name] == "default" for name in STORAGE)

    def wet(self, record: Mapping[str, Any]) -> bool:
        """Is the saucer wet, by its reading?"""
        reading, probe = record["read"].get("saucer"), self.cal.saucer
        if reading is None or probe is None:
            return False
        return bool(mock.fields_value(probe, reading) >= self.cal.wet_ppt)

    def forbidden(self, record: Mapping[str, Any]) -> Iterator[Broken]:
        """R4 to R15: the pump ran; was there a reason not to?"""
        values, begin, kind = record["values"], record["begin"], record["plan"]["kind"]
        still = set(record["lockouts"]) & set(self.last["lockouts"] if self.last else ())
        # One that ended before this pulse, and that the pulse's own trip latched again
        still -= {LATCHES.get(trip, "") for trip in record["trips"]}
        level_ml, mv = values["level_ml"], values["battery_mv"]
        below = level_ml is not None and not self.cal.float_only and level_ml <= self.reserve_ml
        held = HELD_MS <= begin["button_ms"] < STUCK_MS
        cold = values["temperature_mc"]
        for rule, why, why_not in (
            ("R1", "no pin is named", not begin["pin"]),
            ("R9", "three boots did not end", begin["boots"] >= 3),
            ("R4", "no level is believed, or too little is there", level_ml is None or below),
            ("R5", f"the cell is at {mv}", mv is None or mv < self.floor_mv),
            ("R6", "no soil is believed", values["soil_ppt"] is None and kind in ASKED),
            ("R6", "it is cold", kind != "manual" and self.cold(cold)),
            ("R9", f"locked out by {', '.join(sorted(still))}", bool(still)),
            ("R11", "something is lost", self.settings_lost(record) or begin["state"] == "lost"),
            ("R12", "nobody held the button", kind == "manual" and not held and self.begins()),
            ("R12", "the press ended a lockout", kind == "manual" and self.ended(record)),
            ("R14", "files that do not match", not self.match),
            ("R14", f"not commissioned: {kind}", self.cal.stage < 2 and kind != "upkeep"),
            ("R9", "the dose was cut off by a cold start", self.is_cold_soak(record)),
            ("R15", "the saucer is not dry", self.cal.saucer is not None and self.wet(record)),
        ):  # fmt: skip
            if why_not:
                yield rule, "no water", f"the pump ran: {why}"

    def is_cold_soak(self, record: Mapping[str, Any]) -> bool:
        """Did something else than its sleep or a press end a soak?"""
        return record["plan"]["phase"] == "soak" and record["begin"]["cause"] not in TIMED

    def cold(self, mc: int | None) -> bool:
        return self.cal.temperature is not None and mc is not None and mc < self.limits.cold_mc

    def begins(self) -> bool:
        """Did nothing wait for its next pulse before this wake?"""
        return self.last is not None and self.last["plan"]["pulse_ms"] == 0

    def ended(self, record: Mapping[str, Any]) -> bool:
        """Did a lockout end in this wake that the owner's press ends alone?"""
        gone = set(self.last["lockouts"] if self.last else ()) - set(record["lockouts"])
        return self.begins() and bool(gone - {"battery low"}) and not record["begin"]["host"]

    def begun(self, record: Mapping[str, Any]) -> Iterator[Broken]:
        """R8, R15: what latches, and by what."""
        begin, phase, locked = record["begin"], record["plan"]["phase"], record["lockouts"]
        if self.last is None or self.settings_lost(record):
            return
        held = HELD_MS <= begin["button_ms"] < STUCK_MS
        wet = self.cal.saucer is not None and self.wet(record)
        wet = wet and record["judged"]["saucer"] == "good"
        if phase != "idle" and wet and not held and "saucer wet" not in locked:
            yield "R15", f"a wet saucer at a {phase} locks out", f"locked out: {locked}"
        if "leak" in locked and "leak" not in self.last["lockouts"] and not record["trips"]:
            if begin["cause"] == "button":
                yield "R8", "a press makes no leak", f"locked out: {locked}"
            known = [level for level in self.highs[-3:-1] if level is not None]
            level_ml = record["values"]["level_ml"]
            if len(known) == 2 and level_ml is not None and "run" not in self.last:
                gone_ml = min(known) - level_ml - 2 * self.cal.tolerance_ml
                if record["water"]["day_ml"] < gone_ml:
                    yield "R3", f"at least {gone_ml} ml counted", f"{record['water']['day_ml']} ml"

    def ran(self, wake: Mapping[str, Any], out: Mapping[str, Any]) -> Iterator[Broken]:
        """R2, R4, R5, R15: the pulse as it is on record. Two samples beyond a bound end it, no
        single one does."""
        record, did = out["record"], wake.get("run", {})
        run = record.get("run", {})
        if "ran_ms" not in run or did.get("samples") or did.get("ran_ms"):
            return
        if abs(run["ran_ms"] - out["ran_ms"]) > 400 and "hang_at_ms" not in did:
            yield "R2", f"a run of {out['ran_ms']} ms on record", f"{run['ran_ms']} ms"
        for trip, name, sign, bound in (
            ("sag", "battery", 1, self.limits.sag_mv),
            ("reserve", "level", 1, self.reserve_ml),
            ("wet", "saucer", -1, 1 + -self.cal.wet_ppt),
        ):
            probe, counts = getattr(self.cal, name), run.get(name)
            if probe is None or not counts or "left_out" in record:
                continue
            seen = [
                abs(one) < UNANSWERED and sign * convert(probe.points, one) < bound
                for one in counts
            ]
            if record["trips"][:1] == [trip] and not all(seen[-2:]):
                yield "R4", f"no {trip} by a single sample", f"{counts[-3:]}"
            if any(a and b for a, b in pairwise(seen[:-1])):
                yield "R4", f"{trip} ends the pulse", f"{counts}, trips: {record['trips']}"

    def unanswered(self, out: Mapping[str, Any]) -> Iterator[Broken]:
        """R18: water without an answer is bounded, by the meter at the pins. Any rise of the soil
        is one here, and a press asks for one dose more."""
        record, ul = out["record"], out["ran_ms"] * self.cal.flow_ul_s // 1000
        most_ul = max(
            1000 * self.limits.dose_ml, self.answer_ul * (MOST_TIMES if self.learns else 1)
        )
        if record is not None:
            begin, ppt = record["begin"], record["values"]["soil_ppt"]
            if begin["host"]:
                self.silent_ul = 0
            elif begin["button_ms"] >= HELD_MS:
                self.silent_ul = min(self.silent_ul, most_ul - 1000 * self.settings.dose_ml)
            if ppt is not None:
                if 0 <= self.lowest_ppt < ppt:
                    self.silent_ul, self.learns = 0, True
                self.lowest_ppt = ppt if self.lowest_ppt < 0 or ul else min(ppt, self.lowest_ppt)
            if "no flow" in record["trips"] or self.settings_lost(record):
                ul = 0
        self.silent_ul += ul
        slack_ul = self.cal.flow_ul_s // 2
        if self.silent_ul > most_ul + slack_ul:
            yield "R18", f"at most {most_ul} microlitres without an answer", f"{self.silent_ul}"

    def thirsty(
        self, out: Mapping[str, Any], record: Mapping[str, Any], elapsed_s: int
    ) -> Iterator[Broken]:
        """R16: soil that stays dry, or is not believed, is told."""
        begin, ppt = record["begin"], record["values"]["soil_ppt"]
        idle = record["plan"]["phase"] == "idle" and begin["cause"] != "button"
        regular = idle and elapsed_s > 0 and record["permissives"]["steady"]
        cold = record["judged"]["soil"] == "cold" or self.cold(record["values"]["temperature_mc"])
        if ppt is not None and ppt > self.refill_ppt and (regular or not self.cut):
            self.thirst = 0
        elif regular and not cold and (ppt is None or ppt <= self.refill_ppt - 2):
            self.thirst += self.now_s - self.pulse_s > self.settings.settle_s
        if self.thirst >= THIRSTY_WAKES and "water by hand" not in record["needs"]:
            yield "R16", "asks: water by hand", f"{self.thirst} dry wakes, asks {record['needs']}"
        if "on" in out["events"]:
            self.pulse_s, self.cut = self.now_s, bool(record["trips"])

    def endings(self, record: Mapping[str, Any], elapsed_s: int) -> Iterator[Broken]:
        """R9 to R15: a lockout ends by its own way out only."""
        level_ml = record["values"]["level_ml"]
        self.highs = [*self.highs[-20:], level_ml]
        if self.last is None:
            return
        begin, values = record["begin"], record["values"]
        held = HELD_MS <= begin["button_ms"] < STUCK_MS
        mv = values["battery_mv"]
        rested = elapsed_s > 0 and record["plan"]["phase"] == "idle" and begin["cause"] != "button"
        if mv is not None and mv < self.settings.battery_clear_mv:
            self.charged = 0
        elif mv is not None and rested:
            self.charged += 1
        for name in set(self.last["lockouts"]) - set(record["lockouts"]):
            way = next(way for one, _, way in rules.LOCKOUTS if one == name)
            ended = f"clear {name}" in begin["host"] or (held and way == rules.BUTTON)
            if name == "battery low":
                clear_mv, often = self.settings.battery_clear_mv, self.settings.battery_clear_wakes
                full = mv is not None and mv >= 2 * clear_mv - self.floor_mv
                enough = self.charged >= often or (full and self.charged > 0)
                ended = ended or enough or (held and mv is not None and mv >= clear_mv)
            elif name == "dry run":
                ended = ended or self.refilled()
            elif name == "leak":
                ended = ended or held
            if not ended:
                yield "R9", f"still locked out: {name}", f"locked out: {record['lockouts']}"
        for action in begin["host"]:
            name = action[6:]
            again = set(self.last["lockouts"]) - {name}
            more = any(f"clear {one}" in begin["host"] for one in again)
            if again & rules_of(rules.CABLE) - set(record["lockouts"]) and not (held or more):
                yield "R9", f"the cable ended {name} alone", f"{record['lockouts']}"

    def refilled(self) -> bool:
        """Was the level higher than before at two looks running? No single one decides (R8)."""
        if self.cal.float_only:
            return True
        before, (one, two) = self.highs[:-2], [None, None, *self.highs][-2:]
        known = [level for level in before if level is not None]
        least_ml = min(known, default=0) + self.cal.tolerance_ml
        return one is not None and two is not None and min(one, two) > least_ml

    # Water

    def account(self, out: Mapping[str, Any], record: Mapping[str, Any]) -> Iterator[Broken]:
        """R3: each pulse is counted for a day, and for little longer."""
        water, begin = record["water"], record["begin"]
        ml = water.get("counted_ml", 0)
        if out["pumped_ul"] > 1000 * ml and self.pumped:
            yield "R3", "all of it counted", f"{out['pumped_ul']} microlitres, {ml} ml counted"
        leaks = "leak" in record["lockouts"]
        known = self.last is not None and self.last["stores"][-1] and begin["state"] == "good"
        if not known or leaks or ("leak" in self.last["lockouts"] if self.last else True):
            self.unsure_s = self.now_s
        if known and self.last is not None and not leaks:
            most_ml = self.last["water"]["day_ml"] + ml
            if water["day_ml"] > most_ml:
                yield "R3", f"at most {most_ml} ml of the day", f"{water['day_ml']} ml"
        if ml:
            self.counted.append((self.now_s, ml))
        least_ml = sum(ml for at, ml in self.counted if at > self.now_s - DAY_S)
        if water["day_ml"] < least_ml:
            yield "R3", f"at least {least_ml} ml of the day", f"{water['day_ml']} ml"
        if self.now_s - self.unsure_s > self.window_s:
            most_ml = sum(ml for at, ml in self.counted if at > self.now_s - self.window_s)
            if water["day_ml"] > most_ml:
                yield "R3", f"at most {most_ml} ml of the day", f"{water['day_ml']} ml"

    # Sleep and radio

    def slept(
        self, out: Mapping[str, Any], record: Mapping[str, Any], elapsed_s: int
    ) -> Iterator[Broken]:
        """R8, R12, R13: a bounded sleep; nothing puts the next regular wake off."""
        found, settings = sleep_of(record["commands"]), self.settings
        assert found is not None, "every wake of the core ends in sleep (R13)"
        phase, timer = record["plan"]["phase"], record["begin"]["cause"] != "button"
        low = "battery low" in record["lockouts"]
        wake_s = settings.wake_s if not self.settings_lost(record) else 2 * DAY_S
        most_s = max(settings.soak_s, 540, wake_s * (2 if low else 1))
        if not 1 <= found.seconds <= most_s:
            yield "R13", f"1 to {most_s} s of sleep", f"{found.seconds} s"
        before = None if self.last is None else sleep_of(self.last["commands"])
        if before is not None and phase != "idle" and not timer:
            left_s = max(1, before.seconds - elapsed_s)
            if found.seconds > left_s:
                yield "R12", f"{left_s} s are left of the wait", f"{found.seconds} s"
        pumped = "on" in out["events"]
        self.looks = (set(LOOKS) if pumped else self.looks) - {found.seconds}
        if self.looks and found.seconds > max(540, settings.soak_s):
            yield "R8", f"a look after {min(self.looks)} s", f"{found.seconds} s of sleep"
        self.short = self.short + 1 if found.seconds in LOOKS and timer and not pumped else 0
        if self.short > MOST_LOOKS and wake_s > 540:
            yield "R8", f"at most {MOST_LOOKS} looks", f"{self.short}"
        if phase == "idle" and timer and elapsed_s:
            self.regular_s = self.now_s
        short = (LEAST_SLEEP_S, 540, settings.soak_s)
        if self.regular_s is not None and not low and found.seconds not in short:
            next_s = self.now_s + found.seconds - self.regular_s
            if next_s > wake_s + LOOKS_S + (0 if timer else LEAST_SLEEP_S):
                yield "R12", f"a regular wake after {wake_s} s", f"after {next_s} s"

    def radio(
        self, events: list[str], record: Mapping[str, Any], elapsed_s: int
    ) -> Iterator[Broken]:
        """R5, R12, R17: who is told, when, and on what cell."""
        begin, needs = record["begin"], set(record["needs"])
        locked = set(record["lockouts"])
        asked = self.last is not None and "report" in self.last["commands"]
        if begin["radio"] in ("failed", "cut off") or (asked and begin["radio"] == "none"):
            self.vain = True
            self.told_s.clear()
            self.blurred.clear()
            self.in_vain, self.sat, self.sat_most = self.in_vain + 1, 0, 0
            self.browned = begin["radio"] == "cut off"
            self.waits_known = self.waits_known and not self.settings_lost(record)
        elif begin["radio"] == "heard":
            self.vain, self.in_vain, self.waits_known = False, 0, True
        mv = record["values"]["battery_mv"]
        latched = locked - set(self.last["lockouts"] if self.last else ())
        known = self.last is not None
        fresh = {need for need in needs if need not in self.told_s}
        again = {need for need in needs if self.since(need) > 0.9 * DAY_S}
        pressed, reports = begin["cause"] == "button", "report" in events
        if pressed:
            self.presses = [at for at in self.presses if at > self.now_s - DAY_S]
        self.quiet += record["plan"]["phase"] == "idle" and not pressed
        timer = begin["cause"] == "timer" and elapsed_s > 0
        steady = bool(record["permissives"]["steady"])
        self.regulars += record["plan"]["phase"] == "idle" and timer and steady
        if reports:
            if not self.settings.radio_wakes and not self.settings_lost(record):
                yield "R13", "no radio", "a report"
            if mv is not None and mv < self.limits.rest_mv:
                yield "R5", f"no radio below {self.limits.rest_mv} mV", f"a report at {mv} mV"
            last_word = latched or fresh or again or not self.knows
            if mv is not None and mv < self.radio_mv and not last_word:
                yield "R5", f"no radio below {self.radio_mv} mV", f"a report at {mv} mV"
            due = self.quiet >= self.settings.radio_wakes
            if (
                self.knows
                and known
                and not (pressed or latched or fresh or again or due or self.vain)
            ):
                yield "R17", "no report: nothing is new", f"a report: {sorted(needs)}"
            early = self.vain and not pressed and self.sat_most < self.waits()
            if early and known and self.waits_known:
                yield (
                    "R17",
                    f"waits {self.waits()} regular wakes",
                    f"a report after {self.sat_most}",
                )
            # A report at a press puts nothing off: a need told before is due when it was
            told = fresh - self.blurred if pressed else needs
            self.told_s.update(dict.fromkeys(told, self.now_s))
            self.blurred -= told
            self.quiet, self.regulars, self.knows = 0, 0, True
        elif "reset" in events:
            return  # the power failed before the report
        elif self.vain and known and self.waits_known:
            timed = begin["cause"] == "timer" and record["plan"]["phase"] == "idle"
            if timed and steady and self.sat >= self.waits() and self.bears(record, mv):
                yield "R17", "tried again: nobody heard the last report", "no report"
            self.sat += timed and steady  # a wake counts, whatever the cell is like
            self.sat_most += timed
        elif self.bears(record, mv) and known and self.knows and not self.vain:
            new = fresh - self.blurred | latched
            if new and 0 not in record["stores"]:
                yield "R17", f"told at once: {', '.join(sorted(new))}", "no report"
            elif pressed and len(self.presses) <= 3:
                yield "R12", "the press is answered", "no report"
            elif self.regulars > self.settings.radio_wakes:
                yield "R17", f"a report every {self.settings.radio_wakes} wakes", "no report"

    def waits(self) -> int:
        """Regular wakes to let pass after so many reports in vain: 1, 2, 4 and so on after the
        radio's brown-out, half as many else, and seven days at most."""
        most = max(1, 7 * DAY_S // self.settings.wake_s)
        wait = int(min(1 << min(self.in_vain - 1, 10), most))
        return wait if self.browned else wait // 2

    def since(self, need: str) -> int:
        """Seconds since it was told."""
        return self.now_s - self.told_s.get(need, -100 * DAY_S)

    def bears(self, record: Mapping[str, Any], mv: int | None) -> bool:
        """May the radio be used?"""
        if not self.settings.radio_wakes or mv is None or mv < self.radio_mv:
            return False
        return "battery low" not in record["lockouts"] and not self.settings_lost(record)


def wake_of(events: list[str]) -> list[str]:
    """The events of a wake's own boot and its radio's, each once where it is the same again: a
    full log is opened twice, an entry page has a boot of its own."""
    first = max((at for at, one in enumerate(events) if one == "rest"), default=0)
    mine = events[first:]
    return [one for at, one in enumerate(mine) if at == 0 or one != mine[at - 1] or one == "store"]


def rules_of(way: str) -> set[str]:
    """The lockouts with that way out."""
    return {name for name, _, one in rules.LOCKOUTS if one == way}


def broken(sequence: Sequence, outputs: Iterable[Mapping[str, Any]]) -> Iterator[Failure]:
    """What the witness finds in the wakes of a sequence."""
    witness = WakeWitness(sequence.script)
    for number, (wake, out) in enumerate(zip(sequence.script["wakes"], outputs, strict=False), 1):
        for rule, wanted, found in witness.see(wake, out):
            yield Failure(
                sequence.path, sequence.lines[number - 1], number, rule, wanted, found, ""
            )
