"""`wakewell budget` with a pot's own log: level, use and doubt from what was recorded.

The pots are the rig's, whose physics know nothing of the budget, and their true tanks and uses are
what the answers are held to.
"""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from lacking import NO_LIBRARY
from wakewell import cli
from wakewell.budget import course, logged, told
from wakewell.budget import inputs as budget
from wakewell.budget.doubt import interval, nominal
from wakewell.commands import budget as command
from wakewell.rig.pot import DAY_S
from wakewell.shipped import CAFE
from wakewell.simulate import one_run, trials

pytest.importorskip("pvlib", reason=NO_LIBRARY)

BEGINS, LOOKED, UNTIL = date(2025, 4, 14), date(2025, 7, 3), date(2025, 7, 27)
DAYS = (LOOKED - BEGINS).days


class Lived:
    """A pot of the rig after some weeks, its log in its folder, and what became of it."""

    def __init__(self, under: Path, name: str = "fern", text: str = "", days: int = DAYS) -> None:
        self.folder = under / name
        shutil.copytree(CAFE / name, self.folder, ignore=shutil.ignore_patterns("logs"))
        path = under / "trial.toml"
        path.write_text(
            f'pot = "{self.folder}"\nbegins = {BEGINS}\ndays = {days}\nseed = 5\n'
            "[owner]\nfills_after_days = 1000.0\n" + text,
            encoding="utf-8",
        )
        self.trial = trials.load(path)
        self.ran = one_run.run_trial(self.trial, log=True)
        one_run.write_log(self.ran, self.folder / "logs")
        self.tank_ml = self.ran.pot.line.tank_ml

    def later(self, days: float) -> float:
        """What is in the tank so many days on, the same weather and plant going on."""
        on = one_run.run_trial(replace(self.trial, days=self.trial.days + days))
        return on.pot.line.tank_ml

    def say(self, old: str, new: str) -> None:
        path = self.folder / "pot.toml"
        text = path.read_text(encoding="utf-8")
        assert re.search(old, text)
        path.write_text(re.sub(old, new, text), encoding="utf-8")

    def inputs(self, today: date = LOOKED) -> tuple[budget.Inputs, logged.Logged]:
        folder = budget.open_folder(str(self.folder))
        log = logged.read(folder)
        assert log is not None
        return logged.applied(budget.gather(folder, today), log, folder, today), log


# Some 21 ml a day in June, and some 640 ml left on 3 July
FERN = "[start]\ntank = 0.9\n[plant]\nkcb = 0.45\ncrown_cm2 = 300\n[place]\nlight = 0.2\n"
FERN += "[vessel]\nbulb_share = 0.9\n"


@pytest.fixture(scope="module")
def fern(tmp_path_factory: pytest.TempPathFactory) -> Lived:
    return Lived(tmp_path_factory.mktemp("fern"), text=FERN)


def test_level_and_use_are_the_logs_whatever_pot_toml_says(fern: Lived) -> None:
    found, log = fern.inputs()
    assert log.level_ml == pytest.approx(fern.tank_ml, abs=2 * log.tolerance_ml)
    assert nominal(found.tank_ml) == log.level_ml
    used = (0.9 * fern.trial.spec.tank.capacity_ml - fern.tank_ml) / DAYS
    low, high = interval(found.water_day_ml(6))
    assert log.use_ml_day == pytest.approx(used, rel=0.25)
    assert low <= (fern.tank_ml - fern.later(18)) / 18 <= high
    assert found.start == log.day


