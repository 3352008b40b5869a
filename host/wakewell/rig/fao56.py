"""Daily root-zone water balance with the dual crop coefficient of FAO-56.

What belongs here: the field-scale balance of FAO Irrigation and Drainage Paper 56 (Allen et al.
1998), chapters 7 and 8, over one or several soil layers; plain floats, no library. It is the
yardstick that the rig's own container model borrows its stress coefficient from, and it is held
against a published season in the tests. What does not: pots (see soil.py), reference
evapotranspiration (see weather.py), anything that decides about watering.

Equation numbers in the comments are those of FAO-56.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from .errors import Impossible, need


@dataclass(frozen=True)
class CropCourse:
    """A crop's course over a season.

    kcb_ini, kcb_mid, kcb_end: basal crop coefficients, dimensionless (FAO-56 table 17).
    stages_d: lengths of the initial, development, middle and late stage, days (table 11).
    height_ini_m, height_max_m: plant height, m (table 12).
    root_ini_m, root_max_m: rooting depth, m (table 22).
    p_base: fraction of available water taken before stress, at 5 mm/day (table 22).
    """

    kcb_ini: float
    kcb_mid: float
    kcb_end: float
    stages_d: tuple[int, int, int, int]
    height_ini_m: float
    height_max_m: float
    root_ini_m: float
    root_max_m: float
    p_base: float

    def __post_init__(self) -> None:
        need("kcb_ini", self.kcb_ini, 0.0, 2.0)
        need("kcb_mid", self.kcb_mid, 0.0, 2.0)
        need("kcb_end", self.kcb_end, 0.0, 2.0)
        if self.kcb_mid <= self.kcb_ini:
            raise Impossible("kcb_mid", self.kcb_mid, f"more than kcb_ini, {self.kcb_ini:g}")
        if len(self.stages_d) != 4 or min(self.stages_d) < 1:
            raise Impossible("stages_d", self.stages_d, "four lengths of at least 1 day")
        need("height_max_m", self.height_max_m, 0.001, 20.0, "m")
        need("height_ini_m", self.height_ini_m, 0.0, self.height_max_m, "m")
        need("root_max_m", self.root_max_m, 0.01, 10.0, "m")
        need("root_ini_m", self.root_ini_m, 0.001, self.root_max_m, "m")
        need("p_base", self.p_base, 0.1, 0.8)


class Layer(NamedTuple):
    """One soil layer: lower edge (m below the surface) and water contents (m3/m3)."""

    bottom_m: float
    field_capacity: float
    wilting_point: float
    initial: float


@dataclass(frozen=True)
class Ground:
    """Soil layers from the surface down, the evaporation layer's depth (m) and REW (mm).

    One layer is the soil of FAO-56 itself: water that leaves the root zone is gone. With several,
    what drains below the present roots stays in reach of the growing ones down to their greatest
    depth, and only what passes that is lost.
    """

    layers: tuple[Layer, ...]
    surface_m: float
    rew_mm: float

    def __post_init__(self) -> None:
        if not self.layers:
            raise Impossible("layers", 0, "at least one")
        above = 0.0
        for layer in self.layers:
            need("bottom_m", layer.bottom_m, above + 1e-6, 100.0, "m")
            need("field_capacity", layer.field_capacity, 0.001, 1.0, "m3/m3")
            need("wilting_point", layer.wilting_point, 0.0, layer.field_capacity - 1e-6, "m3/m3")
            need("initial", layer.initial, 0.0, 1.0, "m3/m3")
            above = layer.bottom_m
        need("surface_m", self.surface_m, 0.001, above, "m")
        need("rew_mm", self.rew_mm, 0.0, 100.0, "mm")


class DayIn(NamedTuple):
    """One day of input: mm, m/s at `wind_height_m`, % and, where watered, the fraction wetted."""

    et0_mm: float
    wind_ms: float
    rh_min_pct: float
    rain_mm: float = 0.0
    irrigation_mm: float = 0.0
    wetted: float = 0.0


class DayOut(NamedTuple):
    """One day of output: mm, except root_m (m) and the coefficients kcb, ke, ks, p."""

    depletion_mm: float
    taw_mm: float
    raw_mm: float
    root_m: float
    kcb: float
    ke: float
    ks: float
    p: float
    evaporation_mm: float
    transpiration_mm: float
    percolation_mm: float


def stress(depletion_mm: float, taw_mm: float, p: float) -> float:
    """Ks, 0 to 1: the share of full transpiration left at a depletion (equation 84)."""
    return min(1.0, max(0.0, (taw_mm - depletion_mm) / ((1.0 - p) * taw_mm)))


def depletion_fraction(p_base: float, etc_mm: float) -> float:
    """p, 0.1 to 0.8: the day's fraction of TAW taken before stress (table 22, footnote)."""
    return min(0.8, max(0.1, p_base + 0.04 * (5.0 - etc_mm)))


def _depth_table(ground: Ground, upper_lower: Sequence[float]) -> list[tuple[float, float, float]]:
    """Per layer: top (m), mm of water above it, mm per metre in it."""
    rows = []
    top = above = 0.0
    for layer, difference in zip(ground.layers, upper_lower, strict=True):
        rows.append((top, above, 1000.0 * difference))
        above += 1000.0 * difference * (layer.bottom_m - top)
        top = layer.bottom_m
    return rows


def _to_depth(table: list[tuple[float, float, float]], depth_m: float) -> float:
    for top, above, per_m in reversed(table):
        if depth_m >= top:
            return above + per_m * (depth_m - top)
    raise AssertionError("a depth is never negative")


