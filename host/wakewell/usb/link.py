"""One board on a cable: opened, interrupted in its window after a start, and used through mpremote.

For every way in which a board cannot be reached there is one line that says what to do. While a
link is open the board's lease is renewed; a board left alone resets and sleeps by itself.
"""

from __future__ import annotations

import ast
import base64
import binascii
import contextlib
import errno
import os
import struct
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Annotated, Any

import msgspec
import serial
from mpremote.transport import TransportError, TransportExecError
from mpremote.transport_serial import SerialTransport
from serial.tools import list_ports

from wakewell.errors import BadInput
from wakewell.log.logs import printable
from wakewell.usb import programs

EPOCH = datetime(2000, 1, 1, tzinfo=UTC)  # from which a board counts
MOST_S = 1 << 32  # of a date since then
WAIT_S = 120.0  # how long to wait for a board that sleeps
RETRY_S = 0.2
OPEN_TRIES, OPEN_PAUSE_S = 5, 0.1
TRY_S = 1.0  # a board at its prompt answers sooner; one that boots has to be asked again
READ_S = 10.0  # a board that says nothing for so long in the middle of something is lost
TELL_S = 3.0  # a board that only has to boot answers sooner
SILENCE_S = 0.25  # one look for bytes
HEARD_BYTES = 512
PROMPT = b"raw REPL; CTRL-B to exit\r\n"
MOST_BYTES = 1 << 20  # of one answer; a board that never stops sending is given up
ANSWER_S = 180.0  # for one whole answer, however slowly it comes
MOST_VALUE = 1 << 14  # characters of a value that is printed; a piece of a file has fewer
MOST_FILE = 1 << 18  # bytes of a file that is read whole; those of ours have up to 32768
PIECE = 1024  # bytes of a file at a time
MOST_SAID = 200  # characters of a board's own words
LEAST_VERSION = (1, 27)

# So does the pot's own button: the window then follows the wake.
RESET = "press the board's reset button once (not the boot button, and not both)"


# What a board may say of itself: unique id, interpreter, version, compiled files, free and block
# bytes, machine
_Word = Annotated[str, msgspec.Meta(max_length=100)]
_Id = Annotated[bytes, msgspec.Meta(min_length=1, max_length=32)]
_Whole = Annotated[int, msgspec.Meta(ge=-1, lt=1 << 40)]
_Version = Annotated[tuple[_Whole, ...], msgspec.Meta(max_length=4)]
SAYS = tuple[_Id, _Word, _Version, _Whole, _Whole, _Whole, _Word]

# The exceptions of mpremote and pyserial for a cut cable or damaged answers.
GONE: tuple[type[Exception], ...] = (
    OSError,
    TransportError,
    serial.SerialException,
    struct.error,
    UnicodeDecodeError,
)
if sys.platform != "win32":
    import termios

    GONE += (termios.error,)


def last_words(error: TransportExecError) -> str:
    """The last line of a traceback on the board, its commonest errors in words."""
    text = (str(error.error_output).strip().splitlines() or ["an error"])[-1]
    text = printable(text, MOST_SAID)
    for number, words in ((2, "ENOENT"), (28, "ENOSPC: its flash is full, remove files of yours")):
        if text in (f"OSError: {number}", f"OSError: [Errno {number}]"):
            return f"OSError: {words}"
    return text.replace("OSError: [Errno 28] ENOSPC", "its flash is full, remove files of yours")


def left_the_bus(error: Exception) -> bool:
    """Is there no port any more?"""
    number = error.args[0] if error.args else None
    return number in (errno.EIO, errno.ENXIO, errno.ENODEV) or "disconnected" in str(error)


class BoardLost(BadInput):
    """The board stopped answering in the middle of something."""


class BoardRefused(BoardLost):
    """The board answered with an error of its own."""


def value_of(text: str, port: str, kind: Any = Any) -> Any:
    """The value that a board printed, of that kind. Raises BoardLost if it is none such: a board's
    answers are trusted no more than a stranger's.
    """
    text = text.strip()
    try:
        if len(text) > MOST_VALUE:
            raise ValueError("too long")
        return msgspec.convert(ast.literal_eval(text), kind)
    except (ValueError, SyntaxError, TypeError, MemoryError, RecursionError):
        raise BoardLost(f"{port}: garbled answer {printable(text, 60)}") from None


@dataclass(frozen=True)
class Identity:
    """What a board says of itself. free_bytes is -1 if its file system cannot be read."""

    unique_id: str
    interpreter: str
    version: tuple[int, ...]
    mpy: int
    free_bytes: int
    block_bytes: int
    machine: str

    @property
    def mpy_version(self) -> int:
        """Version of compiled files that this interpreter loads."""
        return self.mpy & 0xFF


