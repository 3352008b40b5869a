"""`send --back` by cable, and a flash after a version was sent: the cable has the last word."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from usb_desks import Desk
from versions import staged, version

from wakecore import line
from wakewell.cli import main

Start = Callable[..., Desk]


def test_back_to_the_version_before_by_cable(
    start: Start, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    desk = start()
    desk.board.wait_asleep()
    old = desk.board.read_files()["code/in-force"].decode()
    words = ["send", "--back", str(desk.folder), "--port", desk.take()]
    assert main(words) == 2
    assert "keeps no version before" in capsys.readouterr().out
    desk.let_go()
    new = version(tmp_path, short="CHANGED = 1")
    desk.board.write_files(staged(new, n=3))
    desk.days(1.1)
    desk.board.wait_asleep()
    assert desk.board.read_files()["code/in-force"].decode() == new.version
    assert main([*words[:-1], desk.take()]) == 0
    desk.let_go()
    files = desk.board.read_files()
    assert files["code/in-force"].decode() == files["code/good"].decode() == old
    assert "code/trial" not in files
    record, _ = line.decode(files["code/sent.json"])
    assert record is not None
    assert (record["n"], record["why"]) == (3, "settled by cable")


def test_a_flash_settles_what_was_sent(start: Start, tmp_path: Path) -> None:
    """What lies staged is not put in force after it, and no number made so far is taken."""
    desk = start()
    desk.board.wait_asleep()
    old = desk.board.read_files()["code/in-force"].decode()
    new = version(tmp_path, short="CHANGED = 1")
    desk.board.write_files(staged(new, n=3))
    (desk.folder / "sent").mkdir()
    (desk.folder / "sent" / "000005.json").write_text("{}")
    assert desk.flash().good
    desk.days(1.1)
    desk.board.wait_asleep()
    files = desk.board.read_files()
    assert files["code/in-force"].decode() == old
    assert not [name for name in files if new.version in name or name == "code/staged"]
    record, _ = line.decode(files["code/sent.json"])
    assert record is not None
    assert (record["n"], record["why"]) == (5, "settled by cable")
