"""Pairs of conditions, generated: each laid over some weeks of a small pot, alone and together.

A condition is something a pot meets: a probe that is lost, a cell that sags, a press, a clock that
jumps, a write that fails. Every two that do not touch the same thing are played together on the
mock board, in a world that only dries, pumps and sleeps. What becomes of it is judged by what was
promised, on what the board was asked, recorded and told; the core's own arithmetic is not repeated:

    always      what is promised of every wake (see `promises`), the order of commands, what
                forbids water, water counted and told, who is told when
    together    what forbids water alone forbids it in company; a need that shows alone shows too
    afterwards  an owner puts everything right, and the pot waters and asks for nothing

What belongs here: conditions, the world, the judge. What does not: letters of the search.
"""

from __future__ import annotations

import itertools
import random
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cache
from itertools import tee
from typing import Any

from assurance.promises import WakeWitness
from wakecore import rules
from wakecore.fields import refill_ppt
from wakecore.run import LATCHES
from wakecore.table import counts_at
from wakewell.portable import mock
from wakewell.pot import pot_folder
from wakewell.sequences import bench_pot

DAY_S, HOUR_S = 86400, 3600
BEGIN_S, END_S = 2 * DAY_S, 8 * DAY_S  # conditions lie between
VISIT_S = 9 * DAY_S  # when an owner begins to put everything right
DAYS = 24
CAN_PPT = 40  # by which a can of water raises the soil
VISITS = 4  # days on which the owner comes, if something is locked out
DRY_PPT = 120.0  # soil gets no drier than this
TRUE = -9  # a reading shows what is so
PHASE_OF = {600: "soak", 60: "first look", 540: "second look"}  # by the sleep before a wake
AGAIN_WAKES = 4  # regular wakes with dry soil until a pot that was put right waters
AGAIN_S = 52 * HOUR_S  # a day's water may be used up by what was given first
THIRSTY_WAKES = 4  # the same until somebody is asked for water by hand: one more than promised
MOST_WAKES_DAY = 60  # of which no press is one
PLACE_S = 5 * HOUR_S  # water counts for up to this much longer than a day (wakecore.state.PLACE_S)


class Wrong(Exception):
    """A promise that was not kept: its number, and what was found."""

    def __init__(self, rule: str, why: str) -> None:
        super().__init__(f"{rule}: {why}")
        self.rule, self.why = rule, why


@dataclass
class Moment:
    """One wake as it comes about: how, what the probes show, what happens in a pulse."""

    cause: str = "timer"
    slept_s: int = 0  # by the board's clock
    passed_s: int = 0  # really
    vouched: int = 1
    button_ms: int = 0
    soil: int | None = TRUE
    level: int | None = TRUE
    battery: int | None = 3950
    temperature: int | None = 20000
    saucer: int | None = 0
    charger: int | None = 0
    spreads: dict[str, int] = field(default_factory=dict)  # scatter beyond what is allowed
    tank_ml: int | None = None  # somebody fills or empties it to this
    lost_ml: int = 0
    stores: list[int] = field(default_factory=list)
    run: dict[str, Any] = field(default_factory=dict)
    more: dict[str, Any] = field(default_factory=dict)  # of `begin`, as a script says it

    def put(self, **values: Any) -> None:
        """Set it in this wake."""
        for name, value in values.items():
            now = getattr(self, name)
            if isinstance(now, dict):
                now.update(value)
            else:
                setattr(self, name, value)


Shape = Callable[["PairWorld", Moment], None]


@dataclass(frozen=True)
class PairCondition:
    """What a pot may meet. touches: what of the world it changes. once: in one wake, of the phase
    that is chosen with it; else for days. probe: which must be fitted.
    """

    shape: Shape
    touches: tuple[str, ...]
    once: bool = False
    probe: str = "soil"
    acts: bool = False  # somebody asks for water or ends a lockout: that may bring some


def _so(**values: Any) -> Shape:
    return lambda world, moment: moment.put(**values)


