"""A desk board with the rig of a café pot on its pins, and what the tests of this folder ask of it.

Belongs here: names that tests import. Does not belong here: fixtures (conftest.py).
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from wakecore import line
from wakecore.state import from_bytes
from wakewell.deskboard import DeskBoard, read_image
from wakewell.deskboard.rig_world import RigWorld, spec_of
from wakewell.pot import pot_folder, stage
from wakewell.pot.bench_book import Book
from wakewell.rig.pot import RigPot
from wakewell.shipped import CAFE
from wakewell.usb import flash

IMAGE_BYTES = 1 << 20
DAY_S = 86_400.0


def copy_pot(name: str, under: Path, board: bytes | None = b"desk-1") -> Path:
    """A café pot's folder without its logs, commissioned on that board; None: on none."""
    folder = under / name
    shutil.copytree(CAFE / name, folder, ignore=shutil.ignore_patterns("logs"))
    if board is not None:
        commission_for(folder, board)
    return folder


def commission_for(folder: Path, board: bytes) -> None:
    """Leave a bench book there as a commissioning of that pot on that board would."""
    Book(folder).lead_to(stage.marks(pot_folder.load(folder), board.hex()))


def flashed_board(under: Path, settings: str = "") -> None:
    """basil's folder and flash.img, on which its board has finished one wake. settings: lines to
    put before the café's."""
    folder = copy_pot("basil", under)
    path = folder / "settings.toml"
    path.write_text(settings + path.read_text())
    with DeskBoard(
        under / "flash.img", world_for(folder), image_bytes=IMAGE_BYTES, awake="real",
        unique_id=b"desk-1",
    ) as board:  # fmt: skip
        result = flash.flash_one(folder, board.port, silent, 20)
        assert result.good, result.notes
        board.awake = "stepped"
        board.wait_asleep()


def world_for(folder: Path, seed: int = 1, **changes: Any) -> RigWorld:
    """The rig on the pins of a café pot's copy; changes: of the rig's spec."""
    return worlds_for(folder, seed, **changes)()


def worlds_for(folder: Path, seed: int = 1, **changes: Any) -> Callable[[], RigWorld]:
    """What makes such worlds, one like the other, without a further look at the folder."""
    found = pot_folder.load(folder)
    assert found.pot is not None, found.problems
    calibration, spec = found.pot.calibration, replace(spec_of(folder), **changes)
    return lambda: RigWorld(found.parts, RigPot(spec, seed), calibration)


@dataclass
class Desk:
    """A running desk board and the pot's folder that belongs to it."""

    board: DeskBoard
    world: RigWorld
    folder: Path

    @property
    def port(self) -> str:
        return self.board.port

    def take(self) -> str:
        """Reset the board into its window, in real time, for a host to take over; its port."""
        self.board.awake = "real"
        self.board.hard_reset()
        return self.board.port

    def let_go(self) -> None:
        """Simulated time again, from a fresh start to its sleep."""
        self.board.awake = "stepped"
        self.board.hard_reset()
        self.board.wait_asleep()

    def flash(self) -> flash.FlashResult:
        """Flash it, and let it finish a wake."""
        result = flash.flash_one(self.folder, self.take(), silent, 20)
        self.board.awake = "stepped"
        self.board.wait_asleep()
        return result

    def days(self, days: float) -> None:
        """Let so many days pass."""
        self.board.awake = "stepped"
        self.board.advance(days * DAY_S)

    def close(self) -> dict[str, bytes]:
        """Switch it off; every file on its flash."""
        self.board.close()
        return read_image(self.board.image)


def silent(text: str) -> None:
    """Says nothing."""


def wakes(files: dict[str, bytes]) -> list[dict[str, Any]]:
    """The wakes in the log of a flash, oldest first; every line must be whole."""
    found = []
    for name in sorted(files):
        if name.startswith("pot/log/"):
            for text in files[name].splitlines():
                record, why = line.decode(text)
                assert record is not None, (name, why)
                if record["kind"] == "wake":
                    found.append(record)
    return found


def newest_state(files: dict[str, bytes]) -> Any:
    """The newest of the state slots."""
    states = [from_bytes(files[f"pot/state.{n}"]) for n in (0, 1) if f"pot/state.{n}" in files]
    return max((s for s in states if s is not None), key=lambda s: s.seq, default=None)
