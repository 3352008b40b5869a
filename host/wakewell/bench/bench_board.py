"""A board on the bench: probes read, pin floated, pump run for a bounded time, button looked at.

What belongs here: what runs on the board during commissioning. What does not: the steps and
their questions (commission.py).

A person may think for longer than the board waits, so the connection is opened again if the board
has left.
"""

from __future__ import annotations

import contextlib
import time
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Self

from wakewell.errors import BadInput
from wakewell.usb.flash import check_board, check_pulse, progress
from wakewell.usb.link import BoardLost, Link, connect, ports
from wakewell.usb.pull import Pulled, leave

STALE_S = 200.0  # the board's lease is five minutes
LONGEST_MS = 10_000

PULSE_MS = 150


class BenchBoard:
    """The pot's board, connected when first needed. Of the last pump run: `ran_ms`, and `drew`,
    [median, spread] of the current sense in counts, and `counted`, the pulses of a flow meter
    (zeros where none is fitted)."""

    def __init__(self, folder: Path, port: str, wait_s: float | None = None) -> None:
        self.folder, self.port, self.wait_s = folder, port, wait_s
        self.ran_ms, self.drew, self.counted = 0, [0, 0], 0
        self._link: Link | None = None
        self._desk = False
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
            link.run("use_version")
            self._desk = link.eval("hasattr(__import__('machine'), 'desk_asked')", bool)
            self._link = link
        self._used_s = time.monotonic()
        return self._link

    def read(self) -> dict[str, list[int] | None]:
        """Every fitted probe, now: [median, spread] or None."""
        found: dict[str, list[int] | None] = self.link().ask(
            "read_probes", kind=dict[str, list[int] | None]
        )
        return found

    def run_pump(self, ms: int) -> int:
        """Run the pump for ms, LONGEST_MS at most; how long it ran by the board's clock."""
        ms = min(ms, LONGEST_MS)
        whole, rest = divmod(ms, PULSE_MS)
        kind = tuple[int, int, int, int]
        came = self.link().ask("run_pump", PULSE_MS, whole, rest, kind=kind)
        self.ran_ms, *self.drew, self.counted = came
        return self.ran_ms

    def float_pump(self) -> None:
        """Let the pump's pin float; pump_off() takes it back."""
        self.link().run("float_pump")

    def pump_off(self) -> None:
        """Pump off, lease renewed."""
        self.link().renew()

    def now(self) -> datetime:
        """The time of day, a desk board's own where it is one."""
        return self.link().now()

    def asked(self, question: str) -> float | None:
        """Tell a desk board what its person is asked now: the figure that the hands there read.
        None from any other board; a real board is not woken only for that.
        """
        places = {self.port, str(Path(self.port).resolve())}
        if self._link is None and places & set(ports()):
            return None
        self.link()
        if not self._desk:
            return None
        code = f"__import__('machine').desk_asked({question!r})"
        found: int | None = self.link().eval(code, int | None)
        return None if found is None else found / 1000

    def button(self) -> bool:
        """Is the button pressed?"""
        return bool(self.link().ask("press", kind=int))
