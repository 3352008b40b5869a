"""A small world around the core: real time, a real tank, real slots, and what can go wrong.

It carries the core's commands out through the project's own driver and keeps the truth: when the
pump really ran, what it moved, what really passed while the board slept. It shares nothing with the
mock board, so that a mistake in one shows as a difference between the two. What must hold of it all
is in `core_oracles`.

A wake is a list of mischiefs, each (name, value...). `MISCHIEF` says what each means.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from fractions import Fraction
from types import ModuleType
from typing import Any

import core_pots
from hypothesis import strategies as st

from wakeboard import driver
from wakecore import fields, rules
from wakecore import state as core_state
from wakecore.run import MS, PLACES, UNREAD

LASTING = ("soil", "battery", "temperature", "saucer", "charger", "drift", "thirst", "answer")
SAMPLE_MS = 150  # the board's own numbers, from the requirement R2: a hardware pulse of
HARDWARE_MS = 200  # at most 200 ms, renewed before it ends
DAY_MS = 86400 * 1000

MISCHIEF = """
    soil ppt            from now on                 soil_bad word       in this wake
    battery mv          from now on                 battery_bad word    in this wake
    temperature mc      from now on                 temperature_bad word
    saucer ppt          from now on                 saucer_bad word
    charger 0|1|None    from now on                 level_bad word
    thirst ppt          a day, from now on  answer ul           for one ppt, from now on; 0: none
    fill ml             into the tank               loss ml             out of it, pump off
    flow ppt            of the highest flow, from now on
    drift ppt           of the oscillator's stated error, -1000..1000, from now on
    button held_ms ppt  ends the sleep when that part of it has passed
    reset ppt           a reset in the sleep        power s             the cell was out that long
    held held_ms        the button is held while the timer wakes
    lie times           the claimed sleep is that many times the true one
    store n how         the n-th write of this wake is lost, torn, or lands and reads back wrong
    damage slot byte bit    in storage, before the wake
    pump what at_ms     cut, hang, stuck (clock), fault, memory, dry, wet, sag, level, battery
    file kind           the file is damaged in this wake
    host action         what a person did by cable
    boots n, pin 0, utc day
