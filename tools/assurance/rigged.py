"""The rig as the adversary's pot: faults, weather, resets and any owner, against rig and core.

Where the search's bench moves water on a grid, here it is physics: soil that answers slowly,
a hose that runs back, a cell that sags, readings with noise. A life is a list of steps that
happen to one of the cafe's pots. What is judged is what the rig knows to be so: run times,
water, the cell, and the readings as they were handed to the board, converted by the rig's own
tables; nothing of the core is asked. A life that breaks a requirement is made shorter, and told
as a sequence cut from the pot's own log.

Not judged here, because in physics nobody can tell it from a slow answer: R7; the search does.
A relay that sticks is hardware (see `note`): its own running is nobody's fault.
"""

from __future__ import annotations

import json
import random
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Any

from assurance.monitor import Violation
from wakeboard.store import snapshot
from wakecore import line
from wakecore.state import from_bytes
from wakewell import shipped
from wakewell.portable.mock import Reset
from wakewell.portable.replayed import Player
from wakewell.pot import pot_folder
from wakewell.rig.faults import KINDS, Fault, Faults
from wakewell.rig.fitted import beyond
from wakewell.rig.pot import DAY_S, RigPot
from wakewell.rig.weather import PLACES
from wakewell.sequences import cutting
from wakewell.simulate import trials
from wakewell.simulate.people import ACTS, Household, Owner, Visit
from wakewell.simulate.rig_board import WINDOW_S, LogInMemory, RigBoard

POTS = ("basil", "citrus", "fern", "mint", "strawberry", "tomato")
LIFE_DAYS = 40
NO_PLAIN = ("relay stuck",)  # a switch that fails closed: hardware must see to it
ONCE = ("clock lost", "clock jump")
CUTS = ("power", "brown-out")
# What an owner may tune over the air: two or three values of each, inside most pots' limits
TUNED: dict[str, tuple[int, ...]] = {
    "wake_s": (21600, 86400, 172800),
    "depletion_ppt": (100, 300, 700),
    "fill_ppt": (800, 1000),
    "dose_ml": (20, 60, 150),
    "pulse_ml": (10, 30, 60),
    "soak_s": (60, 3600),
    "settle_s": (3600, 86400),
    "upkeep_ml": (0, 20),
    "radio_wakes": (0, 1, 7),
    "mains": (0, 1),
    "leak_ml_day": (0, 20),
}
SHORT_S = (60, 540)  # looks after 1 and 10 minutes (R8)
SLACK_S = 5.0


@dataclass(frozen=True)
class Step:
    """What happens next in a life.

    does: "live" (days pass), "fault" (word: its kind; days: how long; amount: how likely a try
    fails), "visit" (word: what somebody does), "tune" (word: a setting; amount: its value),
    "cut" (word: how; amount: before which of the board's next calls the supply goes).
    """

    does: str
    word: str = ""
    days: float = 0.0
    amount: float = 0.0

    def __str__(self) -> str:
        days = f"{self.days:g} days" if self.days else ""
        amount = f"{self.amount:g}" if self.amount else ""
        return " ".join(part for part in (self.does, self.word, days, amount) if part)


Life = list[Step]


class Watched(RigBoard):
    """The rig's board; the supply may go before any call, and `watch` sees what really happens."""

    watch: Watch
    cut_in = 0
    cut_how = "power"
    ran_ms = 0

    def _call(self) -> None:
        if self.cut_in:
            self.cut_in -= 1
            if not self.cut_in:
                self.pot.pump_off()  # a resistor holds the switch off
                self.pot.reset = "power" if self.cut_how == "power" else "brown-out"
                raise Reset

    def wake(self) -> None:
        self.watch.woke()
        super().wake()
        self.watch.over()

    def begin(self) -> dict[str, Any]:
        begin = super().begin()
        self.watch.begins(begin)
        return begin

    def off(self) -> None:
        self._call()
        super().off()
        self.watch.offs += 1

    def rest(self) -> list[int] | None:
        self._call()
        self.watch.rest = super().rest()
        return self.watch.rest

    def read(self) -> dict[str, list[int] | None]:
        self._call()
        self.watch.read = super().read()
        return self.watch.read

    def store(self, data: bytes) -> bool:
        self._call()
        return super().store(data)

    def arm(self, run: Any) -> None:
        self._call()
        super().arm(run)

    def start(self) -> None:
        self._call()
        self.watch.starts()
        super().start()

    def sample(self, run: Any) -> None:
        self._call()
        super().sample(run)

    def stop(self) -> int:
        ran_ms = super().stop()
        self.watch.stopped()
        return ran_ms

    def log(self, record: dict[str, Any]) -> None:
        self._call()
        super().log(record)
        self.watch.logged(record)

    def sleep(self, sleep_s: int, button: int) -> None:
        self._call()
        self.watch.sleeps(sleep_s)
        super().sleep(sleep_s, button)


