"""Commissioning a pot on a desk board, the person's hands played by the test."""

from __future__ import annotations

import re
import shutil
import tomllib
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from wakewell.bench import circuit, commission, wiring_list
from wakewell.bench.bench_board import BenchBoard
from wakewell.cli import main
from wakewell.deskboard import DeskBoard, why_not
from wakewell.deskboard.rig_world import RigWorld, spec_of
from wakewell.pot import chips, pot_folder
from wakewell.pot.bench_book import Book
from wakewell.pot.description import Battery
from wakewell.pot.headers import HEADERS
from wakewell.rig.pot import RigPot
from wakewell.shipped import CAFE
from wakewell.usb import flash

BLANK = "stage = 0\ncapacity_ppt = 420\nwilting_ppt = 110\n"
YES = ("wiring.checked", "direction.water", "prime.solid", "leak.joints", "leak.end", "stand.dry")
FLOAT_WIRING = """
pump = { pin = 27, active = "high" }
soil = { pin = 32 }
level = { kind = "float", pin = 21, pull = "up" }
battery = { pin = 35, upper_ohm = 220000, lower_ohm = 220000 }
current = { pin = 33 }
charger = { pin = 18, pull = "up" }
button = { pin = 13, pull = "up" }
"""
needs_desk = pytest.mark.skipif(why_not() is not None, reason=why_not() or "")


class Hands(commission.Answers):
    """Does at the rig what a person is asked to do, and answers what is then true."""

    def __init__(self, board: DeskBoard, world: RigWorld, **given: list[Any]) -> None:
        self.said: list[str] = []
        super().__init__({}, self.said.append)
        self.board, self.world = board, world
        self.given = {key.replace("__", "."): rows for key, rows in given.items()}
        self.tank = iter((0.0, 1000.0, 2000.0, 3000.0, 3990.0))
        self.pumped_ml = 0.0
        self.pumped_us: list[int] = []

    def ask(self, key: str, question: str) -> str:
        self.asked.append(key)
        self.said.append(question)
        if self.given.get(key):
            return str(self.given[key].pop(0))
        return str(self.board.do(lambda: self.act(key)))

    def act(self, key: str) -> Any:
        pot, world = self.world.pot, self.world
        if key == "pulldown.moved":
            self.board.awake = "stepped"  # a host talks to it now
            return "no" if pot.pump_did == "off" and world.on_since is None else "yes"
        if key == "battery.meter_mv":
            return round(pot.cell_mv())
        if key in ("soil.air", "soil.water"):
            uv = {"soil.air": 2_400_000, "soil.water": 900_000}[key]
            world.by_pin_uv[world.parts["soil"].pins["pin"]] = lambda: uv
        elif key in ("level.empty", "level.added_ml"):
            pot.line.tank_ml, was = next(self.tank), pot.line.tank_ml
            if key == "level.added_ml":
                return round(pot.line.tank_ml - was)
        elif key in ("level.up", "level.down"):
            pot.line.tank_ml = 2400.0 if key == "level.up" else 100.0
        elif key == "level.switch_ml":
            return 500
        elif key == "current.run":
            pot.line.tank_ml = 0.0 if "current.water_ma" in self.asked else 2400.0
            return "run"
        elif key in ("current.water_ma", "current.air_ma"):
            return 190 if key == "current.water_ma" else 60
        elif key.startswith("charger."):
            pot.charger_ma = 500.0 if key == "charger.on" else 0.0
        elif key.startswith("button."):
            world._pressed = key == "button.ready"
        elif key.endswith(".run"):
            pot.line.tank_ml = max(pot.line.tank_ml, 1000.0)
            self.pumped_us.append(world.pump_us)
            self.pumped_ml = self.poured()
            return "run"
        elif key == "flow.ml":
            return round(self.poured() - self.pumped_ml, 1)
        elif key == "sleep.ua":
            return 18
        elif key == "soil.dry_g":
            return "skip"
        elif key in ("soil.soaked_g", "soil.refill_g"):
            uv = 1_430_000 if key == "soil.soaked_g" else 1_990_000
            world.by_pin_uv[world.parts["soil"].pins["pin"]] = lambda: uv
            return 5000 if key == "soil.soaked_g" else 4265
        elif key in YES:
            return "yes"
        return "ok"

    def poured(self) -> float:
        self.world.pass_time(self.board.now_us + 50_000)
        assert self.world.pot.soil is not None  # books what the pump moved
        return self.world.pot.counts.pumped_ml


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[tuple[DeskBoard, RigWorld, Path]]:
    """Basil's parts on a board that knows nothing of them yet."""
    folder = tmp_path / "basil"
    shutil.copytree(CAFE / "basil", folder, ignore=shutil.ignore_patterns("logs"))
    truth = pot_folder.load(folder)
    assert truth.pot is not None
    spec = replace(spec_of(folder), water=0.3)
    (folder / "calibration.toml").write_text(BLANK)
    world = RigWorld(truth.parts, RigPot(spec, 1), truth.pot.calibration)
    with DeskBoard(tmp_path / "flash.img", world, awake="real", image_bytes=1 << 20) as board:
        world.board = board
        flash.flash_one(folder, board.port, lambda text: None, 20)
        board.hard_reset()
        yield board, world, folder


