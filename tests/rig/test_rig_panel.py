"""The panel against worked examples of others, and what glass, shade and cold take from it."""

import math
from importlib import import_module
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from lacking import NO_LIBRARY

pytest.importorskip("pvlib", reason=NO_LIBRARY)

import numpy as np
import pandas

from wakewell.rig.battery import Cell
from wakewell.rig.errors import Impossible
from wakewell.rig.panel import (
    GROUND,
    LOSSES,
    PER_K,
    Panel,
    charging_ma,
    let_in,
    month_wh,
    on_slope,
    powers_mw,
)
from wakewell.rig.pot import PotSpec, RigPot
from wakewell.rig.weather import PLACES, climate

AIR_C = tuple(climate(PLACES["open"]).air_c)


def test_light_on_a_slope_of_a_handbooks_example() -> None:
    """Source: Duffie and Beckman, Solar Engineering of Thermal Processes, example 2.15.1 (from
    memory): 9 to 10 a.m. on 20 February at 40 N, on 60 degrees to the south, 1.04 MJ/m2 on flat,
    0.822 of it from the sky: 0.37 straight, 0.62 from the sky, 0.16 from a ground that gives back
    0.6."""
    latitude, declination, hour = (math.radians(x) for x in (40.0, -11.6, -37.5))
    high = math.sin(latitude) * math.sin(declination)
    high += math.cos(latitude) * math.cos(declination) * math.cos(hour)
    zenith = math.acos(high)
    east = math.sin(declination) - math.sin(math.pi / 2 - zenith) * math.sin(latitude)
    azimuth = math.degrees(math.acos(east / (math.sin(zenith) * math.cos(latitude))))
    panel = Panel(1000.0, tilt_deg=60.0)
    parts = on_slope(
        panel, np.array([math.degrees(zenith)]), np.array([azimuth]),
        np.array([(1.04 - 0.822) / high]), np.array([1.04]), np.array([0.822]),
    )  # fmt: skip
    assert parts["poa_direct"][0] == pytest.approx(0.37, abs=0.01)
    assert parts["poa_sky_diffuse"][0] == pytest.approx(0.62, abs=0.01)
    assert parts["poa_ground_diffuse"][0] * 0.6 / GROUND == pytest.approx(0.16, abs=0.01)


@pytest.mark.parametrize(
    ("slant", "share"), [(0.0, 1.0), (22.5, 0.99926198), (45.0, 0.98797788), (67.5, 0.8893998)]
)
def test_glass_takes_what_pvlibs_own_figures_say(slant: float, share: float) -> None:
    """Source: the figures of pvlib's `iam.physical` in its published tests; a panel on the flat."""
    found = let_in(
        Panel(1000.0, tilt_deg=0.0), *(np.array([x]) for x in (slant, 180.0, 800.0, 0.0, 0.0))
    )
    assert found[0] == pytest.approx(800.0 * math.cos(math.radians(slant)) * share, rel=1e-6)


def test_light_of_the_sky_goes_through_glass_as_in_pvlibs_example() -> None:
    """Source: the worked example in pvlib's page of `iam.marion_diffuse`, a slope of 20 degrees."""
    sun = (np.array([x]) for x in (95.0, 180.0, 0.0, 0.0, 100.0))
    found = let_in(Panel(1000.0, tilt_deg=20.0), *sun)
    seen = 0.5 * (1.0 + math.cos(math.radians(20.0)))
    assert found[0] == pytest.approx(100.0 * seen * 0.9539178294437575, rel=1e-6)


def test_a_year_on_the_slope_of_the_latitude() -> None:
    """Source: NREL's flat-plate solar resource of North Carolina at the slope of the latitude: 4.37
    to 5.15 kWh/m2 a day over the state (studylib.net/doc/7329575). The typical year is of there."""
    from wakewell.rig.weather import sunlight

    parts = on_slope(Panel(1000.0, tilt_deg=36.0), *sunlight())
    day_kwh = float(np.nan_to_num(parts["poa_global"]).sum()) / 365_000.0
    assert 4.37 <= day_kwh <= 5.15


