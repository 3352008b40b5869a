"""A twin's numbers: closed cases held to scipy, and rig pots whose truth is known."""

from __future__ import annotations

import math
import shutil
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import lsq_linear

from wakewell import cli
from wakewell.budget.doubt import Z90
from wakewell.pot.description import Crop
from wakewell.shipped import CAFE
from wakewell.simulate import trials
from wakewell.tuning import evidence, fit, told, weather
from wakewell.tuning.evidence import Fall
from wakewell.tuning.study import Study

SIGMAS = 3.0


def test_a_linear_fit_with_beliefs_is_that_of_scipy() -> None:
    random = np.random.default_rng(7)
    rows = random.normal(size=(40, 3))
    believed, doubts, scatter = np.array([1.0, 0.0, -2.0]), np.array([0.3, 2.0, 0.5]), 0.7
    seen = rows @ np.array([1.4, -0.5, -1.0]) + scatter * random.normal(size=40)
    values, cov = fit.linear(rows, seen, believed, doubts, scatter)
    whole = np.vstack((rows / scatter, np.diag(1.0 / doubts)))
    found = lsq_linear(whole, np.concatenate((seen / scatter, believed / doubts)))
    assert values == pytest.approx(found.x, abs=1e-9)
    assert cov == pytest.approx(np.linalg.inv(whole.T @ whole), abs=1e-12)


def test_flow_ageing_and_evaporation_come_back_from_falls_of_the_level() -> None:
    random = np.random.default_rng(3)
    falls = []
    for day in range(120):
        ran = 9000 if day % 4 == 0 else 0
        flow = 18.0 * (1.0 - 0.1 * (day - 59.5) / 100.0)
        lost = flow * ran / 1000.0 + 6.0 + random.normal(0.0, 3.0)
        falls.append(Fall(day, day + 1, 1.0, ran, 2 if ran else 0, 160.0, lost, day * 86_400.0))
    found = fit.tank(falls, 20.0, 5.0)
    assert found is not None
    for (value, doubt), true in (
        (found.flow_ml_s, 18.0),
        (found.ageing, -0.1),
        (found.evaporates_ml_day, 6.0),
    ):
        assert abs(value - true) < SIGMAS * doubt < 0.2 * max(1.0, abs(true)) + 0.1


def test_a_pot_whose_truth_is_known_is_found_again(basil: Study) -> None:
    now = basil.now
    assert now is not None
    truth, folder = trials.load(trials.shipped("basil")).spec, basil.trial.spec
    # Of the two that lose water, the plant alone is another than the folder's
    plants = math.log(
        truth.plant.kcb * truth.plant.crown_cm2 / (folder.plant.kcb * folder.plant.crown_cm2)
    )
    drying, doubt = now.soil.at("drying")
    assert plants - SIGMAS * doubt < drying < SIGMAS * doubt
    for name in ("swing", "lean", "holds", "slow", "bulb"):
        value, doubt = now.soil.at(name)
        assert abs(value) < SIGMAS * doubt, name
    assert now.soil.told("holds")
    assert not now.soil.told("closes")
    assert now.tank is not None
    assert now.cell is not None
    for value, doubt in (now.cell.asleep, now.cell.active):
        assert abs(value) < SIGMAS * doubt


def test_water_by_hand_is_found_even_on_the_day_of_a_dose(basil: Study) -> None:
    now = basil.now
    assert now is not None
    watered = now.evidence.left_out[evidence.BY_HAND]
    assert watered == [103]  # the first wake after the visit of the trial's day 47
    assert len(now.evidence.left_out["refill"]) == 2


def test_every_number_says_which_wakes_it_comes_from(basil: Study) -> None:
    assert basil.now is not None
    for number in told.numbers(basil.now):
        assert "wake" in number.basis
        assert number.low <= number.value <= number.high, number.name


def test_water_that_no_level_showed_is_in_the_doubt_of_what_the_soil_holds(basil: Study) -> None:
    now = basil.now
    assert now is not None

    def share(of: fit.Fit) -> float:
        told_of = next(one for one in told.numbers(of) if one.name == "ml_per_percent")
        return math.log(told_of.high / told_of.low) / (2.0 * Z90)

    unseen = share(replace(now, tank=None))
    assert unseen == pytest.approx(math.hypot(now.soil.at("holds")[1], fit.UNSEEN_FLOW))
    assert now.soil.at("holds")[1] < share(now) < unseen
    assert now.at("slow") == now.soil.at("slow")


def of_basil(folder: Path) -> Path:
    pot = folder / "basil"
    shutil.copytree(CAFE / "basil", pot)
    return pot


def test_a_log_of_another_pot_is_told_with_its_place(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pot = of_basil(tmp_path)
    about = pot / "pot.toml"
    about.write_text(about.read_text().replace("volume_ml = 4000", "volume_ml = 1500"))
    assert cli.main(["tune", str(pot)]) == 2
    said = capsys.readouterr().err
    for part in (".jsonl.gz:", "another pot", "tank.volume_ml"):
        assert part in said


def test_a_short_log_says_what_it_lacks_and_what_would_teach_it(basil: Study) -> None:
    log = basil.log
    early = evidence.of(log, log.wakes[:9], False)
    lacks = evidence.short(early)
    assert any("days of log; 10 are needed" in lack for lack in lacks)
    assert any("1 waterings; 3 are needed" in lack for lack in lacks)


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        ("date,et_mm\n", ':1: column "et_mm"'),
        ("date,rain_mm\n", ":1: column et0_mm is missing"),
        ("date,et0_mm\n2025-03-40,1\n", ':2: date "2025-03-40"'),
        ("date,et0_mm\n2025-03-04,1\n2025-03-04,2\n", ":3: date 2025-03-04 stands there twice"),
        ("date,et0_mm\n2025-03-04,99\n", ':2: et0_mm "99": allowed 0 to 20'),
        ("date,et0_mm\n2025-03-04,1\n", "1 days; allowed 7 or more"),
    ],
)
def test_weather_that_cannot_be_used_is_told_with_its_line(
    rows: str, says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "place.csv"
    file.write_text(rows)
    assert cli.main(["tune", str(CAFE / "basil"), "--weather", str(file)]) == 2
    assert says in capsys.readouterr().err


def test_a_folder_without_a_log_is_sent_to_pull(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pot = of_basil(tmp_path)
    shutil.rmtree(pot / "logs")
    assert cli.main(["tune", str(pot)]) == 2
    assert "wakewell pull" in capsys.readouterr().err


def test_midsummer_is_in_december_south_of_the_equator() -> None:
    for south, month in ((False, 6), (True, 12)):
        factor = weather.season(0.0, 0.3, 0.0, south)
        day = int(factor.argmax()) // 24
        assert (date(2025, 1, 1) + timedelta(days=day)).month == month


def test_a_folder_of_the_south_has_the_weather_of_there(tmp_path: Path) -> None:
    file = tmp_path / "days.csv"
    rows = "".join(f"2025-01-{day:02},5.0\n" for day in range(1, 9))
    file.write_text("date,et0_mm\n" + rows, encoding="utf-8")
    crop = Crop(latitude_deg=-35)
    for found in (weather.typical(crop), weather.measured(file, crop)):
        assert found.climate.south
        assert "south of the equator" in found.text
