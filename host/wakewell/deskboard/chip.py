"""The chip: power, resets, deep sleep, simulated time, and what its interpreter asks for.

Belongs here: the state of the chip and every way from one to another.
Does not belong here: threads and the words of a test or a person (board.py), the console and
its prompts (interpreter.py), pads (pads.py), the cable (port.py).

One thread calls all of it. What the world asks for in the middle of something (a brown-out while a
pump starts) is put into `later` and done as soon as that has ended.
"""

from __future__ import annotations

import contextlib
import mmap
import os
import struct
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, Protocol

from wakewell.deskboard.inside import layout as L
from wakewell.deskboard.interpreter import DeskBoardError, Interpreter
from wakewell.deskboard.pads import Pads
from wakewell.deskboard.world import World
from wakewell.pot import chips

Awake = Literal["host", "real", "stepped"]
Asleep = Literal["hold", "skip", "real"]
State = Literal["off", "runs", "sleeps"]

CAUSES = {
    L.PWRON_RESET: "power-on",
    L.HARD_RESET: "reset",
    L.WDT_RESET: "watchdog",
    L.DEEPSLEEP_RESET: "deep sleep",
    L.SOFT_RESET_CAUSE: "soft reset",
}
MESSAGE, ANSWER = struct.Struct(L.MESSAGE), struct.Struct(L.ANSWER)
MOST_CRASHES = 3
MOST_AT_A_TIME = 100  # messages of the interpreter, before anybody else is heard
BRIEF_US = 1_000_000  # a sleep shorter than that is one boot after another: it passes at once


@dataclass
class Boot:
    """One boot. Times are simulated microseconds since the world began."""

    cause: int
    """machine.reset_cause() of it; CAUSES has the words."""
    wake_reason: int
    """machine.wake_reason() of it, 0 if it did not come out of deep sleep."""
    t_us: int
    end_us: int = -1
    """-1 while it lasts."""
    ended: str = ""
    """"deep sleep", "reset", "soft reset", "watchdog", "panic", "power cut", "hard reset",
    "closed", or "crash: ..." for an interpreter that died by itself."""
    sleep_ms: int = 0
    """What it asked for when it went to deep sleep, 0 for no timer."""
    reads: int = 0
    writes: int = 0
    erases: int = 0


@dataclass(frozen=True)
class Counters:
    """Flash operations since the desk board was made, across all boots."""

    reads: int
    writes: int
    erases: int


class Manner(Protocol):
    """How time passes; see DeskBoard. May change while the chip runs."""

    awake: Awake
    asleep: Asleep
    speed: float
    sleep_error_ppm: int
    hang_s: float


