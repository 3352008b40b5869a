"""Flashing a desk board: real MicroPython, real littlefs, the real mpremote protocol."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import shutil
import threading
import tty
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import serial
from usb_desks import Desk, copy_pot, newest_state, silent, wakes, world_for

from wakecore import line
from wakecore.state import from_bytes
from wakewell.cli import main
from wakewell.deskboard import DeskBoard, make_image, read_image, write_image
from wakewell.deskboard.port import Direction
from wakewell.errors import BadInput
from wakewell.pot import pot_folder
from wakewell.usb import flash, link, payload
from wakewell.usb.link import EPOCH, BoardLost, connect

Start = Callable[..., Desk]


def code_on(files: dict[str, bytes], version: str) -> dict[str, bytes]:
    """The files of a version on a flash."""
    start = f"code/{version}/"
    return {name[len(start) :]: data for name, data in files.items() if name.startswith(start)}


def changed_code(monkeypatch: pytest.MonkeyPatch) -> payload.Code:
    """A next version, in which one file is longer by a line."""
    real = payload.compile_code(6)
    files = dict(real.files)
    files["wakeboard/__init__.mpy"] = files["wakecore/__init__.mpy"]
    new = payload.Code(real.version[:12] + "-changed0", files)
    monkeypatch.setattr(payload, "compile_code", lambda _mpy: new)
    return new


def test_a_blank_board_gets_everything_and_runs_it(start: Start) -> None:
    desk = start(blank=True, awake="real")
    result = flash.flash_one(desk.folder, desk.port, silent, 20)
    assert result.good
    assert result.readings["soil"] is not None
    desk.board.awake = "stepped"
    assert desk.board.wait_asleep().sleep_ms > 0
    files = desk.close()
    version = files["code/in-force"].decode()
    assert version == result.version == files["code/good"].decode()
    code = payload.compile_code(result.identity.mpy_version)
    assert code_on(files, version) == code.files
    assert files["boots"] == b"0"
    assert [r["n"] for r in wakes(files)] == [0]
    # The time of day is given as an offset; the chip's own clock is never set (R10).
    assert wakes(files)[0]["begin"]["utc"][2] == 1
    assert flash.board_id(desk.folder) == desk.board.unique_id.hex()
    assert not [name for name in files if name.endswith(".new")]


def test_an_unchanged_flash_sends_no_file(start: Start) -> None:
    desk = start()
    again = desk.flash()
    assert (again.files_sent, again.bytes_sent, again.copied) == (0, 0, 0)


def test_a_change_sends_what_changed_and_keeps_the_version_before(
    start: Start, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk = start()
    new = changed_code(monkeypatch)
    path = desk.folder / "settings.toml"
    path.write_text(path.read_text().replace("pulse_ml = 70", "pulse_ml = 60"))
    result = desk.flash()
    assert result.copied == len(new.files)  # the same bytes are on the board already
    assert result.files_sent == 1
    files = desk.close()
    assert files["code/in-force"].decode() == files["code/good"].decode() == new.version
    assert len({name.split("/")[1] for name in files if name.count("/") > 1 and "code/" in name})
    assert b'"pulse_ml":60' in files["pot/settings.json"]
    assert b'"pulse_ml":70' in files["pot/settings.json.old"]


def test_files_of_others_logs_and_state_stay(start: Start) -> None:
    desk = start()
    desk.days(3)
    desk.board.close()
    write_image(desk.board.image, {"notes.txt": b"mine", "lib/own.py": b"x = 1\n"})
    before = read_image(desk.board.image)
    board = DeskBoard(desk.board.image, desk.world, awake="real", unique_id=b"desk-1")
    with board:
        flash.flash_one(desk.folder, board.port, silent, 20)
    after = read_image(desk.board.image)
    same = [n for n in before if n.startswith(("pot/log", "pot/state", "notes", "lib"))]
    assert len(same) >= 4
    assert {n: after[n] for n in same} == {n: before[n] for n in same}


def test_three_boots_that_do_not_finish_and_the_good_version_is_back(start: Start) -> None:
    desk = start()
    good = desk.close()["code/good"].decode()
    broken = {f"code/broken/{n}": d for n, d in {"wakeboard/board.py": b"1 / 0\n"}.items()}
    write_image(desk.board.image, broken | {"code/in-force": b"broken", "boots": b"0"})
    with DeskBoard(desk.board.image, desk.world, awake="stepped", unique_id=b"desk-1") as board:
        for number in range(1, 6):
            board.wait_asleep()
            board.advance(board.boots[-1].sleep_ms / 1000 + 1)
            board.wait_asleep()
            if number == 3:
                break
    files = read_image(desk.board.image)
    assert files["code/in-force"].decode() == good
    assert files["boots"] == b"0"
    assert b"ZeroDivisionError" in files["error.txt"]
    assert wakes(files)[-1]["begin"]["boots"] in (0, 3)


def test_a_session_left_alone_ends_in_sleep(start: Start) -> None:
    """R13: a host's lease is five minutes; then the board resets, waits its window, sleeps."""
    desk = start()
    with connect(desk.take(), silent, 20) as session:
        assert session.eval("1 + 1") == 2
    desk.board.awake = "stepped"
    begun_us = desk.board.now_us
    desk.board.advance(330)
    desk.board.wait_asleep()
    reset = next(b for b in reversed(desk.board.boots) if b.ended == "reset")
    assert 299e6 <= reset.end_us - begun_us <= 301e6


