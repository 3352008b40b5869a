"""A scale under the pot: a load cell and its amplifier, an HX711.

Loaded only where one is fitted. Counts are those of its converter, 24 bits with a sign.
How it is asked: Avia Semiconductor, HX711 data sheet, "Serial Interface" (from memory,
unconfirmed): data goes low when a conversion is ready; 24 pulses of the clock bring its bits, the
highest first, and one more chooses channel A at a gain of 128. A clock that stays high for 60
microseconds switches it off.
"""

import time

import chip
from wakeboard.parts import middle

READY_MS = 1000  # ten conversions a second, the first ones after power-up not yet settled
MOST_SAMPLES = 5
FIRST = 4  # conversions that pass until it has settled: 400 ms


class LoadCell:
    """The amplifier on its two pins."""

    def __init__(self, data: int, clock: int, samples: int) -> None:
        self.clock = chip.drive(clock, 0)
        self.data = chip.sense(data)
        self.samples = min(samples, MOST_SAMPLES)

    def counts(self) -> "int | None":
        """One conversion, None if none comes."""
        for _ in range(READY_MS):
            if not self.data.value():
                break
            time.sleep_ms(1)
        else:
            return None
        counts = 0
        for _ in range(24):
            self.clock.value(1)
            self.clock.value(0)
            counts = counts << 1 | self.data.value()
        self.clock.value(1)
        self.clock.value(0)
        return counts - (1 << 24) if counts >> 23 else counts

    def read(self) -> "list[int] | None":
        """Median and spread of a few conversions; None if one is missing."""
        found = []
        for n in range(FIRST + self.samples):
            counts = self.counts()
            if counts is None:
                return None
            if n >= FIRST:
                found.append(counts)
        return middle(found)

    def rest(self) -> None:
        """A clock that stays high through the sleep keeps it off."""
        self.clock.value(1)
