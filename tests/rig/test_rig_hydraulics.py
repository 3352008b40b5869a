"""Tanks, pumps and hoses against integration, handbook formulas and the library fluids."""

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lacking import NO_LIBRARY
from wakewell.rig.errors import Impossible
from wakewell.rig.hydraulics import (
    GRAVITY_MM_S2,
    VISCOSITY_MM2_S,
    Line,
    Plumbing,
    RigHose,
    RigPump,
    RigTank,
    box,
    bucket,
    cylinder,
    plumbing,
    table,
    tapered,
)

fluids = pytest.importorskip("fluids", reason=NO_LIBRARY)

TANKS = {
    "box": box(100.0, 150.0, 200.0),
    "tapered": tapered((80.0, 120.0), (120.0, 150.0), 180.0),
    "cylinder": cylinder(110.0, 220.0),
    "bucket": bucket(180.0, 260.0, 240.0),
    "table": table([(0.0, 0.0), (40.0, 350.0), (120.0, 1400.0), (160.0, 2100.0)]),
}
TANK = TANKS["box"]


# --- tanks ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("height_mm", [1.0, 60.0, 179.0])
def test_frustum_volumes_against_integration(height_mm: float) -> None:
    """Source: scipy's integration of the cross-section over height."""
    quad = pytest.importorskip("scipy.integrate", reason=NO_LIBRARY).quad
    rectangle, _ = quad(
        lambda z: (80.0 + 40.0 * z / 180.0) * (120.0 + 30.0 * z / 180.0), 0.0, height_mm
    )
    circle, _ = quad(lambda z: math.pi * (90.0 + 40.0 * z / 240.0) ** 2, 0.0, height_mm)
    assert TANKS["tapered"].volume_ml(height_mm) == pytest.approx(rectangle / 1000.0, rel=1e-12)
    assert TANKS["bucket"].volume_ml(height_mm) == pytest.approx(circle / 1000.0, rel=1e-12)


def test_plain_volumes_by_hand() -> None:
    assert TANKS["box"].capacity_ml == pytest.approx(3000.0)
    assert TANKS["cylinder"].volume_ml(100.0) == pytest.approx(math.pi * 55.0**2 / 10.0)
    assert TANKS["table"].volume_ml(80.0) == pytest.approx(875.0)


@pytest.mark.parametrize("name", TANKS)
@settings(deadline=None)
@given(share=st.floats(0.0, 1.0))
def test_height_is_the_inverse_of_volume(name: str, share: float) -> None:
    tank = TANKS[name]
    volume = share * tank.capacity_ml
    assert tank.volume_ml(tank.height_mm(volume)) == pytest.approx(volume, abs=1e-6)


# --- friction, orifices, pump --------------------------------------------------------------------


@pytest.mark.parametrize("flow_ml_s", [0.5, 2.0, 8.0, 20.0])
def test_friction_against_handbook_formulas(flow_ml_s: float) -> None:
    """Darcy-Weisbach: 64/Re while laminar; Colebrook's equation solved by repetition above."""
    hose = RigHose(inner_mm=4.0, length_mm=2000.0, bends=0, rough_mm=0.0015)
    speed = 1000.0 * flow_ml_s / (math.pi * 4.0)
    reynolds = speed * 4.0 / VISCOSITY_MM2_S
    factor = 0.03
    for _ in range(50):
        roughness = hose.rough_mm / hose.inner_mm / 3.7
        factor = (-2.0 * math.log10(roughness + 2.51 / (reynolds * math.sqrt(factor)))) ** -2
    if reynolds < 2040.0:
        factor = 64.0 / reynolds
    by_hand = (factor * 500.0 + 0.57 + 1.0) * speed**2 / (2.0 * GRAVITY_MM_S2)
    assert hose.loss_mm(flow_ml_s) == pytest.approx(by_hand, rel=1e-3)


