"""What the log says about the hardware, on gardens with a known fault, and on sound ones."""

from __future__ import annotations

from pathlib import Path

import pytest

from grown import Garden, make
from wakewell.budget import forecast
from wakewell.log import series
from wakewell.log.times import Calendar
from wakewell.report import condition, findings


def looked(folder: Path, garden: Garden) -> tuple[series.PotLog, dict[str, findings.Finding]]:
    place = make(folder, garden)
    log = series.read("pot", place, sorted(place.glob("*.jsonl")))
    return log, {f.name: f for f in findings.findings(log)}


@pytest.mark.parametrize("seed", range(3))
def test_a_sound_pot_is_quiet(tmp_path: Path, seed: int) -> None:
    _, found = looked(tmp_path, Garden(days=120, refill=(60,), seed=seed))
    assert {f.state for f in found.values()} == {findings.QUIET}


@pytest.mark.parametrize(
    ("name", "garden"),
    [
        ("pump wear", Garden(days=150, wear=0.4, refill=(50, 100), drain=0.002)),
        ("clogging", Garden(days=100, clog=90)),
        ("unexplained fall of the level", Garden(days=60, leak_ml_day=(30, 12.0))),
        ("resets", Garden(days=60, brownouts=(40, 50, 55))),
        ("implausible readings", Garden(days=60, unplugged=(50, 60))),
    ],
)
def test_a_fault_speaks_up_and_nothing_else_does(tmp_path: Path, name: str, garden: Garden) -> None:
    _, found = looked(tmp_path, garden)
    loud = {n for n, f in found.items() if f.state in (findings.WATCH, findings.ACT)}
    assert loud == {name}
    assert found[name].do
    assert all(f.threshold for f in found.values())


def test_wear_is_measured_as_it_was_made(tmp_path: Path) -> None:
    _, found = looked(tmp_path, Garden(days=150, wear=0.4, refill=(50, 100), drain=0.002))
    change = float(found["pump wear"].measure.split("lately, ")[1].split(" %")[0])
    assert change == pytest.approx(-40, abs=5)


@pytest.mark.parametrize(
    ("garden", "word", "task"),
    [
        (Garden(days=60), condition.WELL, ""),
        (Garden(days=90, hose_off=60), condition.PERSON, "hose ends in the pot"),
        (Garden(days=90, unplugged=(80, 90)), condition.PERSON, "Push the soil probe"),
        (Garden(days=65, tank_ml=3000), condition.DUE, "Fill the tank"),
        (Garden(days=90, tank_ml=3000), condition.PERSON, "Fill the tank"),
        (Garden(days=100, clog=85), condition.PERSON, "strainer"),
        (Garden(days=150, drain=0.007, refill=(60,)), condition.PERSON, "Charge the battery"),
    ],
)
def test_the_condition_and_what_to_do(tmp_path: Path, garden: Garden, word: str, task: str) -> None:
    log, found = looked(tmp_path, garden)
    state = condition.judge(
        log,
        Calendar("UTC"),
        forecast.tank(log),
        forecast.battery(log),
        list(found.values()),
    )
    assert state.word == word
    assert task in " ".join(t.do for t in state.tasks)
    assert bool(state.tasks) == (word != condition.WELL)
    assert state.sentence.endswith(".")


def test_what_has_run_out_since_is_told(tmp_path: Path) -> None:
    log, found = looked(tmp_path, Garden(days=60))
    tank, battery = forecast.tank(log), forecast.battery(log)
    rows = (log, Calendar("UTC"), tank, battery, list(found.values()))
    assert tank.early_s is not None
    assert condition.judge(*rows, now_s=log.wakes[-1].time_s).word == condition.WELL
    late = condition.judge(*rows, now_s=tank.early_s + 86400)
    assert (late.word, late.heard, late.visit) == (condition.SILENT, condition.DUE, "now")
    assert "Fill the tank now." in [task.do for task in late.tasks]


def test_an_old_log_is_never_called_well(tmp_path: Path) -> None:
    log, found = looked(tmp_path, Garden(days=60))
    tank, battery = forecast.tank(log), forecast.battery(log)
    rows = (log, Calendar("UTC"), tank, battery, list(found.values()))
    last_s = log.wakes[-1].time_s
    assert condition.judge(*rows, now_s=last_s + 6 * 86400).word == condition.WELL
    old = condition.judge(*rows, now_s=last_s + 8 * 86400)
    assert (old.word, old.visit) == (condition.SILENT, "now")
    assert old.sentence.startswith("Last heard on ")
    assert any("Read its log" in task.do for task in old.tasks)
    log.shifted = True  # a shared parcel says nothing about today
    assert condition.judge(*rows, now_s=last_s + 900 * 86400).word == condition.WELL


def test_who_must_be_visited_sooner_stands_higher(tmp_path: Path) -> None:
    log, found = looked(tmp_path, Garden(days=65, tank_ml=3000))
    none, soon = forecast.Forecast("battery"), forecast.Forecast("tank")
    last_s = log.wakes[-1].time_s
    assert "fill the tank" in log.wakes[-1].needs
    rows = (log, Calendar("UTC"), soon, none, list(found.values()), last_s)
    week = condition.judge(*rows)
    assert week.visit == "this week"
    soon.early_s = last_s + 2 * 86400
    days = condition.judge(*rows)
    assert days.visit == "in 2 days"
    assert days.visit_s is not None
    assert week.visit_s is not None
    assert days.visit_s < week.visit_s
