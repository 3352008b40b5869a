"""What hangs on the board's pins.

Belongs here: the interface between a desk board and whatever is wired to it, a world in which
nothing happens, and one whose readings a test sets.
Does not belong here: a pot (the rig has one), or anything about interpreters and terminals.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

Level = int | None
"""0 or 1; None: nothing drives it."""


class World(Protocol):
    """Everything a board can sense or move.

    Every time is simulated microseconds since the world began; it never goes back. All calls
    come from the board's own thread, one at a time, in order of time.
    """

    @property
    def steady_us(self) -> int:
        """How long an answer of read_pin or read_uv may be used again while no pin moves and
        `changed` was not called, simulated microseconds. 0: every reading is asked for."""
        ...

    def attach(self, changed: Callable[[], None]) -> None:
        """Called once. The world calls `changed` (from any thread) when an input moved without
        the board's doing: readings kept are dropped, edges and wake pins looked at."""

    def power_on(self, t_us: int) -> None:
        """The supply came on."""

    def power_off(self, t_us: int) -> None:
        """The supply went; every pin floats."""

    def on_pin(self, pin: int, level: Level, pull: int, t_us: int) -> None:
        """The board drives `pin` to 0 or 1, or no longer drives it (None: input, reset, no
        power). `pull` is 0 none, 1 down, 2 up. Also called for each edge of a pulse."""

    def read_pin(self, pin: int, t_us: int) -> Level:
        """Level that the wiring puts on an input; None if nothing drives it: the board then
        sees its own pull, or 0."""

    def read_uv(self, pin: int, t_us: int) -> int:
        """Voltage at a converter's pin, microvolts; may lie outside the converter's span."""

    def pulse_us(self, pin: int, level: int, timeout_us: int, t_us: int) -> int:
        """Length of the next pulse of that level on `pin` (an ultrasonic echo), microseconds;
        -2 if it does not start, -1 if it does not end in time."""

    def count(self, pin: int, t_us: int) -> int:
        """Pulses that came on `pin` since the world began."""

    def temperatures(self, pin: int, t_us: int) -> dict[bytes, int | None]:
        """One-wire sensors on `pin`: rom code of 8 bytes to millidegrees Celsius, None for a
        sensor whose checksum is wrong. At most 8."""

    def sleep(self, from_us: int, to_us: int) -> None:
        """The chip was in deep sleep from one time to the other."""

    def button(self, down: bool, t_us: int) -> None:
        """The button was pressed or let go (DeskBoard.press_button)."""

    def asked(self, question: str, t_us: int) -> float | None:
        """The host at the board's prompt asks its person that question now. The figure that the
        person's hand reads, -1e6 to 1e6; None for none."""


class QuietWorld:
    """A world in which nothing is connected. Subclass it and write what is."""

    def __init__(self) -> None:
        self.changed: Callable[[], None] = lambda: None

    @property
    def steady_us(self) -> int:
        return 0

    def attach(self, changed: Callable[[], None]) -> None:
        self.changed = changed

    def power_on(self, t_us: int) -> None: ...

    def power_off(self, t_us: int) -> None: ...

    def on_pin(self, pin: int, level: Level, pull: int, t_us: int) -> None: ...

    def read_pin(self, pin: int, t_us: int) -> Level:
        return None

    def read_uv(self, pin: int, t_us: int) -> int:
        return 0

    def pulse_us(self, pin: int, level: int, timeout_us: int, t_us: int) -> int:
        return -2

    def count(self, pin: int, t_us: int) -> int:
        return 0

    def temperatures(self, pin: int, t_us: int) -> dict[bytes, int | None]:
        return {}

    def sleep(self, from_us: int, to_us: int) -> None: ...

    def button(self, down: bool, t_us: int) -> None: ...

    def asked(self, question: str, t_us: int) -> float | None:
        return None


class ScriptedWorld(QuietWorld):
    """A world whose inputs are set by hand and which writes down what the board did.

    `uv`, `pins`, `echo_us` and `sensors` are the inputs by pin number: a constant, or (`uv`,
    `pins`) a function of the time. `events` is what happened: (t_us, kind, pin, value), where
    kind is "pin", "power", "sleep" or "button". Set inputs with set_uv and set_pin so that the
    board notices.
    """

    def __init__(self, *, button_pin: int | None = None, button_active: int = 0) -> None:
        super().__init__()
        self.uv: dict[int, int | Callable[[int], int]] = {}
        self.pins: dict[int, Level | Callable[[int], Level]] = {}
        self.echo_us: dict[int, int] = {}
        self.sensors: dict[int, dict[bytes, int | None]] = {}
        self.events: list[tuple[int, str, int, Level]] = []
        self.driven: dict[int, Level] = {}
        self._button_pin = button_pin
        self._button_active = button_active
        if button_pin is not None:
            self.pins[button_pin] = 1 - button_active

    @property
    def steady_us(self) -> int:
        moving = any(callable(value) for value in (*self.uv.values(), *self.pins.values()))
        return 0 if moving else 1_000_000

    def set_uv(self, pin: int, uv: int) -> None:
        self.uv[pin] = uv
        self.changed()

    def set_pin(self, pin: int, level: Level) -> None:
        self.pins[pin] = level
        self.changed()

    def power_on(self, t_us: int) -> None:
        self.events.append((t_us, "power", -1, 1))

    def power_off(self, t_us: int) -> None:
        self.events.append((t_us, "power", -1, 0))

    def on_pin(self, pin: int, level: Level, pull: int, t_us: int) -> None:
        if self.driven.get(pin) != level:
            self.events.append((t_us, "pin", pin, level))
        self.driven[pin] = level

    def read_pin(self, pin: int, t_us: int) -> Level:
        value = self.pins.get(pin)
        return value(t_us) if callable(value) else value

    def read_uv(self, pin: int, t_us: int) -> int:
        value = self.uv.get(pin, 0)
        return value(t_us) if callable(value) else value

    def pulse_us(self, pin: int, level: int, timeout_us: int, t_us: int) -> int:
        length = self.echo_us.get(pin, -2)
        return -1 if length > timeout_us else length

    def temperatures(self, pin: int, t_us: int) -> dict[bytes, int | None]:
        return self.sensors.get(pin, {})

    def sleep(self, from_us: int, to_us: int) -> None:
        self.events.append((from_us, "sleep", -1, to_us - from_us))

    def button(self, down: bool, t_us: int) -> None:
        self.events.append((t_us, "button", -1, int(down)))
        if self._button_pin is not None:
            self.pins[self._button_pin] = self._button_active if down else 1 - self._button_active
