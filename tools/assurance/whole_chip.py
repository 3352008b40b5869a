"""A chip of plain Python under the whole program of a board: its pins, flash, clock and radio.

`boot.py`, `main.py`, the loader and wakeboard run as they are, with the port's own file between
them and the stand-ins for the interpreter's modules here. What comes out is what a chip shows: the
levels of its pins, the pump's time, its files, what it sends. Time is counted, never waited for.
Traps of a real chip are the desk board's business (DESKBOARD.md).
"""

from __future__ import annotations

import importlib.machinery
import sys
import types
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
from importlib.abc import Loader
from pathlib import Path
from typing import Any, cast

import wakeboard
from assurance.bare_broker import Broker

DEVICE = Path(str(wakeboard.__file__)).parents[1]
POWER, RESET, WATCHDOG, SLEPT, SOFT = 1, 2, 3, 4, 5  # machine.reset_cause()
EXT0, TIMER = 2, 4  # machine.wake_reason()
LONGEST_PULSE_MS = 200  # of the pump's hardware (R2)
MOST_BOOT_MS = 330000  # nobody else keeps a board awake: five minutes, and an answer under way
CERTIFICATE = (9497 * 86400, 14000 * 86400)  # when the broker's is good: the chip's clock, 2026 on
COUNTS_PER_C = 16
HOME, PASSWORD = "greenhouse", "not a real one"


class BootEnded(BaseException):
    """The boot is over: nothing after this line of the program has an effect."""


