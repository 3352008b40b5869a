"""A pot of the rig with a flow meter, and one on a scale, through the core."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

from wakewell.pot import pot_folder
from wakewell.rig.faults import Fault
from wakewell.rig.pot import DAY_S, RigPot
from wakewell.shipped import CAFE
from wakewell.simulate import trials
from wakewell.simulate.rig_board import RigBoard


def life(folder: Path, days: int, *faults: Fault) -> list[dict[str, Any]]:
    """The records of so many days of that pot, from a third full soil on."""
    trial = trials.of_pot(folder)
    pot = RigPot(replace(trial.spec, faults=faults, water=0.2), 1)
    seen: list[dict[str, Any]] = []
    RigBoard(pot, trial.in_force(), seen=seen.append).run(days * DAY_S)
    return seen


def fitted(tmp_path: Path, name: str, wiring: str, old: str = "") -> Path:
    """A copy of a café's pot with one part more, or another, and nobody calibrated it yet."""
    folder = Path(shutil.copytree(CAFE / name, tmp_path / name))
    changes = (
        ("pot", '"esp32-c3"', '"esp32-c6"'),
        ("wiring", "pump = { pin = 7,", "pump = { pin = 18,"),
        ("calibration", "stage = 2", ""),
    )
    for file, was, now in changes:
        path = folder / f"{file}.toml"
        path.write_text(path.read_text(encoding="utf-8").replace(was, now), encoding="utf-8")
    text = (folder / "wiring.toml").read_text(encoding="utf-8")
    assert old in text
    text = text.replace(old, "") if old else text
    (folder / "wiring.toml").write_text(f"{text}\n{wiring}\n", encoding="utf-8")
    return folder


def test_a_float_pot_with_a_flow_meter_doses_by_volume_and_finds_its_stuck_wheel(
    tmp_path: Path,
) -> None:
    folder = fitted(tmp_path, "mint", "flowmeter = { pin = 19 }")
    sound = [wake for wake in life(folder, 10) if "run" in wake]
    assert sound
    for wake in sound:
        assert wake["trips"] == []
        assert 0 < wake["water"]["metered_ul"] <= wake["plan"]["dose_ul"] + 10_000
    stuck = life(folder, 10, Fault("flow meter stuck"))
    assert [wake["trips"] for wake in stuck if "run" in wake] == [["no count"]] * 3
    assert "dry run" in stuck[-1]["lockouts"]


def test_a_flow_meter_sees_the_siphon_that_a_float_does_not(tmp_path: Path) -> None:
    folder = fitted(tmp_path, "mint", "flowmeter = { pin = 19 }")
    found = life(folder, 3, Fault("siphon", amount=50.0))
    assert "leak" in found[-1]["lockouts"]
    leaked = next(wake for wake in found if "leak" in wake["lockouts"])
    assert leaked["plan"]["phase"] in ("first look", "second look")


def test_a_pot_on_a_scale_is_watered_by_it(tmp_path: Path) -> None:
    with_probe = CAFE / "basil" / "wiring.toml"
    row = next(r for r in with_probe.read_text().splitlines() if r.startswith("soil"))
    scale = 'soil = { kind = "weight", data = 22, clock = 23 }'
    folder = fitted(tmp_path, "basil", scale, row)
    path = folder / "calibration.toml"
    text = path.read_text(encoding="utf-8")
    start = text.index("[soil]")
    end = text.index("[", start + 1)
    while text[end - 1] != "\n":
        end = text.index("[", end + 1)
    path.write_text(text[:start] + text[end:], encoding="utf-8")
    found = life(folder, 20)
    assert sum("run" in wake for wake in found) >= 2
    assert {wake["judged"]["soil"] for wake in found} == {"good"}
    assert not any(wake["trips"] or wake["lockouts"] for wake in found)


def test_a_chip_without_a_counter_takes_no_flow_meter(tmp_path: Path) -> None:
    folder = fitted(tmp_path, "mint", "flowmeter = { pin = 6 }")
    path = folder / "pot.toml"
    text = path.read_text(encoding="utf-8").replace('"esp32-c6"', '"esp32-c3"')
    path.write_text(text, encoding="utf-8")
    problems = [problem.text for problem in pot_folder.load(folder).problems]
    assert any("no pulse counter" in text for text in problems), problems
