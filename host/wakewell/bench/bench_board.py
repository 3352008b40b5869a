"""A board on the bench: probes read, pin floated, pump run for a bounded time, button looked at.

What belongs here: what runs on the board during commissioning. What does not: the steps and
their questions (commission.py).

A person may think for longer than the board waits, so the board is taken anew where it left.
"""

from __future__ import annotations

import contextlib
import time
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from wakewell.errors import BadInput
from wakewell.usb.flash import check_board, check_pulse, progress
from wakewell.usb.link import BoardLost, Link, connect, value_of
from wakewell.usb.pull import Pulled, leave

STALE_S = 200.0  # the board's lease is five minutes
LONGEST_MS = 10_000

BEGIN = """
import sys, loader
v = loader.read('/code/in-force')
sys.path.insert(0, '/code/' + v)
from wakeboard.board import Board
from wakeboard import parts
b = Board(v, 0)
"""
READ = """
b.sensors(True)
print(repr({n: parts.read(p) for n, p in parts.fit(b.wiring).items()}))
b.sensors(False)
"""
# The watchdog bites soon after the bound, whatever happens here; a lease takes it over then.
# The first looks at the current see the pump start.
RUN = """
import chip, time
c = parts.fit(b.wiring).get('current')
v = []
b.sensors(True)
chip.watch({ms} + 3000)
x = chip.Pulser(*loader.pump())
x.arm({one}, {rest})
t = time.ticks_ms()
try:
    for _ in range({whole}):
        x.pulse(True)
        if c:
            v.append(c.now())
    if {rest}:
        x.pulse(False)
    x.wait()
finally:
    x.stop()
    loader.pump_off()
    t = time.ticks_diff(time.ticks_ms(), t)
    loader.lease()
    b.sensors(False)
v = sorted(v[2:])
print((t, v[len(v) // 2] if v else 0, v[-1] - v[0] if v else 0))
"""
FLOAT = """
import chip
chip.sense(loader.pump()[0])
"""
BUTTON = """
w = b.wiring
print(int(__import__("chip").sense(w.button_pin, w.button_pull).value() == b.button_active()))
"""
PULSE_MS = 150


class BenchBoard:
    """The pot's board, connected when first needed. Of the last pump run: `ran_ms`, and `drew`,
    [median, spread] of the current sense in counts (zeros where none is fitted)."""

    def __init__(self, folder: Path, port: str, wait_s: float | None = None) -> None:
        self.folder, self.port, self.wait_s = folder, port, wait_s
        self.ran_ms, self.drew = 0, [0, 0]
        self._link: Link | None = None
        self._used_s = 0.0
        self._stack = contextlib.ExitStack()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._link is not None:
            with contextlib.suppress(BoardLost, BadInput):
                self.pump_off()
                leave(self._link, self.folder / "logs", Pulled(self.folder.name))
        self._stack.close()

    def link(self) -> Link:
        """The board at its prompt."""
        if self._link is not None and time.monotonic() - self._used_s > STALE_S:
            self._stack.close()
            self._link = None
        if self._link is None:
            wait = {} if self.wait_s is None else {"wait_s": self.wait_s}
            link = self._stack.enter_context(connect(self.port, progress, **wait))
            check_board(link, self.folder)
            check_pulse(link)
            if link.read("/code/in-force") is None or link.read("/pump.json") is None:
                raise BadInput(
                    f"{self.port}: this board has no program yet; run wakewell flash {self.folder}"
                )
            link.exec(BEGIN)
            self._link = link
        self._used_s = time.monotonic()
        return self._link

    def read(self) -> dict[str, list[int] | None]:
        """Every fitted probe, now: [median, spread] or None."""
        found: dict[str, list[int] | None] = self._value(READ, dict[str, list[int] | None])
        return found

    def run_pump(self, ms: int) -> int:
        """Run the pump for ms, LONGEST_MS at most; how long it ran by the board's clock."""
        ms = min(ms, LONGEST_MS)
        whole, rest = divmod(ms, PULSE_MS)
        code = RUN.format(ms=ms, one=PULSE_MS, whole=whole, rest=rest)
        self.ran_ms, *self.drew = self._value(code, tuple[int, int, int])
        return self.ran_ms

    def float_pump(self) -> None:
        """Let the pump's pin float; pump_off() takes it back."""
        self.link().exec(FLOAT)

    def pump_off(self) -> None:
        """Pump off, lease renewed."""
        self.link().renew()

    def button(self) -> bool:
        """Is the button pressed?"""
        return bool(self._value(BUTTON, int))

    def _value(self, code: str, kind: Any) -> Any:
        text = self.link().exec(code).strip().splitlines()
        return value_of(text[-1] if text else "", self.port, kind)
