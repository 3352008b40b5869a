"""Which retained states are one to the search, and why that hides nothing a requirement looks at.

Each rule below replaces a number by another that every later wake treats alike: a count
beyond the last value it is compared with, a quantity that nothing reads in this phase, the
age of water that is out of every window. `tests/assurance` holds pairs of real states that
are one here against each other, letter by letter. Two rules say more than is so, and never
less: any number of short presses may have come before (the letter "chatter" is the last of
very many; the corner "presses" counts them, and where neither is, no button is masked by
presses), and what only a report looks at is left out where nothing reports. Any number of doses
may have come since a press ended a leak: the search goes on with the leak past and not yet past.
"""

from __future__ import annotations

from math import gcd
from typing import Any

from assurance.monitor import Memory, Owed, Truth, most_vain
from assurance.world import AT, FIRST, CornerPot, Node, Numbers
from wakecore import plan
from wakecore.judge import MOST_PPT
from wakecore.number import SMALL_MAX
from wakecore.rules import BITS, NEED_BITS, THIRSTY
from wakecore.run import SAMPLE_MS
from wakecore.state import DELIVERIES, FIRST_LOOK, PLACE_S, SECOND_LOOK, SOAK, UNKNOWN, State
from wakecore.tank import CAME_BACK, MOST_DOUBTS, ODD_COUNTS, TRIAL_DOSES, WEEK_S
from wakecore.wake import LOW_WAKES, MOST_PRESSES, MOST_TRIES, SECOND_LOOK_S

SEQ = 1000  # both slots were written: nothing else of the write's number matters
SHORT_S = SECOND_LOOK_S  # stands for every sleep of less than half a step

LOOKS = {FIRST_LOOK: 2, SECOND_LOOK: 1}  # looks that the monitor waits for, by the core's phase
NO_WATER_SHOWN = ("dry", "slow", "level lost", "after lost", "current lost", "fault", "memory")


