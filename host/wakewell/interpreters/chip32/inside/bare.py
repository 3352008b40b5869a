# mypy: ignore-errors
"""The modules of a bare chip, as far as a boot needs them: `machine`, `esp32`, `network`, `time`,
sockets and TLS. They are small, because on a chip such modules take nothing of the heap.

Pins keep their level, converters give what the order names, time passes as it is used, and what
is sent reaches the program on the host (`peer`). Nothing of a chip's traps is in here: these
are on the desk board. This file measures memory.
"""

import sys

import bare_host as host
from uctypes import addressof

MOST_TICKS = (1 << 30) - 1  # the largest small integer
_read, _write, _call = host.read, host.write, host.call
_now = [0, 0, 0]  # milliseconds since the start, pump on since (0: off), milliseconds pumped
_values = {}  # pin: microvolts, or level
_level = [-1, 0]  # the level gauge's pin, microvolts it falls in a pumped second
_adcs = []
_lease = [0]  # milliseconds until a timer resets the board, 0: none is armed


def begin(pins, level):
    """What is on the pins; the level gauge's pin, and microvolts it changes in a pumped second."""
    _values.update(pins)
    _level[0], _level[1] = level


def tell_levels():
    """The level or microvolts at each pin that has any, for the host."""
    for pin, value in _values.items():
        host.level(pin, value)


def end(how, ms=0):
    """The end of a boot: the host is told, and nothing runs after it."""
    host.end(how, ms, _now[0])
    raise SystemExit


def prompt():
    """The program ended without a sleep: the board is at its prompt until its timer resets it."""
    if _lease[0]:
        end("lease")


class Pin:
    IN, OUT, PULL_DOWN, PULL_UP = 1, 3, 1, 2

    def __init__(self, pin, mode=None, pull=-1, value=None, hold=None):
        self.pin = pin
        if value is not None:
            _values[pin] = value

    def init(self, mode=None, pull=-1, value=None, hold=None):
        if value is not None:
            _values[self.pin] = value

    def value(self, level=None):
        if level is None:
            return _values.get(self.pin, 1)
        _values[self.pin] = level
        return None