def test_power_is_pvwatts() -> None:
    """By the library's `pvsystem.pvwatts_dc`, over the whole year."""
    from wakewell.rig.panel import WARMER_K
    from wakewell.rig.weather import sunlight

    panel = Panel(2000.0, charger=1.0)
    light = let_in(panel, *sunlight())
    warm = np.array(AIR_C) + WARMER_K * light / 1000.0
    expected = (1.0 - LOSSES) * import_module("pvlib.pvsystem").pvwatts_dc(
        light, warm, 2000.0, PER_K
    )
    assert np.allclose(powers_mw(panel, AIR_C), np.clip(expected, 0.0, None))


def test_winter_wants_a_steep_panel_and_morning_shade_costs() -> None:
    flat, steep = (month_wh(Panel(1000.0, tilt_deg=t), AIR_C) for t in (0.0, 60.0))
    assert steep[11] > flat[11]
    assert steep[6] < flat[6]
    shaded = Panel(1000.0, tilt_deg=60.0, shade=(1.0,) * 12 + (0.0,) * 12)
    behind = Panel(1000.0, tilt_deg=60.0, panes=2)
    for less in (shaded, behind):
        assert all(a < b for a, b in zip(month_wh(less, AIR_C), steep, strict=True))


def test_the_charger_has_its_own_cold_and_its_own_most() -> None:
    panel = Panel(5000.0, most_ma=300.0, coldest_c=5.0)
    assert charging_ma(panel, 5000.0, 3700.0, 4.9) == 0.0
    assert charging_ma(panel, 5000.0, 3700.0, 5.1) == 300.0
    assert charging_ma(panel, 370.0, 3700.0, 20.0) == pytest.approx(100.0)


def test_a_panel_fills_a_cell_by_day_and_never_in_frost() -> None:
    spec = PotSpec(panel=Panel(1000.0), cell=Cell(), charge=0.5, place=PLACES["open"])
    pot, by_sun = RigPot(spec), 0
    for _ in range(24 * 14):
        pot.advance(3600.0)
        assert pot.sun_ma == 0.0 or pot.air_c >= 0.0
        by_sun += pot.sun_ma > 0.0
    assert 40 < by_sun < 150
    assert pot.battery.charge_mah > 0.55 * 2500.0


@pytest.mark.parametrize(
    ("key", "given"), [("tilt_deg", 91.0), ("panes", 5), ("shade", (0.5,) * 23), ("charger", 0.0)]
)
def test_impossible_panels_are_refused(key: str, given: object) -> None:
    with pytest.raises(Impossible) as refusal:
        Panel(**{key: given})  # type: ignore[arg-type]
    assert refusal.value.key == f"panel.{key}"


# Light on the flat in London (51.5 north), kWh/m2 on a day of each month: means of 22 years by
# NASA's Surface meteorology and Solar Energy, as the Solar Electricity Handbook (Boxwell 2011,
# appendix B) has them; from memory
LONDON = (0.75, 1.37, 2.31, 3.57, 4.59, 4.86, 4.82, 4.20, 2.81, 1.69, 0.92, 0.60)
# The same in Sydney (33.9 south), by the Bureau of Meteorology's station there; from memory
SYDNEY = (6.5, 5.6, 4.8, 3.8, 2.9, 2.4, 2.7, 3.6, 4.75, 5.6, 6.2, 6.6)
FIRST_DAYS = (0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334, 365)


def by_month(hours: Any) -> list[float]:
    """The mean of each day's sum, thousandths."""
    days = hours.reshape(-1, 24).sum(1) / 1000.0
    return [float(days[a:b].mean()) for a, b in pairwise(FIRST_DAYS)]