def sit(
    board: DeskBoard, world: RigWorld, folder: Path, hands: Hands, day: int = 0, *again: str
) -> int:
    """One sitting at the bench, on that day."""
    board.awake = "real"
    board.hard_reset()
    with BenchBoard(folder, board.port, 20) as bench:
        session = commission.Session(
            folder, pot_folder.load(folder), Book(folder), bench, hands, board.unique_id.hex(),
            lambda: datetime(2026, 3, 1, tzinfo=UTC) + timedelta(days=day),
        )  # fmt: skip
        return commission.carry_on(session, list(again))


@needs_desk
def test_a_blank_pot_is_commissioned_in_three_sittings(
    desk: tuple[DeskBoard, RigWorld, Path],
) -> None:
    board, world, folder = desk
    hands = Hands(board, world, soil__soaked_g=[], soil__refill_g=["skip"])
    assert sit(board, world, folder, hands) == 1
    assert "leave the tank for a day" in hands.said[-1]
    provisional = pot_folder.load(folder)
    steps = [re.match(r"Step (\d+) of (\d+), .+: about .+", text) for text in hands.said]
    told = [(int(step[1]), int(step[2])) for step in steps if step]
    fitted = [row for row in commission.STEPS if not row[1] or row[1] in provisional.parts]
    assert told == [(n, len(fitted)) for n in range(1, len(told) + 1)]
    assert hands.said[0] == f"Step 1 of {len(fitted)}, Wiring: about 20 minutes"
    assert not provisional.problems
    assert provisional.calibration["stage"] == 1
    # The pump ran only after its word, each time no longer than was said.
    asked = [key for key in hands.asked if key.endswith(".run")]
    assert asked == ["direction.run", "prime.run", "flow.run", "flow.run", "flow.run"]
    assert hands.pumped_us[0] == 0
    ran_ms = [(b - a) / 1000 for a, b in pairwise([*hands.pumped_us, world.pump_us])]
    assert ran_ms == pytest.approx([1000, 3000, 4000, 4000, 4000], abs=20)
    # What was found agrees with the rig's own truth: what its pump gives from this tank on this
    # cell, less what each run of 4 s first needs to fill the hose (14 ml).
    line, loaded_ma = world.pot.line, world.pot.spec.pump.running_ma + world.pot.spec.board.awake_ma
    loaded_mv = world.pot.battery.loaded_mv(loaded_ma, 20.0)
    flow_ul_s = 1000 * line.parts.flow_ml_s(line.tank_ml, loaded_mv)
    assert provisional.calibration["flow_ul_s"] == pytest.approx(flow_ul_s - 14000 / 4, rel=0.03)
    assert provisional.calibration["sleep_ua"] == 18
    level = provisional.calibration["level"]["points"]
    assert level[-1][1] == pytest.approx(3990, abs=5)
    assert level[-1][0] == pytest.approx(2_000_000, rel=0.02)

    # A day later the tank has held; the soil waits for its second weighing.
    hands = Hands(board, world, soil__refill_g=["skip"])
    assert sit(board, world, folder, hands, day=1) == 1
    assert "come back when it needs water" in hands.said[-1]
    assert Book(folder).done("leak stand")
    assert not [key for key in hands.asked if key.endswith(".run")]  # nothing is done twice

    hands = Hands(board, world)
    assert sit(board, world, folder, hands, day=12) == 0, hands.said[-8:]
    done = pot_folder.load(folder)
    assert not done.problems
    assert done.calibration["stage"] == 2
    assert done.calibration["capacity_ppt"] == 420
    assert done.calibration["ul_per_ppt"] == 3500
    # 735 g less in 3500 ml of substrate are 210 ppt.
    assert done.settings["depletion_ppt"] == round(1000 * 210 / (420 - 110))
    assert done.settings["fill_ppt"] < 930  # two points deserve smaller doses
    book = tomllib.loads((folder / "commissioning.toml").read_text())
    left = [row for row in book["finding"] if row["step"] == "calibration"]
    assert "stage = 0" in left[0]["as_found"]
    assert "stage = 2" in left[-1]["as_left"]
    assert len(list((folder / "kept").glob("commissioning-*.toml"))) >= 1

    # And the board, flashed, knows itself commissioned.
    board.awake = "real"
    board.hard_reset()
    result = flash.flash_one(folder, board.port, lambda text: None, 20)
    assert result.good
    assert not any("provisional" in note or "commissioned" in note for note in result.notes)