class Projection:
    """The rules for one corner."""

    def __init__(self, bench: CornerPot) -> None:
        settings, limits = bench.pot.settings, bench.pot.limits
        self.window_s = 86400 + -(-86400 * limits.clock_ppt // 1000)
        self.step_s = bench.corner.step_s
        self.day_step_ml, self.day_ml = bench.corner.day_step_ml, limits.day_ml
        upkeep_s = settings.upkeep_days * 86400 if settings.upkeep_ml else 0
        self.since_s = max(settings.settle_s, upkeep_s)
        days = -(-(bench.corner.wet_ppt - bench.corner.dry_ppt) // settings.fall_ppt_day)
        self.soil_s = (days - 1) * 86400 if days > 1 else 0
        # No fall from one reading to the next is too fast to be believed: 0 falls nowhere
        self.soil_ppt = 0 if settings.fall_ppt_day >= 1000 else 1000
        alphabet = bench.corner.letters(False)
        self.levels = {one.level for one in alphabet} & {"filled", "low", "gone"}
        # Only counts without scatter can stand still, and only in these readings have none
        seen = [bench.soil[name] for name in {one.soil for one in alphabet}]
        self.still = {reading[0] for reading in seen if reading and not reading[1]}
        self.frozen_counts, self.frozen_wakes = bench.soil["frozen"][0], settings.frozen_wakes
        self.look_s = WEEK_S if settings.leak_ml_day == 0 else SMALL_MAX
        # What was given is compared with half a dose, and with the most that an answer needs,
        # unless a pot may learn from it
        known, rise_ppt = bench.cal.ul_per_ppt, bench.corner.wet_ppt - bench.corner.dry_ppt
        self.given_ul = max(settings.dose_ml * 500, 2 * settings.response_ppt * known)
        if known and 2 * settings.response_ppt <= rise_ppt:
            self.given_ul = SMALL_MAX
        self.thirst = bench.corner.thirst
        self.cold = any(one.temperature == "cold" for one in alphabet)
        # While the settings are lost, the core tries whether there is a radio
        self.radio = settings.radio_wakes > 0 or any(one.files == "settings" for one in alphabet)
        # Soil here is wet or dry, further apart than a step of water: no probe creeps from one to
        # the other, and where its rise began is not looked at
        assert rise_ppt >= settings.response_ppt, "soil that creeps wants a rule of its own"
        self.bound_ul = plan.bound_ul(State(), bench.pot)
        self.pulse_ul = 1000 * gcd(settings.pulse_ml, settings.upkeep_ml)
        self.over_ul = SAMPLE_MS * bench.cal.flow_ul_s // 1000
        self.bench = bench
        self.scatter_ml = 2 * bench.cal.tolerance_ml
        self.float_only, self.evaporates = bench.cal.float_only, settings.leak_ml_day > 0
        self.rest_mv = limits.rest_mv
        self.presses = bench.corner.presses
        # What counts towards a lockout has come to its end once that is latched
        self.latched = (
            (BITS["no response"], "silent", limits.response_doses),
            (BITS["interrupted"], "cuts", limits.interrupts),
            (BITS["dry run"], "dries", limits.dry_trips),
        )
        self.response_doses, self.wet_ppt = limits.response_doses, bench.corner.wet_ppt
        self.waters = not any(one.run in NO_WATER_SHOWN for one in alphabet)
        self.seconds = (
            (AT["cycle_s"], 2 * settings.wake_s),  # a low cell sleeps for two
            (AT["since_dose_s"], self.since_s),
            (AT["look_s"], self.look_s),
            (AT["soil_s"], self.soil_s),
            (AT["place_s"], PLACE_S),
            (AT["told_s"], 86400 - settings.wake_s // 24),
        )
        self.most = (
            (AT["pulses"], 100),
            # The next reading like it is the one that is called frozen
            (AT["soil_same"], max(1, settings.frozen_wakes - 1)),
            (AT["interrupts"], limits.interrupts),
            (AT["dry_trips"], limits.dry_trips),
            (AT["leak_looks"], 2),
            (AT["silent_doses"], limits.response_doses),
            (AT["clear_wakes"], settings.battery_clear_wakes),
            (AT["soil_ppt"], self.soil_ppt),
            (AT["quiet_wakes"], max(0, settings.radio_wakes - 1)),
            (AT["radio_fails"], most_vain(settings)),
            (AT["thirst"], THIRSTY),
            (AT["low_wakes"], LOW_WAKES),
            (AT["fill_looks"], 2),
            (AT["doubts"], MOST_DOUBTS),
            (AT["idle_opens"], 2 if self.radio else 0),  # only a need looks at it
        )

    def near(self, seconds: int) -> int:
        """To the nearest step: minutes of looks and soaks make no difference to days."""
        step_s: int = self.step_s
        return (seconds + step_s // 2) // step_s * step_s

    def least(self, value: int, most: int) -> int:
        """To the nearest step below what it is compared with, and from there on just that: a
        value that was projected once stays as it is, whether time passes or not."""
        return most if value >= most else min(self.near(value), most)

    def past_trial(self, node: Node) -> Node | None:
        """The node in which that dose was the last until a leak is past, if one counted (R8)."""
        n, place = node.numbers, AT["trial_doses"]
        if not 0 < n[place] < TRIAL_DOSES:
            return None
        return node._replace(numbers=(*n[:place], 0, *n[place + 1 :]))

    def sleep(self, sleep_s: int) -> int:
        """The same for a sleep; looks, soaks and what is left of them are one: their end is a
        wake by the timer, and no such time is compared with anything."""
        return self.near(sleep_s) if 2 * sleep_s > self.step_s else min(sleep_s, 1) * SHORT_S

    def memory(self, memory: Memory, numbers: Numbers) -> Memory:
        """The monitor's memory that stands for this one, beside that projected state.

        Times as above. Where the pot itself counts as much or more (water without an answer,
        wakes in want of water, what a lockout stands for, looks under way), the memory counts
        as much as the pot: stricter, never less.
        """
        kept, (ledger, since_s) = memory
        k = kept._asdict()
        for bit, name, most in self.latched:
            if numbers[AT["lockouts"]] & bit:
                k[name] = most
        k["looks"] = LOOKS.get(numbers[AT["phase"]], kept.looks)
        k["unanswered_ul"] = self.unanswered(kept.unanswered_ul)
        for name in ("unanswered_ul", "thirst"):
            k[name] = max(k[name], numbers[AT[name]])
        k["granted"] = self.granted(kept.granted, numbers)
        # Counts like the last start no dose, and once they are called frozen they go on with none
        same = numbers[AT["soil_same"]]
        if same and numbers[AT["soil_counts"]] == self.frozen_counts:
            most = self.frozen_wakes
            k["frozen"] = max(kept.frozen, most + (same >= most - 1))
        k["presses_s"] = self.least(kept.presses_s, 86400)
        wet_s = self.near(kept.wet_s) if 0 <= kept.wet_s < self.soil_s else -1
        k["wet_s"] = wet_s if wet_s < self.soil_s else -1
        return Memory(Owed(**k), Truth(self.water(ledger), self.least(since_s, self.since_s)))

    def granted(self, granted: int, numbers: Numbers) -> int:
        """After a press that the pot does not take again before it sees wet soil, its probe or the
        cable, the memory forgives no second one either: stricter, never less."""
        if numbers[AT["tries"]] >= MOST_TRIES:
            return 1
        tried_ppt = numbers[AT["tried_ppt"]]
        if tried_ppt < 0:
            return granted
        return 2 if tried_ppt == MOST_PPT and granted != 1 else 1

    def water(self, ledger: tuple[tuple[int, int], ...]) -> tuple[tuple[int, int], ...]:
        """Water of one time together, in the same steps as the core's account."""
        if not ledger:
            return ()
        total: dict[int, int] = {}
        for age, ul in ledger:
            total[self.near(age)] = total.get(self.near(age), 0) + ul
        return tuple((age, self.ml(-(-ul // 1000)) * 1000) for age, ul in sorted(total.items()))

    def ml(self, ml: int) -> int:
        """Up to the next step, and no more than fills the day."""
        step = self.day_step_ml
        return int(min(-(-ml // step) * step, self.day_ml))

    def places(self, ages_s: list[int], mls: list[int]) -> list[int]:
        """Ages and water of the places that count, the youngest first and the empty ones last."""
        if not any(mls):
            return [0] * FIRST
        places = sorted(
            (self.near(age), self.ml(ml))
            for age, ml in zip(ages_s, mls, strict=True)
            if ml and age < self.window_s
        )
        places += [(0, 0)] * (DELIVERIES - len(places))
        return [age for age, _ in places] + [ml for _, ml in places]

    def account(self, n: list[int]) -> None:
        """What the tank should hold by the account since the refill, and an unfinished proof."""
        filled, pumped = AT["filled_ml"], AT["pumped_ml"]
        if not self.evaporates:
            n[AT["filled_s"]] = n[AT["proof_s"]] = 0
        if not n[AT["proof_pulses"]]:
            n[AT["proof_ml"]] = n[AT["proof_ul"]] = n[AT["proof_s"]] = 0
        if self.float_only:  # only a need looks whether half of it is gone
            n[pumped] = min(n[pumped], -(-max(0, n[filled]) // 2)) if self.radio else 0
        elif n[filled] >= 0:
            # Below the looks by more than any scatter the account says nothing
            least = n[AT["look_ml"]] - self.scatter_ml - 1
            n[filled], n[pumped] = max(n[filled] - n[pumped], least, 0), 0

    def alike(self, look_ml: int, tank_ml: int) -> bool:
        """Is every level that a look may show just the one it is compared with, or far from it?"""
        bench = self.bench
        shown = {"filled": bench.corner.full_ml, "low": bench.low_ml, "gone": bench.gone(tank_ml)}
        levels_ml = [tank_ml, *(shown[name] for name in self.levels)]
        return all(ml == look_ml or abs(ml - look_ml) > self.scatter_ml for ml in levels_ml)

    def may_be_back(self, n: list[int]) -> bool:
        """Does the level that later ones are compared with bear out that the tank came back?"""
        back_ml = n[AT["leak_ml"]] - self.scatter_ml
        return (
            n[AT["leak_ml"]] >= 0
            and n[AT["look_ml"]] >= back_ml
            and n[AT["trial_doses"]] < CAME_BACK
        )

    def unanswered(self, ul: int) -> int:
        """Water without an answer, in whole pulses: one that was stopped counts as one, and what a
        pulse gives until the next sample sees its end is left out."""
        if not ul:
            return 0
        pulses = max(1, -(-(ul - self.over_ul) // self.pulse_ul))
        return int(min(pulses * self.pulse_ul, self.bound_ul))

    def question(self, n: list[int]) -> None:
        """What the soil was asked by a dose, and the water without an answer."""
        n[AT["unanswered_ul"]] = self.unanswered(n[AT["unanswered_ul"]])
        if n[AT["lockouts"]] & BITS["no response"] and not self.radio:
            n[AT["silent_doses"]] = self.response_doses
        n[AT["given_ul"]] = min(n[AT["given_ul"]], self.given_ul)
        if not n[AT["asked"]]:  # its amount is not judged, only whether there was any
            n[AT["given_ul"]] = min(n[AT["given_ul"]], 1)
            # Soil as wet as here can be answers nothing, and nobody waits for it
            idle = self.waters and n[AT["unanswered_ul"]] < self.bound_ul
            if idle and n[AT["before_ppt"]] >= self.wet_ppt:
                n[AT["before_ppt"]] = UNKNOWN
        if n[AT["before_ppt"]] < 0:
            n[AT["given_ul"]], n[AT["peak_ppt"]], n[AT["asked"]] = 0, UNKNOWN, 0

    def __call__(self, numbers: Numbers, tank_ml: int) -> Numbers:
        """The state that stands for this one."""
        n = list(numbers)
        for place, most in self.seconds:
            n[place] = self.least(n[place], most)
        n[AT["sleep_s"]] = self.sleep(n[AT["sleep_s"]])
        for place, most in self.most:
            if n[place] > most:
                n[place] = most
        # Any number of doses may have come since a press ended a leak: see `past_trial`
        if 0 < n[AT["trial_doses"]] < TRIAL_DOSES:
            n[AT["trial_doses"]] = TRIAL_DOSES
        n[AT["seq"]], n[AT["wakes"]] = SEQ, 1
        n[AT["creep_ppt"]], n[AT["creep_s"]] = UNKNOWN, 0
        if not (n[AT["leak_looks"]] or n[AT["fill_looks"]]):
            n[AT["odd_ml"]] = UNKNOWN  # the next reading in doubt is the first, and takes its place
        # Only a need looks at it; in the search odd readings fade in steps of one such reading
        odd = min(n[AT["odd_levels"]], 4 * ODD_COUNTS) if self.radio else 0
        n[AT["odd_levels"]] = odd // ODD_COUNTS * ODD_COUNTS
        n[AT["presses"]] = min(n[AT["presses"]], MOST_PRESSES)
        if not self.presses and n[AT["presses"]] < MOST_PRESSES:
            n[AT["presses"]] = 0
        n[AT["presses_s"]] = self.least(n[AT["presses_s"]], 86400) if n[AT["presses"]] else 0
        n[AT["rest_mv"]] = self.rest_mv if n[AT["rest_mv"]] >= self.rest_mv else 0
        if not self.radio:
            n[AT["quiet_wakes"]] = n[AT["told"]] = n[AT["told_s"]] = n[AT["rest_mv"]] = 0
        # Of the needs of the last wake only those with a bound of their own are looked at
        n[AT["needed"]] &= NEED_BITS["fill the tank"] | NEED_BITS["charge the battery"]
        if not self.radio:
            n[AT["needed"]] = 0
        if not (self.thirst or self.radio):
            n[AT["thirst"]] = n[AT["unmet"]] = 0
        if not (self.cold and (self.thirst or self.radio)):
            n[AT["cold_ppt"]] = UNKNOWN  # only thirst in the cold looks at it
        if n[AT["look_ml"]] < 0:
            n[AT["look_s"]] = n[AT["look_n"]] = 0
        elif not n[AT["proof_pulses"]] and self.alike(n[AT["look_ml"]], tank_ml):
            # A mean of equal readings is that reading: only a tank that comes back counts them
            if self.may_be_back(n):
                n[AT["look_n"]] = min(n[AT["look_n"]], 3)
            else:
                n[AT["look_n"]] = 1
                if not self.evaporates:
                    n[AT["look_s"]] = 0
        self.account(n)
        self.question(n)
        if n[AT["soil_ppt"]] < 0:
            n[AT["soil_s"]] = 0
        if n[AT["phase"]] != SOAK:
            n[AT["plan_ul"]] = n[AT["plan_kind"]] = n[AT["pulses"]] = 0
        if n[AT["soil_counts"]] not in self.still:
            n[AT["soil_counts"]] = n[AT["soil_same"]] = 0
        n[:FIRST] = self.places(n[:DELIVERIES], n[DELIVERIES:FIRST])
        if not n[DELIVERIES]:
            n[AT["place_s"]] = PLACE_S  # the next water opens a place in any case
        return tuple(n)


def differing(one: Numbers, other: Numbers) -> list[str]:
    """Names of the fields in which two states differ, for a message."""
    names: list[Any] = [f"ages_s[{i}]" for i in range(DELIVERIES)]
    names += [f"mls[{i}]" for i in range(DELIVERIES)] + list(AT)
    return [name for name, a, b in zip(names, one, other, strict=True) if a != b]
