# mypy: ignore-errors
"""The `machine` module of the desk interpreter, as far as a pot needs it, as the ESP32 port
has it (MicroPython, docs/library/machine*.rst, ports/esp32).

Belongs here: the names of `machine`. Does not belong here: time, messages, pin state
(desk_core), or what hangs on the pins (the world, on the host).
"""

import struct

import desk_core as _core
import layout as _L
from desk_time import gmtime, mktime
from machine import PinBase as _PinBase
from machine import Signal, mem8, mem16, mem32  # noqa: F401

PWRON_RESET = _L.PWRON_RESET
HARD_RESET = _L.HARD_RESET
WDT_RESET = _L.WDT_RESET
DEEPSLEEP_RESET = _L.DEEPSLEEP_RESET
SOFT_RESET = _L.SOFT_RESET_CAUSE
PIN_WAKE = EXT0_WAKE = _L.EXT0_WAKE
EXT1_WAKE = _L.EXT1_WAKE
TIMER_WAKE = _L.TIMER_WAKE
TOUCHPAD_WAKE = 5
ULP_WAKE = 6
SLEEP = 2
DEEPSLEEP = 4

_wake_reason = _core.S.wake_reason
_freq_hz = 160000000


def reset_cause():
    return _core.S.reset_cause


def wake_reason():
    return _wake_reason


def unique_id():
    return bytes(_core.MEM[_L.UNIQUE_ID : _L.UNIQUE_ID + 6])


def freq(hz=None):
    global _freq_hz
    if hz is None:
        return _freq_hz
    if hz not in (20000000, 40000000, 80000000, 160000000, 240000000):
        raise ValueError("frequency must be 20MHz, 40MHz, 80Mhz, 160MHz or 240MHz")
    _freq_hz = hz
    return None


def reset():
    _core.die(_L.RESET)


def soft_reset():
    _core.die(_L.SOFT_RESET)


def deepsleep(time_ms=0):
    _core.tick()
    _core.die(_L.DEEP_SLEEP, 0, 0, 0, time_ms * 1000)


def lightsleep(time_ms=0):
    """Sleep with everything kept, until the time is up or an armed wake pin is at its level."""
    global _wake_reason
    end = _core.tick() + (time_ms * 1000 if time_ms else _L.NEVER_US)
    while True:
        reason = _core.ask(_L.WOKEN)
        left = end - _core.tick(0)
        if reason or left <= 0:
            _wake_reason = reason or TIMER_WAKE
            return
        _core.sleep_us(left if left < 10000 else 10000)


sleep = lightsleep


def idle():
    _core.tick(1000)


def disable_irq():
    _core.set_irq_off(1)
    return 0


def enable_irq(_state=0):
    _core.set_irq_off(0)


def time_pulse_us(pin, pulse_level, timeout_us=1000000):
    """Length of the next pulse of that level, microseconds; -2 no start, -1 no end in time."""
    answer = _core.ask(_L.ECHO, number_of(pin), pulse_level, 0, timeout_us)
    _core.tick(answer if answer >= 0 else timeout_us)
    return answer


class Pin(_PinBase):
    IN = 1
    OUT = 3
    OPEN_DRAIN = 7
    PULL_DOWN = _L.PULL_DOWN
    PULL_UP = _L.PULL_UP
    IRQ_RISING = 1
    IRQ_FALLING = 2
    WAKE_LOW = 4
    WAKE_HIGH = 5
    DRIVE_0 = 0
    DRIVE_1 = 1
    DRIVE_2 = 2
    DRIVE_3 = 3

    def __init__(self, id, mode=None, pull=-1, value=None, drive=None, hold=None):
        if isinstance(id, Pin):
            id = id._id
        if id not in _core.OUTPUT_PINS and id not in _core.INPUT_ONLY_PINS:
            raise ValueError("invalid pin")
        self._id = id
        if mode is not None or pull != -1 or value is not None or hold is not None:
            self.init(mode, pull, value, drive, hold)

    def init(self, mode=None, pull=-1, value=None, drive=None, hold=None):
        pin = self._id
        if mode is not None and mode != 1 and pin in _core.INPUT_ONLY_PINS:
            raise ValueError("pin can only be input")
        if value is not None:
            _core.latch[pin] = 1 if value else 0
        if mode is not None:
            _core.drives[pin] = mode == 3 or (mode == 7 and not _core.latch[pin])
            # Setting the direction connects the pad to the latch again: this is what takes a
            # pin back from the pulse hardware.
            _core.pulsed[pin] = 0
        if pull != -1:
            _core.pulls[pin] = pull or 0
        if hold is not None and pin in _core.OUTPUT_PINS:
            _core.held[pin] = 0
            _core.tell(_L.HOLD, pin, 0)
        _core.apply(pin)
        if hold and pin in _core.OUTPUT_PINS:
            _core.held[pin] = 1
            _core.tell(_L.HOLD, pin, 1)

    def value(self, level=None):
        if level is None:
            return _core.read_pin(self._id)
        _core.latch[self._id] = 1 if level else 0
        _core.apply(self._id)
        return None

    def __call__(self, level=None):
        return self.value(level)

    def on(self):
        self.value(1)

    def off(self):
        self.value(0)

    def toggle(self):
        self.value(not _core.latch[self._id])

    def irq(self, handler=None, trigger=3, wake=None):
        if wake is not None and trigger in (4, 5):
            _core.tell(_L.WAKE_PIN, self._id, 1, trigger == 5)
        else:
            _core.watch(self._id, handler, trigger, self)
        return self

    def __repr__(self):
        return f"Pin({self._id})"