class DeskChip:
    """`show` is called with what the chip prints; a boot is added to `boots` when it begins."""

    def __init__(
        self,
        manner: Manner,
        world: World,
        boots: list[Boot],
        shared: mmap.mmap,
        boot: Callable[[], Interpreter],
        kill: Callable[[], int],
        show: Callable[[bytes], None],
        kind: chips.Chip,
    ) -> None:
        self.manner = manner
        self.world = world
        self.boots = boots
        self.pads = Pads(world, kind)
        self.state: State = "off"
        self.interpreter: Interpreter | None = None
        self.later: list[Callable[[], None]] = []
        self.host_present = False
        self.stay_off = False
        self.target_us: int | None = None
        """Time passes until this moment, whatever `asleep` says; None once it is reached."""
        self._shared = shared
        self._start, self._kill, self._show = boot, kill, show
        self._now_us = 0
        self._wake_at_us: int | None = None
        self._slept_from_us = 0
        self._slept_from_s = 0.0
        self._alive: tuple[int, ...] = ()
        self._alive_s: float | None = None  # of its processor's time, when it stood still first
        self._crashes = 0
        self._inputs_unseen = False
        self._from = Counters(0, 0, 0)
        for offset, pins in (
            (L.OUTPUT_PINS, kind.pins - kind.input_only - kind.flash.keys()),
            (L.INPUT_ONLY_PINS, kind.input_only),
            (L.RTC_PINS, kind.wake),
            (L.ADC_PINS, kind.converter | kind.radio.keys()),
        ):
            self.put(offset, sum(1 << pin for pin in pins), "<Q")
        features = L.EXT0 * kind.ext0 + L.HOLD_SWITCH * (not kind.holds_each)
        features += L.RAW_TEMPERATURE * (kind.name == "esp32") + L.PULSE_COUNTER * kind.counts
        self.put(L.FEATURES, features)

    # --- shared memory -----------------------------------------------------------------------

    def put(self, offset: int, value: int, form: str = "<I") -> None:
        struct.pack_into(form, self._shared, offset, value)

    def get(self, offset: int, form: str = "<I") -> int:
        value: int = struct.unpack_from(form, self._shared, offset)[0]
        return value

    def _up(self, offset: int) -> None:
        self.put(offset, self.get(offset) + 1 & 0xFFFFFFFF)

    def count(self) -> Counters:
        return Counters(*struct.unpack_from("<III", self._shared, L.FLASH_READS))

    # --- power, resets, sleep ------------------------------------------------------------------

    def settle(self) -> None:
        """Do what was put into `later`."""
        while self.later:
            self.later.pop(0)()

    def switch_on(self) -> None:
        if self.state == "off":
            self.world.power_on(self._now_us)
            self._lose_all()
            self._boot(L.PWRON_RESET)

    def switch_off(self, why: str) -> None:
        if self.state != "off":
            self._end_boot(why)
            self.state = "off"
            self._lose_all()
            self.world.power_off(self._now_us)

    def hard_reset(self) -> None:
        if self.state != "off":
            self._end_boot("hard reset")
            self._lose_all()
            self._boot(L.PWRON_RESET)

    def _lose_all(self) -> None:
        """What a chip loses with its power: held pads, RTC memory, its clock."""
        self._wake_at_us = None
        self.pads.lose_power(self._now_us)
        self.put(L.RTC_LEN, 0)
        self.put(L.RTC_BASE_US, -self._now_us, "<q")

    def _reset(self, why: str, cause: int) -> None:
        self._end_boot(why)
        self.pads.reset(self._now_us)
        self._boot(cause)

    def _soft_boot(self, before: Interpreter) -> None:
        """Boot anew with everything kept that is not the interpreter's: pads, pulses, the
        watchdog, and which prompt it was at."""
        self._crashes = 0
        self._show(b"MPY: soft reboot\r\n")
        self._boot(L.SOFT_RESET_CAUSE, raw=before.in_raw_prompt)

    def _deep_sleep(self, asked_us: int) -> None:
        self._end_boot("deep sleep")
        self.boots[-1].sleep_ms = asked_us // 1000
        self.pads.begin_deep_sleep(self._now_us)
        self.state = "sleeps"
        self._slept_from_us = self._now_us
        self._slept_from_s = time.monotonic()
        true_us = asked_us + asked_us * self.manner.sleep_error_ppm // 1_000_000
        self._wake_at_us = self._now_us + true_us if asked_us else None
        self._inputs_unseen = True

    def _boot(self, cause: int, wake_reason: int = 0, *, raw: bool = False) -> None:
        self.state = "runs"
        self._wake_at_us = None
        if cause != L.SOFT_RESET_CAUSE:
            self.put(L.WDT_MS, 0)
            self.pads.disarm()
        self.pads.watch_none()
        self.put(L.EDGES, 0)
        self.put(L.NOW_US, self._now_us, "<q")
        self.put(L.WALL_US, _monotonic_us(), "<q")
        self.put(L.BOOT_US, self._now_us, "<q")
        self.put(L.TIMER_DUE_US, L.NEVER_US, "<q")
        self.put(L.RESET_CAUSE, cause)
        self.put(L.WAKE_REASON, wake_reason)
        self.put(L.RUN_MAIN, int(not raw))
        self.put(L.JUMP_MS, 0)
        self.put(L.IRQ_OFF, 0)
        self.put(L.AT_PROMPT, 0)
        self.put(L.LOOKING, 0)
        self.put(L.HELD, self.pads.held, "<Q")
        self.set_pace()
        self._alive = ()
        self._from = self.count()
        self.boots.append(Boot(cause, wake_reason, self._now_us))
        self.interpreter = self._start()
        self.interpreter.in_raw_prompt = raw

    def _end_boot(self, why: str) -> int:
        """Stop the interpreter where it is. Returns its exit status (os.wait)."""
        interpreter, self.interpreter = self.interpreter, None
        if interpreter is None:
            return 0
        now_us = self.now()
        with contextlib.closing(interpreter):
            status = self._kill()
            self._show(interpreter.output())
        self.pads.deliver(now_us)
        boot, count = self.boots[-1], self.count()
        boot.end_us, boot.ended = now_us, why
        boot.reads = count.reads - self._from.reads
        boot.writes = count.writes - self._from.writes
        boot.erases = count.erases - self._from.erases
        return status

    # --- time ----------------------------------------------------------------------------------

    def now(self) -> int:
        """Simulated time. Never goes back, whatever the board last wrote."""
        if self.state == "runs":
            now_us = self._paced_now() if self.get(L.PACED) else self.get(L.NOW_US, "<q")
            self._now_us = max(self._now_us, now_us + self.get(L.JUMP_MS) * 1000)
        return self._now_us

    def _paced_now(self) -> int:
        return self.get(L.NOW_US, "<q") + _monotonic_us() - self.get(L.WALL_US, "<q")

    def set_pace(self) -> None:
        """Tell the interpreter whether its time is the PC's."""
        paced = self.manner.awake == "real" or (self.manner.awake == "host" and self.host_present)
        if self.state == "runs" and self.get(L.PACED) and not paced:
            # The time that passed on the PC's clock since the board last looked must not be lost.
            lost_ms = (self._paced_now() - self.get(L.NOW_US, "<q")) // 1000
            self.put(L.JUMP_MS, self.get(L.JUMP_MS) + max(0, lost_ms))
        self.put(L.PACED, int(paced))

    def at_prompt(self) -> bool:
        return self.interpreter is not None and self.interpreter.at_prompt()

    def keep_time(self, now_s: float) -> float:
        """Let simulated time pass as far as it should have. Returns after how many seconds to
        call again if nothing else happens."""
        target_us = self.target_us
        if self.state == "sleeps":
            self._sleep_until(self._slept_by(now_s))
        elif self.state == "runs":
            self.pads.deliver(self.now())
            self.settle()
            self._nudge_prompt()
            self._watch_for_hang()
            if target_us is not None and self.state == "runs":
                self._run_towards(target_us)
        if target_us is not None and self.state != "runs":
            self._now_us = max(self._now_us, target_us)
            self.target_us = None
        if self.target_us is not None:
            return 0.002
        return 0.01 if self.state == "sleeps" else 0.05

    def _slept_by(self, now_s: float) -> int:
        """The moment up to which a chip in deep sleep may sleep, or have slept, by now."""
        until_us = self._now_us
        if self.manner.asleep == "skip":
            until_us = L.NEVER_US
        elif self.manner.asleep == "real":
            slept_s = (now_s - self._slept_from_s) * self.manner.speed
            until_us = self._slept_from_us + int(slept_s * 1e6)
        due_us = self._wake_at_us
        if due_us is not None and due_us - self._slept_from_us < BRIEF_US:
            until_us = max(until_us, due_us)
        return max(until_us, self.target_us or 0)

    def _sleep_until(self, until_us: int) -> None:
        while self.state == "sleeps":
            next_us = min(until_us, self.pads.next_us, self._wake_at_us or L.NEVER_US)
            if next_us >= L.NEVER_US:
                next_us = self._now_us
            if next_us <= self._now_us and not self._inputs_unseen:
                return
            if next_us > self._now_us:
                self.world.sleep(self._now_us, next_us)
                self._now_us = next_us
            self._inputs_unseen = False
            self.pads.deliver(next_us)
            self.settle()
            if self.state != "sleeps":
                return
            reason = self.pads.wake_reason(self._now_us)
            if reason or (self._wake_at_us is not None and self._now_us >= self._wake_at_us):
                self._boot(L.DEEPSLEEP_RESET, reason or L.TIMER_WAKE)

    def _run_towards(self, target_us: int) -> None:
        """Bring a chip whose prompt waits nearer to that time. One that works gets there by
        itself: whatever pace its time has, a wake on the way must not last to the end."""
        if not self.at_prompt():
            return
        ahead_us = target_us - self.now()
        if ahead_us <= 0:
            self.target_us = None
            return
        due_us = self.get(L.TIMER_DUE_US, "<q")
        if self.get(L.WDT_MS):
            due_us = min(due_us, self._bite_us() + 2000)
        step_us = max(1000, min(ahead_us, due_us - self._now_us))
        # At the prompt no code looks at the clock, so several jumps can be made as one.
        self.put(L.JUMP_MS, self.get(L.JUMP_MS) - (-step_us // 1000))

    def _nudge_prompt(self) -> None:
        """At the prompt the interpreter checks nothing by itself: wake it for what is due."""
        due = self.get(L.EDGES) or self.get(L.TIMER_DUE_US, "<q") <= self.now()
        if due and self.at_prompt():
            self.put(L.AT_PROMPT, 1)

    def _bite_us(self) -> int:
        """When the armed watchdog bites. Its second stage needs no interrupt."""
        last_us = 1000 * self.get(L.WDT_MS) * self.get(L.IRQ_OFF)
        return self.get(L.WDT_DUE_US, "<q") + last_us

    def _watch_for_hang(self) -> None:
        """Let the watchdog bite when its time is up, or when time stands still while the chip
        computes: by the processor's time, so that a busy computer is not taken for a hang.
        """
        if not self.get(L.WDT_MS) or self.interpreter is None:
            return
        due_us = self._bite_us()
        if not self.get(L.PACED) and not self.at_prompt():
            alive = (self.now(), *struct.unpack_from("<III", self._shared, L.FLASH_READS))
            if alive != self._alive:
                self._alive, self._alive_s = alive, None
            elif self._alive_s is None:
                self._alive_s = self.interpreter.busy_s()
            elif self.interpreter.busy_s() - self._alive_s > self.manner.hang_s:
                self._now_us = max(self._now_us, due_us)
        if self.now() >= due_us:
            self._reset("watchdog", L.WDT_RESET)

    # --- the world -----------------------------------------------------------------------------

    def press_button(self, hold_s: float | None) -> None:
        now_us = self.now()
        self.pads.at(now_us, lambda t: self.button(True, t))
        if hold_s is not None:
            self.pads.at(now_us + int(hold_s * 1e6), lambda t: self.button(False, t))
        self.pads.deliver(now_us)

    def button(self, down: bool, t_us: int) -> None:
        self.world.button(down, t_us)
        self.inputs_changed()

    def inputs_changed(self) -> None:
        """Readings of the world may have changed: drop all that are kept."""
        self._up(L.WORLD_GEN)
        self._inputs_unseen = True
        for pin, level in self.pads.edges(self.now()):
            self._up((L.IRQ_RISES if level else L.IRQ_FALLS) + 4 * pin)
            self.put(L.EDGES, 1)

    # --- what the interpreter says -------------------------------------------------------------

    def talk(self) -> None:
        """Hear what the interpreter asks for and what it prints."""
        self._serve()
        if self.interpreter:
            self._show(self.interpreter.output())
            if self.interpreter.ended:
                self._died()

    def _serve(self) -> None:
        interpreter = self.interpreter
        for told in range(MOST_AT_A_TIME):
            if interpreter is None or interpreter is not self.interpreter:
                return
            message = interpreter.message(follows=told > 0)
            if not message:
                return
            self._handle(interpreter, message)

    def _died(self) -> None:
        """The interpreter ended by itself: Ctrl-D at the prompt, or a crash."""
        self._serve()  # its last message may still be unread
        interpreter = self.interpreter
        if interpreter is None or not interpreter.ended:
            return
        status = self._end_boot("soft reset")
        if status == 0 and interpreter.done:
            self._soft_boot(interpreter)
            return
        self.boots[-1].ended = f"crash: the interpreter ended with {_in_words(status)}"
        self._crashes += 1
        if self._crashes > MOST_CRASHES:
            raise DeskBoardError(
                f"the interpreter does not get through a boot, {self.boots[-1].ended}"
            )
        self.pads.reset(self._now_us)
        self._boot(L.HARD_RESET)

    def _handle(self, interpreter: Interpreter, message: bytes) -> None:
        kind, pin, a, b, seq, amount, t_us, big = MESSAGE.unpack_from(message)
        t_us = self._now_us = max(self._now_us, t_us)
        pads, world = self.pads, self.world
        pads.deliver(t_us)
        value = 0
        steady_us = world.steady_us
        if steady_us:
            steady_us = max(0, min(steady_us, pads.next_us - t_us, (1 << 32) - 1))
        more: list[bytes] = []
        if kind == L.PIN:
            pads.set(pin, None if a == L.FLOATING else a, b, t_us)
        elif kind == L.READ_PIN:
            value = pads.read(pin, b, t_us)
        elif kind == L.READ_UV:
            value = int(world.read_uv(pin, t_us))
        elif kind == L.PULSES:
            data = message[L.MESSAGE_BYTES :]
            units = struct.iter_unpack(L.PULSE, data[: L.PULSE_BYTES * amount])
            pads.pulse(pin, a, [(n * 1_000_000 // big, level) for n, level in units], t_us)
            pads.deliver(t_us)
        elif kind == L.ECHO:
            value = world.pulse_us(pin, a, amount, t_us)
        elif kind == L.COUNT:
            value = world.count(pin, t_us)
        elif kind == L.SENSORS:
            for rom, mdeg in list(world.temperatures(pin, t_us).items())[: L.MOST_SENSORS]:
                more.append(struct.pack(L.SENSOR, rom, L.NO_TEMPERATURE if mdeg is None else mdeg))
            value = len(more)
        elif kind == L.ASKED:
            name = message[L.MESSAGE_BYTES : L.MESSAGE_BYTES + amount].decode(errors="replace")
            figure = world.asked(name, t_us)
            value = L.NO_FIGURE if figure is None else round(1000 * figure)
        elif kind == L.WATCH:
            pads.watch(pin, bool(a), b, t_us)
        elif kind == L.SYNC:
            value = min(big, pads.next_us - t_us, (1 << 31) - 1)
        elif kind == L.WOKEN:
            value = pads.wake_reason(t_us)
        elif kind == L.HOLD:
            pads.hold(pin, bool(a))
        elif kind == L.DEEP_SLEEP_HOLD:
            pads.hold_in_deep_sleep = bool(a)
        elif kind == L.WAKE_PIN:
            pads.ext0 = (pin, b) if a else None
        elif kind == L.WAKE_PINS:
            pads.ext1 = (big, b) if big else None
        elif kind == L.READY:
            interpreter.ready = True
        elif kind == L.DONE:
            interpreter.done = True
            self._show(interpreter.output())
            if interpreter.in_raw_prompt:
                interpreter.enter_raw_prompt()
        elif kind == L.DEEP_SLEEP:
            self._deep_sleep(big)
        elif kind == L.RESET:
            self._reset("reset", L.HARD_RESET)
        elif kind == L.SOFT_RESET:
            self._end_boot("soft reset")
            self._soft_boot(interpreter)
        elif kind == L.BITE:
            self._reset("watchdog", L.WDT_RESET)
        elif kind == L.PANIC:
            self._reset("panic", L.HARD_RESET)  # ESP_RST_PANIC, ports/esp32/modmachine.c
        elif kind == L.CUT:
            self.switch_off("power cut")
            if not self.stay_off:
                self.switch_on()
        # Before the answer, so that a chip that browns out does nothing more.
        self.settle()
        if seq and interpreter is self.interpreter:
            interpreter.answer(ANSWER.pack(seq, value, steady_us), *more)


def _monotonic_us() -> int:
    return time.clock_gettime_ns(time.CLOCK_MONOTONIC) // 1000


def _in_words(status: int) -> str:
    if os.WIFSIGNALED(status):
        return f"signal {os.WTERMSIG(status)}"
    return f"exit code {os.WEXITSTATUS(status)}"
