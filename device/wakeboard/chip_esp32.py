"""What only an ESP32 has: its remote-control peripheral, RTC memory, sleep and wake causes.

A port to another chip is another file with these names.

The pump is driven by finite pulses of the RMT peripheral: the hardware ends each one by
itself, even if the program hangs. Known traps, each met here: writing the next pulse waits
for the last one without a time limit (so we ask first, with one); long sequences panic when
taken down (so one pulse is one symbol, at most 150 ms); the output survives a soft reset
(so the pin is set up anew, which disconnects it).
"""

import esp32
import machine
from machine import ADC, Pin

from wakecore.run import SAMPLE_MS

CLOCK_DIV = 200  # of 80 MHz: 150 ms are two halves of 30,000 ticks, 15 bits each
TICKS_PER_HALF_MS = 80000000 // CLOCK_DIV // 2000

CAUSES = {
    machine.PWRON_RESET: "power",
    machine.HARD_RESET: "reset",
    machine.WDT_RESET: "watchdog",
    machine.SOFT_RESET: "reset",
}


def cause():
    """Why the chip woke: timer, button, power, reset, watchdog."""
    if machine.reset_cause() != machine.DEEPSLEEP_RESET:
        return CAUSES.get(machine.reset_cause(), "reset")
    return "timer" if machine.wake_reason() == machine.TIMER_WAKE else "button"


def analogue(pin):
    """A converter input, for `read_uv`."""
    return ADC(Pin(pin), atten=ADC.ATTN_11DB)


class Pulser:
    """The pump's switch as finite hardware pulses."""

    def __init__(self, pin, off):
        self.pin, self.off = pin, off
        self.rmt = None
        self.whole = (SAMPLE_MS * TICKS_PER_HALF_MS,) * 2
        self.rest = self.whole
        self.on = (1 - off, 1 - off)

    def arm(self, rest_ms):
        """Get the peripheral and its memory ready; rest_ms: length of the last, short pulse."""
        self.rest = (max(1, rest_ms * TICKS_PER_HALF_MS),) * 2
        self.rmt = esp32.RMT(
            0, pin=Pin(self.pin, Pin.OUT, value=self.off), clock_div=CLOCK_DIV, idle_level=self.off
        )
        self.rmt.write_pulses((1, 1), (self.off, self.off))

    def pulse(self, whole):
        """One more pulse, once the last one is over. OSError if it is not over in time."""
        if not self.rmt.wait_done(timeout=SAMPLE_MS + 100):
            raise OSError(116)
        self.rmt.write_pulses(self.whole if whole else self.rest, self.on)

    def wait(self):
        """Wait for the end of the last pulse."""
        if not self.rmt.wait_done(timeout=SAMPLE_MS + 100):
            raise OSError(116)

    def stop(self):
        """Off: the pin set up anew, which takes it from the peripheral."""
        Pin(self.pin, Pin.OUT, value=self.off)
        if self.rmt is not None:
            self.rmt.deinit()
            self.rmt = None
            Pin(self.pin, Pin.OUT, value=self.off)


def memory(data=None):
    """RTC memory: bytes kept through deep sleep, lost with power. Reads, or writes `data`."""
    rtc = machine.RTC()
    if data is None:
        return rtc.memory()
    rtc.memory(data)
    return data


def sleep(ms, button_pin, button_active):
    """Deep sleep; the button (-1: none) wakes too. Never returns."""
    if button_pin >= 0:
        level = esp32.WAKEUP_ANY_HIGH if button_active else esp32.WAKEUP_ALL_LOW
        if hasattr(esp32, "wake_on_ext0"):
            esp32.wake_on_ext0(Pin(button_pin, Pin.IN), level)
        else:  # the ESP32-C3 has another way to wake
            esp32.wake_on_gpio((Pin(button_pin, Pin.IN),), level)
    machine.deepsleep(ms)
