"""First contact on a desk board, from end to end: a person at a terminal, a jumper, a button."""

from __future__ import annotations

import time
import tomllib
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from usb_desks import Desk

from wakewell.bench import bringup
from wakewell.cli import main
from wakewell.errors import BadInput
from wakewell.pot import bringup_file, chips, pot_folder
from wakewell.pot.bringup_file import BringUp, BringUpStep
from wakewell.shipped import CAFE
from wakewell.usb.link import Link

Start = Callable[..., Desk]
README = Path(__file__).parent.parent.parent / "README.md"
STEPS = len(("floats", "held", "reset", "bite", "button"))
BUTTON_MS = 60_000  # as device/bringup.py


class Person:
    """Answers the questions of a sitting; presses the button when told to."""

    def __init__(self, desk: Desk, *, presses: bool = True) -> None:
        self.desk, self.presses = desk, presses
        self.asked: list[str] = []

    def __call__(self, question: str) -> str:
        self.asked.append(question)
        board = self.desk.board
        if "bare" in question:
            return "bare"
        if "button" in question:
            for _ in range(6000):
                if board.boots[-1].sleep_ms == BUTTON_MS:
                    break
                time.sleep(0.01)
            began_us, count = board.boots[-1].end_us, len(board.boots)
            while board.now_us < began_us + 2_000_000:
                time.sleep(0.01)
            if self.presses:
                board.press_button(0.3)
            board.wait_boots(count + 1)
        return "11,5" if "microamperes" in question else ""


def sitting(start: Start, monkeypatch: pytest.MonkeyPatch, **options: Any) -> tuple[Desk, Person]:
    desk = start(awake="real", asleep="real", speed=20.0)
    desk.world.jumper = bringup.spare_pin(pot_folder.load(desk.folder), None)
    desk.board.wait_asleep()
    person = Person(desk, **options)
    monkeypatch.setattr("builtins.input", person)
    measure = bringup.pulses

    def in_simulated_time(t: bringup.Try, link: Link) -> None:  # whatever else the PC has to do
        desk.board.awake = "stepped"
        try:
            measure(t, link)
        finally:
            desk.board.awake = "real"

    monkeypatch.setattr(bringup, "pulses", in_simulated_time)
    return desk, person


