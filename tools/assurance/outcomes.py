"""Lives on the rig, judged by the plant, the floor and the cell.

What belongs here: a life made from a number (plant, place, substrate, tank, owner, faults), the
judge that follows what really happens in it, and the table by fault. The judge asks the rig for
the truth (soil, floor, cell) and takes the readings as they were handed to the board, by the rig's
own tables; of the core it takes only what an owner sees: what is asked for, and whether it was
heard. What does not: the rules R1 to R15, which `rigged` judges in the same lives.

The bounds are the requirements' own words, worked out here from the pot's files and from the true
size of the pot. Days and margins without a source are common practice or our own assumptions.
"""

from __future__ import annotations

import math
import signal
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from multiprocessing import Pool
from typing import Any

from assurance.rigged import Watch, Watched
from assurance.troubles import TROUBLES, LifePlan, life, trial_of
from wakewell.rig.errors import Stopped
from wakewell.rig.faults import Faults
from wakewell.rig.pot import DAY_S, RigPot
from wakewell.simulate.people import CABLE, Household, Owner, Visit

LIVES = 2000
BATCH = 20  # lives handed out at a time
WILTED_DAYS = 3.0  # below wilting, and nobody told: a broken outcome
WELL_S = 0.5 * DAY_S  # a spell below wilting goes on until the plant is well for so long
THIRSTY_WAKES = 3  # regular wakes in want of water until somebody is told (R16)
AGAIN_WAKES = 8  # regular wakes with dry soil, the fault over, until the pot waters again
NEEDLESS = 1  # requests without a reason, in a healthy year
REPORTS_DAY = 10  # at most in any 24 hours: needs, presses, the regular one
SILENT_DAYS = 3.0  # a lockout that nobody heard of, cell and radio well
WARNED_DAYS = 3.0  # before a cell is flat that only emptied: a charge is asked for
HEEDED_DAYS = 6.0  # below wilting under an owner who does what he is told: a day after he heard
LOOKS_S = 0.2 * DAY_S  # the looks after a dose, and what a wake may come later
RADIO = {"radio down", "bad contact"}
SILENT_RADIO_DAYS = 8.0  # where the radio failed: it waits for up to a week between two tries
SEEPS_S = 2 * DAY_S  # so long after rain, a can or a siphon, what runs over is theirs
NEAR_PPT = 20.0  # by so much a sound probe may err, cold or old
MARGIN_MV = 40.0  # of the divider, and what settles in the cell
FLOW_SHARE = 1.1  # a full tank pushes: more than the usual flow
ANSWER_SHARE = 0.5  # of the least answer, by the true soil: the probe rounds
ROUTINE = ("fill the tank", "charge the battery", "unplug the charger", "confirm the charge")

# What an owner who was told puts right, and by which needs
MENDED_BY = {
    "see to the soil probe": ("probe out", "probe railed", "probe frozen", "probe drifts"),
    "see why it stays dry": ("probe drifts", "hose off", "hose clogged", "pump blocked"),
    "see to the level": ("level railed", "level frozen"),
    "see to the hose": ("hose off", "hose clogged", "pump blocked"),
    "clear a lockout": ("hose off", "hose clogged", "pump blocked", "bad contact", "relay stuck"),
    "see why the tank empties": ("siphon", "leak", "relay stuck", "level frozen"),
    "see to the pot": ("siphon", "leak", "relay stuck"),
    "see to the battery": ("bad contact",),
    "see to the thermometer": ("thermometer misread",),
    "charge the battery": ("bad contact",),
}
MEND_DAYS = 1.5
# Needs that lead an owner to a thirsty plant
HELP = (*MENDED_BY, "water by hand", "fill the tank", "confirm the charge", "empty the saucer")