def test_pressure_drop_against_fluids_own() -> None:
    """Source: fluids.one_phase_dP over the same straight pipe."""
    hose = RigHose(inner_mm=4.0, length_mm=2000.0, bends=0)
    flow_kg_s, density = 0.010, 998.2
    pascal = fluids.one_phase_dP(
        m=flow_kg_s, rho=density, mu=VISCOSITY_MM2_S * 1e-6 * density, D=0.004, L=2.0,
        roughness=1.5e-6,
    )  # fmt: skip
    flow_ml_s = 1e6 * flow_kg_s / density
    speed = 1000.0 * flow_ml_s / hose.bore_mm2
    ends = 1.57 * speed**2 / (2.0 * GRAVITY_MM_S2)
    friction_mm = 1000.0 * pascal / (density * GRAVITY_MM_S2 / 1000.0)
    assert hose.loss_mm(flow_ml_s) - ends == pytest.approx(friction_mm, rel=1e-3)


def test_drip_hole_against_torricelli_and_fluids() -> None:
    """v = Cd sqrt(2 g h) with Cd 0.61, a handbook's value for a sharp edge.

    Source: fluids' orifice meter (ISO 5167-2, Reader-Harris and Gallagher, 0.600 to 0.603 at small
    ratios) on a 10 mm hole in a 50 mm pipe; smaller ones lie outside that standard.
    """
    head_mm = 500.0
    jet = 0.61 * math.sqrt(2.0 * GRAVITY_MM_S2 * head_mm) * math.pi / 4.0 * 100.0 / 1000.0
    wide = RigHose(inner_mm=50.0, length_mm=10.0, bends=0, holes=1, hole_mm=10.0)
    assert wide.loss_mm(jet) == pytest.approx(head_mm, rel=2e-3)
    pascal = 998.2 * 9.80665 * head_mm / 1000.0
    mass = fluids.differential_pressure_meter_solver(
        D=0.05, D2=0.01, P1=101325.0 + pascal, P2=101325.0, rho=998.2, mu=1.002e-3, k=1.3,
        meter_type="ISO 5167 orifice", taps="corner",
    )  # fmt: skip
    assert 1e6 * mass / 998.2 == pytest.approx(jet, rel=0.02)


def test_flow_satisfies_the_balance_of_heads() -> None:
    """At the flow found, the pump's lift equals height, friction and outlet together."""
    pump, hose = RigPump(), RigHose(end_mm=350.0, holes=4, hole_mm=1.2)
    parts = plumbing(TANK, pump, hose)
    for share in (0.25, 0.5, 1.0):
        for speed in (0.8, 0.9, 1.0):
            flow = parts.flow_ml_s(share * TANK.capacity_ml, speed * pump.rated_mv)
            lift = 350.0 - share * 200.0 + hose.loss_mm(flow)
            assert pump.lift_mm(flow, speed) == pytest.approx(lift, abs=0.05)


@pytest.mark.parametrize(
    ("lowest_mv", "highest_mv", "tolerance"), [(2700.0, 4200.0, 0.005), (1200.0, 2700.0, 0.08)]
)
@settings(deadline=None)
@given(share=st.floats(0.05, 1.0), place=st.floats(0.0, 1.0))
def test_tabled_flow_against_solving_anew(
    lowest_mv: float, highest_mv: float, tolerance: float, share: float, place: float
) -> None:
    """The inner loop's table: half a per cent of rated flow, rougher where a pump hardly lifts."""
    parts = plumbing(TANK, RigPump(), RigHose())
    volume, voltage = share * TANK.capacity_ml, lowest_mv + place * (highest_mv - lowest_mv)
    exact = parts.solved_ml_s(TANK.height_mm(volume), voltage / 3700.0)
    assert parts.flow_ml_s(volume, voltage) == pytest.approx(exact, abs=tolerance * 25.0)


@pytest.mark.parametrize("rated_mv", [1500.0, 3000.0, 3900.0, 6000.0, 12_000.0, 24_000.0])
def test_every_voltage_of_the_cell_is_tabled(rated_mv: float) -> None:
    """Whatever the pump is rated for, the cell gives it up to 4.2 V."""
    least = (4200.0 / rated_mv) ** -2  # so that a full cell lifts a metre
    pump = RigPump(head_mm=max(200.0, 1000.0 * least), rated_mv=rated_mv, turns_mv=500.0)
    parts = plumbing(TANK, pump, RigHose())
    for voltage in (3300.0, 3700.0, 4100.0, 4200.0):
        exact = parts.solved_ml_s(200.0, voltage / rated_mv)
        assert exact > 0.0
        assert parts.flow_ml_s(3000.0, voltage) == pytest.approx(exact, rel=0.02)