def ports() -> list[str]:
    """Serial ports that may be boards: those on USB."""
    return sorted(p.device for p in list_ports.comports() if p.vid is not None)


def no_permission(port: str) -> str:
    """The exact way to get permission on this system."""
    if sys.platform.startswith("linux"):
        try:
            import grp

            group = grp.getgrgid(os.stat(port).st_gid).gr_name
        except (OSError, KeyError, ImportError):
            group = "dialout"
        if group == "root":
            rule = 'SUBSYSTEM=="tty", SUBSYSTEMS=="usb", GROUP="dialout", MODE="0660"'
            return (
                f"{port}: no permission: it belongs to root alone. Write {rule} into "
                "/etc/udev/rules.d/50-serial.rules, run: sudo usermod -aG dialout $USER then log "
                "out and in again, and plug the board in again"
            )
        return (
            f"{port}: no permission. Run: sudo usermod -aG {group} $USER then log out and in again"
        )
    return f"{port}: no permission; close other programs that use it, then try again"


class PatientPort:
    """A serial port whose bytes are read as they come, so that looking ahead loses none."""

    def __init__(self, port: Any) -> None:
        self.inner, self._kept = port, bytearray()
        self.heard = bytearray()
        """The last bytes that came, also those already read."""
        self.allow()

    def allow(self) -> None:
        """From now on one more answer may come, for ANSWER_S."""
        self._until = time.monotonic() + ANSWER_S

    def __getattr__(self, name: str) -> Any:
        return getattr(self.inner, name)

    def inWaiting(self) -> int:
        """Bytes that can be had at once."""
        return len(self._kept) + int(self.inner.in_waiting)

    def read(self, size: int = 1) -> bytes:
        """`size` bytes, fewer if they do not come within READ_S."""
        deadline = time.monotonic() + READ_S
        while len(self._kept) < size and (self._fetch() or time.monotonic() < deadline):
            pass
        return self._take(size)

    def until(self, ending: bytes, silence_s: float, overall_s: float | None) -> bytes:
        """Up to and with `ending`; else what came until nothing did for `silence_s`, or until
        `overall_s` are over or MOST_BYTES are here."""
        begun = heard = time.monotonic()
        at = 0
        while (found := self._kept.find(ending, at)) < 0:
            at = max(0, len(self._kept) - len(ending) + 1)
            got = self._fetch()
            now = time.monotonic()
            heard = now if got else heard
            late = now - heard > silence_s or (overall_s is not None and now - begun > overall_s)
            if late or len(self._kept) > MOST_BYTES:
                return self._take(len(self._kept))
        return self._take(found + len(ending))

    def reset_input_buffer(self) -> None:
        """Throw away what came."""
        self._kept.clear()
        self.inner.reset_input_buffer()

    def _fetch(self) -> bool:
        if time.monotonic() > self._until:
            raise TransportError(f"no end of its answer within {ANSWER_S:.0f} s")
        got = self.inner.read(max(1, self.inner.in_waiting))
        self._kept += got
        self.heard += got
        del self.heard[:-HEARD_BYTES]
        return bool(got)

    def _take(self, size: int) -> bytes:
        data = bytes(self._kept[:size])
        del self._kept[:size]
        return data


class Cable(SerialTransport):  # type: ignore[misc]
    """mpremote's transport, waiting for bytes instead of looking for them every 10 ms.

    Its waits always end, also on a pseudo-terminal, where those of mpremote never do.
    """

    def __init__(self, port: str) -> None:
        super().__init__(port, timeout=SILENCE_S)
        opened: Any = vars(self)["serial"]
        self.serial: Any = PatientPort(opened)

    def read_until(
        self,
        min_num_bytes: int,
        ending: bytes,
        timeout: float | None = 10,
        data_consumer: Callable[[bytes], None] | None = None,
        timeout_overall: float | None = None,
    ) -> bytes:
        """As mpremote's: data up to `ending`, or whatever came before READ_S of silence, which is
        what mpremote gives too."""
        return bytes(self.serial.until(ending, READ_S, timeout_overall))


def unlocked(port: str) -> Cable:
    """The port, opened by mpremote. Its lock may linger for a moment, in a program that another
    thread is just starting, so a locked port is asked again before it is called busy."""
    for again in range(OPEN_TRIES - 1, -1, -1):
        try:
            # Opened once by hand first: mpremote hides why a port cannot be opened.
            serial.Serial(port, timeout=1, exclusive=os.name == "posix").close()
            return Cable(port)
        except (serial.SerialException, TransportError) as error:
            known = getattr(error, "errno", None)
            if not again or known in (errno.EACCES, errno.ENOENT, errno.ENOTTY):
                raise
            time.sleep(OPEN_PAUSE_S)
    raise AssertionError("the last try returned or raised")