class Watch:
    """What must hold, judged from what the rig knows. `broken`: the first that did not."""

    def __init__(self, board: Watched) -> None:
        self.board = board
        self.broken: Violation | None = None
        self.begin: dict[str, Any] = {}
        self.rest: list[int] | None = None
        self.read: dict[str, list[int] | None] = {}
        self.offs = self.pulses = 0
        self.on_s: float | None = None  # since when the pump was commanded to run
        self.pulse_s = 0.0
        self.pump_s = 0.0  # of the pulse under way: the pump's time before it
        self.ledger: list[tuple[float, float, float]] = []  # when, s run, ml out of the hose
        self.low = self.lows = self.leaked = 0
        self.cut_off = 0  # pulses cut off in a row
        self.falls = 0
        self.seen_ml = -1.0
        self.last_ml = [-1.0, -1.0, -1.0]  # the last three levels that were believed
        self.risen_ml = -1.0  # a higher content that one reading in line showed so far
        self.full_ml = 0.0  # with so much in it a leaking tank is as full again as before
        self.looks = 0
        self.frozen = 0

    # Helpers

    def breaks(self, rule: str, why: str, expected: dict[str, Any] | None = None) -> None:
        """Note a violation; the first is the one that counts."""
        if self.broken is None:
            self.broken = Violation(rule, why, expected)

    def suffers(self, *kinds: str) -> bool:
        """Is one of these faults there now?"""
        return any(self.board.pot.faults.amount(kind) is not None for kind in kinds)

    def shown(self, name: str, reading: list[int] | None) -> float | None:
        """What a reading says by the rig's interpolation of the calibration; None if it cannot."""
        probe = getattr(self.board.in_force.calibration, name)
        if probe is None or reading is None:
            return None
        counts = float(reading[0])
        if not probe.rail_low < counts < probe.rail_high:
            return None
        return beyond([(float(c), float(v)) for c, v in probe.points], counts)

    @property
    def reserve_ml(self) -> int:
        pot = self.board.in_force
        return int(max(pot.settings.reserve_ml, pot.limits.reserve_ml))

    # The course of a wake

    def woke(self) -> None:
        """A boot begins."""
        pot = self.board.pot
        if pot.switched_on:
            self.breaks("R1", "the pump was on when the board woke")
        self.offs = 0
        self.slept = False
        self.pulse_s = 0.0
        self.begin, self.rest, self.read = {}, None, {}

    def begins(self, begin: dict[str, Any]) -> None:
        """Somebody may have come in the meantime."""
        self.begin = begin
        if self.held() or begin["host"]:
            self.cut_off = 0
        back_ml = self.board.pot.line.tank_ml
        if self.suffers("level misread"):  # wrong for a day: no pot knows that from a refill
            back_ml = max(back_ml, min(self.last_ml))
        back = self.held() and back_ml >= self.full_ml
        if "clear leak" in begin["host"] or (self.leaked and back):  # or it was only carried away
            self.leaked = self.falls = 0
            self.seen_ml = -1.0

    def held(self) -> bool:
        """Was the button held long enough to be a wish in this wake?"""
        return 2000 <= int(self.begin.get("button_ms", 0)) < 15000

    def starts(self) -> None:
        """The pump is about to start: everything that must be so."""
        board, pot, in_force = self.board, self.board.pot, self.board.in_force
        settings, limits, cal = in_force.settings, in_force.limits, in_force.calibration
        begin = self.begin
        self.pulses += 1
        self.on_s, self.pump_s = pot.t_s, pot.counts.pump_s
        self.pulse_s = 0.001 * board.pulse_ms
        self.pumped_ml = pot.counts.pumped_ml
        if not self.offs:
            self.breaks("R1", "the pump started before it was commanded off")
        if board.pulse_ms > limits.pulse_ms:
            self.breaks("R2", f"a pulse of {board.pulse_ms} ms")
        stored = from_bytes(board.slots.slots[1 - board.slots.next_slot])
        if stored is None or stored.open_ms < board.pulse_ms:
            self.breaks("R9", "the pulse was not in storage when it started")
        if begin["boots"] >= 3:
            self.breaks("R9", "pumped after boots that did not finish")
        if self.cut_off >= limits.interrupts:
            self.breaks("R9", f"pumped after {self.cut_off} pulses were cut off")
        mv = self.shown("battery", self.rest)
        floor_mv = max(settings.battery_mv, limits.rest_mv)
        if mv is None or mv < floor_mv - 1:
            self.breaks("R5", f"pumped at a rest voltage of {mv} mV")
        if self.low and (mv is None or mv < settings.battery_clear_mv - 1):
            self.breaks("R5", "pumped after a low cell that was not charged since")
        level_ml = self.shown("level", self.read.get("level"))
        if level_ml is None or self.suffers("level railed"):
            self.breaks("R4", "pumped at an implausible level")
        elif level_ml < self.reserve_ml + (0 if cal.float_only else 1):
            self.breaks("R4", f"pumped at {level_ml:.0f} ml in the tank")
        if self.leaked:
            self.breaks("R8", "pumped though the tank had leaked, and nobody came")
        wet = self.shown("saucer", self.read.get("saucer"))
        if cal.saucer is not None and (wet is None or wet >= cal.wet_ppt):
            self.breaks("R15", "pumped with a wet saucer")
        if cal.stage == 0:
            self.breaks("R14", "a pot that is not commissioned pumped")

    def stopped(self) -> None:
        """The pump is off again, commanded or by a reset."""
        if self.on_s is None:
            return
        board, pot = self.board, self.board.pot
        limits = board.in_force.limits
        ran_s = pot.t_s - self.on_s
        if pot.reset:  # what follows a hang is the watchdog's wait; the pump's own time counts
            ran_s = min(ran_s, pot.counts.pump_s - self.pump_s)
        most_s = 0.001 * limits.pulse_ms + 0.2 + 0.15
        if ran_s > most_s + 0.01:
            self.breaks("R2", f"ran {ran_s:.2f} s", {"ran_ms": {"most": limits.pulse_ms + 200}})
        moved_ml = 0.0 if self.suffers(*NO_PLAIN) else pot.counts.pumped_ml - self.pumped_ml
        self.ledger = [row for row in self.ledger if row[0] > pot.t_s - DAY_S]
        self.ledger.append((pot.t_s, ran_s, moved_ml))
        by_time_ml = sum(row[1] for row in self.ledger) * limits.flow_max_ul_s / 1000.0
        moved_ml = sum(row[2] for row in self.ledger)
        if max(by_time_ml, moved_ml) > limits.day_ml + 1.0:
            most = {"total": {"most_24h_ml": {"most": limits.day_ml}}}
            why = f"{by_time_ml:.0f} ml by time and {moved_ml:.0f} ml in truth in 24 hours"
            self.breaks("R3", f"{why}, allowed {limits.day_ml}", most)
        self.cut_off = self.cut_off + 1 if pot.reset else 0
        self.looks = 2
        self.seen_ml = -1.0
        self.falls = 0
        self.on_s = None

    def logged(self, record: dict[str, Any]) -> None:
        """The wake is on record: who asked for its dose, and what was seen in it."""
        settings, pot = self.board.in_force.settings, self.board.pot
        kind, phase = record["plan"]["kind"], record["plan"]["phase"]
        if self.rest is not None:
            mv = self.shown("battery", self.rest) or 0.0
            floor_mv = max(settings.battery_mv, self.board.in_force.limits.rest_mv)
            self.lows = self.lows + 1 if mv < floor_mv - 1 else 0
            if self.lows >= 2:  # one low reading is confirmed by the next
                self.low = 1
            elif mv >= settings.battery_clear_mv - 1:
                self.low = 0
        pressed = self.begin["cause"] == "button"
        if not self.pulse_s:
            self.see_level(pressed)
        regular = phase == "idle" and not pressed and self.begin["vouched"]
        # A probe at its rail shows other counts than the ones that stand still
        still = self.suffers("probe frozen") and not self.suffers("probe railed")
        self.frozen = self.frozen + bool(regular) if still else 0
        if self.pulse_s:
            if kind in ("depletion", "set") and phase == "idle":
                if self.suffers("probe railed"):
                    self.breaks("R6", "watered on a probe at its rail")
                if self.frozen > settings.frozen_wakes + 1:
                    self.breaks("R6", f"watered on counts that stood still {self.frozen} wakes")
            if kind == "upkeep" and not settings.upkeep_ml:
                self.breaks("R6", "gave an upkeep dose that nobody agreed to")
            if kind == "manual" and phase == "idle" and not self.held():
                self.breaks("R12", "a dose by hand that nobody asked for")
        if pot.switched_on:
            self.breaks("R1", "the pump was on when the wake was over")

    def see_level(self, pressed: bool) -> None:
        """R8: the true tank fell, pump off, far beyond what gauge and evaporation may hide.

        It falls from what was shown: no single reading decides, for a refill neither. A tank that
        is filled, read once, and taken away before the next reading a minute later is one high
        reading to any pot, and what is then missing was never believed. Two readings in a row are.
        """
        board, cal = self.board, self.board.in_force.calibration
        if cal.float_only or self.suffers("level frozen", "level railed"):
            self.seen_ml, self.falls = -1.0, 0
            return
        ml = self.shown("level", self.read.get("level"))
        if ml is None:
            return
        self.last_ml = [*self.last_ml[1:], ml]
        tank_ml = board.pot.line.tank_ml
        risen = 0 <= self.seen_ml < tank_ml - 1.0
        if risen and self.risen_ml < 0:
            self.risen_ml, self.falls = tank_ml, 0
            return
        if risen or self.seen_ml < 0:
            self.seen_ml = max(tank_ml, self.risen_ml) if risen else tank_ml
            self.seen_s, self.risen_ml, self.falls = board.pot.t_s, -1.0, 0
            return
        self.risen_ml = -1.0
        days = (board.pot.t_s - self.seen_s) / DAY_S
        hidden_ml = 5 * cal.tolerance_ml + 30 + (days + 1) * board.in_force.settings.leak_ml_day
        if self.seen_ml - tank_ml <= hidden_ml:
            self.falls = 0
        elif not pressed:
            self.falls += 1
            if self.falls >= 3:
                self.full_ml = max(self.full_ml * self.leaked, self.seen_ml - hidden_ml)
                self.leaked = 1

    def sleeps(self, sleep_s: int) -> None:
        """The wake ends: within a bound, for a bounded time, and with its looks (R8, R13)."""
        board, settings = self.board, self.board.in_force.settings
        self.slept = True
        if board.pot.switched_on:
            self.breaks("R1", "the pump was on in sleep")
        awake_s = board.pot.t_s - board.woke_s
        most_s = board.awake_s + WINDOW_S + self.pulse_s + 20.0 + SLACK_S
        if awake_s > most_s:
            self.breaks("R13", f"awake for {awake_s:.0f} s")
        most_sleep_s = max(2 * settings.wake_s, settings.soak_s, 540)
        if not 1 <= sleep_s <= most_sleep_s:
            self.breaks("R13", f"sleeps {sleep_s} s", {"sleep_s": {"most": most_sleep_s}})
        if not self.looks:
            return
        if self.pulse_s:
            if sleep_s not in (60, settings.soak_s):
                self.breaks("R8", f"sleeps {sleep_s} s after a pulse", {"sleep_s": 60})
        elif self.begin["cause"] == "button":
            if sleep_s > max(540, settings.soak_s):
                self.breaks("R8", f"a press before a look: sleeps {sleep_s} s", {"sleep_s": 60})
        elif self.looks == 2:
            if sleep_s not in SHORT_S:
                self.breaks("R8", f"no second look: sleeps {sleep_s} s", {"sleep_s": 540})
            self.looks = 1 if sleep_s == 540 else 2
        else:
            self.looks = 0

    def over(self) -> None:
        """The boot is over, asleep or reset."""
        self.stopped()
        if not self.slept and not self.pulse_s and self.looks:
            self.looks -= 1  # cut off after it had looked, or before: either may be