def test_affinity_laws() -> None:
    """Flow as the speed, head as its square: a pump handbook's affinity laws."""
    pump = RigPump()
    assert pump.lift_mm(10.0, 1.0) * 0.64 == pytest.approx(pump.lift_mm(8.0, 0.8))


def test_a_measured_curve_ends_at_its_free_flow() -> None:
    """Beyond the last point it goes on down as steeply: driven faster, the pump holds back."""
    pump = RigPump(curve=((0.0, 900.0), (20.0, 500.0), (40.0, 0.0)))
    assert pump.lift_mm(40.0, 1.0) == pytest.approx(0.0)
    assert pump.lift_mm(44.0, 1.0) == pytest.approx(-100.0)
    assert pump.lift_mm(22.0, 0.5) == pytest.approx(-25.0)
    wide = RigHose(inner_mm=20.0, end_mm=-400.0, length_mm=1000.0)
    flows = [plumbing(TANK, RigPump(curve=((0.0, 2e4), (free, 0.0))), wide).solved_ml_s(200.0, 1.0)
             for free in (300.0, 900.0)]  # fmt: skip
    assert flows[0] > 300.0  # helped by the fall, however small the pump is without a curve
    assert flows[1] > flows[0]


def test_less_flow_from_a_lower_tank_a_longer_hose_and_a_weaker_cell() -> None:
    pump = RigPump()
    flow = plumbing(TANK, pump, RigHose()).flow_ml_s(2500.0, 3700.0)
    assert plumbing(TANK, pump, RigHose()).flow_ml_s(500.0, 3700.0) < flow
    assert plumbing(TANK, pump, RigHose(length_mm=3000.0)).flow_ml_s(2500.0, 3700.0) < flow
    assert plumbing(TANK, pump, RigHose()).flow_ml_s(2500.0, 3000.0) < flow


# --- a line in use -------------------------------------------------------------------------------


def run(line: Line, seconds: float, **trouble: float) -> tuple[float, list[str]]:
    out, did = 0.0, []
    for _ in range(round(seconds / 0.2)):
        ml, what = line.pump(0.2, 3700.0, **trouble)  # type: ignore[arg-type]
        out += ml
        did.append(what)
    return out, did


def test_hose_fills_first_and_drains_back() -> None:
    line = Line(plumbing(TANK, RigPump(), RigHose()), 2000.0)
    out, did = run(line, 4.0)
    assert did[0] == "filling"
    assert did[-1] == "moving"
    assert line.stored_ml + out == pytest.approx(2000.0, abs=1e-9)
    line.stop()
    assert line.hose_ml == 0.0
    assert line.tank_ml == pytest.approx(2000.0 - out, abs=1e-9)


def test_check_valve_keeps_the_hose_full() -> None:
    line = Line(plumbing(TANK, RigPump(), RigHose(check_valve=True)), 2000.0)
    run(line, 4.0)
    line.stop()
    assert line.hose_ml == pytest.approx(line.parts.hose.volume_ml)
    assert run(line, 0.2)[1] == ["moving"]


def test_dry_run_leaves_what_the_intake_cannot_reach() -> None:
    line = Line(plumbing(TANK, RigPump(), RigHose(), 10.0), 200.0)
    _, did = run(line, 10.0)
    assert did[-1] == "dry"
    assert line.tank_ml == pytest.approx(150.0)  # 10 mm of 100 x 150 mm


def test_pump_that_must_draw_first() -> None:
    line = Line(plumbing(TANK, RigPump(prime_s=3.1), RigHose()), 2000.0)
    _, did = run(line, 5.0)
    assert did[:15] == ["dry"] * 15
    assert did[-1] == "moving"