class PlainFlash:
    """Files that outlive a boot. In one wake an operation may fail, or be the last before the power
    goes; a write that is cut leaves its first half."""

    def __init__(self, chip: PlainChip, files: dict[str, bytes]) -> None:
        self.chip, self.files = chip, files
        self.folders = {"/pot", "/pot/log", "/code"}
        self.operations = self.cut_at = 0
        self.cut_in = ""  # only operations on files whose names begin so are counted
        self.fails = ""  # a write to any file whose name begins so is an error
        self.room: int | None = None  # bytes that all files may have together; None: no bound
        self.short = 0  # so many times the log is opened without memory for its line
        self.stores: list[int] = []

    def changes(self, path: str) -> bool:
        """One operation that changes a file. True if the power goes in it."""
        self.chip.alive()
        if self.fails and path.startswith(self.fails):
            raise OSError(28)
        if path.startswith(self.cut_in):
            self.operations += 1
            return self.operations == self.cut_at
        return False

    def change(self, path: str, then: Callable[[], Any]) -> None:
        """An operation that is done whole or not at all."""
        if self.changes(path):
            self.chip.end("power")
        then()

    def needed(self, path: str) -> str:
        """That file's name; OSError if there is none."""
        self.chip.alive()
        if path not in self.files:
            raise OSError(2)
        return path

    def open(self, path: str, mode: str = "r") -> PlainFile:
        if "r" in mode:
            self.needed(path)
        else:
            if mode == "wb" and path.startswith("/pot/state.") and self.stores:
                good = self.stores.pop(0)
                self.chip.events.append("store" if good else "store failed")
                if not good:
                    raise OSError(5)
            elif mode == "wb" and path.startswith("/pot/state."):
                self.chip.events.append("store")
            if path.startswith("/pot/log/") and self.short:
                self.short -= 1
                raise MemoryError
            if "w" in mode or path not in self.files:
                self.change(path, lambda: self.files.update({path: b""}))
            if path.startswith("/pot/log/"):
                self.chip.events.append("log")
        return PlainFile(self, path, mode)

    def write(self, path: str, data: bytes) -> int:
        cut = self.changes(path)
        if self.room is not None and self.used() + len(data) > self.room:
            raise OSError(28)
        self.files[path] += data[: len(data) // 2] if cut else data
        if cut:
            self.chip.end("power")
        return len(data)

    def used(self) -> int:
        """Bytes in all files."""
        return sum(map(len, self.files.values()))

    # What `os` offers

    def stat(self, path: str) -> tuple[int, ...]:
        self.chip.alive()
        if path in self.files:
            return (0x8000, 0, 0, 0, 0, 0, len(self.files[path]), 0, 0, 0)
        inside = path.rstrip("/") + "/"
        if path not in self.folders and not any(name.startswith(inside) for name in self.files):
            raise OSError(2)
        return (0x4000, *[0] * 9)

    def rename(self, old: str, new: str) -> None:
        self.needed(old)
        self.change(new, lambda: self.files.update({new: self.files.pop(old)}))

    def remove(self, path: str) -> None:
        self.needed(path)
        self.change(path, lambda: self.files.pop(path))

    def rmdir(self, path: str) -> None:
        self.change(path, lambda: self.folders.discard(path))

    def mkdir(self, path: str) -> None:
        self.change(path, lambda: self.folders.add(path))

    def listdir(self, path: str) -> list[str]:
        self.chip.alive()
        head = path.rstrip("/") + "/"
        names = {
            name[len(head) :].partition("/")[0]
            for name in self.files | dict.fromkeys(self.folders)
            if name.startswith(head)
        }
        if not names and path not in self.folders:
            raise OSError(2)
        return sorted(names)

    def statvfs(self, path: str) -> tuple[int, ...]:
        return (4096, 4096, 512, 400, 400, 0, 0, 0, 0, 255)


class PlainFile:
    """An open file of it."""

    def __init__(self, flash: PlainFlash, path: str, mode: str) -> None:
        self.flash, self.path, self.binary, self.at = flash, path, "b" in mode, 0

    def __enter__(self) -> PlainFile:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def write(self, data: Any) -> int:
        return self.flash.write(self.path, data if self.binary else data.encode())

    def taken(self, size: int) -> Any:
        data = self.flash.files[self.path][self.at : self.at + size]
        self.at += len(data)
        return data if self.binary else data.decode()

    def read(self, size: int = -1) -> Any:
        self.flash.chip.alive()
        return self.taken(size if size >= 0 else 1 << 30)

    def readline(self, size: int = 1 << 30) -> Any:
        end = self.flash.files[self.path].find(b"\n", self.at)
        return self.taken(min(size, end + 1 - self.at if end >= 0 else size))

    def __iter__(self) -> Iterator[Any]:
        while row := self.readline():
            yield row

    def seek(self, at: int) -> int:
        self.at = at
        return at

    def flush(self) -> None:
        pass


class PlainChip:
    """A chip between and in its boots. `counts` are what its probes read, by pin."""

    def __init__(self, files: dict[str, bytes], pump: int, broker: Broker) -> None:
        self.flash = PlainFlash(self, files)
        self.pump, self.broker = pump, broker
        self.pump_known = True  # by its file: else no pin is driven as the pump's
        self.rtc, self.clock_ms = b"", 0
        self.counts: Callable[[int], int | None] = lambda pin: None
        self.began: Callable[[], None] = lambda: None  # a pump run begins
        self.events: list[str] = []
        self.wrong: list[tuple[str, str]] = []  # (requirement, what happened), from outside
        self.run: dict[str, Any] = {}
        self.button_pin, self.button_ms = -1, 0
        self.sensors_pin, self.clock_server = -1, [0, 0]
        self.wifi, self.talk = True, "good"
        self.network = HOME  # the name of the Wi-Fi that is there; its password is PASSWORD
        self.radio_does = "good"  # or "hangs", "browns out": what comes of switching it on
        self.visitors: list[
            bytes
        ] = []  # what people send to the chip's own Wi-Fi, one after another
        self.tls = False  # of the server, not of a broker: what is posted has to go by TLS
        self.program: Callable[[], str] = lambda: "good"  # or "breaks off", "hangs": a wake's
        self.cause = self.why = 0
        self.console: list[str] = []

    def boot(self, cause: int, why: int) -> tuple[str, int]:
        """One boot: how it ended ("sleep", "power", "brownout", "watchdog", "reset", "stuck"), and
        the milliseconds of its sleep."""
        self.cause, self.why = cause, why
        self.how, self.sleep_ms = "", 0
        self.now_ms = self.until_ms = self.frozen_ms = 0
        self.wakes_by_button = False
        self.bite_ms = self.lease_ms = 1 << 60
        self.levels: dict[int, tuple[int, bool]] = {}
        self.ran_ms = 0  # the pump, since it was switched on
        self.looks: dict[int, int] = {}
        self.radio = self.pumped = self.touched = False
        with in_place(self) as space:
            try:
                for program in programs():
                    exec(program, space)
                self.how = "stuck"
            except BootEnded:
                pass
        return self.how, self.sleep_ms

    def alive(self) -> None:
        """After the end of its boot a program does nothing more."""
        if self.how:
            raise BootEnded

    def end(self, how: str, sleep_ms: int = 0) -> None:
        """The end of the boot."""
        if not self.how:
            if self.pumping:
                self.events.append("off")  # the resistor's doing
            self.how, self.sleep_ms = how, sleep_ms
            if how == "sleep":
                self.asleep()
            elif how != "stuck":
                self.events.append("reset")
        raise BootEnded

    def asleep(self) -> None:
        """What a meter at the pins shows of a sleeping board."""
        if self.pump_known and self.levels.get(self.pump) != (0, True):
            self.wrong.append(("R1", "the pump's pin is not held off in the sleep"))
        if self.sensors_pin in self.levels and self.levels[self.sensors_pin] != (0, True):
            self.wrong.append(("R5", "the sensors stay powered in the sleep"))
        if self.now_ms > MOST_BOOT_MS:
            self.wrong.append(("R13", f"a boot of {self.now_ms} ms"))
        if self.radio and self.pumped:
            self.wrong.append(("R13", "one boot pumped and had the radio on"))
        self.events.append("sleep")

    # Time and the pump

    @property
    def pumping(self) -> bool:
        return self.until_ms > self.now_ms

    def book(self, ms: int) -> None:
        """Time passes: the pump runs as far as its pulse goes."""
        ran_ms = min(ms, max(0, self.until_ms - self.now_ms))
        self.ran_ms += ran_ms
        self.now_ms += ms
        self.clock_ms += ms
        if ran_ms:
            self.run["pumped"](ran_ms)

    def wait(self, ms: int) -> None:
        """The program waits; or the chip ends in it."""
        self.alive()
        ends_ms = self.run.get("reset_at_ms")
        left_ms = None if ends_ms is None or not self.pumping else ends_ms - self.ran_ms
        if left_ms is not None and left_ms <= min(ms, self.until_ms - self.now_ms):
            self.book(max(0, left_ms))
            self.end("brownout")
        hangs_ms = self.run.get("hang_at_ms")
        if hangs_ms is not None and self.pumping and self.ran_ms + ms >= hangs_ms:
            ms = min(self.bite_ms, self.lease_ms) - self.now_ms
        for at_ms, how in ((self.bite_ms, "watchdog"), (self.lease_ms, "reset")):
            if self.now_ms + ms >= at_ms:
                self.book(at_ms - self.now_ms)
                self.end(how)
        self.book(ms)

    def hang(self) -> None:
        """The program waits for ever: watchdog or lease ends it."""
        self.wait(1 << 50)

    def ticks_ms(self) -> int:
        """The millisecond count of the program, which may stand still."""
        self.alive()
        stops_ms = self.run.get("clock_stops_at_ms")
        if stops_ms is not None and self.pumped and self.ran_ms >= stops_ms:
            self.frozen_ms = self.frozen_ms or self.now_ms
            return self.frozen_ms
        return self.now_ms

    def pulse(self, ms: int, on: bool) -> None:
        """The hardware pulse begins."""
        self.alive()
        if on:
            if not self.pumped or self.events[-1:] != ["on"]:
                self.ran_ms = 0
                self.events.append("on")
                self.began()
            self.pumped = True
            self.until_ms = self.now_ms + ms
            if ms > LONGEST_PULSE_MS:
                self.wrong.append(("R2", f"a pulse of {ms} ms that nothing has to renew"))

    # Pins

    def put(self, pin: int, level: int | None, hold: bool) -> None:
        """A pin is set up, or its level set."""
        self.alive()
        if not self.touched:
            self.touched = True
            if self.pump_known and (pin, level) != (self.pump, 0):
                self.wrong.append(("R1", "a wake does not begin with the pump off"))
        if pin == self.pump and not self.pump_known:
            self.wrong.append(("R1", "a pin is driven that no file names as the pump's"))
        if level is not None:
            self.levels[pin] = level, hold
            if pin == self.sensors_pin and not level and "read" in self.events:
                self.events.append("close")
            if pin == self.pump:
                self.until_ms = self.now_ms
                if level:
                    self.wrong.append(("R2", "the pump is on without a pulse that ends"))
                if self.events[-1:] != ["off"] and not hold:
                    self.events.append("off")

    def look(self, pin: int) -> int | None:
        """What a probe reads: nothing while it has no power."""
        self.alive()
        for name, error in (("fault_at_ms", OSError(5)), ("memory_at_ms", MemoryError())):
            at_ms = self.run.get(name)
            if at_ms is not None and self.pumping and self.ran_ms >= at_ms:
                raise error
        powered = self.levels.get(self.sensors_pin, (0, False))[0] or self.sensors_pin < 0
        return self.counts(pin) if powered or pin in self.run["unpowered"] else 0

    def pressed(self) -> bool:
        return self.now_ms < self.button_ms


def pin_modules(chip: PlainChip) -> dict[str, dict[str, Any]]:
    """What drives and reads the pins, and the sleep that ends a boot."""

    class PlainPin:
        IN, OUT, PULL_DOWN, PULL_UP = 1, 3, 1, 2

        def __init__(
            self, pin: int, mode: int = 1, pull: int | None = None,
            value: int | None = None, hold: bool = False,
        ) -> None:  # fmt: skip
            self.pin = pin
            chip.put(pin, value, bool(hold))

        def init(self, pull: int | None = None) -> None:
            pass

        def value(self, level: int | None = None) -> int:
            if level is not None:
                chip.put(self.pin, level, False)
                return level
            if self.pin == chip.button_pin:
                return 0 if chip.pressed() else 1
            return chip.look(self.pin) or 0

    class PlainADC:
        ATTN_11DB = 3

        def __init__(self, pin: PlainPin, atten: int = 0) -> None:
            self.pin = pin.pin

        def read_uv(self) -> int:
            found = chip.look(self.pin)
            if found is None:
                raise OSError(5)
            return found

    class PlainWDT:
        def __init__(self, timeout: int) -> None:
            self.timeout = timeout
            self.feed()

        def feed(self) -> None:
            chip.bite_ms = chip.now_ms + self.timeout

    class PlainTimer:
        ONE_SHOT = 0

        def __init__(self, number: int) -> None:
            pass

        def init(self, mode: int, period: int, callback: Any) -> None:
            chip.lease_ms = chip.now_ms + period

    class PlainRTC:
        def memory(self, data: bytes | None = None) -> bytes:
            chip.alive()
            if data is not None:
                chip.rtc = bytes(data)
            return chip.rtc

        def datetime(self, parts: tuple[int, ...]) -> None:
            chip.clock_ms = parts[0] * 1000

    class PlainCounter:
        def __init__(self, number: int, pin: PlainPin) -> None:
            self.pin = pin.pin

        def value(self) -> int:
            found = chip.look(self.pin)
            if found is None:
                raise OSError(5)
            return found

    class PlainRMT:
        def __init__(self, number: int, pin: PlainPin, clock_div: int, idle_level: int) -> None:
            self.idle, self.until_ms = idle_level, 0

        def write_pulses(self, pulses: tuple[int, int], levels: tuple[int, int]) -> None:
            ms = sum(pulses) * 200 // 80000
            chip.pulse(ms, levels[0] != self.idle)
            self.until_ms = chip.now_ms + ms

        def wait_done(self, timeout: int = 0) -> bool:
            left_ms = self.until_ms - chip.now_ms
            if left_ms > 0:
                chip.wait(min(left_ms, timeout))
            return self.until_ms <= chip.now_ms

        def deinit(self) -> None:
            pass

    class PlainDS18X20:
        def __init__(self, bus: int) -> None:
            self.pin = bus

        def scan(self) -> list[bytes]:
            return [] if chip.look(self.pin) is None else [b"sensor"]

        def convert_temp(self) -> None:
            pass

        def read_temp(self, rom: bytes) -> float:
            return (chip.look(self.pin) or 0) / COUNTS_PER_C

    def sleep(ms: int = 0) -> None:
        chip.end("sleep", ms)

    def by_button(*_: Any) -> None:
        chip.wakes_by_button = True

    causes = {"PWRON_RESET": POWER, "HARD_RESET": RESET, "WDT_RESET": WATCHDOG}
    causes |= {"DEEPSLEEP_RESET": SLEPT, "SOFT_RESET": SOFT, "TIMER_WAKE": TIMER}
    return {
        "machine": {
            **causes, "Pin": PlainPin, "ADC": PlainADC, "WDT": PlainWDT, "Timer": PlainTimer,
            "RTC": PlainRTC, "Counter": PlainCounter, "reset_cause": lambda: chip.cause,
            "wake_reason": lambda: chip.why, "unique_id": lambda: bytes.fromhex(chip.broker.board),
            "deepsleep": sleep, "reset": lambda: chip.end("reset"),
            "time_pulse_us": lambda pin, level, us: _echo(chip, pin.pin),
        },
        "esp32": {
            "RMT": PlainRMT, "WAKEUP_ALL_LOW": 0, "WAKEUP_ANY_HIGH": 1,
            "gpio_deep_sleep_hold": nothing, "wake_on_ext0": by_button,
        },
        "onewire": {"OneWire": lambda pin: pin.pin},
        "ds18x20": {"DS18X20": PlainDS18X20},
    }  # fmt: skip


def net_modules(chip: PlainChip) -> dict[str, dict[str, Any]]:
    """Wi-Fi, broker, clock server, and the browsers that come to the chip's own Wi-Fi."""

    class PlainWLAN:
        SEC_WPA2 = 3

        def __init__(self, interface: int) -> None:
            self.joined = False

        def config(self, **_: Any) -> None:
            pass

        def active(self, on: bool = True) -> bool:
            chip.alive()
            chip.radio = chip.radio or on
            if on and chip.radio_does == "hangs":
                chip.hang()
            if on and chip.radio_does == "browns out":
                chip.end("brownout")
            return on

        def connect(self, name: str, key: str) -> None:
            self.joined = (name, key) == (chip.network, PASSWORD)

        def disconnect(self) -> None:
            pass

        def isconnected(self) -> bool:
            return chip.wifi and self.joined

        def ifconfig(self) -> tuple[str, ...]:
            return ("192.168.1.7", "255.255.255.0", "192.168.1.1", "192.168.1.1")

    class PlainStream:
        """TCP to the broker, or UDP to the clock server."""

        def __init__(self, family: int = 0, kind: int = 1) -> None:
            self.kind, self.answer, self.secure = kind, b"", False

        def setsockopt(self, *_: int) -> None:
            pass

        bind = listen = setsockopt

        def accept(self) -> tuple[Any, str]:
            if not chip.visitors:
                raise OSError(11)
            return PlainVisitor(chip.visitors.pop(0)), "192.168.4.2"

        def connect(self, address: Any) -> None:
            chip.alive()
            if self.kind == 1:
                if chip.talk == "away":
                    raise OSError(113)
                chip.broker.connect()

        def send(self, data: bytes) -> int:
            if chip.clock_server != [0, 0]:
                day, second = chip.clock_server
                since_1900_s = (3155673600 + day * 86400 + second) % (1 << 32)
                head = b"\x24\x01" + bytes(22) + data[40:48] + bytes(8)
                self.answer = head + since_1900_s.to_bytes(4, "big") + bytes(4)
            return len(data)

        def recv(self, size: int) -> bytes:
            return self.answer

        def write(self, data: bytes) -> int:
            chip.alive()
            if chip.tls and not self.secure:
                chip.wrong.append(("R13", "a report is posted in the clear"))
            heard = len(chip.broker.reports)
            chip.broker.deaf = chip.talk != "good"
            chip.broker.write(0, bytes(data))
            if chip.talk == "closes" and len(chip.broker.reports) > heard:
                self.kind = 0  # the broker took it, and is gone
            return len(data)

        def read(self, size: int) -> bytes | None:
            chip.alive()
            return chip.broker.read(0, size) if self.kind else b""

        def close(self) -> None:
            pass

        def settimeout(self, seconds: int) -> None:
            pass

        setblocking = settimeout

    class PlainVisitor:
        """A browser that is joined to the chip's own Wi-Fi."""

        def __init__(self, data: bytes) -> None:
            self.data = data

        def read(self, size: int) -> bytes | None:
            data, self.data = self.data[:size], self.data[size:]
            return data or None

        def write(self, data: bytes) -> int:
            return len(data)

        def setblocking(self, on: bool) -> None:
            pass

        def close(self) -> None:
            pass

    class PlainPoll:
        def register(self, stream: PlainStream, events: int) -> None:
            self.stream = stream

        def poll(self, ms: int) -> list[int]:
            if self.stream.answer:
                return [1]
            chip.wait(ms)
            return []

    class PlainContext:
        def __init__(self, kind: int) -> None:
            self.verify_mode = 0

        def load_verify_locations(self, cadata: bytes) -> None:
            pass

        def wrap_socket(self, below: Any, **_: Any) -> Any:
            if not CERTIFICATE[0] <= chip.clock_ms // 1000 < CERTIFICATE[1]:
                raise OSError("the certificate is not good at this time")
            below.stream.secure = True
            return below.stream

    return {
        "network": {"WLAN": PlainWLAN, "STA_IF": 0, "AP_IF": 1},
        "socket": {
            "socket": PlainStream, "SOCK_STREAM": 1, "SOCK_DGRAM": 2, "AF_INET": 2,
            "SOL_SOCKET": 1, "SO_REUSEADDR": 2,
            "getaddrinfo": lambda host, port, *_: [(2, 1, 0, "", (host, port))],
        },
        "select": {"poll": PlainPoll, "POLLIN": 1},
        "ssl": {"SSLContext": PlainContext, "PROTOCOL_TLS_CLIENT": 0, "CERT_REQUIRED": 2},
    }  # fmt: skip


def own_modules(chip: PlainChip) -> dict[str, dict[str, Any]]:
    """Time, files and memory."""
    flash = chip.flash
    return {
        "time": {
            "ticks_ms": chip.ticks_ms, "ticks_diff": lambda end, start: end - start,
            "sleep_ms": chip.wait, "sleep_us": nothing, "time": lambda: chip.clock_ms // 1000,
            "gmtime": lambda seconds: (seconds, 1, 1, 0, 0, 0, 0, 0),
        },
        "os": {
            "stat": flash.stat, "rename": flash.rename, "remove": flash.remove,
            "mkdir": flash.mkdir, "rmdir": flash.rmdir, "listdir": flash.listdir,
            "statvfs": flash.statvfs, "urandom": lambda size: bytes(range(size)),
        },
        "gc": {"threshold": nothing, "collect": nothing},
        "micropython": {"kbd_intr": nothing, "heap_lock": nothing, "heap_unlock": nothing},
    }  # fmt: skip


def nothing(*_: Any, **__: Any) -> int:
    """What has no effect on this chip."""
    return 0


def modules(chip: PlainChip) -> dict[str, Any]:
    """The interpreter's modules on that chip, by name."""
    named = pin_modules(chip) | net_modules(chip) | own_modules(chip)
    found: dict[str, Any] = {}
    for name, content in named.items():
        found[name] = types.ModuleType(name)
        found[name].__dict__.update(content)
    return found


def _echo(chip: PlainChip, pin: int) -> int:
    found = chip.look(pin)
    return -1 if found is None else found


@cache
def programs() -> tuple[Any, ...]:
    """What runs at every start."""
    return tuple(
        compile((DEVICE / name).read_text(encoding="utf-8"), name, "exec")
        for name in ("boot.py", "main.py")
    )


@cache
def sources() -> dict[str, Any]:
    """The board's modules, compiled, by the name they are imported by."""
    found = {"loader": DEVICE / "loader.py", "chip": DEVICE / "wakeboard" / "ports" / "esp32.py"}
    found |= {f"wakeboard.{path.stem}": path for path in (DEVICE / "wakeboard").glob("[a-z]*.py")}
    return {
        name: compile(path.read_text(encoding="utf-8"), str(path), "exec")
        for name, path in found.items()
    }


class PlainFinder:
    """Loads the board's modules anew for this boot, on this chip's files."""

    def __init__(self, chip: PlainChip) -> None:
        self.chip = chip

    def find_spec(self, name: str, path: object = None, target: object = None) -> Any:
        if name in sources():
            return importlib.machinery.ModuleSpec(name, cast("Loader", self))
        return None

    def create_module(self, spec: object) -> None:
        return None

    def exec_module(self, module: Any) -> None:
        if module.__name__ == "wakeboard.board":
            if self.chip.program() == "hangs":
                self.chip.hang()
            if self.chip.program() == "breaks off":
                raise ValueError("this program has a mistake")
        module.open, module.print = self.chip.flash.open, self.chip.console.append
        exec(sources()[module.__name__], module.__dict__)


@contextmanager
def in_place(chip: PlainChip) -> Iterator[dict[str, Any]]:
    """What a program of that chip imports. What programs are run in."""
    ours = set(sources()) | {"wakeboard", "bringup"}
    new = modules(chip) | {"bringup": None}
    package: Any = types.ModuleType("wakeboard")
    package.__path__ = []
    kept = {name: sys.modules.pop(name) for name in [*sys.modules] if name in ours | set(new)}
    path, finder = list(sys.path), PlainFinder(chip)
    sys.modules.update(new | {"wakeboard": package})
    sys.meta_path.insert(0, finder)
    try:
        yield {"__name__": "__main__", "open": chip.flash.open, "print": chip.console.append}
    finally:
        sys.meta_path.remove(finder)
        sys.path[:] = path
        for name in ours | set(new):
            sys.modules.pop(name, None)
        sys.modules.update(kept)
