"""What other settings come to beyond the wake from which a record tells no more."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from wakewell import cli
from wakewell.errors import BadInput
from wakewell.replay import asked
from wakewell.replay.asked import Asked
from wakewell.shipped import CAFE
from wakewell.tuning import beyond, drawn, told
from wakewell.tuning.heldout import HeldOut
from wakewell.tuning.study import Study

NUMBER = 227  # of a wake at which the basil was watered


@pytest.fixture
def checked(basil: Study) -> Study:
    """The basil as if its check had been passed; test_heldout passes it in earnest."""
    return replace(basil, held=HeldOut(0.0, 0, 0))


def wished(**changes: int) -> Asked:
    usual = asked.read(CAFE / "basil" / "settings.toml")
    return Asked("drier.toml", usual.values | changes)


def test_drier_settings_water_less_and_the_twin_says_by_how_much(
    checked: Study, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(beyond, "DRAWS", 6)
    found = beyond.foretold(checked, wished(depletion_ppt=600), NUMBER)
    rows = {name: (kept, tried) for name, _, kept, tried in found.rows}
    assert found.days >= beyond.LEAST_DAYS
    assert rows["below_days"][1][0] > rows["below_days"][0][0] + 5
    assert rows["water_week_ml"][1][0] < rows["water_week_ml"][0][0]
    for kept, tried in rows.values():
        for middle, low, high in (kept, tried):
            assert low <= middle <= high
    said = "\n".join(told.beyond_lines(found, True))
    assert "FORETOLD from wake 227" in said
    assert "not recorded" in said
    picture = drawn.of(checked, found, "svg").decode()
    assert "foretold by the twin, not recorded" in picture


def test_nothing_is_foretold_by_a_twin_that_failed_its_check(checked: Study) -> None:
    assert checked.held is not None
    failed = replace(checked, held=replace(checked.held, why="it was 99 off"))
    with pytest.raises(BadInput, match="did not pass its own check: it was 99 off"):
        beyond.foretold(failed, wished(), NUMBER)


def test_settings_beyond_the_hard_limits_are_not_judged(checked: Study) -> None:
    with pytest.raises(BadInput, match="outside the pot's hard limits"):
        beyond.foretold(checked, wished(dose_ml=1500), NUMBER)


def test_days_below_a_level_go_by_straight_lines() -> None:
    assert beyond.below([0.0, 1.0, 2.0, 4.0], [300, 200, 200, 300], 250) == pytest.approx(2.5)


def test_a_log_without_its_pot_says_why_nothing_is_foretold(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copytree(CAFE / "basil" / "logs", tmp_path / "logs")
    settings = tmp_path / "drier.toml"
    text = (CAFE / "basil" / "settings.toml").read_text(encoding="utf-8")
    settings.write_text(text.replace("depletion_ppt = 400", "depletion_ppt = 600"))
    assert cli.main(["replay", str(tmp_path / "logs"), "--settings", str(settings)]) in (0, 1)
    said = capsys.readouterr().out
    assert "not foretold: the log lies in no pot's folder" in said
