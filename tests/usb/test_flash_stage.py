"""R14 at the flash: a commissioning belongs to one pot on one board."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from usb_desks import IMAGE_BYTES, Desk, commission_for, copy_pot, silent, world_for

from wakecore import line
from wakewell.cli import main
from wakewell.deskboard import DeskBoard
from wakewell.errors import BadInput
from wakewell.pot import bench_book, board_file, pot_folder, stage
from wakewell.pot.bench_book import Book, LedTo
from wakewell.usb import flash

Start = Callable[..., Desk]


def stage_on(files: dict[str, bytes]) -> int:
    record, why = line.decode(files["pot/calibration.json"])
    assert record is not None, why
    return int(record["stage"])


def old_book(folder: Path) -> None:
    """As a book was before it named its board."""
    (folder / bench_book.NAME).write_text(
        "[done]\nprovisional = 2026-03-01\ncommissioned = 2026-03-12\n"
    )


def test_a_copied_folder_never_pumps(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Copied, checked, flashed onto an empty board: it reads and reports for days, and no more."""
    folder = copy_pot("basil", tmp_path, None)
    assert main(["check", str(folder)]) == 0
    assert "stage 0: not commissioned" in capsys.readouterr().out
    world = world_for(folder, water=0.15)
    with DeskBoard(tmp_path / "flash.img", world, image_bytes=IMAGE_BYTES, awake="real") as board:
        world.board = board
        desk = Desk(board, world, folder)
        assert main(["flash", str(folder), "--port", desk.take(), "--wait", "20"]) == 0
        said = capsys.readouterr().out
        assert "stage = 2 does not count" in said
        assert "there is no bench book here" in said
        assert f"wakewell commission {folder}" in said
        desk.days(2.5)
        assert world.pump_us == 0
        # And once it is commissioned on that board, it does.
        commission_for(folder, board.unique_id)
        assert desk.flash().stage == 2
        desk.days(2.5)
        assert world.pump_us > 1_000_000
        assert stage_on(desk.close()) == 2


@pytest.mark.parametrize("with_board_file", [True, False])
def test_a_folder_copied_with_its_book_is_another_pot(
    start: Start, tmp_path: Path, with_board_file: bool
) -> None:
    """The original keeps its stage; the copy on an empty board has none."""
    desk = start()
    assert desk.flash().stage == 2
    copy = tmp_path / "copy"
    shutil.copytree(desk.folder, copy)
    if not with_board_file:
        (copy / board_file.BOARD_FILE).unlink()
    world = world_for(copy)
    with DeskBoard(tmp_path / "other.img", world, image_bytes=IMAGE_BYTES, awake="real") as board:
        world.board = board
        other = Desk(board, world, copy)
        if with_board_file:
            with pytest.raises(BadInput, match=r"belongs to.*commissioned on this one"):
                flash.flash_one(copy, other.take(), silent, 20)
            (copy / board_file.BOARD_FILE).unlink()
        result = other.flash()
        assert result.stage == 0
        assert any("the bench book is of board" in note for note in result.notes)
        # Also the next time, when the folder knows its board.
        again = other.flash()
        assert (again.files_sent, again.stage) == (0, 0)
        assert stage_on(other.close()) == 0
    assert desk.flash().stage == 2


def test_what_ends_a_commissioning_is_a_finding(
    start: Start, capsys: pytest.CaptureFixture[str]
) -> None:
    """A pot that watered until now goes dry: that is said, and it is no success."""
    desk = start()
    path = desk.folder / "calibration.toml"
    path.write_text(path.read_text().replace("flow_ul_s = 22000", "flow_ul_s = 21000"))
    words = ["flash", str(desk.folder), "--port", desk.take(), "--wait", "20"]
    assert main(words) == 1
    said = capsys.readouterr().out
    assert "is not what the bench book led to" in said
    assert "this board was commissioned; from now on" in said
    path.write_text(path.read_text().replace("flow_ul_s = 21000", "flow_ul_s = 22000"))
    assert desk.flash().stage == 2
    assert stage_on(desk.close()) == 2


