"""What flash, pull and the link do, with a board that is this interpreter in a folder: quick, and
nothing of it is MicroPython's. What is is tried on desk boards in the other files of this folder.
"""

from __future__ import annotations

import argparse
import builtins
import contextlib
import io
import os
import sys
from datetime import timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from mpremote.transport import TransportExecError
from usb_desks import copy_pot

import makelog
from wakecore import line
from wakewell.commands import flash as flash_command
from wakewell.errors import BadInput
from wakewell.pot import pot_folder as pots
from wakewell.replay import changes, preview
from wakewell.shipped import CAFE
from wakewell.usb import flash, link, payload, programs, pull

SAYS = (b"\x01" * 6, "micropython", (1, 27, 0), 6, 1 << 20, 4096, "Generic ESP32 module with ESP32")


class Folder:
    """The board's flash as a folder of this computer, and its prompt."""

    def __init__(self, root: Path) -> None:
        self.root, self.serial = root, self
        at = self.at
        known = {
            "stat": lambda path: os.stat(at(path)),
            "mkdir": lambda path: os.mkdir(at(path)),
            "rename": lambda one, other: os.replace(at(one), at(other)),
        }
        board_os = SimpleNamespace(**known)
        # What a program unloads there, this process keeps
        board_sys = SimpleNamespace(modules=dict(sys.modules), path=[])
        of_the_board = {"os": board_os, "sys": board_sys}

        def imported(name: str, *rest: Any) -> Any:
            if name in ("chip", "loader"):  # another test of this process may stand in for them
                raise ImportError(name)
            return of_the_board.get(name) or __import__(name, *rest)

        def opened(path: str, mode: str = "r") -> Any:
            return open(at(path), mode)

        inside = vars(builtins) | {"__import__": imported, "open": opened}
        self.names: dict[str, Any] = {"__builtins__": inside}

    def at(self, path: str) -> str:
        return str(self.root / path.strip("/"))

    def allow(self) -> None: ...

    def close(self) -> None: ...

    def exec(self, code: str) -> bytes:
        if code == programs.question("identify"):
            return repr(SAYS).encode()
        out = io.StringIO()
        try:
            with contextlib.redirect_stdout(out):
                exec(code, self.names)
        except Exception as error:  # as the board's prompt does
            raise TransportExecError(b"", f"{type(error).__name__}: {error}") from None
        return out.getvalue().encode()


@pytest.fixture
def board(tmp_path: Path) -> link.Link:
    (tmp_path / "board").mkdir()
    return link.Link("/dev/ttyX", Folder(tmp_path / "board"))  # type: ignore[arg-type]


# The link


def test_a_link_is_of_that_port_and_knows_its_board(board: link.Link) -> None:
    assert board.port == "/dev/ttyX"
    assert board.identity.unique_id == "01" * 6
    assert isinstance(board.transport, Folder)


def test_a_file_is_written_read_and_absent_by_its_number(board: link.Link) -> None:
    data = bytes(range(256)) * 9  # in pieces
    assert board.read("/pot/state.0") is None
    board.folder("/pot")
    board.replace("/pot/state.0", data)
    assert board.read("/pot/state.0") == data
    (Path(board.transport.root) / "wall").write_bytes(b"")  # type: ignore[attr-defined]
    with pytest.raises(link.BoardRefused, match="the board says error 20"):  # ENOTDIR of this PC
        board.read("/wall/state.0")


class Port:
    """A serial port that gives these pieces, one a look, and then nothing."""

    def __init__(self, *pieces: bytes) -> None:
        self.pieces, self.thrown = list(pieces), 0

    @property
    def in_waiting(self) -> int:
        return len(self.pieces[0]) if self.pieces else 0

    def read(self, size: int) -> bytes:
        return self.pieces.pop(0) if self.pieces else b""

    def reset_input_buffer(self) -> None:
        self.thrown += 1
        self.pieces.clear()


