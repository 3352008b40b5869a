"""The rig's sensors as a pot's calibration knows them: from its tables back to parts.

What belongs here: inverting calibration tables (counts to quantity), so that a simulated pot reads
as the real one did on the bench, plus the errors that calibration does not take out: noise,
temperature, drift, the converter's steps. What does not: judging a reading (the core's work).
"""

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from .errors import Impossible, need
from .hydraulics import RigTank
from .panel import Panel
from .probes import Divider, LevelGauge, SoilProbe, content_of, permittivity

CALIBRATED_C = 20.0  # temperature at which a pot's soil points were taken
SPREADS_NOISE = 8.0  # a reading's permitted spread is this many standard deviations of a sample
SOUND_MM_US = 0.3434  # speed of sound at 20 °C, as `sound_mm_us` has it


def turned(points: Sequence[tuple[int, int]]) -> tuple[tuple[float, float], ...]:
    """(value, counts) rising in value, from a calibration's (counts, value)."""
    return tuple(sorted((float(value), float(counts)) for counts, value in points))


def beyond(points: Sequence[tuple[float, float]], x: float) -> float:
    """As `tables.along`, but the end lines go on past the ends."""
    upper = bisect_right(points, (x, math.inf), 1, len(points) - 1)
    (x0, y0), (x1, y1) = points[upper - 1], points[upper]
    return y0 + (x - x0) / (x1 - x0) * (y1 - y0)


@dataclass(frozen=True)
class CalibratedProbe(SoilProbe):
    """A soil probe that reads, at 20 °C and new, just what its calibration says.

    points: (water content in ppt, counts), rising in content. air_uv: counts in air.
    """

    points: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        if len(self.points) < 2:
            raise Impossible("probe.points", self.points, "two or more")
        need("probe.noise_uv", self.noise_uv, 0.0, 500_000.0, "uV")
        need("probe.per_kelvin_uv", self.per_kelvin_uv, -50_000.0, 50_000.0, "uV/K")
        need("probe.drift_uv_year", self.drift_uv_year, -1_000_000.0, 1_000_000.0, "uV/year")
        need("probe.air_uv", self.air_uv, 0.0, 6_000_000.0, "uV")

    def output_uv(self, content: float, celsius: float, age_s: float) -> float:
        """Output without noise; the water's own temperature effect as SoilProbe has it."""
        warmer = celsius - CALIBRATED_C
        seen = content_of(1.0 + (permittivity(content) - 1.0) * (1.0 - 0.0046 * warmer))
        drifted = self.per_kelvin_uv * warmer + self.drift_uv_year * age_s / (365.0 * 86_400.0)
        return beyond(self.points, 1000.0 * seen) + drifted


def soil_probe(calibration: Any) -> CalibratedProbe:
    """The soil probe of a calibration; in air it reads a little past its driest point.

    In a glass of water it reads as far past its wettest point as SoilProbe's hyperbola goes on.
    """
    points = turned(calibration.soil.points)
    dry = beyond(points, 0.0)
    air_uv = dry + 0.01 * (dry - points[-1][1])
    swing = swung(permittivity(1.0)) / swung(permittivity(0.001 * points[-1][0]))
    return CalibratedProbe(
        air_uv=air_uv,
        water_uv=air_uv - swing * (air_uv - points[-1][1]),
        per_kelvin_uv=200.0,
        drift_uv_year=2_000.0,
        noise_uv=min(2_500.0, calibration.soil.spread / SPREADS_NOISE),
        points=points,
    )


def swung(permittivity: float) -> float:
    """How far a probe of the usual `half` has swung from its reading in air, a share of all."""
    return (permittivity - 1.0) / (permittivity - 1.0 + SoilProbe.half)


def level_gauge(calibration: Any, kind: str, tank: RigTank) -> LevelGauge:
    """The level gauge of a calibration; kind: float, gauge or echo, as the wiring says."""
    points = turned(calibration.level.points)
    noise = calibration.level.spread / SPREADS_NOISE
    if kind == "float":
        # No noise: the water is still, and a float's own hysteresis is wider than its rocking.
        return LevelGauge("float", float_mm=tank.height_mm(points[-1][0]), noise=0.0)
    if kind == "echo":
        return LevelGauge(
            "echo",
            sensor_mm=0.5 * SOUND_MM_US * beyond(points, 0.0),
            blind_mm=20.0,
            noise=noise,
            misses=0.0,
        )
    return LevelGauge(
        "gauge",
        empty_uv=beyond(points, 0.0),
        full_uv=beyond(points, tank.capacity_ml),
        span_mm=tank.depth_mm,
        noise=noise,
    )


def measured_tank(calibration: Any, depth_mm: float) -> tuple[tuple[float, float], ...]:
    """A tank's (height mm, volume ml) from a level table whose counts go evenly with height."""
    points = turned(calibration.level.points)
    empty, full = points[0][1], points[-1][1]
    return tuple((depth_mm * (counts - empty) / (full - empty), ml) for ml, counts in points)


def divider(calibration: Any) -> Divider:
    """The battery divider of a calibration, its error taken out by it."""
    (low_mv, low), (high_mv, high) = (
        turned(calibration.battery.points)[0],
        turned(calibration.battery.points)[-1],
    )
    return Divider(
        ratio=(high - low) / (high_mv - low_mv) / 1000.0,
        off=0.0,
        noise_uv=min(1_500.0, calibration.battery.spread / SPREADS_NOISE),
    )


def panel(told: Any, latitude_deg: float | None) -> Panel:
    """The panel of a pot's [panel] at that latitude, degrees north; None, or one whose power is not
    told: none."""
    if told is None:
        return Panel()
    given: dict[str, Any] = {
        "peak_mw": told.peak_mw and float(told.peak_mw),
        "tilt_deg": float(told.tilt_deg),
        "facing_deg": float(told.facing_deg),
        "panes": told.panes,
        "latitude_deg": None if latitude_deg is None else float(latitude_deg),
        "sky": told.sky_pct if told.sky_pct is None else told.sky_pct / 100.0,
        "charger": told.charger_ppt and told.charger_ppt / 1000.0,
        "most_ma": told.charger_most_ma and float(told.charger_most_ma),
        "coldest_c": None if told.charger_cold_mc is None else told.charger_cold_mc / 1000.0,
        "shade": told.shade_pct and tuple(share / 100.0 for share in told.shade_pct),
    }
    return Panel(**{name: value for name, value in given.items() if value is not None})