def test_renewing_keeps_the_board(start: Start) -> None:
    desk = start()
    with connect(desk.take(), silent, 20) as session:
        boots = len(desk.board.boots)
        for _ in range(3):
            desk.board.advance(250)
            session.renew()
        assert session.eval("2 + 2") == 4
        assert len(desk.board.boots) == boots


def open_pulse(image: Path) -> None:
    """Leave the record of a pulse that has begun and not ended."""
    files = read_image(image)
    state = newest_state(files)
    state.open_ms = 3000
    slot = max((0, 1), key=lambda n: (from_bytes(files.get(f"pot/state.{n}", b"")) or state).seq)
    write_image(image, {f"pot/state.{slot}": state.to_bytes()})


def test_refused_while_a_pulse_is_open(start: Start) -> None:
    desk = start()
    desk.board.close()
    open_pulse(desk.board.image)
    before = read_image(desk.board.image)
    with (
        DeskBoard(desk.board.image, desk.world, awake="real", unique_id=b"desk-1") as board,
        pytest.raises(BadInput, match="begun and not ended"),
    ):
        flash.flash_one(desk.folder, board.port, silent, 20)
    assert read_image(desk.board.image) == before


def test_the_pump_is_off_while_a_host_talks(start: Start) -> None:
    desk = start()
    with connect(desk.take(), silent, 20) as session:
        pump = desk.world.parts["pump"].pins["pin"]
        session.exec(f"import machine\nmachine.Pin({pump}, machine.Pin.OUT, value=1)")
        assert desk.world.pot.pump_did != "off"
        session.renew()
        desk.board.do(lambda: desk.world.read_pin(0, desk.board.now_us + 50_000))
        assert desk.world.pot.pump_did == "off"


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"version": (1, 26, 0)}, r"MicroPython 1\.26\.0, allowed 1\.27 or newer"),
        ({"interpreter": "circuitpython"}, "runs circuitpython, allowed: micropython"),
        ({"free_bytes": -1}, "file system cannot be read"),
        ({"machine": "Generic ESP32S3 module with ESP32S3"}, "this board is an esp32-s3"),
        (
            {"machine": "Raspberry Pi Pico W with RP2040"},
            "no board code runs on the rp2040: it keeps nothing",
        ),
        ({"unique_id": "0badcafe"}, "belongs to"),
    ],
)
def test_an_unsuitable_board_is_refused_in_one_line(
    start: Start, monkeypatch: pytest.MonkeyPatch, change: dict[str, Any], why: str
) -> None:
    desk = start()
    real = link.Link.identify
    monkeypatch.setattr(link.Link, "identify", lambda self: replace(real(self), **change))
    with pytest.raises(BadInput, match=why) as caught:
        flash.flash_one(desk.folder, desk.take(), silent, 20)
    assert "\n" not in str(caught.value)


