"""The desk board: a real MicroPython interpreter. To mpremote it is a board on USB.

Belongs here: what a test or a person does to it, its thread, and what it holds open.
Does not belong here: the chip's states and time (chip.py), the console and its prompts
(interpreter.py), the cable (port.py), the flash as files (image.py), the wiring (world.py).
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import queue
import select
import shutil
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Mapping
from concurrent.futures import Future, wait
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Self, TypeVar, get_args

from wakewell.deskboard.chip import CAUSES, Asleep, Awake, Boot, Counters, DeskChip, State
from wakewell.deskboard.image import BLOCK_BYTES, read_unlocked, write_unlocked
from wakewell.deskboard.inside import layout as L
from wakewell.deskboard.interpreter import DeskBoardError, Spawner, shared_memory
from wakewell.deskboard.port import Direction, HostPort
from wakewell.deskboard.world import QuietWorld, World
from wakewell.pot import chips

if sys.platform != "win32":  # why_not() must still be able to say why it cannot run there
    import fcntl

__all__ = ["CAUSES", "Boot", "Counters", "DeskBoard"]

T = TypeVar("T")

EPOCH = datetime(2000, 1, 1, tzinfo=UTC)

CONSOLE_BYTES = 1 << 16
LEAST_BLOCKS = 16
NEVER_S = 900.0  # real seconds: a working board never waits so long, on any computer
LOOK_S = 0.008  # how often to see whether a host came or went


class DeskBoard:
    """A board on the desk. Use it as a context manager; it is on when entered.

    image: the flash, a file; made (erased, `image_bytes` long) if it is not there.
    world: what is wired to the pins (World); nothing if None.
    unique_id: machine.unique_id(), 6 bytes; made from the image's path if None.
    heap_bytes: size of the interpreter's heap. Its words are twice as wide as a chip's.
    chip: whose pins it has: one of wakewell.pot.chips.PORTED. Its converter is an ESP32's
        throughout.
    awake: how simulated time passes while the chip runs. "real": with the PC's clock.
        "stepped": only when the board uses it (sleep, ticks, pins), so a wake takes
        milliseconds and is always the same. "host": real while a host has the port open, else
        stepped.
    asleep: how it passes in deep sleep. "hold": it stands still until advance() or until
        something wakes the chip. "skip": at once. "real": with the PC's clock, times `speed`.
    sleep_error_ppm: by how much the sleep oscillator is slow (positive: sleeps longer than
        asked, the board not knowing).
    reset_on_open: a host that opens the port resets the chip, as many bridges do.
    hang_s: in stepped time, seconds of a processor's time without a sign of life after which an
        armed watchdog bites.
    patience: in stepped time, how much of a wait for the network really passes, above 0 to 1. A
        test in which nobody will answer need not wait the board's full time.
    writes: a file to which each write and erase of the flash is added (flash_writes reads it);
        none if None.
    link: a further name for the port, a symbolic link; in a folder of its own if None.
    begins: date and time of the world when it is switched on first; None: where the flash was
        switched off last, by the file beside it, else now. From there the world's own time counts,
        however it passes, and every host that asks is told it.

    awake, asleep, speed, sleep_error_ppm, reset_on_open, hang_s and patience may be set while it
    runs.
    Every method may be called from any thread, also by the world from the board's own: there,
    what ends a boot or presses the button is done as soon as the world's method has returned.

    Raises DeskBoardError where no interpreter can run (why_not() tells before), or where the image
    is in use or is not a flash.
    """

    def __init__(
        self,
        image: str | os.PathLike[str],
        world: World | None = None,
        *,
        image_bytes: int = 2 << 20,
        unique_id: bytes | None = None,
        heap_bytes: int | None = None,
        chip: str = "esp32",
        awake: Awake = "host",
        asleep: Asleep = "hold",
        speed: float = 1.0,
        sleep_error_ppm: int = 0,
        reset_on_open: bool = False,
        hang_s: float = 2.0,
        patience: float = 1.0,
        writes: str | os.PathLike[str] | None = None,
        link: str | os.PathLike[str] | None = None,
        begins: datetime | None = None,
    ) -> None:
        if awake not in get_args(Awake) or asleep not in get_args(Asleep):
            raise DeskBoardError(
                f"awake={awake!r}, asleep={asleep!r}: awake must be one of {get_args(Awake)},"
                f" asleep one of {get_args(Asleep)}"
            )
        if chip not in chips.PORTED:
            raise DeskBoardError(f"chip={chip!r}: must be one of {chips.PORTED}")
        if unique_id is not None and len(unique_id) != 6:
            raise DeskBoardError(f"unique_id={unique_id!r}: must be 6 bytes")
        self.image = Path(image)
        self.world: World = QuietWorld() if world is None else world
        self.asleep: Asleep = asleep
        self.speed = speed
        self.sleep_error_ppm = sleep_error_ppm
        self.reset_on_open = reset_on_open
        self.hang_s = hang_s
        self.boots: list[Boot] = []
        """Every boot so far. The last one may not be over yet."""
        self._awake: Awake = awake
        self._patience = patience
        self._kind = chips.CHIPS[chip]
        self._heap = [] if heap_bytes is None else ["-X", f"heapsize={heap_bytes}"]
        self._image_bytes = image_bytes
        self._unique_id = unique_id or self._made_up_id()
        self._writes = writes
        self._link = link
        self._began_s = self._kept_s() if begins is None else int((begins - EPOCH).total_seconds())
        self._thread: threading.Thread | None = None
        self.cable = HostPort()
        self._console = bytearray()
        self._fault: Exception | None = None

    @property
    def _clock_file(self) -> Path:
        return self.image.with_name(self.image.name + ".clock")

    def _kept_s(self) -> int:
        """When this flash was switched off last, seconds since 2000, else now."""
        with contextlib.suppress(OSError, ValueError):
            kept = datetime.fromisoformat(self._clock_file.read_text(encoding="ascii").strip())
            if self.image.exists():
                return int((kept - EPOCH).total_seconds())
        return int((datetime.now(UTC) - EPOCH).total_seconds())

    @property
    def utc(self) -> datetime:
        """Date and time in the world."""
        return EPOCH + timedelta(seconds=self._began_s + self.now_us // 1_000_000)

    def keep_clock(self) -> None:
        """Write the date beside the flash, from which the next desk board on it goes on."""
        text = self.utc.isoformat(timespec="seconds")
        new = self._clock_file.with_name(self._clock_file.name + ".new")
        new.write_text(text + "\n", encoding="ascii")
        new.replace(self._clock_file)

    def _made_up_id(self) -> bytes:
        # Bit 1 of the first byte marks an address that no maker gave (IEEE 802).
        return b"\x02" + hashlib.sha256(str(self.image.resolve()).encode()).digest()[:5]

    # --- life --------------------------------------------------------------------------------

    def start(self) -> Self:
        """Make everything that is needed and switch the power on."""
        with contextlib.ExitStack() as stack:
            image_fd = self._open_image()
            stack.callback(os.close, image_fd)
            folder = Path(tempfile.mkdtemp(prefix="deskboard-"))
            stack.callback(shutil.rmtree, folder, ignore_errors=True)
            self._shared, shared_fd = shared_memory()
            stack.callback(self._shared.close)
            stack.callback(os.close, shared_fd)
            self.spawner = spawner = Spawner(self._shared, shared_fd, folder)
            stack.callback(spawner.close)
            self.cable.link = Path(self._link) if self._link else folder / "ttyDESK0"
            self.cable.plug_in()
            stack.callback(self.cable.unplug)
            self._wake_read, self._wake_write = os.pipe()
            stack.callback(os.close, self._wake_read)
            stack.callback(os.close, self._wake_write)
            self.inner = DeskChip(
                self,
                self.world,
                self.boots,
                self._shared,
                lambda: spawner.boot(self._heap, image_fd),
                spawner.kill,
                self._show,
                self._kind,
            )
            self.inner.put(L.BLOCK_BYTES, BLOCK_BYTES)
            self.inner.put(L.WORLD_BEGAN_S, self._began_s, "<q")
            self.inner.put(L.BLOCK_COUNT, os.fstat(image_fd).st_size // BLOCK_BYTES)
            self.inner.put(L.PATIENCE, round(1000 * self._patience))
            if self._writes is not None:
                (folder / L.NOTES).symlink_to(Path(self._writes).resolve())
                self.inner.put(L.NOTING, 1)
            self._shared[L.UNIQUE_ID : L.UNIQUE_ID + 6] = self._unique_id
            self._stopping = False
            self._looked_s = 0.0
            self._fault = None
            self._calls: queue.SimpleQueue[Callable[[], None]] = queue.SimpleQueue()
            self._waiters: list[tuple[Callable[[], bool], Future[None]]] = []
            self.world.attach(self._world_changed)
            self._resources = stack.pop_all()
        self._thread = threading.Thread(target=self._run, name=f"desk board {self.image.name}")
        self._thread.start()
        self._call(self.inner.switch_on)
        return self

    def close(self) -> None:
        """Switch it off and remove all of it: process, thread, descriptor and link. Raises
        DeskBoardError if it broke down meanwhile, say by an exception in the world.
        """
        if self._thread is None:
            return
        with contextlib.suppress(DeskBoardError, OSError):  # broken down, or its folder is gone
            self.keep_clock()
        self._stopping = True
        self._wake()
        self._thread.join()
        self._began_s += self.inner.now() // 1_000_000  # a new start counts from 0 again
        self._thread = None
        self._resources.close()
        if self._fault is not None:
            raise DeskBoardError(f"the desk board broke down: {self._fault}") from self._fault

    def closed(self) -> bool:
        return self._thread is None

    def __enter__(self) -> Self:
        return self.start() if self.closed() else self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            self.close()
        except DeskBoardError:
            if error is None:
                raise

    def _open_image(self) -> int:
        new = not self.image.exists()
        size = self._image_bytes if new else self.image.stat().st_size
        if size < LEAST_BLOCKS * BLOCK_BYTES or size % BLOCK_BYTES:
            raise DeskBoardError(
                f"{self.image}: {size} bytes is no flash;"
                f" it must be a multiple of {BLOCK_BYTES}, and {LEAST_BLOCKS} of them or more."
                " Name another file, or a new one to have it made"
            )
        try:
            fd = os.open(self.image, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        except OSError as error:
            raise DeskBoardError(
                f"{self.image}: cannot be opened for writing: {error.strerror}"
            ) from error
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            os.close(fd)
            raise DeskBoardError(
                f"{self.image}: another desk board runs on this flash; close it first"
            ) from error
        if new:
            os.write(fd, b"\xff" * size)
        return fd

    # --- what can be seen ----------------------------------------------------------------------

    @property
    def port(self) -> str:
        """What a host opens. Changes when the cable is plugged in again, `link` does not; ""
        while the cable is out."""
        return self.cable.path

    @property
    def link(self) -> str:
        """Another name of the port, on which mpremote uses its time-outs (see HostPort)."""
        return str(self.cable.link)

    @property
    def unique_id(self) -> bytes:
        return self._unique_id

    @property
    def awake(self) -> Awake:
        return self._awake

    @awake.setter
    def awake(self, how: Awake) -> None:
        self._awake = how
        if self._thread is not None:
            self._call(self.inner.set_pace)

    @property
    def patience(self) -> float:
        return self._patience

    @patience.setter
    def patience(self, share: float) -> None:
        self._patience = share
        if self._thread is not None:
            self._call(lambda: self.inner.put(L.PATIENCE, round(1000 * share)))

    @property
    def now_us(self) -> int:
        """Simulated microseconds since the world began."""
        return self._call(lambda: self.inner.now())

    @property
    def state(self) -> State:
        """ "off", "runs" or "sleeps" (deep sleep)."""
        return self._call(lambda: self.inner.state)

    @property
    def counters(self) -> Counters:
        return self._call(lambda: self.inner.count())

    @property
    def console(self) -> bytes:
        """The last 64 KiB that the board printed, whether or not a host was there."""
        return bytes(self._console)

    @property
    def rtc_memory(self) -> bytes:
        """What machine.RTC().memory() holds."""
        size = self._call(lambda: self.inner.get(L.RTC_LEN))
        return self._shared[L.RTC_MEMORY : L.RTC_MEMORY + size]

    def read_files(self) -> dict[str, bytes]:
        """Every file on the flash, as littlefs-python reads it. The board must be off or in
        deep sleep: a running one may be in the middle of a change."""
        return self._call(lambda: self._at_rest(lambda: read_unlocked(self.image)))

    def write_files(self, files: Mapping[str, str | bytes]) -> None:
        """Write files into the flash of a board that is off or in deep sleep."""
        self._call(lambda: self._at_rest(lambda: write_unlocked(self.image, files)))

    def _at_rest(self, what: Callable[[], T]) -> T:
        if self.inner.state == "runs":
            raise DeskBoardError(
                f"{self.image}: the board runs; cut its power or let it go to deep sleep first"
            )
        return what()

    def check(self) -> None:
        """Raise DeskBoardError if the board has broken down, say by an exception in the world."""
        self._call(lambda: None)

    def do(self, what: Callable[[], T]) -> T:
        """Run something on the board's own thread, where the world may be touched."""
        return self._call(what)

    # --- what can be done to it ----------------------------------------------------------------

    def hard_reset(self) -> None:
        """Reset by the chip's enable pin, as modem lines do on a board with a bridge: to the
        chip it is a power-on."""
        self._order(lambda: self.inner.hard_reset())

    def cut_power(self) -> None:
        """Take the power away, until power_on()."""
        self._order(lambda: self.inner.switch_off("power cut"))

    def power_on(self) -> None:
        self._order(lambda: self.inner.switch_on())

    def cut_power_at(self, count: int, *, half: bool = False, stay_off: bool = False) -> None:
        """Take the power away at the `count`-th flash write or erase from now: before it, or
        with half of it done. The board then has a power-on boot, unless it is to stay off
        until power_on(). 0 calls it off."""
        if count < 0:
            raise DeskBoardError(f"cut_power_at({count}): count must be 0 (never) or more")

        def arm() -> None:
            self.inner.put(L.CUT_HALF, int(half))
            self.inner.put(L.CUT_LEFT, count)
            self.inner.stay_off = stay_off

        self._call(arm)

    def cut_cable_at(self, count: int, direction: Direction = "any") -> None:
        """Pull the cable after `count` more bytes have passed in that direction ("in": host to
        board). The board runs on; plug_in() connects it again."""
        if count < 1:
            raise DeskBoardError(f"cut_cable_at({count}): count must be 1 or more")
        self._call(lambda: self.cable.cut_at(count, direction))

    def unplug(self) -> None:
        """Pull the cable."""
        self._call(self.cable.unplug)

    def plug_in(self) -> None:
        """Connect the cable again. `port` has a new value, `link` the old one."""
        self._call(self.cable.plug_in)

    def press_button(self, hold_s: float | None = 0.2) -> None:
        """Press the button and let it go after so many simulated seconds; None: until
        release_button()."""
        self._order(lambda: self.inner.press_button(hold_s))

    def release_button(self) -> None:
        self._order(lambda: self.inner.button(False, self.inner.now()))

    # --- waiting -------------------------------------------------------------------------------

    def advance(self, seconds: float, *, timeout_s: float = NEVER_S) -> None:
        """Let so much simulated time pass: a sleeping chip wakes and sleeps as it will, a
        prompt waits. Returns when the time has come and the chip sleeps, is off or at its
        prompt. Raises DeskBoardError if that takes more than `timeout_s` real seconds."""

        def aim() -> None:
            self.inner.target_us = self.inner.now() + int(seconds * 1e6)

        self._call(aim)
        self._wait(lambda: self.inner.target_us is None, timeout_s, "come to rest")

    def wait_asleep(self, *, timeout_s: float = NEVER_S) -> Boot:
        """Wait until the chip is in deep sleep. Returns the boot that ended with it."""
        self._wait(lambda: self.inner.state == "sleeps", timeout_s, "go to deep sleep")
        return self.boots[-1]

    def wait_off(self, *, timeout_s: float = NEVER_S) -> None:
        """Wait until the power is gone (cut_power_at with stay_off)."""
        self._wait(lambda: self.inner.state == "off", timeout_s, "lose its power")

    def wait_prompt(self, *, timeout_s: float = NEVER_S) -> None:
        """Wait until main.py is over and the prompt waits."""
        self._wait(lambda: self.inner.at_prompt(), timeout_s, "come to its prompt")

    def wait_boots(self, count: int, *, timeout_s: float = NEVER_S) -> None:
        """Wait until `boots` has that many."""
        self._wait(lambda: len(self.boots) >= count, timeout_s, f"reach boot {count}")

    def _wait(self, until: Callable[[], bool], timeout_s: float, what: str) -> None:
        future: Future[None] = Future()
        self._call(lambda: self._waiters.append((until, future)))
        try:
            future.result(timeout_s)
        except TimeoutError:
            self._call(lambda: self._waiters.remove((until, future)))
            raise DeskBoardError(
                f"the board did not {what} in {timeout_s} s of real time; it {self.state} at"
                f" {self.now_us / 1e6:.3f} s.{self._last_words()}"
            ) from None

    def _last_words(self) -> str:
        return f" The last it printed:\n{self.console[-500:].decode(errors='replace')}"

    # --- the thread ----------------------------------------------------------------------------

    def _call(self, what: Callable[[], T]) -> T:
        """Run something on the board's thread, where all of its state is touched."""
        if self._thread is threading.current_thread():
            return what()
        thread = self._thread
        future: Future[T] = Future()

        def run() -> None:
            try:
                future.set_result(what())
            except Exception as error:
                future.set_exception(error)

        if thread is not None:
            self._calls.put(run)
            self._wake()
        while not wait([future], 0.2).done:
            if thread is None or not thread.is_alive():
                why = self._fault or "it is closed"
                raise DeskBoardError(f"the desk board does not run: {why}") from self._fault
        return future.result()

    def _order(self, what: Callable[[], None]) -> None:
        """As _call, but only between two other calls."""
        if self._thread is threading.current_thread():
            self.inner.later.append(what)
        else:
            self._call(what)

    def _world_changed(self) -> None:
        if self._thread is not None:
            self._order(self.inner.inputs_changed)

    def _wake(self) -> None:
        with contextlib.suppress(OSError):
            os.write(self._wake_write, b"x")

    def _run(self) -> None:
        try:
            while not self._stopping:
                self._poll(self._turn())
            self.inner.switch_off("closed")
        except DeskBoardError as error:
            self._fault = DeskBoardError(f"{error}.{self._last_words()}")
        except Exception as error:
            self._fault = error
        if self.inner.interpreter:  # not switched off: the spawner ends it
            self.inner.interpreter.close()
        while not self._calls.empty():  # first, for one of them may be somebody who begins to wait
            self._calls.get()()
        for _, future in self._waiters:
            future.set_exception(self._fault or DeskBoardError("the desk board is closed"))

    def _poll(self, timeout_s: float) -> None:
        poller = select.poll()
        poller.register(self._wake_read, select.POLLIN)
        if self.cable.present:
            wanted = select.POLLIN | (select.POLLOUT if self.cable.unsent else 0)
            poller.register(self.cable, wanted)
        if self.inner.interpreter:
            poller.register(self.inner.interpreter.events, select.POLLIN)
            poller.register(self.inner.interpreter.console, select.POLLIN)
        for fd, _ in poller.poll(timeout_s * 1000):
            if fd == self._wake_read:
                os.read(self._wake_read, 4096)

    def _turn(self) -> float:
        """Do all that can be done now. Returns the seconds until there is something to do again."""
        while not self._calls.empty():
            self._calls.get()()
            self.inner.settle()
        self.inner.talk()
        again_s = LOOK_S if self.cable.plugged else 1.0
        now_s = time.monotonic()
        sent = self.cable.read()
        # The first bytes of a host must not be answered before the host is known to be there.
        if now_s - self._looked_s > LOOK_S or (sent and not self.cable.present):
            self._looked_s = now_s
            self._look_at_port()
        if self.inner.interpreter:  # a chip that is off or asleep hears nothing
            self.inner.interpreter.type_in(sent)
            waking = self.inner.get(L.AT_PROMPT)
            held_s = 0.001 if waking else self.inner.interpreter.push()
            if held_s is not None:
                again_s = min(again_s, held_s)
        self.cable.flush()
        again_s = min(again_s, self.inner.keep_time(now_s))
        for waiter in list(self._waiters):
            until, future = waiter
            if until():
                self._waiters.remove(waiter)
                future.set_result(None)
        return again_s

    def _look_at_port(self) -> None:
        if self.cable.look():
            self.inner.host_present = self.cable.present
            if self.cable.present and self.reset_on_open:
                self.inner.hard_reset()
            self.inner.set_pace()
        if self.cable.asked_for_reset():
            self.inner.hard_reset()

    def _show(self, data: bytes) -> None:
        if data:
            self._console += data
            del self._console[:-CONSOLE_BYTES]
            self.cable.write(data)
