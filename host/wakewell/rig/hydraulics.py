"""Tank, pump, hose and outlet: how much water moves, from where, at which battery voltage.

What belongs here: tank shapes, the pump's curve, friction and orifices (solved through the library
`fluids` when a line is set up, tabled for use), priming, draining back, siphons. What does not: the
pot that receives the water (soil.py), the cell that feeds the pump (battery.py), and when to pump.

Heights are mm above the inside of the tank's floor, volumes ml, flows ml/s, voltages mV. Water is
taken at 20 °C.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib import import_module
from itertools import pairwise

from .battery import FULL_MV
from .errors import Impossible, need
from .tables import along

GRAVITY_MM_S2 = 9806.65
VISCOSITY_MM2_S = 1.004  # kinematic, water at 20 °C
LOSS_ENTRANCE = 0.57  # sharp-edged entrance, as fluids.entrance_sharp() has it
LOSS_EXIT = 1.0  # an open end loses its velocity head
LEVELS = 33  # tabled tank volumes
SLOWEST, SPEED_STEP = 0.3, 0.1  # tabled pump speeds, shares of the rated or a full cell's, the less


@dataclass(frozen=True)
class RigTank:
    """A tank whose cross-section is `area[0] + area[1] z + area[2] z^2` mm2 at height z mm.

    Made by box, tapered, cylinder, bucket, or by table, which sets `points` (height mm, volume
    ml) instead.
    """

    depth_mm: float
    area: tuple[float, float, float] = (0.0, 0.0, 0.0)
    points: tuple[tuple[float, float], ...] = ()

    @property
    def capacity_ml(self) -> float:
        """Volume up to the brim."""
        return self.volume_ml(self.depth_mm)

    def volume_ml(self, height_mm: float) -> float:
        """Volume below a height; heights outside the tank count as its floor or brim."""
        z = min(self.depth_mm, max(0.0, height_mm))
        if self.points:
            return along(self.points, z)
        a, b, c = self.area
        return z * (a + z * (b / 2.0 + z * c / 3.0)) / 1000.0

    def height_mm(self, volume_ml: float) -> float:
        """Height of a volume, the inverse of `volume_ml`; bisected to below a nanometre."""
        if self.points:
            return along([(v, h) for h, v in self.points], volume_ml)
        low, high = 0.0, self.depth_mm
        for _ in range(60):
            middle = 0.5 * (low + high)
            if self.volume_ml(middle) < volume_ml:
                low = middle
            else:
                high = middle
        return 0.5 * (low + high)


def _size(key: str, value: float) -> float:
    return need(key, value, 5.0, 5000.0, "mm")


def box(width_mm: float, length_mm: float, depth_mm: float) -> RigTank:
    """An upright box; inside measures, 5 to 5000 mm."""
    return tapered((width_mm, length_mm), (width_mm, length_mm), depth_mm)


def tapered(
    bottom_mm: tuple[float, float], top_mm: tuple[float, float], depth_mm: float
) -> RigTank:
    """Sloping flat sides between a bottom and a top rectangle (width, length)."""
    depth = _size("depth_mm", depth_mm)
    (w0, l0), (w1, l1) = bottom_mm, top_mm
    for key, value in (("bottom_mm", w0), ("bottom_mm", l0), ("top_mm", w1), ("top_mm", l1)):
        _size(key, value)
    dw, dl = (w1 - w0) / depth, (l1 - l0) / depth
    return RigTank(depth, (w0 * l0, w0 * dl + l0 * dw, dw * dl))


def cylinder(diameter_mm: float, depth_mm: float) -> RigTank:
    """An upright cylinder; inside measures."""
    return bucket(diameter_mm, diameter_mm, depth_mm)


def bucket(bottom_mm: float, top_mm: float, depth_mm: float) -> RigTank:
    """A truncated cone between two diameters."""
    depth = _size("depth_mm", depth_mm)
    r0, r1 = _size("bottom_mm", bottom_mm) / 2.0, _size("top_mm", top_mm) / 2.0
    slope = (r1 - r0) / depth
    return RigTank(depth, (math.pi * r0 * r0, 2.0 * math.pi * r0 * slope, math.pi * slope * slope))


def table(points: Sequence[tuple[float, float]]) -> RigTank:
    """Measured pairs of height (mm) and volume (ml), from (0, 0), rising in both."""
    if len(points) < 2 or tuple(points[0]) != (0.0, 0.0):
        raise Impossible("points", list(points)[:1], "two or more pairs, the first of them 0, 0")
    for (h0, v0), (h1, v1) in pairwise(points):
        if not (h1 > h0 and v1 > v0 and math.isfinite(h1) and math.isfinite(v1)):
            raise Impossible("points", (h1, v1), f"above {h0:g} mm and {v0:g} ml")
    return RigTank(_size("depth_mm", points[-1][0]), points=tuple((h, v) for h, v in points))


@dataclass(frozen=True)
class RigPump:
    """A small pump at its rated voltage.

    head_mm: lift at which it delivers nothing; flow_ml_s: flow against no lift; between them a
    parabola, or instead of all three `curve`, points (ml/s, mm) from no flow to no head, straight
    between them and beyond the last one. Flow follows the speed and head its square (affinity
    laws), speed the voltage.
    running_ma, dry_ma, stalled_ma: current when moving water, air, or blocked; start_ma for
    start_ms: the rush at the start. turns_mv: voltage below which it does not turn.
    prime_s: time it runs before it has drawn water into an empty hose (0: it stands in water).
    open_ml_s: what flows through it, stopped, under a head of one metre.
    """

    head_mm: float = 1000.0
    flow_ml_s: float = 25.0
    curve: tuple[tuple[float, float], ...] = ()
    rated_mv: float = 3700.0
    turns_mv: float = 1800.0
    running_ma: float = 180.0
    dry_ma: float = 90.0
    stalled_ma: float = 450.0
    start_ma: float = 450.0
    start_ms: float = 60.0
    prime_s: float = 0.0
    open_ml_s: float = 15.0

    def __post_init__(self) -> None:
        need("pump.head_mm", self.head_mm, 50.0, 50_000.0, "mm")
        need("pump.flow_ml_s", self.flow_ml_s, 0.1, 1000.0, "ml/s")
        need("pump.rated_mv", self.rated_mv, 1000.0, 60_000.0, "mV")
        need("pump.turns_mv", self.turns_mv, 100.0, self.rated_mv, "mV")
        for key in ("running_ma", "dry_ma", "stalled_ma", "start_ma"):
            need("pump." + key, getattr(self, key), 1.0, 50_000.0, "mA")
        need("pump.start_ms", self.start_ms, 0.0, 1000.0, "ms")
        need("pump.prime_s", self.prime_s, 0.0, 120.0, "s")
        need("pump.open_ml_s", self.open_ml_s, 0.0, 1000.0, "ml/s")
        if self.curve and (len(self.curve) < 2 or self.curve[0][0] != 0.0):
            raise Impossible("pump.curve", self.curve, "two or more points, the first at no flow")
        for (q0, h0), (q1, h1) in pairwise(self.curve):
            if not (q1 > q0 and h1 < h0):
                raise Impossible("pump.curve", (q1, h1), f"more than {q0:g} ml/s, below {h0:g} mm")
        if self.curve:
            need("pump.curve", self.curve[0][1], 50.0, 50_000.0, "mm")
            need("pump.curve", self.curve[-1][0], 0.1, 1000.0, "ml/s")
            if self.curve[-1][1] != 0.0:
                raise Impossible("pump.curve", self.curve[-1], "a last point at no head, 0 mm")

    @property
    def free_ml_s(self) -> float:
        """Flow against no lift at the rated speed."""
        return self.curve[-1][0] if self.curve else self.flow_ml_s

    def lift_mm(self, flow_ml_s: float, speed: float) -> float:
        """Head at a flow and a share of the rated speed; below none beyond its free flow."""
        flow = flow_ml_s / speed
        if self.curve:
            (q0, h0), (q1, _) = self.curve[-2:]
            head = h0 * (q1 - flow) / (q1 - q0) if flow > q1 else along(self.curve, flow)
            return speed * speed * head
        return speed * speed * self.head_mm * (1.0 - (flow / self.flow_ml_s) ** 2)


@dataclass(frozen=True)
class RigHose:
    """From the tank to the pot.

    inner_mm, length_mm: bore and length; rough_mm: wall roughness; bends: right angles, each
    counted as a sharp one. end_mm: height of the end, below none if under the tank's floor;
    crest_mm: highest point (the higher of brim and end unless told). holes, hole_mm: drip holes
    in parallel (0: an open end); discharge: their coefficient, 0.61 for a sharp edge.
    check_valve: keeps the hose full between runs (and lets a siphon run: it opens that way).
    siphon_break: a hole or valve that lets air in.
    """

    inner_mm: float = 4.0
    length_mm: float = 600.0
    end_mm: float = 250.0
    crest_mm: float | None = None
    rough_mm: float = 0.0015
    bends: int = 2
    holes: int = 0
    hole_mm: float = 1.0
    discharge: float = 0.61
    check_valve: bool = False
    siphon_break: bool = True

    def __post_init__(self) -> None:
        need("hose.inner_mm", self.inner_mm, 1.0, 50.0, "mm")
        need("hose.length_mm", self.length_mm, 10.0, 50_000.0, "mm")
        need("hose.end_mm", self.end_mm, -5000.0, 20_000.0, "mm")
        if self.crest_mm is not None:
            need("hose.crest_mm", self.crest_mm, self.end_mm, 20_000.0, "mm")
        need("hose.rough_mm", self.rough_mm, 0.0, self.inner_mm / 20.0, "mm")
        need("hose.bends", self.bends, 0, 100)
        need("hose.holes", self.holes, 0, 1000)
        need("hose.hole_mm", self.hole_mm, 0.1, 20.0, "mm")
        need("hose.discharge", self.discharge, 0.3, 1.0)

    @property
    def bore_mm2(self) -> float:
        """Cross-section of the bore."""
        return math.pi / 4.0 * self.inner_mm**2

    @property
    def volume_ml(self) -> float:
        """What the hose holds."""
        return self.bore_mm2 * self.length_mm / 1000.0

    def loss_mm(self, flow_ml_s: float) -> float:
        """Head lost to friction, fittings and outlet at a flow.

        Darcy-Weisbach with the friction factor of `fluids` (laminar, else Colebrook's solution),
        and v = Cd sqrt(2 g h) through the holes.
        """
        fluids = import_module("fluids")
        speed_mm_s = 1000.0 * flow_ml_s / self.bore_mm2
        if speed_mm_s <= 0.0:
            return 0.0
        reynolds = speed_mm_s * self.inner_mm / VISCOSITY_MM2_S
        factor = fluids.friction_factor(Re=reynolds, eD=self.rough_mm / self.inner_mm)
        losses = LOSS_ENTRANCE + self.bends * float(fluids.fittings.bend_miter(angle=90.0))
        losses += factor * self.length_mm / self.inner_mm
        lost = (losses + (0.0 if self.holes else LOSS_EXIT)) * speed_mm_s**2 / (2 * GRAVITY_MM_S2)
        if self.holes:
            hole_mm2 = math.pi / 4.0 * self.hole_mm**2
            jet_mm_s = 1000.0 * flow_ml_s / (self.holes * self.discharge * hole_mm2)
            lost += jet_mm_s**2 / (2.0 * GRAVITY_MM_S2)
        return float(lost)


def crest_mm(tank: RigTank, hose: RigHose) -> float:
    """The hose's highest point: as told, else the higher of the tank's brim and the hose's end."""
    return max(tank.depth_mm, hose.end_mm) if hose.crest_mm is None else hose.crest_mm


def way_mm(tank: RigTank, hose: RigHose, intake_mm: float) -> tuple[float, float]:
    """(up from the intake to the crest, from there down to the end): no hose is shorter."""
    crest = crest_mm(tank, hose)
    return max(0.0, crest - intake_mm), crest - hose.end_mm


class Plumbing:
    """One tank, pump and hose, solved for every tank level and pump speed that can occur.

    `plumbing` shares it between runs. Raises Impossible where the pump cannot lift water over the
    crest even from a full tank with a full cell, and where the hose is too short for its way.
    """

    def __init__(
        self,
        tank: RigTank,
        pump: RigPump,
        hose: RigHose,
        intake_mm: float = 10.0,
        full_mv: float = FULL_MV,
    ) -> None:
        need("intake_mm", intake_mm, 0.0, 0.9 * tank.depth_mm, "mm")
        self.tank, self.pump, self.hose = tank, pump, hose
        self.intake_ml = tank.volume_ml(intake_mm)
        self.capacity_ml = tank.capacity_ml
        self.hose_ml = hose.volume_ml
        self.crest_mm = crest_mm(tank, hose)
        self.step_ml = self.capacity_ml / (LEVELS - 1)
        self._heights = [tank.height_mm(n * self.step_ml) for n in range(LEVELS)]
        full = full_mv / pump.rated_mv
        if pump.turns_mv >= full_mv:
            allowed = f"below a full battery's {full_mv:g} mV"
            raise Impossible("pump.turns_mv", pump.turns_mv, allowed)
        lift = self.crest_mm - tank.depth_mm
        if pump.lift_mm(0.0, full) <= lift:
            raise Impossible(
                "pump.curve" if pump.curve else "pump.head_mm",
                pump.lift_mm(0.0, 1.0),
                f"above {lift / full**2:.1f} mm at its rated voltage, to lift {lift:g} mm from a "
                f"full tank to the crest at a full battery's {full_mv:g} mV",
            )
        up, down = way_mm(tank, hose, intake_mm)
        if hose.length_mm < up + down:
            way = f"{up:g} mm up from the intake to the crest, {down:g} mm down to the end"
            raise Impossible("hose.length_mm", hose.length_mm, f"{up + down:g} to 50000 mm ({way})")
        self._slowest, self._step = SLOWEST * min(1.0, full), SPEED_STEP * min(1.0, full)
        # One row beyond the full cell: while it is charged its voltage is a little above
        self._speeds = 2 + math.ceil((full - self._slowest) / self._step)
        self._flows = [
            [self.solved_ml_s(level, self._slowest + n * self._step) for level in self._heights]
            for n in range(self._speeds)
        ]
        self.siphon_end_ml = max(self.intake_ml, tank.volume_ml(hose.end_mm))
        self._siphons = [self._siphoned(level) for level in self._heights]

    def _solve(self, surplus: Callable[[float], float], most_ml_s: float) -> float:
        """Flow at which the driving head is used up; `surplus` falls with flow."""
        if surplus(0.0) <= 0.0:
            return 0.0
        if surplus(most_ml_s) >= 0.0:
            return most_ml_s
        return float(import_module("fluids.numerics").brenth(surplus, 0.0, most_ml_s, xtol=1e-9))

    def solved_ml_s(self, level_mm: float, speed: float) -> float:
        """Flow at a surface height and a share of the rated speed, solved anew (slow)."""
        if self.pump.lift_mm(0.0, speed) <= self.crest_mm - level_mm:
            return 0.0
        lift = self.hose.end_mm - level_mm

        def surplus(flow: float) -> float:
            return self.pump.lift_mm(flow, speed) - lift - self.hose.loss_mm(flow)

        # A head below the tank can drive more than the pump's free flow.
        return self._solve(surplus, 10.0 * self.pump.free_ml_s)

    def _siphoned(self, level_mm: float) -> float:
        drop = level_mm - self.hose.end_mm
        if drop <= 0.0 or self.pump.open_ml_s <= 0.0:
            return 0.0

        def surplus(flow: float) -> float:
            return drop - self.hose.loss_mm(flow) - 1000.0 * (flow / self.pump.open_ml_s) ** 2

        return self._solve(surplus, 10.0 * self.pump.open_ml_s * math.sqrt(drop / 1000.0))

    def _place(self, volume_ml: float) -> tuple[int, float]:
        place = volume_ml / self.step_ml
        index = int(place)
        if index >= LEVELS - 1:
            return LEVELS - 2, 1.0
        return index, place - index

    def level_mm(self, volume_ml: float) -> float:
        """Height of the surface, from the table (for readings; `tank.height_mm` is exact)."""
        place = volume_ml / self.step_ml
        index = int(place)
        if index >= LEVELS - 1:
            return self._heights[-1]
        low = self._heights[index]
        return low + (place - index) * (self._heights[index + 1] - low)

    def surely_above_ml(self, level_mm: float) -> float:
        """A content from which on `level_mm` is above that height; infinite if there is none."""
        above = (n for n, height in enumerate(self._heights) if height > level_mm + 1e-6)
        return next((n * self.step_ml for n in above), math.inf)

    def flow_ml_s(self, volume_ml: float, voltage_mv: float) -> float:
        """What the running pump delivers at a tank volume and a voltage; its intake under water."""
        row = (voltage_mv / self.pump.rated_mv - self._slowest) / self._step
        if row < 0.0:
            return 0.0
        whole = int(row)
        if whole >= self._speeds - 1:
            whole, row = self._speeds - 2, self._speeds - 1.0
        index, part = self._place(volume_ml)
        slow, fast = self._flows[whole], self._flows[whole + 1]
        low = slow[index] + part * (slow[index + 1] - slow[index])
        high = fast[index] + part * (fast[index + 1] - fast[index])
        return low + (row - whole) * (high - low)

    def siphon_ml_s(self, volume_ml: float) -> float:
        """What runs through a full hose by itself with the pump stopped; 0 if the end is above the
        surface.
        """
        if volume_ml <= self.siphon_end_ml:
            return 0.0
        index, part = self._place(volume_ml)
        low = self._siphons[index]
        return low + part * (self._siphons[index + 1] - low)


@lru_cache(maxsize=64)
def plumbing(
    tank: RigTank, pump: RigPump, hose: RigHose, intake_mm: float = 10.0, full_mv: float = FULL_MV
) -> Plumbing:
    """The solved line for those parts; kept, since solving takes some tens of milliseconds."""
    return Plumbing(tank, pump, hose, intake_mm, full_mv)


class Line:
    """The water in one tank and hose. The caller decides where water from the hose goes."""

    def __init__(self, parts: Plumbing, tank_ml: float) -> None:
        self.parts = parts
        self.tank_ml = need("tank_ml", tank_ml, 0.0, parts.capacity_ml, "ml")
        self.hose_ml = 0.0
        self._drawing_s = 0.0

    @property
    def stored_ml(self) -> float:
        """Water in tank and hose."""
        return self.tank_ml + self.hose_ml

    @property
    def level_mm(self) -> float:
        """Height of the surface above the tank's floor."""
        return self.parts.level_mm(self.tank_ml)

    def pump(
        self, step_s: float, voltage_mv: float, clogged: float = 0.0, blocked: bool = False
    ) -> tuple[float, str]:
        """Run the pump for a step: (ml out of the end, what it did).

        It did one of: "moving", "filling" the hose, "dry", "stalled" (does not turn), "lifting"
        (turns, but the head is too much). `clogged` is the share of the flow that is lost, 0 to 1.
        """
        parts = self.parts
        if blocked or voltage_mv < parts.pump.turns_mv:
            return 0.0, "stalled"
        reach = self.tank_ml - parts.intake_ml
        if reach <= 0.0:
            return 0.0, "dry"
        if self.hose_ml <= 0.0:
            self._drawing_s += step_s
            if self._drawing_s <= parts.pump.prime_s:
                return 0.0, "dry"
        moved = (1.0 - clogged) * parts.flow_ml_s(self.tank_ml, voltage_mv) * step_s
        if moved <= 0.0:
            return 0.0, "lifting"
        if moved > reach:
            moved = reach
        self.tank_ml -= moved
        room = parts.hose_ml - self.hose_ml
        if room <= 0.0:
            return moved, "moving"
        kept = moved if moved < room else room
        self.hose_ml += kept
        return moved - kept, "filling" if kept == moved else "moving"

    def stop(self) -> None:
        """The pump has stopped: the hose drains back unless a valve or a siphon keeps it full."""
        self._drawing_s = 0.0
        if self.parts.hose.check_valve or self.siphoning:
            return
        back = min(self.hose_ml, self.parts.capacity_ml - self.tank_ml)
        self.tank_ml += back
        self.hose_ml = 0.0 if back == self.hose_ml else self.hose_ml - back

    @property
    def siphoning(self) -> bool:
        """Whether water runs by itself: a full hose, its end below the surface, no air let in."""
        parts = self.parts
        return (
            not parts.hose.siphon_break
            and self.hose_ml >= 0.999 * parts.hose_ml
            and parts.siphon_ml_s(self.tank_ml) > 1e-3
        )

    def siphon_step_s(self) -> float:
        """Time in which a siphon changes the level little enough to be one step."""
        return min(600.0, 0.5 * self.parts.step_ml / self.parts.siphon_ml_s(self.tank_ml))

    def siphon(self, step_s: float, clogged: float = 0.0) -> float:
        """Let a siphon run for a step (at most `siphon_step_s`): ml out of the end."""
        parts = self.parts
        flow = (1.0 - clogged) * parts.siphon_ml_s(self.tank_ml)
        moved = min(flow * step_s, self.tank_ml - parts.siphon_end_ml)
        self.tank_ml -= moved
        if not self.siphoning:
            self.stop()
        return moved

    def leak(self, amount_ml: float) -> float:
        """Take up to an amount straight out of the tank: ml that left."""
        gone = min(amount_ml, self.tank_ml)
        self.tank_ml -= gone
        return gone

    def refill(self, amount_ml: float) -> float:
        """Pour into the tank: ml that ran over the brim."""
        over = max(0.0, self.tank_ml + amount_ml - self.parts.capacity_ml)
        self.tank_ml += amount_ml - over
        return over
