"""The n-th operation fails, or is the last: board calls, files, memory."""

from __future__ import annotations

import pytest

from assurance import nth
from wakewell.interpreters import interpreter


def test_every_call_of_the_board() -> None:
    """A wake with a dose has some thirty calls: eleven commands and a sample every 150 ms."""
    assert nth.board_calls() > 40


def test_every_operation_on_a_file() -> None:
    assert nth.file_operations() > 20


@pytest.mark.skipif(not interpreter.found(), reason=interpreter.MISSING)
def test_every_lack_of_memory() -> None:
    """On a real MicroPython, from next to no memory to more than a wake needs."""
    assert nth.allocations() > 50