@pytest.mark.waits
def test_from_end_to_end(
    start: Start, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    desk, person = sitting(start, monkeypatch)
    pumped_us, before = desk.world.pump_us, desk.board.read_files()
    assert "never tested on the bench" in bringup_file.standing(desk.folder, None)
    assert main(["bringup", str(desk.folder), "--port", desk.take()]) == 0
    said = capsys.readouterr().out
    assert "nothing may be connected to it but this jumper" in said
    assert "never across" in said
    assert len(person.asked) == 3
    found = bringup_file.read(desk.folder / bringup_file.FILE)
    assert found is not None
    assert not found.bad(), said
    assert [step.name for step in found.untried()] == ["TLS"]
    assert found.desk
    assert found.board == desk.board.unique_id.hex()
    steps = {step.name: step for step in found.steps}
    assert steps["pulses"].numbers["lengths_ms"] == pytest.approx([150, 150, 150, 32], rel=0.05)
    assert steps["asleep, the pin let go"].numbers["levels"] == [0, 1]
    assert steps["asleep, the pin held"].numbers["levels"] == [0, 0]
    assert steps["current asleep"].numbers == {"asleep_ua": 11.5}
    assert steps["converter, soil"].numbers["step_uv"] == 1000
    assert "all as expected (a desk board)" in bringup_file.standing(desk.folder, found.board)
    assert "of another board" in bringup_file.standing(desk.folder, "0badcafe")
    # The pump's own file is back, nothing of it stays, and the pot lives on.
    assert desk.world.pump_us == pumped_us
    desk.world.jumper = None
    desk.let_go()
    files = desk.close()
    assert files["pump.json"] == before["pump.json"]
    assert not [name for name in files if "bringup" in name or "aside" in name]
    assert "error.txt" not in files
    # A second one keeps the first.
    bringup_file.store(desk.folder, found)
    text = (desk.folder / bringup_file.FILE).read_text()
    bringup_file.store(desk.folder, BringUp(date(2030, 1, 1), "x", "y", "z", "1.30", False, ()))
    (copy,) = (desk.folder / "kept").glob("bringup-*.toml")
    assert copy.read_text() == text


@pytest.mark.waits
def test_a_button_that_nobody_pressed_is_a_finding(
    start: Start, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    desk, _ = sitting(start, monkeypatch, presses=False)
    assert main(["bringup", str(desk.folder), "--port", desk.take()]) == 1
    said = capsys.readouterr().out
    assert "nobody pressed it" in said, said
    text = bringup_file.standing(desk.folder, desk.board.unique_id.hex())
    assert "with unexpected results: wake by button" in text
    assert tomllib.loads((desk.folder / bringup_file.FILE).read_text())["desk"]


@pytest.mark.waits
def test_without_the_jumper_nothing_else_is_tried(
    start: Start, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    desk, _ = sitting(start, monkeypatch)
    pump = desk.world.jumper
    desk.world.jumper = 0
    assert main(["bringup", str(desk.folder), "--port", desk.take()]) == 2
    assert f"pin {pump} saw no pulse" in capsys.readouterr().err
    assert not (desk.folder / bringup_file.FILE).exists()


def test_a_word_that_is_not_given_and_pins_that_will_not_do(
    start: Start, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    desk = start()
    monkeypatch.setattr("builtins.input", lambda question: "yes")
    words = ["bringup", str(desk.folder), "--port", desk.port]
    assert main(words) == 2
    assert "nothing was tried" in capsys.readouterr().err
    assert main([*words, "--spare", "34"]) == 2
    assert "--spare 34: not one of them; allowed: a free pin" in capsys.readouterr().err
    assert main([*words, "--tls", "nowhere"]) == 2
    assert "allowed HOST:PORT" in capsys.readouterr().err
    assert main([*words, "--asleep-ua", "0"]) == 2
    with pytest.raises(BadInput):
        bringup.host_of("host:99999", desk.folder)


@pytest.mark.parametrize("name", sorted(p.name for p in CAFE.iterdir() if p.is_dir()))
def test_every_pot_has_a_spare_pin_that_lets_its_chip_start(name: str) -> None:
    pot = pot_folder.load(CAFE / name)
    assert pot.about is not None
    chip, spare = chips.CHIPS[pot.about.chip], bringup.spare_pin(pot, None)
    assert spare not in {pin for part in pot.parts.values() for pin in part.pins.values()}
    assert spare not in chip.strapping.keys() | chip.serial.keys() | chip.flash.keys()
    assert spare not in chip.input_only


def test_a_program_left_behind_gets_out_of_the_way(start: Start) -> None:
    """The host never came back: the board finishes alone, and is the pot's again."""
    desk = start(awake="real")
    port = desk.take()
    with bringup.connect(port) as link:
        link.run("use_version")
        made = bringup.Try(desk.folder, pot_folder.load(desk.folder), port, 27, (26, 0), print)
        bringup.away(made, link, None)
    desk.board.asleep = "skip"
    desk.board.awake = "stepped"
    desk.board.wait_boots(len(desk.board.boots) + STEPS)
    desk.board.asleep = "hold"
    desk.board.wait_asleep()
    files = desk.close()
    assert "pump.json" in files
    assert not [name for name in files if "bringup" in name or "aside" in name]


def test_flash_says_whether_its_board_was_brought_up(start: Start) -> None:
    desk = start()
    assert any("never tested on the bench" in note for note in desk.flash().notes)
    bringup_file.store(
        desk.folder,
        BringUp(date(2026, 5, 1), desk.board.unique_id.hex(), "a chip", "esp32", "1.28", False,
                (BringUpStep("pulses", True, "150 ms"), BringUpStep("TLS", False, "no Wi-Fi"))),
    )  # fmt: skip
    notes = "\n".join(desk.flash().notes)
    assert "brought up on 2026-05-01, with unexpected results: TLS" in notes


def test_what_was_seen_on_which_chip_is_in_the_readme(tmp_path: Path) -> None:
    """The README's list is made from the files of real boards that came with the program."""
    shipped = bringup_file.seen(
        (README.parent / "host" / "wakewell" / "data" / "seen").glob("*.toml")
    )
    assert shipped in README.read_text(encoding="utf-8")
    for desk in (True, False):
        folder = tmp_path / str(desk)
        folder.mkdir()
        steps = (
            BringUpStep("pulses", True, "150 ms", {"lengths_ms": [150.0]}),
            BringUpStep("TLS", None, "no"),
        )
        bringup_file.store(
            folder, BringUp(date(2026, 5, 1), "id", "C3 mini", "esp32-c3", "1.28", desk, steps)
        )
    text = bringup_file.seen(tmp_path.glob("*/bringup.toml"))
    assert text == "- esp32-c3, C3 mini, MicroPython 1.28, 2026-05-01: pulses"
    (tmp_path / "x.toml").write_text("[[step")
    assert bringup_file.read(tmp_path / "x.toml") is None
    assert bringup_file.seen([tmp_path / "x.toml"]) == bringup_file.NONE
