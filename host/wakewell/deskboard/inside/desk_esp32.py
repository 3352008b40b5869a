# mypy: ignore-errors
"""The `esp32` module of the desk interpreter, as far as a pot needs it (MicroPython,
docs/library/esp32.rst, ports/esp32/esp32_rmt.c).

Belongs here: the names of `esp32`. Does not belong here: time, messages (desk_core), the
course of a pulse (chip.py).
"""

import desk_core as _core
import desk_machine as _machine
import layout as _L

# Made once: a pulse may be written with the heap locked, as on the chip.
_LISTS = (tuple, list)

WAKEUP_ALL_LOW = False
WAKEUP_ANY_HIGH = True


def wake_on_ext0(pin=None, level=WAKEUP_ALL_LOW):
    number = 0 if pin is None else _machine.number_of(pin)
    if number not in _core.RTC_PINS:
        raise ValueError("invalid pin")
    _core.tell(_L.WAKE_PIN, number, pin is not None, bool(level))


def wake_on_ext1(pins=None, level=WAKEUP_ALL_LOW):
    mask = 0
    for pin in pins or ():
        number = _machine.number_of(pin)
        if number not in _core.RTC_PINS:
            raise ValueError("invalid pin")
        mask |= 1 << number
    _core.tell(_L.WAKE_PINS, 0, 0, bool(level), 0, mask)


if not _core.MEM[_L.FEATURES] & _L.EXT0:
    # With a single pin both ways to wake are the same.
    wake_on_gpio = wake_on_ext1
    del wake_on_ext0, wake_on_ext1


def gpio_deep_sleep_hold(enable):
    _core.tell(_L.DEEP_SLEEP_HOLD, 0, bool(enable))


HEAP_DATA = 4


def idf_heap_info(_cap):
    """A PC has no such heap."""
    return []


if not _core.MEM[_L.FEATURES] & _L.HOLD_SWITCH:
    del gpio_deep_sleep_hold


def raw_temperature():
    return 128


def mcu_temperature():
    return 25


if _core.MEM[_L.FEATURES] & _L.RAW_TEMPERATURE:
    del mcu_temperature
else:
    del raw_temperature


class RMT:
    """Pulses that the hardware makes by itself: they end in time even if the interpreter
    hangs, and go on through a soft reset."""

    PULSE_MAX = 32767

    def __init__(
        self,
        id=-1,
        pin=None,
        resolution_hz=None,
        clock_div=None,
        idle_level=False,
        tx_carrier=None,
        num_symbols=64,
    ):
        self._pin = _machine.number_of(pin)
        if self._pin in _core.INPUT_ONLY_PINS:
            raise ValueError("pin can only be input")
        if resolution_hz is not None and clock_div is not None:
            raise ValueError("resolution_hz and clock_div are mutually exclusive")
        if num_symbols < 64 or num_symbols % 2:
            raise ValueError("num_symbols must be even and at least 64")
        if clock_div is not None and not 1 <= clock_div <= 255:
            raise ValueError("clock_div must be between 1 and 255")
        self._hz = resolution_hz or 80000000 // (clock_div or 8)
        self._idle = 1 if idle_level else 0
        self._end_us = 0
        self._long = False
        _core.tick()
        _core.pulsed[self._pin] = 1
        self._send(0)

    def _send(self, count):
        _core.moved()
        _core.ask(_L.PULSES, self._pin, self._idle, 0, count, self._hz)

    def _check(self):
        if self._pin < 0:
            raise OSError("already deinitialized")

    @staticmethod
    def source_freq():
        return 80000000

    def clock_div(self):
        return 80000000 // self._hz

    def write_pulses(self, duration, data=True):
        self._check()
        levels = isinstance(data, _LISTS)
        if levels and not isinstance(duration, int) and len(duration) != len(data):
            raise ValueError("duration and data must have same length")
        count = len(data) if levels else len(duration)
        if not 0 < count <= _L.MOST_PULSES:
            raise ValueError("No pulses" if not count else "too many pulses for the desk board")
        # Like the ESP32 port: this wait has no time limit.
        left = self._end_us - _core.tick()
        if left > 0:
            _core.sleep_us(left)
        total = 0
        level = 1 if data else 0
        for i in range(count):
            units = duration if isinstance(duration, int) else duration[i]
            if not 0 < units <= 32767:
                raise ValueError("duration must be 1 to 32767 units")
            _core.put_pulse(i, units, (1 if data[i] else 0) if levels else level)
            level ^= 1
            total += units
        us = total * 1000000 // self._hz
        # Taken down before it is over, a sequence longer than this panics an ESP32
        # (note in the port's esp32_rmt.c).
        self._long = us > 300000
        self._end_us = _core.tick() + us
        self._send(count)

    def wait_done(self, timeout=0):
        self._check()
        left = self._end_us - _core.tick()
        if left <= 0:
            return True
        if not timeout:
            return False
        _core.sleep_us(left if left < timeout * 1000 else timeout * 1000)
        return self._end_us <= _core.tick(0)

    def active(self, enable=None):
        self._check()
        if enable is None:
            return self._end_us > _core.tick()
        if enable:
            raise ValueError("activate by calling write_pulses()")
        self._stop()
        return False

    def _stop(self):
        if self._long and self._end_us > _core.tick():
            _core.die(_L.PANIC)
        self._end_us = 0
        if _core.pulsed[self._pin]:
            self._send(0)

    def loop(self, enable):
        if enable:
            raise ValueError("the desk board has no endless pulses")

    loop_count = loop

    def deinit(self):
        if self._pin >= 0:
            self._stop()
            self._pin = -1
