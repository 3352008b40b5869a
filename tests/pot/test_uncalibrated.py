"""A calibration with nothing in it is how every pot begins: a next step everywhere, no fault."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from lacking import NO_LIBRARY
from wakewell.cli import main
from wakewell.draft import files
from wakewell.draft.answers import Draft
from wakewell.pot import pot_folder

Run = pytest.CaptureFixture[str]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A new pot whose calibration.toml holds comments alone."""
    files.write(tmp_path / "pot", files.texts(Draft("A pot")), secrets=False)
    (tmp_path / "pot" / "calibration.toml").write_text("# nothing was measured yet\n")
    return tmp_path / "pot"


def test_check_says_what_comes_next(folder: Path, capsys: Run) -> None:
    for text in ("# nothing\n", "", "stage = 0\n"):
        (folder / "calibration.toml").write_text(text)
        assert main(["check", str(folder), "--json"]) == 0
        (told,) = json.loads(capsys.readouterr().out)["results"]
        assert told["problems"] == []
        assert told["warnings"] == []
        (step,) = told["next"]
        assert "not calibrated yet: soil, level, battery" in step
        assert "wakewell commission" in step


def test_a_stage_without_tables_is_still_refused(folder: Path, capsys: Run) -> None:
    (folder / "calibration.toml").write_text("stage = 2\nflow_ul_s = 15000\n")
    assert main(["check", str(folder)]) == 2
    assert "calibrate it, or stage = 0" in capsys.readouterr().out


@pytest.mark.parametrize("kind", ["pot", "wiring", "settings", "limits"])
def test_another_empty_file_is_a_lost_one(kind: str, folder: Path) -> None:
    (folder / f"{kind}.toml").write_text("# nothing\n")
    assert "no value in it" in str(pot_folder.load(folder).problems[0])


def test_budget_and_simulate_go_on(folder: Path, capsys: Run) -> None:
    pytest.importorskip("fluids", reason=NO_LIBRARY)
    assert main(["budget", str(folder)]) == 0
    assert "nothing is calibrated yet" in capsys.readouterr().out
    (folder.parent / "t.toml").write_text('pot = "pot"\ndays = 20\n')
    assert main(["simulate", str(folder.parent / "t.toml")]) == 0
    assert "assumed: commissioned with these" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["calibrate"], "run wakewell commission"),
        (["commission"], "run wakewell flash"),
        (["replay"], "wakewell pull"),
        (["report"], "wakewell pull"),
        (["parcel"], "wakewell pull"),
    ],
)
def test_what_needs_more_says_what(words: list[str], said: str, folder: Path, capsys: Run) -> None:
    assert main([*words, str(folder)]) == 2
    assert said in capsys.readouterr().err
