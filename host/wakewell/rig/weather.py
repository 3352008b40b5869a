"""An hour-by-hour year for a pot's place: air, pot temperature, reference ET and rain.

What belongs here: reading the measured typical year, turning it into the climate of a place, and
looking things up in it cheaply. Heavy libraries are used while a climate is made and never after.
What does not: plants and soil (soil.py).

The typical year is the TMY3 file 723170TYA.CSV (Greensboro, North Carolina; 36.1 N, 80.0 W) that
the library pvlib ships. Its hours are the hour before the label, local standard time, and come
from different years, month by month. Its rain column is headed mm, but holds the steps of a
0.01-inch gauge in tenths of a millimetre (3, 5, 8, 10, 13 ...; 8,345 "mm" a year): it is read as
tenths, 834 mm a year.
"""

import csv
import importlib.util
from bisect import bisect_left
from collections.abc import Iterable, Sequence
from copy import copy
from dataclasses import dataclass, replace
from datetime import timedelta, timezone
from functools import lru_cache
from importlib import import_module
from itertools import accumulate
from pathlib import Path
from typing import Any

from .errors import Impossible, need

HOURS = 8760
STATION_DEG = 36.1  # latitude, north, that the typical year is from
NEAR_DEG = 0.5  # as near, its own light is taken
SOUTH_H = 24 * 182  # from a season of the north to the same one of the south
HIGH_DEG = 80.0  # from overhead; with the sun farther down, an hour's clearness says little


@dataclass(frozen=True)
class Place:
    """What a place lets through of the weather outside.

    light, sky: share of the sun's light, and of the open sky's cold, at the plant, 0 to 1.
    wind: share of the wind at 2 m; never less than 0.5 m/s counts (FAO-56, page 63).
    rain: share of the rain that falls into the pot's mouth, 0 to 1.
    indoors: the air is a heated room's.
    south: of the equator; the typical year is then half a year later in the calendar.

    All of it is our own assumption about such places, not measurement.
    """

    light: float = 1.0
    sky: float = 1.0
    wind: float = 1.0
    rain: float = 1.0
    indoors: bool = False
    south: bool = False

    def __post_init__(self) -> None:
        for key in ("light", "sky", "wind", "rain"):
            need(key, getattr(self, key), 0.0, 1.0)


PLACES = {
    # As measured.
    "open": Place(),
    # House wall behind, balcony above: half the sky and half the wind, no rain.
    "balcony": Place(light=0.5, sky=0.5, wind=0.5, rain=0.0),
    # Behind glass, which passes light and holds back the long waves; still air.
    "window sill": Place(light=0.3, sky=0.0, wind=0.0, rain=0.0, indoors=True),
}


def placed(word: str, latitude_deg: float | None) -> Place:
    """One of `PLACES` at that latitude, degrees north; None: not told, the typical year's own."""
    return replace(PLACES[word], south=latitude_deg is not None and latitude_deg < 0.0)


ROOM_C = 20.0  # a heated room; on hot days it follows the air outside by ROOM_FOLLOWS
ROOM_FOLLOWS = 0.7
ROOM_MOISTURE_KPA = 0.3  # what people, cooking and plants add to the outside air's vapour
ROOM_HUMIDEST = 0.7  # above this share of saturation somebody opens a window
LEAST_WIND_MS = 0.5
POT_LAG_H = 6.0  # time constant of a pot's temperature behind the air's; own assumption


