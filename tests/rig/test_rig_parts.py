"""The flow meter and the scale of the rig, and the board's own code for the scale on its pins."""

from __future__ import annotations

import sys
import time
from types import SimpleNamespace
from typing import Any

import pytest

from wakewell.rig.flowmeter import AGES_PPT_YEAR, YEAR_S, RigFlowMeter
from wakewell.rig.loadcell import Amplifier, scale

POINTS = [(0, 0), (60_000, 10_000_000)]  # 6 pulses a millilitre


def test_a_flow_meter_counts_ages_misses_and_sticks() -> None:
    pot = SimpleNamespace(ml=0.0, faults={}, t_s=0.0)
    meter = RigFlowMeter(POINTS, lambda: pot.ml, lambda kind: pot.faults.get(kind), lambda: pot.t_s)
    meter.begin()
    for ml in range(1, 101):  # small steps lose nothing
        pot.ml = ml
        assert meter.now() == 6 * ml
    pot.faults = {"flow meter misses": 0.5}
    meter.begin()
    pot.ml += 100
    assert meter.now() == 300
    pot.faults = {"flow meter stuck": 1.0}
    meter.begin()
    pot.ml += 100
    assert meter.now() == 0
    pot.faults, pot.t_s = {}, YEAR_S
    meter.begin()
    pot.ml += 100
    assert meter.now() == pytest.approx(600 * (1 - AGES_PPT_YEAR / 1000), abs=1)


def test_growth_reads_as_water_and_a_pot_lifted_off_as_none() -> None:
    """A gram is a millilitre: 100 g on 2 l of substrate are 50 parts per thousand."""
    cell = scale([(400_000, 0), (600_000, 1000)], 0, 2_000.0)
    assert cell.output_uv(0.25, 20.0, 0.0) == 450_000
    days = 100 / cell.grows_g_day
    assert cell.output_uv(0.25, 20.0, 86_400 * days) == pytest.approx(460_000)
    assert cell.air_uv == 200_000


@pytest.mark.parametrize("counts", [0, 1, 456_789, 8_388_607, -1, -8_388_608])
def test_the_board_reads_from_the_amplifier_what_it_converted(
    counts: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    amplifier = Amplifier(lambda: counts)
    clock = SimpleNamespace(value=lambda level: amplifier.clock(level == 1))
    data = SimpleNamespace(value=amplifier.data)
    chip: Any = SimpleNamespace(drive=lambda *_: clock, sense=lambda *_: data)
    monkeypatch.setitem(sys.modules, "chip", chip)
    loader: Any = SimpleNamespace(twice=lambda step, *given: step(*given))
    monkeypatch.setitem(sys.modules, "loader", loader)
    monkeypatch.setattr(time, "sleep_ms", lambda _: None, raising=False)
    monkeypatch.delitem(sys.modules, "wakeboard.loadcell", raising=False)
    monkeypatch.delitem(sys.modules, "wakeboard.parts", raising=False)
    from wakeboard.loadcell import LoadCell

    cell = LoadCell(4, 5, 3)
    assert cell.read() == [counts, 0]
    data.value = lambda: 1  # no conversion comes
    assert cell.read() is None
