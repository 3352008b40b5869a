"""The cell against published points, by hand, and in the order that cold and load impose."""

import math

import pytest

from wakewell.rig.battery import FULL_MV, OPEN_MV, Battery, Cell, open_mv
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
    battery = Battery(Cell(capacity_mah=2000.0, fades_pct_month=0.0))
    for _ in range(300):
        assert battery.use(100.0, 60.0, 25.0) == 0.0
    assert battery.charge_mah == pytest.approx(1500.0)
    battery.use(-250.0, 3600.0, 25.0)
    assert battery.charge_mah == pytest.approx(1750.0)
    battery.use(1e6, 3600.0, 25.0)
    assert battery.charge_mah == 0.0


def test_self_discharge_by_hand() -> None:
    """2 % a month of what is there: after 12 months exp(-0.24) is left, however it is stepped."""
    once, often = Battery(Cell()), Battery(Cell())
    year = 360 * 86_400.0
    faded = once.use(0.0, year, 25.0)
    for _ in range(360):
        often.use(0.0, 86_400.0, 25.0)
    assert once.charge_mah == pytest.approx(2500.0 * math.exp(-0.24))
    assert faded == pytest.approx(2500.0 - once.charge_mah)
    assert often.charge_mah == pytest.approx(once.charge_mah)


def test_sag_by_hand() -> None:
    """Ohm's law: 600 mA through 120 mOhm are 72 mV, at 25 °C and half charge."""
    battery = Battery(Cell(resistance_mohm=120.0), 0.5)
    assert battery.loaded_mv(600.0, 25.0) == pytest.approx(open_mv(0.5) - 72.0)


def test_sag_grows_with_cold_age_and_emptiness() -> None:
    def sag(charge: float, celsius: float, lost: float = 0.0) -> float:
        battery = Battery(Cell(), charge)
        battery.age(lost)
        return battery.rest_mv(celsius) - battery.loaded_mv(600.0, celsius)

    assert sag(0.5, 25.0) < sag(0.5, 0.0) < sag(0.5, -15.0)
    assert sag(0.5, 25.0) < sag(0.1, 25.0)
    assert sag(0.5, 25.0) < sag(0.5, 25.0, lost=0.6)


def test_rest_voltage_settles_after_a_load() -> None:
    battery = Battery(Cell(), 0.8)
    battery.use(600.0, 30.0, 25.0)
    at_once = battery.rest_mv(25.0)
    battery.use(0.0, 600.0, 25.0)
    assert at_once + 5.0 < battery.rest_mv(25.0)
    assert battery.rest_mv(25.0) == pytest.approx(open_mv(battery.charge_mah / 2500.0), abs=0.1)


def test_cold_locks_charge_away_and_gives_it_back() -> None:
    battery = Battery(Cell(), 0.3)
    assert battery.rest_mv(-15.0) < battery.rest_mv(10.0) < battery.rest_mv(25.0)
    assert battery.charge_mah == 750.0


def test_charger_fills_up_and_rests_below_freezing() -> None:
    """No charging below 0 °C: the maker's sheet first; IEC 62133-2 from memory, unconfirmed."""
    battery = Battery(Cell(fades_pct_month=0.0), 0.2)
    assert battery.taking_ma(500.0, -0.1) == 0.0
    assert battery.taking_ma(500.0, 20.0) == 500.0
    for _ in range(24 * 6):
        battery.use(-battery.taking_ma(500.0, 20.0), 600.0, 20.0)
    assert 0.9 < battery.charge_mah / 2500.0 <= 1.0


@pytest.mark.parametrize(
    ("make", "key"),
    [
        (lambda: Cell(capacity_mah=0.0), "cell.capacity_mah"),
        (lambda: Cell(resistance_mohm=math.nan), "cell.resistance_mohm"),
        (lambda: Battery(Cell(), 1.1), "charge"),
        (lambda: Battery(Cell()).age(1.0), "lost"),
    ],
)
def test_impossible_cells_are_refused(make, key: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(Impossible) as refusal:
        make()
    assert refusal.value.key == key
