"""The desk board's flash: a real littlefs, read back by another implementation, and the power
cut at every write and erase.

The second implementation is littlefs-python, which wraps littlefs itself.
"""

from __future__ import annotations

from itertools import count
from pathlib import Path

import pytest
from desk_boards import Connect, MakeBoard

from wakewell.deskboard import DeskBoard, DeskBoardError, make_image, read_image, write_image

OLD_LOG = b"".join(b"%04d an old line of the log\n" % i for i in range(220))
NEW_LINES = b"a new line\n" * 27
APPEND_AND_RENAME = f"""
import machine, os
if machine.RTC().memory() == b"":
    machine.RTC().memory(b"done")
    with open("log.txt", "ab") as f:
        f.write({NEW_LINES!r})
    with open("pointer.new", "w") as f:
        f.write("second")
    os.rename("pointer.new", "pointer")
    with open("last.txt", "w") as f:
        f.write("last")
machine.deepsleep()
"""


def test_a_power_cut_at_every_write_of_an_append_and_a_rename(make_board: MakeBoard) -> None:
    board = make_board(
        {
            "main.py": APPEND_AND_RENAME,
            "log.txt": OLD_LOG,
            "pointer": "first",
            "kept.bin": bytes(range(256)) * 8,
        },
        awake="stepped",
    )
    board.wait_asleep()
    after = board.read_files()
    assert after["log.txt"] == OLD_LOG + NEW_LINES
    assert after["pointer"] == b"second"
    board.cut_power()
    board.write_files({"log.txt": OLD_LOG, "pointer": "first", "last.txt": ""})
    before = board.image.read_bytes()
    seen = set()
    for half in (False, True):
        for at in count(1):
            board.image.write_bytes(before)
            board.cut_power_at(at, half=half, stay_off=True)
            board.power_on()
            board.advance(0)
            if board.state == "sleeps":  # it got through: the last operation lies behind
                board.cut_power()
                break
            files = board.read_files()
            where = f"cut at operation {at}, half: {half}"
            assert files["log.txt"] in (OLD_LOG, OLD_LOG + NEW_LINES), where
            assert files["pointer"] in (b"first", b"second"), where
            assert files["kept.bin"] == after["kept.bin"], where
            seen.add((files["log.txt"] == OLD_LOG, files["pointer"]))
            # The interpreter's own driver mounts it and finishes the work.
            board.power_on()
            board.wait_asleep()
            assert board.boots[-2].ended == "power cut", where
            assert b"Traceback" not in board.console, where
            board.cut_power()
            assert board.read_files()["pointer"] == b"second", where
        assert at > 20
    # The cuts fell before, between and after the two changes, or the test shows nothing.
    assert {(True, b"first"), (False, b"first"), (False, b"second")} <= seen


def test_after_a_cut_the_next_boot_is_a_power_on(make_board: MakeBoard) -> None:
    board = make_board({"main.py": APPEND_AND_RENAME}, awake="stepped")
    board.wait_asleep()
    board.cut_power_at(3)
    board.hard_reset()
    board.wait_boots(3)
    board.wait_asleep()
    assert [(boot.cause, boot.ended) for boot in board.boots] == [
        (1, "deep sleep"),
        (1, "power cut"),
        (1, "deep sleep"),
    ]
    assert board.boots[1].writes + board.boots[1].erases == 2


def test_counters_count_what_a_boot_wrote(make_board: MakeBoard, connect: Connect) -> None:
    board = make_board()
    transport = connect(board)
    before = board.counters
    transport.exec("import os; os.listdir()")
    assert board.counters.writes == before.writes
    transport.fs_writefile("x", b"x" * 9000)
    after = board.counters
    assert after.writes > before.writes
    assert after.erases >= before.erases + 2  # 9000 bytes are three blocks, one begun
    board.cut_power()
    assert sum(boot.writes for boot in board.boots) == board.counters.writes


def test_a_blank_flash_is_formatted_at_first_boot(tmp_path: Path) -> None:
    image = tmp_path / "new.img"
    with DeskBoard(image, image_bytes=128 * 1024) as board:
        board.wait_prompt()
    assert image.stat().st_size == 128 * 1024
    assert list(read_image(image)) == ["boot.py"]


def test_a_damaged_filesystem_is_said_and_the_prompt_still_works(
    make_board: MakeBoard, connect: Connect, tmp_path: Path
) -> None:
    image = tmp_path / "damaged.img"
    image.write_bytes(b"no filesystem at all" * 6554 + b"1234567890" * 0 + b"\0" * 1080)
    image.write_bytes(image.read_bytes()[: 128 * 1024].ljust(128 * 1024, b"\0"))
    board = make_board(image)
    board.wait_prompt()
    assert b"filesystem on the flash is damaged" in board.console
    assert connect(board).exec("print(1)") == b"1\n"
    board.close()
    with pytest.raises(DeskBoardError, match=r"damaged\.img: holds no littlefs"):
        read_image(image)


def test_a_full_flash_says_so_and_loses_nothing(make_board: MakeBoard, connect: Connect) -> None:
    board = make_board({"kept.txt": "kept"})
    transport = connect(board)
    with pytest.raises(OSError, match=r"ENOSPC|28|space"):
        transport.fs_writefile("big.bin", b"x" * 300_000)
    assert transport.fs_readfile("kept.txt") == b"kept"


def test_files_are_put_in_and_taken_out_of_an_image(tmp_path: Path) -> None:
    image = tmp_path / "flash.img"
    files = {"main.py": b"pass\n", "a/b/c.bin": bytes(5000), "empty": b""}
    make_image(image, files)
    assert read_image(image) == files
    write_image(image, {"a/d.txt": "text"})
    assert read_image(image) == {**files, "a/d.txt": b"text"}


def test_errors_about_images_name_the_file_and_the_way_out(
    make_board: MakeBoard, tmp_path: Path
) -> None:
    image = tmp_path / "flash.img"
    make_image(image)
    with pytest.raises(DeskBoardError, match=r"flash\.img: is there already"):
        make_image(image)
    with pytest.raises(DeskBoardError, match=r"small\.img: big cannot be written"):
        make_image(tmp_path / "small.img", {"big": bytes(100_000)}, image_bytes=64 * 1024)
    board = make_board(image)
    for use in (lambda: read_image(image), lambda: make_board(image)):
        with pytest.raises(DeskBoardError, match=r"flash\.img: .*(close|desk board)"):
            use()
    with pytest.raises(DeskBoardError, match="the board runs"):
        board.read_files()
    odd = tmp_path / "odd.img"
    odd.write_bytes(b"x" * 100_001)
    with pytest.raises(DeskBoardError, match=r"odd\.img: 100001 bytes is no flash"):
        make_board(odd)
    with pytest.raises(DeskBoardError, match="cannot be opened"):
        make_board(tmp_path / "no folder" / "flash.img")
