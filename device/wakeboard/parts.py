"""The parts of a pot and how each is read: [median, spread] in counts, or None.

Whatever is wrong with a part ends in None, which the core judges as `absent`; it never ends
the wake. Counts are microvolts of the converter, microseconds of an echo, sixteenths of a
degree, or the level of a switch's pin, 0 or 1; the calibration says which is which.
"""

import time

import chip
from wakeboard.wiring import ECHO, FLOAT
from wakecore.run import UNREAD

if False:
    from typing import Any

    from wakeboard.wiring import Wiring
    from wakecore.typed import Reading

ECHO_US = 30000  # an echo from 5 m; a tank is shorter
LOOKS = 16  # conversions to a sample


def middle(values: list[int]) -> list[int]:
    """[median, spread] of some samples."""
    values.sort()
    return [values[len(values) // 2], values[-1] - values[0]]


class Analogue:
    """A converter input."""

    def __init__(self, pin: int, samples: int) -> None:
        self.adc, self.samples = chip.analogue(pin), samples

    def read(self) -> list[int]:
        """Median of several samples, each the mean of a few conversions, and the spread of single
        conversions, one of each sample.

        A converter may count in whole millivolts: single ones are often the very same from wake
        to wake, also where nothing is frozen. A mean tells finer, and is the same again only
        where every conversion is.
        """
        first, means = [], []
        for _ in range(self.samples):
            uv = total = self.adc.read_uv()
            for _ in range(LOOKS - 1):
                total += self.adc.read_uv()
            first.append(uv)
            means.append(total // LOOKS)
        counts, finest = middle(means)
        return [counts, middle(first)[1] or finest]

    def now(self) -> int:
        """The middle of three samples, without taking memory."""
        a, b, c = self.adc.read_uv(), self.adc.read_uv(), self.adc.read_uv()
        return max(min(a, b), min(max(a, b), c))


class Switch:
    """A float switch or a charge sense: the level of its pin."""

    def __init__(self, pin: int, pull: int, samples: int) -> None:
        self.pin, self.samples = chip.sense(pin, pull), samples

    def read(self) -> list[int]:
        """Median and spread of several looks."""
        return middle([self.now() for _ in range(self.samples)])

    def now(self) -> int:
        """The level, once."""
        return self.pin.value()

    def rest(self) -> None:
        """Its pull off: a closed switch would draw through it for the whole sleep."""
        self.pin.init(pull=None)  # type: ignore[arg-type]


class Echo:
    """An ultrasonic gauge: trigger out, echo in."""

    def __init__(self, trigger: int, echo: int, samples: int) -> None:
        self.trigger = chip.drive(trigger, 0)
        self.echo = chip.sense(echo)
        self.samples = samples

    def read(self) -> "list[int] | None":
        """Median and spread of several echoes; None if one is missing."""
        found = []
        for _ in range(self.samples):
            us = self.now()
            if us == UNREAD:
                return None
            found.append(us)
            time.sleep_ms(20)  # let the last echo die away
        return middle(found)

    def now(self) -> int:
        """One echo in microseconds, or UNREAD."""
        self.trigger.value(1)
        time.sleep_us(10)
        self.trigger.value(0)
        us = chip.echo_us(self.echo, ECHO_US)
        return us if us >= 0 else UNREAD


class Temperature:
    """The first DS18X20 on the wire."""

    def __init__(self, pin: int) -> None:
        import ds18x20
        import onewire

        self.bus: "Any" = ds18x20.DS18X20(onewire.OneWire(chip.sense(pin)))

    def read(self) -> "list[int] | None":
        """Sixteenths of a degree Celsius, as the sensor counts."""
        roms = self.bus.scan()
        if not roms:
            return None
        self.bus.convert_temp()
        time.sleep_ms(750)
        return [int(self.bus.read_temp(roms[0]) * 16), 0]


def fit(wiring: "Wiring") -> "dict[str, Any]":
    """{probe: part} of what is fitted and answers to its name."""
    n = wiring.samples
    makers: "dict[str, tuple[Any, ...]]" = {}
    for name in ("soil", "battery", "current", "saucer"):
        pin = getattr(wiring, name + "_pin")
        if pin >= 0:
            makers[name] = (Analogue, pin, n)
    if wiring.level_pin >= 0:
        if wiring.level_kind == FLOAT:
            makers["level"] = (Switch, wiring.level_pin, wiring.level_pull, n)
        elif wiring.level_kind == ECHO:
            makers["level"] = (Echo, wiring.trigger_pin, wiring.level_pin, n)
        else:
            makers["level"] = (Analogue, wiring.level_pin, n)
    if wiring.temperature_pin >= 0:
        makers["temperature"] = (Temperature, wiring.temperature_pin)
    if wiring.charger_pin >= 0:
        makers["charger"] = (Switch, wiring.charger_pin, wiring.charger_pull, n)
    return {name: attempt(maker) for name, maker in makers.items()}


def attempt(call: "tuple[Any, ...]") -> "Any":
    """The result of call[0](*call[1:]), or None if the part is faulty."""
    try:
        return call[0](*call[1:])
    except Exception as error:
        print("wakewell: %s: %r" % (call[0].__name__, error))
        return None


def read(part: "Any") -> "Reading | None":
    """A part's reading, or None if it is faulty."""
    return None if part is None else attempt((part.read,))
