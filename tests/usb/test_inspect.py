"""A board's state on a screen, a lockout's end, an interpreter, a desk board in a terminal."""

from __future__ import annotations

import itertools
import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import pytest
from usb_desks import Desk, newest_state, wakes
from usb_images import whole

import makelog
from wakewell import words
from wakewell.cli import main
from wakewell.commands import deskboard as desk_command
from wakewell.deskboard import read_image
from wakewell.deskboard.desk import rig_world
from wakewell.deskboard.hands import Hands
from wakewell.errors import BadInput
from wakewell.log import record
from wakewell.pot import pot_folder
from wakewell.usb import inspect, pull
from wakewell.usb.link import Identity

Start = Callable[..., Desk]
DRY = {"water": 0.2}
desk_noise = itertools.count()


def locked_out(start: Start) -> Desk:
    """A dry pot whose hose was pulled off: no answer to its doses, and the pump is locked out."""
    desk = start(changes=DRY)
    soil = desk.world.parts["soil"].pins["pin"]
    desk.world.by_pin_uv[soil] = lambda: 1_980_000 + next(desk_noise) % 7 * 500
    desk.days(14)
    return desk


def test_a_lockout_is_shown_and_ends_only_with_its_cause_seen_to(start: Start, capsys: Any) -> None:
    desk = locked_out(start)
    words = ["inspect", str(desk.folder), "--wait", "600", "--port"]
    assert main([*words, desk.take()]) == 1
    out = capsys.readouterr().out
    assert "lockout      no response (R7), ends by" in out
    assert "needs: " in out
    assert "find out why it is not being watered" in out
    assert "last good" in out
    assert main([*words, desk.take(), "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert (told["command"], told["results"][0]["lockouts"]) == ("inspect", ["no response"])
    assert main(["pull", *words[1:], desk.take(), "--json"]) == 0
    (pulled,) = json.loads(capsys.readouterr().out)["results"]
    assert (pulled["name"], pulled["good"], pulled["wakes"] > 10) == ("basil", True, True)
    assert main(["flash", *words[1:], desk.take(), "--json"]) == 0
    (flashed,) = json.loads(capsys.readouterr().out)["results"]
    assert (flashed["name"], flashed["good"], flashed["files_sent"]) == ("basil", True, 0)
    assert main([*words, desk.take(), "--clear", "leak"]) == 2
    assert "'leak' is not in force; in force: no response" in capsys.readouterr().err
    assert main([*words, desk.take(), "--clear", "no response"]) == 2
    assert "not cleared: first find and mend the cause" in capsys.readouterr().err
    assert main([*words, desk.take(), "--clear", "no response", "--seen-to", "hose back on"]) == 1
    desk.board.awake = "stepped"
    boot = desk.board.wait_asleep()
    desk.board.advance(boot.sleep_ms / 1000 + 1)
    desk.board.wait_asleep()
    files = desk.close()
    assert "clear no response" in wakes(files)[-1]["begin"]["host"]
    assert "no response" not in wakes(files)[-1]["lockouts"]
    assert newest_state(files) is not None


@pytest.mark.parametrize("word", ["unfitted", "railed"])
def test_a_reading_that_is_none_says_why_in_plain_words(word: str) -> None:
    *_, line = makelog.log_lines(makelog.play(makelog.wakes(2)))
    last = pull.last_record(line + b"\n")
    assert isinstance(last, record.Wake)
    last = msgspec.structs.replace(
        last,
        values=msgspec.structs.replace(last.values, battery_mv=None),
        judged={**last.judged, "battery": word},
    )
    identity = Identity("0" * 12, "micropython", (1, 27, 0), 0, 0, 4096, "ESP32")
    seen = inspect.Seen(identity, "none", "none", "0", "", None, [last])
    told = inspect.screen(seen, Path("basil"))
    assert f"  battery      {words.PROBE_WORDS[word].plain}" in told


def test_an_interpreter_is_written_after_asking(
    start: Start, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """esptool itself needs a chip; here only what it would be told."""
    desk = start()
    image = tmp_path / "micropython.bin"
    image.write_bytes(whole("esp32"))
    told: list[list[str]] = []

    def run(command: list[str], **_: Any) -> subprocess.CompletedProcess[str]:
        told.append(command)
        return subprocess.CompletedProcess(command, 0)

    monkeypatch.setattr("importlib.util.find_spec", lambda name: object())
    monkeypatch.setattr("importlib.metadata.version", lambda name: "5.1.0")
    monkeypatch.setattr(subprocess, "run", run)
    words = ["flash", str(desk.folder), "--port", "/dev/ttyUSB0", "--interpreter", str(image)]
    monkeypatch.setattr("builtins.input", lambda _: "no")
    assert main(words) == 2

    def nobody(_: str) -> str:
        raise EOFError

    monkeypatch.setattr("builtins.input", nobody)
    assert main(words) == 2
    assert not told
    monkeypatch.setattr("builtins.input", lambda _: "erase")
    assert main(words) == 0
    assert [command[3:] for command in told] == [
        ["--port", "/dev/ttyUSB0", "erase-flash"],
        # ESP-IDF: the second-stage bootloader of an ESP32 lies at 0x1000, of later chips at 0x0
        ["--port", "/dev/ttyUSB0", "write-flash", "0x1000", str(image)],
    ]
    assert main(["flash", str(desk.folder), "--interpreter", str(tmp_path / "none")]) == 2


def test_without_esptool_the_way_to_it_is_told(
    start: Start, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Any
) -> None:
    desk = start()
    image = tmp_path / "micropython.bin"
    image.write_bytes(whole("esp32"))
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    words = ["flash", str(desk.folder), "--port", "x", "--interpreter", str(image), "--yes"]
    assert main(words) == 2
    assert "pip install 'wakewell[esptool]'" in capsys.readouterr().err
    monkeypatch.setattr("importlib.util.find_spec", lambda name: object())
    monkeypatch.setattr("importlib.metadata.version", lambda name: "4.8.1")
    assert main(words) == 2
    assert "esptool 4.8.1 is here, allowed 5 or newer" in capsys.readouterr().err


@pytest.mark.waits
def test_words_typed_at_a_desk_board(start: Start) -> None:
    desk = start()

    person = Hands(desk.board, desk.world)

    def say(*words: str) -> str:
        return desk_command.answer(person, list(words))

    desk.board.wait_asleep()
    assert "in deep sleep at day 0.0" in say("state")
    assert "advance DAYS" in say("help")
    assert "tank fill [ML]" in say("help")
    assert "at day 3.0" in say("advance", "3")
    desk.world.pot.line.tank_ml = 100.0
    assert say("tank", "fill") == "3.90 l poured in"
    before = desk.world.pot.soil.content
    say("pot", "water", "200")
    assert desk.world.pot.soil.content > before
    say("charger", "in")
    assert desk.world.pot.charger_ma > 0
    assert "allowed pot soak, pot dry, pot water ML" in say("pot", "water", "much")
    assert "allowed advance DAYS, a number" in say("advance")
    assert "nearest known name advance" in say("advence", "3")
    assert say("off").startswith("off")
    say("on")
    desk.board.wait_asleep()
    assert "in deep sleep" in say("state")


@pytest.mark.waits
def test_a_button_held_by_the_clock_on_the_wall(start: Start) -> None:
    """Asleep, time runs 3600 times as fast; a hold lasts as long as was typed (R12)."""
    desk = start(awake="real", asleep="real", speed=3600.0)
    desk.board.wait_asleep()
    desk_command.answer(Hands(desk.board, desk.world), ["button", "3"])
    desk.board.wait_asleep()
    held_ms = [w["begin"]["button_ms"] for w in wakes(desk.board.read_files())]
    assert [ms for ms in held_ms if 2000 <= ms < 6000]


def test_a_desk_board_in_a_terminal_can_be_flashed(tmp_path: Path) -> None:
    link = tmp_path / "tty"
    command = [sys.executable, "-m", "wakewell", "deskboard", "--link", str(link)]
    process = subprocess.Popen(
        [*command, "--image", str(tmp_path / "flash.img")],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        assert process.stdout is not None
        assert process.stdin is not None
        said = "".join(process.stdout.readline() for _ in range(8))
        folder = Path(said.split("wakewell flash ")[1].split(" --port")[0])
        assert folder.is_dir()
        assert main(["flash", str(folder), "--port", str(link), "--wait", "600"]) == 0
        process.stdin.write("quit\n")
        process.stdin.flush()
        assert process.wait() == 0
    finally:
        process.kill()
    assert "code/in-force" in read_image(tmp_path / "flash.img")


def test_what_no_desk_board_can_be(tmp_path: Path, capsys: Any) -> None:
    cafe = Path(pot_folder.__file__).parents[1] / "data" / "cafe"
    other = tmp_path / "other"
    shutil.copytree(cafe / "mint", other)
    about = other / "pot.toml"
    about.write_text(about.read_text().replace('"esp32-c3"', '"rp2040"'))
    wiring = other / "wiring.toml"
    text = wiring.read_text()
    for old, new in ((0, 26), (1, 27), (3, 28)):
        text = text.replace(f"pin = {old} ", f"pin = {new} ").replace(
            f"pin = {old},", f"pin = {new},"
        )
    wiring.write_text(text)
    assert main(["deskboard", str(other)]) == 2
    assert "can be one of esp32, esp32-s3, esp32-c3, esp32-c6" in capsys.readouterr().err
    assert main(["deskboard", str(tmp_path)]) == 2
    assert main(["deskboard", str(cafe / "basil"), "--speed", "0"]) == 2
    blank = tmp_path / "basil"
    blank.mkdir()
    for path in (cafe / "basil").glob("*.toml"):
        (blank / path.name).write_text(path.read_text())
    (blank / "calibration.toml").write_text("stage = 0\n")
    with pytest.raises(BadInput, match="no pot of the café"):
        rig_world(blank, "nobody")
