"""Water in a potted substrate: what it holds, how a dose spreads, and how the plant takes it.

What belongs here: retention (van Genuchten 1980), container capacity by pot height, two regions of
the pot (the bulb under the hose and the bulk around the probe) with percolation and saucer, and
the loss to air and plant. Plain floats; a year of days costs a few milliseconds because a quiet
spell, however long, is solved in one step. What does not: weather (weather.py), probes (probes.py),
anything that decides about watering.

Lengths are cm, volumes ml, water contents ml per ml of substrate, suctions cm of water.
"""

import math
from bisect import bisect_right
from dataclasses import dataclass, replace
from functools import lru_cache

from .errors import Impossible, need
from .weather import Climate

WILTING_CM = 15_000.0  # permanent wilting point: suction of 1,500 kPa (FAO-56, page 161)
STILL_ML = 0.02  # less than this above capacity stays, and less in the saucer dries up at once
DRAINED_ML = 1e-7  # draining comes ever nearer to its end without reaching it
DRAINING_STEP_S = 600.0
SAUCER_STEP_S = 3600.0


@dataclass(frozen=True)
class Substrate:
    """Retention and drainage of a potting substrate.

    residual, saturated: water contents; alpha: 1/cm; n: above 1 (van Genuchten 1980, m = 1 - 1/n).
    drain_s: time constant at which water above container capacity percolates, s.
    spread_s, even_s: time constants of sideways movement while the bulb is above capacity, and
    below it, s. repels: share of a dose that runs down the gap at the wall when bone dry, 0 to 1.
    """

    residual: float
    saturated: float
    alpha: float
    n: float
    drain_s: float
    spread_s: float
    even_s: float
    repels: float

    def __post_init__(self) -> None:
        need("residual", self.residual, 0.0, 0.6, "ml/ml")
        need("saturated", self.saturated, self.residual + 0.01, 1.0, "ml/ml")
        need("alpha", self.alpha, 0.001, 2.0, "1/cm")
        need("n", self.n, 1.01, 10.0)
        for key in ("drain_s", "spread_s", "even_s"):
            need(key, getattr(self, key), 1.0, 1e7, "s")
        need("repels", self.repels, 0.0, 0.95)

    def content(self, suction_cm: float) -> float:
        """Water content at a suction, ml/ml: van Genuchten (1980), equations 3 and 21 of it."""
        if suction_cm <= 0.0:
            return self.saturated
        drained = (1.0 + (self.alpha * suction_cm) ** self.n) ** (1.0 / self.n - 1.0)
        return float(self.residual + (self.saturated - self.residual) * drained)

    def suction_cm(self, content: float) -> float:
        """The suction that leaves a water content between residual and saturated: the inverse."""
        drained = (content - self.residual) / (self.saturated - self.residual)
        steep = drained ** (self.n / (1.0 - self.n)) - 1.0
        return float(steep ** (1.0 / self.n) / self.alpha)


_HOUR = 3600.0
SUBSTRATES = {
    # Retention of the first three: our own values, because we could read no table at its source.
    # They lie where De Boodt and Verdonck (1972) put a good mix (20 to 30 % of volume drains
    # between 10 and 50 cm; secondary sources), the gritty mix below it on purpose; that van
    # Genuchten's curve suits such substrates: Londra (2010), HortScience 45(7). All time constants
    # and wall shares: own assumptions. Weigh your own pot and override.
    "peat mix": Substrate(0.10, 0.88, 0.15, 1.55, 0.4 * _HOUR, 1 * _HOUR, 12 * _HOUR, 0.5),
    "coir": Substrate(0.10, 0.90, 0.14, 1.55, 0.3 * _HOUR, 1 * _HOUR, 8 * _HOUR, 0.15),
    "gritty mix": Substrate(0.06, 0.50, 0.30, 1.70, 0.05 * _HOUR, 2 * _HOUR, 24 * _HOUR, 0.1),
    # Carsel and Parrish (1988), Water Resources Research 24(5), class mean of loam.
    "loam": Substrate(0.078, 0.43, 0.036, 1.56, 3 * _HOUR, 3 * _HOUR, 24 * _HOUR, 0.3),
}