class Neighbour(Household):
    """An owner who, told what is wrong, also puts it right after a while; and what was heard."""

    def __init__(self, owner: Owner, visits: Iterable[Visit], seed: int, outcome: Outcome) -> None:
        super().__init__(owner, visits, seed)
        self.outcome = outcome

    def told(self, board: Any, record: dict[str, Any]) -> None:
        super().told(board, record)
        self.outcome.heard(record["needs"])

    def act(self, board: Any) -> int:
        self.outcome.visited(self.coming[0][2].act)
        return super().act(board)


@dataclass
class Came:
    """What came of a life. broken: the outcomes that failed, in words."""

    number: int
    troubles: tuple[str, ...]
    owner: str
    broken: list[str] = field(default_factory=list)
    told_days: float | None = None  # from the onset until somebody heard of it
    floor_ml: float = 0.0  # by our pump
    unanswered_ml: float = 0.0  # of that, the most without an answer of the soil between
    spilled_ml: float = 0.0  # all that reached the floor
    wilted_days: float = 0.0
    untold_days: float = 0.0  # of those, the longest before anybody was told
    unknowable: bool = False  # every reading said that the plant was well
    lowest_mv: float = 9999.0  # of the true cell, when pump or radio were started
    again_wakes: int | None = None  # regular wakes with dry soil until it watered again
    needless: int = 0
    reports_day: int = 0
    wakes: int = 0
    pulses: int = 0


