"""Logs that tell of a change: another calibration, a drifting probe; and a published season."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import cotton
import msgspec
import numpy as np
import pytest

from wakewell.errors import BadInput
from wakewell.log.series import PotLog
from wakewell.rig.faults import Fault
from wakewell.rig.pot import DAY_S
from wakewell.shipped import CAFE
from wakewell.simulate import one_run, trials
from wakewell.tuning import proposals, study, told
from wakewell.tuning.study import Study


def recalibrated(log: PotLog, wakes: int, at: int) -> PotLog:
    """The first wakes of a log, under another calibration from one of them on."""
    pots = dict(log.pots)
    rows = []
    for number, wake in enumerate(log.wakes[:wakes]):
        ids = wake.ids
        if number >= at:
            ids = (ids[0], ids[1], "0badf00d")
            pots[ids] = pots[wake.ids]
        rows.append(msgspec.structs.replace(wake, ids=ids))
    return replace(log, wakes=rows, pots=pots)


def test_a_calibration_changed_in_the_middle_is_fitted_apart_and_said(basil: Study) -> None:
    fresh = replace(basil, spans=[], fits=[], lacks=[])
    fresh.log = recalibrated(basil.log, 100, 50)
    found = study.fitted(fresh)
    assert [span.first for span in found.spans] == [0, 50]
    assert len(found.fits) == 2
    assert found.now is found.fits[1]
    said = "\n".join(told.lines(found))
    assert "the calibration changed: 2 spans, each fitted by itself" in said


def test_nothing_is_proposed_where_the_newest_calibration_is_too_new(basil: Study) -> None:
    fresh = replace(basil, spans=[], fits=[], lacks=[])
    fresh.log = recalibrated(basil.log, 60, 50)
    found = study.fitted(fresh)
    found.held = basil.held or found.held
    assert found.now is found.fits[0]
    (lack,) = found.lacks
    assert lack[0].first == 50
    why = proposals.why_not(replace(found, held=study.HeldOut(0.0, 0, 0)))
    assert why.startswith("the calibration changed at wake 50, and since then")
    assert "of the span before the last" in "\n".join(told.lines(found))


def test_a_probe_that_drifts_is_named_and_nothing_proposed(tmp_path: Path) -> None:
    folder = tmp_path / "basil"
    shutil.copytree(CAFE / "basil", folder, ignore=shutil.ignore_patterns("logs"))
    trial = trials.of_pot(folder)
    drifts = Fault("probe drifts", 0.0, 100.0 * DAY_S, amount=-0.8)
    trial = replace(trial, days=100.0, spec=replace(trial.spec, faults=(drifts,)))
    one_run.write_log(one_run.run_trial(trial, 3, log=True), folder / "logs")
    found = study.fitted(study.opened(str(folder)))
    assert found.now is not None
    (odd,) = found.now.odd
    assert "the probe drifts by -" in odd
    assert "calibrate it again" in odd
    drift, doubt = found.now.soil.at("drift")
    assert abs(drift + 80.0) < 3.0 * doubt < 40.0
    assert "contradicts the folder" in proposals.why_not(found)


def test_weather_of_another_year_is_refused(tmp_path: Path) -> None:
    days = [f"2019-05-{day:02},3.0" for day in range(1, 15)]
    file = tmp_path / "weather.csv"
    file.write_text("\n".join(["date,et0_mm", *days]))
    said = r"2019-05-01 to 2019-05-14, are not those of the log, 2025-03-03 to 2025-07-0\d"
    with pytest.raises(BadInput, match=said):
        study.opened(str(CAFE / "basil"), str(file))


@pytest.mark.skipif(not cotton.FOLDER.is_dir(), reason=cotton.MISSING)
def test_a_published_season_is_foretold_from_visit_to_visit(tmp_path: Path) -> None:
    rows = cotton.foretold(tmp_path, 0.6)
    assert len(rows) >= 8
    read, twin, before = rows.T
    assert np.mean(np.abs(read - twin)) < 0.85 * np.mean(np.abs(read - before))
    moved = np.corrcoef(read - before, twin - before)[0, 1]
    assert moved > 0.5
