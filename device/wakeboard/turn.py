"""Whose boot this is: the radio's, if the wake before it left a report to be made, or a wake's.

A boot of the radio loads nothing of the core that decides, so that TLS has the memory it needs.
"""

import chip
import loader
from wakeboard.kept import Kept


def run(version: str, boots: int) -> None:
    """This boot, to its sleep. Never returns."""
    kept = Kept()
    if kept.due is not None:
        due, kept.due = kept.due, None
        kept.save()  # removed first, so that it is tried only once
        if chip.cause() == "timer":
            on_air(version, due)
    from wakeboard.board import Board

    Board(version, boots).wake()


def on_air(version: str, due: "tuple[int, int, int, int, int]") -> None:
    """The radio's boot. Where memory is short it sleeps all the same, for as long as it was to;
    the next wake knows of a report that nobody heard."""
    error = None
    try:
        from wakeboard.onair import OnAir

        OnAir(version, due).run()
    except MemoryError as why:
        error = why
    loader.twice(loader.finish_boot, version)
    loader.note(error)
    loader.twice(loader.twice(Kept).sleep_on, due[1], due[2])
