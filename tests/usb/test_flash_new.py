"""A pot that `wakewell new` made, on a desk board: it is flashed, reads, and never pumps."""

from __future__ import annotations

from pathlib import Path

import pytest
from usb_desks import IMAGE_BYTES, Desk

from wakewell.cli import main
from wakewell.deskboard import DeskBoard
from wakewell.deskboard.desk import rig_world


def test_a_new_pot_on_a_desk_board(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "pot"
    assert main(["new", str(folder), "--tank=4000x160", "--cell=lithium-ion 2600"]) == 0
    (folder / "calibration.toml").write_text("# nothing was measured yet\n")
    world = rig_world(folder)
    with DeskBoard(tmp_path / "flash.img", world, image_bytes=IMAGE_BYTES, awake="real") as board:
        world.board = board
        desk = Desk(board, world, folder)
        assert main(["flash", str(folder), "--port", desk.take(), "--wait", "20"]) == 0
        said = capsys.readouterr().out
        assert "next: not calibrated yet: soil, level, battery" in said
        assert "do not match" not in said
        assert main(["inspect", str(folder), "--port", desk.take(), "--wait", "20"]) == 0
        assert "next         not calibrated yet" in capsys.readouterr().out
        desk.days(1.5)
        assert world.pump_us == 0
