"""The board starts anew."""

import machine


def main() -> None:
    """Never returns."""
    machine.reset()
