"""What each probe's converter input gives, again and again: its steps and its noise."""

import loader

LOOKS = 64


def main() -> "dict[str, list[int]]":
    """{probe: microvolts}."""
    from wakeboard import parts
    from wakeboard.board import Board

    board = Board(loader.read("/code/in-force"), 0)
    board.sensors(True)
    fitted = parts.fit(board.wiring)
    found = {
        name: [part.adc.read_uv() for _ in range(LOOKS)]
        for name, part in fitted.items()
        if hasattr(part, "adc")
    }
    board.sensors(False)
    return found
