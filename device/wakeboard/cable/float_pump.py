"""Stops driving the pump's pin: the resistor at the switch has to hold it off."""

import chip
import loader


def main() -> None:
    """Until the pump is switched off the next time."""
    found = loader.pump()
    if found is not None:
        chip.sense(found[0])