class RigPlayer:
    """One of the cafe's pots on the rig, to which steps happen. Plays until one is broken."""

    def __init__(self, name: str, seed: int) -> None:
        pick = random.Random(f"rigged {name} {seed}")
        trial = trials.load(trials.shipped(name))
        folder = pot_folder.load(shipped.CAFE / name)
        self.files = [dict(part) for part in (folder.settings, folder.limits, folder.calibration)]
        spec = replace(
            trial.spec,
            faults=(),
            place=PLACES[pick.choice(sorted(PLACES))],
            start_day=pick.randrange(365),
            charge=pick.choice((0.3, 0.6, 1.0)),
        )
        self.pot = RigPot(spec, seed)
        self.seed = seed
        self.people = Household(Owner(cables_after_days=2.0, forgets=0.3), (), seed)
        self.known: dict[str, bytes] = {}
        self.tune({})
        habits = trial.habits
        self.board = Watched(
            self.pot, self.in_force, LogInMemory(), None, self.people,
            habits.awake_s, habits.radio_s, habits.samples, trial.begins, habits.mains_ma,
        )  # fmt: skip
        self.board.watch = self.watch = Watch(self.board)

    def tune(self, changed: dict[str, int]) -> None:
        """Other settings; those that the hard limits do not allow are refused."""
        settings, limits, calibration = self.files
        lines = pot_folder.compile_files({**settings, **changed}, limits, calibration)
        in_force = trials.loaded(lines)
        if in_force.match:
            self.files[0] = {**settings, **changed}
            self.in_force, self.lines = in_force, lines
            self.known |= {line.identity(data): data for data in lines.values()}

    def play(self, step: Step) -> bool:
        """One step; False if it cannot be here. Raises Violation."""
        pot, board = self.pot, self.board
        if step.does == "live":
            until_s = pot.t_s + step.days * DAY_S
            board.until_s = until_s
            while pot.t_s < until_s and self.watch.broken is None:
                board.wake()
            if self.watch.broken is not None:
                raise self.watch.broken
        elif step.does == "fault":
            chance = step.amount if KINDS[step.word].each_time else 1.0
            new = Fault(step.word, pot.t_s, pot.t_s + step.days * DAY_S, chance)
            old = [
                fault
                for fault in pot.faults.happening
                if fault.end_s > pot.t_s and fault.kind not in (*ONCE, step.word)
            ]
            self.suffer([*old, new])
        elif step.does == "visit":
            self.people.come(pot.t_s, Visit(step.word, pot.t_s))
        elif step.does == "tune":
            self.tune({step.word: int(step.amount)})
            board.in_force = self.in_force
        else:
            board.cut_in, board.cut_how = int(step.amount), step.word
        return True

    def suffer(self, faults: Iterable[Fault]) -> None:
        """These faults from now on, in place of those there were."""
        self.pot.faults = Faults(faults, self.seed)
        self.pot.meet_faults()
        self.board.meet_faults()
        self.board.slots.fails = self.board.write_fails

    def told(self, wrong: Violation) -> str:
        """The violation as a sequence, cut from the log; "" if its wake is not in the log."""
        assert self.board.field_log is not None
        rows = [json.loads(row) for row in self.board.field_log.lines]
        wakes = [row for row in rows if row["kind"] == "wake"]
        files = dict(self.lines)
        if not wakes:
            return ""
        last = wakes[-1]["n"]
        first = last
        if "total" in wrong.expected:
            slept_s = 0
            for row in reversed(wakes):
                same = all(row[kind] == wakes[-1][kind] for kind in files)
                if slept_s > 1.3 * DAY_S or not same or row["n"] > first:
                    break
                first = row["n"]
                slept_s += row["begin"]["slept_s"]
        before = self.before(rows, first)
        if before is None:
            return ""
        chosen = [row for row in rows if first <= row["n"] <= last]
        text = cutting.cut(chosen, before, files, first, last, f"{wrong.rule}: {wrong.why}")
        if "total" in wrong.expected:  # a sequence counts what a run moves by its flow
            flow = f"flow_ul_s = {self.in_force.limits.flow_max_ul_s}"
            text = text.replace("[wake.run]\n", f"[wake.run]\n{flow}\n")
        return expecting(text, wrong)

    def before(self, rows: list[dict[str, Any]], first: int) -> dict[str, Any] | None:
        """A snapshot of the state that wake began with."""
        player = Player(self.known.get)
        for row in rows:
            if row["kind"] == "wake" and row["n"] == first:
                if player.state is not None and player.state.crc == row["before"]:
                    return dict(snapshot(player.state, 0))
                return None
            player.feed(row)
        return None


