"""The cell against published points, by hand, and in the order that cold and load impose."""

import math

import pytest

from wakewell.rig.battery import (
    CHEMISTRIES,
    FULL_MV,
    IRON_MV,
    NICKEL_MV,
    OPEN_MV,
    Cell,
    RigBattery,
    open_mv,
    usual,
)
from wakewell.rig.errors import Impossible


@pytest.mark.parametrize(
    ("charge", "volts"),
    [(0.1, 3.296), (0.25, 3.529), (0.5, 3.751), (0.75, 3.994), (0.9, 4.097), (0, 2.5), (1, 4.2)],
)
def test_open_circuit_voltage_of_a_published_cell(charge: float, volts: float) -> None:
    """Source: parameter set Chen 2020 as the library pybamm evaluates it (2.5 to 4.2 V)."""
    assert open_mv(charge) == pytest.approx(1000.0 * volts, abs=2.0)


def test_open_circuit_voltage_rises_with_charge() -> None:
    assert list(OPEN_MV) == sorted(OPEN_MV)
    assert open_mv(-1.0) == 2500.0
    assert open_mv(2.0) == FULL_MV


def test_charge_is_counted() -> None:
    """By hand: 100 mA for 5 h is 500 mAh; without self-discharge nothing else is lost."""
    battery = RigBattery(Cell(capacity_mah=2000.0, fades_pct_month=0.0))
    for _ in range(300):
        assert battery.use(100.0, 60.0, 25.0) == 0.0
    assert battery.charge_mah == pytest.approx(1500.0)
    battery.use(-250.0, 3600.0, 25.0)
    assert battery.charge_mah == pytest.approx(1750.0)
    battery.use(1e6, 3600.0, 25.0)
    assert battery.charge_mah == 0.0


def test_self_discharge_by_hand() -> None:
    """2 % a month of what is there: after 12 months exp(-0.24) is left, however it is stepped."""
    once, often = RigBattery(Cell()), RigBattery(Cell())
    year = 360 * 86_400.0
    faded = once.use(0.0, year, 25.0)
    for _ in range(360):
        often.use(0.0, 86_400.0, 25.0)
    assert once.charge_mah == pytest.approx(2500.0 * math.exp(-0.24))
    assert faded == pytest.approx(2500.0 - once.charge_mah)
    assert often.charge_mah == pytest.approx(once.charge_mah)


def test_sag_by_hand() -> None:
    """Ohm's law: 600 mA through 120 mOhm are 72 mV, at 25 °C and half charge."""
    battery = RigBattery(Cell(resistance_mohm=120.0), 0.5)
    assert battery.loaded_mv(600.0, 25.0) == pytest.approx(open_mv(0.5) - 72.0)


def test_sag_grows_with_cold_age_and_emptiness() -> None:
    def sag(charge: float, celsius: float, lost: float = 0.0) -> float:
        battery = RigBattery(Cell(), charge)
        battery.age(lost)
        return battery.rest_mv(celsius) - battery.loaded_mv(600.0, celsius)

    assert sag(0.5, 25.0) < sag(0.5, 0.0) < sag(0.5, -15.0)
    assert sag(0.5, 25.0) < sag(0.1, 25.0)
    assert sag(0.5, 25.0) < sag(0.5, 25.0, lost=0.6)


def test_rest_voltage_settles_after_a_load() -> None:
    battery = RigBattery(Cell(), 0.8)
    battery.use(600.0, 30.0, 25.0)
    at_once = battery.rest_mv(25.0)
    battery.use(0.0, 600.0, 25.0)
    assert at_once + 5.0 < battery.rest_mv(25.0)
    assert battery.rest_mv(25.0) == pytest.approx(open_mv(battery.charge_mah / 2500.0), abs=0.1)


def test_cold_locks_charge_away_and_gives_it_back() -> None:
    battery = RigBattery(Cell(), 0.3)
    assert battery.rest_mv(-15.0) < battery.rest_mv(10.0) < battery.rest_mv(25.0)
    assert battery.charge_mah == 750.0


def test_charger_fills_up_and_rests_below_freezing() -> None:
    """No charging below 0 °C: the maker's sheet first; IEC 62133-2 from memory, unconfirmed."""
    battery = RigBattery(Cell(fades_pct_month=0.0), 0.2)
    assert battery.taking_ma(500.0, -0.1) == 0.0
    assert battery.taking_ma(500.0, 20.0) == 500.0
    for _ in range(24 * 6):
        battery.use(-battery.taking_ma(500.0, 20.0), 600.0, 20.0)
    assert 0.9 < battery.charge_mah / 2500.0 <= 1.0


