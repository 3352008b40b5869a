"""Every probe that is fitted, read once."""

import loader

if False:
    from wakecore.typed import Reading


def main() -> "dict[str, Reading | None]":
    """{probe: [median, spread], or None if it does not answer}."""
    from wakeboard import parts
    from wakeboard.board import Board

    board = Board(loader.read("/code/in-force"), 0)
    board.sensors(True)
    found = {name: parts.read(part) for name, part in parts.fit(board.wiring).items()}
    board.sensors(False)
    return found
