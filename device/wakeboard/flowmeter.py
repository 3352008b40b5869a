"""A flow meter: a wheel in the hose that gives a pulse for every so much water.

Loaded only where one is fitted. Counts are pulses: while the pump runs those since its start,
otherwise those of one second.
"""

import time

import chip

WINDOW_MS = 1000  # of a look with the pump off


class FlowMeter:
    """Counted by the chip's own counter, which needs no program and misses none."""

    def __init__(self, pin: int) -> None:
        self.counter = chip.counter(pin)
        self.from_ = 0

    def begin(self) -> None:
        """The pump starts: count from here."""
        self.from_ = self.counter.value()

    def now(self) -> int:
        """Pulses since `begin`."""
        count: int = self.counter.value()
        return count - self.from_

    def read(self) -> list[int]:
        """Pulses with the pump off, and no spread."""
        self.begin()
        time.sleep_ms(WINDOW_MS)
        return [self.now(), 0]