def open_port(port: str) -> Cable:
    """The port, opened. Raises BadInput with what to do."""
    try:
        path = Path(port)
        if os.name == "posix" and not path.exists():
            raise BadInput(
                f"{port}: no such port. Boards seen: {', '.join(ports()) or 'none'}. "
                f"A board with native USB vanishes while it sleeps: {RESET}"
            )
        return unlocked(port)
    except (OSError, serial.SerialException, TransportError) as error:
        number = getattr(error, "errno", None)
        if number is None and error.__context__ is not None:  # pyserial wraps one of termios
            number = next(iter(error.__context__.args), None)
        text = str(error)
        if number == errno.EACCES or "Permission" in text:
            raise BadInput(no_permission(port)) from None
        if number in (errno.EBUSY, errno.EAGAIN) or "lock" in text or "busy" in text:
            raise BadInput(
                f"{port}: busy: another program has it open; close it (a terminal, an editor, "
                "another wakewell), then try again"
            ) from None
        why = os.strerror(number) if isinstance(number, int) else text
        raise BadInput(
            f"{port}: not a serial port that can be opened: {why}; give the port of a board, such "
            "as /dev/ttyUSB0 or COM3"
        ) from None


class Link:
    """An open board at its raw prompt, pump off, lease renewed. Use `connect`."""

    def __init__(self, port: str, transport: Cable) -> None:
        self.port, self.transport = port, transport
        self.identity = self.identify()

    def exec(self, code: str) -> str:
        """Run code on the board; its output. BoardLost if it no longer answers."""
        try:
            self.transport.serial.allow()
            data = self.transport.exec(code)
            return bytes(data).decode(errors="replace")
        except TransportExecError as error:
            raise BoardRefused(f"{self.port}: the board says {last_words(error)}") from None
        except GONE as error:
            why = printable(str(error), MOST_SAID)
            raise BoardLost(f"{self.port}: the board stopped answering ({why})") from None

    def eval(self, expression: str, kind: Any = Any) -> Any:
        """The value of an expression on the board, of that kind."""
        return value_of(self.exec(f"print(repr({expression}))"), self.port, kind)

    def run(self, program: str, *given: Any) -> str:
        """Have the board run a program of `wakeboard.cable`; what it prints."""
        return self.exec(programs.call(program, *given))

    def ask(self, program: str, *given: Any, kind: Any = Any) -> Any:
        """The same; what it returns, of that kind."""
        rows = self.exec(programs.question(program, *given)).strip().splitlines()
        return value_of(rows[-1] if rows else "", self.port, kind)

    def fetch(self, program: str, *given: Any) -> bytes:
        """The same; the bytes that it prints as lines of base64."""
        try:
            return b"".join(base64.b64decode(text) for text in self.run(program, *given).split())
        except (binascii.Error, ValueError):
            raise BoardLost(f"{self.port}: garbled data") from None

    def run_last(self, program: str, *given: Any) -> None:
        """Have the board run a program that ends the connection: it resets or sleeps."""
        with contextlib.suppress(*GONE):
            self.transport.exec_raw_no_follow(programs.call(program, *given))
            self.transport.serial.flush()
            time.sleep(0.1)  # the board takes the code before the port closes
        self.close()

    def identify(self) -> Identity:
        self.renew()
        uid, name, version, mpy, free, block, machine = self.ask("identify", kind=SAYS)
        return Identity(uid.hex(), name, version, mpy, free, block, machine)

    def now(self) -> datetime:
        """The time of day: this computer's, or a desk board's own, where time passes as it will."""
        world_s = self.ask("desk_time")
        if type(world_s) is int and 0 <= world_s < MOST_S:
            return EPOCH + timedelta(seconds=world_s)
        return datetime.now(UTC)

    def renew(self) -> None:
        """Pump off, and the board stays awake for another five minutes."""
        self.run("keep_awake")

    def read(self, path: str) -> bytes | None:
        """A file of the board, or None if it has none of that name."""
        size = self.ask("size", path, kind=int)
        if size == -errno.ENOENT:
            return None
        if size < 0:
            raise BoardRefused(f"{self.port}: {path}: the board says error {-size}")
        if size > MOST_FILE:
            raise BoardLost(f"{self.port}: {path} has {size} bytes, allowed 0 to {MOST_FILE}")
        self.exec(f"f=open({path!r},'rb')")
        data = b""
        while len(data) < size:
            piece = self.eval(f"f.read({PIECE})", bytes)
            if len(piece) != min(PIECE, size - len(data)):
                raise BoardLost(f"{self.port}: {path} came in pieces of another size")
            data += piece
        self.exec("f.close()")
        return data

    def write(self, path: str, data: bytes, sent: Callable[[int], None] = lambda n: None) -> None:
        """Write a file, in place. Callers write beside and rename."""
        self.exec(f"f=open({path!r},'wb')\nw=f.write")
        for at in range(0, len(data), PIECE):
            chunk = data[at : at + PIECE]
            self.exec(f"w({chunk!r})")
            sent(len(chunk))
        self.exec("f.close()")

    def replace(self, path: str, data: bytes) -> None:
        """Write a file beside the old one and put it in its place by one rename."""
        self.write(path + ".new", data)
        self.run("put_in_place", path)

    def folder(self, path: str) -> None:
        """Make a folder and those above it, if they are not there."""
        self.run("make_folder", path)

    def close(self) -> None:
        """Leave the port; the board goes on by itself when its lease ends."""
        with contextlib.suppress(*GONE):
            self.transport.close()

    def leave(self) -> None:
        """Let the board run by itself: it resets, waits its window, wakes and sleeps."""
        self.run_last("reset")


