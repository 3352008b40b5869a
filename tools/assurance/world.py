"""One wake of the search: from a node, by a letter, through the project's driver and the real core.

A node is what lasts from wake to wake: the retained state and what became of it in
storage, the sleep that was really commanded, the tank, and the monitor's memory. Here
belongs what really happens; whether that was allowed is judged in `monitor`.

Readings are as the bench pot's calibration gives them. Water that a pulse moves is on a
grid: a run that something stops early moves none of the tank, though the ledger of the
monitor counts it by the highest flow.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from struct import unpack
from typing import Any, NamedTuple

from assurance.corners import Corner
from assurance.letters import Letter
from wakeboard.driver import drive
from wakecore import fields, rules
from wakecore.run import MS, PLACES, SAMPLE_MS, UNREAD
from wakecore.state import DELIVERIES, HEAD_SIZE, NAMES, State
from wakecore.table import counts_at
from wakewell.portable.mock import Reset

FIRST = 2 * DELIVERIES
COUNT = FIRST + len(NAMES)
UNPACK = f"<{COUNT}i"
AT = {name: FIRST + place for place, name in enumerate(NAMES)}
HARDWARE_MS = 200  # R2: what the pulse hardware may add after the program is gone
TROUBLE_MS = 300  # when in a pulse something happens
Numbers = tuple[int, ...]

COLD_CAUSES = {"cold": "power", "boots": "reset"}
PRESSES = ("touch", "touch late", "held", "held late", "stuck", "chatter")
AFTER_RESET = ("held through", "pin", "cable", "wrong date")
HELD_MS = {"held": 2000, "held late": 14999, "held through": 5000, "stuck": 15000}


class Node(NamedTuple):
    """What lasts from one wake to the next."""

    numbers: Numbers  # the retained state that the next wake begins with
    status: str = "good"  # how storage gave it back
    asleep: bool = False  # False: there was a reset, so the next wake is no timer wake
    slept_s: int = 0  # the sleep really commanded last
    tank_ml: int = 0
    memory: Any = None  # the monitor's


@dataclass(slots=True)
class Happened:
    """One wake as it really was: what the monitor looks at."""

    begin: dict[str, Any]
    tank_ml: int
    first_ml: int | None  # what the gauge shows before any pump, None if not believable
    level_ml: int | None  # what it shows after
    commands: list[str] = field(default_factory=list)
    record: dict[str, Any] | None = None
    sleep: tuple[int, int] | None = None
    pulse_ms: int = 0  # as commanded
    ran_ms: int = 0  # really, at most
    watched_ms: int = 0  # by the program's own samples
    fall_ml: int = 0
    reset: str = ""
    begun: Numbers | None = None  # in storage when the pump started
    stored_open_ms: int = 0
    ended: Numbers | None = None  # the last state that reached storage


def start(corner: Corner) -> Node:
    """Power-up of a new pot: slots were never written, the tank is full."""
    return Node(tuple(State().numbers()), tank_ml=corner.full_ml)


def numbers_of(data: bytes) -> Numbers:
    """The numbers of a stored state that this process wrote."""
    return unpack(UNPACK, data[HEAD_SIZE:-4])


def state_of(numbers: Numbers) -> State:
    """The state of those numbers; its CRC is not looked at in the search."""
    state = State.__new__(State)
    for name, number in zip(NAMES, numbers[FIRST:], strict=True):
        setattr(state, name, number)
    state.ages_s = list(numbers[:DELIVERIES])
    state.mls = list(numbers[DELIVERIES:FIRST])
    state.crc = ""
    return state


class CornerPot:
    """A corner's pot: its readings by letter, and the pots with a file lost."""

    def __init__(self, corner: Corner) -> None:
        self.corner, self.pot = corner, corner.pot
        cal = self.pot.calibration
        self.cal = cal
        settings, limits = self.pot.settings, self.pot.limits
        self.floor_mv = max(settings.battery_mv, limits.rest_mv)
        self.reserve_ml = max(settings.reserve_ml, limits.reserve_ml)
        self.mv = {
            "full": max(3900, 2 * settings.battery_clear_mv - self.floor_mv),
            "charged": settings.battery_clear_mv,
            "nearly": settings.battery_clear_mv - 1,
            "middle": self.floor_mv,
            "low": self.floor_mv - 1,
        }
        self.float_only = cal.float_only
        self.low_ml = 0 if cal.float_only else self.reserve_ml
        self.soil = self.classes("soil", {"dry": (corner.dry_ppt, 1), "wet": (corner.wet_ppt, 1)})
        self.soil["frozen"] = [self.counts("soil", corner.dry_ppt), 0]
        self.battery = self.classes("battery", {name: (mv, 0) for name, mv in self.mv.items()})
        self.level = self.classes("level", {})
        self.others = {
            "temperature": self.classes(
                "temperature", {"warm": (20000, 1), "cold": (limits.cold_mc - 1, 1)}
            ),
            "saucer": self.classes("saucer", {"dry": (0, 1), "wet": (cal.wet_ppt, 1)}),
            "charger": self.classes("charger", {"off": (0, 0), "on": (1, 0)}),
        }
        self.others = {name: found for name, found in self.others.items() if found}
        self.pots = {"good": self.pot}
        for kind in fields.KINDS:
            three = {k: getattr(self.pot, k) for k in fields.KINDS} | {kind: fields.Values(kind)}
            self.pots[kind] = fields.Pot(three["settings"], three["limits"], three["calibration"])
        self.current = {ma: self.counts("current", ma) if cal.current else 0 for ma in (300, 20)}

    def counts(self, name: str, value: int) -> int:
        """Counts at which that probe shows the value."""
        return _counts(getattr(self.cal, name).points, value)

    def classes(self, name: str, good: dict[str, tuple[int, int]]) -> dict[str, Any]:
        """{choice: reading} of a probe, {} where there is none. good: (value, spread) of each."""
        probe = getattr(self.cal, name)
        if probe is None:
            return {}
        width = probe.high - probe.low
        found: dict[str, Any] = {
            choice: [self.counts(name, value), spread] for choice, (value, spread) in good.items()
        }
        found["absent"] = None
        found["low rail"] = [probe.rail_low, 0]
        found["high rail"] = [probe.rail_high, 0]
        found["flicker"] = [(probe.low + probe.high) // 2, probe.spread + 1]
        found["span"] = [probe.high + max(2, width // 20 + 1), 0]
        return found

    def gone(self, tank_ml: int) -> int:
        """What a leak or a siphon leaves."""
        if self.corner.leak_ml:
            return tank_ml - (self.corner.leak_ml if tank_ml > self.corner.leak_ml else 0)
        gone_ml = 0 if self.float_only else self.corner.gone_ml
        return gone_ml if tank_ml >= 2 * gone_ml else 0

    # One wake

    def wake(self, node: Node, letter: Letter) -> Happened | None:
        """What happens. None: that letter cannot follow (a timer wake after a reset)."""
        begin = self.begin(node, letter)
        if begin is None:
            return None
        tank = node.tank_ml
        if letter.level == "filled":
            tank = self.corner.full_ml
        elif letter.level == "gone":
            tank = self.gone(tank)
        elif letter.level == "low":
            tank = self.low_ml
        shown = tank if letter.level in ("left", "filled", "gone", "low") else None
        happened = Happened(begin, tank, shown, shown)
        state = state_of(node.numbers)
        if letter.begin == "chatter":
            state.presses, state.presses_s = 19, 0
        board = LetterBoard(self, letter, happened)
        try:
            drive(board, state, self.pots[letter.files], begin)
        except Reset as reset:
            happened.reset = str(reset)
        return happened

    def begin(self, node: Node, letter: Letter) -> dict[str, Any] | None:
        """What the board knows before any reading."""
        how = letter.begin
        cold = how in COLD_CAUSES
        if (
            not node.asleep
            and not cold
            and how not in ("held through", "pin", "cable", "wrong date")
        ):
            return None
        came = letter.radio if node.numbers[AT["reporting"]] else "none"
        if came == "none" and letter.radio != "heard":
            return None
        cause = "button" if how in PRESSES else COLD_CAUSES.get(how, "timer")
        if came == "cut off":
            if how != "timer":
                return None
            cause = "brownout"
        if not node.asleep and cause == "timer":
            cause = "brownout"
        vouched = cause in ("timer", "button") and how != "unvouched"
        slept_s = node.slept_s
        if how == "unvouched":
            slept_s = 1000 * slept_s  # as wrong as can be: nothing of it may count
        elif not vouched or how in ("behind", "touch", "held", "stuck", "chatter"):
            slept_s = 0
        elif how in ("touch late", "held late"):
            # One step before the timer; a short sleep has none, and one second does for a look
            step_s = self.corner.step_s
            if step_s < 2 * slept_s <= 2 * step_s:
                return None
            slept_s = max(0, slept_s - (step_s if slept_s > step_s else 1))
        elif how == "lie":
            # RTC memory keeps the moment and the state together: a clock can only lie about
            # the sleep that the state knows of
            if node.numbers[AT["sleep_s"]] - slept_s > self.corner.step_s // 2:
                return None
            slept_s = 1000 * slept_s
        return {
            "cause": cause,
            "slept_s": slept_s,
            "vouched": 1 if vouched else 0,
            "boots": 3 if how == "boots" else 0,
            "pin": 0 if how == "pin" else 1,
            "button_ms": HELD_MS.get(how, 300 if cause == "button" else 0),
            "utc": [9999, 0, 1] if how == "wrong date" else [0, 0, 0],
            "host": ALL_CLEAR if how == "cable" else [],
            "state": node.status,
            "settings": "default" if letter.files == "settings" else "good",
            "limits": "default" if letter.files == "limits" else "good",
            "calibration": "default" if letter.files == "calibration" else "good",
            "radio": "none" if came == "never begun" else came,
            "radio_ms": 20000 if came in ("heard", "failed") else 0,
        }


ALL_CLEAR = ["clear " + row[0] for row in rules.LOCKOUTS]


@lru_cache(maxsize=100000)
def _counts(points: Any, value: int) -> int:
    return int(counts_at(points, value))


class LetterBoard:
    """What the driver asks for, by the letter. Decides nothing."""

    __slots__ = (
        "at",
        "bench",
        "flow_ul_s",
        "happened",
        "letter",
        "moved_ul",
        "ran",
        "run",
        "writes",
    )

    def __init__(self, bench: CornerPot, letter: Letter, happened: Happened) -> None:
        self.bench, self.letter, self.happened = bench, letter, happened
        self.at = self.flow_ul_s = 0
        self.ran = False

    def off(self) -> None:
        self.happened.commands.append("off")

    def rest(self) -> Any:
        self.happened.commands.append("rest")
        return self.bench.battery[self.letter.battery]

    def read(self) -> dict[str, Any]:
        bench, letter, happened = self.bench, self.letter, self.happened
        happened.commands.append("read")
        if happened.level_ml is None:
            level = bench.level[letter.level]
        elif self.ran and letter.run == "after lost":
            level = None
        else:
            level = [bench.counts("level", happened.tank_ml), 0]
        found = {"soil": bench.soil[letter.soil], "level": level}
        for name, classes in bench.others.items():
            found[name] = classes[getattr(letter, name)]
        return found

    def store(self, data: bytes) -> bool:
        happened, how = self.happened, self.letter.store
        numbers = numbers_of(data)
        begun = numbers[AT["open_ms"]] > 0
        lost = how == "both lost" or how == ("begun lost" if begun else "end lost")
        if not lost:
            happened.ended = numbers
            if begun:
                happened.begun = numbers
        good = not lost and not (begun and how == "begun landed")
        happened.commands.append("store" if good else "store failed")
        return good

    def arm(self, run: Any) -> None:
        self.run = run
        flow = self.bench.cal.flow_ul_s
        how = self.letter.run
        if how == "slow":
            flow //= 30  # so that no two readings of such a run differ by more than scatter
        elif how == "fast fall":
            flow *= 10
        elif how not in ("flows", "after lost", "cut late"):
            flow = 0
        self.flow_ul_s = flow

    def start(self) -> None:
        happened = self.happened
        happened.commands.append("on")
        happened.pulse_ms = self.run.pulse_ms
        self.ran = True
        if happened.ended is not None:
            happened.stored_open_ms = happened.ended[AT["open_ms"]]

    def sample(self, run: Any) -> None:
        bench, letter, happened = self.bench, self.letter, self.happened
        how = letter.run
        self.at += 1
        ms = min(self.at * SAMPLE_MS, run.pulse_ms + 50)
        happened.watched_ms = ms
        trouble = ms >= TROUBLE_MS
        if (how == "cut early" and trouble) or (how == "cut late" and ms >= run.pulse_ms):
            self.book(min(ms, run.pulse_ms), HARDWARE_MS)
            raise Reset("brownout")
        if how == "hang" and trouble:
            happened.watched_ms = run.pulse_ms
            self.book(run.pulse_ms, HARDWARE_MS)
            raise Reset("watchdog")
        if how == "fault" and trouble:
            raise OSError(5)
        if how == "memory" and trouble:
            raise MemoryError
        now = run.now
        now[MS] = TROUBLE_MS if how == "clock stops" and trouble else ms
        gone_ml = ms * self.flow_ul_s // 1000000
        level = bench.counts("level", max(0, happened.tank_ml - gone_ml))
        now[PLACES["level"]] = UNREAD if how == "level lost" and trouble else level
        mv = bench.mv[letter.battery] - 200 if letter.battery in bench.mv else 0
        if how == "sag" and trouble:
            mv = bench.pot.limits.sag_mv - 1
        now[PLACES["battery"]] = (
            UNREAD if how == "battery lost" and trouble else bench.counts("battery", mv)
        )
        if bench.cal.current is not None:
            lost = how == "current lost" and trouble
            now[PLACES["current"]] = UNREAD if lost else bench.current[20 if how == "dry" else 300]
        if bench.cal.saucer is not None:
            wet = how == "wet" and trouble
            found = bench.others["saucer"]["wet" if wet else letter.saucer]
            now[PLACES["saucer"]] = UNREAD if how == "saucer lost" and trouble else found[0]

    def book(self, ms: int, more_ms: int) -> None:
        """The pump is off: what it moved."""
        happened = self.happened
        happened.ran_ms = ms + more_ms
        moved_ms = max(ms, happened.watched_ms)
        left_ml = max(0, happened.tank_ml - moved_ms * self.flow_ul_s // 1000000)
        if self.letter.run == "slow" or self.bench.float_only:
            left_ml = happened.tank_ml
        if self.letter.run == "fast fall":
            left_ml = self.bench.gone(happened.tank_ml)
        happened.fall_ml = happened.tank_ml - left_ml
        happened.tank_ml = left_ml
        if happened.level_ml is not None:
            happened.level_ml = happened.tank_ml

    def stop(self) -> int:
        happened = self.happened
        if happened.commands[-1] == "on":
            happened.commands.append("off")
            if not happened.ran_ms:
                self.book(happened.watched_ms, 0)
        return happened.watched_ms

    def close(self) -> int:
        self.happened.commands.append("close")
        return 2000

    def log(self, record: dict[str, Any]) -> None:
        self.happened.record = record

    def report(self, _: int) -> None:
        self.happened.commands.append("report")

    def sleep(self, sleep_s: int, button: int) -> None:
        self.happened.commands.append("sleep")
        self.happened.sleep = (sleep_s, button)
