"""A verdict on each requirement from the records alone, without using the core's own code.

Fed record by record; keeps a few counters. It looks at what was commanded and what was
read, and asks whether that may stand together. `held` means: no record contradicts it.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from wakecore import fields, rules
from wakecore.run import DRY_RUNS, OVERRUN_MS, TRIPS
from wakecore.wake import MOST_TRIES
from wakewell.log.commanded import is_pulse, sleep_of
from wakewell.log.record import Gist, Wake
from wakewell.log.times import NEAR_S, cut_short
from wakewell.units import volts, water

TITLES = {
    "R1": "pump off first, off last",
    "R2": "pump-timeout",
    "R3": "water in any 24 hours",
    "R4": "dry-run protection",
    "R5": "low-battery lockout",
    "R6": "no watering on an implausible probe",
    "R7": "no soil response locks out",
    "R8": "checks for leak and siphon",
    "R9": "start recorded before the pump runs",
    "R10": "a clock change gives no water",
    "R11": "damaged files lock out",
    "R12": "button",
    "R13": "every wake ends in sleep",
    "R14": "commissioned",
    "R15": "saucer",
    "R16": "thirst is reported",
    "R17": "no pot goes silent without a report",
    "R18": "water without a soil response",
}
MOST_AWAKE_MS = 300_000
MOST_SOAK_S = 7200  # no setting lets the soak between two pulses last longer
MOST_LATCHED = 1000  # lockouts kept with their wakes; beyond that they are only counted
TRIP_RULES = {row[0]: row[1] for row in TRIPS}
LOCKOUT_RULES = {row[0]: row[1] for row in rules.LOCKOUTS}
WAY_OUT = {
    rules.ITSELF: "by itself",
    rules.BUTTON: "by the owner's button",
    rules.CABLE: "by the maker's cable",
}
UNKNOWN_RULE = "R?"  # of a trip or lockout that another core knows and this one does not
LOCKOUT_WAYS = {row[0]: WAY_OUT[row[2]] for row in rules.LOCKOUTS}


@dataclass
class Verdict:
    """One requirement: held or broken, with the evidence in a few words."""

    rule: str
    held: bool
    evidence: str
    wake: int | None = None

    @property
    def title(self) -> str:
        """The requirement in a few words."""
        return TITLES[self.rule]


class Verdicts:
    """Judges records as they come; `verdicts()` at the end."""

    # As in simulate.rig_board.RigBoard: too many for CPython's quick table of an instance.
    __slots__ = (
        "_before_ppt", "_charge_told", "_counted", "_dose_given_ul", "_dose_ul", "_held",
        "_lost_told", "_lowest_ppt", "_n", "_open", "_peak_ppt", "_ran_s", "_silent", "_slept_s",
        "_thirst_told", "_thirsty", "_tries", "_unanswered_ul", "_utc_at_s", "_utc_s", "_watered",
        "bad_files", "broken", "clock_s", "day_limit_ml", "disbelieved", "doses", "given_ul",
        "jumps", "latched", "lockouts", "longest_ms", "looks", "lowest_start_mv", "manual",
        "most_awake_ms", "most_day_ml", "most_unanswered_ul", "needs", "presses",
        "pulse_limit_ms", "pulses", "recent", "recent_ml", "reports", "trips", "wakes", "wet",
    )  # fmt: skip

    def __init__(self) -> None:
        self.wakes = self.pulses = self.doses = self.given_ul = 0
        self.trips: Counter[str] = Counter()
        self.latched: list[tuple[int, str, int | None]] = []  # (wake, lockout, wake it ended)
        self.lockouts: Counter[str] = Counter()  # all of them, also those past MOST_LATCHED
        self.broken: dict[str, tuple[int, str]] = {}
        self.clock_s = 0
        self.recent: deque[tuple[int, int]] = deque()
        self.recent_ml = self.most_day_ml = self.day_limit_ml = 0
        self.longest_ms = self.pulse_limit_ms = self.most_awake_ms = 0
        self.lowest_start_mv: int | None = None
        self.looks = self.jumps = self.presses = self.manual = 0
        self.bad_files = self.disbelieved = self.wet = 0
        self._held: list[str] = []
        self._open: dict[str, int] = {}
        self._utc_s: int | None = None
        self._utc_at_s, self._counted = 0, True  # the count at that clock, and is it whole since?
        self._n: int | None = None
        # The last dose a dry soil asked for: soil water before it, highest since, doses unanswered
        self._before_ppt: int | None = None
        self._peak_ppt = 0
        self._silent = 0
        self.needs: Counter[str] = Counter()  # wakes in which somebody was asked for something
        self._dose_ul = self._dose_given_ul = 0
        self._slept_s = 0
        self._watered = False  # has the present dose shown water?
        self._thirsty = self._ran_s = self._unanswered_ul = self._tries = 0
        self._charge_told = False  # was a charge asked for, and heard?
        self._lost_told = False  # that there is no battery reading, and somebody heard it
        self._thirst_told = False
        self._lowest_ppt: int | None = None
        self.reports = self.most_unanswered_ul = 0

    def _break(self, rule: str, wake: Wake | Gist, why: str) -> None:
        self.broken.setdefault(rule, (wake.n, why))

    def see(self, wake: Wake | Gist, pot: Any) -> None:
        """Judge one more record. pot: what was in force for it."""
        self.wakes += 1
        begin, commands, values = wake.begin, wake.commands, wake.values
        needs, lockouts = wake.needs, wake.lockouts
        day, second, trusted = begin.utc
        utc_s = day * 86400 + second
        if not commands or commands[0] != "off":
            self._break("R1", wake, "the first command was not off")
        slept_s, self._slept_s = self._slept_s, self._sleep_of(wake)
        if wake.awake_ms > self.most_awake_ms:
            self.most_awake_ms = wake.awake_ms
            if self.most_awake_ms > MOST_AWAKE_MS:
                self._break("R13", wake, f"awake {self.most_awake_ms} ms")
        missing = self._n is not None and wake.n > self._n + 1
        if missing:
            # Records are missing, and with them how long the board slept: by its clock, or a day
            was_s = self._utc_s if trusted else None
            self.clock_s += 86400 if was_s is None else max(0, utc_s - was_s)
            # What they held of lockouts ended and of the soil's answers is not known.
            self._held, self._before_ppt, self._silent = [], None, 0
            self._thirsty, self._unanswered_ul, self._tries, self._lowest_ppt = 0, 0, 0, None
        elif begin.vouched:
            self.clock_s += min(begin.slept_s, slept_s)
        self._n = wake.n
        if self._slept_s in (60, 540):
            self.looks += 1
        if begin.cause == "button":
            self.presses += 1
        if not begin.vouched or missing or cut_short(begin.cause, begin.slept_s, slept_s):
            self._counted = False  # the time since the last clock was not counted
        if trusted:
            if self._utc_s is not None:
                moved_s, counted_s = utc_s - self._utc_s, self.clock_s - self._utc_at_s
                if self._counted:
                    self.jumps += abs(moved_s - counted_s) > NEAR_S + counted_s // 10
                else:
                    self.jumps += moved_s < -NEAR_S
            self._utc_s, self._utc_at_s, self._counted = utc_s, self.clock_s, True
        judged = wake.judged
        if judged.get("soil") not in ("good", "unfitted"):
            self.disbelieved += 1
        default = "default" in (begin.settings, begin.limits, begin.calibration)
        if default or begin.state != "good":
            self.bad_files += 1
        if judged.get("saucer") == "good" and not wake.permissives.get("saucer", 1):
            self.wet += 1
        # Has the soil answered? With a reading not believed or a person there, no telling.
        ppt, mv = values.soil_ppt, values.battery_mv
        if ppt is None or begin.host or begin.button_ms or begin.state != "good":
            self._before_ppt, self._silent = None, 0
        elif ppt > self._peak_ppt:
            self._peak_ppt = ppt
        for name in needs:
            book(self.needs, name)
        if lockouts or self._open:
            self._follow(wake, lockouts)
        asked = "charge the battery" in needs
        begun = set(lockouts) - set(self._held)
        # That the pot stopped is news, though a charge was asked for before
        if not asked or "battery low" in begun or begin.radio in ("failed", "cut off"):
            self._charge_told = False
        if mv is not None or begin.radio in ("failed", "cut off"):
            self._lost_told = False
        thirsty = "water by hand" in needs
        if not thirsty or begin.radio in ("failed", "cut off"):
            self._thirst_told = False
        if "report" in commands:
            self.reports += 1
            lost = mv is None and not self._lost_told
            first = (asked and not self._charge_told) or (thirsty and not self._thirst_told)
            for rule, why in report_faults(wake, pot, last_word=bool(lost or first or begun)):
                self._break(rule, wake, why)
            if asked:
                self._charge_told = True
            if mv is None:
                self._lost_told = True
            if thirsty:
                self._thirst_told = True
        elif lockouts:
            self._see_silence(wake, pot, mv)
        self._see_thirst(wake, pot, ppt)
        self._see_unanswered(wake, pot, ppt)
        if wake.run:
            self._see_answer(wake, pot.limits.response_doses)
            self._see_run(wake, pot)
        self._held = lockouts

    def _sleep_of(self, wake: Wake | Gist) -> int:
        """Seconds of sleep commanded last, 0 if it was not sleep (R13)."""
        slept = sleep_of(wake.commands)
        if slept is None:
            self._break("R13", wake, "the last command was not sleep")
            return 0
        return slept.seconds

    def _follow(self, wake: Wake | Gist, lockouts: list[str]) -> None:
        for name in lockouts:
            if name not in self._open:
                self._open[name] = len(self.latched)
                book(self.lockouts, name)
                if len(self.latched) < MOST_LATCHED:
                    self.latched.append((wake.n, name, None))
        for name in [name for name in self._open if name not in lockouts]:
            at = self._open.pop(name)
            if at < len(self.latched):
                self.latched[at] = (self.latched[at][0], name, wake.n)

    def _see_answer(self, wake: Wake | Gist, allowed: int) -> None:
        """A new dose after so many without any rise of the soil water at all (R7).

        A dose that tripped, or gave less than half of what it was to give, is not counted.
        """
        plan, ppt = wake.plan, wake.values.soil_ppt
        if plan.phase != "idle":
            return
        asked = plan.kind in ("depletion", "set")
        whole = 2 * self._dose_given_ul >= self._dose_ul
        silent = self._before_ppt is not None and self._peak_ppt <= self._before_ppt and whole
        if whole or not asked:
            self._silent = self._silent + 1 if silent and asked else 0
        if self._silent >= allowed:
            self._break(
                "R7", wake, f"watered on after {self._silent} doses without a soil response"
            )
        self._before_ppt, self._peak_ppt = ppt if asked else None, 0
        self._dose_ul, self._dose_given_ul = plan.dose_ul, 0

    def _see_run(self, wake: Wake | Gist, pot: Any) -> None:
        limits = pot.limits
        ran_ms, values, came = wake.ran_ms, wake.values, wake.water
        kind = wake.plan.kind
        self.pulses += 1
        if wake.plan.phase == "idle":
            self._watered = False
        if not set(wake.trips) & set(DRY_RUNS):  # else it was a try: no water was seen
            self.doses += not self._watered
            self._watered = True
            self.given_ul += came.given_ul or 0
        self._dose_given_ul += came.given_ul or 0
        if wake.trips:
            self._before_ppt = None
        for name in wake.trips:
            book(self.trips, name)
        self.longest_ms = max(self.longest_ms, ran_ms)
        self.pulse_limit_ms = limits.pulse_ms
        if ran_ms > limits.pulse_ms + OVERRUN_MS:
            self._break("R2", wake, f"ran {ran_ms} ms, allowed {limits.pulse_ms}")
        ml = -(-ran_ms * limits.flow_max_ul_s // 1_000_000)
        self._count(wake, ml, came.fall_ml or 0, limits.day_ml)
        if self._slept_s > MOST_SOAK_S:
            self._break(
                "R8", wake, f"slept {self._slept_s} s after a pulse, without looking at the level"
            )
        for rule, why in start_faults(wake, pot):
            self._break(rule, wake, why)
        mv = values.battery_mv
        if mv is not None and mv >= limits.rest_mv:
            self.lowest_start_mv = min(mv, self.lowest_start_mv or mv)
        if kind == "manual":
            self.manual += 1
        for name in (name for name in self._held if name in wake.lockouts):
            self._break(LOCKOUT_RULES.get(name, "R9"), wake, f"pump ran under the lockout {name!r}")

    def _see_thirst(self, wake: Wake | Gist, pot: Any, ppt: int | None) -> None:
        """R16: dry or unbelieved soil at regular wakes in a row, and nobody asked to water.

        A wake within the settle time of a run is left out, and so is one whose level was in doubt.
        """
        word, begin = wake.judged.get("soil"), wake.begin
        moist = ppt is not None and ppt > fields.refill_ppt(pot.settings, pot.calibration)
        if wake.run:
            self._ran_s = self.clock_s
        if moist or word == "cold" or begin.state != "good":
            self._thirsty = 0
        if moist or wake.plan.phase != "idle" or begin.cause != "timer":
            return
        settled = wake.run or self.clock_s - self._ran_s >= pot.settings.settle_s
        if word == "cold" or not settled or not wake.permissives.get("steady", 1):
            return
        self._thirsty += 1
        if self._thirsty > rules.THIRSTY and "water by hand" not in wake.needs:
            self._break(
                "R16",
                wake,
                f"{self._thirsty} regular wakes with too little water, and nobody was told",
            )

    def _see_silence(self, wake: Wake | Gist, pot: Any, mv: int | None) -> None:
        """R17: the first lockout of a pot with a radio and a good cell leaves a report."""
        if self._held or self.wakes == 1 or not pot.settings.radio_wakes or mv is None:
            return
        if mv >= max(pot.limits.radio_mv, pot.settings.battery_mv):
            told = ", ".join(wake.lockouts)
            self._break("R17", wake, f"{told} began, and no report was sent")

    def _see_unanswered(self, wake: Wake | Gist, pot: Any, ppt: int | None) -> None:
        """R18: water since the soil last rose at all, or the maker saw to the pot.

        The response that a pot learns is at most four times the calibrated one. Presses of the
        button add two set doses at most, however many there are.
        """
        begin = wake.begin
        rose = ppt is not None and self._lowest_ppt is not None and ppt > self._lowest_ppt
        if rose or begin.host or begin.state != "good":
            self._unanswered_ul, self._tries, self._lowest_ppt = 0, 0, None
        if begin.button_ms:
            self._tries = min(self._tries + 1, MOST_TRIES)
        if ppt is not None:
            self._lowest_ppt = min(ppt, self._lowest_ppt or ppt)
        if wake.run:
            answers_ul = 12 * pot.settings.response_ppt * pot.calibration.ul_per_ppt
            most_ul = max(1000 * pot.limits.dose_ml, answers_ul)
            most_ul += 1000 * self._tries * pot.settings.dose_ml
            if self._unanswered_ul > most_ul:
                given = water(self._unanswered_ul // 1000, True)
                most = water(most_ul // 1000, True)
                self._break("R18", wake, f"{given} without a soil response, allowed {most}")
        self._unanswered_ul += wake.water.given_ul or 0
        self.most_unanswered_ul = max(self.most_unanswered_ul, self._unanswered_ul)

    def _count(self, wake: Wake | Gist, ml: int, fall_ml: int, limit_ml: int) -> None:
        """R3: a pulse by its time, on top of what others gave by time or fall, if that is more.

        Its own fall is one reading after it, which may be wrong, and nothing could stop it any
        more: it counts against the next.
        """
        while self.recent and self.clock_s - self.recent[0][0] >= 86400:
            self.recent_ml -= self.recent.popleft()[1]
        if self.recent_ml + ml > limit_ml:
            text = (
                f"{water(self.recent_ml + ml, True)} in 24 hours, allowed {water(limit_ml, True)}"
            )
            self._break("R3", wake, text)
        self.recent.append((self.clock_s, max(ml, fall_ml)))
        self.recent_ml += max(ml, fall_ml)
        self.most_day_ml, self.day_limit_ml = max(self.most_day_ml, self.recent_ml), limit_ml

    def verdicts(self) -> list[Verdict]:
        """One verdict for each requirement, in order."""
        trips = Counter[str]()
        for trip, count in self.trips.items():
            trips[TRIP_RULES.get(trip, UNKNOWN_RULE)] += count
        locked = Counter[str]()
        for name, count in self.lockouts.items():
            locked[LOCKOUT_RULES.get(name, UNKNOWN_RULE)] += count

        def called(rule: str) -> str:
            parts = [many(trips[rule], "trip")] if trips[rule] else []
            parts += [many(locked[rule], "lockout")] if locked[rule] else []
            return ", ".join(parts) or "never needed"

        pulses = many(self.pulses, "pulse")
        start_mv = self.lowest_start_mv
        evidence = {
            "R1": f"{many(self.wakes, 'wake')}, {pulses}",
            "R2": f"longest {self.longest_ms} ms, limit {self.pulse_limit_ms} ms"
            if self.pulses
            else "no pulse",
            "R3": f"most {water(self.most_day_ml, True)}, limit {water(self.day_limit_ml, True)}"
            if self.pulses
            else "no pulse",
            "R4": called("R4"),
            "R5": called("R5") + (f", lowest start {volts(start_mv, True)}" if start_mv else ""),
            "R6": f"{many(self.disbelieved, 'wake')} with implausible readings",
            "R7": called("R7"),
            "R8": f"{many(self.looks, 'look')}, {called('R8')}",
            "R9": f"{pulses}, {called('R9')}",
            "R10": f"{many(self.jumps, 'jump')} of the clock",
            "R11": many(self.bad_files, "wake") + " with a damaged file",
            "R12": f"{many(self.presses, 'press', 'presses')}, {self.manual} watered on request",
            "R13": f"longest awake {self.most_awake_ms // 100 / 10} s",
            "R14": pulses,
            "R15": f"{called('R15')}, {many(self.wet, 'wake')} wet",
            "R16": many(self.needs["water by hand"], "wake") + " asked for water by hand",
            "R17": many(self.reports, "report"),
            "R18": f"most {water(self.most_unanswered_ul // 1000, True)} before the soil responded",
        }
        found = []
        for rule, text in evidence.items():
            wake, why = self.broken.get(rule, (None, text))
            found.append(Verdict(rule, rule not in self.broken, why, wake))
        return found


def start_faults(wake: Wake | Gist, pot: Any) -> Iterator[tuple[str, str]]:
    """(requirement, why) of each one that this wake's start of the pump goes against.

    By what was read, commanded and stored in this wake alone; nothing where it starts no pump.
    pot: what was in force for it.
    """
    commands = wake.commands
    starts = [at for at, command in enumerate(commands) if is_pulse(command)]
    if not starts and not wake.run:
        return
    limits, cal = pot.limits, pot.calibration
    values, judged, begin = wake.values, wake.judged, wake.begin
    kind = wake.plan.kind
    if begin.pin != 1:
        yield "R1", "the pump ran although its pin file could not be read"
    begun = commands.index("store") if "store" in commands else len(commands)
    if begun > min(starts, default=begun) or not wake.stores or wake.stores[0] != 1:
        yield "R9", "the pump ran although its start was not recorded"
    level_ml, mv = values.level_ml, values.battery_mv
    if level_ml is None or level_ml < limits.reserve_ml:
        yield (
            "R4",
            f"pump started at a level of {'?' if level_ml is None else water(level_ml, True)}",
        )
    if mv is None or mv < limits.rest_mv:
        yield "R5", f"pump started at {'?' if mv is None else volts(mv, True)}"
    soil = judged.get("soil")
    if kind in ("depletion", "set") and soil != "good":
        yield "R6", f"watered although the soil reading was judged {soil}"
    if kind != "manual" and begin.cause == "button" and begin.button_ms < 2000:
        yield "R12", "a short press watered"
    if "default" in (begin.settings, begin.limits, begin.calibration):
        yield "R11", "pump ran on default files"
    if cal.stage == 0 or (cal.stage == 1 and kind not in ("upkeep", "manual")):
        yield "R14", f"pump ran at stage {cal.stage} with a dose of kind {kind}"
    dry = judged.get("saucer") in (None, "good") and wake.permissives.get("saucer", 1)
    if not dry:
        yield "R15", "the pump ran although the saucer was wet or could not be read"


def report_faults(
    wake: Wake | Gist, pot: Any, last_word: bool = False
) -> Iterator[tuple[str, str]]:
    """The same of the radio: never on a weak or unknown cell, only after all else (R5, R13).

    last_word: something latched or was lost in this wake, or the plant began to go without, which
    may be reported once (R17).
    """
    if "report" not in wake.commands:
        return
    mv = wake.values.battery_mv
    limits = pot.limits  # if they were lost, what kind of cell it is stands in the settings
    floor_mv = limits.rest_mv if last_word else limits.radio_mv
    floor_mv = floor_mv if limits.id else pot.settings.battery_mv
    if mv is None and not last_word:
        yield "R5", "radio without a battery reading"
    elif mv is not None and mv < floor_mv:
        yield "R5", f"radio at {volts(mv, True)}, allowed from {volts(floor_mv, True)}"
    weak = mv is not None and mv < pot.settings.battery_clear_mv
    if "battery low" in wake.lockouts and weak and not last_word:
        yield "R5", "radio under the low-battery lockout"
    if wake.commands[-3:-1] != ["store", "report"]:
        yield "R13", "radio before the wake was done and stored"


def book(counter: Counter[str], name: str) -> None:
    """Count one more of that name, with a bound on how many names are kept."""
    if name not in counter and len(counter) >= MOST_LATCHED:
        name = "others"
    counter[name] += 1


def many(count: int, one: str, more: str = "") -> str:
    """A count and its word, as in 1 trip, 2 trips; `more` where an s does not make the plural."""
    return f"{count} {one if count == 1 else more or one + 's'}"
