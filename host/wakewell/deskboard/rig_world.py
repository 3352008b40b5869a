"""The rig on a desk board's pins: what the pins show of a simulated pot, and what they make it do.

What belongs here: which pin reads which quantity of the rig, and which switches what. What does
not: physics (rig/), the interpreter and its time (deskboard/), decisions (the core).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Protocol

from wakewell.deskboard import Level, QuietWorld
from wakewell.pot import description
from wakewell.rig import models
from wakewell.rig.fitted import beyond, turned
from wakewell.rig.loadcell import Amplifier
from wakewell.rig.pot import PotSpec, RigPot
from wakewell.rig.probes import NO_ECHO_US
from wakewell.rig.wires import Wire
from wakewell.simulate import trials

ROM = b"\x28wakewel"  # a DS18B20 has family code 0x28 (Maxim DS18B20 data sheet)
UNPOWERED_UV = 0
NO_ECHO, ECHO_LATE = -2, -1
# Between two of its finite pulses a pump turns on by its own swing (own assumption).
SWING_US = 20_000


class Resets(Protocol):
    """What the world needs of its desk board when the cell fails."""

    def hard_reset(self) -> None: ...

    def cut_power(self) -> None: ...


def spec_of(folder: Path) -> PotSpec:
    """The rig's parts for a pot's folder, without faults; assumed ones where it is not calibrated.
    Raises BadInput."""
    return trials.of_pot(folder).spec


class RigWorld(QuietWorld):
    """A RigPot behind the pins that `parts` (a pot's wiring.toml) names.

    calibration: a wakecore calibration that says what the simulated probes read (the truth, not
    what the board believes). The world's time is the rig's.
    """

    def __init__(
        self, parts: Mapping[str, description.Part], pot: RigPot, calibration: Any
    ) -> None:
        super().__init__()
        self.pot, self.parts = pot, parts
        self.board: Resets | None = None
        self.chip = "esp32"
        """Whose pins the parts are on."""
        self.notes: tuple[str, ...] = ()
        """What was assumed about the pot."""
        self.person: Callable[[str], float | None] = lambda question: None
        """Called with what a host asks; returns the figure that the hand then reads."""
        self.drew_ma, self.did = 0.0, "off"
        """The pump's current, and what it did, when it stopped last."""
        self.jumper: int | None = None
        """A pin that a jumper joins to the pump's; the pump is then off its pin."""
        self._pump_level: Level = None
        self.pump_us = 0
        """How long the pump's pin was on, microseconds, all told."""
        self.runs: list[tuple[int, int]] = []
        """When the pump's pin went on and off, microseconds."""
        self.on_since: int | None = None
        self._off_at: int | None = None  # the pin is off, the pump perhaps not yet
        self._pump = parts["pump"].pins["pin"]
        self._pump_on = 0 if parts["pump"].words.get("active") == "low" else 1
        self._power = parts["power"].pins["pin"] if "power" in parts else None
        self._powered = self._power is None
        self._pressed = False
        self.by_pin_uv: dict[int, Callable[[], float]] = {}
        self._levels: dict[int, Callable[[], Level]] = {}
        self._wires: dict[int, Wire] = {}
        self._sense(calibration)

    def _sense(self, calibration: Any) -> None:
        """Which pin shows what."""
        pot, parts = self.pot, self.parts
        fed: dict[str, Callable[[], float]] = {}
        fed["soil"], fed["current"] = pot.soil_uv, pot.pump_current_uv
        if calibration.saucer is not None:
            table = turned(calibration.saucer.points)
            fed["saucer"] = lambda: beyond(table, 1000.0 * pot.saucer_wet())
        if "level" in parts and parts["level"].kind == "gauge":
            fed["level"] = pot.level_raw
        if "battery" in parts:
            self.by_pin_uv[parts["battery"].pins["pin"]] = pot.battery_uv
        for name, take in fed.items():
            if name in parts and "pin" in parts[name].pins:
                self.by_pin_uv[parts[name].pins["pin"]] = self._fed(take)
        if "level" in parts and parts["level"].kind == "float":
            ends = turned(calibration.level.points)
            up, down = round(ends[-1][1]), round(ends[0][1])
            self._levels[parts["level"].pins["pin"]] = lambda: up if pot.level_raw() else down
        if "charger" in parts and calibration.charger is not None:
            charging = turned(calibration.charger.points)
            self._levels[parts["charger"].pins["pin"]] = lambda: round(
                beyond(charging, 1.0 if pot.charger_ma + pot.sun_ma > 0.0 else 0.0)
            )
        wired = {name: model.wires() for name, model in models.fitted(pot, calibration).items()}
        if "soil" in parts and parts["soil"].kind == "weight":
            wired["soil"] = Amplifier(pot.soil_uv).wires()
        for name, wires in wired.items():
            for use, pin in parts[name].pins.items() if name in parts else ():
                self._wires[pin] = wires[use]
                if (take := wires[use].microvolts) is not None:
                    self.by_pin_uv[pin] = self._fed(take)
        if "button" in parts:
            # A contact: open, it drives nothing, and the level is a resistor's. Without a pull of
            # the chip's own (wiring.toml) there is one outside.
            pull = parts["button"].words.get("pull")
            down_level = 1 if pull == "down" else 0
            open_level = 1 if pull == "none" else None
            self._levels[parts["button"].pins["pin"]] = lambda: (
                down_level if self._pressed else open_level
            )

    def _fed(self, take: Callable[[], float]) -> Callable[[], float]:
        return lambda: take() if self._powered else UNPOWERED_UV

    # --- time ------------------------------------------------------------------------------------

    def pass_time(self, t_us: int) -> None:
        """Carry the rig to that time; a brown-out restarts the board."""
        if self._off_at is not None:
            if t_us - self._off_at < SWING_US:
                return
            self._stand_still()
        self._advance(t_us)
        if self.pot.reset:
            self.pot.reset = ""
            if self.board is not None:
                if self.pot.powered():
                    self.board.hard_reset()
                else:
                    self.board.cut_power()

    def _advance(self, t_us: int) -> None:
        self.pot.advance(max(0.0, t_us / 1e6 - self.pot.t_s))

    def _stand_still(self) -> None:
        """The pump stops when its pin went off."""
        assert self._off_at is not None
        self._advance(self._off_at)
        self._off_at = None
        self.drew_ma, self.did = self.pot.pump_ma, self.pot.pump_did
        self.pot.pump_off()

    def settle(self, t_us: int) -> None:
        """Carry the rig to that time; a pump whose pin is off has stopped."""
        self.pass_time(t_us)
        if self._off_at is not None and self.on_since is None:
            self._stand_still()

    def sleep(self, from_us: int, to_us: int) -> None:
        self.pass_time(from_us + SWING_US)
        self.pot.state = "asleep"
        self._advance(to_us)
        self.pot.state = "awake"

    def power_on(self, t_us: int) -> None:
        self.pot.reset = ""
        self.pass_time(t_us)
        self.pot.state = "awake"

    def power_off(self, t_us: int) -> None:
        self._switch(False, t_us)
        if self._off_at is not None:
            self._stand_still()
        self.pot.state = "asleep"

    # --- pins ------------------------------------------------------------------------------------

    def on_pin(self, pin: int, level: Level, pull: int, t_us: int) -> None:
        if pin == self._pump:  # floating, the resistor holds the switch off
            self._pump_level = level
            if self.jumper is None:
                self._switch(level == self._pump_on, t_us)
        elif pin == self._power:
            active = 0 if self.parts["power"].words.get("active") == "low" else 1
            self._powered = level == active
        elif (wire := self._wires.get(pin)) and wire.driven:
            self.pass_time(t_us)
            wire.driven(level == 1)

    def _switch(self, on: bool, t_us: int) -> None:
        if on == (self.on_since is not None):
            return
        self.pass_time(t_us)
        if on:
            self.on_since = t_us
            if self._off_at is None:
                self.pot.pump_on()
                self.pass_time(t_us)  # its starting current may be too much for the cell
            self._off_at = None
        elif self.on_since is not None:
            self.pump_us += t_us - self.on_since
            self.runs.append((self.on_since, t_us))
            self.on_since, self._off_at = None, t_us

    def read_pin(self, pin: int, t_us: int) -> Level:
        self.pass_time(t_us)
        if pin == self.jumper:
            return self._pump_level
        if (wire := self._wires.get(pin)) and wire.level:
            return wire.level()
        take = self._levels.get(pin)
        return take() if take else None

    def read_uv(self, pin: int, t_us: int) -> int:
        self.pass_time(t_us)
        take = self.by_pin_uv.get(pin)
        return round(take()) if take else 0

    def pulse_us(self, pin: int, level: int, timeout_us: int, t_us: int) -> int:
        self.pass_time(t_us)
        part = self.parts.get("level")
        if part is None or pin != part.pins.get("echo") or not self._powered:
            return NO_ECHO
        echo_us = self.pot.level_raw()
        if echo_us == NO_ECHO_US:
            return NO_ECHO
        return echo_us if echo_us <= timeout_us else ECHO_LATE

    def count(self, pin: int, t_us: int) -> int:
        self.pass_time(t_us)
        wire = self._wires.get(pin)
        return wire.pulses() if wire and wire.pulses else 0

    def temperatures(self, pin: int, t_us: int) -> dict[bytes, int | None]:
        self.pass_time(t_us)
        part = self.parts.get("temperature")
        if part is None or pin != part.pins["pin"] or not self._powered:
            return {}
        return {ROM: self.pot.temperature_raw() * 1000 // 16}

    def button(self, down: bool, t_us: int) -> None:
        self._pressed = down

    @property
    def pressed(self) -> bool:
        """Whether the button is held down."""
        return self._pressed

    def asked(self, question: str, t_us: int) -> float | None:
        self.settle(t_us)
        return self.person(question)