def test_from_the_3rd_to_the_27th_of_july_without_typing(
    fern: Lived, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    class Today(date):
        @classmethod
        def today(cls) -> date:
            return LOOKED

    monkeypatch.setattr(command, "date", Today)
    code = cli.main(["budget", str(fern.folder), "--until", "27", "--json"])
    answer: dict[str, Any] = json.loads(capsys.readouterr().out)["results"][0]
    lasts = fern.later(24) > answer["tank"]["reserve_ml"]
    tank = answer["until"]["tank_ml"]
    assert answer["until"]["date"] == str(UNTIL)
    assert tank["answer"] in (("yes", "not sure") if lasts else ("no", "not sure"))
    assert code == (tank["answer"] != "yes")
    cli.main(["budget", str(fern.folder), "--until", "27"])
    said = capsys.readouterr().out
    assert "its log, 2025-04-14 to 2025-07-02" in said or "to 2025-07-03" in said
    assert "that is used here" in " ".join(said.split())
    assert "tank.now_ml is not given" not in said


def test_what_was_looked_at_later_goes_before_the_log(fern: Lived, tmp_path: Path) -> None:
    folder = tmp_path / "fern"
    shutil.copytree(fern.folder, folder)
    text = (folder / "pot.toml").read_text(encoding="utf-8")
    text = text.replace("[planter]", "noted = 2025-07-04\n\n[planter]")
    text = text.replace("[tank]\n", "[tank]\nnow_ml = 2900\n")
    (folder / "pot.toml").write_text(text, encoding="utf-8")
    opened = budget.open_folder(str(folder))
    log = logged.read(opened)
    assert log is not None
    today = date(2025, 7, 5)
    found = logged.applied(budget.gather(opened, today), log, opened, today)
    assert nominal(found.tank_ml) == 2900


def test_an_old_log_tells_the_use_and_not_the_level(fern: Lived) -> None:
    found, log = fern.inputs(date(2026, 7, 3))
    assert nominal(found.tank_ml) == found.full_ml
    assert nominal(found.water_day_ml(5)) == pytest.approx(log.use_ml_day or 0.0, rel=0.15)


def test_water_that_ran_back_is_not_told_as_used(tmp_path: Path) -> None:
    """Each run of 30 ml leaves 12 in the hose, which run back: the level knows, run time does not,
    and each of them is inside the gauge's own scatter."""
    lived = Lived(
        tmp_path,
        text="[settings]\npulse_ml = 30\ndose_ml = 90\n[plant]\nkcb = 0.35\ncrown_cm2 = 200\n"
        "[place]\nlight = 0.2\n[vessel]\nbulb_share = 0.9\n",
    )
    found, log = lived.inputs()
    used = (lived.trial.spec.tank.capacity_ml - lived.tank_ml) / DAYS
    assert log.by_level_ml < 0.75 * log.by_time_ml
    assert log.use_ml_day == pytest.approx(used, rel=0.25)
    opened = budget.open_folder(str(lived.folder))
    rows = told.lines(told.made(opened, found, LOOKED, None, None, log))
    assert "the level is used here" in " ".join(" ".join(rows).split())


def test_a_scenario_of_upkeep_doses_is_counted_by_hand() -> None:
    folder = budget.open_folder(str(CAFE / "mint"))
    found = replace(budget.gather(folder, LOOKED), tank_ml=640.0)
    ((what, life),) = told.scenarios(folder, found)
    assert what == "on upkeep doses, 50 ml every 4 days"
    # 640 ml less the reserve, at 12.5 ml a day
    assert nominal(life.days) == pytest.approx((640.0 - found.reserve_ml) / 12.5)


def test_rain_counts_in_the_open_and_its_absence_is_a_scenario(tmp_path: Path) -> None:
    folder = tmp_path / "basil"
    shutil.copytree(CAFE / "basil", folder, ignore=shutil.ignore_patterns("logs"))
    path = folder / "pot.toml"
    path.write_text(path.read_text(encoding="utf-8").replace("window sill", "open"), "utf-8")
    opened = budget.open_folder(str(folder))
    found = budget.gather(opened, LOOKED)
    dry = replace(found, rain_cm2=0.0)
    for month in range(12):
        # 1 mm on 1 cm2 is 0.1 ml; seven tenths of what the mouth catches, and never most of the use
        caught = 0.1 * budget.RAIN_MM[month] * 254.5 * 0.7
        used = nominal(dry.water_day_ml(month))
        kept = (used - nominal(found.water_day_ml(month))) / 1.02
        assert kept == pytest.approx(min(caught, 0.6 * used / 1.02), rel=0.01)
    ((what, life),) = told.scenarios(opened, found)
    assert what == "without rain"
    assert nominal(life.days) == nominal(course.tank_life(dry).days)
    assert nominal(life.days) < nominal(course.tank_life(found).days)


def test_the_rain_is_that_of_the_rigs_weather() -> None:
    """The typical year of TMY3 station 723170, month by month."""
    from wakewell.rig.weather import PLACES, climate

    rain, hour = climate(PLACES["open"]).rain_mm, 0
    for month, days in enumerate((31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)):
        mean = sum(rain[hour : hour + 24 * days]) / days
        assert budget.RAIN_MM[month] == pytest.approx(mean, abs=0.006)
        hour += 24 * days


def test_a_rigs_year_in_the_open_uses_what_the_budget_says(tmp_path: Path) -> None:
    """Within a quarter: one year's showers fall as they fall."""
    path = tmp_path / "year.toml"
    path.write_text(
        'pot = "basil"\nbegins = 2025-01-01\ndays = 365\nseed = 2\n[place]\nword = "open"\n'
        "[owner]\nfills_after_days = 0.2\ncharges_after_days = 0.2\n",
        encoding="utf-8",
    )
    trial = trials.load(path)
    ran = one_run.run_trial(trial)
    folder = budget.open_folder(str(CAFE / "basil"))
    indoors = budget.gather(folder, LOOKED)
    et0, air = budget.MONTHS["open"]
    found = replace(indoors, et0_mm=et0, air_c=air, rain_cm2=trial.spec.vessel.top_cm2)
    used = -nominal(course.left(0.0, course.tank(found), date(2025, 1, 1), 365))
    assert ran.pot.counts.pumped_ml == pytest.approx(used, rel=0.25)


def test_the_soils_own_water_is_told_in_days(fern: Lived) -> None:
    """From the mean of refill point (378) and target (456) to wilting (140): 277 ppt of 4 l."""
    found, _ = fern.inputs()
    assert nominal(found.soil_ml) == pytest.approx(277 * 4.0, rel=0.01)
    days = told.soil_days(found, UNTIL)
    assert days == pytest.approx(277 * 4.0 / nominal(found.water_day_ml(6)), rel=0.01)


def test_a_folder_without_a_log_is_as_before(tmp_path: Path) -> None:
    folder = tmp_path / "basil"
    shutil.copytree(CAFE / "basil", folder, ignore=shutil.ignore_patterns("logs"))
    assert logged.read(budget.open_folder(str(folder))) is None
    (folder / "logs").mkdir()
    assert logged.read(budget.open_folder(str(folder))) is None
    (folder / "logs" / "00000001.jsonl").write_text("nothing of a log\n")
    assert logged.read(budget.open_folder(str(folder))) is None


def test_a_log_shorter_than_three_waterings_tells_only_the_level(tmp_path: Path) -> None:
    lived = Lived(tmp_path, days=8)
    found, log = lived.inputs(date(2025, 4, 22))
    assert log.use_ml_day is None
    assert log.level_ml == pytest.approx(lived.tank_ml, abs=2 * log.tolerance_ml)
    assert nominal(found.water_day_ml(4)) > 0.0
    assert lived.ran.days == pytest.approx(8, abs=0.1)
    assert DAY_S == 86400.0
