"""Sequences through the whole board, each a test; and what the chip of plain Python cannot show.

Plain sequences through the board are played by the breaks (assurance/test_breaks.py).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from assurance import boarded, whole_chip
from wakewell.sequences.sequence_file import SequenceError

HERE = Path(__file__).parent
PLAIN = HERE.parent / "sequences"
FILES = sorted(HERE.glob("*.toml"))
TOLD = """title = "T"
rules = "R1"
[board]
[[wake]]
soil_ppt = 240
[[always]]
rule = "R1"
pump = true
"""


@pytest.mark.parametrize("path", FILES, ids=[path.stem for path in FILES])
def test_a_board_does_as_the_sequence_says(path: Path) -> None:
    assert [str(failure) for failure in boarded.check(boarded.load(path))] == []


@pytest.mark.parametrize("name", boarded.OTHERWISE)
def test_what_a_board_does_otherwise_is_still_so(name: str) -> None:
    assert boarded.check(boarded.load(PLAIN / f"{name}.toml"))


def test_most_plain_sequences_are_played_by_a_board() -> None:
    assert len(list(boarded.plain(PLAIN))) > 150


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[wake.board]\ncuts = 3", "not a key of a board: cuts"),
        ('state = "lost"', "a board makes this itself: state"),
    ],
)
def test_what_a_board_cannot_be_told(tmp_path: Path, text: str, told: str) -> None:
    path = tmp_path / "told.toml"
    path.write_text(TOLD.replace("soil_ppt = 240", text))
    with pytest.raises(SequenceError, match=told):
        boarded.load(path)


def test_the_meter_at_the_pins_sees_a_pin_that_floats_in_the_sleep(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The judge is judged: a port that holds no pin."""
    path = tmp_path / "told.toml"
    path.write_text(TOLD)
    assert boarded.check(boarded.load(path)) == []
    port = (whole_chip.DEVICE / "wakeboard" / "ports" / "esp32.py").read_text(encoding="utf-8")
    wrong = port.replace("hold=hold)", "hold=False)")
    found = whole_chip.sources() | {"chip": compile(wrong, "esp32.py", "exec")}
    monkeypatch.setattr(whole_chip, "sources", lambda: found)
    assert {failure.rule for failure in boarded.check(boarded.load(path))} == {"R1", "R5"}