class Outcome(Watch):
    """Follows what is true in one life, beside the rules that `Watch` judges."""

    def __init__(self, board: Watched, found: LifePlan) -> None:
        super().__init__(board)
        self.life = found
        self.came = Came(found.number, found.troubles, found.owner)
        pot, in_force = board.pot, board.in_force
        settings, limits, cal = in_force.settings, in_force.limits, in_force.calibration
        available = (cal.capacity_ppt - cal.wilting_ppt) * settings.depletion_ppt / 1000.0
        self.refill_ppt = cal.capacity_ppt - available
        answer_ml = settings.response_ppt * pot.soil.volume_ml / 1000.0
        self.bound_ml = FLOW_SHARE * max(float(limits.dose_ml), 3 * answer_ml)
        # What presses together may add to that, until the soil gets wetter
        self.more_ml = FLOW_SHARE * min(settings.dose_ml, max(settings.pulse_ml, answer_ml))
        self.drooped_s, self.seen_s = 0.0, 0.0
        self.droop_run_s = self.droop_from_s = self.well_s = 0.0
        self.wants = self.same = 0
        self.counts = -1
        self.known_s: float | None = None
        self.helped_s: float | None = None  # since when the owner knows that help is wanted
        self.words_s: float | None = None  # and since when by the pot's own words
        self.begun_s = found.onset * DAY_S
        self.cleared_s: float | None = None if found.troubles else 0.0
        self.standing: set[str] = set()
        self.before: set[str] = set()
        self.floor_run_ml = self.allowed_ml = 0.0
        self.lowest_ppt = 1000.0
        self.missed_ml = self.overflow_ml = 0.0
        self.rain_ml, self.poured_s = 0.0, -1e9  # when rain or a can last brought water
        self.dry_wakes = 0
        self.watered_again = False
        self.locked_s: dict[str, float] = {}  # lockouts that stand, since when
        self.known_locks: set[str] = set()  # and of them those that the owner heard of
        self.heard_s = 0.0
        self.sent_s: list[float] = []
        self.dark_s: float | None = None
        self.radio_s = -1e9  # when radio or contact last failed
        self.silent = False  # what the owner knows, he knows from no news
        self.charge_told_s: float | None = None
        self.radio_low = 0
        self.asked: set[str] = set()

    def fails(self, why: str) -> None:
        """An outcome that failed; each kind once."""
        day = f"day {self.board.pot.t_s / DAY_S:.1f}: "
        if all(why.split(":")[0] != one.split(": ")[1] for one in self.came.broken):
            self.came.broken.append(day + why)

    def breaks(self, rule: str, why: str, expected: dict[str, Any] | None = None) -> None:
        """A rule that `Watch` judges."""
        self.fails(f"{rule}: {why}")

    # What people see and do

    def heard(self, needs: list[str]) -> None:
        """The owner reads this, by radio or by the light."""
        now_s = self.board.pot.t_s
        names = set(needs)
        self.heard_s, self.silent, self.dark_s = now_s, False, None
        self.known_locks |= set(self.locked_s)
        if names & set(HELP):
            self.helped_s = now_s if self.helped_s is None else self.helped_s
            self.words_s = now_s if self.words_s is None else self.words_s
        else:
            self.helped_s = self.words_s = None
        if "charge the battery" in names or "see to the battery" in names:
            if self.charge_told_s is None:
                self.charge_told_s = now_s
        else:
            self.charge_told_s = None
        if now_s < self.begun_s:
            self.before = names
        elif self.came.told_days is None and self.life.troubles:
            about = {n for name in self.life.troubles for n in TROUBLES[name].about}
            if (names - self.before) - (set(ROUTINE) - about):
                self.came.told_days = (now_s - self.begun_s) / DAY_S
        for need in names:
            if self.life.owner == "heeds" and need in MENDED_BY:
                self.mend_at(now_s + MEND_DAYS * DAY_S, MENDED_BY[need])
        self.standing = names

    def mend_at(self, at_s: float, kinds: tuple[str, ...]) -> None:
        """The owner puts right what this need is about; a fault that ends sooner ends by itself."""
        faults = self.board.pot.faults
        now_s = self.board.pot.t_s
        mended = [
            replace(fault, end_s=min(fault.end_s, at_s))
            if fault.kind in kinds and fault.start_s < now_s < fault.end_s
            else fault
            for fault in faults.happening
        ]
        if mended != faults.happening:
            self.board.pot.faults = Faults((), 0)
            self.board.pot.faults = Faults(mended, self.life.number)
            self.board.pot.meet_faults()
            self.board.meet_faults()
            self.board.slots.fails = self.board.write_fails

    def visited(self, act: str) -> None:
        """Somebody is about to do that."""
        if act == "hold the button":
            self.allowed_ml = min(self.allowed_ml + self.more_ml, 2 * self.more_ml)
        if act == "clear with the cable":
            self.allowed_ml += self.bound_ml
        if act == "water by hand":
            self.seep()
            self.poured_s = self.board.pot.t_s

    # The course of a wake

    def woke(self) -> None:
        super().woke()
        self.plant()
        self.woke_ppt = 1000.0 * self.board.pot.soil.probe_content

    def starts(self) -> None:
        super().starts()
        pot = self.board.pot
        self.seep()
        self.answer()
        mv = pot.battery.rest_mv(pot.air_c)
        self.came.lowest_mv = min(self.came.lowest_mv, mv)
        floor_mv = self.board.in_force.limits.rest_mv
        if mv < floor_mv - MARGIN_MV:
            self.fails(f"cell: the pump was started at {mv:.0f} mV, the floor is {floor_mv} mV")
        self.missed_ml = pot.counts.missed_ml

    def stopped(self) -> None:
        running = self.on_s is not None
        super().stopped()
        if not running:
            return
        pot = self.board.pot
        beside_ml = max(0.0, pot.counts.missed_ml - self.missed_ml)
        self.reaches_floor(beside_ml)
        self.moved_ml = self.ledger[-1][2]
        if self.cleared_s is not None and self.moved_ml > 5.0 and not self.watered_again:
            self.watered_again = True
            self.came.again_wakes = self.dry_wakes

    def answer(self) -> float:
        """The true soil water at the probe, ppt; a rise ends the account of unanswered water."""
        true_ppt = 1000.0 * self.board.pot.soil.probe_content
        self.lowest_ppt = min(self.lowest_ppt, true_ppt)
        least_ppt = ANSWER_SHARE * self.board.in_force.settings.response_ppt
        if true_ppt >= self.lowest_ppt + least_ppt:
            self.lowest_ppt = true_ppt
            self.floor_run_ml = self.allowed_ml = 0.0
        return true_ppt

    def seep(self) -> None:
        """What ran over the saucer since the last look; ours if only the pump brought water."""
        pot = self.board.pot
        tally = pot.seen_soil.tally
        over_ml = tally.floor_ml
        if tally.rain_ml > self.rain_ml or self.suffers("relay stuck", "siphon"):
            self.rain_ml, self.poured_s = tally.rain_ml, pot.t_s
        if over_ml > self.overflow_ml:
            if pot.t_s - self.poured_s > SEEPS_S:
                self.reaches_floor(over_ml - self.overflow_ml)
            self.overflow_ml = over_ml

    def reaches_floor(self, ml: float) -> None:
        """Water that our pump brought and the pot did not keep."""
        if ml <= 0.0 or self.suffers("relay stuck"):
            return
        self.came.floor_ml += ml
        self.floor_run_ml += ml
        self.came.unanswered_ml = max(self.came.unanswered_ml, self.floor_run_ml)
        if self.floor_run_ml > self.bound_ml + self.allowed_ml:
            text = f"floor: {self.floor_run_ml:.0f} ml without an answer, at most "
            self.fails(text + f"{self.bound_ml + self.allowed_ml:.0f} ml")

    def logged(self, record: dict[str, Any]) -> None:
        super().logged(record)
        self.came.wakes += 1
        self.came.pulses = self.pulses
        self.seep()
        true_ppt = self.answer()
        timer = self.begin["cause"] == "timer"
        regular = record["plan"]["phase"] == "idle" and timer and self.begin["vouched"]
        self.wish(regular)
        if self.cleared_s is None:
            self.look_for_end()
        elif regular and not self.watered_again and not self.pulse_s and self.life.troubles:
            cold_c = 0.001 * self.board.in_force.limits.cold_mc + 1.0
            dry = true_ppt < self.refill_ppt - NEAR_PPT and self.board.pot.pot_c > cold_c
            self.dry_wakes += dry
            unfit = self.suffers("tank forgotten") or self.tank_low() or self.cell_low()
            heeds = self.life.owner == "heeds" and not unfit
            if heeds and self.dry_wakes > self.again_wakes(record["lockouts"]):
                self.fails(f"again: no water for {self.dry_wakes} dry wakes after the fault")
        self.locked(record)
        if not self.life.troubles:
            self.healthy(record, self.woke_ppt)

    def again_wakes(self, lockouts: list[str]) -> int:
        """The dry wakes after the fault that may pass until it waters again.

        A lockout that ends by the cable waits for the maker, who comes so many days after he heard
        of it, however often the pot wakes. At two wakes a day his days alone are AGAIN_WAKES: there
        the wake that told him and those until he is there are allowed, and none more.
        """
        if not CABLE & self.known_locks & set(lockouts):
            return AGAIN_WAKES
        wakes_a_day = DAY_S / float(self.board.in_force.settings.wake_s)
        days = float(self.life.tables["owner"]["cables_after_days"])
        return max(AGAIN_WAKES, 1 + math.ceil(days * wakes_a_day))

    def tank_low(self) -> bool:
        """Is there too little in the tank for a start?"""
        most_ml = self.reserve_ml + self.board.in_force.settings.pulse_ml
        return bool(
            self.board.pot.line.tank_ml < most_ml + 2 * self.board.in_force.calibration.tolerance_ml
        )

    def cell_low(self) -> bool:
        """Is the cell too low for the pump, or charging?"""
        pot, settings = self.board.pot, self.board.in_force.settings
        low_mv = settings.battery_clear_mv
        return bool(pot.charger_ma > 0.0 or pot.battery.rest_mv(pot.air_c) < low_mv)

    def look_for_end(self) -> None:
        """Are the troubles over? Some are there from the first day to the last."""
        pot, found = self.board.pot, self.life
        ends_s = (found.end if found.visits else found.begin + 0.5) * DAY_S
        over = all(fault.end_s < pot.t_s for fault in pot.faults.happening)
        if over and found.onset and pot.t_s > ends_s:
            self.cleared_s = pot.t_s

    def sleeps(self, sleep_s: int) -> None:
        super().sleeps(sleep_s)
        board, pot = self.board, self.board.pot
        if not (board.reports and board.radio_s):
            return
        if 1000.0 * pot.charger_ma > board.in_force.calibration.radio_ua:
            self.sent()
            return  # charger or mains feed the radio, the cell does not
        mv = pot.battery.rest_mv(pot.air_c)
        self.came.lowest_mv = min(self.came.lowest_mv, mv)
        floor_mv = board.in_force.limits.rest_mv
        if mv < floor_mv - MARGIN_MV:
            self.fails(f"cell: the radio was started at {mv:.0f} mV, the floor is {floor_mv} mV")
        self.sent()

    def sent(self) -> None:
        """One more try of the radio."""
        now_s = self.board.pot.t_s
        self.sent_s = [*(s for s in self.sent_s if s > now_s - DAY_S), now_s]
        self.came.reports_day = max(self.came.reports_day, len(self.sent_s))
        if len(self.sent_s) > REPORTS_DAY:
            self.fails(f"trust: {len(self.sent_s)} reports in a day")

    # What is judged

    def plant(self) -> None:
        """The plant since the last look: a spell below wilting needs somebody who was told."""
        pot = self.board.pot
        drooped_s = pot.soil.tally.drooping_s
        passed_s, more_s = pot.t_s - self.seen_s, drooped_s - self.drooped_s
        self.seen_s, self.drooped_s = pot.t_s, drooped_s
        if self.suffers("radio down", "bad contact"):
            self.radio_s = pot.t_s
        if passed_s <= 0.0:
            return
        if more_s > 0.0 and not self.droop_run_s:
            self.droop_from_s = pot.t_s - more_s
        self.well_s = 0.0 if more_s > 0.99 * passed_s else self.well_s + passed_s - more_s
        self.droop_run_s = 0.0 if self.well_s > WELL_S else self.droop_run_s + more_s
        self.came.wilted_days = drooped_s / DAY_S
        if not self.droop_run_s:
            return
        if self.helped_s is None and self.no_news():
            self.helped_s, self.silent = pot.t_s, True
        days, since_s = self.droop_run_s / DAY_S, self.droop_from_s
        if self.helped_s is None or self.helped_s > since_s:
            until_s = pot.t_s if self.helped_s is None else self.helped_s
            self.came.untold_days = max(self.came.untold_days, (until_s - since_s) / DAY_S)
        if days < WILTED_DAYS:
            return
        spell = f"below wilting for {days:.1f} days"
        latest_s = max(since_s, self.known_s or 0.0) + LOOKS_S
        late = self.helped_s is None or self.helped_s > latest_s
        if late and self.known_s is None:
            self.came.unknowable = self.dark_s is None
        elif self.helped_s is None:
            if pot.t_s - self.radio_s > SILENT_RADIO_DAYS * DAY_S:
                self.fails(f"plant: {spell}, nobody was told")
        elif late and not RADIO & set(self.life.troubles):
            late_s = self.helped_s - latest_s
            self.fails(f"plant: {spell}, told {late_s / DAY_S:.1f} days late")
        elif self.can_help() and pot.t_s - max(since_s, self.words_s or 0.0) > HEEDED_DAYS * DAY_S:
            self.fails(f"plant: {spell}, and the owner did all that he was told")

    def can_help(self) -> bool:
        """Does the owner do what he is told, is he told it, and is a can of water enough?"""
        quiet = self.words_s is None or self.silent or self.dark_s is not None
        return (
            self.life.owner == "heeds"
            and not quiet
            and "settings too small" not in self.life.troubles
        )

    def no_news(self) -> bool:
        """Does the owner know by the silence? Where board or cell are down, or the radio fails."""
        pot = self.board.pot
        empty = pot.battery.rest_mv(pot.air_c) < self.board.in_force.limits.rest_mv + MARGIN_MV
        if not (empty or self.dark_s or self.suffers("radio down", "bad contact")):
            return False
        settings = self.board.in_force.settings
        due_s = 2 * max(1, settings.radio_wakes) * settings.wake_s + DAY_S
        return bool(self.board.pot.t_s - max(self.heard_s, self.begun_s) > due_s)

    def wish(self, regular: bool) -> None:
        """Since when could somebody know that the plant wants water? By the readings as handed."""
        probe, reading = self.board.in_force.calibration.soil, self.read.get("soil")
        shown = self.shown("soil", reading)
        if reading is not None and reading[1] == 0 and reading[0] == self.counts:
            self.same += regular
        elif regular:
            self.same = 1
        if regular and reading is not None:
            self.counts = reading[0]
        if shown is not None and self.same >= self.board.in_force.settings.frozen_wakes:
            shown = None
        if shown is not None and reading is not None:
            far = (probe.high - probe.low) / 20
            if not probe.low - far <= reading[0] <= probe.high + far:
                shown = None
        if shown is not None and shown >= self.refill_ppt:
            self.wants, self.known_s = 0, None
        elif regular:
            self.wants += 1
            if self.wants >= THIRSTY_WAKES and self.known_s is None:
                self.known_s = self.board.pot.t_s

    def locked(self, record: dict[str, Any]) -> None:
        """A lockout that nobody hears of, although cell and radio are well."""
        pot, limits = self.board.pot, self.board.in_force.limits
        well = pot.battery.rest_mv(pot.air_c) > limits.radio_mv + 100
        well = well and not self.suffers("radio down", "bad contact", "battery misread")
        self.known_locks &= set(record["lockouts"])
        before = self.locked_s
        self.locked_s = {
            name: before.get(name, pot.t_s) if well else pot.t_s for name in record["lockouts"]
        }
        most_days = SILENT_RADIO_DAYS if RADIO & set(self.life.troubles) else SILENT_DAYS
        for name in set(self.locked_s) - self.known_locks:
            if pot.t_s - self.locked_s[name] > most_days * DAY_S:
                self.fails(f"silence: {name} for {most_days:g} days, and nobody heard of it")

    def healthy(self, record: dict[str, Any], true_ppt: float) -> None:
        """No lockout, and needs only where the truth bears them out."""
        for name in record["lockouts"]:
            self.fails(f"lockout: {name} in a healthy life")
        names = set(record["needs"])
        for need in names - self.asked:
            if not self.borne_out(need, true_ppt):
                self.came.needless += 1
                if self.came.needless > NEEDLESS:
                    self.fails(f"needless {need}: {self.came.needless} requests without a reason")
        self.asked = names

    def borne_out(self, need: str, true_ppt: float) -> bool:
        """Is this need true?"""
        pot, in_force = self.board.pot, self.board.in_force
        settings, cal = in_force.settings, in_force.calibration
        if need == "fill the tank":
            least_ml = settings.tank_warn_ml + 3 * cal.tolerance_ml
            if cal.float_only:
                least_ml = 1.1 * cal.level.points[0][1]
            return bool(pot.line.tank_ml < least_ml)
        if need == "charge the battery":
            warn_mv = max(settings.battery_warn_mv, in_force.limits.radio_mv + 50)
            return bool(pot.battery.rest_mv(pot.air_c) < warn_mv + MARGIN_MV)
        if need == "unplug the charger":
            return pot.charger_ma > 0.0
        if need in ("water by hand", "see why it stays dry"):
            return bool(true_ppt < self.refill_ppt + NEAR_PPT)
        if need == "empty the saucer":
            return pot.soil.saucer_ml > 1.0
        return False

    def dark(self) -> None:
        """The cell cannot carry the board: was a charge asked for in time?"""
        self.plant()
        if self.dark_s is not None:
            return
        self.dark_s = self.board.pot.t_s
        if any(TROUBLES[name].sudden for name in self.life.troubles) or self.suffers("relay stuck"):
            return
        told_s = self.charge_told_s
        if told_s is None or self.dark_s - told_s < WARNED_DAYS * DAY_S:
            when = (
                "never" if told_s is None else f"{(self.dark_s - told_s) / DAY_S:.1f} days before"
            )
            self.fails(f"cell: flat, a charge was asked for {when}")