def test_a_book_from_before_is_known_by_the_board_itself(start: Start, tmp_path: Path) -> None:
    """Pots commissioned before books named their board: the board carries the calibration."""
    desk = start()
    old_book(desk.folder)
    copy = tmp_path / "copy"
    shutil.copytree(desk.folder, copy)
    # New settings and hard limits, as a later version of the folder may have.
    for name in ("settings", "limits"):
        path = desk.folder / f"{name}.toml"
        path.write_text(path.read_text().replace("\ndose_ml = ", "\ndose_ml = 1"))
    for name, was, now in (("settings", "1250", "240"), ("limits", "1400", "390")):
        path = desk.folder / f"{name}.toml"
        path.write_text(path.read_text().replace(f"dose_ml = {was}", f"dose_ml = {now}"))
    result = desk.flash()
    assert (result.stage, result.good) == (2, True)
    assert any("noted in its bench book" in note for note in result.notes)
    assert bench_book.led_to(desk.folder) == stage.marks(
        pot_folder.load(desk.folder), b"desk-1".hex()
    )
    assert "commissioned = 2026-03-12" in (desk.folder / bench_book.NAME).read_text()
    # A copy of it on an empty board is known by nothing.
    (copy / board_file.BOARD_FILE).unlink()
    world = world_for(copy)
    with DeskBoard(tmp_path / "other.img", world, image_bytes=IMAGE_BYTES, awake="real") as board:
        world.board = board
        result = Desk(board, world, copy).flash()
        assert result.stage == 0
        assert bench_book.led_to(copy) == LedTo(2)


@pytest.mark.parametrize(
    ("name", "old", "new"),
    [
        ("calibration.toml", "flow_ul_s = 22000", "flow_ul_s = 21000"),
        ("calibration.toml", "[1480000, 400], ", ""),
        ("wiring.toml", "soil = { pin = 32 }", "soil = { pin = 34 }"),
    ],
)
def test_a_book_from_before_and_other_values_are_not(
    start: Start, name: str, old: str, new: str
) -> None:
    desk = start()
    old_book(desk.folder)
    path = desk.folder / name
    path.write_text(path.read_text().replace(old, new))
    result = desk.flash()
    assert (result.stage, result.good) == (0, False)
    assert bench_book.led_to(desk.folder) == LedTo(2)


def test_a_stage_that_no_book_reached(start: Start) -> None:
    """Raised by hand under a version that believed it: the board carries it, the book does not."""
    desk = start()
    (desk.folder / bench_book.NAME).write_text("[done]\nprovisional = 2026-03-01\n")
    result = desk.flash()
    assert (result.stage, result.good) == (0, False)
    assert any("is not finished (stage 1)" in note for note in result.notes)
    assert bench_book.led_to(desk.folder) == LedTo(1)


def test_a_board_taken_over_is_commissioned_anew(start: Start, tmp_path: Path) -> None:
    """The book of the pot that was on this board before says nothing of the one that moves in."""
    desk = start()
    copy = tmp_path / "copy"
    shutil.copytree(desk.folder, copy)
    (copy / board_file.BOARD_FILE).unlink()
    before = (copy / bench_book.NAME).read_bytes()
    result = flash.flash_one(copy, desk.take(), silent, 20, take_over=True)
    assert result.stage == 0
    assert any("is of the pot before" in note for note in result.notes)
    assert before in [path.read_bytes() for path in (copy / "kept").iterdir()]
    desk.let_go()
    assert flash.flash_one(copy, desk.take(), silent, 20).stage == 0


def test_two_folders_of_one_board_are_not_flashed_together(
    start: Start, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    desk = start()
    copy = tmp_path / "copy"
    shutil.copytree(desk.folder, copy)
    words: list[Any] = [str(desk.folder), str(copy), "--port", desk.port, "--port", desk.port]
    assert main(["flash", *words]) == 2
    error = capsys.readouterr().err
    assert "belong to the same board" in error
    assert error.count("\n") == 1


def test_a_book_that_the_wrong_hand_wrote(start: Start) -> None:
    """Whatever stands in the book, the flash ends well and at stage 0."""
    desk = start()
    for text in (
        "[board]\nid = 7\n",
        "[led_to]\nstage = 2\n",
        '[board]\nid = "x"\n[led_to]\nstage = 2\n',
    ):
        (desk.folder / bench_book.NAME).write_text(text)
        assert desk.flash().stage == 0
    Book(desk.folder).lead_to(stage.marks(pot_folder.load(desk.folder), b"desk-1".hex()))
    assert desk.flash().stage == 2
