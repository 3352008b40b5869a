"""The length of the pump's hardware pulses, seen at a spare pin that a jumper joins to its pin."""

import time

import chip
import loader

if False:
    from typing import Any

START_US, END_US = 20000, 400000  # longest wait for a pulse to begin, and for it to end
LOOK_US = 200


def main(pin: int, off: int, spare: int, whole_ms: int, rest_ms: int) -> "list[int]":
    """Microseconds of three pulses of whole_ms and one of rest_ms."""
    pulser = chip.Pulser(pin, off)
    seen = chip.sense(spare, 2 if off else 1)
    chip.watch(10000)
    pulser.arm(whole_ms, rest_ms)
    try:
        return [length_us(pulser, seen, 1 - off, whole) for whole in (True, True, True, False)]
    finally:
        pulser.stop()
        loader.lease()


def length_us(pulser: chip.Pulser, seen: "Any", on: int, whole: bool) -> int:
    pulser.pulse(whole)
    start = time.ticks_us()
    while seen.value() != on and time.ticks_diff(time.ticks_us(), start) < START_US:
        time.sleep_us(LOOK_US)
    start = time.ticks_us()
    while seen.value() == on and time.ticks_diff(time.ticks_us(), start) < END_US:
        time.sleep_us(LOOK_US)
    return time.ticks_diff(time.ticks_us(), start)