@pytest.mark.parametrize(("latitude_deg", "handbook"), [(51.5, LONDON), (-33.9, SYDNEY)])
def test_the_same_clouds_under_another_sun_are_inside_the_budgets_doubt(
    latitude_deg: float, handbook: tuple[float, ...]
) -> None:
    from wakewell.budget.doubt import COVER
    from wakewell.budget.sun import SUN, SUN_DEG
    from wakewell.rig.weather import STATION_DEG, sunlight

    doubt = SUN + SUN_DEG * abs(abs(latitude_deg) - STATION_DEG)
    flat, sky = (by_month(sunlight(latitude_deg)[part]) for part in (3, 4))
    for found, told in zip(flat, handbook, strict=True):
        assert abs(math.log(found / told)) < COVER * doubt
    # The sky's part of the light is the larger one in winter
    winter, summer = (5, 11) if latitude_deg < 0 else (11, 5)
    assert sky[winter] / flat[winter] > sky[summer] / flat[summer]


def test_a_panel_in_the_south_is_one_in_the_north_half_a_year_later() -> None:
    """But for the sun, which is 3 % nearer in January than in July."""
    air_c = (20.0,) * 8760
    north = month_wh(Panel(1000.0, tilt_deg=60.0, latitude_deg=35.0), air_c)
    south = month_wh(Panel(1000.0, tilt_deg=60.0, latitude_deg=-35.0, facing_deg=0.0), air_c)
    assert south[6:] + south[:6] == pytest.approx(north, rel=0.12)
    wrong = month_wh(Panel(1000.0, tilt_deg=60.0, latitude_deg=-35.0), air_c)
    assert wrong[5] < 0.5 * south[5], "one that faces south there is in its own shade"


def test_a_place_near_the_stations_own_has_nearly_its_light() -> None:
    from wakewell.rig.weather import STATION_DEG, sunlight

    own, again = by_month(sunlight()[3]), by_month(sunlight(STATION_DEG + 0.6)[3])
    assert again == pytest.approx(own, rel=0.05)


def test_a_months_table_is_that_of_pvlibs_own_chain() -> None:
    """Each month's energy by pvlib's ModelChain, as in its page "Getting started with PV
    modelling", from its own reader of that station's file. It takes no loss at the glass from the
    sky's light, hence a little more."""
    lib = import_module("pvlib")
    place = Path(lib.__file__).parent / "data" / "723170TYA.CSV"
    year, station = lib.iotools.read_tmy3(place, coerce_year=2001, map_variables=True)
    year.index = year.index - pandas.Timedelta(minutes=30)
    slope = lib.pvsystem.Array(
        lib.pvsystem.FixedMount(60.0, 180.0),
        albedo=GROUND,
        module_parameters={"pdc0": 1000.0, "gamma_pdc": PER_K},
    )

    def ross(chain: Any) -> None:
        light = chain.results.effective_irradiance
        warm = lib.temperature.ross(light, chain.results.weather["temp_air"], noct=45.0)
        chain.results.cell_temperature = (warm,)

    chain = lib.modelchain.ModelChain(
        lib.pvsystem.PVSystem([slope], inverter_parameters={"pdc0": 1e9}),
        lib.location.Location(*(station[name] for name in ("latitude", "longitude"))),
        transposition_model="isotropic",
        aoi_model="physical",
        dc_model="pvwatts",
        ac_model="pvwatts",
        spectral_model="no_loss",
        temperature_model=ross,
    )
    chain.run_model(year[["ghi", "dni", "dhi", "temp_air"]])  # its albedo was not measured
    theirs = by_month((1.0 - LOSSES) * np.nan_to_num(chain.results.dc.to_numpy()))
    panel = Panel(1000.0, tilt_deg=60.0, charger=1.0, coldest_c=-40.0)
    ours = month_wh(panel, AIR_C)
    assert ours == pytest.approx(theirs, rel=0.06)
    assert all(one < other for one, other in zip(ours, theirs, strict=True))
