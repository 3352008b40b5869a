"""What must hold of every wake of the search, by R1 to R18, judged from what really happened.

It looks at the letter (what was really so), at the commands and at the water, and keeps its
own memory; nothing of it calls the core. In two things it takes the core's word: whether a
press ended a lockout, and whether counts that stand still were taken for frozen.

`Kept` is what a pot owes because of what it has seen: storage may lose it, and is then not
blamed for it. `Truth` is water and time, which nothing undoes.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from assurance.letters import Letter
from assurance.world import AT, HARDWARE_MS, PRESSES, TROUBLE_MS, CornerPot, Happened, Node
from wakecore import rules

IDLE, SOAKING = 0, 1  # phases, as storage numbers them
SEEN_MS = 2 * 150  # R4, R5, R15: two samples show what makes a run dangerous
AT_ONCE = ("unvouched", "behind", "cold", "boots", "touch", "held", "stuck", "chatter")
GIVES_WAY = ("sag", "battery lost")
NO_WATER = ("level lost", "fault", "memory")  # runs that cannot show any
TROUBLES = (*GIVES_WAY, "level lost", "wet", "saucer lost", "current lost", "fault", "memory")
DAY_S = 86400
LONG_AGO_S = 1 << 29
CHATTER = 20  # button wakes in a day
LEAST_REST_UL = 2000  # less than this of a dose may be left, or none
NO_ANSWER_UL = 1 << 29  # of a dose in which not all was given: no answer is owed


class Owed(NamedTuple):
    """What the pot owes because of what it has seen."""

    low: int = 0  # the cell was low, twice in a row, and is not surely charged since (R5)
    lows: int = 0  # wakes in a row that read it low
    charged: int = 0  # readings in a row that say it is
    lost: int = 0  # state lost, nobody came (R11)
    damaged: int = 0  # a file damaged, nobody came with a cable (R11)
    wet: int = 0  # overflow, nobody came (R15)
    cuts: int = 0  # runs cut off in a row (R9)
    dries: int = 0  # dry runs in a row (R4)
    dry_ul: int = 0  # asked of the pump in a row without any fall, by a coarse gauge (R4)
    silent: int = 0  # full doses in a row without any rise (R7)
    leaked: int = 0  # a leak or siphon was shown, nobody came with a cable (R8)
    falls: int = 0  # looks in a row that showed a fall (R8)
    high_ml: int = -1  # a reading that may show a refill, until a second one does; -1: none (R8)
    seen_ml: int = -1  # level last seen, to compare with; -1: none
    frozen: int = 0  # wakes in a row with the very same counts (R6)
    wet_s: int = -1  # since a regular wake last read wet soil; -1: it was dry, or none (R6)
    looks: int = 0  # looks for a leak still owed after a pulse (R8)
    need_ul: int = 0  # of the dose under way
    asked: str = ""  # by what the dose under way was asked
    untold: int = 0  # a leak was latched and not reported since (R8)
    vain: int = 0  # reports in a row that nobody heard (R17)
    reported: int = 0  # the last wake reported
    sits: int = 0  # regular wakes by the timer to sit out before the next try (R17)
    unanswered_ul: int = 0  # given at the usual flow since the soil was last seen wet (R18)
    granted: int = 0  # a press asked for one dose more since then; 2: no soil was read then (R18)
    thirst: int = 0  # regular wakes in a row that found the plant in want of water (R16)
    full_ml: int = -1  # level before the leak: a tank that comes back to it was carried away (R8)
    presses: int = 0  # button wakes in a day, where the corner counts them (R12)
    presses_s: int = 0  # time since the first of them


def most_wait(settings: Any) -> int:
    """Regular wakes in seven days, at least one: the longest wait for a try by radio (R17)."""
    return int(max(1, 7 * DAY_S // settings.wake_s))


def most_vain(settings: Any) -> int:
    """Reports in vain from which on that wait grows no more."""
    return most_wait(settings).bit_length() + 1


class Truth(NamedTuple):
    """Water and time as they really were."""

    ledger: tuple[tuple[int, int], ...] = ()  # (board's seconds ago, microlitres at most)
    since_s: int = LONG_AGO_S  # since the last run


class Memory(NamedTuple):
    """Both."""

    kept: Owed = Owed()
    truth: Truth = Truth()


class Violation(Exception):
    """A requirement that does not hold, and what should have been instead."""

    def __init__(self, rule: str, why: str, expected: dict[str, Any] | None = None) -> None:
        super().__init__(f"{rule}: {why}")
        self.rule, self.why = rule, why
        self.expected: dict[str, Any] = {"pump": False} if expected is None else expected


class Monitor:
    """Judges the wakes of one corner."""

    def __init__(self, bench: CornerPot) -> None:
        self.bench = bench
        pot = bench.pot
        self.settings, self.limits, self.cal = pot.settings, pot.limits, pot.calibration
        self.window_s = DAY_S * (1000 + self.limits.clock_ppt) // 1000
        answers_ul = 3 * self.settings.response_ppt * self.cal.ul_per_ppt
        self.bound_ul = max(1000 * self.limits.dose_ml, answers_ul)
        # A press after silence asks for one dose more: a small one where the response is known
        self.more_ul = 1000 * self.settings.dose_ml
        if answers_ul:
            self.more_ul = min(self.more_ul, max(1000 * self.settings.pulse_ml, answers_ul // 3))
        available = self.cal.capacity_ppt - self.cal.wilting_ppt
        refill_ppt = self.cal.capacity_ppt - available * self.settings.depletion_ppt / 1000
        self.is_dry = bench.corner.dry_ppt <= refill_ppt + 1
        self.least_fall_ml = self.limits.dry_ms * self.cal.flow_ul_s // 4000000
        if self.cal.float_only:
            self.shows_dry = self.cal.current is not None and self.cal.dry_ma > 0
        else:
            self.shows_dry = self.least_fall_ml > self.cal.tolerance_ml
        # What one pulse is too small to show is shown by so many, asked in full
        pulse_ul = self.settings.pulse_ml * 1000
        pulses = -(-(self.cal.tolerance_ml + 1) * 4000 // pulse_ul)
        self.proof_ul = 0 if self.cal.float_only or self.shows_dry else pulses * pulse_ul
        self.most_dry_ul = (self.limits.dry_trips + 1) * self.proof_ul
        self.masked = 0
        self.unsensed = self.cal.charger is None and not self.settings.mains

    def before(self, node: Node, letter: Letter, happened: Happened) -> Memory:
        """The memory once this wake's readings are in, before any pump."""
        memory: Memory = node.memory
        kept, truth = memory
        k = kept._asdict()
        passed_s = 0 if letter.begin in AT_ONCE else node.slept_s
        ledger = truth.ledger and tuple(
            (age + passed_s, ul) for age, ul in truth.ledger if age + passed_s < self.window_s
        )
        truth = Truth(ledger, min(LONG_AGO_S, truth.since_s + passed_s))
        if self.bench.corner.presses:
            self.see_button(k, letter, passed_s)
        # The press that makes it a chattering button is itself no wish any more (R12)
        masked = node.numbers[AT["button_masked"]] or k["presses"] >= CHATTER
        held = 2000 <= happened.begin["button_ms"] < 15000 and not masked
        cable = letter.begin == "cable"
        if node.status == "lost":
            k = Owed(lost=1, unanswered_ul=self.bound_ul - self.more_ul)._asdict()
        if held or cable:
            k.update(lost=0, wet=0)
            self.forgive(node, k, cable, self.is_read(happened))
        if held and self.is_back(node, k):
            k.update(leaked=0, falls=0, seen_ml=-1, full_ml=-1)
        if cable:
            k.update(damaged=0, low=0)
            if node.numbers[AT["lockouts"]] & rules.BITS["battery low"]:
                k["lows"] = 0  # a cell that was cleared is looked at anew
            if node.numbers[AT["lockouts"]] & rules.BITS["leak"]:
                k.update(leaked=0, falls=0, seen_ml=-1, full_ml=-1)  # the level is taken as it is
        if letter.files != "good":
            k.update(damaged=1, falls=0)
            if letter.files == "calibration":
                k.update(seen_ml=-1, high_ml=-1)
        # The pot that is in force for this wake has no level without its calibration
        level_ml = (
            None if letter.files == "calibration" or self.cal.float_only else happened.first_ml
        )
        # A press shortens no wait; only a sleep that is vouched for says that the cell rested
        rested = letter.begin not in PRESSES and passed_s > 0
        self.see_battery(k, letter, held, rested and node.numbers[AT["phase"]] == IDLE)
        # A cold start in a soak is no look: it ends the dose, and the looks begin
        soaking = node.numbers[AT["phase"]] == SOAKING
        cold = soaking and happened.begin["cause"] not in ("timer", "button")
        if level_ml is not None and level_ml > node.tank_ml + 2 * self.cal.tolerance_ml:
            k.update(dries=0, dry_ul=0)  # a refill
        self.see_level(k, level_ml, letter.begin not in PRESSES and not cold)
        if (
            letter.saucer == "wet"
            and node.numbers[AT["phase"]] != IDLE
            and letter.files != "calibration"
        ):
            k["wet"] = 1
        if letter.soil == "wet":
            k.update(silent=0, unanswered_ul=0, granted=0)
        elif k["granted"] == 2 and self.is_read(happened):
            k["granted"] = 0  # the probe is back
        self.see_radio(k, happened)
        regular = node.numbers[AT["phase"]] == IDLE and passed_s > 0 and letter.begin not in PRESSES
        # A wake that doubts the level puts what is regular off until after the look
        doubts = happened.sleep is not None and happened.sleep[0] == 60
        regular = regular and not (doubts and "on" not in happened.commands)
        self.see_soil(k, letter, regular, passed_s)
        if letter.soil == "frozen" and regular:
            k["frozen"] = min(k["frozen"] + 1, self.settings.frozen_wakes + 1)
        elif letter.soil in ("dry", "wet", "flicker", "span"):
            k["frozen"] = 0
        return Memory(Owed(**k), truth)

    def see_button(self, k: dict[str, Any], letter: Letter, passed_s: int) -> None:
        """R12: twenty button wakes in a day are a chattering button."""
        k["presses_s"] += passed_s if k["presses"] else 0
        if k["presses_s"] >= DAY_S:
            k.update(presses=0, presses_s=0)
        if letter.begin in PRESSES:
            k["presses"] = min(k["presses"] + 1, CHATTER)

    def see_radio(self, k: dict[str, Any], happened: Happened) -> None:
        """R17: after a brown-out the radio sits out one regular wake, then two, then four; after
        any other report in vain none, one, two."""
        if k["reported"] and happened.begin["radio"] != "heard":
            k["vain"] = min(k["vain"] + 1, most_vain(self.settings))
            k["sits"] = min(1 << (k["vain"] - 1), most_wait(self.settings))
            if happened.begin["radio"] != "cut off":
                k["sits"] //= 2
            k["untold"] = k["leaked"]  # it was told to nobody
        elif k["reported"]:
            k["vain"] = k["sits"] = 0
        k["reported"] = 0

    def see_soil(self, k: dict[str, Any], letter: Letter, regular: bool, passed_s: int) -> None:
        """R6: when it was last wet, so that soil which dries faster than it can is not believed."""
        if k["wet_s"] >= 0:
            k["wet_s"] = min(k["wet_s"] + passed_s, LONG_AGO_S)
        if letter.files == "calibration":  # what was asked of the old one's soil has no answer
            k.update(wet_s=-1, silent=max(0, k["silent"] - 1))
        elif regular and letter.soil == "wet" and letter.temperature == "warm":
            k["wet_s"] = 0
        elif regular and letter.soil in ("dry", "frozen") and not self.jumps(k["wet_s"]):
            k["wet_s"] = -1

    def jumps(self, wet_s: int) -> bool:
        """Is dry soil too soon after wet soil to be believed?"""
        fall_ppt = self.bench.corner.wet_ppt - self.bench.corner.dry_ppt
        return wet_s >= 0 and fall_ppt > self.settings.fall_ppt_day * (1 + wet_s // DAY_S)

    def see_battery(self, k: dict[str, Any], letter: Letter, held: bool, regular: bool) -> None:
        """R5: low until readings in a row, free of the charger, say otherwise."""
        if letter.files == "calibration":
            return
        mv = self.bench.mv.get(letter.battery)
        if mv is None:
            return
        full = mv >= self.settings.battery_clear_mv
        k["lows"] = min(k["lows"] + 1, 2) if mv < self.bench.floor_mv else 0
        if k["lows"] == 2:
            k.update(low=1, charged=0)
        if not full:
            k["charged"] = 0
        elif regular and (
            self.settings.mains or (self.cal.charger is not None and letter.charger == "off")
        ):
            full_mv = 2 * self.settings.battery_clear_mv - self.bench.floor_mv
            most = self.settings.battery_clear_wakes
            k["charged"] = most if mv >= full_mv else min(k["charged"] + 1, most)
        on_charger = self.cal.charger is not None and letter.charger == "on"
        confirmed = held and full and (self.settings.mains or not on_charger)
        if full and (k["charged"] >= self.settings.battery_clear_wakes or confirmed):
            k["low"] = 0
        if not k["low"]:
            k["charged"] = 0

    def fallen(self, seen_ml: int, level_ml: int) -> bool:
        """Did the tank lose what a leak or a siphon takes, and the gauge can tell?"""
        told = 0 < seen_ml > level_ml + 2 * self.cal.tolerance_ml
        return told and level_ml <= self.bench.gone(seen_ml)

    def see_level(self, k: dict[str, Any], level_ml: int | None, due: bool) -> None:
        """R8: a fall with the pump off, far beyond what scatter and evaporation hide."""
        if level_ml is None:
            return
        fallen = self.fallen(k["seen_ml"], level_ml)
        if fallen:
            if due:
                k["falls"] = min(k["falls"] + 1, 2)
            k["high_ml"] = -1
            if k["falls"] >= 2:
                k.update(leaked=1, full_ml=max(k["full_ml"], k["seen_ml"]), seen_ml=level_ml)
            return
        k["falls"] = 0
        scatter_ml = 2 * self.cal.tolerance_ml
        if k["seen_ml"] < 0:
            k["seen_ml"] = level_ml
        elif k["high_ml"] >= 0 and level_ml > k["seen_ml"] + scatter_ml:
            # A refill that the gauge missed until now, as far up as both readings show it
            k.update(dries=0, dry_ul=0, seen_ml=min(k["high_ml"], level_ml))
        k["high_ml"] = level_ml if level_ml > k["seen_ml"] + scatter_ml else -1

    def is_back(self, node: Node, k: dict[str, Any]) -> bool:
        """Is the tank as full as before the leak, and has it held through the looks (R8)?"""
        held = node.numbers[AT["look_n"]] >= 3 and not node.numbers[AT["leak_looks"]]
        return held and 0 <= k["full_ml"] <= node.tank_ml + 2 * self.cal.tolerance_ml

    def after(self, node: Node, letter: Letter, happened: Happened, before: Memory) -> Memory:
        """The memory at the end of the wake. Raises Violation."""
        kept, truth = before
        k = kept._asdict()
        self.judge_story(node, letter, happened, k)
        if "on" in happened.commands:
            self.judge_start(node, letter, happened, before)
            k, truth = self.book_run(node, letter, happened, before)
        self.judge_thirst(node, letter, happened, k)
        self.judge_report(node, letter, happened, k)
        self.judge_sleep(node, letter, happened, k)
        return Memory(Owed(**k), truth)

    # R1, R12, R13: the order of things

    def judge_story(
        self, node: Node, letter: Letter, happened: Happened, k: dict[str, Any]
    ) -> None:
        commands = happened.commands
        pump = [c for c in commands if c in ("on", "off")]
        if commands[0] != "off" or pump[-1] != "off" or pump.count("on") > 1:
            raise Violation("R1", f"the pump was commanded {pump}")
        if "on" in commands and commands[commands.index("on") - 1] != "store":
            raise Violation("R9", "no store before the pump started")
        if "report" in commands and commands[-2:] != ["report", "sleep"]:
            raise Violation("R13", "the radio was not the last of the wake")
        if len(commands) > 13 or sum(c.startswith("store") for c in commands) > 2:
            raise Violation("R13", f"{len(commands)} commands in one wake")
        if happened.sleep is None:
            if not happened.reset:
                raise Violation("R13", "the wake did not end in sleep", {"sleep_s": 1})
            return
        sleep_s, button = happened.sleep
        most_s = max(2 * self.settings.wake_s, self.settings.soak_s, 2 * DAY_S, 540)
        if not 1 <= sleep_s <= min(most_s, 63 * DAY_S):
            raise Violation("R13", f"sleeps {sleep_s} s", {"sleep_s": {"most": most_s}})
        if letter.begin in ("stuck", "chatter") and button:
            raise Violation("R12", f"a button that is {letter.begin} may wake", {"button": False})
        chatters = node.numbers[AT["presses"]] >= CHATTER - 1  # masked for a day (R17)
        if self.bench.corner.presses:
            chatters = k["presses"] >= CHATTER
        if happened.begin["button_ms"] == 0 and not button and not chatters:
            raise Violation("R12", "a free button cannot wake", {"button": True})

    # R5, R8, R12, R17: the radio

    def judge_report(
        self, node: Node, letter: Letter, happened: Happened, k: dict[str, Any]
    ) -> None:
        """Never on a weak or unknown cell, but for one report of what latched or was lost in this
        wake, nor too soon after a try in vain; else at a press, and at once for what is new."""
        pressed = happened.begin["cause"] == "button"
        sits, timer = k["sits"], happened.begin["cause"] == "timer"
        regular = timer and node.numbers[AT["phase"]] == IDLE
        if sits and regular:
            k["sits"] -= 1
        waits = sits or (k["vain"] and not regular)
        mv = self.bench.mv.get(letter.battery)
        may = mv is not None and mv >= max(self.limits.radio_mv, self.bench.floor_mv)
        was = node.numbers[AT["lockouts"]]
        record: dict[str, Any] = happened.record or {}
        latched_now = [one for one in record.get("lockouts", ()) if not was & rules.BITS[one]]
        words = {"see to the battery", "water by hand"}
        last_word = bool(latched_now or words.intersection(record.get("needs", ())))
        if mv is not None and mv < self.limits.rest_mv:
            last_word = False
        untold = not node.numbers[AT["told"]] & rules.NEED_BITS["charge the battery"]
        last_word = last_word or (may and untold)  # it latched when the cell bore no radio
        if "report" in happened.commands:
            weak = k["low"] and mv is not None and mv < self.settings.battery_clear_mv
            if (not may or weak) and not last_word:
                why = f"the radio was on with the battery {letter.battery}, low {k['low']}"
                raise Violation("R5", why, {"events_lacks": ["report"]})
            if waits and not pressed:
                why = f"the radio was on after {k['vain']} reports in vain, to sit out: {sits}"
                raise Violation("R17", why, {"events_lacks": ["report"]})
            needs = happened.record["needs"] if happened.record else ["unknown"]
            if not timer and not pressed and not needs:
                why = f"a {happened.begin['cause']} start was a reason to report"
                raise Violation("R17", why, {"events_lacks": ["report"]})
            k.update(untold=0, reported=1)
            return
        if not self.settings.radio_wakes or letter.files != "good" or not happened.record:
            return
        latched = happened.record["lockouts"]
        if "leak" not in latched:
            k["untold"] = 0
        elif not node.numbers[AT["lockouts"]] & rules.CABLE_BITS:
            k["untold"] = 1
        if not may or "battery low" in latched:
            return
        if pressed and node.numbers[AT["presses"]] < 3:
            raise Violation("R12", "a press did not report", {"events_has": ["report"]})
        if k["untold"] and not waits:
            raise Violation("R8", "a leak was not reported at once", {"events_has": ["report"]})

    # What must be so when the pump starts

    def judge_start(self, node: Node, letter: Letter, happened: Happened, memory: Memory) -> None:
        begin, kept, bench = happened.begin, memory.kept, self.bench
        self.masked = node.numbers[AT["button_masked"]]
        phase = node.numbers[AT["phase"]]
        if begin["pin"] != 1:
            raise Violation("R1", "pumped with the pin file unread")
        if begin["boots"] >= 3:
            raise Violation("R9", "pumped after boots that did not finish")
        if happened.pulse_ms > self.limits.pulse_ms:
            raise Violation("R2", f"a pulse of {happened.pulse_ms} ms")
        if happened.stored_open_ms < happened.pulse_ms:
            raise Violation("R9", "the pulse was not in storage when it started")
        if letter.level not in ("left", "filled", "gone"):
            raise Violation("R4", f"pumped at a level that is {letter.level}")
        level_ml = happened.tank_ml + happened.fall_ml
        if level_ml <= bench.reserve_ml:
            raise Violation("R4", f"pumped at {level_ml} ml in the tank")
        if kept.dries >= self.limits.dry_trips:
            raise Violation("R4", f"pumped after {kept.dries} dry runs")
        mv = bench.mv.get(letter.battery)
        if mv is None or mv < bench.floor_mv:
            raise Violation("R5", f"pumped with the battery {letter.battery}")
        if kept.low:
            raise Violation("R5", "pumped before it was certain that the cell was charged")
        if kept.leaked or kept.falls:
            raise Violation("R8", "pumped though the level fell with the pump off")
        if self.fallen(kept.seen_ml, level_ml):
            raise Violation("R8", "pumped in a wake that saw the level fall")
        if kept.cuts >= self.limits.interrupts:
            raise Violation("R9", f"pumped after {kept.cuts} runs were cut off")
        if begin["state"] == "lost" or kept.lost:
            raise Violation("R11", "pumped with a lost state")
        if letter.files != "good" or kept.damaged:
            raise Violation("R11", "pumped with a damaged file")
        if begin["cause"] == "button" and begin["button_ms"] < 2000:
            raise Violation("R12", "a touch of the button pumped")
        if not bench.corner.matching or self.cal.stage == 0:
            raise Violation("R14", f"pumped at stage {self.cal.stage}")
        if self.cal.saucer is not None and (letter.saucer != "dry" or kept.wet):
            raise Violation("R15", f"pumped with the saucer {letter.saucer}, wet before {kept.wet}")
        if kept.unanswered_ul >= self.bound_ul:
            why = f"pumped after {kept.unanswered_ul} ul without an answer, allowed {self.bound_ul}"
            raise Violation("R18", why)
        self.judge_asked(letter, happened, memory, phase)

    def judge_thirst(
        self, node: Node, letter: Letter, happened: Happened, k: dict[str, Any]
    ) -> None:
        """R16: soil that is not seen wet at regular wakes in a row asks for water by hand."""
        if letter.soil == "wet":
            k["thirst"] = 0
        regular = node.numbers[AT["phase"]] == IDLE and letter.begin == "timer"
        regular = regular and self.bench.corner.thirst
        record = happened.record
        if not regular or record is None or letter.files == "calibration":
            return
        cold = self.cal.temperature is not None and letter.temperature != "warm"
        waits = node.numbers[AT["since_dose_s"]] + node.slept_s < self.settings.settle_s
        if letter.soil == "wet" or cold or waits or not record["permissives"]["steady"]:
            return
        k["thirst"] = min(k["thirst"] + 1, 3)
        if k["thirst"] == 3 and self.is_dry and "water by hand" not in record["needs"]:
            wanted = {"needs_has": ["water by hand"]}
            raise Violation("R16", "the plant was thirsty and nobody was told", wanted)

    def is_read(self, happened: Happened) -> bool:
        """Did the pot believe its soil probe? By its own word."""
        return happened.record is None or happened.record["values"]["soil_ppt"] is not None

    def forgive(self, node: Node, k: dict[str, Any], cable: bool, read: bool) -> None:
        """A person's word ends a lockout and its count, and leaves a count on its way to one."""
        latched, limits = node.numbers[AT["lockouts"]], self.limits
        # A pulse whose end is not in storage, or may not be, is one more for this wake's core
        unsure = node.numbers[AT["open_ms"]] > 0 or node.status == "previous"
        if node.numbers[AT["interrupts"]] + unsure >= limits.interrupts:
            k["cuts"] = 0
        for count, most, lockout in (
            ("cuts", limits.interrupts, "interrupted"),
            ("dries", limits.dry_trips, "dry run"),
            ("silent", limits.response_doses, "no response"),
        ):
            if count == "silent" and k["granted"] and not cable:
                continue
            if k[count] >= most or latched & rules.BITS[lockout]:
                k[count] = 0
                if count == "dries":
                    k["dry_ul"] = 0
        if latched & rules.BITS["no response"]:  # a press asks for one dose more, the cable for all
            if cable:
                k.update(unanswered_ul=0, granted=0)
            elif not k["granted"]:
                granted = 1 if read else 2
                k.update(unanswered_ul=self.bound_ul - self.more_ul, granted=granted)

    def judge_asked(self, letter: Letter, happened: Happened, memory: Memory, phase: int) -> None:
        """R6, R7, R14: who asked for this dose, and might it."""
        kept, truth = memory
        soil_good = self.soil_good(letter, kept)
        if self.cal.temperature is not None:
            soil_good = soil_good and letter.temperature == "warm"
        asked = self.who_asked(letter, happened, kept, phase)
        if not asked:
            raise Violation("R6", "a pulse after all of the dose was given")
        if self.cal.stage == 1 and asked != "upkeep":
            raise Violation("R14", f"a provisional pot gave a dose asked by {asked}")
        if phase == IDLE and truth.since_s < self.settings.settle_s:
            raise Violation("R7", f"a dose {truth.since_s} s after the last")
        if asked == "soil":
            if not soil_good or (letter.soil == "wet" and phase == IDLE):
                raise Violation("R6", f"watered on a soil reading that is {letter.soil}")
            if not self.is_dry:
                raise Violation("R6", "watered above the refill point")
            if phase == IDLE and kept.silent >= self.limits.response_doses:
                raise Violation("R7", f"watered after {kept.silent} doses without an answer")
        elif asked == "upkeep":
            if not self.settings.upkeep_ml:
                raise Violation("R6", "gave an upkeep dose that nobody agreed to")
            most_ms = self.settings.upkeep_ml * 1000000 // self.cal.flow_ul_s
            if happened.pulse_ms > most_ms:
                why = f"an upkeep pulse of {happened.pulse_ms} ms"
                raise Violation("R6", why, {"pulse_ms": {"most": most_ms}})
            if phase == IDLE and truth.since_s < self.settings.upkeep_days * DAY_S:
                raise Violation("R6", f"upkeep {truth.since_s} s after the last dose")
        elif asked == "manual" and phase == IDLE and happened.begin["button_ms"] < 2000:
            raise Violation("R12", "a dose by hand that nobody asked for")

    def soil_good(self, letter: Letter, kept: Owed) -> bool:
        """May the soil reading be believed? Counts that stand still may, until they are frozen."""
        if letter.soil != "wet" and self.jumps(kept.wet_s):
            return False
        if letter.soil == "frozen":
            return bool(kept.frozen <= self.settings.frozen_wakes)
        return letter.soil in ("dry", "wet")

    def who_asked(self, letter: Letter, happened: Happened, kept: Owed, phase: int) -> str:
        """soil, upkeep or manual: by what was really so in the wake that began the dose."""
        if phase == SOAKING:
            return kept.asked
        if 2000 <= happened.begin["button_ms"] < 15000 and not self.masked:
            # A press that ended a lockout asked for no dose: one by schedule is held to its terms
            kind = happened.record["plan"]["kind"] if happened.record else "manual"
            return "upkeep" if kind == "upkeep" else "manual"
        # Counts that stand still may be frozen or not yet: what the pot says is held to its terms
        if letter.soil == "frozen" and happened.record:
            return "upkeep" if happened.record["plan"]["kind"] == "upkeep" else "soil"
        good = self.soil_good(letter, kept) and self.cal.stage == 2
        if self.cal.temperature is not None:
            good = good and letter.temperature == "warm"
        return "soil" if good else "upkeep"

    # What a run did

    def book_run(
        self, node: Node, letter: Letter, happened: Happened, before: Memory
    ) -> tuple[dict[str, Any], Truth]:
        kept, truth = before
        k, how = kept._asdict(), letter.run
        phase = node.numbers[AT["phase"]]
        ran_ms, limits = happened.ran_ms, self.limits
        stopped = limits.pulse_ms + HARDWARE_MS + (150 if how == "clock stops" else 0)
        if ran_ms > stopped:
            raise Violation("R2", f"ran {ran_ms} ms", {"ran_ms": {"most": stopped}})
        if how in TROUBLES and ran_ms > TROUBLE_MS + SEEN_MS:
            rule = "R5" if how in GIVES_WAY else "R15" if how in ("wet", "saucer lost") else "R4"
            raise Violation(rule, f"ran {ran_ms} ms in spite of {how}", {"ran_ms": {"most": 600}})
        if how == "dry" and self.shows_dry and ran_ms > limits.dry_ms + SEEN_MS:
            raise Violation("R4", f"ran dry for {ran_ms} ms", {"ran_ms": {"most": limits.dry_ms}})
        moved_ul = -(-ran_ms * limits.flow_max_ul_s // 1000)
        ledger = _added(truth.ledger, moved_ul)
        if sum(ul for _, ul in ledger) > limits.day_ml * 1000:
            why = f"{sum(ul for _, ul in ledger)} ul in 24 hours, allowed {limits.day_ml} ml"
            most = {"most_24h_ml": {"most": limits.day_ml}}
            raise Violation("R3", why, {"total": most})
        truth = Truth(ledger, 0)
        if phase == IDLE:
            k["asked"] = self.who_asked(letter, happened, kept, phase)
            most_ml = self.settings.upkeep_ml if k["asked"] == "upkeep" else limits.dose_ml
            dose_ul = happened.record["plan"]["dose_ul"] if happened.record else 0
            k["need_ul"] = min(dose_ul, most_ml * 1000)
        k["looks"] = 2
        given_ul = kept.unanswered_ul + ran_ms * self.cal.flow_ul_s // 1000
        k["unanswered_ul"] = min(given_ul, 2 * self.bound_ul)
        if happened.reset:
            k.update(cuts=min(kept.cuts + 1, limits.interrupts), seen_ml=-1, need_ul=0, asked="")
            return k, truth
        if how in GIVES_WAY:
            k.update(low=1, charged=0)
        if how == "wet":
            k["wet"] = 1
        k["seen_ml"] = -1 if self.cal.float_only else self.left_ml(happened, kept)
        k["high_ml"] = -1
        shown = self.shows_dry and happened.pulse_ms > limits.dry_ms + SEEN_MS
        if (how == "dry" and shown) or how in NO_WATER:
            k["dries"] = min(kept.dries + 1, limits.dry_trips)
        elif how == "dry" and self.proof_ul:
            # Of a proof's worth and more, what hides behind the flow before it is left out
            k["dry_ul"] = min(kept.dry_ul + ran_ms * self.cal.flow_ul_s // 1000, self.most_dry_ul)
            k["dries"] = max(kept.dries, k["dry_ul"] // self.proof_ul - 1)
        elif how in ("flows", "after lost", "fast fall"):
            k["dries"] = 0
        if how != "dry":
            k["dry_ul"] = 0
        self.book_dose(k, letter, happened, ran_ms * self.cal.flow_ul_s // 1000)
        return k, truth

    def book_dose(
        self, k: dict[str, Any], letter: Letter, happened: Happened, given_ul: int
    ) -> None:
        """R7, R9: is the dose over, and must the soil answer it?"""
        flows = letter.run == "flows"
        if not flows:
            k["need_ul"] = NO_ANSWER_UL
        elif k["need_ul"] < NO_ANSWER_UL:
            k["need_ul"] = max(0, k["need_ul"] - given_ul)
        if k["need_ul"] == 0 and k["asked"] == "soil" and letter.soil == "dry":
            k["silent"] = min(k["silent"] + 1, self.limits.response_doses)
        soaking = happened.ended and happened.ended[AT["phase"]] == SOAKING
        if k["need_ul"] == 0 or not flows or not soaking:
            k["cuts"] = 0  # with the dose, not with each of its pulses
        if k["need_ul"] == 0 or not soaking:
            k.update(need_ul=0, asked="")

    def left_ml(self, happened: Happened, kept: Owed) -> int:
        """The level after a run, but none below what any pump here can leave: the looks that
        follow find what a siphon took beyond that, unless somebody fills the tank before.
        A level that one reading showed, just before the run, is no refill yet."""
        most_ml = -(-happened.ran_ms * self.limits.flow_max_ul_s // 500000)
        before_ml = happened.tank_ml + happened.fall_ml
        if kept.high_ml >= 0:
            before_ml = min(before_ml, kept.seen_ml)
        return int(max(happened.tank_ml, before_ml - most_ml - self.cal.tolerance_ml))

    # R8: the looks

    def judge_sleep(
        self, node: Node, letter: Letter, happened: Happened, k: dict[str, Any]
    ) -> None:
        """After a pulse: the next one, or looks after 1 and 10 minutes, whatever else happens."""
        if happened.sleep is None or not k["looks"]:
            return
        sleep_s = happened.sleep[0]
        if "on" in happened.commands:
            waits = [self.settings.soak_s if k["asked"] else 60]
            rest_ul = happened.ended[AT["plan_ul"]] if happened.ended else 0
            if 0 < rest_ul <= LEAST_REST_UL:
                waits = [60, self.settings.soak_s]  # level and time differ by that much
            if happened.ended is happened.begun:
                waits = [60, self.settings.soak_s]  # what the pulse came to is not in storage
            if sleep_s not in waits:
                raise Violation("R8", f"sleeps {sleep_s} s after a pulse", {"sleep_s": waits[0]})
            return
        if letter.begin in PRESSES:
            most_s = max(540, self.settings.soak_s)
            if sleep_s > most_s:
                most = {"sleep_s": {"most": most_s}}
                raise Violation("R8", f"a press before a look: sleeps {sleep_s} s", most)
            return
        if k["looks"] == 2:
            if sleep_s not in (60, 540):
                most = {"sleep_s": {"most": 540}}
                raise Violation("R8", f"no second look: sleeps {sleep_s} s", most)
            k["looks"] = 1 if sleep_s == 540 else 2
        else:
            k["looks"] = 0


def _added(ledger: tuple[tuple[int, int], ...], ul: int) -> tuple[tuple[int, int], ...]:
    if ledger and ledger[-1][0] == 0:
        return (*ledger[:-1], (0, ledger[-1][1] + ul))
    return (*ledger, (0, ul))