@needs_desk
def test_a_float_switch_and_a_current_sense_are_commissioned(tmp_path: Path) -> None:
    """R4: a float shows no amounts; what the pump draws in water and in air proves its water."""
    folder = tmp_path / "mint"
    shutil.copytree(CAFE / "mint", folder, ignore=shutil.ignore_patterns("logs"))
    about = folder / "pot.toml"
    about.write_text(about.read_text().replace('"esp32-c3"', '"esp32"'))
    (folder / "wiring.toml").write_text(FLOAT_WIRING)
    truth = pot_folder.load(folder)
    assert truth.pot is not None
    world = RigWorld(truth.parts, RigPot(spec_of(folder), 1), truth.pot.calibration)
    (folder / "calibration.toml").write_text(BLANK)
    with DeskBoard(tmp_path / "flash.img", world, awake="real", image_bytes=1 << 20) as board:
        world.board = board
        flash.flash_one(folder, board.port, lambda text: None, 20)
        hands = Hands(board, world)
        assert sit(board, world, folder, hands) == 0, hands.said[-8:]
    made = pot_folder.load(folder)
    assert not made.problems
    assert made.calibration["stage"] == 2
    assert made.calibration["float_only"] == 1
    assert made.calibration["level"]["points"] == [[0, 500], [1, 0]]
    assert made.calibration["dry_ma"] == 125
    # The rig's sense gives 4 mV for a milliampere; its pump draws 190 mA in water.
    (air_uv, air_ma), (water_uv, water_ma) = made.calibration["current"]["points"]
    assert (air_ma, water_ma) == (60, 190)
    assert water_uv == pytest.approx(190 * 4000, rel=0.1)
    assert air_uv < 0.6 * water_uv


class Probes(BenchBoard):
    """Probes that always say the same."""

    def read(self) -> dict[str, list[int] | None]:
        return {"soil": [1_990_000, 4000], "level": [1_999_000, 400]}


def steps(folder: Path, day: int = 0, **given: list[Any]) -> commission.Session:
    """A sitting without a board, for single steps."""
    answers = commission.Answers({key.replace("__", "."): rows for key, rows in given.items()})
    return commission.Session(
        folder, pot_folder.load(folder), Book(folder), Probes(folder, ""), answers, "6465736b2d31",
        lambda: datetime(2026, 3, 1, tzinfo=UTC) + timedelta(days=day),
    )  # fmt: skip


def test_what_a_step_needs_of_another_is_a_value(tmp_path: Path) -> None:
    """Whatever a person made of the words beside it, in the bench book."""
    folder = tmp_path / "basil"
    shutil.copytree(CAFE / "basil", folder, ignore=shutil.ignore_patterns("logs"))
    book = folder / "commissioning.toml"
    with pytest.raises(commission.StoppedByPerson, match="come back tomorrow"):
        commission.stand(steps(folder))
    commission.soil_capacity(steps(folder, soil__soaked_g=[5000], soil__dry_g=["skip"]))
    text = book.read_text()
    for said in ("1999000 counts", "5000 g", "42.0 %"):
        assert said in text
        text = text.replace(f'"{said}"', '"see my notebook, p. 7"')
    book.write_text(text)
    with pytest.raises(commission.StoppedByPerson, match="12 h; 20 are needed"):
        commission.stand(steps(folder, day=0.5))
    commission.stand(steps(folder, day=1))
    commission.soil_refill(steps(folder, soil__refill_g=[4265]))
    rows = Book(folder).rows("finding")
    assert rows[-2]["as_found"] == "0 ml in 1.0 days"
    assert rows[-1]["as_left"] == "21.0 %"
    # A value that is none, and a book from before there were any, are told.
    book.write_text(book.read_text().replace("grams = 5000.0", 'grams = "five kilos"'))
    with pytest.raises(commission.Failed, match="--again 'soil capacity'"):
        commission.soil_refill(steps(folder, soil__refill_g=[4265]))