def test_an_answer_comes_in_pieces_up_to_its_end() -> None:
    kept = link.PatientPort(Port(b"a", b"b", b"c", b"d"))
    assert kept.until(b"c", 1e9, 1e9) == b"abc"
    assert kept.read(1) == b"d"
    assert bytes(kept.heard) == b"abcd"


def test_who_falls_silent_is_heard_so_far() -> None:
    assert link.PatientPort(Port(b"ab")).until(b"c", -1.0, None) == b"ab"


def test_what_came_before_is_thrown_away_here_and_in_the_port() -> None:
    port = Port(b"ab", b"cd")
    kept = link.PatientPort(port)
    assert kept.until(b"b", 1e9, None) == b"ab"
    kept.reset_input_buffer()
    assert port.thrown == 1
    assert kept.inWaiting() == 0


def test_a_locked_port_is_asked_again_after_a_while(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its lock may be another thread's for a moment."""
    seen: list[str] = []

    def locked(*_: object, **__: object) -> None:
        seen.append("asked")
        raise link.serial.SerialException("Could not exclusively lock port")

    monkeypatch.setattr(link.serial, "Serial", locked)
    monkeypatch.setattr(link.time, "sleep", lambda s: seen.append("waited"))
    with pytest.raises(link.serial.SerialException):
        link.unlocked("/dev/ttyX")
    assert seen == ["asked", *["waited", "asked"] * (link.OPEN_TRIES - 1)]


# Pull


def test_what_is_listed_and_is_no_log_is_told(board: link.Link) -> None:
    rows = "7 00000002.jsonl\n\n5 00000001.jsonl\n9 notes.txt\n"
    board.exec = lambda code: rows  # type: ignore[method-assign]
    assert pull.listed(board) == (
        [("00000001.jsonl", 5), ("00000002.jsonl", 7)],
        ["9 notes.txt"],
    )


def test_the_newest_moment_is_the_last_wakes_of_the_last_file(tmp_path: Path) -> None:
    lines = makelog.log_lines(makelog.play(makelog.wakes(4)))
    wakes = [data for data in lines if b'"kind":"wake"' in data]
    begin = pull.record.read(wakes[0]).plain["begin"]
    assert pull.newest_moment(tmp_path) is None
    for number, (data, utc) in enumerate(
        zip(wakes, ([9600, 7, 1], [9601, 8, 1], [9602, 9, 0]), strict=False), 1
    ):
        changed = makelog.changed(data, begin=begin | {"utc": utc})
        (tmp_path / f"0000000{number}.jsonl").write_bytes(changed + b"\n")
        wanted = link.EPOCH + timedelta(days=utc[0], seconds=utc[1]) if utc[2] else None
        assert pull.newest_moment(tmp_path) == wanted


# Flash


def result() -> flash.FlashResult:
    return flash.FlashResult(
        "/dev/ttyX", "basil", link.Identity("01", "m", (1, 27), 6, 1, 1, "m"), "v"
    )


def options(*pots: Path, **changes: Any) -> argparse.Namespace:
    usual = {
        "pots": [str(path) for path in pots], "port": [], "yes": False, "wait": None,
        "keep_asked": False, "replace_asked": False, "take_over": False,
        "accept_weaker": False, "interpreter": None,
    }  # fmt: skip
    return argparse.Namespace(**{"json": False} | usual | changes)


def test_a_flash_is_good_until_something_is_found(board: link.Link) -> None:
    made = result()
    assert made.good
    loaded, path = dict(sys.modules), list(sys.path)
    flash.test(board, "v", made, [])  # this interpreter is no board's
    assert not made.good
    assert made.notes
    assert sys.path == path
    assert {name: sys.modules.get(name) for name in loaded} == loaded


def test_files_arrive_beside_those_in_force_and_are_checked_there(
    board: link.Link, tmp_path: Path
) -> None:
    there = tmp_path / "board"
    missing = {"/code/v/wakecore/a.mpy": b"abc" * 999, "/pot/settings.json": b"{}", "/boot.py": b""}
    made, told = result(), list[tuple[int, int]]()
    flash.send(board, missing, {}, made, lambda done, total: told.append((done, total)))
    assert (there / "code/v/wakecore/a.mpy").read_bytes() == b"abc" * 999
    assert (there / "pot/settings.json.new").read_bytes() == b"{}"
    assert not (there / "pot/settings.json").exists()
    assert (made.files_sent, made.bytes_sent, made.copied) == (3, 2999, 0)
    assert told[-1] == (2999, 2999)
    # What is on the board already is copied there
    sums = {payload.sha(b"{}"): "/pot/settings.json.new"}
    by_path = {path: digest for digest, path in sums.items()}
    flash.send(board, {"/pot/limits.json": b"{}"}, by_path, made, lambda *_: None)
    assert (there / "pot/limits.json.new").read_bytes() == b"{}"
    assert (made.files_sent, made.copied) == (3, 1)


def test_a_file_that_arrives_otherwise_switches_nothing(board: link.Link) -> None:
    write = board.write
    board.write = lambda path, data, *_: write(path, data + b"x")  # type: ignore[method-assign]
    with pytest.raises(
        link.BoardLost, match="/pot/a did not arrive complete; the old version stays in force"
    ):
        flash.send(board, {"/pot/a": b"{}"}, {}, result(), lambda *_: None)


@pytest.mark.parametrize(("late_s", "told"), [(0, False), (1, True), (-5 * 86400, False)])
def test_a_board_that_was_told_a_time_to_come(board: link.Link, late_s: int, told: bool) -> None:
    """More than a day ahead: up to then its clock and this one may differ by a zone."""
    day = 9700
    now = link.EPOCH + timedelta(days=day - 1, seconds=-late_s)
    board.now = lambda: now  # type: ignore[method-assign]
    name = flash.FLOOR
    board.folder(name.rpartition("/")[0])
    board.replace(name, line.encode(("kind", "day"), {"kind": "clock", "day": day}))
    found = flash.ahead(board)
    assert found == (link.EPOCH + timedelta(days=day) if told else None)


def test_what_was_asked_by_radio_is_looked_for_in_both_of_its_slots(
    board: link.Link, tmp_path: Path
) -> None:
    pot = pots.load(copy_pot("basil", tmp_path))
    asked: list[str] = []
    board.read = lambda path: asked.append(path)  # type: ignore[method-assign, assignment, func-returns-value]
    board.exec = lambda code: ""  # type: ignore[method-assign]
    assert flash.settle(board, pot, None, result()) == (pot, 0)
    assert asked == ["/pot/heard.0", "/pot/heard.1", "/pot/settings.json"]


def test_every_file_that_a_board_shall_have() -> None:
    pot = pots.load(CAFE / "basil")
    wanted = flash.wanted_files(pot, payload.Code("v1", {"wakecore/a.mpy": b"a"}))
    assert wanted["/code/v1/wakecore/a.mpy"] == b"a"
    assert wanted["/pot/settings.json"] == pot.lines["settings"]
    names = {"/boot.py", "/main.py", "/loader.py", "/chip.py", "/pump.json", "/pot/wiring.json"}
    assert names <= wanted.keys()
    wiring = line.decode(wanted["/pot/wiring.json"])[0]
    assert wiring is not None
    assert (wiring["version"], wiring["soil_pin"], wiring["power_pin"]) == (
        payload.wiring.VERSION, 32, 26,
    )  # fmt: skip


def test_one_file_is_compiled_under_its_own_name(tmp_path: Path) -> None:
    source = tmp_path / "wakecore" / "small.py"
    source.parent.mkdir()
    source.write_text("ONE = 1\n")
    name, data = payload.compile_file(source)
    assert name == "wakecore/small.mpy"
    assert data[:1] == b"M"  # MicroPython's own mark of compiled code
    assert b"wakecore/small.mpy" in data
    source.write_text("ONE = = 1\n")
    with pytest.raises(BadInput, match="mpy-cross"):
        payload.compile_file(source)


def test_a_folder_with_a_problem_is_never_flashed(tmp_path: Path) -> None:
    folder = copy_pot("basil", tmp_path)
    (folder / "limits.toml").write_text("pulse_ms = 1\n")
    with pytest.raises(BadInput, match="run wakewell check"):
        flash.flash_one(folder, "/dev/ttyX", lambda _: None)


def test_what_would_protect_less_stops_before_anything_is_sent(
    board: link.Link, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = copy_pot("basil", tmp_path)
    less = changes.Change(changes.WEAKER, "R4", "trips.no flow", "trip no flow")
    first = SimpleNamespace(rule=less.rule, wake=7, text=less.text)
    found = SimpleNamespace(lines=["it would protect less"], weaker=[first])
    monkeypatch.setattr(preview, "of", lambda pot, only_core: found)
    monkeypatch.setattr(flash, "connect", lambda *_, **__: contextlib.nullcontext(board))
    monkeypatch.setattr(payload, "compile_code", lambda _: payload.Code("v", {}))
    for name, answer in (
        ("check_board", None), ("check_free", None), ("check_pulse", 0), ("sums", {}),
    ):  # fmt: skip
        monkeypatch.setattr(flash, name, lambda *_, answer=answer: answer)
    monkeypatch.setattr(flash, "settle", lambda link, pot, *_: (pot, 0))
    monkeypatch.setattr(flash, "at_its_stage", lambda link, pot, _: pot)
    said: list[str] = []
    with pytest.raises(BadInput, match=r"first R4 at wake 7: trip no flow\. Nothing was sent"):
        flash.flash_one(folder, "/dev/ttyX", said.append)
    assert said == ["basil: it would protect less"]
    assert list((tmp_path / "board").iterdir()) == []


def test_several_pots_each_to_its_port_and_one_fails(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    folders = [tmp_path / name for name in ("basil", "fern", "mint")]
    for folder in folders:
        folder.mkdir()
    pairs = [(folder, f"/dev/tty{number}") for number, folder in enumerate(folders)]
    monkeypatch.setattr(flash_command, "match_ports", lambda *_: pairs)
    went: dict[str, str] = {}

    def flashed(folder: Path, port: str, *_: object) -> flash.FlashResult:
        went[folder.name] = port
        if folder.name == "basil":
            raise link.BoardLost("it fell silent")
        made = result()
        made.pot, made.good = folder.name, folder.name != "mint"
        return made

    monkeypatch.setattr(flash_command, "flash_one", flashed)
    assert flash_command.run(options(*folders)) == 2
    assert went == {folder.name: port for folder, port in pairs}
    said = capsys.readouterr().out
    assert said.count("NOT flashed: it fell silent") == 1
    assert "basil: NOT flashed" in said
    assert "fern" in said.split("NOT flashed")[1]


def test_an_interpreter_is_written_instead_and_shown_before(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = copy_pot("basil", tmp_path)
    with pytest.raises(BadInput, match="needs one POT and its --port"):
        flash_command.run(options(folder, interpreter="image.bin"))
    found = SimpleNamespace(lines=lambda: ["MicroPython 1.27 for an ESP32"], path=Path("image.bin"))
    monkeypatch.setattr(flash_command.image, "look", lambda *_: found)
    monkeypatch.setattr(flash_command.image, "check_esptool", lambda: None)
    monkeypatch.setattr("builtins.input", lambda _: "no")
    with pytest.raises(BadInput, match="nothing was written"):
        flash_command.run(options(folder, interpreter="image.bin", port=["/dev/ttyX"]))
    assert "MicroPython 1.27 for an ESP32\nThis erases" in capsys.readouterr().out
    monkeypatch.setattr(flash_command, "write_interpreter", lambda *_: 7)
    assert flash_command.run(options(folder, interpreter="image.bin")) == 7