@dataclass
class TroubleRow:
    """What the lives with one trouble came to. The table shows it; the record keeps it.

    told: {days until somebody heard, rounded up: lives}. The worst of the others: ml on the floor
    (without an answer of the soil, by the pump, in all), days below wilting before anybody was
    told, the cell's lowest mV under pump or radio, dry wakes until it watered again for an owner
    who did as told.
    """

    words: str
    lives: int = 0
    broken: int = 0
    told: dict[str, int] = field(default_factory=dict)
    unanswered_ml: int = 0
    floor_ml: int = 0
    spilled_ml: int = 0
    untold_days: float = 0.0
    unknowable: int = 0
    lowest_mv: int = 9999
    again_wakes: int = -1
    needless: int = 0

    def add(self, came: Came) -> None:
        """One more life."""
        self.lives += 1
        self.broken += bool(came.broken)
        self.unknowable += came.unknowable
        if came.told_days is not None:
            days = str(math.ceil(came.told_days))
            self.told[days] = self.told.get(days, 0) + 1
        self.unanswered_ml = max(self.unanswered_ml, round(came.unanswered_ml))
        self.floor_ml = max(self.floor_ml, round(came.floor_ml))
        self.spilled_ml = max(self.spilled_ml, round(came.spilled_ml))
        if not came.unknowable:
            self.untold_days = max(self.untold_days, round(came.untold_days, 1))
        self.lowest_mv = min(self.lowest_mv, round(came.lowest_mv))
        if came.again_wakes is not None and came.owner == "heeds":
            self.again_wakes = max(self.again_wakes, came.again_wakes)
        self.needless = max(self.needless, came.needless)