def substrate(word: str, **override: float) -> Substrate:
    """The substrate of that word, with single parameters replaced; Impossible if unknown."""
    if word not in SUBSTRATES:
        raise Impossible("substrate", repr(word), ", ".join(SUBSTRATES))
    return replace(SUBSTRATES[word], **override)


@dataclass(frozen=True)
class Vessel:
    """The pot: a truncated cone of substrate, and its saucer.

    height_cm: depth of substrate, 2 to 150; top_cm2, bottom_cm2: its surface and base.
    saucer_ml: what the saucer holds (0: none); saucer_cm2: its open water surface beside the pot;
    wick_s: time constant at which a pot draws saucer water back up, s.
    bulb_share: share of the substrate in the bulb under the hose, 0.05 to 0.95.
    probe_cm: height of the probe's middle above the base. probe_in_bulb: share of the probe's
    sensed volume that lies in the bulb, 0 to 1.
    """

    height_cm: float
    top_cm2: float
    bottom_cm2: float
    saucer_ml: float = 200.0
    saucer_cm2: float = 30.0
    wick_s: float = 4 * 3600.0
    bulb_share: float = 0.35
    probe_cm: float | None = None
    probe_in_bulb: float = 0.0

    def __post_init__(self) -> None:
        need("height_cm", self.height_cm, 2.0, 150.0, "cm")
        need("top_cm2", self.top_cm2, 4.0, 50_000.0, "cm2")
        need("bottom_cm2", self.bottom_cm2, 1.0, 50_000.0, "cm2")
        need("saucer_ml", self.saucer_ml, 0.0, 20_000.0, "ml")
        need("saucer_cm2", self.saucer_cm2, 0.0, 5_000.0, "cm2")
        need("wick_s", self.wick_s, 60.0, 1e7, "s")
        need("bulb_share", self.bulb_share, 0.05, 0.95)
        need("probe_cm", self.probe_at_cm, 0.0, self.height_cm, "cm")
        need("probe_in_bulb", self.probe_in_bulb, 0.0, 1.0)

    @property
    def probe_at_cm(self) -> float:
        """Height of the probe's middle, cm; half way up unless told."""
        return self.height_cm / 2 if self.probe_cm is None else self.probe_cm

    @property
    def volume_ml(self) -> float:
        """Volume of the truncated cone."""
        middle = math.sqrt(self.top_cm2 * self.bottom_cm2)
        return self.height_cm / 3.0 * (self.top_cm2 + middle + self.bottom_cm2)

    def area_cm2(self, height_cm: float) -> float:
        """Cross-section at a height above the base."""
        low, high = math.sqrt(self.bottom_cm2), math.sqrt(self.top_cm2)
        return (low + (high - low) * height_cm / self.height_cm) ** 2


@dataclass(frozen=True)
class Plant:
    """What stands in the pot.

    kcb: basal crop coefficient of full leaf (FAO-56 table 17 gives 0.15 to 1.2 for crops);
    crown_cm2: ground area its crown would shade, which may well exceed the pot's.
    bare: share of the pot's surface that evaporates, 0 to 1.1 (kc of wet bare soil).
    stress_cm: suction at which it begins to close its stomata. 100 cm is where De Boodt and
    Verdonck's buffering water ends; in a loam it gives p = 0.5, FAO-56's middle value.
    droop_cm: suction above which it counts as wilting; common practice, no source.
    least_air: air-filled share of volume below which roots lack air; common practice, no source.
    """

    kcb: float = 1.0
    crown_cm2: float = 300.0
    bare: float = 0.3
    stress_cm: float = 100.0
    droop_cm: float = 1000.0
    least_air: float = 0.10

    def __post_init__(self) -> None:
        need("kcb", self.kcb, 0.0, 2.0)
        need("crown_cm2", self.crown_cm2, 0.0, 100_000.0, "cm2")
        need("bare", self.bare, 0.0, 1.1)
        need("stress_cm", self.stress_cm, 10.0, 2_000.0, "cm")
        need("droop_cm", self.droop_cm, self.stress_cm + 1.0, WILTING_CM - 1.0, "cm")
        need("least_air", self.least_air, 0.0, 0.5)


