"""An ultrasonic gauge over the tank. Loaded only where one is fitted."""

import time

import chip
from wakeboard.parts import middle
from wakecore.run import UNREAD

ECHO_US = 30000  # an echo from 5 m; a tank is shorter


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
