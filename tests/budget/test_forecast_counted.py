"""Forecasts counted by the budget, on pots of the rig: flat voltages, and a panel.

Invented pots begun in several months, nobody charging: the rig's cell and light know nothing of the
forecast.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from lacking import NO_LIBRARY

pytest.importorskip("pvlib", reason=NO_LIBRARY)

from wakewell import cli
from wakewell.budget import counted, forecast, inputs
from wakewell.budget.doubt import nominal, standard
from wakewell.log import series
from wakewell.log.times import DAY_S

TRIAL = """
title = "until it is empty"
pot = "{pot}"
begins = 2024-{month:02d}-03
days = {days}
owner = {{ fills_after_days = 1.0, charges_after_days = 1000.0 }}
start = {{ charge = {charge} }}
"""
# A panel on the wrong side of the house, which carries a small cell through the summer alone
SUN = "\n[panel]\ntilt_deg = 60\nfacing_deg = 0\npeak_mw = 10\nsky_pct = 40\nshade_pct = ["
SUN += ", ".join(["60"] * 24) + "]\n"


def a_pot(folder: Path, cell: str, more: str = "", place: str = "window sill") -> Path:
    pot = folder / "pot"
    assert cli.main(["new", str(pot), f"--cell={cell}", f"--place={place}"]) == 0
    with (pot / "pot.toml").open("a", encoding="utf-8") as file:
        file.write(more)
    return pot


def a_log(pot: Path, month: int, charge: float, days: int) -> series.PotLog:
    from wakewell.simulate import one_run, trials

    trial = pot.parent / f"{month}.toml"
    text = TRIAL.format(pot=pot.as_posix(), month=month, charge=charge, days=days)
    trial.write_text(text, encoding="utf-8")
    for old in (pot / "logs").glob("*.jsonl*"):
        old.unlink()
    one_run.write_log(one_run.run_trial(trials.load(trial), log=True), pot / "logs")
    return series.read("pot", pot / "logs", sorted((pot / "logs").glob("*.jsonl")))


def held(log: series.PotLog, at_days: tuple[int, ...]) -> list[bool]:
    """For a forecast on each of those days: did the battery's end lie inside?"""
    wakes, hits = log.wakes, []
    low_s = next((w.time_s for w in wakes if "battery low" in w.lockouts), None)
    for day in at_days:
        log.wakes = [w for w in wakes if w.time_s <= wakes[0].time_s + day * DAY_S]
        log.doses = series.doses(log)
        if low_s is not None and log.wakes[-1].time_s > low_s - 4 * DAY_S:
            break
        found = forecast.battery(log)
        assert not found.why_not
        assert found.early_s is not None
        assert [row[1] for row in found.fan] == sorted(row[1] for row in found.fan)
        if low_s is None:
            hits.append(found.late_s is None or found.late_s > wakes[-1].time_s)
        else:
            hits.append(found.early_s <= low_s and (found.late_s is None or low_s <= found.late_s))
    return hits


@pytest.mark.parametrize("cell", ["lithium-iron-phosphate 600", "nickel-metal-hydride 900"])
def test_a_flat_voltage_is_counted_by_the_budget(tmp_path: Path, cell: str) -> None:
    pot = a_pot(tmp_path, cell)
    hits = held(a_log(pot, 1, 1.0, 300), (10, 60, 150)) + held(a_log(pot, 6, 0.6, 300), (10, 60))
    assert len(hits) >= 5
    assert all(hits)


def test_a_panel_s_forecast_goes_with_the_light(tmp_path: Path) -> None:
    """In summer it lasts to the winter, most likely; in January it says that it may not."""
    pot = a_pot(tmp_path, "lithium-ion 60", SUN, "balcony")
    hits = held(a_log(pot, 11, 0.7, 150), (10, 40)) + held(a_log(pot, 5, 0.5, 200), (10, 100))
    assert len(hits) == 4
    assert sum(hits) >= 3
    log = a_log(pot, 11, 0.7, 20)
    found = forecast.battery(log)
    assert found.early_s is not None
    assert found.early_s < log.wakes[-1].time_s + 60 * DAY_S


def test_a_panel_without_its_power_is_not_foretold(tmp_path: Path) -> None:
    pot = a_pot(tmp_path, "lithium-ion 60", "\n[panel]\ntilt_deg = 60\nfacing_deg = 180\n")
    assert "peak_mw" in forecast.battery(a_log(pot, 5, 0.9, 10)).why_not


def test_a_charge_is_known_from_the_day_that_tells_most(tmp_path: Path) -> None:
    """At 3250 mV the voltage alone is worth little; sixty days after a full one, counting is."""
    folder = inputs.open_folder(str(a_pot(tmp_path, "lithium-iron-phosphate 600")))
    assert folder.about is not None
    cell = folder.about.battery
    assert cell is not None
    given = inputs.gather(folder, date(2026, 5, 1))
    now, then = (date(2026, 5, 1), 3250.0), (date(2026, 3, 1), 3590.0)
    alone, since = (counted.charge_now(given, cell, days) for days in ([now], [then, now]))
    # One reading is worth what its voltage tells, not twice that
    told = inputs.charge_within(3250.0, cell.chemistry)[1] * nominal(given.usable(4))
    assert standard(alone) == pytest.approx(told, rel=0.01)
    assert standard(since) < 0.3 * standard(alone)
    drawn = sum(n * nominal(given.drain_mah(m)) for m, n in ((2, 31), (3, 30))) / 600
    assert 0.75 < nominal(since) < 1.0 - drawn


@pytest.mark.parametrize(
    ("chemistry", "flat"),
    [("lithium-ion", False), ("lithium-iron-phosphate", True), ("nickel-metal-hydride", True),
     ("alkaline", False)],
)  # fmt: skip
def test_which_voltages_tell_too_little(chemistry: str, flat: bool) -> None:
    assert counted.is_flat(chemistry) == flat
