"""How many files of the program name a part: what adding one costs.

Counted are the Python files below device/ and host/, without data, pages and tests. Before the
tables of channels, parts and probes there were 40 of them for the saucer's probe (35 before the
rooms that draft a folder and play its person). ADDING.md says which rows these files hold.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from wakecore import fields, judge
from wakewell.deskboard import rig_world
from wakewell.log import record
from wakewell.portable import mock
from wakewell.pot import description, pot_folder
from wakewell.rig import models
from wakewell.rig.pot import RigPot
from wakewell.rig.wires import Wire
from wakewell.sequences import bench_pot
from wakewell.shipped import CAFE

ROOT = Path(__file__).parents[1]
TABLES = {  # one row each for any part: wiring, calibration, words
    "device/wakeboard/parts.py",
    "device/wakeboard/wiring.py",
    "device/wakecore/fields.py",
    "host/wakewell/pot/parts.py",
}
# What a part's own files and its decisions take beside these
MORE = {
    # told beside the soil probe, or in its place; decides nothing
    "weight": {
        "device/wakeboard/loadcell.py": "the part's own file",
        "host/wakewell/rig/loadcell.py": "its rig model",
        "host/wakewell/rig/models.py": "a row",
        "host/wakewell/bench/commission.py": "tare and known mass",
        "host/wakewell/report/findings.py": "the plant's growth told",
        # as a kind of the soil probe
        "host/wakewell/deskboard/rig_world.py": "on its pins",
        "host/wakewell/pot/agree.py": "`weighed` says so",
        "host/wakewell/simulate/trials.py": "in the rig",
        "host/wakewell/simulate/uncalibrated.py": "a usual table",
        "host/wakewell/usb/payload.py": "in the board's wiring",
    },
    # a channel of a run that decides: proof of flow, dose by volume, siphon
    "flowmeter": {
        "device/wakeboard/flowmeter.py": "the part's own file",
        "host/wakewell/rig/flowmeter.py": "its rig model",
        "host/wakewell/rig/models.py": "a row",
        "device/wakecore/__init__.py": "the list of the core's files",
        "device/wakecore/flowmeter.py": "what its pulses say, loaded only where it is fitted",
        "device/wakecore/judge.py": "flows with the pump off",
        "device/wakecore/plan.py": "a dose by volume",
        "device/wakecore/run.py": "a channel",
        "device/wakecore/typed.pyi": "a channel",
        "device/wakecore/wake.py": "what a run gave",
        "host/wakewell/bench/calibrate.py": "pulses a litre",
        "host/wakewell/bench/commission.py": "quiet with the pump off",
        "host/wakewell/log/record.py": "a channel",
        "host/wakewell/pot/agree.py": "fine enough to prove a flow",
        "host/wakewell/portable/mock.py": "what happens to it in a sequence",
        "host/wakewell/report/findings.py": "its agreement with the level",
        "host/wakewell/simulate/uncalibrated.py": "a usual table",
    },
}
# "weight" is also a word
NAMED = {
    "weight": r"""["']weight["']|weight_(ppt|pin)|(cal|calibration)\.weight\b|load ?cell""",
    "flowmeter": "flowmeter",
}


def files(place: str) -> dict[str, str]:
    """{file: its text} of the Python files below a folder."""
    paths = [*ROOT.glob(f"{place}/**/*.py"), *ROOT.glob(f"{place}/**/*.pyi")]
    return {path.relative_to(ROOT).as_posix(): path.read_text("utf-8") for path in paths}


def naming(pattern: str) -> set[str]:
    """The files in which that stands."""
    found = re.compile(pattern, re.I)
    program = files("device") | files("host/wakewell")
    return {name for name, text in program.items() if found.search(text)}


@pytest.mark.parametrize("part", MORE)
def test_a_part_is_named_in_the_tables_and_where_it_decides(part: str) -> None:
    assert naming(NAMED[part]) == TABLES | set(MORE[part])