def basal(crop: CropCourse, number: int) -> float:
    """Kcb on that day from planting: it runs straight between the stages' ends (figure 27 and
    equation 66)."""
    end_ini, end_dev, end_mid, end_late = (sum(crop.stages_d[: n + 1]) for n in range(4))
    if number <= end_ini:
        return crop.kcb_ini
    if number <= end_dev:
        return crop.kcb_ini + (crop.kcb_mid - crop.kcb_ini) * (number - end_ini) / crop.stages_d[1]
    if number <= end_mid:
        return crop.kcb_mid
    if number <= end_late:
        fall = crop.kcb_end - crop.kcb_mid
        return crop.kcb_mid + fall * (number - end_mid) / crop.stages_d[3]
    return crop.kcb_end


def greatest(kcb: float, height_m: float, wind_ms: float, rh_min_pct: float) -> float:
    """Kc max, what the day's energy allows (equation 72). wind_ms: at 2 m."""
    wind = min(6.0, max(1.0, wind_ms))
    humid = min(80.0, max(20.0, rh_min_pct))
    climate: float = (0.04 * (wind - 2.0) - 0.004 * (humid - 45.0)) * (height_m / 3.0) ** 0.3
    return max(1.2 + climate, kcb + 0.05)


def season(
    crop: CropCourse, ground: Ground, days: Iterable[DayIn], wind_height_m: float = 2.0
) -> list[DayOut]:
    """Run the balance from planting over `days`, one result a day.

    The input's wind is measured at `wind_height_m` over grass (0.5 to 10 m; equation 47). Raises
    Impossible for a set-up that cannot be, and ValueError for a day that holds no number.
    """
    need("wind_height_m", wind_height_m, 0.5, 10.0, "m")
    if crop.root_max_m > ground.layers[-1].bottom_m + 1e-9:
        raise Impossible("root_max_m", crop.root_max_m, f"0 to {ground.layers[-1].bottom_m:g} m")
    layered = len(ground.layers) > 1
    available = _depth_table(ground, [g.field_capacity - g.wilting_point for g in ground.layers])
    evaporable = _depth_table(
        ground, [g.field_capacity - 0.5 * g.wilting_point for g in ground.layers]
    )
    missing = _depth_table(ground, [g.field_capacity - g.initial for g in ground.layers])
    tew = _to_depth(evaporable, ground.surface_m)  # eq. 73
    if tew <= ground.rew_mm:
        raise Impossible("rew_mm", ground.rew_mm, f"0 to below {tew:.1f} mm (TEW)")
    surface = tew  # page 153: dry topsoil when nothing else is known
    depletion = _to_depth(missing, crop.root_ini_m)  # eq. 87
    whole = _to_depth(missing, crop.root_max_m)
    taw_whole = _to_depth(available, crop.root_max_m)
    below, taw_below = whole - depletion, taw_whole - _to_depth(available, crop.root_ini_m)
    to_2m = 4.87 / math.log(67.8 * wind_height_m - 5.42)  # eq. 47
    rise = crop.kcb_mid - crop.kcb_ini
    height, root, wetted = crop.height_ini_m, crop.root_ini_m, 1.0
    results = []
    for number, day in enumerate(days):
        if not math.isfinite(sum(day)):  # min and max below would hide it
            raise ValueError(f"day {number}: input must be numbers, found {day}")
        et0 = day.et0_mm
        kcb = basal(crop, number)
        grown = (kcb - crop.kcb_ini) / rise
        height = max(height, crop.height_ini_m + (crop.height_max_m - crop.height_ini_m) * grown)
        root = max(root, crop.root_ini_m + (crop.root_max_m - crop.root_ini_m) * grown)  # page 279

        kc_max = greatest(kcb, height, day.wind_ms * to_2m, day.rh_min_pct)
        base = (kcb - crop.kcb_ini) / (kc_max - crop.kcb_ini)
        cover = min(0.99, base ** (1.0 + 0.5 * height)) if base > 0.0 else 0.0  # eq. 76

        rain, irrigation = day.rain_mm, day.irrigation_mm
        if irrigation > 0.0:
            wetted = day.wetted
        elif rain >= 3.0:
            wetted = 1.0  # table 20
        bare = max(0.01, min(1.0 - cover, wetted))  # eq. 75
        kr = min(1.0, max(0.0, (tew - surface) / (tew - ground.rew_mm)))  # eq. 74
        ke = min(kr * (kc_max - kcb), bare * kc_max)  # eq. 71
        evaporation = ke * et0
        reaching = rain + irrigation / wetted
        through = max(0.0, reaching - surface)  # eq. 79
        surface = min(tew, max(0.0, surface - reaching + evaporation / bare + through))  # eq. 77

        taw = _to_depth(available, root)  # eq. 82
        p = depletion_fraction(crop.p_base, (ke + kcb) * et0)
        ks = stress(depletion, taw, p)  # on yesterday's depletion: the day begins with it
        transpiration = ks * kcb * et0
        loss = evaporation + transpiration  # eq. 80
        water = rain + irrigation
        if layered:
            percolation = max(0.0, water - loss - whole)
            left = taw_whole - taw
            if taw_below > 0.0:
                depletion += below * (1.0 - left / taw_below)  # what the new roots reach
            taw_below = left
            depletion = min(taw, max(0.0, depletion - water + loss))
            whole = min(taw_whole, max(0.0, whole - water + loss + percolation))
            below = min(left, max(0.0, whole - depletion))
        else:
            percolation = max(0.0, water - loss - depletion)  # eq. 88
            depletion = min(taw, max(0.0, depletion - water + loss + percolation))  # eq. 85, 86
        results.append(
            DayOut(
                depletion,
                taw,
                p * taw,
                root,
                kcb,
                ke,
                ks,
                p,
                evaporation,
                transpiration,
                percolation,
            )
        )
    return results