def row_of(found: LifePlan) -> tuple[str, str]:
    """(name, words) of the row that a life belongs to."""
    if not found.troubles:
        return "healthy", "nothing, for a year"
    if len(found.troubles) > 1:
        return "two at once", "two of these at once"
    (name,) = found.troubles
    return name, TROUBLES[name].words


def batch(work: tuple[int, range]) -> list[tuple[LifePlan, Came]]:
    """Some lives of that seed, one after the other; what a worker plays."""
    seed, numbers = work
    return [(found, play(found)) for found in (life(seed, number) for number in numbers)]


def many(
    seed: int, first: int, last: int, workers: int, end_s: float
) -> Iterator[list[tuple[LifePlan, Came]]]:
    """The lives from first to before last, a batch at a time and in order, until that time."""
    work = [(seed, range(at, min(at + BATCH, last))) for at in range(first, last, BATCH)]
    if workers == 1:
        for some in work:
            if time.monotonic() > end_s:
                return
            yield batch(some)
        return
    with Pool(workers, signal.signal, (signal.SIGINT, signal.SIG_IGN)) as pool:
        for done in pool.imap(batch, work):
            yield done
            if time.monotonic() > end_s:
                return


def play(found: LifePlan, log: Callable[[dict[str, Any]], None] | None = None) -> Came:
    """One life to its end. log: is called with each record."""
    trial = trial_of(found)
    pot = RigPot(trial.spec, found.number)
    habits = trial.habits
    board = Watched(
        pot, trial.in_force(), None, log, None,
        habits.awake_s, habits.radio_s, habits.samples, trial.begins, habits.mains_ma,
    )  # fmt: skip
    board.watch = outcome = Outcome(board, found)
    board.people = Neighbour(trial.owner, trial.visits, found.number, outcome)
    board.dark = outcome.dark
    try:
        board.run(trial.days * DAY_S)
    except Stopped as stop:
        outcome.fails(f"rig: {stop}")
    outcome.plant()
    counts, tally = pot.counts, pot.soil.tally
    outcome.came.spilled_ml = counts.missed_ml + counts.leaked_ml + counts.brim_ml + tally.floor_ml
    return outcome.came