def expecting(text: str, wrong: Violation) -> str:
    """A cut sequence with what the requirement asks for in place of what was decided."""
    kept: list[str] = []
    skipping = False
    for row in text.splitlines():
        if row.startswith("[[wake.expect]]"):
            skipping = True
        elif row == "" or row.startswith(("[", "#")):
            skipping = False
        if row.startswith("rules = "):
            row = f"rules = {json.dumps([wrong.rule])}"
        if not skipping:
            kept.append(row)
    if "total" in wrong.expected:
        kept += ["", "[[total]]", f'rule = "{wrong.rule}"']
        wanted: dict[str, Any] = wrong.expected["total"]
    else:
        kept += ["[[wake.expect]]", f'rule = "{wrong.rule}"']
        wanted = wrong.expected
    kept += [f"{name} = {cutting.toml_value(value)}" for name, value in wanted.items()]
    return "\n".join(kept) + "\n"


@dataclass
class BrokenLife:
    """A life that breaks a requirement, as short as it was made, and its sequence."""

    pot: str
    seed: int
    life: Life
    wrong: Violation
    text: str

    @property
    def line(self) -> str:
        """In one line: what, where and in which life."""
        steps = ", ".join(str(step) for step in self.life)
        return f"{self.wrong.why}; {self.pot}, seed {self.seed}: {steps}"


