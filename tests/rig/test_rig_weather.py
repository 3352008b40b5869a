"""Reference evapotranspiration against published examples, and the climates made of it."""

import csv
import importlib.util
import math
from pathlib import Path

import cotton_season as published
import pytest

from wakewell.rig.errors import Impossible
from wakewell.rig.weather import PLACES, Climate, Place, climate, penman_monteith

pytest.importorskip("refet", reason="the rig's extra is not installed")
pytest.importorskip("pvlib", reason="the rig's extra is not installed")


def series(value: float, date: str):  # type: ignore[no-untyped-def]
    import pandas as pd

    return pd.Series([value], index=pd.DatetimeIndex([date]))


def test_fao56_example_17_bangkok_in_april() -> None:
    """FAO-56, example 17: 5.72 mm/day with the month's soil heat flux, through pyet."""
    pyet = pytest.importorskip("pyet")
    et0 = pyet.pm_fao56(
        series(30.2, "2021-04-15"),
        wind=2.0,
        n=series(8.5, "2021-04-15"),
        tmax=series(34.8, "2021-04-15"),
        tmin=series(25.6, "2021-04-15"),
        ea=2.85,
        elevation=2.0,
        lat=math.radians(13 + 44 / 60),
        g=0.14 * (30.2 - 29.2),
    )
    assert float(et0.iloc[0]) == pytest.approx(5.72, abs=0.005)


def test_fao56_example_18_uccle_in_july() -> None:
    """FAO-56, example 18: 3.9 mm/day, 3.880 unrounded, by two independent libraries."""
    pyet = pytest.importorskip("pyet")
    import refet

    low, high = 12.3, 21.5
    vapour = [0.6108 * math.exp(17.27 * t / (t + 237.3)) for t in (low, high)]
    ea = 0.5 * (vapour[0] * 0.84 + vapour[1] * 0.63)  # equation 17
    latitude = 50.8
    by_pyet = pyet.pm_fao56(
        series(0.5 * (low + high), "2021-07-06"),
        wind=10 / 3.6 * 4.87 / math.log(67.8 * 10 - 5.42),
        n=series(9.25, "2021-07-06"),
        tmax=series(high, "2021-07-06"),
        tmin=series(low, "2021-07-06"),
        ea=ea,
        elevation=100.0,
        lat=math.radians(latitude),
    )
    day = 187
    declination = 0.409 * math.sin(2 * math.pi * day / 365 - 1.39)  # equation 24
    sunset = math.acos(-math.tan(math.radians(latitude)) * math.tan(declination))
    ra = float(refet.calcs.ra_daily(math.radians(latitude), day)[()])
    light = (0.25 + 0.5 * 9.25 / (24 / math.pi * sunset)) * ra  # equation 35
    by_refet = refet.Daily(
        tmin=low, tmax=high, ea=ea, rs=light, uz=10 / 3.6, zw=10.0, elev=100.0,
        lat=latitude, doy=day, method="asce",
    ).eto()  # fmt: skip
    assert float(by_pyet.iloc[0]) == pytest.approx(3.880, abs=0.005)
    assert float(by_refet[0]) == pytest.approx(3.880, abs=0.005)


@pytest.mark.parametrize(
    ("hour", "air_c", "humidity", "wind_ms", "net_mj", "soil", "expected"),
    [("02-03", 28.0, 0.90, 1.9, -0.100, 0.5, 0.00), ("14-15", 38.0, 0.52, 3.3, 1.749, 0.1, 0.63)],
)
def test_fao56_example_19_ndiaye_by_the_hour(
    hour: str,
    air_c: float,
    humidity: float,
    wind_ms: float,
    net_mj: float,
    soil: float,
    expected: float,
) -> None:
    """FAO-56, example 19 (1 October, 8 m above the sea), with the example's own net radiation.

    The example is printed to 0.01 mm/h. Its resistance is 0.34 by day and night (equation 53).
    """
    vapour = humidity * 0.6108 * math.exp(17.27 * air_c / (air_c + 237.3))
    et0 = penman_monteith(net_mj, air_c, vapour, wind_ms, 8.0, 0.34, soil)
    assert max(0.0, float(et0[0])) == pytest.approx(expected, abs=0.005), hour


@pytest.mark.skipif(not published.FOLDER.is_dir(), reason=published.MISSING)
def test_daily_reference_et_of_the_published_season() -> None:
    """Source: ETref of the 2022 season; vapour pressure from dew point, wind at 3 m."""
    import numpy as np
    import refet

    rows = published.rows(".wth")
    light, high, low, dew, wind, theirs = ([float(r[i]) for r in rows] for i in (1, 2, 3, 5, 8, 10))
    ours = refet.Daily(
        tmin=low,
        tmax=high,
        ea=refet.calcs.sat_vapor_pressure(dew),
        rs=light,
        uz=wind,
        zw=published.WIND_HEIGHT_M,
        elev=361.0,
        lat=33.069,
        doy=np.array([int(r[0][5:]) for r in rows]),
        method="asce",
    ).eto()
    error = math.sqrt(sum((a - b) ** 2 for a, b in zip(ours, theirs, strict=True)) / len(rows))
    assert error <= 0.004


