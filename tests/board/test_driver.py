"""The driver with a core that is not of its version: an error, never a silent end."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from wakeboard import driver
from wakecore.command import OFF, READ, Command, Report
from wakecore.state import State
from wakewell.portable.mock import MockBoard


class Fertilize(Command):
    """No board knows how."""


def driven(monkeypatch: pytest.MonkeyPatch, commands: list[Any]) -> MockBoard:
    def story(*_: Any) -> Iterator[Any]:
        for command in commands:  # noqa: UP028 - a list has no `send`
            yield command

    pot: Any = None
    board = MockBoard(pot, State())
    board.prepare({"counts": {}})
    monkeypatch.setattr(driver, "wake", story)
    driver.drive(board, State(), pot, {})
    return board


@pytest.mark.parametrize("unknown", [Fertilize(), Command(), ("sleep", 60, 1), None])
def test_an_unknown_command_is_an_error_and_no_sleep(
    monkeypatch: pytest.MonkeyPatch, unknown: Any
) -> None:
    with pytest.raises(ValueError, match="unknown command"):
        driven(monkeypatch, [OFF, unknown])


def test_a_wake_without_an_end_is_an_error(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(ValueError, match="no end"):
        driven(monkeypatch, [OFF] + [READ] * driver.MOST_COMMANDS)


def test_a_wake_that_ends_without_sleep_is_an_error(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(StopIteration):
        driven(monkeypatch, [OFF, Report(3)])