@needs_desk
def test_a_missing_resistor_and_a_wrong_divider_stop_it(
    desk: tuple[DeskBoard, RigWorld, Path],
) -> None:
    board, world, folder = desk
    hands = Hands(board, world, pulldown__moved=["yes"])
    assert sit(board, world, folder, hands) == 1
    assert "fit 10 kilohm" in hands.said[-1]
    assert not world.runs
    hands = Hands(board, world, battery__meter_mv=[3000])
    assert sit(board, world, folder, hands) == 1
    assert "check which resistor has another value" in hands.said[-1]
    findings = [row["step"] for row in Book(folder).rows("finding")]
    assert findings.count("pull-down") == 3  # as found twice, and its failure


@needs_desk
def test_the_command_runs_from_a_file_of_answers(
    desk: tuple[DeskBoard, RigWorld, Path], tmp_path: Path, capsys: Any
) -> None:
    board, _, folder = desk
    answers = tmp_path / "answers.toml"
    answers.write_text('"wiring.checked" = "yes"\n[pulldown]\nmoved = "maybe"\n')
    words = ["commission", str(folder), "--port", board.port, "--wait", "20"]
    assert main([*words, "--answers", str(answers)]) == 1
    out = capsys.readouterr().out
    assert "pin 27" in out
    assert "allowed yes, no, stop" in out
    assert "no answer for pulldown.moved in the file" in out
    assert "Run the same command to go on" in out
    assert Book(folder).done("wiring")
    assert (folder / "wiring.svg").exists()
    assert main([*words, "--again", "nonsense"]) == 2
    assert "allowed wiring, pull-down" in capsys.readouterr().err


@needs_desk
def test_an_empty_board_is_sent_to_flash_first(tmp_path: Path, capsys: Any) -> None:
    folder = tmp_path / "basil"
    shutil.copytree(CAFE / "basil", folder, ignore=shutil.ignore_patterns("logs"))
    answers = tmp_path / "answers.toml"
    answers.write_text('"wiring.checked" = "yes"\n')
    with DeskBoard(tmp_path / "flash.img", awake="real", image_bytes=1 << 20) as board:
        words = ["commission", str(folder), "--port", board.port, "--answers", str(answers)]
        assert main(words) == 2
    assert "run wakewell flash" in capsys.readouterr().err


def drawn_on(folder: Path) -> list[str]:
    """The words of the circuit of that pot."""
    drawing = ET.fromstring(circuit.svg(pot_folder.load(folder)))
    return ["".join(text.itertext()) for text in drawing.iter("{http://www.w3.org/2000/svg}text")]


@pytest.mark.parametrize("name", ["basil", "citrus", "fern", "mint", "strawberry", "tomato"])
def test_the_drawing_and_the_list_name_every_pin(name: str) -> None:
    pot = pot_folder.load(CAFE / name)
    assert pot.about is not None
    drawn = drawn_on(CAFE / name)
    listed = "\n".join(wiring_list.text(pot))
    header = HEADERS[pot.about.chip]
    for part in pot.parts.values():
        for pin in part.pins.values():
            assert f"GPIO {pin}" in drawn
            assert header.places(pin)[0] in drawn
            assert f"pin {pin}" in listed
    assert "10 kilohm from pin to ground" in listed
    for words in (f"{pot.about.name}: wiring", "ground", "3.3 V", "battery +", "fuse", "pump"):
        assert words in drawn
    assert header.places("3V3")[0] in drawn
    assert header.places("G")[0] in drawn
    assert drawn.count("10 kilohm") == len({"pump", "power"} & set(pot.parts))


def test_a_circuit_shows_each_kind_of_part(tmp_path: Path) -> None:
    """Of the parts that no planter of the café has; the resistors' sides as the pins are used."""
    shutil.copytree(CAFE / "strawberry", tmp_path / "pot")
    wiring = tmp_path / "pot" / "wiring.toml"
    wiring.write_text(
        'pump = { pin = 21, active = "high" }\n'
        'level = { kind = "echo", trigger = 2, echo = 4 }\n'
        "soil = { pin = 1 }\nsaucer = { pin = 5 }\nlight = { pin = 6 }\n"
        "battery = { pin = 9, upper_ohm = 220000, lower_ohm = 1200000 }\n"
        'button = { pin = 10, pull = "down" }\n'
    )
    drawn = drawn_on(tmp_path / "pot")
    for words in ("saucer probe", "light", "button", "1.2 megohm", "100 kilohm", "trigger"):
        assert words in drawn
    assert "sensors' supply" not in drawn  # its probes are fed all the time