def _press(held_ms: int) -> Shape:
    def press(world: PairWorld, moment: Moment) -> None:
        early_s = min(moment.passed_s, max(5, moment.passed_s // 3))
        moment.put(cause="button", button_ms=held_ms, slept_s=early_s, passed_s=early_s)

    return press


def _each_day(shape: Shape) -> Shape:
    """Once in each regular sleep, half way."""

    def half(world: PairWorld, moment: Moment) -> None:
        if world.phase == "idle" and not world.pressed:
            shape(world, moment)

    return half


def _reset(cause: str) -> Shape:
    return _so(cause=cause, vouched=0, slept_s=0)


def _alternates(world: PairWorld, moment: Moment) -> None:
    moment.put(level=world.tank_ml + (150, -150)[world.count % 2])


def _radio(came: str) -> Shape:
    def radio(world: PairWorld, moment: Moment) -> None:
        if world.reported:
            moment.more["radio"] = came
            if came == "cut off":
                moment.put(cause="brownout", vouched=0, slept_s=0)

    return radio


def _low_tank(world: PairWorld, moment: Moment) -> None:
    moment.put(tank_ml=0 if world.pot.calibration.float_only else world.reserve_ml)


def _low_level(world: PairWorld, moment: Moment) -> None:
    moment.put(level=0 if world.pot.calibration.float_only else max(0, world.tank_ml - 150))


LOST_FILE = ("default",)
CONDITIONS: dict[str, PairCondition] = {
    "level lost": PairCondition(_so(level=None), ("level",)),
    "level scatters": PairCondition(_so(spreads={"level": 1}), ("level",)),
    "level at reserve": PairCondition(_low_tank, ("level",)),
    "tank low": PairCondition(lambda w, m: m.put(tank_ml=min(w.tank_ml, 200)), ("level",)),
    "one high level": PairCondition(
        lambda w, m: m.put(level=w.tank_ml + 150), ("level",), once=True
    ),
    "one low level": PairCondition(_low_level, ("level",), once=True),
    "level wavers": PairCondition(_alternates, ("level",)),
    "leak": PairCondition(lambda w, m: m.put(lost_ml=40), ("level", "leak")),
    "soil lost": PairCondition(_so(soil=None), ("soil",)),
    "soil scatters": PairCondition(_so(spreads={"soil": 1}), ("soil",)),
    "soil wet": PairCondition(_so(soil=390), ("soil",)),
    "soil dry": PairCondition(lambda w, m: m.put(soil=240 - w.count % 3), ("soil", "answer")),
    "no answer": PairCondition(lambda w, m: w.put(beside=True), ("answer",)),
    "cold": PairCondition(_so(temperature=1000), ("temperature",), probe="temperature"),
    "thermometer lost": PairCondition(_so(temperature=None), ("temperature",), probe="temperature"),
    "saucer wet": PairCondition(_so(saucer=1000), ("saucer",), probe="saucer"),
    "saucer wet once": PairCondition(_so(saucer=1000), ("saucer",), once=True, probe="saucer"),
    "saucer lost": PairCondition(_so(saucer=None), ("saucer",), probe="saucer"),
    "cell low": PairCondition(_so(battery=3550), ("battery",)),
    "cell low once": PairCondition(_so(battery=3550), ("battery",), once=True),
    "cell wants charge": PairCondition(_so(battery=3690), ("battery",)),
    "cell unknown": PairCondition(_so(battery=None), ("battery",)),
    "cell scatters": PairCondition(_so(spreads={"battery": 1}), ("battery",)),
    "charging": PairCondition(_so(charger=1), ("charger",), probe="charger"),
    "charge sense lost": PairCondition(_so(charger=None), ("charger",), probe="charger"),
    "sags": PairCondition(_so(run={"sag_at_ms": 300}), ("run",), once=True),
    "level lost in a pulse": PairCondition(_so(run={"level_lost_at_ms": 300}), ("run",), once=True),
    "cell lost in a pulse": PairCondition(
        _so(run={"battery_lost_at_ms": 300}), ("run",), once=True
    ),
    "wet in a pulse": PairCondition(
        _so(run={"wet_at_ms": 300}), ("run", "saucer"), once=True, probe="saucer"
    ),
    "clock stops in a pulse": PairCondition(_so(run={"clock_stops_at_ms": 300}), ("run",)),
    "runs dry": PairCondition(_so(run={"flow_ul_s": 0}), ("run", "answer")),
    "part fails in a pulse": PairCondition(_so(run={"fault_at_ms": 300}), ("run",), once=True),
    "cut in a pulse": PairCondition(_so(run={"reset_at_ms": 700}), ("run",), once=True),
    "cut in pulses": PairCondition(_so(run={"reset_at_ms": 700}), ("run",)),
    "press": PairCondition(_press(300), ("begin",), once=True),
    "press each day": PairCondition(_each_day(_press(300)), ("begin",)),
    "hold": PairCondition(_press(2500), ("begin",), once=True, acts=True),
    "hold each day": PairCondition(_each_day(_press(2500)), ("begin",), acts=True),
    "button stuck": PairCondition(_each_day(_press(15000)), ("begin",)),
    "reset": PairCondition(_reset("reset"), ("begin",), once=True),
    "power cut": PairCondition(_reset("power"), ("begin",), once=True),
    "nothing vouches": PairCondition(_so(vouched=0), ("begin",), once=True),
    "clock ahead": PairCondition(
        lambda w, m: m.put(slept_s=m.slept_s + 40 * DAY_S), ("begin",), once=True
    ),
    "clock behind": PairCondition(_so(slept_s=0), ("begin",), once=True),
    "no write": PairCondition(_so(stores=[0, 0, 0]), ("store",), once=True),
    "begun not written": PairCondition(_so(stores=[0]), ("store",), once=True),
    "end not written": PairCondition(_so(stores=[1, 0]), ("store",), once=True),
    "slot damaged": PairCondition(_so(more={"state": "previous"}), ("state",), once=True),
    "state lost": PairCondition(_so(more={"state": "lost"}), ("state",), once=True),
    "settings lost": PairCondition(_so(more={"settings": "default"}), ("files",), once=True),
    "limits lost": PairCondition(_so(more={"limits": "default"}), ("files",), once=True),
    "calibration lost": PairCondition(_so(more={"calibration": "default"}), ("files",), once=True),
    "boots unfinished": PairCondition(_so(more={"boots": 3}), ("boots",), once=True),
    "pin file unread": PairCondition(_so(more={"pin": 0}), ("pin",), once=True),
    "radio fails": PairCondition(_radio("failed"), ("radio",)),
    "radio browns out": PairCondition(_radio("cut off"), ("radio", "begin"), once=True),
}


@dataclass(frozen=True)
class Variant:
    """A pot: changes of the bench pot, and how fast its soil dries (ppt a day)."""

    settings: dict[str, Any] = field(default_factory=dict)
    limits: dict[str, Any] = field(default_factory=dict)
    calibration: dict[str, Any] = field(default_factory=dict)
    dries: int = 60
    mains: bool = False


OPTIONAL = ("temperature", "saucer", "current", "charger")
ECHO = {"points": [[500000, 2000], [1500000, 1000], [2500000, 0]], "rails": [100000, 2900000]}
EXACT = {
    name: {**bench_pot.CALIBRATION[name], "spread": 0}
    for name in ("soil", "level", "battery", "temperature", "saucer", "charger")
}
FLOAT = {"points": [[0, 0], [1, 1000]], "rails": [-5, 6], "spread": 0}
VARIANTS = {
    "radio": Variant({"radio_wakes": 3}),
    "mains": Variant({"radio_wakes": 3, "mains": 1}, mains=True),
    "bare": Variant({"radio_wakes": 3}, {}, dict.fromkeys(OPTIONAL)),
    "exact": Variant({"radio_wakes": 2}, {}, {**EXACT, "ul_per_ppt": 0}),
    "echo": Variant({"radio_wakes": 7}, {}, {"level": {**ECHO, "spread": 5000}}),
    "float": Variant(
        {"radio_wakes": 3, "leak_ml_day": 0}, {},
        {"float_only": 1, "level": FLOAT, "tolerance_ml": 0},
    ),
    "upkeep": Variant({"radio_wakes": 3, "upkeep_ml": 30}, {}, {}),
    "provisional": Variant({"radio_wakes": 3, "upkeep_ml": 30}, {}, {"stage": 1}),
    "thirsty": Variant(
        {"radio_wakes": 6, "wake_s": 4 * HOUR_S, "settle_s": 4 * HOUR_S},
        {"day_ml": 150}, {}, dries=90,
    ),
}  # fmt: skip


@cache
def lines(name: str) -> dict[str, str]:
    """The three stored lines of a variant."""
    made = VARIANTS[name]
    calibration = {**bench_pot.CALIBRATION, **made.calibration}
    compiled = pot_folder.compile_files(
        {**bench_pot.SETTINGS, **made.settings},
        {**bench_pot.LIMITS, **made.limits},
        {key: value for key, value in calibration.items() if value is not None},
    )
    return {kind: data.decode() for kind, data in compiled.items()}


@dataclass(frozen=True)
class Spell:
    """A condition and when: from and to (true seconds); for one wake, of which phase."""

    name: str
    begin_s: int
    end_s: int
    phase: str = "idle"

    def holds(self, at_s: int) -> bool:
        """Is the condition there at that time?"""
        return self.begin_s <= at_s < self.end_s

    def __str__(self) -> str:
        once = f" in a wake of {self.phase}" if CONDITIONS[self.name].once else ""
        return f"{self.name}{once} from hour {self.begin_s // HOUR_S} to {self.end_s // HOUR_S}"


class PairWorld:
    """A pot that dries, pumps and sleeps, its owner, and what is wrong with it."""

    def __init__(self, variant: str, spells: tuple[Spell, ...]) -> None:
        self.variant, self.spells = VARIANTS[variant], spells
        self.lines = lines(variant)
        self.pot = mock.load_pot(self.lines)
        settings, limits = self.pot.settings, self.pot.limits
        self.reserve_ml = max(settings.reserve_ml, limits.reserve_ml)
        self.full_ml = 1000
        self.count: int = 0
        self.t_s = self.sleep_s = 0
        self.soil_ppt = 300.0
        self.tank_ml: int = self.full_ml
        self.tank_before_ml: int = self.full_ml
        self.soil_before_ppt = self.soil_ppt
        self.beside = self.reported = self.pressed = False
        self.phase = "idle"
        self.done: set[Spell] = set()
        self.active: tuple[Spell, ...] = ()
        self.lockouts: list[str] = []
        self.needs: list[str] = []
        self.visits = 0
        self.moment = Moment()
        self.noted: dict[str, Any] = {}  # what came of a report, until a wake has it on record

    def put(self, **values: Any) -> None:
        """Set it for as long as the condition lasts."""
        for name, value in values.items():
            setattr(self, name, value)

    def wakes(self) -> Iterator[dict[str, Any]]:
        """What a script says of each wake, made as it comes."""
        while self.t_s < DAYS * DAY_S:
            yield self.wake()
            self.count += 1

    def wake(self) -> dict[str, Any]:
        """The next wake. `moment` tells what was so."""
        moment = Moment(slept_s=self.sleep_s, passed_s=self.sleep_s)
        if not self.sleep_s:  # the first, or after a reset in a pulse
            moment.put(cause="brownout" if self.count else "power", vouched=0)
        if self.variant.mains:
            moment.charger = 1
        self.beside = False
        self.active = tuple(spell for spell in self.spells if self.is_on(spell))
        for spell in self.active:
            CONDITIONS[spell.name].shape(self, moment)
            if CONDITIONS[spell.name].once:
                self.done.add(spell)
        self.visit(moment)
        moment.more = {**self.noted, **moment.more}
        self.moment = moment
        self.t_s += moment.passed_s
        dry_ppt = DRY_PPT + self.count % 3  # no two readings of a live probe are the same for long
        self.soil_ppt = max(dry_ppt, self.soil_ppt - self.variant.dries * moment.passed_s / DAY_S)
        if moment.tank_ml is not None:
            self.tank_ml = moment.tank_ml
        self.tank_ml = self.tank_before_ml = max(0, self.tank_ml - moment.lost_ml)
        self.soil_before_ppt = self.soil_ppt
        return self.script(moment)

    def is_on(self, spell: Spell) -> bool:
        """Does it happen in the coming wake?"""
        if not spell.holds(self.t_s + self.sleep_s) or not self.count:
            return False
        return not CONDITIONS[spell.name].once or (
            spell not in self.done and spell.phase == self.phase
        )

    def visit(self, moment: Moment) -> None:
        """The owner fills the tank, charges the cell and ends what is locked out; the maker with
        the cable ends what only the cable ends. Where a press did not help and water by hand is
        asked for, the owner comes with a can: the soil has to be seen to get wetter first (R18)."""
        now_s = self.t_s + self.sleep_s
        if self.tank_ml < 300 and not BEGIN_S <= now_s < VISIT_S and self.phase == "idle":
            moment.put(tank_ml=self.full_ml)
        due = now_s >= VISIT_S + self.visits * DAY_S
        if not due or self.visits >= VISITS or self.phase != "idle":
            return
        self.visits += 1
        if self.visits > 1 and "no response" in self.lockouts and "water by hand" in self.needs:
            self.soil_ppt += CAN_PPT
        moment.put(tank_ml=self.full_ml, battery=4150)
        bits = sum(rules.BITS[name] for name in self.lockouts)
        if bits & rules.CABLE_BITS or (bits and "see to the pot" in self.needs):
            moment.put(more={"host": [f"clear {name}" for name in self.lockouts]})
        elif bits:
            early_s = moment.passed_s // 2
            moment.put(cause="button", button_ms=2500, slept_s=early_s, passed_s=early_s)

    def script(self, moment: Moment) -> dict[str, Any]:
        """The wake in a script's words."""
        cal: Any = self.pot.calibration
        shown = {
            "soil": int(self.soil_ppt) if moment.soil == TRUE else moment.soil,
            "battery": moment.battery,
            "temperature": moment.temperature,
            "saucer": moment.saucer,
            "charger": moment.charger,
        }
        counts: dict[str, Any] = {}
        for name, value in shown.items():
            probe = getattr(cal, name)
            if probe is not None:
                spread = probe.spread + 1 if name in moment.spreads else min(1, probe.spread)
                counts[name] = None if value is None else [counts_at(probe.points, value), spread]
        wake: dict[str, Any] = {
            "cause": moment.cause, "slept_s": moment.slept_s, "passed_s": moment.passed_s,
            "vouched": moment.vouched, "button_ms": moment.button_ms, "counts": counts,
            "run": moment.run, "stores": moment.stores, "level_ml": self.tank_ml, **moment.more,
        }  # fmt: skip
        if "level" in moment.spreads:
            wake["level_spread"] = cal.level.spread + 1
        if moment.level is None:
            counts["level"] = None
        elif moment.level != TRUE:
            counts["level"] = [counts_at(cal.level.points, moment.level), 0]
        return wake

    def take(self, out: dict[str, Any]) -> None:
        """What came of the wake."""
        self.tank_ml = out["level_ml"]
        if not self.beside:
            self.soil_ppt = min(480.0, self.soil_ppt + out["pumped_ul"] / 1000)
        record = out["record"]
        self.pressed = self.moment.cause == "button"
        came = self.moment.more.get("radio", "heard" if self.reported else "none")
        self.noted = {}
        if record is None:
            self.sleep_s, self.phase, self.noted = 0, "idle", {"radio": came}
            return
        self.reported = "report" in out["events"]
        self.sleep_s = int(record["commands"][-1].split()[1])
        self.phase = PHASE_OF.get(self.sleep_s, "idle")
        self.lockouts, self.needs = record["lockouts"], record["needs"]


class PairJudge:
    """Looks at each wake of a world as it comes, by what was promised."""

    def __init__(self, world: PairWorld) -> None:
        self.world = world
        self.settings, self.limits = world.pot.settings, world.pot.limits
        self.cal = world.pot.calibration
        self.refill_ppt = refill_ppt(self.settings, self.cal)
        self.floor_mv = max(self.settings.battery_mv, self.limits.rest_mv)
        self.radio_mv = max(self.limits.radio_mv, self.floor_mv)
        self.window_s = DAY_S * (1000 + self.limits.clock_ppt) // 1000 + PLACE_S
        self.pumped: list[tuple[int, int, int]] = []  # when, really (ul), as counted (ml)
        self.unsure_s = -10 * DAY_S  # when a record last could not tell what was pumped
        self.last: dict[str, Any] = {}  # the record before
        self.told_s: dict[str, int] = {}  # when a need was last told by radio
        self.shown_s: dict[str, int] = {}  # and when it first stood in a record
        self.regular = 0  # regular wakes since the last report
        # And those with the level in doubt: each is put off, until so many doubts followed one
        # another that it comes all the same. Which of them that is, the judge does not say
        self.doubtful = 0
        self.vain = 0  # reports that nobody heard, in a row
        self.presses: list[int] = []
        self.wakes: list[int] = []
        self.thirst = self.dry_wakes = self.dry_s = 0
        self.unknown_told = 0
        self.forgot_s, self.reported_s = -1, 0

    def see(self, out: dict[str, Any]) -> None:
        """One wake. Raises Wrong."""
        world, events = self.world, out["events"]
        now_s, moment, record = world.t_s, world.moment, out["record"]
        self.order(events, record)
        if "on" in events:
            self.forbidden(record)
        counted_ml = record["water"].get("counted_ml", 0) if record else 0
        self.account(out, record, counted_ml)
        if moment.cause == "button":
            self.presses = [*(s for s in self.presses if s > now_s - DAY_S), now_s]
        else:
            self.wakes = [*(s for s in self.wakes if s > now_s - DAY_S), now_s]
            if (
                len(self.wakes)
                > MOST_WAKES_DAY * DAY_S // self.settings.wake_s // 1 + MOST_WAKES_DAY
            ):
                raise Wrong("R13", f"{len(self.wakes)} wakes in a day, without a press")
        if record is None:
            return
        self.endings(record)
        regular = self.is_regular(record)
        self.regular += regular
        in_doubt = not regular and self.is_timed(record)
        self.doubtful += in_doubt
        self.radio(events, record, regular or in_doubt)
        self.thirsty(events, record, regular)
        for need in record["needs"]:
            self.shown_s.setdefault(need, now_s)
        self.last = record

    def is_regular(self, record: dict[str, Any]) -> bool:
        """Did the timer end a sleep in which nothing was under way, and no level in doubt?"""
        return self.is_timed(record) and record["permissives"]["steady"] == 1

    def is_timed(self, record: dict[str, Any]) -> bool:
        """Did the timer end a sleep in which nothing was under way?"""
        idle = record["plan"]["phase"] == "idle" and record["begin"]["cause"] == "timer"
        return bool(idle and self.world.count)

    def order(self, events: list[str], record: dict[str, Any] | None) -> None:
        """R1, R9, R13: off first and last, begun stored before on, the report after all else."""
        wanted = ["off", "rest", "read", "close", "store", "log", "report", "sleep"]
        if "on" in events:
            at = events.index("on")
            if events[at - 1] != "store" or events[at + 1 : at + 2] not in (["off"], ["reset"]):
                raise Wrong("R9", f"the pump in {' '.join(events)}")
        plain = [one.replace("store failed", "store") for one in events]
        if events[0] != "off" or plain[:3] != wanted[:3]:
            raise Wrong("R1", f"a wake that begins {' '.join(events[:3])}")
        if record is None:
            if events[-1] != "reset":
                raise Wrong("R13", f"a wake without a record: {' '.join(events)}")
            return
        tail = wanted[3:] if "report" in events else [*wanted[3:6], "sleep"]
        if plain[-len(tail) :] != tail or plain.count("log") != 1 or plain.count("report") > 1:
            raise Wrong("R13", f"a wake that ends {' '.join(events)}")
        asked = [one.split()[0] for one in record["commands"]]
        if [one.replace("run", "on") for one in asked if one not in ("read", "off")] != [
            one for one in plain if one not in ("read", "off", "log")
        ]:
            raise Wrong("R13", f"{' '.join(events)}, and the record says {record['commands']}")
        stores = [int(one == "store") for one in events if one.startswith("store")]
        if record["stores"] != stores:
            raise Wrong("R11", f"writes {stores}, and the record says {record['stores']}")

    def forbidden(self, record: dict[str, Any] | None) -> None:
        """R4 to R15: the pump ran; was there a reason not to?"""
        world, moment, cal = self.world, self.world.moment, self.cal
        kind = record["plan"]["kind"] if record else ""
        more = moment.more

        def lost(name: str, value: int | None) -> bool:
            fitted = getattr(cal, name) is not None
            return fitted and (value is None or name in moment.spreads)

        why = ""
        if lost("level", moment.level) or (not cal.float_only and self.tank_ml <= world.reserve_ml):
            why = f"R4 the level is lost, or {self.tank_ml} ml"
        elif lost("battery", moment.battery) or (moment.battery or 0) < self.floor_mv:
            why = f"R5 the cell is at {moment.battery}"
        elif lost("saucer", moment.saucer) or (cal.saucer and moment.saucer):
            why = "R15 the saucer is wet or lost"
        elif lost("soil", moment.soil) and kind in ("set", "depletion"):
            why = "R6 the soil reading is implausible"
        elif (
            kind in ("set", "depletion", "upkeep")
            and cal.temperature is not None
            and (moment.temperature is not None and moment.temperature < self.limits.cold_mc)
        ):
            why = f"R6 cold soil and a dose by {kind}"
        elif moment.cause == "button" and moment.button_ms < 2000:
            why = "R12 a short press"
        elif more.get("boots") or more.get("pin") == 0:
            why = "R1 the pin, or boots that did not end"
        elif "default" in more.values() or more.get("state") == "lost":
            why = "R11 something is lost"
        elif record and cal.stage == 1 and kind != "upkeep":
            why = f"R14 provisional, and a dose by {kind}"
        elif record:
            still = set(self.last.get("lockouts", ())) & set(record["lockouts"])
            # One that ended before this pulse, and that the pulse's own trip latched again
            still -= {LATCHES.get(trip, "") for trip in record["trips"]}
            if still:
                why = f"R9 locked out: {', '.join(still)}"
        if why:
            rule, _, told = why.partition(" ")
            raise Wrong(rule, f"the pump ran although: {told}")

    @property
    def tank_ml(self) -> int:
        """What was in the tank before this wake's pulse."""
        return self.world.tank_before_ml

    def account(self, out: dict[str, Any], record: dict[str, Any] | None, counted_ml: int) -> None:
        """R2, R3: what a pulse is counted as, and what the day is told to be."""
        now_s, ul = self.world.t_s, out["pumped_ul"]
        if out["ran_ms"] > self.limits.pulse_ms + 250:
            raise Wrong("R2", f"ran for {out['ran_ms']} ms")
        if record is None:
            self.unsure_s = now_s
        elif ul > 1000 * counted_ml:
            raise Wrong("R3", f"{ul} ul were pumped, and {counted_ml} ml counted")
        if ul or counted_ml:
            self.pumped.append((now_s, ul, counted_ml))
        day_ul = sum(u for s, u, _ in self.pumped if s > now_s - DAY_S)
        if day_ul > 1000 * self.limits.day_ml:
            raise Wrong("R3", f"{day_ul} ul in 24 hours, allowed {self.limits.day_ml} ml")
        if record is None:
            return
        day_ml, begin = record["water"]["day_ml"], record["begin"]
        unsure = begin["state"] != "good" or "leak" in record["lockouts"] or 0 in record["stores"]
        if (
            unsure
            or (not begin["vouched"])
            or self.world.moment.slept_s < self.world.moment.passed_s
        ):
            self.unsure_s = now_s + (0 in record["stores"]) * self.world.sleep_s
        if 1000 * day_ml < day_ul and begin["state"] == "good":
            raise Wrong("R3", f"{day_ul} ul in 24 hours, and the record says {day_ml} ml")
        if now_s - self.unsure_s > self.window_s:
            most_ml = sum(ml for s, _, ml in self.pumped if s > now_s - self.window_s)
            if day_ml > most_ml:
                raise Wrong("R3", f"the record says {day_ml} ml in a day, counted were {most_ml}")

    def endings(self, record: dict[str, Any]) -> None:
        """R9 to R15: a lockout ends by its own way out only."""
        moment, now = self.world.moment, set(record["lockouts"])
        held = moment.cause == "button" and 2000 <= moment.button_ms < 15000
        cable = "host" in moment.more
        for name in set(self.last.get("lockouts", ())) - now:
            way = next(way for one, _, way in rules.LOCKOUTS if one == name)
            ended = cable or (held and way == rules.BUTTON)
            charged = (
                moment.battery is not None and moment.battery >= self.settings.battery_clear_mv
            )
            ended = ended or (name == "battery low" and charged)
            ended = ended or (name == "dry run" and self.tank_ml >= self.world.full_ml - 100)
            kept = self.last["stores"][-1] and record["begin"]["state"] == "good"
            if kept and not ended:
                raise Wrong("R9", f"the lockout {name} ended by itself")
        phase = record["plan"]["phase"]
        wet = (
            self.cal.saucer is not None
            and moment.saucer
            and record["begin"]["calibration"] == "good"
        )
        if wet and phase != "idle" and "saucer wet" not in now and not held:
            raise Wrong("R15", f"a wet saucer at a {phase} locked nothing out")

    def radio(self, events: list[str], record: dict[str, Any], regular: bool) -> None:
        """R5, R12, R17: who is told, and when."""
        now_s, moment, wakes = self.world.t_s, self.world.moment, self.settings.radio_wakes
        came = record["begin"]["radio"]
        if came in ("failed", "cut off"):
            self.vain += 1
            self.told_s.clear()
        elif came == "heard":
            self.vain = 0
        mv = None if "battery" in moment.spreads else moment.battery
        if record["begin"]["calibration"] != "good":
            mv = None
        bears = mv is not None and mv >= self.radio_mv and "battery low" not in record["lockouts"]
        bears = bears and "default" not in moment.more.values()
        needs = set(record["needs"])
        latched = set(record["lockouts"]) - set(self.last.get("lockouts", ()))
        new = {need for need in needs if now_s - self.told_s.get(need, -DAYS * DAY_S) > 0.9 * DAY_S}
        fresh = {need for need in needs if need not in self.told_s}
        pressed = moment.cause == "button"
        reports = "report" in events
        due = regular and self.regular + self.doubtful >= wakes
        timed = record["plan"]["phase"] == "idle" and record["begin"]["cause"] == "timer"
        lost = record["begin"]["state"] != "good" or 0 in record["stores"]
        if lost or "default" in moment.more.values():
            self.forgot_s = now_s  # what was told and when is not in storage, or not looked at
        knows = self.forgot_s < self.reported_s
        if reports:
            reason = pressed or latched or due or self.vain or fresh
            reason = reason or (new and (timed or new - self.kept()))
            if not reason and knows:
                raise Wrong("R17", f"a report for nothing new: {sorted(needs)}")
            if not bears and mv is None:
                thirsty = "water by hand" in fresh  # told once on any cell (R16)
                self.unknown_told += not latched and not thirsty and knows and not self.vain
                if self.unknown_told > 1:
                    raise Wrong("R5", "the radio again and again on a cell that is not known")
            # An answer to a press puts nothing off
            self.told_s.update(dict.fromkeys(fresh if pressed else needs, now_s))
            self.regular = self.doubtful = 0
            self.reported_s = now_s
        elif bears and not self.vain and self.regular > wakes + (0 if knows else wakes):
            raise Wrong("R17", f"{self.regular} regular wakes without a report")
        elif bears and not self.vain and knows:
            if fresh:
                raise Wrong("R17", f"told to nobody: {', '.join(sorted(fresh))}")
            if latched:
                raise Wrong("R17", f"locked out and told to nobody: {', '.join(sorted(latched))}")
            if pressed and len(self.presses) <= 3:
                raise Wrong("R12", "a press was not answered")
        if mv is not None:
            self.unknown_told = 0

    def kept(self) -> set[str]:
        """Needs of the wake before, which stay."""
        return set(self.last.get("needs", ()))

    def thirsty(self, events: list[str], record: dict[str, Any], regular: bool) -> None:
        """R16: in want of water for some regular wakes, and nobody is asked. And once an owner put
        everything right: does it water again?"""
        world, moment = self.world, self.world.moment
        ppt = int(world.soil_before_ppt) if moment.soil == TRUE else moment.soil
        if "soil" in moment.spreads:
            ppt = None
        wants = ppt is None or ppt <= self.refill_ppt - 2
        cold = self.cal.temperature is not None and moment.temperature != 20000
        if "on" in events or not wants:
            self.thirst = self.dry_wakes = 0
            self.dry_s = world.t_s
        elif regular and not cold and self.cal.stage == 2 and self.settled():
            self.thirst += 1
            self.dry_wakes += world.visits > 0 and not self.awaits_can(record)
        if 0 in record["stores"] or record["begin"]["state"] != "good":
            self.thirst = max(0, self.thirst - 1)  # a wake that was not kept counts for nothing
        if self.thirst >= THIRSTY_WAKES and "water by hand" not in record["needs"]:
            raise Wrong(
                "R16", f"short of water for {self.thirst} regular wakes, and nobody was told"
            )
        if self.dry_wakes > AGAIN_WAKES + world.visits and world.t_s - self.dry_s > AGAIN_S:
            raise Wrong(
                "R16", f"no water for {self.dry_wakes} dry wakes after everything was repaired"
            )

    def awaits_can(self, record: dict[str, Any]) -> bool:
        """Is the owner still to come back with the can that he was asked for? He comes once a day:
        where wakes are hours apart, more than AGAIN_WAKES of them pass until then."""
        often = AGAIN_WAKES * self.settings.wake_s < DAY_S
        silent = "no response" in record["lockouts"] and "water by hand" in record["needs"]
        return often and silent and self.world.visits == 1

    def settled(self) -> bool:
        """Is no dose still to arrive?"""
        last_s = self.pumped[-1][0] if self.pumped else 0
        return self.world.t_s > last_s + self.settings.settle_s + HOUR_S


def usual(variant: str) -> tuple[str, ...]:
    """What that pot always asks for, nothing being wrong: it is not commissioned yet, say."""
    stage = VARIANTS[variant].calibration.get("stage", 2)
    return () if stage == 2 else ("commission the pot", "see why it stays dry", "water by hand")


def play(variant: str, spells: tuple[Spell, ...]) -> list[tuple[tuple[Spell, ...], int, set[str]]]:
    """One life: (what held, microlitres given, needs recorded) of each wake. Raises Wrong."""
    world = PairWorld(variant, spells)
    judge, witness = PairJudge(world), WakeWitness({"pot": world.lines})
    scripts = tee(world.wakes())
    came: list[tuple[tuple[Spell, ...], int, set[str]]] = []
    outputs = mock.play({"pot": world.lines, "wakes": scripts[0]})
    for out, script in zip(outputs, scripts[1], strict=True):
        world.take(out)
        try:
            judge.see(out)
            for rule, wanted, found in witness.see(script, out):
                raise Wrong(rule, f"{wanted}; found: {found}")
        except Wrong as wrong:
            hour = world.t_s // HOUR_S
            raise Wrong(wrong.rule, f"hour {hour}, wake {world.count + 1}: {wrong.why}") from None
        if out["record"]:
            came.append((world.active, out["pumped_ul"], set(out["record"]["needs"])))
    last = judge.last
    what = [*last["lockouts"], *(need for need in last["needs"] if need not in usual(variant))]
    if what:
        raise Wrong(
            "R17", f"everything was repaired weeks ago, and there is still: {', '.join(what)}"
        )
    return came


@cache
def alone(variant: str, name: str) -> tuple[frozenset[str], bool]:
    """(the needs of every wake in which that condition holds, does it forbid water?), as seen when
    nothing else is wrong but that the soil is dry."""
    spell = Spell(name, BEGIN_S, END_S)
    shape = CONDITIONS[name]
    if shape.once or shape.acts:
        return frozenset(), False
    dry = Spell("soil dry", BEGIN_S, END_S)
    beside = () if {*shape.touches} & {*CONDITIONS["soil dry"].touches} else (dry,)
    plain = [needs for held, _, needs in play(variant, (spell,)) if spell in held]
    thirsty = [(ul, needs) for held, ul, needs in play(variant, (spell, *beside)) if spell in held]
    needs = set.intersection(*plain, *(needs for _, needs in thirsty))
    forbids = "run" not in shape.touches and not any(ul for ul, _ in thirsty)
    return frozenset(needs), forbids


def together(variant: str, one: Spell, other: Spell) -> None:
    """Two together. Raises Wrong."""
    came = play(variant, (one, other))
    for spell, beside in ((one, other), (other, one)):
        needs, forbids = alone(variant, spell.name)
        if "files" in CONDITIONS[beside.name].touches:
            continue  # without its calibration a pot has no such probe
        for held, ul, told in came:
            if spell in held and needs - told:
                what = ", ".join(sorted(needs - told))
                raise Wrong("R17", f"not told beside {beside.name}: {what}")
            if spell in held and ul and forbids and not CONDITIONS[beside.name].acts:
                raise Wrong("R9", f"{spell.name} forbids water, and with {beside.name} it is given")


def suits(variant: str, name: str) -> bool:
    """Can that pot meet it?"""
    fitted = {**bench_pot.CALIBRATION, **VARIANTS[variant].calibration}
    return fitted[CONDITIONS[name].probe] is not None


def all_pairs() -> list[tuple[str, str, str]]:
    """(pot, one, other): every two conditions that touch nothing in common, in every pot."""
    return [
        (variant, one, other)
        for variant in VARIANTS
        for one, other in itertools.combinations(CONDITIONS, 2)
        if not {*CONDITIONS[one].touches} & {*CONDITIONS[other].touches}
        and suits(variant, one)
        and suits(variant, other)
    ]


def timed(names: tuple[str, str], pick: random.Random) -> tuple[Spell, Spell]:
    """When both happen: the second begins while the first lasts."""
    begin_s = BEGIN_S + pick.randrange(3 * DAY_S)
    spells = []
    for name in pick.sample(names, 2):
        lasts_s = pick.choice((DAY_S + HOUR_S, 3 * DAY_S, END_S))
        phase = pick.choice(("idle", "idle", "soak", "first look", "second look"))
        spells.append(Spell(name, begin_s, min(END_S, begin_s + lasts_s), phase))
        begin_s += pick.choice((0, 300, HOUR_S, DAY_S))
    return spells[0], spells[1]


@dataclass(frozen=True)
class BrokenPair:
    """A pair that broke a promise. line: names it, for who plays it again."""

    rule: str
    line: str


def seek(
    seed: int, most: int, seconds: float = 1e9, told: Callable[[int], None] | None = None
) -> tuple[int, list[BrokenPair]]:
    """(pairs played, what was broken): so many of all pairs, in an order by the seed."""
    begun, found, played = time.monotonic(), [], 0
    todo = all_pairs()
    random.Random(seed).shuffle(todo)
    for played, (variant, *names) in enumerate(todo[:most], 1):
        one, other = timed((names[0], names[1]), random.Random(f"{seed} {variant} {names}"))
        try:
            together(variant, one, other)
        except Wrong as wrong:
            found.append(BrokenPair(wrong.rule, f"{variant}: {one}; {other}: {wrong}"))
        if told:
            told(played)
        if len(found) >= 3 or time.monotonic() - begun > seconds:
            break
    return played, found
