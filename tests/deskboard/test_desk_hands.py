"""What hands do at a desk board: lines, their limits, and the rig that they move."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest

from wakewell.deskboard import hands
from wakewell.deskboard.desk import rig_world
from wakewell.deskboard.hands import Hands
from wakewell.errors import BadInput
from wakewell.shipped import CAFE


class Still:
    """A desk board that does nothing: hands touch the pot alone."""

    now_us = 0

    def __init__(self) -> None:
        self.pressed: list[float | None] = []

    def press_button(self, hold_s: float | None) -> None:
        self.pressed.append(hold_s)


@pytest.fixture
def at() -> Hands:
    """Hands at a fresh basil."""
    board: Any = Still()
    return Hands(board, rig_world(CAFE / "basil"), say=lambda text: None)


def test_the_tank_gives_and_takes_no_more_than_there_is(at: Hands) -> None:
    pot = at.world.pot
    assert at.do("tank fill").text == "the tank is full, 4.00 l: nothing was poured"
    assert at.do("tank fill").figure is None
    assert at.do("tank empty").text.endswith("the pump draws air now")
    assert pot.line.tank_ml == pytest.approx(pot.line.parts.intake_ml)
    assert "already empty" in at.do("tank empty").text
    assert at.do("tank fill 700").figure == 700
    assert at.do("tank fill 25%").figure == 1000
    poured = at.do("tank fill 99999")
    assert poured.text.endswith("no more fits")
    assert poured.figure == pytest.approx(4000 - 1700 - pot.line.parts.intake_ml, abs=1)
    # Carried away there is none for pump and gauge; it comes back with what it had.
    assert "4.00 l in it" in at.do("tank away").text
    assert pot.line.tank_ml == 0.0
    assert at.do("tank away").text == "the tank is already away"
    assert "4.00 l" in at.do("tank back").text
    assert pot.line.tank_ml == pytest.approx(4000, abs=1)
    assert at.do("tank back").text == "the tank is in its place"


def test_a_probe_reads_what_it_is_in(at: Hands) -> None:
    """Drier reads higher: air above any soil, a glass of water below (a capacitive probe)."""
    read = []
    for line in ("probe air", "probe pot 15%", "probe pot 40", "probe water"):
        at.do(line)
        read.append(at.world.pot.soil_uv())
    assert read == sorted(read, reverse=True)
    assert len(set(read)) == 4
    assert "already" in at.do("probe water").text
    assert "40.0 %" in at.do("probe pot").text
    assert "impossible: this soil holds 5.5 % to 52.2 %" in at.do("probe pot 90").text
    # What went or came is in the pot's books.
    assert at.world.pot.soil.tally.transpired_ml > 0.0


def test_what_the_pump_moves_is_in_the_cup_and_not_in_the_pot(at: Hands) -> None:
    pot = at.world.pot
    began_ml, wet_ml = pot.stored_ml(), pot.soil.water_ml
    assert "there is no cup" in at.do("weigh cup").text
    at.do("hose cup")
    pot.state = "awake"
    pot.pump_on()
    pot.advance(4.0)
    pot.pump_off()
    weighed = at.do("weigh cup").figure
    assert weighed == pytest.approx(pot.counts.pumped_ml, abs=0.1)
    assert weighed > 50
    assert pot.soil.water_ml == pytest.approx(wet_ml, abs=0.1)
    assert began_ml - pot.stored_ml() == pytest.approx(weighed, abs=0.2)
    at.do("hose cup")  # emptied
    assert at.do("weigh cup").figure == 0
    at.do("hose off")
    assert at.do("hose off").text.startswith("the hose is already off")
    pot.pump_on()
    pot.advance(4.0)
    pot.pump_off()
    assert "ml fell on the floor" in at.do("look").text
    assert pot.counts.missed_ml > 50


def test_weight_is_water(at: Hands) -> None:
    wet = at.do("weigh pot").figure
    assert wet is not None
    at.do("pot water 100")
    assert at.do("weigh pot").figure == pytest.approx(wet + 100, abs=1)
    at.do("pot soak")
    soaked, dry = at.do("weigh pot").figure, at.do("weigh dry").figure
    assert soaked is not None
    assert dry is not None
    held = at.world.pot.soil.levels.capacity * at.world.pot.soil.volume_ml
    assert soaked - dry == pytest.approx(held, abs=1)
    at.do("pot dry")
    assert at.do("pot dry").text.startswith("already so dry")


def test_charger_and_button(at: Hands) -> None:
    board: Any = at.board
    assert at.do("charger in").text == "the charger is plugged in"
    assert at.world.pot.charger_ma > 0
    assert at.do("charger in").text == "the charger is already plugged in"
    assert at.do("charger out").text == "the charger is out"
    at.do("button 2.5")
    at.do("button hold")
    assert board.pressed == [2.5, None]
    at.world.button(True, 0)
    assert at.do("button hold").text == "the button is already held"
    assert "button release" in at.do("button").text


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("prbe air", "nearest known name probe; help lists them"),
        ("probe sky", "allowed probe air, probe water, probe pot [PERCENT]"),
        ("tank", "allowed tank empty, tank fill [ML]"),
        ("tank fill some", "ML from 1 to 100000 or a share such as 25%"),
        ("tank fill nan", "ML from 1 to 100000"),
        ("tank fill 101%", "or a share such as 25%"),
        ("tank empty 3", "allowed tank empty"),
        ("pot water", "pot water ML"),
        ("button 99", "SECONDS from 0.05 to 30"),
        ("button 2%", "SECONDS from 0.05 to 30"),
        ("", "there is no such hand"),
    ],
)
def test_a_wrong_line_says_what_is_allowed(line: str, said: str) -> None:
    with pytest.raises(BadInput) as wrong:
        hands.read(line)
    assert said in str(wrong.value)


def test_every_hand_is_listed_and_can_be_read() -> None:
    for row in hands.ROWS:
        assert row.form in hands.help_text()
        number = "" if row.number is None else f" {row.number.most:g}"
        assert hands.read(row.words + number).row is row


def test_a_file_of_hands(tmp_path: Path, at: Hands) -> None:
    """A text each time a question is asked, a list one after the other."""
    said: list[str] = []
    path = tmp_path / "hands.toml"
    path.write_text('"soil.air" = "probe air"\n[flow]\nrun = ["hose cup; tank fill 9%", "look"]\n')
    board: Any = at.board
    person = Hands(board, at.world, hands.script(path), plays=True, say=said.append)
    for _ in range(2):
        assert at.world.asked("soil.air", 0) is None
    assert at.world.asked("flow.ml", 0) is None
    for _ in range(3):
        person.asked("flow.run")
    assert said[:2] == [
        "asked soil.air. probe air: the soil probe is in air",
        "asked soil.air. probe air: the soil probe is already in air",
    ]
    assert [text.split(". ")[1].split(":")[0] for text in said[2:5]] == [
        "hose cup", "tank fill 9%", "look",
    ]  # fmt: skip
    assert "time 3: the list for it has 2" in said[-1]
    # Without --hands it only says what could be typed.
    said.clear()
    Hands(board, at.world, hands.script(), say=said.append)
    assert at.world.asked("flow.ml", 0) is None
    assert said == ["asked flow.ml. By hand here: weigh cup"]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('"soil.ari" = "probe air"\n', ":1: soil.ari: commission asks no such thing; nearest"),
        ('[soil]\n\nair = "probe sky"\n', ':3: soil.air: "probe sky": allowed probe air'),
        ("[soil]\nair = 3\n", ":2: soil.air = 3: allowed hands as a text"),
        ("soil.air =\n", ":1: "),
    ],
)
def test_a_wrong_file_of_hands_is_told_by_its_line(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "hands.toml"
    path.write_text(text)
    with pytest.raises(BadInput) as wrong:
        hands.script(path)
    assert said in str(wrong.value)
    with pytest.raises(BadInput, match="no such file"):
        hands.script(tmp_path / "none.toml")


def test_probes_stay_as_they_were_beside_the_flash(tmp_path: Path) -> None:
    """What is measured of a simulated pot does not change what it is."""
    folder, image = tmp_path / "basil", tmp_path / "flash.img"
    shutil.copytree(CAFE / "basil", folder, ignore=shutil.ignore_patterns("logs"))
    own = (folder / "calibration.toml").read_text()
    (folder / "calibration.toml").write_text("stage = 0\n")
    first = rig_world(folder, image=image).pot.spec.probe
    image.touch()
    (folder / "calibration.toml").write_text(own)
    assert rig_world(folder, image=image).pot.spec.probe == first
    assert rig_world(folder).pot.spec.probe != first