def test_a_name_with_signs_is_drawn_as_it_is(tmp_path: Path) -> None:
    shutil.copytree(CAFE / "strawberry", tmp_path / "pot")
    about = tmp_path / "pot" / "pot.toml"
    name = pot_folder.load(tmp_path / "pot").about
    assert name is not None
    about.write_text(about.read_text().replace(name.name, "Salt & <pepper>, $x^2$"))
    assert "Salt & <pepper>, $x^2$: wiring" in drawn_on(tmp_path / "pot")


@pytest.mark.parametrize("chip", sorted(HEADERS))
def test_a_place_on_a_board_is_a_pin_of_its_chip(chip: str) -> None:
    """And no pin is in two places; the rows are as long as one another."""
    header = HEADERS[chip]
    pins = [int(name) for _, row in header.rows for name in row.split() if name.isdigit()]
    assert len(pins) == len(set(pins)) > 10
    assert set(pins) <= set(chips.CHIPS[chip].pins)
    assert len({len(row.split()) for _, row in header.rows}) == 1


def test_runs_into_the_cup_that_the_book_has_are_not_asked_for_again(tmp_path: Path) -> None:
    """Three good ones on record are enough; a void one does not count."""
    book = Book(tmp_path)
    for ml, void in ((44.0, False), (90.0, True), (44.4, False)):
        book.add("flow", ran_ms=2000, ml=ml, **({"void": "no flow"} if void else {}))
    runs: list[str] = []
    found: list[tuple[str, str]] = []
    session: Any = SimpleNamespace(
        book=book, step="flow", say=lambda _: None, bench=SimpleNamespace(ran_ms=2000, counted=0),
        answers=SimpleNamespace(number=lambda *_: 43.6), finding=lambda *row: found.append(row),
        run_pump=lambda key, *_: runs.append(key),
    )  # fmt: skip
    commission.flow(session)
    assert runs == ["flow.run"]
    assert book.rows("flow")[-1]["ml"] == 43.6
    # 22.0, 22.2 and 21.8 ml/s: their standard deviation is 0.2
    assert found == [("flow", "22.00 ml/s, scatter 0.9 %")]
    commission.flow(session)
    assert runs == ["flow.run"]


def test_enter_goes_on_and_starts_no_pump(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []

    def typed(*answers: str) -> commission.Answers:
        left = iter(answers)

        def ask(question: str) -> str:
            asked.append(question)
            return next(left)

        monkeypatch.setattr("builtins.input", ask)
        return commission.Answers(say=lambda text: None)

    assert typed("").word("level.down", "Float down.", (commission.GO_ON,)) == "ok"
    assert asked == ["Float down. (Enter for ok, stop) "]
    assert typed("ok").word("level.down", "Float down.", (commission.GO_ON,)) == "ok"
    for allowed in ((commission.RUN_WORD,), ("yes", "no")):
        with pytest.raises(commission.StoppedByPerson):
            typed(*[""] * 5).word("key", "Run the pump?", allowed)
    with pytest.raises(commission.StoppedByPerson):
        typed("stop").word("level.down", "Float down.", (commission.GO_ON,))


@pytest.mark.parametrize(
    ("kind", "cells", "fits"),
    [("lithium-ion", 1, True), ("lithium-ion", 3, False), ("lithium-iron-phosphate", 1, True),
     ("nickel-metal-hydride", 3, True), ("nickel-metal-hydride", 5, False)],
)  # fmt: skip
def test_a_full_battery_is_one_of_its_kind(kind: str, cells: int, fits: bool) -> None:
    """Through 270 and 220 kilohm, onto a pin that reads truly up to 2.45 V: three nickel cells put
    1.95 V there, five 3.26 V, three of lithium 5.66 V."""
    pot = pot_folder.load(CAFE / "basil")
    assert pot.about is not None
    pot.about = replace(pot.about, battery=Battery(kind, 2000, cells))
    part = pot.parts["battery"]
    pot.parts["battery"] = replace(part, numbers={"upper_ohm": 270_000, "lower_ohm": 220_000})
    mv = 3700
    uv = round(1000 * mv * 220 / 490)
    session: Any = SimpleNamespace(
        pot=pot, say=lambda text: None, live=lambda probe: (uv, 100),
        answers=SimpleNamespace(number=lambda *given: mv),
        point=lambda *given: None, enter=lambda *given: None, finding=lambda *given: None,
    )  # fmt: skip
    if fits:
        commission.battery(session)
    else:
        with pytest.raises(commission.Failed, match="use a larger upper resistor"):
            commission.battery(session)
