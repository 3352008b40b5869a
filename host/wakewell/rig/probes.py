"""What the board's pins show of the pot: raw counts, with the noise and the errors of the parts.

What belongs here: one small spec for each sensor and the function from the true quantity to the raw
count. What does not: turning counts into quantities, and judging them: that is the core's work.

Counts are microvolts, microseconds of echo, sixteenths of a degree, or 0 and 1. Noise comes in as
deviates, in standard deviations of one sample: the caller draws them.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import cycle
from random import Random
from typing import ClassVar, TypeVar

from .errors import Impossible, need

YEAR_S = 365.0 * 86_400.0
NO_ECHO_US = -2  # what MicroPython's machine.time_pulse_us returns when no pulse comes
USUAL_NOISE = {"float": 1.5, "echo": 4.0, "gauge": 2_000.0}  # mm, us, uV
MOST_NOISE = 3.0  # standard deviations
T = TypeVar("T")

POOL = 4093  # deviates drawn once for all pots; a prime: regular wakes meet new ones


def scatter(random: Random) -> float:
    """Noise of standard deviation 1, bell-shaped and within MOST_NOISE: the sum of three draws.

    Four times as quick as a normal deviate, and a converter's noise has no far tails to imitate.
    """
    draw = random.random
    return 2.0 * (draw() + draw() + draw() - 1.5)


@lru_cache(maxsize=16)
def _pool(samples: int) -> list[tuple[float, float, float]]:
    random = Random(f"noise of {samples}")
    rows = (sorted(scatter(random) for _ in range(samples)) for _ in range(POOL))
    return [(row[0], row[samples // 2], row[-1]) for row in rows]


def deviates(random: Random) -> Iterator[float]:
    """Deviates without end, as `scatter` draws them, from a pool that is drawn once.

    Where in the pool they begin is drawn from the caller's generator.
    """
    return _from(_middles(), random)


def spreads(random: Random, samples: int) -> Iterator[tuple[float, float, float]]:
    """(lowest, middle, highest) of that many deviates, without end and from a pool likewise.

    A count never falls as its deviate rises, or never rises: so these three give a reading's
    median and spread exactly as all the samples would.
    """
    return _from(_pool(samples), random)


@lru_cache(maxsize=1)
def _middles() -> list[float]:
    return [middle for _, middle, _ in _pool(1)]


def _from(pool: list[T], random: Random) -> Iterator[T]:
    """The pool over and over, from a place in it that is drawn."""
    at = random.randrange(POOL)
    return cycle(pool[at:] + pool[:at])


def content_of(permittivity: float) -> float:
    """Water content (ml/ml) of soil at an apparent permittivity.

    Topp, Davis, Annan (1980), Water Resources Research 16(3).
    """
    e = permittivity
    return -0.053 + e * (0.0292 + e * (-5.5e-4 + e * 4.3e-6))


# The same cubic about its bend: content - content_of(_BEND) = 4.3e-6 (t^3 + 3 _S^2 t)
_BEND = 5.5e-4 / (3.0 * 4.3e-6)
_S = math.sqrt(0.0292 / (3.0 * 4.3e-6) - _BEND * _BEND)
_AT_BEND, _TIMES = content_of(_BEND), 1.0 / (2.0 * 4.3e-6 * _S**3)


def permittivity(content: float) -> float:
    """Apparent permittivity of soil at a water content: the inverse of content_of.

    The cubic rises everywhere, so it has one root, and sinh 3u = 4 sinh^3 u + 3 sinh u gives it.
    """
    return _BEND + 2.0 * _S * math.sinh(math.asinh(_TIMES * (content - _AT_BEND)) / 3.0)


@dataclass(frozen=True)
class Converter:
    """The chip's analogue converter, as read in calibrated microvolts.

    steps over 0 to full_uv; crooked_uv: greatest error of its S-shaped bend (own assumption);
    floor_uv: below this it reads no lower.
    """

    steps: int = 4096
    full_uv: float = 3_100_000.0
    floor_uv: float = 75_000.0
    crooked_uv: float = 5_000.0

    def __post_init__(self) -> None:
        need("converter.steps", self.steps, 16, 2**16)
        need("converter.full_uv", self.full_uv, 100_000.0, 6_000_000.0, "uV")
        need("converter.floor_uv", self.floor_uv, 0.0, 0.5 * self.full_uv, "uV")
        need("converter.crooked_uv", self.crooked_uv, 0.0, 0.05 * self.full_uv, "uV")

    def read(self, microvolts: float) -> int:
        """The count, in microvolts, of a voltage at the pin."""
        return self.reader()(microvolts)

    def reader(self) -> Callable[[float], int]:
        """`read` with its constants at hand, for a pot that reads thousands of times a year."""
        full, floor, crooked = self.full_uv, self.floor_uv, self.crooked_uv
        turn, step, sin, floor_of = 2.0 * math.pi / full, full / self.steps, math.sin, math.floor
        counts = _counts(self.steps, step)

        def read(microvolts: float) -> int:
            bent = microvolts + crooked * sin(turn * microvolts)
            if bent < floor:
                bent = floor
            elif bent > full:
                bent = full
            return counts[floor_of(bent / step + 0.5)]  # a third quicker than int()

        return read


@lru_cache(maxsize=4)
def _counts(steps: int, step_uv: float) -> tuple[int, ...]:
    """The microvolts, in whole ones, that each of a converter's steps stands for."""
    return tuple(int(n * step_uv + 0.5) for n in range(steps + 1))


