"""A real board: what the driver asks for, done with pins, converters, flash and sleep.

It decides nothing. Whatever goes wrong in a part ends in a reading of None; whatever goes
wrong elsewhere ends in the loader, which switches the pump off and sleeps.
"""

import gc
import json
import os
import time

import chip
import loader
from wakeboard import parts, wiring
from wakeboard.driver import drive
from wakeboard.files import exists, read_bytes
from wakeboard.kept import NEXT_MS, ROOT, Kept, forget_radio, radio_came
from wakeboard.short import DECISIONS, END, SAMPLES, STEPS, WAKE, shorten
from wakeboard.store import PotFiles, snapshot
from wakecore.rules import BITS, latched
from wakecore.run import CHANNELS, MS, SAMPLE_MS
from wakecore.wake import LONG_PRESS_MS, STUCK_MS

if False:
    from typing import Any

    from wakecore.fields import Pot
    from wakecore.run import Run
    from wakecore.typed import Begin, Reading, Readings

HOST = ROOT + "/host.json"  # what a person with the cable did since the last wake
ENTRY_MS = 6000  # a button held this long: the entry page
MUTE_MS = 10000  # this long, and let go before it counts as stuck: no reminders for a while


class Board(Kept):
    """One boot of one version. `wake()` runs a wake and does not come back."""

    def __init__(self, version: str, boots: int, came: str = "") -> None:
        self.woke = time.ticks_ms()
        Kept.__init__(self)
        self.due = None  # in whatever state the last boot left it
        self.version, self.boots = version, boots
        self.came = came  # what the record says of the version: see `turn`
        self.store_ = PotFiles(ROOT)
        found, self.wiring_why = wiring.load(read_bytes(ROOT + "/wiring.json"))
        self.pump = loader.pump()
        self.pulser: "Any" = None
        self.parts: "dict[str, Any]" = {}
        self.power: "Any" = None
        self.started: "Any" = None
        self.watched: "tuple[tuple[int, Any], ...]" = ()
        self.ran_ms = 0
        self.pressed, self.entry, self.mute, self.needs = False, False, False, 0
        self.reports: int | None = None
        self.told: "dict[str, Any]" = {}  # what the core was told in this wake
        self.run: "Run | None" = None
        self.logged = False
        if found is not None and self.pump and self.pump[0] in wiring.pins(found):
            # Half of the new wiring and half of the old is in force: no part may move the pump
            # (R1).
            found, self.wiring_why = None, "a part is on the pump's pin"
        if found is None:
            print("wakewell: wiring: " + self.wiring_why)
        self.wiring = wiring.Wiring() if found is None else found

    def wake(self) -> None:
        """Load what is stored, run one wake, sleep."""
        state, self.state_status = self.store_.load_state(self.hint)
        pot, self.statuses = self.store_.load_pot(self.version[:12])
        self.before, self.before_crc = snapshot(state, 0), state.crc
        self.ended = state.crc  # of what is stored
        self.state = state
        try:
            drive(self, state, pot, self.begin())
        except MemoryError:
            loader.twice(self.leave_record, pot)
            raise
        finally:  # whatever went wrong, no sensor stays powered through the sleep
            self.sensors(False)

    def leave_record(self, pot: "Pot") -> None:
        """The core had no memory left. If it made no record, one is made of what it was told. The
        wake ends as usual if all that was left to do was its record.
        """
        gc.collect()
        record, state = self.told, self.state
        if "begin" not in record or self.logged:
            return
        n = self.before["n"]
        at_end = 0 if self.run is None else 1  # the first store of a pulse is of its begin
        stored = len(record.get("stores", ())) > at_end and self.ended == state.crc
        done = stored and state.wakes > n and "awake_ms" in record
        record.update({"kind": "wake", "n": n, "core": pot.core, "before": self.before_crc})
        record.update({"settings": pot.settings.id, "limits": pot.limits.id})
        record.update({"calibration": pot.calibration.id, "state": self.ended})
        record["left_out"] = [DECISIONS]
        if self.run is not None:
            record["run"] = {"ran_ms": self.run.ran_ms}
            record["left_out"] = [SAMPLES, DECISIONS]
            if self.run.trip:
                record["trips"] = [self.run.trip]
        if done:
            record["lockouts"] = latched(state)
        else:
            shorten(record, END)
        self.write(record)
        if done:
            if state.reporting:
                self.report(n)
            self.sleep(state.sleep_s, 0 if state.button_masked else 1)

    def keep(self, state_bytes: bytes) -> None:
        """Keep this moment, the clock's offset and the state through deep sleep."""
        self.hint, self.slept_from = state_bytes, time.time()
        self.save()

    # What the driver asks for, in its order

    def begin(self) -> "Begin":
        """What is known before any reading."""
        begin: Begin = loader.twice(self.begun)
        self.told["begin"] = begin
        return begin

    def begun(self) -> "Begin":
        """The same, each part asked for now."""
        cause = chip.cause()
        radio, radio_ms = radio_came()
        vouched = 1 if cause in ("timer", "button") and self.slept_from is not None else 0
        slept_s = 0 if self.slept_from is None else max(0, time.time() - self.slept_from)
        return {
            "cause": cause,
            "slept_s": slept_s if vouched else 0,
            "vouched": vouched,
            "boots": self.boots,
            "pin": 1 if self.pump is not None else 0,
            "button_ms": self.held_ms(),
            "utc": self.utc(),
            "host": self.host_actions(),
            "state": self.state_status,
            "settings": self.statuses["settings"],
            "limits": self.statuses["limits"],
            "calibration": self.statuses["calibration"],
            "radio": radio,
            "radio_ms": radio_ms,
        }

    def button_active(self) -> int:
        """The level of the button's pin while it is pressed."""
        return 1 if self.wiring.button_pull == wiring.DOWN else 0

    def sensors(self, on: bool) -> None:
        """Switch the supply of the sensors, where they have one."""
        if self.wiring.power_pin >= 0 and on != (self.power is not None):
            active = self.wiring.power_active
            level = active if on else 1 - active
            # Held through the sleep: a switch whose input floats may be on.
            pin = chip.drive(self.wiring.power_pin, level, hold=not on)
            self.power = pin if on else None
            if on:
                time.sleep_ms(self.wiring.settle_ms)

    def held_ms(self) -> int:
        """How long the button is held, up to STUCK_MS; a masked one is stuck if still down.

        A hold that asks for the entry page, or for no reminders, is a press to the core: it
        clears nothing and waters nothing. Where there are no secrets there is neither.
        """
        if self.wiring.button_pin < 0:
            return 0
        active = self.button_active()
        pin = chip.sense(self.wiring.button_pin, self.wiring.button_pull)
        if pin.value() != active:
            return 50 if chip.cause() == "button" else 0
        if self.state.button_masked:
            return STUCK_MS
        light = None
        if self.wiring.light_pin >= 0:
            light = chip.drive(self.wiring.light_pin, 1)
        held_ms = 0
        while held_ms < STUCK_MS and pin.value() == active:
            time.sleep_ms(50)
            held_ms += 50
            if light is not None:  # steady until the press is long enough, a blink, steady, off
                wish = LONG_PRESS_MS <= held_ms < ENTRY_MS
                light.value(held_ms // 250 & 1 if wish else held_ms < MUTE_MS)
        if light is not None:
            light.value(0)
        long = ENTRY_MS <= held_ms < STUCK_MS and exists(ROOT + "/private.json")
        self.mute = long and held_ms >= MUTE_MS
        self.entry = long and not self.mute
        return 50 if long else held_ms

    def host_actions(self) -> "list[str]":
        """What the host asked for in this wake, which counts once; what a long hold asks; and what
        came of a version that was sent over the air.
        """
        asked = ["entry page"] if self.entry else ["mute"] if self.mute else []
        if self.came:
            asked.append(self.came)
        data = read_bytes(HOST)
        if data is None:
            return asked
        try:
            found = json.loads(data)
        except ValueError:
            found = None
        try:
            os.remove(HOST)
        except OSError:
            return asked
        return asked + [a for a in found if type(a) is str] if type(found) is list else asked

    def off(self) -> None:
        """Pump off, before any other input or output of the wake."""
        loader.pump_off()

    def rest(self) -> "Reading | None":
        """The battery before any load: nothing else is powered yet."""
        found = parts.fit(self.wiring)
        self.parts = found
        self.told["rest"] = reading = parts.read(found.get("battery"))
        return reading

    def read(self) -> "Readings":
        """Every fitted probe, powered only while it is read."""
        self.sensors(True)
        found = {
            name: parts.read(part)
            for name, part in self.parts.items()
            if name not in ("battery", "current")
        }
        self.told["after" if "read" in self.told else "read"] = found
        return found

    def store(self, data: bytes) -> bool:
        """The state into its slot; RTC memory keeps it too. No memory for it: it is not stored."""
        try:
            good = bool(loader.twice(self.stored, data))
        except MemoryError:
            good = False
        self.told.setdefault("stores", []).append(1 if good else 0)
        if good:
            self.ended = self.state.crc
        return good

    def stored(self, data: bytes) -> bool:
        """True if it is in its slot."""
        self.keep(data)
        return self.store_.save_state(data)

    def arm(self, run: "Run") -> None:
        """The pulse hardware, the watchdog that bites soon after the limit, the last pulse."""
        self.run = run
        chip.watch(run.pulse_ms + 3000)
        self.whole_pulses, rest_ms = divmod(run.pulse_ms, SAMPLE_MS)
        self.rest_pulse = rest_ms > 0
        self.pulse_ms = run.pulse_ms
        assert self.pump is not None, "the permissive pin"
        self.pulser = chip.Pulser(self.pump[0], self.pump[1])
        self.pulser.arm(SAMPLE_MS, rest_ms)
        # (place of the channel in a sample, its part); what is missing or faulty stays UNREAD
        watched = [(place, self.parts.get(name)) for place, name in enumerate(CHANNELS)]
        self.watched = tuple([row for row in watched if row[1] is not None])
        for _, part in self.watched:
            if hasattr(part, "begin"):
                part.begin()

    def start(self) -> None:
        """Pump on: the first of the finite pulses; the deadline counts from here (R2)."""
        self.started = time.ticks_ms()
        self.whole_pulses -= 1  # the shortest pulse is longer than one of these
        self.pulser.pulse(True)

    def sample(self, run: "Run") -> None:
        """Read while the pulse runs, then renew it if the deadline allows; takes no memory."""
        now = run.now
        for place, part in self.watched:
            now[place] = part.now()
        if time.ticks_diff(time.ticks_ms(), self.started) < self.pulse_ms:
            if self.whole_pulses > 0:
                self.whole_pulses -= 1
                self.pulser.pulse(True)
            elif self.rest_pulse:
                self.rest_pulse = False
                self.pulser.pulse(False)
            else:
                self.pulser.wait()
        now[MS] = time.ticks_diff(time.ticks_ms(), self.started)

    def stop(self) -> int:
        """Pump off; how long it ran."""
        try:
            if self.pulser is not None:
                loader.twice(self.pulser.stop)
        finally:
            loader.twice(loader.pump_off)
        if self.started is not None:
            self.ran_ms = time.ticks_diff(time.ticks_ms(), self.started)
            self.started = None
        loader.twice(loader.watch)
        return self.ran_ms

    def close(self) -> int:
        """Sensors off; milliseconds awake."""
        self.sensors(False)
        for part in self.parts.values():
            if hasattr(part, "rest"):
                part.rest()
        self.told["awake_ms"] = awake_ms = time.ticks_diff(time.ticks_ms(), self.woke)
        return awake_ms

    def log(self, record: "Any") -> None:
        """One line into the ring."""
        self.pressed, self.needs = record["begin"]["cause"] == "button", len(record["needs"])
        # All of the run is in the record, and no part is read any more: the line needs their memory
        self.run = self.pulser = None
        self.watched = ()
        self.parts.clear()
        self.write(record)

    def write(self, record: "dict[str, Any]") -> None:
        """The record into the ring; where memory is short, a shorter one. A full or damaged flash
        is no reason not to sleep, and neither is a lack of memory."""
        self.logged = True
        for step in STEPS:
            try:
                if step:
                    gc.collect()
                    shorten(record, step)
                if not self.store_.append(WAKE, record, self.before):
                    print("wakewell: the log could not be written")
                return
            except MemoryError:
                pass
        print("wakewell: no memory for a line of the log")

    def finish(self) -> None:
        """The wake is finished: a reset from here on is no unfinished boot."""
        forget_radio()
        loader.finish_boot(self.version, self.state.lockouts & BITS["battery low"])

    def shine(self) -> None:
        """One long light: all is well. Short lights: their number is that of the things to do
        (R12).
        """
        if self.wiring.light_pin < 0:
            return
        light = chip.drive(self.wiring.light_pin, 0)
        for _ in range(max(1, self.needs)):
            time.sleep_ms(400)
            light.value(1)
            time.sleep_ms(150 if self.needs else 1500)
            light.value(0)

    def report(self, n: int) -> None:
        """By radio, in a boot of its own: `sleep` calls for it."""
        self.reports = n

    def sleep(self, sleep_s: int, button: int) -> None:
        """The wake is finished; deep sleep, pump pin held off. After a press the board answers
        by light, and a host may take over, as after a reset.

        With a report to make the sleep is short, and the radio's boot sleeps the rest of it.
        """
        loader.twice(self.fall_asleep, sleep_s, button)

    def fall_asleep(self, sleep_s: int, button: int) -> None:
        """The same; where memory was short, once more."""
        self.finish()
        if self.pressed and not self.entry:
            self.pressed = False
            self.shine()
            loader.window()
        loader.pump_off(True)
        if self.reports is None:
            self.keep(self.hint)
            self.doze(sleep_s, button)
        self.due = self.reports, sleep_s, button, 1 if self.entry else 0, self.state.radio_fails
        self.keep(self.hint)
        chip.sleep(NEXT_MS)

    def doze(self, sleep_s: int, button: int = 1) -> None:
        """Deep sleep; with `button` a press ends it too. Never returns."""
        chip.sleep(sleep_s * 1000, wiring.button(self.wiring) if button else None)
