"""Desk boards for the tests in this folder, blank or with basil's version on them."""

from __future__ import annotations

import functools
import shutil
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
from usb_desks import IMAGE_BYTES, Desk, copy_pot, flashed_board, world_for

from once import made_once
from wakewell.deskboard import DeskBoard, why_not
from wakewell.usb import link

_REASON = why_not()
Start = Callable[..., Desk]


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    if _REASON:
        here = Path(__file__).parent
        for item in items:
            if here in item.path.parents:
                item.add_marker(pytest.mark.skip(reason=_REASON))


@pytest.fixture(scope="session")
def flashed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with basil's folder and flash.img, on which its board has finished one wake."""
    return made_once(tmp_path_factory, "flashed", flashed_board)


@pytest.fixture(scope="session")
def radio_flashed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same with radio_wakes = 1, as in the tests of the radio."""
    make = functools.partial(flashed_board, settings="radio_wakes = 1\n")
    return made_once(tmp_path_factory, "flashed-with-radio", make)


@pytest.fixture
def start(tmp_path: Path, flashed: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Start]:
    """Start a desk board for a copy of a café pot: blank=True with nothing on its flash; of: the
    folder of the pot and of the flash it begins with, `flashed` if not told."""
    # A board that is well may be silent for long on a busy computer
    monkeypatch.setattr(link, "READ_S", 60.0)
    with ExitStack() as stack:

        def make(
            name: str = "basil", *, blank: bool = False, under: Path = tmp_path, **options: Any
        ) -> Desk:
            under.mkdir(exist_ok=True)
            image = under / "flash.img"
            origin: Path = options.pop("of", flashed)
            if blank:
                folder = copy_pot(name, under, options.get("unique_id", b"desk-1"))
            else:
                folder = under / "basil"
                shutil.copytree(origin / "basil", folder)
                shutil.copy(origin / "flash.img", image)
            changes = options.pop("changes", {})
            world = world_for(folder, **changes)
            options = {"awake": "stepped", "unique_id": b"desk-1"} | options
            board = stack.enter_context(DeskBoard(image, world, image_bytes=IMAGE_BYTES, **options))
            world.board = board
            return Desk(board, world, folder)

        yield make
