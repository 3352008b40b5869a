"""Whose boot this is: the radio's, if the wake before it left a report to be made, or a wake's.

A boot of the radio loads nothing of the core that decides, so that TLS has the memory it needs.
"""

import chip
from wakeboard.kept import Kept


def run(version, boots):
    """This boot, to its sleep. Never returns."""
    kept = Kept()
    if kept.due is not None:
        due, kept.due = kept.due, None
        kept.save()  # once, whatever comes of it
        if chip.cause() == "timer":
            from wakeboard.onair import OnAir

            OnAir(version, due).run()
    from wakeboard.board import Board

    Board(version, boots).wake()
