"""The parts of a pot and how each is read: [median, spread] in counts, or None.

Whatever is wrong with a part ends in None, which the core judges as `absent`; it never ends
the wake. Counts are microvolts of the converter, microseconds of an echo, sixteenths of a
degree, or the level of a switch's pin, 0 or 1; the calibration says which is which.
"""

import chip
import loader

if False:
    from typing import Any

    from wakeboard.wiring import Wiring
    from wakecore.typed import Reading

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

        A converter may count in whole millivolts. Then single conversions are often the same from
        wake to wake, though nothing is frozen. A mean is finer: it repeats only if every conversion
        repeats.
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


# Which part a probe is, a line for each: probe, its kind in the wiring, the module and the class
# that read it, the rows of the wiring that it is made with. A module is loaded only where its part
# is fitted; the first row named is the pin that says so, -1 where it is not. One text, because a
# table of tuples takes twice the memory.
FITTED = """\
soil 0 parts Analogue soil_pin samples
soil 1 loadcell LoadCell soil_pin soil_clock_pin samples
battery 0 parts Analogue battery_pin samples
current 0 parts Analogue current_pin samples
saucer 0 parts Analogue saucer_pin samples
level 1 switch Switch level_pin level_pull samples
level 2 parts Analogue level_pin samples
level 3 echo Echo level_pin trigger_pin samples
temperature 0 thermometer Temperature temperature_pin
charger 0 switch Switch charger_pin charger_pull samples
flowmeter 0 flowmeter FlowMeter flowmeter_pin
weight 0 loadcell LoadCell weight_pin weight_clock_pin samples"""


def fit(wiring: "Wiring") -> "dict[str, Any]":
    """{probe: part} of what is fitted and answers to its name; None for a part that is faulty."""
    found = {}
    for line in FITTED.split("\n"):
        name, kind, module, maker, pin, *more = line.split()
        if getattr(wiring, pin) >= 0 and getattr(wiring, name + "_kind", 0) == int(kind):
            values = [getattr(wiring, row) for row in [pin] + more]
            found[name] = attempt(name, make, module, maker, values)
    return found


def make(module: str, maker: str, values: "list[Any]") -> "Any":
    """A part of that class. Raises whatever is wrong with it."""
    return getattr(__import__("wakeboard." + module, None, None, (maker,)), maker)(*values)


def attempt(name: str, call: "Any", *values: "Any") -> "Any":
    """The result of call(*values), or None if the part of that name is faulty. A lack of memory is
    no fault of a part, and is tried once more."""
    try:
        return loader.twice(call, *values)
    except Exception as error:
        print("wakewell: %s: %r" % (name, error))
        return None


def read(part: "Any") -> "Reading | None":
    """A part's reading, or None if it is faulty."""
    return None if part is None else attempt(type(part).__name__, part.read)