def test_stall_clog_and_weak_cell() -> None:
    line = Line(plumbing(TANK, RigPump(), RigHose()), 2000.0)
    assert line.pump(0.2, 3700.0, blocked=True) == (0.0, "stalled")
    assert line.pump(0.2, 1500.0) == (0.0, "stalled")
    clean, _ = run(Line(plumbing(TANK, RigPump(), RigHose(check_valve=True)), 2000.0), 20.0)
    fouled, _ = run(
        Line(plumbing(TANK, RigPump(), RigHose(check_valve=True)), 2000.0), 20.0, clogged=0.8
    )
    assert fouled < 0.25 * clean
    high = Line(plumbing(TANK, RigPump(), RigHose(end_mm=800.0, length_mm=1000.0)), 2000.0)
    assert high.pump(0.2, 2000.0) == (0.0, "lifting")


def siphoned(hose: RigHose) -> Line:
    line = Line(plumbing(TANK, RigPump(), hose), 2500.0)
    run(line, 5.0)
    line.stop()
    return line


def test_siphon_runs_on_until_its_end_is_above_the_surface() -> None:
    line = siphoned(RigHose(end_mm=60.0, siphon_break=False))
    assert line.siphoning
    before, out, seconds = line.stored_ml, 0.0, 0.0
    while line.siphoning:
        step = line.siphon_step_s()
        out += line.siphon(step)
        seconds += step
    assert line.stored_ml + out == pytest.approx(before, abs=1e-9)
    # 60 mm of 15,000 mm2, and what was in the hose has run back
    assert line.tank_ml == pytest.approx(900.0, abs=60.0)
    assert 60.0 < seconds < 6 * 3600.0


def test_siphon_against_the_law_of_a_draining_tank() -> None:
    """A tank of constant section through a plain hole empties as sqrt(h) = sqrt(h0) - k t / 2.

    Torricelli, with nothing but the outlet's loss (one wide short hose through the floor, one
    small hole).
    """
    hose = RigHose(
        inner_mm=20.0, length_mm=10.0, bends=0, holes=1, hole_mm=2.0, end_mm=-1.0, crest_mm=0.0,
        siphon_break=False,
    )  # fmt: skip
    line = Line(Plumbing(TANK, RigPump(open_ml_s=1000.0), hose), 2500.0)
    line.hose_ml = hose.volume_ml
    hole_mm2 = math.pi / 4.0 * 4.0
    k = 0.61 * hole_mm2 / 15_000.0 * math.sqrt(2.0 * GRAVITY_MM_S2)
    seconds = 0.0
    while seconds < 300.0:
        step = min(line.siphon_step_s() / 10.0, 300.0 - seconds)
        line.siphon(step)
        seconds += step
    h0 = 2500.0 / 15.0 + 1.0
    by_hand = (math.sqrt(h0) - 0.5 * k * 300.0) ** 2 - 1.0
    assert line.level_mm == pytest.approx(by_hand, rel=0.01)


@pytest.mark.parametrize(
    "hose",
    [
        RigHose(end_mm=60.0, siphon_break=True),
        RigHose(end_mm=250.0, siphon_break=False),
    ],
)
def test_no_siphon_with_air_let_in_or_the_end_above(hose: RigHose) -> None:
    line = siphoned(hose)
    assert not line.siphoning
    assert line.hose_ml == 0.0


def test_refill_runs_over_the_brim() -> None:
    line = Line(plumbing(TANK, RigPump(), RigHose()), 2500.0)
    assert line.refill(700.0) == pytest.approx(200.0)
    assert line.tank_ml == pytest.approx(3000.0)
    assert line.leak(5000.0) == pytest.approx(3000.0)