# What a chip's own first program says, and what it means. It says so again and again.
WRITE_FIRST = (
    "Write MicroPython onto it first: wakewell flash POT --port PORT --interpreter FILE; wakewell "
    "flash --help says where the file comes from"
)
ROM = (
    (
        b"invalid header",
        f"this chip is blank ('invalid header' is all it says). {WRITE_FIRST}",
    ),
    (
        b"flash read err",
        f"this chip finds no program ('flash read err' is all it says): it is blank. {WRITE_FIRST}"
        ". If it says so afterwards too, something pulls at its flash pins or its supply is weak",
    ),
    (
        b"waiting for download",
        f"the chip waits for a download: its boot button was held, or its pin is low. Let go, and "
        f"{RESET}",
    ),
)


def rom_says(heard: bytes) -> str:
    """What a chip without a program told, in words; "" if it told nothing like it."""
    return next((text for word, text in ROM if word in heard.lower()), "")


@contextlib.contextmanager
def connect(
    port: str, say: Callable[[str], None] = lambda text: None, wait_s: float = WAIT_S
) -> Iterator[Link]:
    """Open a board and bring it to its prompt, waiting for it to wake if it sleeps.

    say: told what it waits for and what to press.
    """
    transport = open_port(port)
    try:
        deadline = time.monotonic() + wait_s
        begun, told = time.monotonic(), False
        while True:
            try:
                enter(transport)
                break
            except GONE as error:
                if why := rom_says(transport.serial.heard):
                    raise BadInput(f"{port}: {why}") from None
                if left_the_bus(error):
                    raise BadInput(
                        f"{port}: the board left the bus. With native USB it does so whenever "
                        f"it sleeps: {RESET}, then run this again at once"
                    ) from None
                if time.monotonic() > deadline:
                    raise BadInput(
                        f"{port}: no answer in {wait_s:.0f} s. It sleeps, or runs no MicroPython. "
                        f"{RESET[0].upper()}{RESET[1:]} and run this again; a blank chip needs "
                        "--interpreter first"
                    ) from None
                if not told and time.monotonic() - begun > TELL_S:
                    say(f"{port}: waiting for the board: it is asleep or busy; {RESET}")
                    told = True
                time.sleep(RETRY_S)
                with contextlib.suppress(*GONE):
                    transport.serial.reset_input_buffer()
        yield Link(port, transport)
    finally:
        with contextlib.suppress(*GONE):
            transport.close()


def enter(transport: Cable) -> None:
    """Interrupt whatever runs, enter the raw prompt and make sure that both sides agree.

    A board that is just starting may answer twice; what is left over is thrown away.
    """
    # mpremote's own function prints what it did not expect.
    transport.serial.allow()
    transport.use_raw_paste = True
    transport.serial.write(b"\r\x03")
    transport.serial.reset_input_buffer()
    transport.serial.write(b"\r\x01")
    if not transport.read_until(1, PROMPT, timeout_overall=TRY_S).endswith(PROMPT):
        raise TransportError("no raw prompt")
    transport.in_raw_repl = True
    if transport.exec("print('here')").strip() != b"here":
        raise TransportError("not at the prompt")
