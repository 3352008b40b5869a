"""The pot's button."""

import chip
import loader


def main() -> int:
    """Is it pressed? 1 or 0."""
    from wakeboard.board import Board

    board = Board(loader.read("/code/in-force"), 0)
    wiring = board.wiring
    return int(chip.sense(wiring.button_pin, wiring.button_pull).value() == board.button_active())
