"""A board whose pot is simulated: what the driver asks for, done by the rig.

What belongs here: readings as a board takes them, storage with failing writes, brown-outs that end
a wake where they strike, the watchdog, sleep by the board's own clock, and its log. What does not:
any decision about watering (the core's), physics (pot.py), what people do (people.py).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Generator, Iterator, Sequence
from functools import lru_cache
from itertools import chain, count
from typing import Any, Protocol

from wakeboard.driver import drive
from wakeboard.store import STATE_RECORD, snapshot, snapshot_due
from wakecore import line
from wakecore.run import MS, OVERRUN_MS, PLACES, SAMPLE_MS, UNREAD
from wakecore.state import State, from_bytes
from wakecore.wake import RECORD
from wakewell.portable.mock import Reset
from wakewell.rig import models
from wakewell.rig.fitted import beyond, turned
from wakewell.rig.pot import DAY_S, RigPot
from wakewell.rig.probes import NO_ECHO_US, spreads

WINDOW_S = 10.0  # a start that is no timer wake waits this long for a host (loader)
WATCHDOG_MS = 3000  # it bites this long after the pulse (board.arm)
AGAIN_S = 0.3  # the probes are read once more after a pulse
STILL_DOWN_S = 3600.0
TORN = b"torn"
NO_NOISE = (0.0,)
LOOPING = 10  # unfinished boots in a row; further ones are taken in spans of LOOP_S
LOOP_S = 600.0
NEVER_MS = 1 << 30


class People(Protocol):
    """The person who looks after a pot. See people.py for the one that a trial describes."""

    next_s: float  # when one of them acts next, s since the run's start

    def act(self, board: RigBoard) -> int:
        """Act now. Milliseconds for which the board's button is held, 0 if it is not touched,
        below 0 if the cable restarts the board."""

    def told(self, board: RigBoard, record: dict[str, Any]) -> None:
        """The board's light or message says what the record says."""


class Slots:
    """The two slots of the retained state, in memory, as wakeboard.store keeps them in files.

    A write that fails leaves a torn slot. `twin`: the bytes stored last before sleep, and the
    state that they were made from, untouched since: read back, they need no unpacking.
    """

    def __init__(self, fails: Callable[[], bool]) -> None:
        self.fails = fails
        begun = State()
        self.slots = [begun.to_bytes(), b""]
        self.next_slot = 1
        self.twin: tuple[bytes | None, Any] = (None, None)

    def state_of(self, data: bytes) -> Any:
        made, state = self.twin
        return state if made is data else from_bytes(data)

    def load(self, hint: bytes) -> tuple[Any, str]:
        """(State, status), as Store.load_state: the slot last written whole is the newer one."""
        data = self.slots[1 - self.next_slot]
        state = self.state_of(data)
        other = self.slots[self.next_slot]
        status = "previous" if other == TORN or (not other and state.seq > 1) else "good"
        if other == TORN:
            self.slots[self.next_slot] = b""  # set aside
        if hint and (hint != data or status != "good"):
            hinted = self.state_of(hint)
            if hinted is not None and hinted.seq >= state.seq:
                state, status = hinted, "good" if status == "good" else "hinted"
        return state, status

    def save(self, data: bytes) -> bool:
        """True if the slot whose turn it is holds these bytes now."""
        if self.fails():
            self.slots[self.next_slot] = TORN
            return False
        self.slots[self.next_slot] = data
        self.next_slot = 1 - self.next_slot
        return True


@lru_cache(maxsize=1000)
def _steps(pulse_ms: int) -> tuple[tuple[int, float], ...]:
    """Of each sample of a pulse: when it is taken, ms, and s since the one before."""
    whole = [(ms, 0.001 * SAMPLE_MS) for ms in range(SAMPLE_MS, pulse_ms, SAMPLE_MS)]
    return (*whole, (pulse_ms, 0.001 * (pulse_ms - SAMPLE_MS * len(whole))))


