"""The time of day, kept as an offset. The chip's own clock is never set (R10)."""

import sys


def main(version: str, day: int, second: int) -> None:
    """By that version of the code: days since 2000-01-01 UTC and seconds of the day."""
    sys.path.insert(0, "/code/" + version)
    from wakeboard.board import Board

    board = Board(version, 0)
    board.set_utc(day, second)
    board.keep(board.hint)
    sys.path.pop(0)