"""


class Cut(BaseException):
    """The chip resets: nothing after this line of the program runs."""


@dataclass
class Start:
    """One run of the pump as it really was."""

    begin_ms: int  # of real time
    commanded_ms: int
    end_ms: int = 0
    moved_ul: int = 0
    flow_ul_s: int = 0
    tank_ml: Fraction = Fraction(0)
    stored_open_ms: int = 0  # what storage said when the pump started
    cut: bool = False  # the wake did not survive it
    stuck: bool = False  # the board's count of milliseconds stood still


@dataclass
class Outcome:
    """One wake as it really was."""

    mischief: list[tuple[Any, ...]]
    begin: dict[str, Any]
    readings: dict[str, Any]
    truth: dict[str, Any]
    commands: list[str] = field(default_factory=list)
    start: Start | None = None
    record: dict[str, Any] | None = None
    sleep: tuple[int, int] | None = None
    real_ms: int = 0  # when the wake began
    rolled_back: bool = False  # storage lost what the wake before had decided
    stored: bool = False  # the last state of this wake is in storage

    def did(self, name: str) -> Any:
        """The mischief of that name in this wake, or None."""
        return next((m for m in self.mischief if m[0] == name), None)


def exact(points: Any, counts: int) -> Any:
    """The calibrated quantity, without rounding; beyond the table the end value."""
    if counts <= points[0][0]:
        return Fraction(points[0][1])
    for (low, low_value), (high, high_value) in core_pots.pairs(points):
        if counts <= high:
            return low_value + Fraction((counts - low) * (high_value - low_value), high - low)
    return Fraction(points[-1][1])


def counts_for(points: Any, value: float | Fraction) -> Any:
    """Counts at which the probe shows that quantity, to the nearest count."""
    rising = points[-1][1] > points[0][1]
    for (low, low_value), (high, high_value) in core_pots.pairs(points):
        least, most = sorted((low_value, high_value))
        if least <= value <= most:
            above = value - low_value
            exactly = Fraction(above) if isinstance(above, float) else above
            return low + round(Fraction(exactly * (high - low), high_value - low_value))
    return points[-1 if (value > points[-1][1]) == rising else 0][0]


class World:
    """A pot on a bench. `modules` may name another copy of the core (see `small_ints`)."""

    def __init__(self, pot: fields.Pot, drive: Any = driver.drive, state: ModuleType = core_state):
        self.pot, self.drive, self.state = pot, drive, state
        self.slots: list[bytes | None] = [state.State().to_bytes(), None]
        self.next_slot = 1
        self.real_ms = 0
        self.cause, self.slept_s, self.commanded_s = "power", 0, 0
        self.soil: Any = 180
        self.battery, self.temperature, self.saucer = 4000, 20000, 0
        self.charger: int | None = 0
        self.thirst, self.answer = 600, 1000
        self.tank_ul, self.flow_ppt, self.drift = 700000, 1000, 0
        self.last_soil: Any = None
        self.last_given: bytes | None = self.slots[0]
        self.history: list[Outcome] = []
        self.button = 1
        self.wakes = 0

    # Before a wake

    def live(self, wakes: list[list[tuple[Any, ...]]]) -> list[Outcome]:
        """Play wake after wake; what happened."""
        for mischief in wakes:
            self.one(mischief)
        return self.history

    def one(self, mischief: list[tuple[Any, ...]]) -> Outcome:
        """One sleep and the wake after it."""
        self.did = {m[0]: m for m in mischief}
        begin = self.end_of_sleep()
        for name, value, *_ in mischief:
            if name in LASTING:
                setattr(self, name, value)
            elif name == "flow":
                self.flow_ppt = value
            elif name == "fill":
                self.tank_ul = min(1000000, self.tank_ul + value * 1000)
            elif name == "loss":
                self.tank_ul = max(0, self.tank_ul - value * 1000)
            elif name in ("boots", "pin"):
                begin[name] = value
            elif name == "utc":
                begin["utc"] = [value, 5, 1]
            elif name == "host":
                everything = ["clear " + row[0] for row in rules.LOCKOUTS]
                begin["host"] = everything if value == "clear all" else [value]
        for m in mischief:
            if m[0] == "damage":
                self.damage(m[1], m[2], m[3])
        state, begin["state"] = self.load()
        pot = self.pot
        if "file" in self.did:
            kind = self.did["file"][1]
            begin[kind] = "default"
            found = {k: getattr(pot, k) for k in fields.KINDS} | {kind: fields.Values(kind)}
            pot = fields.Pot(found["settings"], found["limits"], found["calibration"])
        self.wakes += 1
        readings = self.readings()
        truth = {"tank_ml": Fraction(self.tank_ul, 1000), "phase": state.phase}
        self.now = Outcome(mischief, begin, readings, truth, real_ms=self.real_ms)
        self.now.rolled_back = state.crc != f"{crc_of(self.last_given):08x}"
        self.writes, self.last_store = 0, False
        self.history.append(self.now)
        try:
            self.drive(self, state, pot, begin)
        except Cut as cut:
            self.cause, self.slept_s = str(cut), 0
            self.now.commands.append("cut")
        self.now.stored = self.last_store
        self.real_ms += 2000
        return self.now

    def end_of_sleep(self) -> dict[str, Any]:
        """Let real time pass; what the board knows when it wakes."""
        cause, part, held_ms = self.cause, 1000, 0
        if "power" in self.did:
            cause, self.real_ms = "power", self.real_ms + self.did["power"][1] * 1000
            part = 0
        elif self.commanded_s and "reset" in self.did:
            cause, part = "reset", self.did["reset"][1]
        elif self.commanded_s and self.button and "button" in self.did:
            cause, held_ms, part = "button", self.did["button"][1], self.did["button"][2]
        elif "held" in self.did:
            held_ms = self.did["held"][1]
        measured_s = self.commanded_s * part // 1000
        # The oscillator's error: real time is shorter or longer than what it measured
        error = Fraction(self.drift * self.pot.limits.clock_ppt, 1000000)
        passed_ms = int(measured_s * 1000 / (1 + error))
        self.real_ms += passed_ms
        self.soil = max(60, self.soil - Fraction(self.thirst * passed_ms, DAY_MS))
        self.slept_s = measured_s
        vouched = cause in ("timer", "button")
        claimed_s = measured_s
        believable = self.history and self.history[-1].stored and "damage" not in self.did
        if "lie" in self.did and cause == "timer" and believable:
            claimed_s = measured_s * self.did["lie"][1]
        return {
            "cause": cause,
            "slept_s": claimed_s if vouched else 0,
            "vouched": 1 if vouched else 0,
            "boots": 0,
            "pin": 1,
            "button_ms": held_ms,
            "utc": [0, 0, 0],
            "host": [],
            "state": "good",
            "settings": "good",
            "limits": "good",
            "calibration": "good",
            "radio": "none",
            "radio_ms": 0,
        }

    def damage(self, slot: int, byte: int, bit: int) -> None:
        """One bit of a slot changes."""
        data = self.slots[slot]
        if data:
            at = byte % len(data)
            self.slots[slot] = data[:at] + bytes([data[at] ^ 1 << bit]) + data[at + 1 :]

    def load(self) -> tuple[Any, str]:
        """What storage gives back: the newest whole slot."""
        found = []
        status = "good"
        for slot, data in enumerate(self.slots):
            state = self.state.from_bytes(data) if data is not None else None
            if state is not None:
                found.append((state.seq, slot, state))
            elif data is not None:
                status, self.slots[slot] = "previous", None
        if not found:
            self.next_slot, lost = 0, self.state.State()
            lost.to_bytes()
            return lost, "lost"
        seq, slot, state = max(found, key=lambda row: row[0])
        if len(found) < 2 and seq > 1:
            status = "previous"
        self.next_slot = 1 - slot
        return state, status

    def readings(self) -> dict[str, Any]:
        """What every fitted probe shows now."""
        cal = self.pot.calibration
        shown = {
            "soil": self.soil,
            "level": Fraction(self.tank_ul, 1000),
            "battery": self.battery,
            "temperature": self.temperature,
            "saucer": self.saucer,
            "charger": self.charger,
            "current": 0,
        }
        found: dict[str, Any] = {}
        for name, value in shown.items():
            probe = getattr(cal, name)
            if probe is None:
                continue
            counts = None if value is None else counts_for(probe.points, value)
            found[name] = None if counts is None else [counts, 0 if name == "charger" else 1]
            if name == "soil" and counts is not None:
                # No real probe shows the same counts twice
                found[name] = [counts + self.wakes % 7, 1]
            bad = self.did.get(name + "_bad")
            if bad and found[name]:
                found[name] = self.bad(probe, bad[1], found[name])
        if found.get("soil"):
            self.last_soil = found["soil"]
        return found

    def bad(self, probe: Any, word: str, good: list[int]) -> list[int] | None:
        """A reading that nobody should believe."""
        if word == "low rail":
            return [probe.rail_low, 0]
        if word == "high rail":
            return [probe.rail_high + 7, 0]
        if word == "flicker":
            return [good[0], probe.spread + 1]
        if word == "span":
            return [probe.high + (probe.high - probe.low) // 10, 0]
        if word == "frozen" and self.last_soil:
            return [self.last_soil[0], 0]
        return None

    # What the driver asks of a board

    def off(self) -> None:
        self.now.commands.append("off")

    def rest(self) -> Any:
        self.now.commands.append("rest")
        return self.now.readings.get("battery")

    def read(self) -> dict[str, Any]:
        self.now.commands.append("read")
        found = self.readings() if self.now.start else dict(self.now.readings)
        found.pop("battery", None)
        found.pop("current", None)
        return found

    def store(self, data: bytes) -> bool:
        how = "good"
        for m in self.now.mischief:
            if m[0] == "store" and m[1] == self.writes:
                how = m[2]
        self.writes += 1
        self.last_given = data
        if how != "lost":
            self.slots[self.next_slot] = data[: len(data) // 2] if how == "torn" else data
        self.last_store = how == "good"
        if self.last_store:
            self.next_slot = 1 - self.next_slot
        self.now.commands.append("store" if self.last_store else "store failed")
        return self.last_store

    def arm(self, run: Any) -> None:
        self.run, self.ran_ms, self.renewed_ms = run, 0, 0
        self.flow_ul_s = self.pot.limits.flow_max_ul_s * self.flow_ppt // 1000
        if self.pump("dry"):
            self.flow_ul_s = 0

    def pump(self, what: str) -> int | None:
        """When that happens in this wake's pulse, in milliseconds, or None."""
        return next((m[2] for m in self.now.mischief if m[:2] == ("pump", what)), None)

    def start(self) -> None:
        self.now.commands.append("on")
        stored = self.state.from_bytes(self.slots[1 - self.next_slot])
        self.now.start = Start(
            self.real_ms,
            self.run.pulse_ms,
            tank_ml=Fraction(self.tank_ul, 1000),
            stored_open_ms=stored.open_ms if stored else 0,
            flow_ul_s=self.flow_ul_s,
            stuck=self.pump("stuck") is not None,
        )

    def sample(self, run: Any) -> None:
        """The next sample, 150 ms on, if nothing happens before it."""
        next_ms = self.renewed_ms + SAMPLE_MS
        for what, cause in (("cut", "brownout"), ("hang", "watchdog")):
            at_ms = self.pump(what)
            if at_ms is not None and at_ms <= next_ms:
                # A brown-out drops the pin; a hang leaves the last hardware pulse to run out
                self.ran_ms = at_ms if what == "cut" else self.renewed_ms + HARDWARE_MS
                self.book().cut = True
                raise Cut(cause)
        for what, error in (("fault", OSError(5)), ("memory", MemoryError())):
            at_ms = self.pump(what)
            if at_ms is not None and at_ms <= next_ms:
                self.ran_ms = next_ms
                raise error
        self.renewed_ms = self.ran_ms = next_ms
        cal, now = self.pot.calibration, run.now
        stuck = self.pump("stuck")
        now[MS] = next_ms if stuck is None else min(next_ms, stuck)
        gone_ul = next_ms * self.flow_ul_s // 1000
        level = max(Fraction(0), Fraction(self.tank_ul - gone_ul, 1000))
        now[PLACES["level"]] = self.channel("level", cal.level, level, next_ms)
        sagging = self.pump("sag")
        mv = self.battery - 100
        if sagging is not None and sagging <= next_ms:
            mv = self.pot.limits.sag_mv - 100
        now[PLACES["battery"]] = self.channel("battery", cal.battery, mv, next_ms)
        if cal.current is not None:
            now[PLACES["current"]] = counts_for(cal.current.points, 300 if self.flow_ul_s else 20)
        if cal.saucer is not None:
            wet = self.pump("wet")
            now[PLACES["saucer"]] = counts_for(
                cal.saucer.points, 1000 if wet is not None and wet <= next_ms else self.saucer
            )

    def channel(self, name: str, probe: Any, value: Any, now_ms: int) -> int:
        """Counts of a probe while the pump runs, or that it does not answer."""
        lost = self.pump(name)
        if lost is not None and lost <= now_ms:
            return UNREAD
        return counts_for(probe.points, value)

    def stop(self) -> int:
        if self.now.start and not self.now.start.end_ms:
            self.now.commands.append("off")
            self.book()
        stuck = self.pump("stuck")
        return self.ran_ms if stuck is None else min(self.ran_ms, stuck)

    def book(self) -> Start:
        """The pump is off: book what it really did."""
        start = self.now.start
        assert start is not None
        self.real_ms += self.ran_ms
        start.end_ms = self.real_ms
        start.moved_ul = min(self.ran_ms * self.flow_ul_s // 1000, self.tank_ul)
        self.tank_ul -= start.moved_ul
        if self.answer:
            self.soil = min(480, self.soil + Fraction(start.moved_ul, self.answer))
        return start

    def close(self) -> int:
        self.now.commands.append("close")
        return 2000 + (self.now.start.end_ms - self.now.start.begin_ms if self.now.start else 0)

    def log(self, record: dict[str, Any]) -> None:
        self.now.record = record

    def report(self, n: int) -> None:
        self.now.commands.append("report")

    def sleep(self, sleep_s: int, button: int) -> None:
        self.now.commands.append("sleep")
        self.now.sleep = (sleep_s, button)
        self.commanded_s, self.cause, self.button = sleep_s, "timer", button


def crc_of(data: bytes | None) -> int:
    """The CRC at the end of a stored state."""
    return int.from_bytes(data[-4:], "little") if data else 0


# What a wake may bring, by subject: (name, value...), where a pair (least, most) stands for a
# whole number between them and a list for one of its members

BAD = ["absent", "low rail", "high rail", "flicker", "span"]
AT_MS = [0, 150, 300, 450, 900, 2000, 4000]
CARE = [("fill", (300, 900)), ("fill", (300, 900)), ("held", [5000]), ("host", ["clear all"])]
SUBJECTS: dict[str, list[tuple[Any, ...]]] = {
    "soil": [
        ("soil", (60, 480)),
        ("soil_bad", [*BAD, "frozen"]),
        ("thirst", (0, 3000)),
        ("answer", [1000, 0, 100, 30000]),
        ("temperature", (-10000, 30000)),
        ("temperature_bad", BAD),
    ],
    "thirst": [
        ("soil", [100]),
        ("answer", [30000, 0]),
        ("fill", [900]),
        ("flow", [1000]),
        ("drift", [-1000, 1000]),
    ],
    "battery": [
        ("battery", (2850, 4350)),
        ("battery_bad", BAD),
        ("charger", [0, 1, None]),
        ("pump", ["sag", "battery"], AT_MS),
    ],
    "tank": [
        ("fill", (1, 900)),
        ("loss", (1, 300)),
        ("level_bad", BAD),
        ("flow", (0, 1000)),
        ("pump", ["dry", "level"], AT_MS),
    ],
    "saucer": [
        ("saucer", [0, 300, 700, 1000]),
        ("saucer_bad", BAD),
        ("pump", ["wet"], AT_MS),
    ],
    "button": [
        ("button", [50, 1999, 2000, 5000, 14999, 15000], (0, 1000)),
        ("held", [50, 2000, 14999, 20000]),
    ],
    "reset": [
        ("reset", (0, 1000)),
        ("power", (0, 100000)),
        ("pump", ["cut", "hang", "fault", "memory", "stuck"], AT_MS),
        ("boots", (0, 4)),
    ],
    "clock": [("drift", (-1000, 1000)), ("utc", (-100000, 100000)), ("lie", (2, 1000))],
    "storage": [
        ("store", (0, 1), ["lost", "torn", "landed"]),
        ("damage", (0, 1), (0, 200), (0, 7)),
        ("file", ["settings", "limits", "calibration"]),
        ("host", ["clear files damaged", "clear leak", "clear state lost", "clear wine"]),
        ("pin", [0]),
    ],
}


Life = list[list[tuple[Any, ...]]]


def any_life(pick: core_pots.Pick, subjects: tuple[str, ...] = (), size: int = 40) -> Life:
    """That many wakes with mischief of those subjects, of all where none is named."""
    rows = [row for name in subjects or SUBJECTS for row in SUBJECTS[name]] + CARE
    life: Life = []
    for _ in range(size):
        wake = []
        for _ in range(max(0, pick.whole(-2, 2))):
            name, *ranges = pick.one(rows)
            wake.append(
                (name, *(pick.whole(*r) if type(r) is tuple else pick.one(r) for r in ranges))
            )
        life.append(wake)
    return life


@st.composite
def cases(draw: st.DrawFn, subjects: tuple[str, ...] = ()) -> tuple[dict[str, bytes], Life]:
    """A pot and its life, chosen by Hypothesis."""
    pick = core_pots.Drawn(draw)
    return core_pots.any_lines(pick), any_life(pick, subjects, draw(st.integers(1, 40)))


def smallest(life: Life, fails: Callable[[Life], bool]) -> Life:
    """The failing life without every wake and mischief that the failure does not need."""
    for at in range(len(life), 0, -1):
        if fails(life[:at]):
            life = life[:at]
    for at in reversed(range(len(life))):
        shorter = life[:at] + life[at + 1 :]
        if shorter and fails(shorter):
            life = shorter
    for at in range(len(life)):
        for mischief in list(life[at]):
            fewer = [m for m in life[at] if m is not mischief]
            shorter = [*life[:at], fewer, *life[at + 1 :]]
            if fails(shorter):
                life = shorter
    return life
