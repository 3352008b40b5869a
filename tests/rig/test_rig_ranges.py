"""Every part of the rig takes what its range says, to the edge, and nothing beyond it.

The ranges are ours: what a part that can be bought, or a pot that can stand in a home, may have.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from wakewell.rig.battery import Cell, RigBattery
from wakewell.rig.errors import Impossible, need
from wakewell.rig.faults import KINDS, Fault
from wakewell.rig.hydraulics import Line, Plumbing, RigHose, RigPump, box
from wakewell.rig.pot import BoardLoad, PotSpec, RigPot
from wakewell.rig.probes import Converter, Divider, LevelGauge, SoilProbe
from wakewell.rig.soil import SUBSTRATES, WILTING_CM, Container, Plant, Vessel
from wakewell.rig.weather import PLACES, Climate
from wakewell.simulate.people import Owner, Visit

PEAT = SUBSTRATES["peat mix"]
RANGES: tuple[tuple[Any, dict[str, tuple[float, float]]], ...] = (
    (PEAT, {
        "residual": (0.0, 0.6), "saturated": (PEAT.residual + 0.01, 1.0), "alpha": (0.001, 2.0),
        "n": (1.01, 10.0), "drain_s": (1.0, 1e7), "spread_s": (1.0, 1e7), "even_s": (1.0, 1e7),
        "repels": (0.0, 0.95),
    }),
    (Vessel(15.0, 200.0, 150.0), {
        "height_cm": (2.0, 150.0), "top_cm2": (4.0, 5e4), "bottom_cm2": (1.0, 5e4),
        "saucer_ml": (0.0, 2e4), "saucer_cm2": (0.0, 5e3), "wick_s": (60.0, 1e7),
        "bulb_share": (0.05, 0.95), "probe_cm": (0.0, 15.0), "probe_in_bulb": (0.0, 1.0),
    }),
    (Plant(), {
        "kcb": (0.0, 2.0), "crown_cm2": (0.0, 1e5), "bare": (0.0, 1.1), "stress_cm": (10.0, 999.0),
        "droop_cm": (101.0, WILTING_CM - 1.0), "least_air": (0.0, 0.5),
    }),
    (Plant(droop_cm=5000.0), {"stress_cm": (10.0, 2000.0)}),
    (Cell(), {
        "capacity_mah": (1.0, 2e5), "resistance_mohm": (1.0, 2e4), "fades_pct_month": (0.0, 50.0),
    }),
    (BoardLoad(), {
        "sleep_ua": (0.1, 1e5), "awake_ma": (0.1, 2e3), "radio_ma": (0.1, 2e3),
        "leak_ua": (0.0, 1e6), "browns_out_mv": (1500.0, 4100.0), "sleep_error": (0.0, 0.1),
    }),
    (PotSpec(clock_off=0.01), {"clock_off": (-0.2, 0.2)}),
    (PotSpec(), {"start_day": (0, 364), "sample_s": (0.01, 2.0), "shunt_uv_ma": (0.0, 1e5)}),
    (Converter(), {
        "steps": (16, 65536), "full_uv": (150_000.0, 6e6), "floor_uv": (0.0, 1.55e6),
        "crooked_uv": (0.0, 155_000.0),
    }),
    (Converter(floor_uv=0.0, crooked_uv=0.0), {"full_uv": (1e5, 6e6)}),
    (SoilProbe(), {
        "air_uv": (1_201_000.0, 6e6), "water_uv": (0.0, 2_699_000.0), "half": (1.0, 1e3),
        "per_kelvin_uv": (-5e4, 5e4), "drift_uv_year": (-1e6, 1e6), "noise_uv": (0.0, 5e5),
    }),
    (LevelGauge(), {
        "float_mm": (0.0, 5e3), "sensor_mm": (10.0, 6e3), "blind_mm": (0.0, 1e3),
        "empty_uv": (0.0, 6e6), "full_uv": (0.0, 6e6), "span_mm": (1.0, 5e3), "noise": (0.0, 1e6),
        "misses": (0.0, 1.0),
    }),
    (Divider(), {"ratio": (0.01, 1.0), "off": (-0.2, 0.2), "noise_uv": (0.0, 1e5)}),
    (RigPump(), {
        "head_mm": (50.0, 5e4), "flow_ml_s": (0.1, 1e3), "rated_mv": (1800.0, 6e4),
        "turns_mv": (100.0, 3700.0), "running_ma": (1.0, 5e4), "dry_ma": (1.0, 5e4),
        "stalled_ma": (1.0, 5e4), "start_ma": (1.0, 5e4), "start_ms": (0.0, 1e3),
        "prime_s": (0.0, 120.0), "open_ml_s": (0.0, 1e3),
    }),
    (RigPump(turns_mv=500.0), {"rated_mv": (1000.0, 6e4)}),
    (RigHose(), {
        "inner_mm": (1.0, 50.0), "length_mm": (10.0, 5e4), "end_mm": (-5e3, 2e4),
        "crest_mm": (250.0, 2e4), "rough_mm": (0.0, 0.2), "bends": (0, 100), "holes": (0, 1000),
        "hole_mm": (0.1, 20.0), "discharge": (0.3, 1.0),
    }),
    (Owner(), {
        "fills_after_days": (0.01, 3650.0), "charges_after_days": (0.01, 3650.0),
        "empties_after_days": (0.01, 3650.0), "holds_after_days": (0.01, 3650.0),
        "cables_after_days": (0.01, 3650.0), "forgets": (0.0, 0.95), "charger_ma": (10.0, 5e3),
    }),
    (Visit("water by hand", 0.0, 100.0), {"at_s": (0.0, 1e10), "amount": (0.0, 1e5)}),
    (PLACES["balcony"], {
        "light": (0.0, 1.0), "sky": (0.0, 1.0), "wind": (0.0, 1.0), "rain": (0.0, 1.0),
    }),
    (Fault("leak"), {"start_s": (0.0, 1e12), "probability": (0.0, 1.0)}),
    *((Fault(name), {"amount": (kind.low, kind.high)}) for name, kind in KINDS.items()
      if kind.low != kind.high),
)  # fmt: skip
CASES = [
    pytest.param(base, name, *span, id=f"{type(base).__name__}.{name}")
    for base, fields in RANGES
    for name, span in fields.items()
]


def beyond(value: float, sign: int) -> float:
    """A little farther than that."""
    return value + sign * (1 if isinstance(value, int) else max(1e-6, abs(value) * 1e-6))


@pytest.mark.parametrize(("base", "name", "low", "high"), CASES)
def test_a_part_takes_its_range_and_no_more(base: Any, name: str, low: float, high: float) -> None:
    for inside in (low, high):
        assert getattr(replace(base, **{name: inside}), name) == inside
    for outside in (beyond(low, -1), beyond(high, 1), math.nan, math.inf):
        if name.endswith("_days") and outside == math.inf:
            continue  # an owner who never does it
        with pytest.raises(Impossible, match=r"allowed is"):
            replace(base, **{name: outside})


def test_what_is_put_into_a_part_has_its_range_too() -> None:
    tank = box(100.0, 150.0, 200.0)  # 3 l
    for tank_ml in (0.0, 3000.0):
        Line(Plumbing(tank, RigPump(), RigHose(), 10.0), tank_ml)
    for tank_ml in (-1e-6, 3000.001):
        with pytest.raises(Impossible, match="tank_ml"):
            Line(Plumbing(tank, RigPump(), RigHose(), 10.0), tank_ml)
    Plumbing(tank, RigPump(), RigHose(), 0.9 * tank.depth_mm)
    with pytest.raises(Impossible, match="intake_mm"):
        Plumbing(tank, RigPump(), RigHose(), 0.9 * tank.depth_mm + 0.001)
    for charge in (0.0, 1.0):
        assert RigBattery(Cell(), charge).charge_mah == charge * 2500.0
    for charge in (-1e-6, 1.000001):
        with pytest.raises(Impossible, match="charge"):
            RigBattery(Cell(), charge)
    for side_mm in (5.0, 5000.0):
        box(side_mm, 150.0, 200.0)
    for side_mm in (4.999, 5000.001):
        with pytest.raises(Impossible, match="mm"):
            box(side_mm, 150.0, 200.0)
    pot = RigPot(PotSpec())
    for amount_ml in (-1e-6, 1e6 + 1):
        with pytest.raises(Impossible, match="refill"):
            pot.refill(amount_ml)
        with pytest.raises(Impossible, match="hand_water"):
            pot.hand_water(amount_ml)


def test_a_pump_curve_is_a_curve() -> None:
    good = ((0.0, 800.0), (10.0, 400.0), (20.0, 0.0))
    RigPump(curve=good)
    for bad, why in (
        (good[:1], "two or more points"),
        (good[1:], "the first at no flow"),
        (good[:2], "a last point at no head"),
        ((*good[:2], (10.0, 0.0)), "more than 10 ml/s"),
        ((good[0], (10.0, 800.0), good[2]), "below 800 mm"),
        (((0.0, 49.0), (20.0, 0.0)), "50 to 50000 mm"),
        (((0.0, 800.0), (1001.0, 0.0)), "0.1 to 1000 ml/s"),
    ):
        with pytest.raises(Impossible, match=why):
            RigPump(curve=bad)


def test_the_range_check_says_what_is_allowed() -> None:
    assert need("a", 2, 1, 3) == 2
    with pytest.raises(Impossible) as refused:
        need("a.b", 4, 1, 3, "mm")
    assert str(refused.value) == "a.b is 4: allowed is 1 to 3 mm"
    assert (refused.value.key, refused.value.value) == ("a.b", 4)
    with pytest.raises(Impossible, match=r"a is 0: allowed is 1 to 3$"):
        need("a", 0, 1, 3)


DRY = Climate([20.0], [0.0], [0.0])  # no evaporation, no rain


@pytest.mark.parametrize("wick_h", [2.0, 8.0])
def test_a_pot_draws_saucer_water_up_with_its_time_constant(wick_h: float) -> None:
    """Of the room there is, 1 - exp(-t / tau) is filled after t: an exponential by hand."""
    vessel = Vessel(15.0, 200.0, 150.0, saucer_ml=2000.0, wick_s=wick_h * 3600.0)
    apart = replace(PEAT, even_s=1e7, spread_s=1e7)  # nothing moves between the two regions
    pot = Container(apart, vessel, Plant(kcb=0.0, bare=0.0))
    room = 100.0
    pot.bulk_ml, pot.saucer_ml = pot.bulk_ml - room, 1000.0
    drawn = []
    for hour in range(1, 13):
        pot.advance(DRY, (hour - 1) * 3600.0, hour * 3600.0)
        drawn.append(pot.tally.drawn_back_ml)
    expected = [room * -math.expm1(-hour / wick_h) for hour in range(1, 13)]
    assert drawn == pytest.approx(expected, rel=0.02)
    assert pot.saucer_ml == pytest.approx(1000.0 - drawn[-1])
