"""The parts of a pot and how each is read: [median, spread] in counts, or None.

Whatever is wrong with a part ends in None, which the core judges as `absent`; it never ends
the wake. Counts are microvolts of the converter, microseconds of an echo, sixteenths of a
degree, or the level of a switch's pin, 0 or 1; the calibration says which is which.
"""

import time

import chip
from wakeboard.wiring import ECHO, FLOAT, GAUGE, PROBE, WEIGHT
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

    def __init__(self, echo: int, trigger: int, samples: int) -> None:
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


# Which part a probe is, one row for each: (probe, its kind in the wiring, the module and the class
# that read it, the rows of the wiring that it is made with). A module is loaded only where its part
# is fitted; the first row named is the pin that says so, -1 where it is not.
FITTED = (
    ("soil", PROBE, "parts", "Analogue", ("soil_pin", "samples")),
    ("soil", WEIGHT, "loadcell", "LoadCell", ("soil_pin", "soil_clock_pin", "samples")),
    ("battery", 0, "parts", "Analogue", ("battery_pin", "samples")),
    ("current", 0, "parts", "Analogue", ("current_pin", "samples")),
    ("saucer", 0, "parts", "Analogue", ("saucer_pin", "samples")),
    ("level", FLOAT, "parts", "Switch", ("level_pin", "level_pull", "samples")),
    ("level", GAUGE, "parts", "Analogue", ("level_pin", "samples")),
    ("level", ECHO, "parts", "Echo", ("level_pin", "trigger_pin", "samples")),
    ("temperature", 0, "parts", "Temperature", ("temperature_pin",)),
    ("charger", 0, "parts", "Switch", ("charger_pin", "charger_pull", "samples")),
    ("flowmeter", 0, "flowmeter", "FlowMeter", ("flowmeter_pin",)),
    ("weight", 0, "loadcell", "LoadCell", ("weight_pin", "weight_clock_pin", "samples")),
)


def fit(wiring: "Wiring") -> "dict[str, Any]":
    """{probe: part} of what is fitted and answers to its name; None for a part that is faulty."""
    found = {}
    for name, kind, module, maker, rows in FITTED:
        if getattr(wiring, rows[0]) >= 0 and getattr(wiring, name + "_kind", 0) == kind:
            values = [getattr(wiring, row) for row in rows]
            found[name] = attempt(name, make, module, maker, values)
    return found


def make(module: str, maker: str, values: "list[Any]") -> "Any":
    """A part of that class. Raises whatever is wrong with it."""
    return getattr(__import__("wakeboard." + module, None, None, (maker,)), maker)(*values)


def attempt(name: str, call: "Any", *values: "Any") -> "Any":
    """The result of call(*values), or None if the part of that name is faulty."""
    try:
        return call(*values)
    except Exception as error:
        print("wakewell: %s: %r" % (name, error))
        return None


def read(part: "Any") -> "Reading | None":
    """A part's reading, or None if it is faulty."""
    return None if part is None else attempt(type(part).__name__, part.read)