class ADC:
    ATTN_11DB = 3

    def __init__(self, pin, atten=0):
        self.pin = pin.pin

    def read_uv(self):
        uv = _values[self.pin]
        if self.pin == _level[0]:
            uv += _level[1] * (_now[2] // 10) // 100
        return uv


class WDT:
    def __init__(self, id=0, timeout=0):
        pass

    def feed(self):
        pass


class Timer:
    ONE_SHOT = 0

    def __init__(self, id=0):
        pass

    def init(self, mode=0, period=0, callback=None):
        _lease[0], self.callback = period, callback


class RTC:
    def memory(self, data=None):
        if data is None:
            found = bytearray(host.rtc_size())
            host.rtc_read(addressof(found))
            return bytes(found)
        host.rtc_write(addressof(data), len(data))
        return None

    def datetime(self, parts):
        host.set_clock(parts[0] - _now[0] // 1000)


class machine:
    PWRON_RESET, HARD_RESET, WDT_RESET, DEEPSLEEP_RESET, SOFT_RESET = 1, 2, 3, 4, 5
    EXT0_WAKE, EXT1_WAKE, TIMER_WAKE = 2, 3, 4
    Pin, ADC, WDT, Timer, RTC = Pin, ADC, WDT, Timer, RTC

    def reset_cause():
        return host.reset_cause()

    def wake_reason():
        return host.wake_reason()

    def unique_id():
        return b"chip32"

    def deepsleep(ms=0):
        end("deep sleep", ms)

    def reset():
        end("reset")


class RMT:
    def __init__(self, id=0, pin=None, clock_div=8, idle_level=0, resolution_hz=0, num_symbols=64):
        self.idle, self.until = idle_level, 0

    def write_pulses(self, pulses, levels):
        ms = (pulses[0] + pulses[1]) * 200 // 80000
        self.until = _now[0] + ms
        if levels[0] != self.idle:
            _now[2] += ms

    def wait_done(self, timeout=0):
        if self.until > _now[0]:
            _now[0] = self.until
        return True

    def deinit(self):
        pass


class esp32:
    WAKEUP_ALL_LOW, WAKEUP_ANY_HIGH = False, True
    RMT = RMT

    def gpio_deep_sleep_hold(on):
        pass

    def wake_on_ext0(pin, level):
        pass


class time:
    def ticks_ms():
        _now[0] += 1
        return _now[0] & MOST_TICKS

    def ticks_diff(end, start):
        return end - start  # no boot here lasts so long that ticks begin anew

    def sleep_ms(ms):
        _now[0] += ms

    def sleep_us(us):
        pass

    def time():
        return host.clock_s() + _now[0] // 1000

    def gmtime(seconds=None):
        return (seconds, 1, 1, 0, 0, 0, 0, 0)  # all of it in the year, where RTC finds it


class WLAN:
    SEC_WPA2 = 3
    IF_STA, IF_AP = 0, 1

    def __init__(self, interface=0):
        pass

    def active(self, on=None):
        if on:
            host.radio_on()
        return True

    def connect(self, name, key=None):
        pass

    def disconnect(self):
        pass

    def isconnected(self):
        return True

    def config(self, *names, **values):
        return 6

    def status(self, what=None):
        return 1010

    def ifconfig(self):
        return ("192.168.1.7", "255.255.255.0", "192.168.1.1", "192.168.1.1")


class network:
    STA_IF, AP_IF = 0, 1
    WLAN = WLAN


class Stream:
    def __init__(self, number=0):
        self.number = number

    def connect(self, address):
        self.number = _call("connect")

    def accept(self):
        number = _call("accept")
        if number < 0:
            raise OSError(11)
        return Stream(number), None

    def read(self, size):
        data = bytearray(size)
        size = _read(self.number, addressof(data), size)
        return None if size < 0 else bytes(memoryview(data)[:size])

    def readinto(self, data):
        size = _read(self.number, addressof(data), len(data))
        return None if size < 0 else size

    recv = read

    def write(self, data):
        _write(self.number, addressof(data), len(data))
        return len(data)

    send = write

    def nothing(self, *_):
        pass

    settimeout = setblocking = close = setsockopt = bind = listen = nothing


class socket:
    SOCK_STREAM, SOCK_DGRAM, SOL_SOCKET, SO_REUSEADDR = 1, 2, 1, 4

    def socket(family=0, kind=0):
        return Stream()

    def getaddrinfo(host, port, *_):
        return [(2, 1, 0, "", (host, port))]


class Tls:
    def __init__(self, stream):
        self.held = bytearray(512)
        self.read, self.write, self.close = stream.read, stream.write, stream.close


class Context:
    def __init__(self, kind):
        # mp_obj_ssl_context_t and its socket lie on the interpreter's heap, what mbed TLS takes
        # beside them does not (extmod/modtls_mbedtls.c); sizes from memory, unconfirmed
        self.held = bytearray(1024)

    def load_verify_locations(self, cadata=None):
        pass

    def wrap_socket(self, stream, server_hostname=None, do_handshake_on_connect=True):
        host.mark("talk")
        return Tls(stream.stream)


class ssl:
    PROTOCOL_TLS_CLIENT, CERT_REQUIRED = 0, 2
    SSLContext = Context


class Poll:
    def register(self, stream, events):
        pass

    def poll(self, ms=0):
        _now[0] += ms
        return []


class select:
    POLLIN = 1
    poll = Poll


for _module in (machine, esp32, time, network, socket, ssl, select):
    sys.modules[_module.__name__] = _module
sys.modules["os"] = sys.modules.get("os") or __import__("os")
sys.modules["os"].urandom = lambda size: bytes(range(size))
