"""Pots of one kind share what they learned, and each still learns from its own log."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from wakewell import cli
from wakewell.errors import BadInput
from wakewell.log import logs, parcel
from wakewell.shipped import CAFE
from wakewell.tuning import evidence, fit, pooled, study
from wakewell.tuning.fit import Fit
from wakewell.tuning.study import Study
from wakewell.tuning.twin import NAMES

HOLDS = NAMES.index("holds")


def others(basil: Study, values: list[float], doubt: float) -> Iterator[tuple[str, Fit]]:
    assert basil.now is not None
    soil = basil.now.soil
    for number, value in enumerate(values):
        moved, cov = soil.values.copy(), soil.cov.copy()
        moved[HOLDS] = value
        cov[HOLDS, :] = cov[:, HOLDS] = 0.0
        cov[HOLDS, HOLDS] = doubt**2
        yield f"pot {number}", replace(basil.now, soil=replace(soil, values=moved, cov=cov))


def test_pots_that_agree_say_more_than_pots_that_differ(basil: Study) -> None:
    doubts = fit.soil_priors(None, 0)
    before = float(doubts[HOLDS])
    agree = pooled.of(list(others(basil, [0.29, 0.30, 0.31, 0.30], 0.03)), doubts)
    differ = pooled.of(list(others(basil, [0.0, 0.6, 0.1, 0.5], 0.03)), doubts)
    one = pooled.of(list(others(basil, [0.30], 0.03)), doubts)
    assert 0.2 < agree.values[HOLDS] < 0.30
    assert 0.0 < one.values[HOLDS] < agree.values[HOLDS]
    assert agree.doubts[HOLDS] < one.doubts[HOLDS] <= before
    assert agree.doubts[HOLDS] < differ.doubts[HOLDS] <= before
    for name in ("zero", "drift", "clock"):  # a probe's and a clock's are a pot's own
        index = NAMES.index(name)
        assert agree.values[index] == 0.0
        assert agree.doubts[index] == doubts[index]
    assert "partly pooled with pot 0, pot 1" in agree.text()


def test_a_short_log_is_surer_with_others_and_a_long_one_goes_its_own_way(basil: Study) -> None:
    assert basil.now is not None
    some = list(others(basil, [0.3, 0.3, 0.3], 0.03))
    early = evidence.of(basil.log, basil.log.wakes[:60], False)
    made = [
        fit.fit(early, basil.trial.spec, basil.weather, basil.inputs, 3, share)
        for share in (None, replace(basil, others=some).pooled)
    ]
    alone, shared = (one.soil.at("holds") for one in made)
    assert shared[1] < alone[1]
    assert alone[0] <= shared[0] <= 0.3
    assert made[1].odd == []  # pooled or not, oddness is against what is believed of any pot


def test_a_pot_of_another_kind_is_not_pooled(
    basil: Study, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(BadInput, match=r"--with .*fern: crop.habit is foliage, and herb here"):
        study.with_others(replace(basil, others=[]), [str(CAFE / "fern")])
    assert cli.main(["tune", str(CAFE / "basil"), "--with", str(CAFE / "fern")]) == 2
    assert "leave it out" in capsys.readouterr().err


def test_a_pots_own_log_is_not_pooled_with_it_nor_one_log_twice(
    basil: Study, tmp_path: Path
) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(CAFE / "basil", copy)
    with pytest.raises(BadInput, match=r"--with .*copy: its log is that of this pot"):
        study.with_others(replace(basil, others=[]), [str(copy)])
    assert basil.now is not None
    fresh = replace(basil, log=replace(basil.log, wakes=basil.log.wakes[:-1]))
    fresh.others = [("the first", basil.now)]
    with pytest.raises(BadInput, match="its log is that of the first"):
        study.with_others(fresh, [str(copy)])


def test_a_parcel_without_dates_still_fits(tmp_path: Path, basil: Study) -> None:
    place, files = logs.find_logs(CAFE / "basil" / "logs")[0]
    entries, notes = parcel.shared(place, files)
    file = tmp_path / "pot.parcel.zip"
    page = parcel.contents(entries, notes, True, "")
    parcel.pack(file, {parcel.CONTENTS: page, **entries})
    with parcel.opened([file]) as (folder,):
        opened = study.opened(str(folder))
        assert opened.log.dated
        assert not opened.log.true_dates
        assert "knows no date" in opened.weather.text
        found = study.fitted(opened, opened.log.wakes[120].time_s)
    assert found.now is not None
    assert basil.now is not None
    mine, its = basil.now.soil.at("holds"), found.now.soil.at("holds")
    assert abs(mine[0] - its[0]) < 2.0 * float(np.hypot(mine[1], its[1]))