def mean_content(
    soil: Substrate, vessel: Vessel, base_suction_cm: float, slices: int = 200
) -> float:
    """Mean water content of a pot at rest whose base is at a suction (0: just drained), ml/ml.

    Suction rises with height by as much as the height itself; midpoint rule over `slices`.
    """
    water = area = 0.0
    for height, slab in _slabs(vessel, slices):
        water += slab * soil.content(base_suction_cm + height)
        area += slab
    return water / area


@lru_cache(maxsize=16)
def _slabs(vessel: Vessel, slices: int) -> list[tuple[float, float]]:
    """The middle of each slice above the base, cm, and the vessel's cross-section there, cm2."""
    heights = [(number + 0.5) * (vessel.height_cm / slices) for number in range(slices)]
    return [(height, vessel.area_cm2(height)) for height in heights]


class Levels:
    """The water contents that matter for one substrate, pot and plant, as mean ml/ml.

    capacity: drained, zero pressure at the base. stress, droop, wilting: uniform suction of the
    plant's two and of 15,000 cm. airless: so wet that roots lack air. floor: half of wilting, as
    far as air dries soil (FAO-56, equation 73).
    """

    def __init__(self, soil: Substrate, vessel: Vessel, plant: Plant) -> None:
        self.saturated = soil.saturated
        self.capacity = mean_content(soil, vessel, 0.0)
        self.stress = soil.content(plant.stress_cm)
        self.droop = soil.content(plant.droop_cm)
        self.wilting = soil.content(WILTING_CM)
        self.floor = 0.5 * self.wilting
        self.airless = soil.saturated - plant.least_air
        if self.stress >= self.capacity:
            raise Impossible(
                "stress_cm", plant.stress_cm, f"above {soil.suction_cm(self.capacity):.1f} cm, "
                f"which leaves the {self.capacity:.3f} ml/ml that this pot holds when drained; "
                "else a lower pot or another substrate",
            )  # fmt: skip


class ProbeHeight:
    """Mean water content to the content at the probe's height, for a pot at rest."""

    def __init__(self, soil: Substrate, vessel: Vessel) -> None:
        suctions = [1e5 * 0.75**n for n in range(60)] + [0.0]
        self._mean = [mean_content(soil, vessel, s, 60) for s in suctions]
        self._local = [soil.content(s + vessel.probe_at_cm) for s in suctions]
        self._mean.append(soil.saturated)
        self._local.append(soil.saturated)

    def content(self, mean: float) -> float:
        """ml/ml at the probe for a mean ml/ml; straight between the tabled states."""
        means, locals_ = self._mean, self._local
        if mean <= means[0]:
            return locals_[0] * mean / means[0]
        if mean >= means[-1]:
            return locals_[-1]
        upper = bisect_right(means, mean)
        low, dry = means[upper - 1], locals_[upper - 1]
        return dry + (mean - low) / (means[upper] - low) * (locals_[upper] - dry)


@dataclass(slots=True)
class Tally:
    """Where the water went since the start, ml, and how long the plant had which trouble, s."""

    poured_ml: float = 0.0
    rain_ml: float = 0.0
    transpired_ml: float = 0.0
    evaporated_ml: float = 0.0
    saucer_evaporated_ml: float = 0.0
    percolated_ml: float = 0.0
    drawn_back_ml: float = 0.0
    floor_ml: float = 0.0
    stressed_s: float = 0.0
    drooping_s: float = 0.0
    airless_s: float = 0.0


@lru_cache(maxsize=256)
def _solved(soil: Substrate, vessel: Vessel, plant: Plant) -> tuple[Levels, ProbeHeight]:
    """Levels and probe table of those parts; kept, since a year of runs shares them."""
    curve = replace(soil, drain_s=1.0, spread_s=1.0, even_s=1.0, repels=0.0)
    shape = Vessel(vessel.height_cm, vessel.top_cm2, vessel.bottom_cm2, probe_cm=vessel.probe_at_cm)
    return Levels(soil, vessel, plant), _probe_height(curve, shape)


