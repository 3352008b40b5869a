"""The battery's part of a twin, of rig pots whose truth is known: flat voltages, and a panel."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from wakewell import cli
from wakewell.budget import inputs
from wakewell.log import series
from wakewell.pot.description import Crop
from wakewell.rig.weather import PLACES, climate
from wakewell.simulate import one_run, trials
from wakewell.tuning import charge, evidence, fit
from wakewell.tuning.weather import typical

SIGMAS = 3.0
ASLEEP_UA, TRUE_MW, TOLD_MW = 15, 8, 12
PANEL = (
    f"\n[panel]\ntilt_deg = 60\nfacing_deg = 0\npeak_mw = {TOLD_MW}\nsky_pct = 40\nshade_pct = ["
)
PANEL += ", ".join(["60"] * 24) + "]\n"


@pytest.mark.parametrize(
    ("cell", "panel"),
    [
        ("lithium-iron-phosphate 600", ""),
        ("nickel-metal-hydride 900", ""),
        ("lithium-ion 120", PANEL),
    ],
)
def test_what_a_battery_draws_and_gets_is_found_again(
    tmp_path: Path, cell: str, panel: str
) -> None:
    """Asleep it draws more than its chip's sheet says, and its panel stands darker than told."""
    pot = tmp_path / "pot"
    assert cli.main(["new", str(pot), f"--cell={cell}", "--place=balcony"]) == 0
    with (pot / "pot.toml").open("a", encoding="utf-8") as file:
        file.write(panel)
    trial = tmp_path / "trial.toml"
    truth = f'title = "truth"\npot = "{pot.as_posix()}"\nbegins = 2024-09-03\ndays = 150\n'
    truth += "[owner]\nfills_after_days = 1.0\ncharges_after_days = 1000.0\n"
    truth += f"[board]\nsleep_ua = {ASLEEP_UA}\n" + (
        f"[panel]\npeak_mw = {TRUE_MW}.0\n" * bool(panel)
    )
    trial.write_text(truth, encoding="utf-8")
    one_run.write_log(one_run.run_trial(trials.load(trial), log=True), pot / "logs")
    log = series.read("pot", pot / "logs", sorted((pot / "logs").glob("*.jsonl")))
    spec = trials.of_pot(pot).spec
    light = charge.Light(spec, climate(PLACES["balcony"]).air_c) if panel else None
    said = evidence.of(log, log.wakes, True)
    found = charge.fit(said.charges, spec, inputs.CURRENT_DOUBT["sheet"], light)
    assert found is not None
    leak_ua = spec.board.leak_ua
    asleep = math.log((ASLEEP_UA + leak_ua) / (spec.board.sleep_ua + leak_ua))
    for (value, doubt), true in (
        (found.asleep, asleep),
        (found.active, 0.0),
        (found.capacity, 0.0),
        (found.sun, math.log(TRUE_MW / TOLD_MW) if panel else 0.0),
    ):
        assert abs(value - true) <= SIGMAS * doubt
    assert (0.0 < found.sun[1] < 0.15) == bool(panel)
    assert found.drawn(3)[3] == found.drawn(4)[3] or panel
    assert len(found.cov) == 4
    # In a shared parcel nobody knows when the sun shone
    log.shifted = True
    assert log.dated
    apart = fit.cell(said, spec, typical(Crop(stands="balcony")), inputs.CURRENT_DOUBT["sheet"])
    assert (apart is None) == bool(panel)