def number_of(pin):
    return pin._id if isinstance(pin, Pin) else Pin(pin)._id


class ADC:
    ATTN_0DB = 0
    ATTN_2_5DB = 1
    ATTN_6DB = 2
    ATTN_11DB = 3
    WIDTH_12BIT = 3
    # Full scale by attenuation: the reference of 1.1 V times 0, 2.5, 6 and 11 dB, the last
    # bounded by the supply (from memory, unconfirmed).
    _FULL_UV = (1100000, 1500000, 2200000, 3300000)

    def __init__(self, pin, sample_ns=None, atten=0):
        self._id = number_of(pin)
        if self._id not in _core.ADC_PINS:
            raise ValueError("invalid pin")
        self.atten(atten)

    def init(self, sample_ns=None, atten=0):
        self.atten(atten)

    def atten(self, atten):
        if not 0 <= atten <= 3:
            raise ValueError("invalid atten")
        self._full_uv = self._FULL_UV[atten]

    def width(self, _bits):
        pass

    def read_uv(self):
        # Whole millivolts: so the port has them from ESP-IDF (ports/esp32/adc.c).
        uv = _core.read_uv(self._id)
        return 0 if uv < 0 else uv // 1000 * 1000 if uv < self._full_uv else self._full_uv

    def read_u16(self):
        return self.read_uv() * 65535 // self._full_uv

    def read(self):
        return self.read_uv() * 4095 // self._full_uv


class Counter:
    """The pulse counter: rising edges on a pin, counted by hardware."""

    RISING = 1
    FALLING = 2

    def __init__(self, id, src=None, edge=1, direction=1, filter_ns=0):
        self._pin = number_of(src)
        self._from = _core.ask(_L.COUNT, self._pin)

    def value(self, value=None):
        count = _core.ask(_L.COUNT, self._pin) - self._from
        if value is not None:
            self._from += count - value
        return count

    def deinit(self):
        pass


if not _core.MEM[_L.FEATURES] & _L.PULSE_COUNTER:
    del Counter


class Timer:
    ONE_SHOT = 0
    PERIODIC = 1

    def __init__(self, id=-1, mode=1, period=-1, callback=None, freq=0, hard=None):
        self.due_us = 0
        self.period_us = 0
        if period > 0 or freq:
            self.init(mode, period, callback, freq)

    def init(self, mode=1, period=-1, callback=None, freq=0, hard=None):
        us = 1000000 // freq if freq else period * 1000
        if us <= 0:
            raise ValueError("period must be positive")
        self.callback = callback
        self.period_us = us if mode == 1 else 0
        self.due_us = _core.tick() + us
        _core.add_timer(self)

    def deinit(self):
        _core.drop_timer(self)


class WDT:
    def __init__(self, id=0, timeout=5000):
        if timeout <= 0:
            raise ValueError("WDT timeout too short")
        _core.set_wdt(timeout)

    def feed(self):
        _core.set_wdt(None)


def desk_utc():
    """Seconds since 2000-01-01 in the desk board's world. No chip has this name: a host that finds
    it tells the board this time instead of its own."""
    began_s = struct.unpack_from("<q", _core.MEM, _L.WORLD_BEGAN_S)[0]
    return began_s + _core.tick() // 1000000


def desk_asked(name):
    """A host that finds this name tells by it which question it asks its person now. What the hands
    at the desk board then show, in thousandths, or None. No chip has this name."""
    _core.tick()
    found = _core.ask(_L.ASKED, amount=_core.put_text(name.encode()))
    return None if found == _L.NO_FIGURE else found


class RTC:
    def __init__(self, id=0):
        pass

    def memory(self, data=None):
        if data is None:
            return bytes(_core.MEM[_L.RTC_MEMORY : _L.RTC_MEMORY + _core.S.rtc_len])
        view = memoryview(data)
        size = len(view)
        if size > _L.RTC_MEMORY_BYTES:
            raise ValueError("buffer too long")
        _core.MEM[_L.RTC_MEMORY : _L.RTC_MEMORY + size] = view
        _core.S.rtc_len = size
        return None

    def datetime(self, parts=None):
        now = _core.tick()
        if parts is None:
            us = _core.rtc_base_us + now
            y, mo, d, h, mi, s, wd, _ = gmtime(us // 1000000)
            return (y, mo, d, wd, h, mi, s, us % 1000000)
        y, mo, d, _, h, mi, s, us = parts
        _core.rtc_base_us = mktime((y, mo, d, h, mi, s)) * 1000000 + us - now
        struct.pack_into("<q", _core.MEM, _L.RTC_BASE_US, _core.rtc_base_us)
        return None

    def init(self, parts):
        self.datetime(parts)