def test_the_saucers_probe_is_named_in_fewer_files_than_before() -> None:
    """The rest are its permissive, trip and lockout (R15), and the saucer itself on the rig and in
    the twin. That every pot stands on one, and how much water runs into it, is no word of the
    probe."""
    named = naming(r"(?<!through the )(?<!to the )saucer(?! below it|_ml\b)")
    assert len([name for name in named if name.endswith(".py")]) <= 33


def test_a_third_sensor_takes_its_own_file_and_rows(monkeypatch: pytest.MonkeyPatch) -> None:
    """A light sensor, by a class of its own and one row each: wired, read, judged and on record."""
    chip: Any = SimpleNamespace(analogue=lambda pin: pin)
    monkeypatch.setitem(sys.modules, "chip", chip)
    loader: Any = SimpleNamespace(twice=lambda step, *given: step(*given))
    monkeypatch.setitem(sys.modules, "loader", loader)
    monkeypatch.delitem(sys.modules, "wakeboard.parts", raising=False)
    from wakeboard import parts, wiring

    own: Any = SimpleNamespace(Light=lambda pin: SimpleNamespace(read=lambda: [1000 * pin, 7]))
    monkeypatch.setitem(sys.modules, "wakeboard.light", own)
    monkeypatch.setattr(wiring, "PINS", (*wiring.PINS, "light_pin"))
    monkeypatch.setattr(parts, "FITTED", parts.FITTED + "\nlight 0 light Light light_pin")
    board = wiring.Wiring()
    assert parts.fit(board) == {}
    board.light_pin = 5  # type: ignore[attr-defined]
    read = {name: parts.read(part) for name, part in parts.fit(board).items()}
    assert read == {"light": [5000, 7]}

    probe = ("light", 0, 100_000, fields.RECORD_ONLY)
    monkeypatch.setattr(fields, "PROBES", (*fields.PROBES, probe))
    extended = (*judge.RECORD_ONLY_PROBES, "light")  # made from the rows at import
    monkeypatch.setattr(judge, "RECORD_ONLY_PROBES", extended)
    light = {"points": [[0, 0], [10_000, 1000]], "rails": [-1, 20_000], "spread": 10}
    lines = pot_folder.compile_files(
        bench_pot.SETTINGS, bench_pot.LIMITS, {**bench_pot.CALIBRATION, "light": light}
    )
    counts = {"soil": [1_400_000, 9], "battery": [1_950_000, 9], "level": [1_500_000, 9], **read}
    pot = {kind: data.decode() for kind, data in lines.items()}
    (out,) = mock.play({"pot": pot, "wakes": [{"counts": counts}]})
    assert out["record"]["told"] == {"light": 500}
    assert out["record"]["judged"]["light"] == "good"
    assert record.read(out["line"]).found is not None


def test_its_rig_model_shows_it_on_the_pins_of_a_desk_board(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """An analogue part: its microvolts while the probes have their supply, none without."""
    model: Any = SimpleNamespace(wires=lambda: {"pin": Wire(microvolts=lambda: 700_000.0)})
    monkeypatch.setattr(models, "MODELS", {"bright": lambda pot, points, spread: model})
    found = pot_folder.load(CAFE / "basil")
    calibration: Any = SimpleNamespace(
        **vars(found.pot.calibration), bright=SimpleNamespace(points=(), spread=0)
    )
    parts = {**found.parts, "bright": description.Part("bright", "", {"pin": 34}, {}, {}, {})}
    pot = RigPot(rig_world.spec_of(CAFE / "basil"), 1)
    world = rig_world.RigWorld(parts, pot, calibration)
    power = parts["power"].pins["pin"]
    seen = []
    for level in (0, 1):
        world.on_pin(power, level, 0, 0)
        seen.append(world.read_uv(34, 0))
    assert seen == [0, 700_000]
