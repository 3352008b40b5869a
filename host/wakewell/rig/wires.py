"""What a pin of a part shows a board, and what it hears: for parts with a model of their own."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple


class Wire(NamedTuple):
    """pulses: those so far; level: 0 or 1; microvolts: of an analogue pin, while the part has its
    supply; driven: called with the level the board drives."""

    pulses: Callable[[], int] | None = None
    level: Callable[[], int] | None = None
    microvolts: Callable[[], float] | None = None
    driven: Callable[[bool], None] | None = None
