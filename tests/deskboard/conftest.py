"""Desk boards for the tests in this folder, each on a flash of its own."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
from desk_boards import Connect, MakeBoard
from mpremote.transport_serial import SerialTransport

from wakewell.deskboard import DeskBoard, ScriptedWorld, make_image, why_not

_REASON = why_not()
SMALL_FLASH = 256 * 1024


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    if _REASON:
        here = Path(__file__).parent
        for item in items:
            if here in item.path.parents:
                item.add_marker(pytest.mark.skip(reason=_REASON))


@pytest.fixture
def make_board(tmp_path: Path) -> Iterator[MakeBoard]:
    numbers = itertools.count()
    with ExitStack() as stack:

        def make(
            files: dict[str, str | bytes] | Path | None = None, /, **options: Any
        ) -> DeskBoard:
            if isinstance(files, Path):
                image = files
            else:
                image = tmp_path / f"flash{next(numbers)}.img"
                make_image(image, files or {}, image_bytes=options.pop("flash", SMALL_FLASH))
            options.setdefault("world", ScriptedWorld())
            return stack.enter_context(DeskBoard(image, **options))

        yield make


@pytest.fixture
def connect() -> Iterator[Connect]:
    """mpremote's own transport to a board, at its raw prompt. A board that falls silent ends
    the test by a time-out: mpremote alone would wait for ever on a pseudo-terminal."""
    open_: list[SerialTransport] = []

    def make(board: DeskBoard) -> SerialTransport:
        transport = SerialTransport(board.port, timeout=1)
        open_.append(transport)
        transport.enter_raw_repl()
        return transport

    yield make
    for transport in open_:
        transport.serial.close()
