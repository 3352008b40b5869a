"""ESP32, ESP32-S3, ESP32-C3 and ESP32-C6 under MicroPython's ESP32 port.

Where they differ, what the interpreter offers says which one it is.

The pump is driven by finite pulses of the RMT peripheral: the hardware ends each one by
itself, even if the program hangs. Known traps, each met here: writing the next pulse waits
for the last one without a time limit (so we ask first, with one); long sequences panic when
taken down (so one pulse is one symbol, at most 150 ms); the output survives a soft reset
(so the pin is set up anew, which disconnects it).
"""

import time

import esp32
import machine
from machine import ADC, Pin

if False:
    from typing import Any

CLOCK_DIV = 200  # of 80 MHz: 150 ms are two halves of 30,000 ticks, 15 bits each
WAIT_MS = 250  # for the end of a pulse, 150 ms at most
TICKS_PER_HALF_MS = 80000000 // CLOCK_DIV // 2000

CAUSES = {
    machine.PWRON_RESET: "power",
    machine.HARD_RESET: "reset",
    machine.WDT_RESET: "watchdog",
    machine.SOFT_RESET: "reset",
}


def slept() -> bool:
    """Is this the end of a sleep, by its time or by the button?"""
    return machine.reset_cause() == machine.DEEPSLEEP_RESET


def cause() -> str:
    """Why the chip woke: timer, button, power, reset, watchdog."""
    if not slept():
        return CAUSES.get(machine.reset_cause(), "reset")
    return "timer" if machine.wake_reason() == machine.TIMER_WAKE else "button"


def identity() -> bytes:
    """The chip's own id, bytes."""
    return machine.unique_id()


# Pins. Each of these frees the pad first from its earlier use, and from a hold through the last
# sleep.


def drive(pin: int, level: int, hold: bool = False) -> "Pin":
    """The pin, set up anew as an output. hold: it keeps its level through deep sleep."""
    if hold and hasattr(esp32, "gpio_deep_sleep_hold"):
        # Without it only pins of the RTC domain are held in deep sleep. The C6 has no such call:
        # there each pin is held by itself (ESP-IDF, SOC_GPIO_SUPPORT_HOLD_SINGLE_IO_IN_DSLP).
        esp32.gpio_deep_sleep_hold(True)
    return Pin(pin, Pin.OUT, value=level, hold=hold)  # type: ignore[call-arg]


def sense(pin: int, pull: int = 0, hold: bool = False) -> "Pin":
    """The pin as a digital input. Its own pull: 0 none, 1 down, 2 up, as in wiring.json. hold:
    it keeps its pull through deep sleep."""
    pulls = {1: Pin.PULL_DOWN, 2: Pin.PULL_UP}
    return Pin(pin, Pin.IN, pulls.get(pull), hold=hold)  # type: ignore[call-arg, arg-type]


def analogue(pin: int) -> "ADC":
    """A converter input, for `read_uv`."""
    return ADC(sense(pin), atten=ADC.ATTN_11DB)


def echo_us(pin: Pin, timeout_us: int) -> int:
    """Length of the next high pulse on an input pin, microseconds; below 0: none in that time."""
    return machine.time_pulse_us(pin, 1, timeout_us)


def counter(pin: int) -> "Any":
    """The pulses on an input pin, counted by hardware from now on: its `value` tells how many.
    AttributeError on a chip without it (the C3)."""
    return machine.Counter(0, sense(pin, 2))


