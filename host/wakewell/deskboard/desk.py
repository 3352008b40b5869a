"""A desk board with a pot on its pins, ready to be used.

What belongs here: which pot, what its probes are like, what is kept beside the flash. What does
not: the board (board.py), the pot's pins (rig_world.py), what is printed (commands/deskboard.py).
"""

from __future__ import annotations

import contextlib
import shutil
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from wakewell import kept, shipped
from wakewell.deskboard.board import DeskBoard
from wakewell.deskboard.interpreter import DeskBoardError
from wakewell.deskboard.rig_world import RigWorld
from wakewell.errors import BadInput
from wakewell.pot import bench_book, chips, pot_folder, stage
from wakewell.rig.pot import RigPot
from wakewell.simulate import trials
from wakewell.tomlfile import called, show_path

USUAL_POT = "basil"  # of the café


def rig_world(
    folder: Path, like: str | None = None, seed: int = 1, image: Path | None = None
) -> RigWorld:
    """The rig on the pins of that pot. BadInput if its folder is faulty or for another chip.

    image: the flash of its board. Beside it stays what the simulated probes are like, so that they
    are the same the next time, whatever was measured of them meanwhile.
    """
    found = pot_folder.load(folder)
    if found.problems or found.about is None or found.pot is None:
        why = found.problems[0] if found.problems else "it is not complete"
        raise BadInput(f"{folder}: {why}; run wakewell check {folder}")
    if found.about.chip not in chips.PORTED:
        raise BadInput(
            f"{folder}: made for the {found.about.chip}; a desk board can be one of "
            f"{', '.join(chips.PORTED)}. Try the café's pots"
        )
    with tempfile.TemporaryDirectory(prefix="deskboard-") as temporary:
        true = Path(temporary) / folder.resolve().name
        true.mkdir()
        for path in folder.glob("*.toml"):
            shutil.copy(path, true)
        if image is not None:
            probes = image.with_name(image.name + ".probes.toml")
            if image.exists() and probes.exists():
                shutil.copy(probes, true / "calibration.toml")
            else:
                kept.store(probes, (true / "calibration.toml").read_bytes())
        with called(str(true), show_path(str(folder))):
            trial = trials.of_pot(true, like)
    world = RigWorld(found.parts, RigPot(trial.spec, seed), trial.in_force().calibration)
    world.chip, world.notes = found.about.chip, trial.notes
    return world


@dataclass(frozen=True)
class Desk:
    """A running desk board. folder: of the pot on its pins."""

    board: DeskBoard
    world: RigWorld
    folder: Path

    @property
    def is_commissioned(self) -> bool:
        """Does the pot's folder say that this very board is commissioned?"""
        unique_id = self.board.unique_id.hex()
        return stage.standing(pot_folder.load(self.folder), unique_id).stage == 2


@contextlib.contextmanager
def opened(
    folder: Path | None,
    image: Path | None = None,
    *,
    like: str | None = None,
    seed: int = 1,
    speed: float = 3600.0,
    link: Path | None = None,
    begins: datetime | None = None,
) -> Iterator[Desk]:
    """A desk board, switched on, whose sleep passes `speed` times as fast as ours.

    folder: the pot's; None: a copy of the café's USUAL_POT, which counts as commissioned. image:
    the flash; None: one that is thrown away at the end. like, seed: what its probes are like. link,
    begins: see DeskBoard. Raises BadInput.
    """
    with tempfile.TemporaryDirectory(prefix="deskboard-") as temporary:
        own = folder or Path(temporary) / USUAL_POT
        if folder is None:
            ignore = shutil.ignore_patterns("logs")
            shutil.copytree(shipped.CAFE / USUAL_POT, own, ignore=ignore)
        world = rig_world(own, like, seed, image)
        try:
            with DeskBoard(
                image or Path(temporary) / "flash.img",
                world,
                chip=world.chip,
                awake="real",
                asleep="real",
                speed=speed,
                sleep_error_ppm=round((world.pot.by_own_clock(1.0) - 1.0) * 1e6),
                reset_on_open=True,
                link=link,
                begins=begins,
            ) as board:
                world.board = board
                if folder is None:  # its probes and pump are what its calibration says, by rig
                    marks = stage.marks(pot_folder.load(own), board.unique_id.hex())
                    bench_book.Book(own).lead_to(marks)
                yield Desk(board, world, own)
        except DeskBoardError as error:
            raise BadInput(str(error)) from None