IRON_AH = 2.303  # of the electrodes, from 3.6 V to where 2.0 V is met


def iron_v(charge: float) -> float:
    """Open-circuit voltage of the parameter set Prada2013 of the library pybamm, and what a cell of
    its electrodes, 0.18 m2 of them, holds."""
    per_m2 = 0.374 * 8e-5 * 22_806, 0.58 * 3.4e-5 * 30_555  # mol, of either electrode
    spent = (1.0 - charge) * IRON_AH * 3600.0 / 0.18 / 96_485.0
    y, x = 0.0038 + spent / per_m2[0], 0.81 - spent / per_m2[1]
    positive = 3.4077 - 0.020269 * y + 0.5 * math.exp(-150 * y) - 0.9 * math.exp(30 * (y - 1.0))
    negative = 1.9793 * math.exp(-39.3631 * x) + 0.2482 - 0.0909 * math.tanh(29.8538 * (x - 0.1234))
    negative -= 0.04478 * math.tanh(14.9159 * (x - 0.2769))
    return positive - negative + 0.0205 * math.tanh(30.4444 * (x - 0.6103))


def test_a_phosphate_cell_has_its_published_curve_and_capacity() -> None:
    """Source: pybamm's parameter set Prada2013; its cell holds 2.3 Ah between 3.6 and 2.0 V."""
    for step, mv in enumerate(IRON_MV):
        assert 1000.0 * iron_v(step / 20.0) == pytest.approx(mv, abs=8.0)
    assert list(IRON_MV) == sorted(IRON_MV)


def test_a_phosphate_cell_lies_above_its_sheets_discharge() -> None:
    """Source: discharge of Drypower's IFR18650 E1600 by its data sheet, as Zephyr's
    dt-bindings/battery/battery.h has it: under load, so below the open-circuit voltage."""
    sheet = (3068, 3159, 3194, 3210, 3221, 3229, 3246, 3256, 3262)
    for tenth, mv in enumerate(sheet[1:], start=2):
        assert 0.0 < open_mv(tenth / 10.0, IRON_MV) - mv < 100.0


def test_a_nickel_cell_rests_where_its_maker_says() -> None:
    """Source: Varta's data sheet of the V250H: at equilibrium 1.25 to 1.4 V, discharged at 0.9 to
    1.2 V. The table is a discharge curve, so a little lower."""
    assert list(NICKEL_MV) == sorted(NICKEL_MV)
    assert 900.0 <= open_mv(0.0, NICKEL_MV) <= 1200.0
    assert all(1230.0 <= open_mv(tenth / 10.0, NICKEL_MV) <= 1400.0 for tenth in range(2, 10))


def test_a_pack_is_its_cells_in_a_row() -> None:
    pack = RigBattery(usual(2000.0, "nickel-metal-hydride", 3), 0.5)
    assert pack.rest_mv(25.0) == pytest.approx(3 * 1257.0)
    assert pack.loaded_mv(500.0, 25.0) == pytest.approx(3 * 1257.0 - 90.0)


def test_a_nickel_cell_wants_a_charge_of_sixteen_tenths() -> None:
    """Source: Panasonic's data sheets of HHR70AAAJ and HHR450A: 16 h at a tenth of the capacity."""
    pack = RigBattery(Cell(2000.0, 180.0, 0.0, "nickel-metal-hydride", 3), 0.0)
    for _ in range(15):
        pack.use(-pack.taking_ma(200.0, 20.0), 3600.0, 20.0)
    assert pack.charge_mah == pytest.approx(2000.0 * 15 / 16)


@pytest.mark.parametrize("kind", CHEMISTRIES)
def test_no_kind_is_charged_below_freezing(kind: str) -> None:
    """Sources: data sheets of one cell of each kind, beside the table."""
    battery = RigBattery(usual(2000.0, kind, 1), 0.2)
    assert battery.taking_ma(200.0, -0.1) == 0.0 < battery.taking_ma(200.0, 0.1)


@pytest.mark.parametrize(
    ("make", "key"),
    [
        (lambda: Cell(capacity_mah=0.0), "cell.capacity_mah"),
        (lambda: Cell(resistance_mohm=math.nan), "cell.resistance_mohm"),
        (lambda: Cell(chemistry="lipo"), "cell.chemistry"),
        (lambda: Cell(cells=0), "cell.cells"),
        (lambda: RigBattery(Cell(), 1.1), "charge"),
        (lambda: RigBattery(Cell()).age(1.0), "lost"),
    ],
)
def test_impossible_cells_are_refused(make, key: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(Impossible) as refusal:
        make()
    assert refusal.value.key == key