def test_the_typical_year_is_read_as_pvlib_reads_it() -> None:
    """Source: pvlib's own TMY3 reader on the file it ships."""
    from pvlib.iotools import read_tmy3

    spec = importlib.util.find_spec("pvlib")
    assert spec is not None
    assert spec.origin is not None
    frame, _ = read_tmy3(
        Path(spec.origin).parent / "data" / "723170TYA.CSV", coerce_year=1990, map_variables=True
    )
    assert climate(PLACES["open"]).air_c == frame["temp_air"].tolist()
    assert climate(PLACES["open"]).rain_mm == pytest.approx(
        (frame["Lprecip depth (mm)"] / 10).tolist()
    )


def test_rain_column_holds_tenths_of_millimetres() -> None:
    """351 of its 358 depths are a whole number of hundredths of an inch in 0.1 mm."""
    steps = {round(2.54 * n) for n in range(1, 300)}
    depths = [round(10 * mm) for mm in climate(PLACES["open"]).rain_mm if mm > 0]
    assert len(depths) == 358
    assert sum(depth in steps for depth in depths) == 351


def test_open_place_is_the_librarys_own_hourly_reference_et() -> None:
    """Source: refet.Hourly().eto() (ASCE-EWRI 2005), hour by hour, dew counted as none."""
    import numpy as np
    import refet

    spec = importlib.util.find_spec("pvlib")
    assert spec is not None
    assert spec.origin is not None
    with (Path(spec.origin).parent / "data" / "723170TYA.CSV").open() as file:
        file.readline()
        rows = list(csv.DictReader(file))
    hour = np.arange(8760)

    def column(name: str):  # type: ignore[no-untyped-def]
        return np.array([float(row[name]) for row in rows])

    theirs = refet.Hourly(
        tmean=column("Dry-bulb (C)"),
        tdew=column("Dew-point (C)"),
        rs=column("GHI (W/m^2)") * 0.0036,
        uz=column("Wspd (m/s)"),
        zw=10.0,
        elev=273.0,
        lat=36.1,
        lon=-79.95,
        doy=hour // 24 + 1,
        time=(hour % 24 + 5) % 24,
    ).eto()
    still = np.maximum(0.0, theirs)
    windy = column("Wspd (m/s)") > 0.8  # below, our least wind counts instead
    assert np.array(climate(PLACES["open"]).et0_mm)[windy] == pytest.approx(still[windy], abs=1e-9)


def test_places_differ_as_they_should() -> None:
    """Own assumptions, so only their order is held: shade and shelter use less than the open."""
    year = {name: sum(climate(place).et0_mm) for name, place in PLACES.items()}
    print({name: round(mm) for name, mm in year.items()}, "mm of reference ET a year")
    assert year["window sill"] < year["balcony"] < year["open"]
    assert min(climate(PLACES["window sill"]).air_c) == 20.0


def test_made_once() -> None:
    assert climate(Place(light=0.4)) is climate(Place(light=0.4))


HOURS = Climate([10.0, 12.0, 20.0], [0.0, 0.3, 0.1], [0.0, 0.0, 2.0])


def test_sums_by_hand() -> None:
    assert HOURS.et0_until(5400) == pytest.approx(0.15)
    assert HOURS.et0_until(3 * 3600) == pytest.approx(0.4)
    assert HOURS.et0_until(4.5 * 3600 + 30 * 3 * 3600) == pytest.approx(30 * 0.4 + 0.55)
    assert HOURS.time_of(0.15) == pytest.approx(5400)
    assert HOURS.time_of(0.4 + 0.35) == pytest.approx(5.5 * 3600)


def test_rain_is_found_within_and_across_the_year() -> None:
    assert HOURS.next_rain(0.0) == 7200.0
    assert HOURS.next_rain(9000.0) == 7200.0  # running
    assert HOURS.next_rain(10800.0) == 18000.0
    assert Climate([1.0], [0.1], [0.0]).next_rain(5.0) == math.inf


def test_pot_lags_the_air_and_closes_over_the_year() -> None:
    square = Climate([0.0] * 12 + [20.0] * 12, [0.1] * 24, [0.0] * 24)
    assert 0.0 < min(square.pot_c) < 10.0 < max(square.pot_c) < 20.0
    assert square.pot_c.index(max(square.pot_c)) == 23


@pytest.mark.parametrize(
    ("air", "et0", "rain", "key"),
    [
        ([], [], [], "hours"),
        ([1.0], [0.1, 0.2], [0.0], "hours"),
        ([math.nan], [0.1], [0.0], "air_c"),
        ([1.0], [-0.1], [0.0], "et0_mm"),
        ([1.0], [0.1], [math.inf], "rain_mm"),
    ],
)
def test_impossible_years_are_refused(
    air: list[float], et0: list[float], rain: list[float], key: str
) -> None:
    with pytest.raises(Impossible) as refusal:
        Climate(air, et0, rain)
    assert refusal.value.key == key


def test_impossible_place_is_refused() -> None:
    with pytest.raises(Impossible, match=r"light is 1\.2: allowed is 0 to 1"):
        Place(light=1.2)
