"""The board goes back to sleep for the time that was left, with its clock's offset.

RTC memory is as wakeboard.board keeps it. The time counted as slept is never more than this sleep.
"""

import loader


def main(day: int, second: int, sleep_s: int) -> None:
    """Never returns. Days since 2000-01-01 UTC, seconds of the day."""
    import sys

    version = loader.read("/code/in-force")
    sys.path.insert(0, "/code/" + version)
    from wakeboard.board import Board

    board = Board(version, 0)
    board.set_utc(day, second)
    state, _ = board.store_.load_state(board.hint)
    loader.pump_off(True)
    board.keep(state.to_bytes())
    board.doze(sleep_s)