def any_life(pick: random.Random, days: float = LIFE_DAYS) -> Life:
    """Steps in any order, time between them."""
    life: Life = []
    lived = 0.0
    while lived < days:
        for _ in range(pick.choice((0, 1, 1, 2))):
            life.append(any_step(pick))
        passed = pick.choice((0.01, 0.5, 1.0, 3.0, 6.0))
        life.append(Step("live", days=passed))
        lived += passed
    return life


def any_step(pick: random.Random) -> Step:
    """One thing that goes wrong, or that somebody does."""
    how = pick.choice(("fault", "fault", "visit", "visit", "tune", "cut"))
    if how == "fault":
        kind = pick.choice(sorted(KINDS))
        days = pick.choice((0.02, 1.0, 5.0, 20.0))
        return Step("fault", kind, days, pick.choice((0.1, 0.5, 1.0)))
    if how == "visit":
        return Step("visit", pick.choice(sorted(ACTS)))
    if how == "tune":
        name = pick.choice(sorted(TUNED))
        return Step("tune", name, amount=pick.choice(TUNED[name]))
    return Step("cut", pick.choice(CUTS), amount=pick.randint(1, 60))


def broken(name: str, seed: int, life: Iterable[Step]) -> tuple[Violation | None, RigPlayer]:
    """The first requirement that this life breaks, and the pot as it was left."""
    player = RigPlayer(name, seed)
    for step in life:
        try:
            player.play(step)
        except Violation as wrong:
            return wrong, player
    return None, player


