"""What the fixtures of this folder are called with.

Belongs here: names that tests import. Does not belong here: the fixtures (conftest.py).
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol

from mpremote.transport_serial import SerialTransport

from wakewell.deskboard import DeskBoard

Connect = Callable[[DeskBoard], SerialTransport]


class MakeBoard(Protocol):
    """Start a board on a new flash with these files in it, or on the flash named."""

    def __call__(
        self, files: dict[str, str | bytes] | Path | None = None, /, **options: Any
    ) -> DeskBoard: ...