@pytest.mark.parametrize(
    ("make", "key"),
    [
        (lambda: box(-100.0, 150.0, 200.0), "bottom_mm"),
        (lambda: cylinder(math.nan, 200.0), "bottom_mm"),
        (lambda: table([(0.0, 0.0), (50.0, 400.0), (40.0, 500.0)]), "points"),
        (lambda: table([(5.0, 10.0), (50.0, 400.0)]), "points"),
        (lambda: Plumbing(TANK, RigPump(head_mm=300.0), RigHose(end_mm=900.0)), "pump.head_mm"),
        (
            lambda: Plumbing(
                TANK, RigPump(curve=((0.0, 300.0), (9.0, 0.0))), RigHose(end_mm=900.0)
            ),
            "pump.curve",
        ),
        (
            lambda: Plumbing(TANK, RigPump(rated_mv=6e3, turns_mv=4200.0), RigHose()),
            "pump.turns_mv",
        ),
        (lambda: Plumbing(TANK, RigPump(), RigHose(), intake_mm=250.0), "intake_mm"),
        (lambda: RigPump(flow_ml_s=0.0), "pump.flow_ml_s"),
        (lambda: RigPump(curve=((0.0, 900.0), (10.0, 950.0))), "pump.curve"),
        (lambda: RigPump(curve=((0.0, 900.0), (10.0, 50.0))), "pump.curve"),
        (lambda: RigPump(curve=((0.0, 900.0), (10.0, -50.0))), "pump.curve"),
        (lambda: RigPump(curve=((0.0, 900.0), (10.0, math.nan))), "pump.curve"),
        (lambda: RigPump(curve=((0.0, math.inf), (10.0, 0.0))), "pump.curve"),
        (lambda: RigPump(curve=((0.0, 900.0), (1e9, 0.0))), "pump.curve"),
        (lambda: RigHose(inner_mm=0.0), "hose.inner_mm"),
        (lambda: RigHose(end_mm=300.0, crest_mm=200.0), "hose.crest_mm"),
        (lambda: Plumbing(TANK, RigPump(), RigHose(length_mm=200.0)), "hose.length_mm"),
        (
            lambda: Plumbing(TANK, RigPump(), RigHose(end_mm=-300.0, length_mm=600.0)),
            "hose.length_mm",
        ),
        (lambda: Line(plumbing(TANK, RigPump(), RigHose()), 4000.0), "tank_ml"),
    ],
)
def test_impossible_lines_are_refused(make, key: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(Impossible) as refusal:
        make()
    assert refusal.value.key == key


@pytest.mark.parametrize(
    ("rated_mv", "least_mm"), [(3700.0, "543.3"), (4200.0, "700.0"), (6000.0, "1428.6")]
)
def test_pump_too_weak_for_its_head_says_what_it_must_lift(rated_mv: float, least_mm: str) -> None:
    """700 mm from a full tank, with a full cell's 4.2 V: head follows the square of the voltage."""
    hose = RigHose(end_mm=900.0, length_mm=1000.0)
    weak = RigPump(head_mm=float(least_mm) - 1.0, rated_mv=rated_mv)
    says = rf"pump\.head_mm is {weak.head_mm}: allowed is above {least_mm} mm .* lift 700 mm"
    with pytest.raises(Impossible, match=says):
        Plumbing(TANK, weak, hose)
    line = Plumbing(TANK, replace(weak, head_mm=float(least_mm) + 1.0), hose)
    assert line.solved_ml_s(200.0, 4200.0 / rated_mv) > 0.0


def test_a_hose_is_as_long_as_its_way_up_and_down() -> None:
    """From the intake, 10 mm above the floor, over the brim at 200 mm, down to 50 mm."""
    assert Plumbing(TANK, RigPump(), RigHose(end_mm=50.0, length_mm=340.0)).hose_ml > 0.0
    with pytest.raises(Impossible, match=r"is 339\.0: .* 340 to 50000 mm \(190 mm up .* 150"):
        Plumbing(TANK, RigPump(), RigHose(end_mm=50.0, length_mm=339.0))
    through_the_wall = RigHose(end_mm=-20.0, crest_mm=5.0, length_mm=25.0)
    assert Plumbing(TANK, RigPump(), through_the_wall).hose_ml > 0.0


def test_shapes_are_values() -> None:
    """Equal parts share one solved line."""
    assert plumbing(box(100.0, 150.0, 200.0), RigPump(), RigHose()) is plumbing(
        TANK, RigPump(), RigHose()
    )
    assert isinstance(TANK, RigTank)


def test_the_line_is_solved_up_to_its_full_battery() -> None:
    line = plumbing(TANK, RigPump(), RigHose(), 10.0, 8400.0)
    speed = 7400.0 / RigPump.rated_mv
    solved = line.solved_ml_s(TANK.height_mm(1500.0), speed)
    assert line.flow_ml_s(1500.0, 7400.0) == pytest.approx(solved, rel=0.01)