def shrunk(name: str, seed: int, life: Life, rule: str, tries: int = 60) -> Life:
    """The life without the steps that it can do without; bounded, since each try is a life."""

    def fails(some: Life) -> bool:
        nonlocal tries
        tries -= 1
        found, _ = broken(name, seed, some)
        return found is not None and found.rule == rule

    size = len(life) // 2
    while size and tries > 0:
        at = 0
        while at < len(life) and tries > 0:
            shorter = life[:at] + life[at + size :]
            if fails(shorter):
                life = shorter
            else:
                at += size
        size //= 2
    return life


def seek(
    seed: int,
    lives: int = 1 << 60,
    seconds: float = 1e9,
    told: Callable[[int], None] | None = None,
) -> tuple[int, int, int, list[BrokenLife]]:
    """(lives, wakes, pulses, what was broken) from a seed, until one bound is reached."""
    begun, played, wakes, pulses = time.monotonic(), 0, 0, 0
    found: list[BrokenLife] = []
    while played < lives and time.monotonic() - begun < seconds and len(found) < 3:
        pick = random.Random(f"{seed}.{played}")
        name, own = POTS[played % len(POTS)], pick.randrange(1 << 30)
        life = any_life(pick)
        wrong, player = broken(name, own, life)
        wakes += player.board.wakes
        pulses += player.watch.pulses
        if wrong is not None:
            life = shrunk(name, own, life, wrong.rule)
            again, player = broken(name, own, life)
            assert again is not None
            found.append(BrokenLife(name, own, life, again, player.told(again)))
        played += 1
        if told:
            told(played)
    return played, wakes, pulses, found
