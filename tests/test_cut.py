"""`wakewell cut`: wakes of a field log become a sequence that plays to the same decisions."""

from __future__ import annotations

from pathlib import Path

import pytest

import makelog
from wakewell import sequences
from wakewell.cli import main


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A pot's log of sixty wakes."""
    folder = tmp_path_factory.mktemp("cut") / "logs"
    folder.mkdir()
    makelog.write(folder, makelog.log_lines(makelog.play(makelog.wakes(60))))
    return folder


def test_cut_wakes_play_to_the_recorded_decisions(log: Path, tmp_path: Path) -> None:
    out = tmp_path / "sequences" / "cut.toml"
    assert main(["cut", str(log), "9", "14", "--out", str(out)]) == 0
    sequence = sequences.load(out)
    outputs = list(sequences.run(sequence))
    assert len(outputs) == 6
    assert sequences.judge(sequence, outputs) == []
    assert main(["replay", str(out)]) == 0


def test_a_changed_decision_fails_the_cut_sequence(log: Path, tmp_path: Path) -> None:
    """The recorded decisions are the expectation: one millilitre else, a failure."""
    out = tmp_path / "cut.toml"
    assert main(["cut", str(log), "10", "12", "--out", str(out)]) == 0
    text = out.read_text()
    assert "day_ml = 104" in text
    out.write_text(text.replace("day_ml = 104", "day_ml = 103"))
    assert main(["replay", str(out)]) == 1


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (["9", "5"], "the last comes before the first"),
        (["50", "400"], "are not all in"),
        (["999", "999"], "are not all in"),
    ],
)
def test_wakes_that_cannot_be_cut(
    log: Path, words: list[str], why: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["cut", str(log), *words]) == 2
    assert why in capsys.readouterr().err


def test_nothing_is_overwritten(log: Path, tmp_path: Path) -> None:
    out = tmp_path / "mine.toml"
    out.write_text("mine")
    assert main(["cut", str(log), "1", "2", "--out", str(out)]) == 2
    assert out.read_text() == "mine"


def test_a_place_that_cannot_be_written(
    log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("mine")
    assert main(["cut", str(log), "1", "2", "--out", str(tmp_path / "file" / "cut.toml")]) == 2
    told = capsys.readouterr().err
    assert "cannot be written" in told
    assert len(told.splitlines()) == 1