@dataclass(frozen=True)
class SoilProbe:
    """A capacitive probe: its voltage falls as permittivity rises.

    air_uv, water_uv: output in air and in water. Between them a hyperbola with `half`, the
    permittivity at which a swing from none is half done (own assumption; every probe differs, which
    is why each is calibrated). per_kelvin_uv: its electronics' temperature effect beside the
    water's own; drift_uv_year: slow change; noise_uv: standard deviation of one sample.
    """

    air_uv: float = 2_700_000.0
    water_uv: float = 1_200_000.0
    half: float = 20.0
    per_kelvin_uv: float = 400.0
    drift_uv_year: float = 5_000.0
    noise_uv: float = 2_500.0
    weighs: ClassVar[bool] = False

    def __post_init__(self) -> None:
        need("probe.air_uv", self.air_uv, 10_000.0, 6_000_000.0, "uV")
        need("probe.water_uv", self.water_uv, 0.0, self.air_uv - 1_000.0, "uV")
        need("probe.half", self.half, 1.0, 1_000.0)
        need("probe.per_kelvin_uv", self.per_kelvin_uv, -50_000.0, 50_000.0, "uV/K")
        need("probe.drift_uv_year", self.drift_uv_year, -1_000_000.0, 1_000_000.0, "uV/year")
        need("probe.noise_uv", self.noise_uv, 0.0, 500_000.0, "uV")

    def output_uv(self, content: float, celsius: float, age_s: float) -> float:
        """Output without noise. The water's permittivity falls 0.46 % a kelvin at 25 °C (m)."""
        wet = 1.0 + (permittivity(content) - 1.0) * (1.0 - 0.0046 * (celsius - 25.0))
        warm = self.per_kelvin_uv * (celsius - 25.0)
        return self._swing(wet) + warm + self.drift_uv_year * age_s / YEAR_S

    def _swing(self, permittivity: float) -> float:
        def done(e: float) -> float:
            return (e - 1.0) / (e - 1.0 + self.half)

        return self.air_uv - (self.air_uv - self.water_uv) * done(permittivity) / done(80.0)


def sound_mm_us(celsius: float) -> float:
    """Speed of sound in air, 331.3 + 0.606 T m/s (m)."""
    return (331.3 + 0.606 * celsius) / 1000.0


@dataclass(frozen=True)
class LevelGauge:
    """How the tank's level is seen.

    kind: "float" (1 while the surface is above float_mm), "echo" (an ultrasonic sensor at
    sensor_mm above the floor, deaf nearer than blind_mm), "gauge" (empty_uv to full_uv over the
    sensed height span_mm). noise: standard deviation in mm, us or uV (None: USUAL_NOISE).
    misses: share of echoes lost.
    """

    kind: str = "echo"
    float_mm: float = 25.0
    sensor_mm: float = 260.0
    blind_mm: float = 25.0
    empty_uv: float = 400_000.0
    full_uv: float = 2_600_000.0
    span_mm: float = 200.0
    noise: float | None = None
    misses: float = 0.005

    def __post_init__(self) -> None:
        if self.kind not in ("float", "echo", "gauge"):
            raise Impossible("level.kind", repr(self.kind), "float, echo or gauge")
        need("level.float_mm", self.float_mm, 0.0, 5_000.0, "mm")
        need("level.sensor_mm", self.sensor_mm, 10.0, 6_000.0, "mm")
        need("level.blind_mm", self.blind_mm, 0.0, 1_000.0, "mm")
        need("level.empty_uv", self.empty_uv, 0.0, 6_000_000.0, "uV")
        need("level.full_uv", self.full_uv, 0.0, 6_000_000.0, "uV")
        need("level.span_mm", self.span_mm, 1.0, 5_000.0, "mm")
        need("level.noise", self.noise_raw, 0.0, 1e6)
        need("level.misses", self.misses, 0.0, 1.0)

    @cached_property
    def noise_raw(self) -> float:
        """`noise`, or the kind's usual one."""
        return USUAL_NOISE[self.kind] if self.noise is None else self.noise

    def float_up(self, level_mm: float, deviate: float) -> int:
        """1 while the float is lifted, else 0; it rocks near its height."""
        return 1 if level_mm + self.noise_raw * deviate > self.float_mm else 0

    def echo_us(self, level_mm: float, celsius: float, deviate: float, random: Random) -> int:
        """Echo time there and back. NO_ECHO_US if lost."""
        distance = self.sensor_mm - level_mm
        if distance < self.blind_mm or (self.misses and random.random() < self.misses):
            return NO_ECHO_US
        return max(1, round(2.0 * distance / sound_mm_us(celsius) + self.noise_raw * deviate))

    def gauge_uv(self, level_mm: float, deviate: float) -> float:
        """Voltage of an analogue gauge, before the converter."""
        share = level_mm / self.span_mm
        if not 0.0 <= share <= 1.0:
            share = 0.0 if share < 0.0 else 1.0
        return self.empty_uv + share * (self.full_uv - self.empty_uv) + self.noise_raw * deviate


@dataclass(frozen=True)
class Divider:
    """Two resistors between the cell and the converter: ratio, its error, and the noise."""

    ratio: float = 0.5
    off: float = 0.01
    noise_uv: float = 1_500.0

    def __post_init__(self) -> None:
        need("divider.ratio", self.ratio, 0.01, 1.0)
        need("divider.off", self.off, -0.2, 0.2)
        need("divider.noise_uv", self.noise_uv, 0.0, 100_000.0, "uV")

    @property
    def uv_per_mv(self) -> float:
        """Microvolts at the converter's pin for a millivolt of the cell."""
        return 1000.0 * self.ratio * (1.0 + self.off)


def ds18x20_raw(celsius: float, off_c: float = 0.25) -> int:
    """Raw count of a DS18X20 thermometer, 1/16 °C, with its own constant error."""
    return round(16.0 * (celsius + off_c))
