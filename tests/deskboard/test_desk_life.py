"""A desk board leaves nothing behind, and says what is wrong in words."""

from __future__ import annotations

import importlib.util
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import pytest
from desk_boards import Connect, MakeBoard

from waiting import until
from wakewell.deskboard import DeskBoard, DeskBoardError, make_image, why_not

START_AND_WAIT = """
import sys, time
from wakewell.deskboard import DeskBoard
board = DeskBoard(sys.argv[1], image_bytes=128 * 1024).start()
board.wait_prompt()
print(board.spawner.process.pid, board.inner.interpreter.pid, board.link, flush=True)
time.sleep(86400)
"""


def descriptors() -> set[str]:
    return {
        f"{fd} {os.readlink(f'/proc/self/fd/{fd}')}"
        for fd in os.listdir("/proc/self/fd")
        if os.path.exists(f"/proc/self/fd/{fd}")
    }


def runs(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False


def interpreter_pid(board: DeskBoard) -> int:
    assert board.inner.interpreter is not None
    return board.inner.interpreter.pid


def wait_gone(*pids: int) -> None:
    until(lambda: not any(map(runs, pids)), lambda: f"still there: {pids}")


def test_nothing_is_left_after_close(tmp_path: Path, connect: Connect) -> None:
    make_image(tmp_path / "warm up.img", image_bytes=128 * 1024)  # loads littlefs
    before, threads = descriptors(), threading.active_count()
    with DeskBoard(tmp_path / "flash.img", image_bytes=128 * 1024) as board:
        pids = [board.spawner.process.pid, interpreter_pid(board)]
        connect(board).serial.close()
        board.hard_reset()
        pids.append(interpreter_pid(board))
        port, link = board.port, board.link
        assert all(map(os.path.exists, (port, link)))
        assert not board.closed()
    assert board.closed()
    wait_gone(*pids)
    assert descriptors() == before
    assert threading.active_count() == threads
    assert not Path(link).parent.exists()
    board.close()  # again is no harm


def test_nothing_is_left_after_a_start_that_failed(tmp_path: Path) -> None:
    image = tmp_path / "flash.img"
    with DeskBoard(image, image_bytes=128 * 1024):
        before, threads = descriptors(), threading.active_count()
        with pytest.raises(DeskBoardError, match="another desk board"):
            DeskBoard(image).start()
        assert descriptors() == before
        assert threading.active_count() == threads


def test_nothing_is_left_after_the_program_was_killed(tmp_path: Path) -> None:
    process = subprocess.Popen(
        [sys.executable, "-c", START_AND_WAIT, str(tmp_path / "flash.img")],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout
    *pids, link = process.stdout.readline().split()
    assert len(pids) == 2
    assert os.path.lexists(link)
    process.kill()
    process.wait()
    process.stdout.close()
    wait_gone(*map(int, pids))
    assert not Path(link).parent.exists()


def test_the_interpreter_goes_with_the_process_that_started_it(make_board: MakeBoard) -> None:
    board = make_board()
    board.wait_prompt()
    pid = interpreter_pid(board)
    os.kill(board.spawner.process.pid, signal.SIGKILL)
    wait_gone(pid)
    with pytest.raises(DeskBoardError, match="has gone"):
        board.wait_boots(5)
    with pytest.raises(DeskBoardError, match="broke down"):
        board.close()


def test_a_crashing_interpreter_is_a_reset_and_not_for_ever(make_board: MakeBoard) -> None:
    board = make_board({"main.py": "import uctypes\nprint('crash')\nuctypes.bytes_at(8, 8)\n"})
    with pytest.raises(DeskBoardError, match=r"does not get through a boot.*signal 11"):
        board.wait_prompt()
    assert [boot.cause for boot in board.boots] == [1, 2, 2, 2]
    with pytest.raises(DeskBoardError):
        board.close()


def test_a_closed_board_says_so(tmp_path: Path) -> None:
    board = DeskBoard(tmp_path / "flash.img", image_bytes=128 * 1024)
    with pytest.raises(DeskBoardError, match="it is closed"):
        board.hard_reset()


def test_a_link_never_replaces_what_is_not_one(tmp_path: Path) -> None:
    link = tmp_path / "board"
    link.write_text("the user's own")
    with pytest.raises(DeskBoardError, match=r"board: is there already"):
        DeskBoard(tmp_path / "flash.img", image_bytes=128 * 1024, link=link).start()
    assert link.read_text() == "the user's own"
    link.unlink()
    link.symlink_to("/dev/pts/999")  # left by a board that was killed
    with DeskBoard(tmp_path / "flash.img", link=link) as board:
        assert os.readlink(board.link) == board.port
    assert not os.path.lexists(link)


@pytest.mark.parametrize("options", [{"awake": "no"}, {"asleep": "no"}, {"unique_id": b"5"}])
def test_options_out_of_range_are_refused(tmp_path: Path, options: dict[str, Any]) -> None:
    with pytest.raises(DeskBoardError, match="must be"):
        DeskBoard(tmp_path / "flash.img", **options)


def test_the_heap_can_be_made_small(make_board: MakeBoard, connect: Connect) -> None:
    transport = connect(make_board(heap_bytes=300_000))
    transport.exec("import gc; gc.collect()")
    assert 100_000 < transport.eval("gc.mem_free()") < 300_000


def test_what_is_asked_of_the_collector_is_told(make_board: MakeBoard, connect: Connect) -> None:
    transport = connect(make_board({"boot.py": "import gc\ngc.threshold(4096)\n"}))
    assert transport.eval("__import__('gc').threshold()") == 4096


def test_why_not_names_what_is_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    assert why_not() is None
    found = importlib.util.find_spec
    monkeypatch.setattr(
        importlib.util, "find_spec", lambda n: None if n == "micropython_unix" else found(n)
    )
    assert "pip install" in str(why_not())
    monkeypatch.setattr(sys, "platform", "darwin")
    assert "darwin" in str(why_not())
