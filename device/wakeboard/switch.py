"""A contact: a float switch, or a charge sense. Loaded only where one is fitted."""

import chip
from wakeboard.parts import middle


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