class Pulser:
    """The pump's switch as finite hardware pulses."""

    def __init__(self, pin: int, off: int) -> None:
        self.pin, self.off = pin, off
        self.rmt: esp32.RMT | None = None
        self.on: "Any" = (1 - off, 1 - off)

    def arm(self, whole_ms: int, rest_ms: int) -> None:
        """Get the peripheral and its memory ready. Length of a pulse, 1 to 150 ms, and of the
        last, shorter one."""
        self.whole = (whole_ms * TICKS_PER_HALF_MS,) * 2
        self.rest = (max(1, rest_ms * TICKS_PER_HALF_MS),) * 2
        self.rmt = esp32.RMT(
            0,
            pin=drive(self.pin, self.off),
            clock_div=CLOCK_DIV,
            idle_level=self.off,  # type: ignore[arg-type]
        )
        off: "Any" = (self.off, self.off)
        self.rmt.write_pulses((1, 1), off)

    def pulse(self, whole: bool) -> None:
        """One more pulse, once the last one is over. OSError if it is not over in time."""
        assert self.rmt is not None
        if not self.rmt.wait_done(timeout=WAIT_MS):
            raise OSError(116)
        self.rmt.write_pulses(self.whole if whole else self.rest, self.on)

    def wait(self) -> None:
        """Wait for the end of the last pulse."""
        assert self.rmt is not None
        if not self.rmt.wait_done(timeout=WAIT_MS):
            raise OSError(116)

    def stop(self) -> None:
        """Off: the pin set up anew, which takes it from the peripheral."""
        drive(self.pin, self.off)
        if self.rmt is not None:
            self.rmt.deinit()
            self.rmt = None
            drive(self.pin, self.off)


# Watchdog, lease, memory, sleep


_watchdog = None


def watch(ms: int) -> None:
    """Arm the watchdog, or give it another time. It cannot be disarmed. With interrupts off it
    resets only at twice this time (ESP-IDF, task_wdt_impl_timergroup.c).
    """
    global _watchdog
    _watchdog = machine.WDT(timeout=ms)


def watched() -> bool:
    """Was it armed in this boot?"""
    return _watchdog is not None


def feed() -> None:
    """Begin the armed watchdog's time anew."""
    if _watchdog is not None:
        _watchdog.feed()


_lease = None


def reset_after(ms: int) -> None:
    """Reset in that time, unless this is called again before: by a timer, because a watchdog would
    stay armed in the next wake.
    """
    global _lease
    if _lease is None:
        _lease = machine.Timer(0)
    _lease.init(mode=machine.Timer.ONE_SHOT, period=ms, callback=lambda _: machine.reset())


def set_clock(since_2000_s: int) -> None:
    """Set the chip's clock, which counts through deep sleep and begins at 2000 at power-up."""
    year, month, day, hour, minute, second = time.gmtime(since_2000_s)[:6]
    machine.RTC().datetime((year, month, day, 0, hour, minute, second, 0))


def memory(data: "bytes | None" = None) -> bytes:
    """RTC memory: bytes kept through deep sleep, lost with power. Reads, or writes `data`."""
    rtc = machine.RTC()
    if data is None:
        return rtc.memory()
    rtc.memory(data)
    return data


def heap() -> list[int]:
    """[bytes free, largest free piece] of the system's own memory, which the radio lives on; zeros
    where the interpreter does not tell."""
    rows = esp32.idf_heap_info(esp32.HEAP_DATA)
    return [sum([row[1] for row in rows]), max([0] + [row[2] for row in rows])]


def sleep(ms: int, button: "tuple[int, int, int] | None" = None) -> None:
    """Deep sleep, which a button ends too: (pin, level while pressed, its pull as in `sense`).
    Never returns."""
    if button is not None:
        number, active, pull = button
        level = esp32.WAKEUP_ANY_HIGH if active else esp32.WAKEUP_ALL_LOW
        if hasattr(esp32, "wake_on_ext0"):
            # The wake-up takes the pin into the RTC domain, which has pulls of its own. Only on
            # the plain ESP32 they are the very same ones (ESP-IDF, gpio_pullup_en), so on an S3
            # the pin would float and wake at once, were its pull not held.
            lost = pull and not hasattr(esp32, "raw_temperature")  # the plain ESP32's alone
            esp32.wake_on_ext0(sense(number, pull, hold=bool(lost)), level)
        else:  # the C3 and C6 pull the pin against this level by themselves
            esp32.wake_on_gpio((sense(number, pull),), level)
    machine.deepsleep(ms)