def _beyond(pulse_ms: int) -> Iterator[tuple[int, float]]:
    """The samples of a pulse that does not end in time."""
    for ms in count(pulse_ms + 1):
        yield ms, 0.001


class LogInMemory:
    """A field log in memory: the lines a board would have written, a snapshot where one is due."""

    def __init__(self) -> None:
        self.lines: list[bytes] = []

    def append(self, record: dict[str, Any], before: dict[str, Any]) -> None:
        """As Store.append, without a ring."""
        if not self.lines or snapshot_due(record, before):
            self.lines.append(line.encode(STATE_RECORD, before) + b"\n")
        self.lines.append(line.encode(RECORD, record) + b"\n")


class RigBoard:
    """Wakes, reads, pumps and sleeps on a RigPot, through the driver and the core.

    in_force: a wakecore.fields.Pot. log: where records go, besides `seen`. seen: called with every
    record that reaches storage. people: who acts while the board sleeps, and reads its needs.
    awake_s: time a timer wake takes beside its pulse; radio_s: time on the radio at the end of
    a wake that reports (0: no radio).
    samples: of a reading, whose median counts. day_0: day of the clock at the run's start.
    mains_ma: a charger that stays plugged in.
    dark: called every hour or so while the cell cannot carry the board, when no record comes.
    down_s, down_mah: how long the cell could not carry the board, and what it lost meanwhile.
    """

    # As in RigPot: too many for CPython's quick table of an instance.
    __slots__ = (
        "awake_s", "before", "boots", "button_ms", "cause", "charger", "charger_ma", "dark",
        "day_0", "down_mah", "down_s", "field_log", "float_", "hangs", "hint", "host", "in_force",
        "in_pulse", "levels", "mains_ma", "metered", "models", "noise", "now", "offset_s",
        "people", "places", "pot", "pulse_ms", "radio", "radio_fails", "radio_ms", "radio_s",
        "record", "reports", "running", "sample", "sampled", "samples", "saucer", "seen",
        "slept_from", "slept_s", "slots", "state", "status", "still", "trust", "until_s", "wakes",
        "woke_s", "write_fails",
    )  # fmt: skip

    def __init__(
        self,
        pot: RigPot,
        in_force: Any,
        log: LogInMemory | None = None,
        seen: Callable[[dict[str, Any]], None] | None = None,
        people: People | None = None,
        awake_s: float = 2.0,
        radio_s: float = 0.0,
        samples: int = 3,
        day_0: int = 0,
        mains_ma: float = 0.0,
        dark: Callable[[], None] | None = None,
    ) -> None:
        self.pot, self.in_force = pot, in_force
        self.field_log, self.seen, self.people = log, seen, people
        self.awake_s, self.radio_s, self.samples = awake_s, radio_s, samples
        self.dark = dark
        self.meet_faults()
        self.slots = Slots(self.write_fails)
        self.hint = b""
        self.cause = "power"
        self.slept_from: float | None = None
        self.slept_s = self.boots = self.wakes = self.button_ms = self.radio_ms = 0
        self.radio = "none"  # what came of the last report
        self.host: list[str] = []
        self.day_0, self.offset_s, self.trust = day_0, day_0 * DAY_S, 1
        self.until_s = math.inf
        self.down_s = self.down_mah = 0.0
        self.mains_ma = self.charger_ma = pot.charger_ma = mains_ma
        self.running = self.reports = False
        self.now = [0] * (MS + 1)  # a supply that goes before the first pulse stops none
        self.noise = spreads(pot.random, samples)
        cal = in_force.calibration
        self.float_ = None
        if pot.spec.level.kind == "float":
            points = turned(cal.level.points)
            self.float_ = (round(points[0][1]), round(points[-1][1]))
        self.levels = {NO_ECHO_US: UNREAD}  # of a pulse's samples, those that are not plain counts
        if self.float_:
            self.levels |= enumerate(self.float_)
        # A float without noise shows the same in every sample.
        level = self._still_level if self.float_ and not pot.spec.level.noise else self._middle
        self.sampled = [
            (name, how, take)
            for name, how, take in (
                ("soil", self._middle, pot.soil_uvs),
                ("level", level, self._levels if self.float_ else pot.level_raws),
            )
            if getattr(cal, name) is not None
        ]
        self.still = [
            (name, take)
            for name, take in (
                ("temperature", pot.temperature_raw),
                ("saucer", self._saucer),
                ("charger", self._charger),
            )
            if getattr(cal, name) is not None
        ]
        self.models = models.fitted(pot, cal)
        current_at = PLACES["current"] if cal.current is not None else -1
        self.places = MS, PLACES["level"], PLACES["battery"], current_at
        self.metered = [model for name, model in self.models.items() if name in PLACES]
        self.saucer = self.charger = (0, 0)  # counts for no and yes
        if cal.saucer is not None:
            points = turned(cal.saucer.points)
            self.saucer = round(beyond(points, 0.0)), round(beyond(points, 1000.0))
        if cal.charger is not None:
            points = turned(cal.charger.points)
            self.charger = round(beyond(points, 0.0)), round(beyond(points, 1.0))
        in_pulse = [(name, see) for name, see in self.still if name in PLACES]
        in_pulse += [(name, model.now) for name, model in self.models.items() if name in PLACES]
        self.in_pulse = [(PLACES[name], see) for name, see in in_pulse]

    def meet_faults(self) -> None:
        """Which tries fail from now on, by the pot's faults."""
        faults = self.pot.faults
        self.write_fails = faults.tries("write fails")
        self.radio_fails = faults.tries("radio down")
        self.hangs = faults.tries("program hangs")

    # --- one boot --------------------------------------------------------------------------------

    def wake(self) -> None:
        """One boot, from reset to sleep or to the next reset."""
        pot = self.pot
        pot.reset, pot.state = "", "awake"
        self.woke_s = pot.t_s
        state, self.status = self.slots.load(self.hint)
        self.state = state
        self.before = snapshot(state, 0) if self.field_log is not None else {}
        self.slots.twin = (None, None)  # the core changes it after this point
        self.boots += 1
        try:
            drive(self, state, self.in_force, self.begin())
        except Reset:
            self._restart()

    def begin(self) -> dict[str, Any]:
        """What is known before any reading."""
        timed = self.cause in ("timer", "button")
        self._pass(self.awake_s + (0.0 if timed else WINDOW_S) + 0.001 * self.button_ms)
        vouched = 1 if timed and self.slept_from is not None else 0
        now = self.pot.clock_s + self.offset_s
        host, self.host = self.host, []
        return {
            "cause": self.cause,
            "slept_s": self.slept_s if vouched else 0,
            "vouched": vouched,
            "boots": self.boots - 1 if self.boots < 100 else 99,
            "pin": 1,
            "button_ms": self.button_ms,
            "utc": [int(now // DAY_S), int(now % DAY_S), self.trust],
            "host": host,
            "state": self.status,
            "settings": "good",
            "limits": "good",
            "calibration": "good",
            "radio": self.radio,
            "radio_ms": self.radio_ms,
        }

    def _pass(self, seconds: float) -> None:
        """Time passes while the program runs; a reset ends it there and then."""
        self.pot.advance(seconds)
        if self.pot.reset:
            raise Reset

    # --- what the driver asks for ----------------------------------------------------------------

    def off(self) -> None:
        """Pump off."""
        self.pot.pump_off()

    def rest(self) -> list[int] | None:
        """The battery before any load."""
        return self._middle(self.pot.battery_uvs)

    def read(self) -> dict[str, list[int] | None]:
        """Every fitted probe but the battery."""
        if self.running:  # after a pulse
            self.running = False
            self._pass(AGAIN_S)
        found: dict[str, list[int] | None] = {}
        for name, how, take in self.sampled:
            found[name] = how(take)
        for name, see in self.still:
            found[name] = [see(), 0]
        for name, model in self.models.items():
            found[name] = model.read(self._pass, next(self.noise))
        return found

    def _middle(self, take: Callable[[Sequence[float]], list[int]]) -> list[int] | None:
        """Median and spread; None where one sample is missing."""
        low, count, high = take(next(self.noise))
        if low == NO_ECHO_US or count == NO_ECHO_US or high == NO_ECHO_US:
            return None
        return [count, high - low if high > low else low - high]

    def _still_level(self, _take: object) -> list[int] | None:
        raw = self.pot.level_raws(NO_NOISE)[0]
        return None if raw == NO_ECHO_US else [self.levels.get(raw, raw), 0]

    def _levels(self, deviates: Sequence[float]) -> list[int]:
        """A float's samples, as the counts that its calibration knows them by."""
        down_up = self.float_
        assert down_up is not None
        return [down_up[raw] if 0 <= raw <= 1 else raw for raw in self.pot.level_raws(deviates)]

    def _saucer(self) -> int:
        return self.saucer[self.pot.saucer_wet()]

    def _charger(self) -> int:
        return self.charger[self.charger_ma > 0.0 or self.pot.sun_ma > 0.0]

    def store(self, data: bytes) -> bool:
        """Into RTC memory and into the slot whose turn it is."""
        self.hint = data
        return self.slots.save(data)

    def arm(self, run: Any) -> None:
        """When the program hangs in this pulse, if it does."""
        self.pulse_ms = run.pulse_ms
        self.now = run.now
        self.now[MS] = 0
        hang_ms = int(self.pulse_ms * self.pot.random.random()) if self.hangs() else NEVER_MS
        steps = chain(_steps(self.pulse_ms), _beyond(self.pulse_ms))
        looks = self.pot.looks
        sampled = looks(steps, self.now, self.places, self.levels, self._look_for_reset)
        if self.in_pulse or hang_ms < NEVER_MS:
            for model in self.metered:
                model.begin()
            sampled = self._besides(sampled, hang_ms)
        next(sampled)
        self.sample = sampled.send

    def start(self) -> None:
        """Pump on."""
        self.running = True
        self.pot.pump_on()
        self._look_for_reset()

    def _look_for_reset(self) -> None:
        if self.pot.reset:
            raise Reset

    def _besides(
        self, sampled: Generator[None, Any, None], hang_ms: int
    ) -> Generator[None, Any, None]:
        """Those samples and the parts that `RigPot.looks` leaves out, until the program hangs."""
        now = self.now
        next(sampled)
        while True:
            yield
            if now[MS] >= hang_ms:
                self._hang()
            next(sampled)
            for place, see in self.in_pulse:
                now[place] = see()

    def _hang(self) -> None:
        """Nothing renews the pump's finite pulse; the watchdog bites soon after the limit."""
        self.pot.advance(0.001 * OVERRUN_MS)
        self.pot.pump_off()
        self.pot.advance(0.001 * (self.pulse_ms - self.now[MS] + WATCHDOG_MS))
        self.pot.reset = self.pot.reset or "watchdog"
        raise Reset

    def stop(self) -> int:
        """Pump off; how long it ran."""
        self.pot.pump_off()
        return self.now[MS]

    def close(self) -> int:
        """Parts off; milliseconds awake."""
        return round(1000.0 * (self.pot.t_s - self.woke_s))

    def log(self, record: dict[str, Any]) -> None:
        """One line into the field log, unless the write fails."""
        self.record = record
        if not self.write_fails() and self.field_log is not None:
            self.field_log.append(record, self.before)
        if self.seen is not None:
            self.seen(record)

    def report(self, n: int) -> None:
        """The radio is part of `sleep`."""
        self.reports = True

    def sleep(self, sleep_s: int, button: int) -> None:
        """Send what is to be told, in a boot of its own, then sleep until the time is up or
        somebody interrupts. The time on the radio is part of the sleep."""
        pot = self.pot
        due_s, self.slept_from = pot.t_s + pot.by_own_clock(sleep_s), pot.clock_s
        self.radio, self.radio_ms = "none", 0
        self.slots.twin = self.hint, self.state  # the core stores its state last of all
        heard = not self.in_force.settings.radio_wakes  # then the light tells, and needs no air
        due, self.reports = self.reports, False
        if self.radio_s and due:
            pot.state, self.radio = "radio", "cut off"
            self._pass(self.radio_s)
            heard = not self.radio_fails()
            self.radio, self.radio_ms = "heard" if heard else "failed", round(1000 * self.radio_s)
            if heard:  # a time server answers; the chip's own clock is never set
                self.offset_s, self.trust = self.true_s() - pot.clock_s, 1
        self.boots = 0
        self.wakes += 1
        if self.people is not None and heard:
            self.people.told(self, self.record)
        self._doze(due_s, button)

    # --- between wakes ---------------------------------------------------------------------------

    def _doze(self, due_s: float, button: int) -> None:
        pot, people = self.pot, self.people
        self.cause, self.button_ms = "timer", 0
        pot.state = "asleep"
        end_s = due_s if due_s < self.until_s else self.until_s
        while pot.t_s < end_s:
            stop_s = pot.faults.next_s
            if stop_s > end_s:
                stop_s = end_s
            if people is not None and people.next_s < stop_s:
                stop_s = max(people.next_s, pot.t_s)
            pot.advance(stop_s - pot.t_s)
            if pot.reset:  # the supply was interrupted
                self._restart()
                return
            if people is not None and people.next_s <= pot.t_s:
                held_ms = people.act(self)
                if held_ms < 0:
                    self.cause = "reset"
                    return
                if held_ms and button:
                    self.cause, self.button_ms = "button", held_ms
                    break
        if pot.powered():
            assert self.slept_from is not None
            slept_s = int(pot.clock_s) - int(self.slept_from)
            self.slept_s = slept_s if slept_s > 0 else 0
        else:
            self._restart()

    def _restart(self) -> None:
        """After a reset: which one, and when the supply is there again."""
        pot = self.pot
        self.running = False
        self.button_ms = 0
        self.cause = {"watchdog": "watchdog", "brown-out": "brownout"}.get(pot.reset, "power")
        if self.boots > LOOPING:
            pot.reset, pot.state = "", "awake"
            pot.advance(LOOP_S)
        pot.reset, pot.state = "", "asleep"
        down_from_s, used_mah = pot.t_s, pot.counts.used_mah
        while not pot.powered() and pot.t_s < self.until_s:
            self.cause = "power"
            stop_s = min(pot.t_s + STILL_DOWN_S, self.until_s)
            if self.people is not None and self.people.next_s < stop_s:
                stop_s = max(self.people.next_s, pot.t_s)
            pot.advance(stop_s - pot.t_s)
            if self.people is not None and self.people.next_s <= pot.t_s:
                self.people.act(self)
            if self.dark is not None:
                self.dark()
        self.down_s += pot.t_s - down_from_s
        self.down_mah += pot.counts.used_mah - used_mah
        pot.reset = ""
        if self.cause == "power":  # RTC memory and clock went with the supply
            self.hint, self.slept_from = b"", None
            pot.clock_s = self.offset_s = 0.0
            self.trust = 0

    def true_s(self) -> float:
        """What a right clock would say, s since the clock's day 0."""
        return self.day_0 * DAY_S + self.pot.t_s

    def run(self, until_s: float) -> None:
        """Wake after wake until that time, s since the run's start."""
        self.until_s = until_s
        while self.pot.t_s < until_s:
            self.wake()
