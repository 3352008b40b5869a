"""A flash says what the new version would have decided, and stops where it protects less."""

from __future__ import annotations

import shutil
from collections.abc import Callable

import pytest
from usb_desks import Desk, silent

from makelog import another_cores
from wakewell.cli import main
from wakewell.deskboard import read_image
from wakewell.errors import BadInput
from wakewell.shipped import CAFE
from wakewell.usb import flash

Start = Callable[..., Desk]


def test_a_weaker_version_is_not_sent_unless_told(
    start: Start, capfd: pytest.CaptureFixture[str]
) -> None:
    """The log says that a leak's lockout was in force at wake 50; this core has none there."""
    desk = start()
    shutil.copytree(CAFE / "basil" / "logs", desk.folder / "logs", dirs_exist_ok=True)
    another_cores(desk.folder / "logs", {50: {"lockouts": ["leak"]}})
    said: list[str] = []
    with pytest.raises(BadInput, match=r"protect less, first R8 at wake 50: .*--accept-weaker"):
        flash.flash_one(desk.folder, desk.take(), said.append, 20)
    assert any("WEAKER R8: lockout leak was in force, now it is not" in text for text in said)
    desk.let_go()
    words = ["flash", str(desk.folder), "--port", desk.take()]
    assert main(words) == 2
    assert (
        "basil: NOT flashed: judged by its own log it would protect less" in capfd.readouterr().out
    )
    result = flash.flash_one(desk.folder, desk.take(), silent, 20, accept_weaker=True)
    assert result.good
    desk.board.awake = "stepped"
    desk.board.wait_asleep()
    desk.board.close()
    assert read_image(desk.board.image)["code/in-force"].decode() == result.version


def test_a_version_that_decides_the_same_says_so_and_is_sent(start: Start) -> None:
    desk = start()
    shutil.copytree(CAFE / "basil" / "logs", desk.folder / "logs", dirs_exist_ok=True)
    another_cores(desk.folder / "logs")
    said: list[str] = []
    result = flash.flash_one(desk.folder, desk.take(), said.append, 20)
    assert result.good
    assert any("the new core: by the log, " in text and "as they were" in text for text in said)