class Climate:
    """A year of hours, repeated for ever: lists for reading, and sums for jumping over hours.

    air_c, pot_c: temperature of the air and of the potted soil, °C; et0_mm: reference ET, mm/h;
    rain_mm: rain into the pot's mouth, mm/h. south: of the equator, so that July is its winter.
    """

    def __init__(
        self,
        air_c: Sequence[float],
        et0_mm: Sequence[float],
        rain_mm: Sequence[float],
        south: bool = False,
    ) -> None:
        self.south = south
        self.hours = len(air_c)
        if not self.hours or len(et0_mm) != self.hours or len(rain_mm) != self.hours:
            raise Impossible(
                "hours", f"{len(air_c)}, {len(et0_mm)}, {len(rain_mm)}", "three lists of one length"
            )
        for key, values, low, high in (
            ("air_c", air_c, -60.0, 60.0),
            ("et0_mm", et0_mm, 0.0, 3.0),
            ("rain_mm", rain_mm, 0.0, 300.0),
        ):
            for value in values:
                need(key, value, low, high)
        self.air_c = [float(v) for v in air_c]
        self.et0_mm = [float(v) for v in et0_mm]
        self.rain_mm = [float(v) for v in rain_mm]
        self.pot_c = _lagged(self.air_c)
        self._sum = list(accumulate(self.et0_mm, initial=0.0))
        self._rainy = [hour for hour, mm in enumerate(self.rain_mm) if mm > 0.0]

    def drawn_out(self, factor: Iterable[float], rain: bool = True) -> "Climate":
        """The same year with each hour's reference ET taken times a factor, 0 or above.

        Without the checks of a new one, since a fit asks for hundreds. rain: does it rain in it?
        """
        np = import_module("numpy")
        other = copy(self)
        drawn = np.multiply(self.et0_mm, factor)
        # Lists again: one number of a list is had sooner than one of an array
        other.et0_mm = drawn.tolist()
        other._sum = [0.0, *drawn.cumsum().tolist()]
        if not rain:
            other.rain_mm, other._rainy = [0.0] * self.hours, []
        return other

    def hour(self, time_s: float) -> int:
        """Index of the hour at a time, s since the year began; the year repeats."""
        return int(time_s // 3600.0) % self.hours

    def et0_until(self, time_s: float) -> float:
        """Reference ET since time 0, mm; straight within an hour."""
        years, hours = divmod(time_s / 3600.0, self.hours)
        whole = int(hours)
        if whole >= self.hours:  # rounding at the very end of a year
            years, whole, hours = years + 1.0, 0, 0.0
        return years * self._sum[-1] + self._sum[whole] + self.et0_mm[whole] * (hours - whole)

    def time_of(self, et0_mm: float) -> float:
        """First time (s) at which `et0_until` reaches a sum above zero; its inverse."""
        years, rest = divmod(et0_mm, self._sum[-1])
        index = max(0, bisect_left(self._sum, rest) - 1)
        part = (rest - self._sum[index]) / self.et0_mm[index] if self.et0_mm[index] else 0.0
        return 3600.0 * (years * self.hours + index + part)

    def next_rain(self, time_s: float) -> float:
        """Start (s) of the hour with rain that is running or comes next; infinite if none does."""
        if not self._rainy:
            return float("inf")
        years, hour = divmod(int(time_s // 3600.0), self.hours)
        index = bisect_left(self._rainy, hour)
        if index == len(self._rainy):
            years, index = years + 1, 0
        return 3600.0 * (years * self.hours + self._rainy[index])


def _lagged(air_c: list[float]) -> list[float]:
    """Air temperature behind a first-order lag, begun from the year's end so that it closes."""
    level = air_c[-1]
    result: list[float] = []
    for _ in range(2):
        result.clear()
        for value in air_c:
            level += (value - level) / POT_LAG_H
            result.append(level)
    return result


def _typical_year() -> tuple[dict[str, float], dict[str, list[float]]]:
    """The TMY3 file: station data and the columns used, as it writes them.

    Read with `csv` and not with pvlib's own reader, whose import takes longer than a simulated
    year; a test holds the two together.
    """
    spec = importlib.util.find_spec("pvlib")
    if spec is None or spec.origin is None:
        raise ModuleNotFoundError("No module named 'pvlib'", name="pvlib")
    with (Path(spec.origin).parent / "data" / "723170TYA.CSV").open(newline="") as file:
        head = next(csv.reader([file.readline()]))
        station = dict(zip(("tz", "lat", "lon", "elev"), map(float, head[3:7]), strict=True))
        rows = list(csv.DictReader(file))
    columns = {
        name: [float(row[heading]) for row in rows]
        for name, heading in (
            ("light_w", "GHI (W/m^2)"),
            ("direct_w", "DNI (W/m^2)"),
            ("sky_w", "DHI (W/m^2)"),
            ("air_c", "Dry-bulb (C)"),
            ("dew_c", "Dew-point (C)"),
            ("wind_ms", "Wspd (m/s)"),
            ("rain_tenths", "Lprecip depth (mm)"),
        )
    }
    return station, columns


def penman_monteith(
    net_mj: Any,
    air_c: Any,
    vapour_kpa: Any,
    wind_2m_ms: Any,
    elevation_m: float,
    cd: Any,
    soil: Any,
) -> Any:
    """Hourly reference ET of short grass, mm/h, through the library `refet`.

    FAO-56 equation 53 with `cd` 0.34 throughout, or the standardised form of ASCE-EWRI (2005) with
    0.24 by day and 0.96 by night. `net_mj` is net radiation (MJ/m2/h), `soil` the share of it that
    warms the soil (equations 45 and 46). Numbers or numpy arrays.
    """
    calcs = import_module("refet.calcs")
    pressure = calcs.air_pressure(elevation_m)
    return calcs.etsz(
        rn=net_mj,
        g=net_mj * soil,
        tmean=air_c,
        u2=wind_2m_ms,
        vpd=calcs.sat_vapor_pressure(air_c) - vapour_kpa,
        es_slope=calcs.es_slope(air_c),
        psy=0.000665 * pressure,
        cn=37.0,
        cd=cd,
    )


@lru_cache(maxsize=16)
def climate(place: Place) -> Climate:
    """The typical year at a place; made once and kept. Takes about a quarter of a second.

    Light and sky shares scale the two halves of net radiation: 0.77 of the light reaching the plant
    stays, and of the long-wave loss that refet finds for the cloud of the hour only the sky's share
    is lost. For the open place this is refet's own hourly reference ET. Less than none (dew) counts
    as none. A room is at 20 °C, follows the air outside by seven tenths above that, and its air
    holds a little more vapour than the air outside, up to 70 %.
    """
    # The rarer library first: where it is missing, the one install that brings it has the rest too
    refet, calcs, np = import_module("refet"), import_module("refet.calcs"), import_module("numpy")
    station, year = _typical_year()
    light = 0.0036 * np.array(year["light_w"])
    outside = np.array(year["air_c"])
    vapour = calcs.sat_vapor_pressure(np.array(year["dew_c"]))
    hour = np.arange(HOURS) % 24
    sky = refet.Hourly(
        tmean=outside,
        rs=light,
        ea=vapour,
        uz=np.array(year["wind_ms"]),
        zw=10.0,
        elev=station["elev"],
        lat=station["lat"],
        lon=station["lon"],
        doy=np.arange(HOURS) // 24 + 1,
        time=(hour - station["tz"]) % 24,
    )
    net = place.light * 0.77 * light - place.sky * sky.rnl
    air = outside
    if place.indoors:
        air = ROOM_C + ROOM_FOLLOWS * np.clip(outside - ROOM_C, 0.0, None)
        vapour = np.minimum(
            vapour + ROOM_MOISTURE_KPA, ROOM_HUMIDEST * calcs.sat_vapor_pressure(air)
        )
    night = net <= 0.0 if place.indoors else net < 0.0  # a dark room is night though it loses none
    et0 = penman_monteith(
        net,
        air,
        vapour,
        np.maximum(LEAST_WIND_MS, place.wind * sky.u2),
        station["elev"],
        np.where(night, 0.96, 0.24),
        np.where(night, 0.5, 0.1),
    )
    rain = 0.1 * place.rain * np.array(year["rain_tenths"])
    rows = air, np.clip(et0, 0.0, None), rain
    turned = [np.roll(row, SOUTH_H if place.south else 0).tolist() for row in rows]
    return Climate(turned[0], turned[1], turned[2], place.south)


@lru_cache(maxsize=4)
def sunlight(latitude_deg: float = STATION_DEG) -> tuple[Any, Any, Any, Any, Any]:
    """Of each hour of the typical year: the sun's zenith angle and azimuth in its middle, degrees,
    and its light straight on, on the flat, and the sky's alone on the flat, W/m2.

    At another latitude: the same clouds under the sun of there, that is the same part of the light
    above the air (clearness), split into sun and sky by Erbs et al. (1982) as pvlib has it. South
    of the equator (negative) the clouds come half a year later, with their season.
    """
    station, year = _typical_year()
    np, pandas = import_module("numpy"), import_module("pandas")
    middles = pandas.date_range("2001-01-01 00:30", periods=HOURS, freq="h")
    times = middles.tz_localize(timezone(timedelta(hours=station["tz"])))
    position = import_module("pvlib.solarposition").get_solarposition

    def seen(latitude: float) -> tuple[Any, Any]:
        sun = position(times, latitude, station["lon"], station["elev"])
        return sun["apparent_zenith"].to_numpy(), sun["azimuth"].to_numpy()

    light = (np.array(year[name]) for name in ("direct_w", "light_w", "sky_w"))
    direct, flat, sky = light
    zenith, azimuth = seen(station["lat"])
    if abs(latitude_deg - station["lat"]) < NEAR_DEG:
        return zenith, azimuth, direct, flat, sky
    irradiance = import_module("pvlib.irradiance")
    above = irradiance.get_extra_radiation(times).to_numpy()
    most = above * np.clip(np.cos(np.radians(zenith)), 0.0, None)
    day = np.repeat(flat.reshape(-1, 24).sum(1) / most.reshape(-1, 24).sum(1), 24)
    clear = np.where(zenith < HIGH_DEG, flat / np.maximum(most, 1.0), day)
    if latitude_deg < 0.0:
        clear = np.roll(clear, SOUTH_H)
    zenith, azimuth = seen(latitude_deg)
    flat = np.clip(clear, 0.0, 1.0) * above * np.clip(np.cos(np.radians(zenith)), 0.0, None)
    split = irradiance.erbs(flat, zenith, times)
    return zenith, azimuth, np.array(split["dni"]), flat, np.array(split["dhi"])
