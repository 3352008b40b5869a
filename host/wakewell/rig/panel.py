"""A small panel and its charger: what they give in each hour of the typical year.

What belongs here: light on a panel as it lies, through glass and shade, and what of it becomes
current. What does not: the cell (battery.py), what the board makes of it (pot.py).

Light by pvlib: position of the sun, light on a slope from an even sky (Liu and Jordan), loss at a
slanting incidence (its `iam.physical`, and `iam.marion_diffuse` for sky and ground). Power as in
PVWatts (Dobos 2014, NREL/TP-6A20-62641): straight with the light, less with the panel's warmth.
A model for choosing a panel; the makers' sheets of panel, charger and cell go before it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib import import_module
from typing import Any

from .errors import Impossible, need
from .weather import HOURS, STATION_DEG, sunlight

FULL_SUN_W = 1000.0  # W/m2, at which a panel's peak power is told
PER_K = -0.004  # of the power, a degree above 25 °C; common practice, no source
# Above the air in full sun: nominal operating temperature 45 °C at 800 W/m2 and 20 °C (from memory)
WARMER_K = 25.0 / 0.8
LOSSES = 0.14  # dirt, wires, mismatch: PVWatts' usual 14 %
PANE = 0.88  # of the light that meets a clear window pane straight; common practice, no source
GROUND = 0.2  # share of the light that the ground throws back; pvlib's usual is 0.25
WINDOW_DEG = 90.0


@dataclass(frozen=True)
class Panel:
    """A panel as it is put up. Without power there is none.

    peak_mw: in full sun, from its sheet; tilt_deg: 0 flat, 90 upright; facing_deg: 180 south, 270
    west; panes: of window glass before it, upright and facing as it does; shade: for each hour of
    the day (local standard time) the share of the direct sun that something takes, 24 of them, or
    none; sky: share of the open sky that it sees.
    latitude_deg: north; negative: south of the equator, with the seasons of there.
    charger: what of the panel's power reaches the cell; most_ma: what the charger gives at most;
    coldest_c: below which it gives nothing, °C.
    """

    peak_mw: float = 0.0
    tilt_deg: float = 35.0
    facing_deg: float = 180.0
    panes: int = 0
    shade: tuple[float, ...] = ()
    sky: float = 1.0
    latitude_deg: float = STATION_DEG
    charger: float = 0.75
    most_ma: float = 500.0
    coldest_c: float = 0.0

    def __post_init__(self) -> None:
        need("panel.peak_mw", self.peak_mw, 0.0, 1e6, "mW")
        need("panel.tilt_deg", self.tilt_deg, 0.0, 90.0, "°")
        need("panel.facing_deg", self.facing_deg, 0.0, 360.0, "°")
        need("panel.panes", self.panes, 0, 4)
        if len(self.shade) not in (0, 24):
            raise Impossible("panel.shade", len(self.shade), "24 shares, one an hour, or none")
        for share in self.shade:
            need("panel.shade", share, 0.0, 1.0)
        need("panel.sky", self.sky, 0.0, 1.0)
        need("panel.latitude_deg", self.latitude_deg, -65.0, 65.0, "°")
        need("panel.charger", self.charger, 0.05, 1.0)
        need("panel.most_ma", self.most_ma, 1.0, 5000.0, "mA")
        need("panel.coldest_c", self.coldest_c, -40.0, 40.0, "°C")


def on_slope(panel: Panel, zenith: Any, azimuth: Any, direct: Any, flat: Any, sky: Any) -> Any:
    """Light on a panel's face, W/m2, by where it comes from: sun's angles in degrees; light from
    the sun straight on (DNI), on the flat (GHI) and from the sky on the flat (DHI), W/m2. Arrays of
    one length."""
    return import_module("pvlib.irradiance").get_total_irradiance(
        panel.tilt_deg, panel.facing_deg, zenith, azimuth, dni=direct, ghi=flat, dhi=sky,
        albedo=GROUND, model="isotropic",
    )  # fmt: skip


def let_in(panel: Panel, zenith: Any, azimuth: Any, direct: Any, flat: Any, sky: Any) -> Any:
    """Of the same light, what gets through shade and glass into the panel, W/m2."""
    np = import_module("numpy")
    irradiance, iam = import_module("pvlib.irradiance"), import_module("pvlib.iam")
    tilt, facing = panel.tilt_deg, panel.facing_deg
    aoi = irradiance.aoi(tilt, facing, zenith, azimuth)
    parts = on_slope(panel, zenith, azimuth, direct, flat, sky)
    spread = iam.marion_diffuse("physical", tilt)
    straight = iam.physical(aoi)
    if panel.panes:
        window = irradiance.aoi(WINDOW_DEG, facing, zenith, azimuth)
        glass = iam.marion_diffuse("physical", WINDOW_DEG)
        clear = PANE**panel.panes
        straight = straight * iam.physical(window) ** panel.panes * clear * (window < 90.0)
        spread = {key: part * glass[key] ** panel.panes * clear for key, part in spread.items()
                  if key in glass}  # fmt: skip
    got = np.nan_to_num(parts["poa_direct"] * straight)
    got = got * (1.0 - np.resize(panel.shade or (0.0,), len(got)))
    got = got + panel.sky * parts["poa_sky_diffuse"] * np.nan_to_num(spread["sky"])
    return got + parts["poa_ground_diffuse"] * np.nan_to_num(spread["ground"])


@lru_cache(maxsize=16)
def powers_mw(panel: Panel, air_c: tuple[float, ...]) -> tuple[float, ...]:
    """What reaches the cell in each hour of the typical year, mW, before the charger's limits.
    air_c: of these hours where the panel is."""
    np = import_module("numpy")
    if len(air_c) != HOURS:
        raise Impossible("air_c", len(air_c), f"{HOURS} hours")
    zenith, azimuth, direct, flat, sky = sunlight(panel.latitude_deg)
    light = let_in(panel, zenith, azimuth, direct, flat, sky)
    warmer = np.array(air_c) + WARMER_K * light / FULL_SUN_W - 25.0
    power = panel.peak_mw * light / FULL_SUN_W * (1.0 + PER_K * warmer)
    power = panel.charger * (1.0 - LOSSES) * np.clip(power, 0.0, None)
    return tuple(power.tolist())


def charging_ma(panel: Panel, power_mw: float, cell_mv: float, air_c: float) -> float:
    """What the charger gives into a battery at that voltage, mA: nothing in its cold."""
    if air_c < panel.coldest_c or power_mw <= 0.0:
        return 0.0
    return min(panel.most_ma, 1000.0 * power_mw / cell_mv)


def month_wh(panel: Panel, air_c: Sequence[float]) -> list[float]:
    """What reaches the cell on a day of each month, Wh, the charger's cold counted."""
    powers = powers_mw(panel, tuple(air_c))
    days = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
    first, found = 0, list[float]()
    for length in days:
        hours = range(24 * first, 24 * (first + length))
        whole = sum(powers[hour] for hour in hours if air_c[hour] >= panel.coldest_c)
        found.append(0.001 * whole / length)
        first += length
    return found
