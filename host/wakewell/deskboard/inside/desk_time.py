# mypy: ignore-errors
"""The `time` module of the desk interpreter, as the ESP32 port has it.

Belongs here: the names of `time`, their 30-bit ticks and the epoch of 2000.
Does not belong here: how time passes (desk_core).
"""

import time as _pc_time

import desk_core as _core

# Seconds from 1970, where the interpreter counts from, to 2000, where the ESP32 port does.
_EPOCH_S = 946684800
_PERIOD = 1 << 30


def ticks_us():
    return (_core.tick() - _core.boot_us) & (_PERIOD - 1)


def ticks_ms():
    return (_core.tick() - _core.boot_us) // 1000 & (_PERIOD - 1)


ticks_cpu = ticks_us


def ticks_add(ticks, delta):
    return (ticks + delta) & (_PERIOD - 1)


def ticks_diff(end, start):
    return ((end - start + _PERIOD // 2) & (_PERIOD - 1)) - _PERIOD // 2


def sleep_us(us):
    if us > 0:
        _core.sleep_us(us)


def sleep_ms(ms):
    if ms > 0:
        _core.sleep_us(ms * 1000)


def sleep(seconds):
    sleep_us(int(seconds * 1000000))


def time_ns():
    return (_core.rtc_base_us + _core.tick()) * 1000


def time():
    return (_core.rtc_base_us + _core.tick()) // 1000000


def gmtime(seconds=None):
    return _pc_time.gmtime((time() if seconds is None else int(seconds)) + _EPOCH_S)[:8]


localtime = gmtime


def mktime(parts):
    # A day count by whole years and months, so that the PC's time zone plays no part.
    year, month, day, hour, minute, second = parts[:6]
    month -= 1
    year += month // 12
    month %= 12
    before = year - 1
    days = before * 365 + before // 4 - before // 100 + before // 400 - 730119
    leap = year % 4 == 0 and (year % 100 != 0 or year % 400 == 0)
    days += (0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334)[month] + (month > 1 and leap)
    return ((days + day - 1) * 24 + hour) * 3600 + minute * 60 + second
