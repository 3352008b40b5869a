"""Pulling logs from a desk board: everything once, nothing lost, nothing disturbed."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from usb_desks import Desk, copy_pot, wakes

from wakewell.cli import main
from wakewell.deskboard import DeskBoard, read_image, write_image
from wakewell.errors import BadInput
from wakewell.log import series
from wakewell.log.times import DAY_S, EPOCH_S
from wakewell.replay import replaying
from wakewell.usb import pull
from wakewell.usb.link import EPOCH, BoardLost

Start = Callable[..., Desk]


def board_log(files: dict[str, bytes]) -> dict[str, bytes]:
    return {n[8:]: d for n, d in files.items() if n.startswith("pot/log/")}


def host_log(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in sorted((folder / "logs").glob("*.jsonl"))}


def pulled(desk: Desk) -> pull.Pulled:
    return pull.pull_one(desk.folder, desk.take(), 20)


def test_a_pull_brings_all_once_and_the_rest_later(start: Start) -> None:
    desk = start()
    desk.days(9)
    first = pulled(desk)
    assert first.wakes >= 9
    assert not first.bad
    again = pulled(desk)
    assert (again.wakes, again.bytes) == (0, 0)
    desk.board.awake = "stepped"
    desk.board.wait_asleep()
    desk.days(5)
    more = pulled(desk)
    assert 5 <= more.wakes <= 40
    files = desk.close()
    assert host_log(desk.folder) == board_log(files)
    assert len(board_log(files)) > 1, "more than one file"
    records = wakes(files)
    assert [r["n"] for r in records] == list(range(len(records)))
    assert str(records[-1]["n"]).encode() in files["pot/pulled.json"]
    assert not list((desk.folder / "logs").glob("*.part"))


def test_the_schedule_goes_on_where_it_was(start: Start) -> None:
    """The board goes back to sleep for what was left of its day, without a wake of its own."""
    desk = start()
    desk.days(4)
    before = wakes(read_closed(desk))
    desk.board.start()
    desk.board.advance(0)
    result = pulled(desk)
    boot = desk.board.wait_asleep()
    assert boot.sleep_ms == result.sleep_s * 1000
    assert 60 <= result.sleep_s <= 86_400
    after = wakes(desk.close())
    assert len(after) - len(before) <= 1


def test_a_desk_board_begins_at_its_date_and_keeps_it(start: Start) -> None:
    """Its days pass as simulated, whatever this computer's clock says: page, replay and verdict
    count the same ones, and no clock jumps."""
    begins = datetime(2027, 3, 1, tzinfo=UTC)
    desk = start(blank=True, begins=begins)
    desk.flash()
    for _ in range(3):
        desk.days(2)
        pulled(desk)
        desk.board.awake = "stepped"
        desk.board.wait_asleep()
    desk.days(2)
    pulled(desk)
    now = desk.board.utc
    assert now - begins > timedelta(days=8)
    desk.close()
    logs = sorted((desk.folder / "logs").glob("*.jsonl"))
    report = replaying.replay_log("desk", logs)
    assert report.first_day == (begins - EPOCH).days
    assert report.last_day is not None
    assert (now - EPOCH).days - 1 <= report.last_day <= (now - EPOCH).days
    page = series.read("desk", desk.folder, logs)
    assert (page.dated, page.jumps, report.verdicts.jumps) == (True, 0, 0)
    assert int((page.wakes[0].time_s - EPOCH_S) // DAY_S) == report.first_day
    assert int((page.wakes[-1].time_s - EPOCH_S) // DAY_S) == report.last_day


def test_a_desk_board_goes_on_where_its_flash_was_switched_off(tmp_path: Path) -> None:
    begins = datetime(2027, 3, 1, tzinfo=UTC)
    with DeskBoard(tmp_path / "a.img", image_bytes=1 << 18, begins=begins, awake="stepped") as one:
        one.advance(5 * DAY_S)
        ended = one.utc
    assert ended >= begins + timedelta(days=5)
    with DeskBoard(tmp_path / "a.img", awake="stepped") as two:
        assert ended <= two.utc < ended + timedelta(hours=1)
    with DeskBoard(tmp_path / "a.img", awake="stepped", begins=begins) as three:
        assert begins <= three.utc < begins + timedelta(hours=1)


@pytest.mark.parametrize("text", ["yesterday", "2025-13-01", "1999-01-01", "2300-01-01", ""])
def test_a_date_no_desk_board_can_begin_at(text: str, capsys: Any) -> None:
    assert main(["deskboard", "--begins", text]) == 2
    said = capsys.readouterr().err
    assert "allowed a date such as 2026-03-01" in said
    assert len(said.splitlines()) == 1


def read_closed(desk: Desk) -> dict[str, bytes]:
    desk.board.close()
    return read_image(desk.board.image)


def test_credit_is_no_more_than_the_sleep_after_a_pull(start: Start) -> None:
    """R10: the time before the connection is vouched for by nobody."""
    desk = start()
    desk.days(2.4)
    result = pulled(desk)
    desk.board.awake = "stepped"
    desk.board.wait_asleep()
    desk.board.advance(result.sleep_s + 5)
    desk.board.wait_asleep()
    last = wakes(desk.close())[-1]
    assert last["begin"]["cause"] == "timer"
    assert last["begin"]["slept_s"] <= result.sleep_s + 1
    assert last["begin"]["utc"][2] == 1


def test_what_was_in_force_is_kept_by_its_id(start: Start) -> None:
    desk = start()
    pulled(desk)
    kept = {p.stem for p in (desk.folder / "logs" / "in-force").iterdir()}
    last = wakes(desk.close())[-1]
    assert {last["settings"], last["limits"], last["calibration"]} <= kept


def test_a_damaged_line_is_told_and_kept(start: Start) -> None:
    desk = start()
    files = read_closed(desk)
    name = next(n for n in files if n.startswith("pot/log/"))
    data = files[name].replace(b'"kind":"wake"', b'"kind":"wakf"', 1)
    write_image(desk.board.image, {name: data})
    with DeskBoard(desk.board.image, desk.world, awake="real", unique_id=b"desk-1") as board:
        result = pull.pull_one(desk.folder, board.port, 20)
    assert len(result.bad) == 1
    assert host_log(desk.folder)[name[8:]] == data


def test_a_torn_last_line_waits_for_its_end(start: Start) -> None:
    desk = start()
    files = read_closed(desk)
    name = next(n for n in files if n.startswith("pot/log/"))
    write_image(desk.board.image, {name: files[name][:-40]})
    with DeskBoard(desk.board.image, desk.world, awake="real", unique_id=b"desk-1") as board:
        result = pull.pull_one(desk.folder, board.port, 20)
        assert not result.bad
        board.awake = "stepped"
        board.wait_asleep()
        board.advance(86_400)
        board.awake = "real"
        board.hard_reset()
        result = pull.pull_one(desk.folder, board.port, 20)
    log = host_log(desk.folder)[name[8:]]
    assert log.startswith(files[name][:-40] + b"\n")  # torn, closed, and told
    assert len(result.bad) == 1


def test_a_log_that_began_anew_is_put_beside_the_old_one(start: Start) -> None:
    desk = start()
    desk.days(2)
    pulled(desk)
    old = host_log(desk.folder)
    files = read_closed(desk)
    name = next(n for n in files if n.startswith("pot/log/"))
    write_image(desk.board.image, {name: files[name].splitlines(keepends=True)[0]})
    with DeskBoard(desk.board.image, desk.world, awake="real", unique_id=b"desk-1") as board:
        result = pull.pull_one(desk.folder, board.port, 20)
    assert any("was started again" in note for note in result.notes)
    assert old["00000001.jsonl"] in host_log(desk.folder).values()


def test_a_full_disk_is_told_and_nothing_is_marked(
    start: Start, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk = start()

    def full(_fd: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(BadInput, match="could not be stored"):
        pulled(desk)
    assert "pot/pulled.json" not in read_closed(desk)


def test_the_command_says_what_it_did(start: Start, capsys: Any) -> None:
    desk = start()
    desk.days(3)
    assert main(["pull", str(desk.folder), "--port", desk.take(), "--wait", "20"]) == 0
    said = capsys.readouterr().out
    assert "new wakes, " in said
    assert re.search(r"it sleeps for another \d+ (minute|hour)s?$", said, re.MULTILINE)
    assert main(["pull", str(desk.folder), "--port", "/dev/no-such-port"]) == 2
    assert "no such port" in capsys.readouterr().out


@pytest.mark.parametrize("days", [10, pytest.param(31, marks=pytest.mark.nightly)])
def test_so_many_days_replay_without_a_divergence(start: Start, days: int) -> None:
    """The same core decides on the desk board and here, and a wake writes little."""
    desk = start()
    desk.days(days)
    pulled(desk)
    report = replaying.replay_log("basil", sorted((desk.folder / "logs").glob("*.jsonl")))
    assert report.good
    assert report.played == len(wakes(read_closed(desk)))
    assert report.played > days
    assert desk.world.pot.counts.pumped_ml > 100
    # R2: the hardware ends every pulse by itself within 200 ms.
    assert max(end - begin for begin, end in desk.world.runs) <= 200_000
    timed = [b for b in desk.board.boots if b.ended == "deep sleep" and b.cause == 4]
    # littlefs copies the block of 4096 bytes that a line is added to, in writes of 128 bytes (its
    # cache: four times the 32 of a program). State, clock and folder took 18 as measured.
    longest = max(len(row) for row in b"".join(host_log(desk.folder).values()).splitlines())
    assert max(b.writes for b in timed) <= 20 + (4096 + longest) // 128


def test_a_cable_cut_anywhere_loses_and_doubles_nothing(
    start: Start, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk = start()
    desk.days(4)
    files = read_closed(desk)
    total = sum(len(d) for d in board_log(files).values()) * 4 // 3
    logs = desk.folder / "logs"
    with DeskBoard(desk.board.image, desk.world, awake="real", unique_id=b"desk-1") as board:
        for cut in range(1, total, total // 20):
            shutil.rmtree(logs, ignore_errors=True)
            board.hard_reset()
            board.cut_cable_at(cut, "out")
            with contextlib.suppress(BoardLost, BadInput):
                pull.pull_one(desk.folder, board.port, 3)
            for path in logs.glob("*.jsonl"):  # whole lines only, and those of the board
                assert board_log(files)[path.name].startswith(path.read_bytes())
                assert path.read_bytes().endswith(b"\n")
            board.plug_in()
            board.hard_reset()
            pull.pull_one(desk.folder, board.port, 20)
            assert host_log(desk.folder) == board_log(files)
    assert board_log(read_image(desk.board.image)) == board_log(files)


def test_one_pots_log_never_lands_in_anothers_folder(start: Start, tmp_path: Path) -> None:
    """A folder that does not know its board yet takes only one with its own hard limits."""
    desk = start()
    desk.days(2)
    other = copy_pot("tomato", tmp_path / "other")
    with pytest.raises(BadInput, match="does not carry the hard limits of tomato"):
        pull.pull_one(other, desk.take(), 20)
    assert not list(other.rglob("[0-9]*.jsonl"))
    assert not (other / "board.toml").exists()


def test_a_folder_without_a_board_knows_it_by_its_limits(start: Start) -> None:
    desk = start()
    desk.days(2)
    (desk.folder / "board.toml").unlink()
    assert pulled(desk).wakes > 0
    assert (desk.folder / "board.toml").exists()