def test_compiled_for_another_interpreter_is_refused(
    start: Start, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk = start()
    real = link.Link.identify
    monkeypatch.setattr(link.Link, "identify", lambda self: replace(real(self), mpy=5))
    with pytest.raises(BadInput, match="mpy-cross here makes version 6"):
        flash.flash_one(desk.folder, desk.take(), silent, 20)


def test_a_full_flash_is_refused_and_left_as_it_was(start: Start) -> None:
    desk = start(blank=True)
    desk.board.close()
    size = desk.board.image.stat().st_size
    desk.board.image.unlink()
    junk = {f"music{n}.bin": bytes(65536) for n in range(size // 65536 - 2)}
    make_image(desk.board.image, junk, image_bytes=size)
    with (
        DeskBoard(desk.board.image, desk.world, awake="real", unique_id=b"desk-1") as board,
        pytest.raises(BadInput, match="remove files of your own"),
    ):
        flash.flash_one(desk.folder, board.port, silent, 20)
    assert {n for n in read_image(desk.board.image) if not n.startswith("music")} == set()


def test_a_damaged_filesystem_is_told(start: Start) -> None:
    desk = start()
    desk.board.close()
    with desk.board.image.open("r+b") as file:
        file.write(os.urandom(8192))  # both copies of the superblock
    with (
        DeskBoard(desk.board.image, desk.world, awake="real", unique_id=b"desk-1") as board,
        pytest.raises((BadInput, BoardLost)) as caught,
    ):
        flash.flash_one(desk.folder, board.port, silent, 5)
    assert "file system" in str(caught.value)


def test_no_such_port_and_no_board(start: Start, tmp_path: Path) -> None:
    folder = copy_pot("basil", tmp_path)
    with pytest.raises(BadInput, match=r"no such port.*press the board's reset button"):
        flash.flash_one(folder, str(tmp_path / "ttyUSB7"), silent, 1)
    for path in (Path(os.devnull), tmp_path):
        with pytest.raises(BadInput, match=r"not a serial port that can be opened: [\w ]+; give"):
            flash.flash_one(folder, str(path), silent, 1)
    if not link.ports():
        with pytest.raises(BadInput, match="no board found on USB"):
            flash.match_ports([folder], [], True)


def test_a_busy_port_is_told(start: Start) -> None:
    desk = start()
    with connect(desk.take(), silent, 20), pytest.raises(BadInput, match="busy: another program"):
        flash.flash_one(desk.folder, desk.port, silent, 1)


def test_no_permission_names_the_cure(start: Start, monkeypatch: pytest.MonkeyPatch) -> None:
    """As root every port may be opened, so the refusal is made by hand."""
    desk = start()

    def refuse(*_args: Any, **_kwargs: Any) -> None:
        raise OSError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(serial, "Serial", refuse)
    with pytest.raises(BadInput, match=r"no permission.*usermod -aG"):
        flash.flash_one(desk.folder, desk.port, silent, 1)


def test_a_board_that_never_answers_is_told(start: Start) -> None:
    desk = start()
    desk.board.cut_power()
    said: list[str] = []
    with pytest.raises(BadInput, match="no answer in 4 s"), connect(desk.port, said.append, 4):
        pass
    assert len(said) == 1
    assert "press the board's reset button once" in said[0]


def test_a_board_that_answers_garbage_is_told(tmp_path: Path, start: Start) -> None:
    folder = copy_pot("basil", tmp_path)
    master, slave = os.openpty()
    tty.setraw(slave)
    done = threading.Event()

    def babble() -> None:
        while not done.is_set():
            os.write(master, hashlib.sha256(os.urandom(4)).digest())
            done.wait(0.02)

    talker = threading.Thread(target=babble)
    talker.start()
    try:
        with pytest.raises((BadInput, BoardLost)):
            flash.flash_one(folder, os.ttyname(slave), silent, 3)
    finally:
        done.set()
        talker.join()
        os.close(master)
        os.close(slave)


@pytest.mark.parametrize("what", ["hangs", "reboots"])
def test_a_board_that_fails_in_the_middle(
    start: Start, monkeypatch: pytest.MonkeyPatch, what: str
) -> None:
    desk = start()
    changed_code(monkeypatch)
    monkeypatch.setattr(link, "READ_S", 1.0)
    real = flash.switch
    act = {
        "hangs": lambda: None,
        "reboots": desk.board.hard_reset,
    }[what]

    def fail(session: Any, *args: Any) -> None:
        if what == "hangs":
            session.transport.serial.write(b"\x05A\x01")  # half a command, for ever
            session.transport.exec_raw_no_follow("while True: pass")
        act()
        session.exec("1")
        real(session, *args)

    monkeypatch.setattr(flash, "switch", fail)
    with pytest.raises(BoardLost):
        flash.flash_one(desk.folder, desk.take(), silent, 20)
    desk.let_go()
    files = desk.close()
    assert not files["code/in-force"].decode().endswith("changed0")
    assert wakes(files)[-1]["begin"]["settings"] == "good"


def test_two_boards_with_the_same_name_are_told_apart_by_their_id(
    start: Start, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    one = start(under=tmp_path / "a")
    two = start(under=tmp_path / "b", unique_id=b"desk-2")
    ports = [two.take(), one.take()]
    monkeypatch.setattr(flash, "ports", lambda: ports)
    assert flash.match_ports([one.folder], [], True) == [(one.folder, one.port)]
    # The folder b/basil was copied and still says that its board is a's.
    with pytest.raises(BadInput, match="belongs to"):
        flash.flash_one(two.folder, two.take(), silent, 20)


def test_another_pots_board_is_taken_over_only_on_request(start: Start, tmp_path: Path) -> None:
    """A pot that moved in would inherit a stranger's memory and log."""
    desk = start()
    other = copy_pot("tomato", tmp_path)
    with pytest.raises(BadInput, match=r"carries another pot's hard limits.*--take-over"):
        flash.flash_one(other, desk.take(), silent, 20)
    assert flash.board_id(other) is None
    result = flash.flash_one(other, desk.take(), silent, 20, take_over=True)
    assert any("/pot-1" in note for note in result.notes)
    assert any("empty memory" in note for note in result.notes)
    desk.board.awake = "stepped"
    desk.board.wait_asleep()
    files = desk.close()
    first = wakes(files)[0]
    assert (first["n"], first["begin"]["state"]) == (0, "good")
    assert "pot-1/log/00000001.jsonl" in files


def test_no_state_beside_a_log_is_no_new_pot(start: Start) -> None:
    """R11: it lost its memory; an empty one would forget its lockouts and the day's water."""
    desk = start()
    with connect(desk.take(), silent, 20) as session:
        session.exec("import os\nfor n in (0, 1): os.remove('/pot/state.%d' % n)")
    flash.flash_one(desk.folder, desk.take(), silent, 20)
    desk.board.awake = "stepped"
    desk.board.wait_asleep()
    last = wakes(desk.close())[-1]
    assert last["begin"]["state"] == "lost"
    assert last["lockouts"] == ["state lost"]


def test_six_boards_at_once(start: Start, tmp_path: Path, capsys: Any) -> None:
    desks = [
        start(blank=True, under=tmp_path / str(n), unique_id=b"desk-%d" % n, awake="real")
        for n in range(6)
    ]
    words = [str(desk.folder) for desk in desks]
    for desk in desks:
        words += ["--port", desk.port]
    assert main(["flash", *words, "--wait", "60"]) == 0
    out = capsys.readouterr()
    assert out.out.count(" in force") == 6
    assert "Take the tank out" in out.out
    assert out.err == ""  # progress is for a terminal
    for desk in desks:
        files = desk.close()
        assert b"code" not in files["code/in-force"]
        assert line.decode(files["pot/wiring.json"])[0] is not None


def pot_files(folder: Path, code: payload.Code) -> dict[str, bytes]:
    """The files in /pot that a flash would send."""
    wanted = flash.wanted_files(pot_folder.load(folder), code)
    return {path: data for path, data in wanted.items() if path.startswith("/pot/")}


@pytest.mark.parametrize("direction", ["in", "out"])
@pytest.mark.parametrize("cuts", [7, pytest.param(24, marks=pytest.mark.nightly)])
def test_a_cable_cut_anywhere_leaves_the_old_version_or_the_new(
    start: Start, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, direction: Direction, cuts: int
) -> None:
    """Cut at every n-th byte of a flash that changes code and settings, and near its end."""
    old = start(under=tmp_path / "whole")
    old_code = payload.compile_code(6)
    old_pot = pot_files(old.folder, old_code)
    real = link.Cable.__init__
    passed = {"in": 0, "out": 0}

    def counted(self: Any, port: str) -> None:
        real(self, port)
        write, fetch = self.serial.inner.write, self.serial.inner.read

        def writes(data: bytes) -> Any:
            passed["in"] += len(data)
            return write(data)

        def reads(size: int) -> bytes:
            got: bytes = fetch(size)
            passed["out"] += len(got)
            return got

        self.serial.inner.write, self.serial.inner.read = writes, reads

    new = changed_code(monkeypatch)
    for name, was, now in (("settings", 250, 240), ("limits", 400, 390)):
        path = old.folder / f"{name}.toml"
        path.write_text(path.read_text().replace(f"\ndose_ml = {was}", f"\ndose_ml = {now}"))
    new_pot = pot_files(old.folder, new)
    assert new_pot["/pot/limits.json"] != old_pot["/pot/limits.json"]
    with monkeypatch.context() as patch:
        patch.setattr(link.Cable, "__init__", counted)
        flash.flash_one(old.folder, old.take(), silent, 20)
    total = passed[direction]
    assert total > 3000
    seen = set()
    for cut in (*range(1, total - 100, total // cuts), total - 100):
        desk = start(under=tmp_path / f"cut{cut}")
        for name in ("settings", "limits"):
            (desk.folder / f"{name}.toml").write_text((old.folder / f"{name}.toml").read_text())
        port = desk.take()
        desk.board.cut_cable_at(cut, direction)
        with contextlib.suppress(BoardLost, BadInput):
            flash.flash_one(desk.folder, port, silent, 3)
        desk.let_go()
        files = desk.close()
        version = files["code/in-force"].decode()
        code = {old_code.version: old_code, new.version: new}[version]
        assert code_on(files, version) == code.files
        pot = {"/" + n: d for n, d in files.items() if f"/{n}" in new_pot}
        assert pot in (old_pot, new_pot), cut
        assert (pot == new_pot) == (version == new.version), cut
        last = wakes(files)[-1]
        assert [last["begin"][k] for k in ("settings", "limits", "calibration")] == ["good"] * 3
        assert last["core"] == version[:12]
        seen.add(version)
    assert seen == {old_code.version, new.version}


def test_the_world_stands_for_a_pot_whose_probes_cross_their_tables(tmp_path: Path) -> None:
    folder = copy_pot("citrus", tmp_path)
    world = world_for(folder)
    echo = world.parts["level"].pins["echo"]
    world.on_pin(world.parts["power"].pins["pin"], 1, 0, 0)
    assert 100 < world.pulse_us(echo, 1, 30_000, 1000) < 3000
    assert world.pulse_us(echo, 1, 50, 2000) == -1
    assert world.pulse_us(1, 1, 30_000, 3000) == -2


def test_a_power_cut_while_all_is_put_in_force(
    start: Start, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A board on the cable's power loses it with the cable: the next boot puts the rest in force,
    or nothing was. Code and files are of one flash at every cut."""
    old_code = payload.compile_code(6)
    new = changed_code(monkeypatch)
    told: list[Any] = []

    def lose(_: Any, *args: Any) -> None:
        told.extend(args)
        raise BoardLost("the cable")

    # All but the last step, once: every cut begins from there, and does that step alone
    sent = start(under=tmp_path / "whole")
    old_pot = pot_files(sent.folder, old_code)
    for kind, was, now in (("settings", 250, 240), ("limits", 400, 390)):
        path = sent.folder / f"{kind}.toml"
        path.write_text(path.read_text().replace(f"\ndose_ml = {was}", f"\ndose_ml = {now}"))
    new_pot = pot_files(sent.folder, new)
    almost = tmp_path / "almost"
    shutil.copytree(sent.folder, almost / "basil")
    with monkeypatch.context() as patch:
        patch.setattr(flash, "switch", lose)
        with pytest.raises(BoardLost):
            flash.flash_one(sent.folder, sent.take(), silent, 20)
    sent.board.close()
    shutil.copy(sent.board.image, almost)
    count = 0
    seen = set()
    while True:
        count += 4
        desk = start(under=tmp_path / f"cut{count}", of=almost)

        def off(t_us: int, desk: Desk = desk, power_off: Any = desk.world.power_off) -> None:
            power_off(t_us)
            desk.board.unplug()

        with monkeypatch.context() as patch:
            patch.setattr(desk.world, "power_off", off)
            done = False
            with (
                contextlib.suppress(BoardLost, BadInput),
                connect(desk.take(), silent, 20) as session,
            ):
                desk.board.cut_power_at(count)
                flash.switch(session, *told)
                desk.board.cut_power_at(0)
                done = True
        if done:
            break
        desk.board.plug_in()
        desk.board.awake = "stepped"
        desk.board.wait_asleep()
        desk.board.close()
        files = read_image(desk.board.image)
        version = files["code/in-force"].decode()
        code = {old_code.version: old_code, new.version: new}[version]
        assert code_on(files, version) == code.files, count
        last = wakes(files)[-1]
        assert [last["begin"][k] for k in ("settings", "limits", "calibration")] == ["good"] * 3
        assert last["core"] == version[:12]
        assert last["begin"]["state"] == "good"
        assert last["permissives"]["match"], count
        pot = {"/" + n: d for n, d in files.items() if f"/{n}" in new_pot}
        assert pot in (old_pot, new_pot), count
        assert (pot == new_pot) == (version == new.version), count
        assert "moves" not in files
        if version not in seen:
            desk.board.start()
            assert desk.flash().good
        seen.add(version)
    assert seen == {old_code.version, new.version}


def test_a_time_told_wrongly_is_put_right_by_the_cable_alone(start: Start) -> None:
    """A host with a wrong clock would else make every certificate seem ended, for ever."""
    desk = start()
    desk.board.wait_asleep()
    far = {"kind": "clock", "day": 24000, "second": 0}
    desk.board.write_files({"pot/clock.json": line.encode(("kind", "day", "second"), far)})
    notes = desk.flash().notes
    assert any("its clock had been set to 2065-09-16" in note for note in notes), notes
    record, _ = line.decode(desk.close()["pot/clock.json"])
    assert record is not None
    assert EPOCH + timedelta(days=record["day"]) <= datetime.now(UTC)