@lru_cache(maxsize=64)
def _probe_height(curve: Substrate, shape: Vessel) -> ProbeHeight:
    """The table of that retention and shape. At rest it does not depend on how fast water moves."""
    return ProbeHeight(curve, shape)


class Container:
    """One pot's water from `start` (mean ml/ml; drained capacity unless told) onwards.

    Uptake follows FAO-56's Ks on the whole pot (equation 84, with p from the plant's suction, held
    constant) and its Kr for the surface (equation 74, from capacity down to the floor); both
    regions give water in proportion to what they have above the floor. While nothing moves but
    that and the levelling between bulb and bulk, both have a closed solution over the sum of
    reference ET, so a spell of any length is one step. Above capacity and in rain the steps are
    ten minutes, over a saucer with water an hour.
    """

    def __init__(
        self, soil: Substrate, vessel: Vessel, plant: Plant, start: float | None = None
    ) -> None:
        self.soil, self.vessel, self.plant = soil, vessel, plant
        self.levels, self._probe = _solved(soil, vessel, plant)
        levels = self.levels
        begin = levels.capacity if start is None else start
        need("start", begin, levels.floor, levels.saturated, "ml/ml")
        self.volume_ml = vessel.volume_ml
        self._bulb = vessel.bulb_share * self.volume_ml
        self._bulk = self.volume_ml - self._bulb
        self._bulb_full = levels.capacity * self._bulb + STILL_ML
        self._bulk_full = levels.capacity * self._bulk + STILL_ML
        self._floor, self._bulb_floor = levels.floor * self.volume_ml, levels.floor * self._bulb
        self.bulb_ml = begin * self._bulb
        self.bulk_ml = begin * self._bulk
        self.saucer_ml = 0.0
        self.tally = Tally()
        self._segments = self._uptake_table()
        self._climate: Climate | None = None
        self._at_s = self._et0_mm = self._rain_at_s = 0.0  # as the last `advance` left them

    def _uptake_table(self) -> list[tuple[float, float, float, float, float, int]]:
        """Rows from wet to dry: lower edge of water (ml), then the loss per mm of ET0.

        Loss is a + b * water, of which the plant takes c + d * water; last, which trouble begins
        below the lower edge (0 airless ends, 1 stressed, 2 drooping, -1 none).
        """
        levels, volume = self.levels, self.volume_ml
        plant = 0.1 * self.plant.kcb * self.plant.crown_cm2  # ml per mm on a cm2
        surface = 0.1 * self.plant.bare * self.vessel.top_cm2
        floor, wilting = levels.floor * volume, levels.wilting * volume
        stress, capacity = levels.stress * volume, levels.capacity * volume
        edges = sorted(
            (levels.airless * volume, capacity, stress, levels.droop * volume, wilting, floor),
            reverse=True,
        )
        self._marks = (levels.airless * volume, stress, levels.droop * volume)
        trouble = {edge: which for which, edge in enumerate(self._marks)}
        rows = []
        for edge in edges:
            a = b = c = d = 0.0
            if edge >= stress:
                c = plant
            elif edge >= wilting:
                d = plant / (stress - wilting)
                c = -d * wilting
            if edge >= capacity:
                a = surface
            else:
                b = surface / (capacity - floor)
                a = -b * floor
            rows.append((edge, a + c, b + d, c, d, trouble.get(edge, -1)))
        return rows

    @property
    def water_ml(self) -> float:
        """Water in the substrate."""
        return self.bulb_ml + self.bulk_ml

    @property
    def stored_ml(self) -> float:
        """Water in the substrate and the saucer."""
        return self.bulb_ml + self.bulk_ml + self.saucer_ml

    @property
    def content(self) -> float:
        """Mean water content, ml/ml."""
        return self.water_ml / self.volume_ml

    @property
    def probe_content(self) -> float:
        """Water content that the probe senses, ml/ml."""
        share = self.vessel.probe_in_bulb
        mean = share * self.bulb_ml / self._bulb + (1.0 - share) * self.bulk_ml / self._bulk
        return self._probe.content(mean)

    def even_out(self, content: float) -> None:
        """The same mean content everywhere; the tally is the caller's."""
        self.bulb_ml, self.bulk_ml = content * self._bulb, content * self._bulk

    def pour(self, amount_ml: float) -> None:
        """Water from the hose: into the bulb, past it where the substrate repels or is full."""
        self.tally.poured_ml += amount_ml
        levels = self.levels
        dryness = (levels.stress - self.content) / (levels.stress - levels.floor)
        past = amount_ml * self.soil.repels * min(1.0, dryness) if dryness > 0.0 else 0.0
        self.bulb_ml += amount_ml - past
        over = self.bulb_ml - levels.saturated * self._bulb
        if over > 0.0:  # it ponds and runs over the rest of the surface
            self.bulb_ml -= over
            self.bulk_ml += over
        self._bulk_overflows()
        self._percolate(past)

    def pour_all_over(self, amount_ml: float) -> None:
        """Water from a can, evenly over the surface."""
        self.tally.poured_ml += amount_ml
        self._sprinkle(amount_ml)

    def _sprinkle(self, amount_ml: float) -> None:
        share = self.vessel.bulb_share
        self.bulb_ml += share * amount_ml
        over = self.bulb_ml - self.levels.saturated * self._bulb
        if over > 0.0:
            self.bulb_ml -= over
        self.bulk_ml += (1.0 - share) * amount_ml + max(0.0, over)
        self._bulk_overflows()

    def _bulk_overflows(self) -> None:
        over = self.bulk_ml - self.levels.saturated * self._bulk
        if over > 0.0:
            self.bulk_ml -= over
            self._percolate(over)

    def _percolate(self, amount_ml: float) -> None:
        self.tally.percolated_ml += amount_ml
        self.saucer_ml += amount_ml
        over = self.saucer_ml - self.vessel.saucer_ml
        if over > 0.0:
            self.saucer_ml -= over
            self.tally.floor_ml += over

    def advance(self, climate: Climate, since_s: float, until_s: float) -> None:
        """Carry the pot from one time to another (s since the climate's start)."""
        if since_s >= until_s:
            return
        now = since_s
        if now == self._at_s and climate is self._climate:
            rain_at, begin_mm = self._rain_at_s, self._et0_mm
        else:
            rain_at, begin_mm = climate.next_rain(now), climate.et0_until(now)
        while now < until_s:
            then = until_s
            moving = (
                self.bulb_ml > self._bulb_full + DRAINED_ML
                or self.bulk_ml > self._bulk_full + DRAINED_ML
            )
            if moving or rain_at <= now:
                then = now + DRAINING_STEP_S
            elif self.saucer_ml > 0.0:
                then = now + SAUCER_STEP_S
            if then > until_s:
                then = until_s
            if rain_at > now:
                if then > rain_at:
                    then = rain_at
            else:
                then = min(then, 3600.0 * (now // 3600.0 + 1.0))
                share = (then - now) / 3600.0 * 0.1 * self.vessel.top_cm2
                fallen = climate.rain_mm[climate.hour(now)] * share
                self.tally.rain_ml += fallen
                self._sprinkle(fallen)
            if moving:
                self._drain(then - now)
            end_mm = climate.et0_until(then)
            if self.saucer_ml > 0.0:
                self._use_saucer(then - now, end_mm - begin_mm)
            self._lose(climate, now, then, begin_mm, end_mm)
            now, begin_mm = then, end_mm
            if rain_at < now:
                rain_at = climate.next_rain(now)
        self._climate, self._at_s = climate, now
        self._rain_at_s, self._et0_mm = rain_at, begin_mm

    def _drain(self, step_s: float) -> None:
        """Spread and percolate what is above capacity."""
        if self.bulb_ml > self._bulb_full:
            self._level(self.bulb_ml, self.bulk_ml, -math.expm1(-step_s / self.soil.spread_s))
        drained = -math.expm1(-step_s / self.soil.drain_s)
        out = 0.0
        if self.bulb_ml > self._bulb_full:
            out = (self.bulb_ml - self._bulb_full) * drained
            self.bulb_ml -= out
        if self.bulk_ml > self._bulk_full:
            part = (self.bulk_ml - self._bulk_full) * drained
            self.bulk_ml -= part
            out += part
        if out > 0.0:
            self._percolate(out)

    def _use_saucer(self, step_s: float, et0_mm: float) -> None:
        vessel, tally, saucer = self.vessel, self.tally, self.saucer_ml
        room = self._bulk_full - STILL_ML - self.bulk_ml
        if room > 0.0:
            drawn = -room * math.expm1(-step_s / vessel.wick_s)
            if drawn > saucer:
                drawn = saucer
            self.bulk_ml += drawn
            saucer -= drawn
            tally.drawn_back_ml += drawn
        gone = 0.1 * vessel.saucer_cm2 * et0_mm
        if saucer - gone < STILL_ML:
            gone = saucer
        self.saucer_ml = saucer - gone
        tally.saucer_evaporated_ml += gone

    def _level(self, bulb_ml: float, bulk_ml: float, share: float) -> None:
        """So much in the regions, moved a share of the way towards equal water content."""
        bulb, bulk = self._bulb, self._bulk
        moved = share * (bulb_ml / bulb - bulk_ml / bulk) * bulb * bulk / self.volume_ml
        self.bulb_ml, self.bulk_ml = bulb_ml - moved, bulk_ml + moved

    def _lose(
        self, climate: Climate, since_s: float, until_s: float, begin_mm: float, end_mm: float
    ) -> None:
        """Uptake and evaporation over a span without inflow, exact over the sum of ET0.

        Taking from both regions in proportion to what they hold above the floor scales their
        difference by the same factor as the whole, and levelling shrinks it by its own: the two
        commute, so their order does not matter and neither does the span's length.
        """
        bulb = self.bulb_ml
        water = before = bulb + self.bulk_ml
        whole_mm = left_mm = end_mm - begin_mm
        taken = 0.0
        crossed = [until_s, until_s, until_s]  # airless ends, stress begins, drooping begins
        for row in self._segments:
            if water <= row[0]:
                continue
            edge, a, b, c, d, trouble = row
            rate = a + b * water
            if rate <= 0.0:
                break
            if b == 0.0:
                part_mm = (water - edge) / rate
            else:
                last_rate = a + b * edge
                part_mm = math.log(rate / last_rate) / b if last_rate > 0.0 else math.inf
            if part_mm >= left_mm:
                part_mm = left_mm
                fallen = a * part_mm if b == 0.0 else -rate / b * math.expm1(-b * part_mm)
            else:
                fallen = water - edge
            taken += c * part_mm
            if d > 0.0:
                taken += d * (fallen - a * part_mm) / b
            water -= fallen
            left_mm -= part_mm
            if left_mm <= 0.0:
                break
            if trouble >= 0:
                crossed[trouble] = climate.time_of(begin_mm + whole_mm - left_mm)
        tally = self.tally
        tally.transpired_ml += taken
        tally.evaporated_ml += before - water - taken
        airless, stressed, _ = self._marks
        if before > airless or water <= stressed:
            self._note_troubles(before, since_s, until_s, crossed)

        low, held = self._bulb_floor, before - self._floor
        if held > 0.0:
            bulb = low + (bulb - low) * (water - self._floor) / held
        self._level(bulb, water - bulb, -math.expm1((since_s - until_s) / self.soil.even_s))

    def _note_troubles(
        self, before_ml: float, since_s: float, until_s: float, crossed: list[float]
    ) -> None:
        tally = self.tally
        airless, stressed, drooping = self._marks
        if before_ml > airless:
            tally.airless_s += min(until_s, max(since_s, crossed[0])) - since_s
        if before_ml <= stressed:
            tally.stressed_s += until_s - since_s
        else:
            tally.stressed_s += until_s - min(until_s, max(since_s, crossed[1]))
        if before_ml <= drooping:
            tally.drooping_s += until_s - since_s
        else:
            tally.drooping_s += until_s - min(until_s, max(since_s, crossed[2]))
