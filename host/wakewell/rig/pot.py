"""One simulated pot: soil, tank, hose, pump, cell, probes and faults, carried through time.

What belongs here: joining the parts, the passage of time from event to event, the pump's run in
short steps, and every raw reading a board could take. What does not: any decision. The caller (a
simulated board, a test) says when it wakes, reads and pumps.

Water is ml, charge mAh, time s since the run's start.
"""

import math
from collections.abc import Callable, Generator, Iterable, Sequence
from copy import copy
from dataclasses import dataclass, field, replace
from functools import lru_cache
from random import Random
from typing import Any

from . import probes
from .battery import Cell, RigBattery
from .errors import Impossible, Stopped, need
from .faults import Fault, Faults
from .hydraulics import Line, RigHose, RigPump, RigTank, box, plumbing, way_mm
from .panel import Panel, charging_ma, powers_mw
from .soil import SUBSTRATES, Container, Plant, Substrate, Vessel
from .weather import PLACES, Climate, Place, climate

DAY_S = 86_400.0
BATCH_S = 5.0  # pump steps are booked to soil and cell this often, and before any reading
IDLE_STEP_S = 600.0  # step of a pump that is on but moves nothing, while nobody looks
CHARGING_STEP_S = 600.0
FELT_S = 5.0  # a cell's rest voltage is taken as constant for so long: it settles within a minute
SOIL_LAG_S = 2.0  # a probe's reading may be this old: soil does not change faster
SAUCER_LAG_S = 1.0  # and this old a reading of the saucer's probe while the pump runs
STEADY_S = 1.0  # a pump's flow is taken as constant for so long: level and voltage change little
CURRENT_NOISE_UV = 1_000.0  # standard deviation of a sample of the pump-current sense
SAUCER_WET_ML = 1.0  # less than this in the saucer wets no probe
WET_ML = 2.0  # and less than this on the floor
PUDDLE_ML = 50.0  # more than this runs off or is wiped up
DRIES_ML_S = 4.0 / 3600.0  # a puddle of that size is gone in half a day; own assumptions


@dataclass(frozen=True)
class BoardLoad:
    """What the board draws and needs, and how well it keeps time asleep.

    sleep_ua, awake_ma, radio_ma: drawn from the cell in each state, regulator included;
    leak_ua: divider and whatever else always draws. A bare module; development boards with a USB
    bridge sleep at milliamperes. browns_out_mv: cell voltage below which the chip resets.
    sleep_error: standard deviation of the sleep oscillator, a share.
    """

    sleep_ua: float = 15.0
    awake_ma: float = 45.0
    radio_ma: float = 130.0
    leak_ua: float = 5.0
    browns_out_mv: float = 2900.0
    sleep_error: float = 0.01

    def __post_init__(self) -> None:
        need("board.sleep_ua", self.sleep_ua, 0.1, 100_000.0, "uA")
        need("board.awake_ma", self.awake_ma, 0.1, 2_000.0, "mA")
        need("board.radio_ma", self.radio_ma, 0.1, 2_000.0, "mA")
        need("board.leak_ua", self.leak_ua, 0.0, 1_000_000.0, "uA")
        need("board.browns_out_mv", self.browns_out_mv, 1_500.0, 4_100.0, "mV")
        need("board.sleep_error", self.sleep_error, 0.0, 0.1)


@dataclass(frozen=True)
class PotSpec:
    """Everything a simulated pot is made of; every part has a usable default.

    water: mean water content at the start (ml/ml; None: drained capacity); tank_ml: None for
    full; charge: share, 0 to 1; start_day: day of the climate's year, 0 to 364; sample_s: step of
    a pump run, the core's own sample interval; shunt_uv_ma: output of a pump-current sense.
    clock_off: the share by which its clock is fast asleep; None: drawn by board.sleep_error.
    """

    substrate: Substrate = SUBSTRATES["peat mix"]
    vessel: Vessel = field(default_factory=lambda: Vessel(15.0, 200.0, 150.0))
    plant: Plant = field(default_factory=Plant)
    place: Place | Climate = PLACES["balcony"]
    water: float | None = None
    tank: RigTank = field(default_factory=lambda: box(100.0, 150.0, 200.0))
    pump: RigPump = field(default_factory=RigPump)
    hose: RigHose = field(default_factory=RigHose)
    intake_mm: float = 10.0
    tank_ml: float | None = None
    cell: Cell = field(default_factory=Cell)
    panel: Panel = field(default_factory=Panel)
    charge: float = 1.0
    board: BoardLoad = field(default_factory=BoardLoad)
    converter: probes.Converter = field(default_factory=probes.Converter)
    probe: probes.SoilProbe = field(default_factory=probes.SoilProbe)
    level: probes.LevelGauge = field(default_factory=probes.LevelGauge)
    divider: probes.Divider = field(default_factory=probes.Divider)
    shunt_uv_ma: float = 1_000.0
    start_day: float = 0
    sample_s: float = 0.2
    clock_off: float | None = None
    faults: tuple[Fault, ...] = ()

    def __post_init__(self) -> None:
        if self.clock_off is not None:
            need("clock_off", self.clock_off, -0.2, 0.2)
        need("start_day", self.start_day, 0, 364, "day")
        need("sample_s", self.sample_s, 0.01, 2.0, "s")
        need("shunt_uv_ma", self.shunt_uv_ma, 0.0, 100_000.0, "uV/mA")
        for fault in (fault for fault in self.faults if fault.kind == "siphon"):
            way = sum(way_mm(self.tank, self.slipped(0.0), self.intake_mm))
            most = self.hose.length_mm - way
            if fault.much > most:
                reach = f"0 to {most:g} mm" if most >= 0.0 else "no siphon"
                said = f"{reach}, the hose is {self.hose.length_mm:g} mm long"
                raise Impossible("fault.amount", fault.much, said)

    def slipped(self, hangs_mm: float) -> RigHose:
        """The hose once it has slipped over the brim: its end so far below the tank's floor."""
        return replace(self.hose, end_mm=-hangs_mm, crest_mm=None, siphon_break=False)


@dataclass(slots=True)
class Counts:
    """What went through the tank (ml), and what the cell gave to whom (mAh)."""

    pumped_ml: float = 0.0  # out of the hose end by the pump
    siphoned_ml: float = 0.0
    missed_ml: float = 0.0  # of those two, what fell beside the pot
    leaked_ml: float = 0.0
    refilled_ml: float = 0.0
    brim_ml: float = 0.0  # refilled, but over the brim
    emptied_ml: float = 0.0  # poured away out of the saucer, carried away with the tank
    asleep_mah: float = 0.0
    awake_mah: float = 0.0
    radio_mah: float = 0.0
    pump_mah: float = 0.0
    leak_mah: float = 0.0
    faded_mah: float = 0.0
    charged_mah: float = 0.0
    pump_s: float = 0.0
    dry_s: float = 0.0
    starts: int = 0
    brownouts: int = 0

    @property
    def used_mah(self) -> float:
        """What was drawn and what was lost by itself; not what an aged cell can no longer hold."""
        used = self.asleep_mah + self.awake_mah + self.radio_mah + self.pump_mah
        return used + self.leak_mah + self.faded_mah


class _Sensed(dict[float, int]):
    """Counts of the pump-current sense at one current, by their deviate: each is read once."""

    def __init__(self, converter: probes.Converter, sensed_uv: float) -> None:
        self.read, self.sensed_uv = converter.reader(), sensed_uv

    def __missing__(self, deviate: float) -> int:
        uv = self.sensed_uv + CURRENT_NOISE_UV * deviate
        self[deviate] = count = self.read(uv if uv > 0.0 else 0.0)
        return count


_sensed = lru_cache(maxsize=16)(_Sensed)  # a running pump draws the same in every pulse
_NEVER_ON: dict[float, int] = {}


class RigPot:
    """A pot from its spec and one seed; equal specs, seeds and calls give equal counts.

    `advance` carries it through time, `pump_on` and `pump_off` are the switch, `state` is
    "asleep", "awake" or "radio" and sets the board's current. `reset` names why the chip lost its
    run ("brown-out", "power") until the driver sets it back to "". `charger_ma` above 0 charges,
    and so does `sun_ma`, which a panel's charger gives now.
    `hose_at` says where the hose ends: "pot", "cup" (`cup_ml` is in it) or "beside" the pot.
    """

    # It has more names than CPython's fast table of an instance holds: slots save 5 % of the time
    # of a simulated year.
    __slots__ = (
        "_air_c",
        "_batch_mas",
        "_batch_ml",
        "_batch_s",
        "_battery_off_mv",
        "_begin_s",
        "_blocked",
        "_board_ma",
        "_board_mas",
        "_browns_out_mv",
        "_calm",
        "_clock_rate",
        "_clogged",
        "_deviate",
        "_divided",
        "_divider_noise_uv",
        "_draws_ma",
        "_drift_s",
        "_drifts",
        "_felt_until_s",
        "_floor_ml",
        "_frozen",
        "_hose_off",
        "_leak_ma",
        "_leak_ml_s",
        "_level_frozen",
        "_level_odd",
        "_level_off_mm",
        "_level_railed",
        "_lifted_ml",
        "_look",
        "_pot_c",
        "_powers_mw",
        "_probe_at",
        "_probe_counts",
        "_probe_frozen",
        "_probe_noise_uv",
        "_probe_out",
        "_probe_railed",
        "_probe_until_s",
        "_probe_uv",
        "_puddle_ml",
        "_puddle_s",
        "_pump_ma",
        "_resistance_mohm",
        "_rest_mv",
        "_saucer_until_s",
        "_saucer_wet",
        "_shunt_uv_ma",
        "_soil",
        "_soil_off_k",
        "_soil_s",
        "_sound",
        "_state",
        "_steady_ml",
        "_steady_ml_s",
        "_steady_until_s",
        "_stuck",
        "_sun_ma",
        "_sunlit",
        "_weather_until_s",
        "battery",
        "charger_ma",
        "climate",
        "clock_s",
        "converted",
        "counts",
        "cup_ml",
        "faults",
        "hose_at",
        "line",
        "pump_did",
        "random",
        "reset",
        "spec",
        "switched_on",
        "t_s",
    )  # fmt: skip

    def __init__(self, spec: PotSpec, seed: int = 0) -> None:
        self.spec = spec
        self.climate = spec.place if isinstance(spec.place, Climate) else climate(spec.place)
        self._soil = Container(spec.substrate, spec.vessel, spec.plant, spec.water)
        self._sound = plumbing(spec.tank, spec.pump, spec.hose, spec.intake_mm, spec.cell.full_mv)
        full = self._sound.capacity_ml
        self._lifted_ml = math.inf  # tank content from which on no noise lets a float sink
        if spec.level.kind == "float":
            self._lifted_ml = self._sound.surely_above_ml(
                spec.level.float_mm + probes.MOST_NOISE * spec.level.noise_raw
            )
        self.line = Line(self._sound, full if spec.tank_ml is None else spec.tank_ml)
        self.battery = RigBattery(spec.cell, spec.charge)
        self.random = Random(f"pot {seed}")
        self.converted = spec.converter.reader()
        self._probe_counts = round if spec.probe.weighs else self.converted
        self._divided = spec.divider.uv_per_mv
        self._probe_noise_uv, self._divider_noise_uv = spec.probe.noise_uv, spec.divider.noise_uv
        self._shunt_uv_ma = spec.shunt_uv_ma
        self.faults = Faults(spec.faults, seed)
        self.counts = Counts()
        self.t_s = 0.0
        self._felt_until_s = self._weather_until_s = -1.0
        self._probe_until_s = self._saucer_until_s = self._steady_until_s = -1.0
        self._air_c = self._pot_c = self._probe_uv = 0.0
        self._saucer_wet = 0
        self._steady_ml_s = self._steady_ml = 0.0
        self._calm = False
        board = spec.board
        self._board_mas = {
            "asleep": 0.001 * board.sleep_ua,
            "awake": board.awake_ma,
            "radio": board.radio_ma,
        }
        self.state = "asleep"
        self.reset = ""
        self.charger_ma = self._sun_ma = 0.0
        self._sunlit: float | None = None
        self._powers_mw: tuple[float, ...] = ()
        if spec.panel.peak_mw:
            self._powers_mw = powers_mw(spec.panel, tuple(self.climate.air_c))
        self.clock_s = 0.0
        self._browns_out_mv = board.browns_out_mv
        self._leak_ma = 0.001 * board.leak_ua
        drawn = max(-0.2, min(0.2, self.random.gauss(0.0, board.sleep_error)))
        self._clock_rate = 1.0 + (drawn if spec.clock_off is None else spec.clock_off)
        self._deviate = probes.deviates(self.random).__next__
        looks = {"gauge": self._gauge_uv, "float": spec.level.float_up, "echo": self._echo_us}
        self._look = looks[spec.level.kind]
        self._begin_s = spec.start_day * DAY_S
        self._soil_s = 0.0
        self.hose_at, self.cup_ml = "pot", 0.0
        self._probe_at = "pot"
        self.switched_on = False
        self._stuck = False
        pump = spec.pump
        self._draws_ma = {"off": 0.0, "dry": pump.dry_ma, "stalled": pump.stalled_ma}
        self._turn("off")
        self._batch_ml = self._batch_s = self._batch_mas = 0.0
        self._rest_mv = self._resistance_mohm = 0.0
        self._frozen: dict[str, int] = {}
        self._floor_ml = 0.0
        self._puddle_ml = self._puddle_s = 0.0
        self.meet_faults()

    # --- time ------------------------------------------------------------------------------------

    def advance(self, seconds: float) -> None:
        """Let time pass, 0 s or more; raises Stopped in a state that no pot can be in."""
        if not 0.0 <= seconds < 1e11:
            raise Impossible("seconds", seconds, "0 to 1e11 s")
        faults, line, now, end = self.faults, self.line, self.t_s, self.t_s + seconds
        while now < end:
            stop = faults.next_s
            if stop > end:
                stop = end
            left = stop - now
            if self.switched_on or self._stuck:
                step = self._pump_step(left)
            elif line.parts.hose.siphon_break or not line.siphoning:
                step = self._quiet_step(left)
                self._check()
            else:
                step = self._siphon_step(left)
                self._check()
            self.clock_s += step * self._clock_rate if self._state == "asleep" else step
            self.t_s = now = stop if step >= left else now + step
            if now >= faults.next_s:
                self.meet_faults()

    def run_on(self, step_s: float) -> None:
        """As `advance` for one sample of a running pump, quicker where nothing else happens."""
        end = self.t_s + step_s
        line = self.line
        if end < self._steady_until_s and line.tank_ml > self._steady_ml:
            moved = self._steady_ml_s * step_s
            line.tank_ml -= moved
            self._batch_ml += moved
            self._batch_s += step_s
            self._batch_mas += self._pump_ma * step_s
            self.clock_s += step_s
            self.t_s = end
            return
        alone = self.switched_on and step_s <= self.spec.sample_s and end < self.faults.next_s
        if not alone or self._state == "asleep":
            self.advance(step_s)
            return
        self._pump_step(step_s)
        self.clock_s += step_s
        self.t_s = end

    def looks(
        self,
        steps: Iterable[tuple[int, float]],
        now: list[int],
        places: tuple[int, int, int, int],
        levels: dict[int, int],
        lost: Callable[[], None],
    ) -> Generator[None, Any, None]:
        """`run_on` by each step, then a sample into `now`: begin with `next`, then once for each.

        steps: (ms since the start at its end, its length in s). places: of time, level, battery
        and current in `now`; below 0: no current. levels: what stands there for those raw levels.
        lost: called in place of a sample once there was a reset.

        For one pulse. The steady flow is written out here, for speed: most samples of a year are
        taken in it.
        """
        ms_at, level_at, battery_at, current_at = places
        line, deviate, convert, look = self.line, self._deviate, self.converted, self._look
        noise_uv, lifted_ml, level_of = self._divider_noise_uv, self._lifted_ml, levels.get
        up = level_of(1, 1)
        until_s = steady_ml = steady_ml_s = pin_uv = 0.0
        pump_ma, sensed = -1.0, _NEVER_ON
        yield
        for now[ms_at], step_s in steps:
            end = self.t_s + step_s
            if end < until_s and line.tank_ml > steady_ml:
                moved = steady_ml_s * step_s
                line.tank_ml = tank_ml = line.tank_ml - moved
                self._batch_ml += moved
                self._batch_s += step_s
                self._batch_mas += pump_ma * step_s
                self.clock_s += step_s
                self.t_s = end
                noise = deviate()
                if tank_ml < lifted_ml:
                    raw = look(line.parts.level_mm(tank_ml), noise)
                    now[level_at] = level_of(raw, raw)
                else:
                    now[level_at] = up
                now[battery_at] = convert(pin_uv + noise_uv * deviate())
                if current_at >= 0:
                    now[current_at] = sensed[deviate()]
                yield
                continue
            self.run_on(step_s)
            if self.reset:
                lost()
                yield
                continue
            if line.tank_ml < lifted_ml or self._level_odd:
                raw = self.level_raw()
                now[level_at] = level_of(raw, raw)
            else:
                deviate()
                now[level_at] = up
            pin_uv = self._divided * self.cell_mv()
            now[battery_at] = convert(pin_uv + noise_uv * deviate())
            if current_at >= 0:
                if self._pump_ma != pump_ma:
                    pump_ma = self._pump_ma
                    sensed = _sensed(self.spec.converter, self._shunt_uv_ma * pump_ma)
                now[current_at] = sensed[deviate()]
            if self._calm:
                pump_ma, steady_ml, steady_ml_s = self._pump_ma, self._steady_ml, self._steady_ml_s
                until_s, felt_until_s = self._steady_until_s, self._felt_until_s
                if until_s > felt_until_s:
                    until_s = felt_until_s
            else:
                until_s = 0.0
            yield

    def sleep(self, commanded_s: float) -> None:
        """Sleep as long as the board's own clock says, then be awake."""
        self.state = "asleep"
        self.advance(self.by_own_clock(commanded_s))
        self.state = "awake"

    def by_own_clock(self, seconds: float) -> float:
        """How long it really lasts until the sleep oscillator has counted so many seconds."""
        return seconds / self._clock_rate

    def _feel_weather(self) -> None:
        """Look up the hour's temperatures, once an hour."""
        if self.t_s < self._weather_until_s:
            return
        now = self._begin_s + self.t_s
        hour = self.climate.hour(now)
        self._air_c, self._pot_c = self.climate.air_c[hour], self.climate.pot_c[hour]
        self._weather_until_s = self.t_s + 3600.0 - now % 3600.0
        if self._powers_mw:
            rest_mv = self.battery.rest_mv(self._air_c)
            panel, power = self.spec.panel, self._powers_mw[hour]
            if self._sunlit is not None:
                power = self._sunlit * panel.charger * panel.peak_mw
            self._sun_ma = charging_ma(panel, power, rest_mv, self._air_c)

    def light_panel(self, share: float | None) -> None:
        """Light by hand: so much of full sun on the panel, 0: covered; None: as it stands."""
        self._sunlit, self._weather_until_s = share, self.t_s

    @property
    def air_c(self) -> float:
        """Temperature of the air, and of the cell, °C."""
        self._feel_weather()
        return self._air_c

    @property
    def sun_ma(self) -> float:
        """What the panel's charger gives now, mA."""
        self._feel_weather()
        return self._sun_ma

    @property
    def pot_c(self) -> float:
        """Temperature of the substrate, °C."""
        self._feel_weather()
        return self._pot_c

    @property
    def state(self) -> str:
        """What the board does: "asleep", "awake" or "radio"; sets what it draws."""
        return self._state

    @state.setter
    def state(self, state: str) -> None:
        self._state, self._board_ma = state, self._board_mas[state]
        self._steady_until_s = -1.0

    def _draw(self, seconds: float, pump_ma: float) -> None:
        """Book a span's charge to the cell and to who took it."""
        counts, board_ma, leak_ma = self.counts, self._board_ma, self._leak_ma
        if self.t_s >= self._weather_until_s:
            self._feel_weather()
        hours = seconds / 3600.0
        drawn_ma = board_ma + leak_ma + pump_ma
        battery = self.battery
        given_ma = self.charger_ma + self._sun_ma
        if given_ma > 0.0:
            refused_mah = battery.refused_mah
            taken_ma = battery.taking_ma(given_ma, self._air_c)
            counts.faded_mah += battery.use(drawn_ma - taken_ma, seconds, self._air_c)
            counts.charged_mah += taken_ma * hours - (battery.refused_mah - refused_mah)
        elif battery.charge_mah > 0.0:
            counts.faded_mah += battery.use(drawn_ma, seconds, self._air_c)
        else:
            return  # the cell's protection has opened
        counts.leak_mah += leak_ma * hours
        if pump_ma > 0.0:
            counts.pump_mah += pump_ma * hours
        state = self._state
        if state == "asleep":
            counts.asleep_mah += board_ma * hours
        elif state == "awake":
            counts.awake_mah += board_ma * hours
        else:
            counts.radio_mah += board_ma * hours

    def _quiet_step(self, left_s: float) -> float:
        charged = self.charger_ma > 0.0 or self._powers_mw
        step = min(left_s, CHARGING_STEP_S) if charged else left_s
        awake = self._state != "asleep"
        if awake and not self.reset and self.cell_mv() < self._browns_out_mv:
            self._brown_out()
        self._draw(step, 0.0)
        if self._leak_ml_s > 0.0:
            self._leak(step)
        return step

    def _siphon_step(self, left_s: float) -> float:
        step = min(left_s, self.line.siphon_step_s())
        out = self.line.siphon(step, self._clogged)
        self.counts.siphoned_ml += out
        self._deliver(out)
        self._draw(step, 0.0)
        self._leak(step)
        return step

    def _leak(self, seconds: float) -> None:
        gone = self.line.leak(self._leak_ml_s * seconds)
        self.counts.leaked_ml += gone
        self._wet_floor(gone)

    @property
    def soil(self) -> Container:
        """The substrate, brought up to now: it is only updated when it is read or water moves."""
        if self._batch_s > 0.0:
            self._book_batch()
        self._soil_to(self.t_s)
        return self._soil

    @property
    def seen_soil(self) -> Container:
        """The substrate as the last look or dose left it: this look moves nothing."""
        return self._soil

    def soil_now(self) -> Container:
        """The substrate as it is now, in a copy: this look too moves nothing."""
        soil = copy(self._soil)
        soil.tally = copy(soil.tally)
        soil.advance(self.climate, self._begin_s + self._soil_s, self._begin_s + self.t_s)
        return soil

    def _soil_to(self, t_s: float) -> None:
        soil = self._soil
        soil.advance(self.climate, self._begin_s + self._soil_s, self._begin_s + t_s)
        self._soil_s = t_s
        spilled = soil.tally.floor_ml
        if spilled > self._floor_ml:
            gone, self._floor_ml = spilled - self._floor_ml, spilled
            self._wet_floor(gone)

    def _deliver(self, amount_ml: float) -> None:
        if amount_ml <= 0.0:
            return
        self._soil_to(self.t_s)
        if self.hose_at == "cup":
            self.cup_ml += amount_ml
        elif self._hose_off or self.hose_at == "beside":
            self.counts.missed_ml += amount_ml
            self._wet_floor(amount_ml)
        else:
            self._soil.pour(amount_ml)

    def _wet_floor(self, amount_ml: float) -> None:
        if amount_ml > 0.0:
            self._puddle_ml = min(PUDDLE_ML, self._puddle() + amount_ml)
            self._puddle_s = self.t_s

    def _puddle(self) -> float:
        return max(0.0, self._puddle_ml - DRIES_ML_S * (self.t_s - self._puddle_s))

    # --- pump ------------------------------------------------------------------------------------

    def pump_on(self) -> None:
        """Close the pump's switch: the start's rush may brown the board out at once."""
        if self.switched_on or self._stuck:
            self.switched_on = True
            return
        pump = self.spec.pump
        self._feel_cell()
        rush_mv = self._under(self._board_ma + pump.start_ma)
        self.switched_on = True
        self.counts.starts += 1
        self._turn("starting")
        rush_ma = max(0.0, pump.start_ma - pump.running_ma)
        self.counts.pump_mah += self.battery.take(rush_ma * pump.start_ms / 3.6e6)
        if rush_mv < self._browns_out_mv:
            self._brown_out()

    def pump_off(self) -> None:
        """Open the pump's switch; a stuck relay stays closed."""
        self.switched_on = False
        self._steady_until_s = -1.0
        if not self._stuck and self.pump_did != "off":
            self._stop_pump()

    def _stop_pump(self) -> None:
        self._book_batch()
        self.line.stop()
        self._turn("off")

    def _up(self) -> bool:
        return self._state != "asleep" and not self.reset

    def _brown_out(self) -> None:
        self.counts.brownouts += 1
        self.reset = "brown-out"
        self.pump_off()

    def _feel_cell(self) -> None:
        """Look up the cell's rest voltage and resistance, at most once in FELT_S."""
        if self.t_s < self._felt_until_s:
            return
        if self.t_s >= self._weather_until_s:
            self._feel_weather()
        self._rest_mv, self._resistance_mohm = self.battery.felt(self._air_c)
        self._felt_until_s = self.t_s + FELT_S

    def _under(self, current_ma: float) -> float:
        return self._rest_mv - 0.001 * current_ma * self._resistance_mohm

    def _turn(self, did: str) -> None:
        """The pump does something else now, and draws accordingly."""
        self.pump_did = did
        self._pump_ma = self._draws_ma.get(did, self.spec.pump.running_ma)

    def _pump_step(self, left_s: float) -> float:
        step = self.spec.sample_s
        if self._state == "asleep" and self.pump_did in ("dry", "stalled", "lifting"):
            step = IDLE_STEP_S
        if step > left_s:
            step = left_s
        if self._batch_s == 0.0 and self.t_s >= self._felt_until_s:
            self._feel_cell()
        voltage = self._rest_mv - 0.001 * (self._board_ma + self._pump_ma) * self._resistance_mohm
        flat = self.battery.charge_mah <= 0.0
        out, did = self.line.pump(step, voltage, self._clogged, self._blocked or flat)
        steady = did == self.pump_did == "moving"
        if did != self.pump_did:
            self._turn(did)
        self._batch_ml += out
        self._batch_s += step
        if not flat:
            self._batch_mas += self._pump_ma * step
        if did == "dry":
            self.counts.dry_s += step
        if self._batch_s >= BATCH_S:
            self._book_batch()
        if voltage < self._browns_out_mv and (self.switched_on or self._up()):
            self._brown_out()
        elif steady and self.switched_on and self._state != "asleep" and not flat:
            self._steady_ml_s = out / step
            self._steady_ml = self.line.parts.intake_ml + 2.0 * out
            steady_s, next_s = self.t_s + STEADY_S, self.faults.next_s
            self._steady_until_s = steady_s if steady_s < next_s else next_s
            self._calm = not self._level_odd and self.charger_ma + self._sun_ma <= 0.0
        return step

    def _book_batch(self) -> None:
        """Hand what the pump moved and drew since the last time to soil and cell."""
        seconds, self._batch_s = self._batch_s, 0.0
        if seconds <= 0.0:
            return
        amount, self._batch_ml = self._batch_ml, 0.0
        drawn, self._batch_mas = self._batch_mas, 0.0
        self.counts.pumped_ml += amount
        self.counts.pump_s += seconds
        self._deliver(amount)
        self._draw(seconds, drawn / seconds)
        if self._leak_ml_s > 0.0:
            self._leak(seconds)

    # --- faults and people -----------------------------------------------------------------------

    def meet_faults(self) -> None:
        self._book_batch()
        faults = self.faults
        for fault in faults.reach(self.t_s):
            amount = faults.amount(fault.kind) or 0.0
            if fault.kind == "cell aged":
                self.battery.age(amount)
            elif fault.kind == "clock lost":
                self.clock_s = 0.0
                self.reset = "power"
                self.switched_on = False
            elif fault.kind == "clock jump":
                self.clock_s += amount
        self.battery.extra_mohm = faults.amount("bad contact") or 0.0
        self._felt_until_s = self._probe_until_s = self._steady_until_s = -1.0
        self._clogged = faults.amount("hose clogged") or 0.0
        self._blocked = faults.amount("pump blocked") is not None
        self._hose_off = faults.amount("hose off") is not None
        self._leak_ml_s = (faults.amount("leak") or 0.0) / 3600.0
        hangs = faults.amount("siphon")
        if hangs is None:
            self.line.parts = self._sound
        else:
            hose = self.spec.slipped(hangs)
            self.line.parts = plumbing(
                self.spec.tank, self.spec.pump, hose, self.spec.intake_mm, self.spec.cell.full_mv
            )
        self._probe_railed = faults.amount("probe railed")
        self._probe_out = faults.amount("probe out") is not None
        self._probe_frozen = faults.amount("probe frozen") is not None
        self._level_railed = faults.amount("level railed")
        self._level_frozen = faults.amount("level frozen") is not None
        self._level_odd = self._level_frozen or self._level_railed is not None
        self._level_off_mm = faults.amount("level misread")
        self._battery_off_mv = faults.amount("battery misread")
        self._soil_off_k = faults.amount("thermometer misread") or 0.0
        self._drifts = faults.amount("probe drifts") or 0.0
        self._drift_s = faults.began_s("probe drifts") if self._drifts else 0.0
        if not self._probe_frozen:
            self._frozen.pop("probe", None)
        if not self._level_frozen:
            self._frozen.pop("level", None)
        if not (self.switched_on or self._stuck):
            self.line.stop()  # a siphon that was broken just now lets the hose run back
        stuck = faults.amount("relay stuck") is not None
        if stuck and not self._stuck and not self.switched_on:
            self.counts.starts += 1
            self._turn("starting")
        self._stuck = stuck
        if not stuck and not self.switched_on and self.pump_did != "off":
            self._stop_pump()

    @property
    def tank_forgotten(self) -> bool:
        """Whether the owner forgets the tank now."""
        return self.faults.amount("tank forgotten") is not None

    def refill(self, amount_ml: float | None = None) -> float:
        """The owner fills the tank (None: to the brim): ml poured in, 0 while it is forgotten."""
        if self.tank_forgotten:
            return 0.0
        if amount_ml is None:
            amount_ml = self._sound.capacity_ml - self.line.tank_ml
        need("refill", amount_ml, 0.0, 1e6, "ml")
        self.counts.refilled_ml += amount_ml
        over = self.line.refill(amount_ml)
        self.counts.brim_ml += over
        self._wet_floor(over)
        return amount_ml

    def hand_water(self, amount_ml: float) -> None:
        """Somebody waters the pot with a can, evenly."""
        need("hand_water", amount_ml, 0.0, 1e5, "ml")
        self.soil.pour_all_over(amount_ml)

    def empty_saucer(self) -> None:
        """Somebody pours the saucer's water away."""
        self.counts.emptied_ml += self.soil.saucer_ml
        self._soil.saucer_ml = 0.0

    def take_tank(self) -> None:
        """Somebody carries the tank away with its water."""
        self.counts.emptied_ml += self.line.tank_ml
        self.line.tank_ml = 0.0

    def put_probe(self, where: str) -> None:
        """Somebody holds the soil probe in the "air" or in "water", or puts it into the "pot"."""
        if where not in ("air", "water", "pot"):
            raise Impossible("probe", repr(where), "air, water or pot")
        self._probe_at = where
        self._probe_until_s = -1.0

    @property
    def probe_at(self) -> str:
        """Where the soil probe is: "air", "water" or "pot"."""
        return self._probe_at

    def bring_soil(self, content: float) -> None:
        """Sets the substrate to a mean content (ml/ml) at once: as if watered evenly, or left to
        the plant. The lost water counts as transpired.
        """
        soil = self.soil
        need("soil", content, soil.levels.floor, soil.levels.saturated, "ml/ml")
        more = content * soil.volume_ml - soil.water_ml
        if more > 0.0:
            soil.tally.poured_ml += more
        else:
            soil.tally.transpired_ml -= more
        soil.even_out(content)
        self._probe_until_s = -1.0

    @property
    def pump_ma(self) -> float:
        """What the pump draws now."""
        return self._pump_ma

    def empty_tank(self) -> float:
        """Somebody empties the tank to where the pump draws air: ml poured away."""
        gone = max(0.0, self.line.tank_ml - self.line.parts.intake_ml)
        self.counts.emptied_ml += gone
        self.line.tank_ml -= gone
        return gone

    # --- readings --------------------------------------------------------------------------------

    # One sample, its noise drawn here; the plural takes the noise (standard deviations) of several.

    def soil_uv(self) -> int:
        """One sample of the soil probe, microvolts as the converter reads them."""
        railed = self._probe_railed is not None
        return self.soil_uvs((0.0,) if railed else (self._deviate(),))[0]

    def soil_uvs(self, deviates: Sequence[float]) -> list[int]:
        """Samples of the soil probe in one look."""
        convert = self._probe_counts
        if self._probe_railed is not None:
            return [convert(self._probe_railed)] * len(deviates)
        if self._batch_s > 0.0 or self.t_s > self._probe_until_s:
            self._feel_probe()
        probe_uv, noise_uv = self._probe_uv, self._probe_noise_uv
        counts = [convert(probe_uv + noise_uv * deviate) for deviate in deviates]
        return self._freeze("probe", counts) if self._probe_frozen else counts

    def _freeze(self, which: str, counts: list[int]) -> list[int]:
        """The count at which that one froze, in place of them all."""
        return [self._frozen.setdefault(which, counts[0])] * len(counts)

    def _feel_probe(self) -> None:
        """Look up the probe's output without noise; it holds for a while."""
        if self._probe_out or self._probe_at == "air":
            self._probe_uv = self.spec.probe.air_uv
        elif self._probe_at == "water":
            self._probe_uv = self.spec.probe.water_uv
        else:
            soil = self.soil
            content = soil.content if self.spec.probe.weighs else soil.probe_content
            if self._drifts:
                drifted = content + 0.001 * self._drifts * (self.t_s - self._drift_s) / DAY_S
                content = min(1.0, max(0.0, drifted))
            if self.t_s >= self._weather_until_s:
                self._feel_weather()
            self._probe_uv = self.spec.probe.output_uv(content, self._pot_c, self.t_s)
        self._probe_until_s = self.t_s + SOIL_LAG_S

    def level_raw(self) -> int:
        """One sample of the level gauge: 1 or 0, microseconds of echo, or microvolts, by kind."""
        if self._level_odd:
            railed = self._level_railed is not None
            return self.level_raws((0.0,) if railed else (self._deviate(),))[0]
        line = self.line
        return self._look(line.parts.level_mm(line.tank_ml), self._deviate())

    def level_raws(self, deviates: Sequence[float]) -> list[int]:
        """Samples of the level gauge in one look."""
        if self._level_railed is not None:
            return [round(self._level_railed)] * len(deviates)
        line, look = self.line, self._look
        if line.tank_ml >= self._lifted_ml and not self._level_odd and self._level_off_mm is None:
            return [1] * len(deviates)
        level = line.parts.level_mm(line.tank_ml)
        if self._level_off_mm is not None and self.faults.strikes("level misread"):
            level += self._level_off_mm
        counts = [look(level, deviate) for deviate in deviates]
        return self._freeze("level", counts) if self._level_frozen else counts

    def _gauge_uv(self, level_mm: float, deviate: float) -> int:
        return self.converted(self.spec.level.gauge_uv(level_mm, deviate))

    def _echo_us(self, level_mm: float, deviate: float) -> int:
        self._feel_weather()
        return self.spec.level.echo_us(level_mm, self._air_c, deviate, self.random)

    def cell_mv(self) -> float:
        """True voltage of the cell under what is drawn from it now."""
        if self.charger_ma + self._sun_ma > 0.0 or self.t_s >= self._felt_until_s:
            return self._carrying(self._board_ma + self._pump_ma)
        return self._rest_mv - 0.001 * (self._board_ma + self._pump_ma) * self._resistance_mohm

    def _carrying(self, drawn_ma: float) -> float:
        self._feel_cell()
        given_ma = self.charger_ma + self._sun_ma
        if given_ma > 0.0:
            drawn_ma -= self.battery.taking_ma(given_ma, self.air_c)
        return self._under(drawn_ma)

    def battery_uv(self) -> int:
        """One sample of the battery divider, microvolts as the converter reads them."""
        pin_uv = self._divided * self.cell_mv()
        return self.converted(pin_uv + self._divider_noise_uv * self._deviate())

    def battery_uvs(self, deviates: Sequence[float]) -> list[int]:
        """Samples of the battery divider in one look."""
        convert, noise_uv = self.converted, self._divider_noise_uv
        cell_mv = self.cell_mv()
        if self._battery_off_mv is not None and self.faults.strikes("battery misread"):
            cell_mv += self._battery_off_mv
        pin_uv = self._divided * cell_mv
        return [convert(pin_uv + noise_uv * deviate) for deviate in deviates]

    def pump_current_uv(self) -> int:
        """One sample of the pump-current sense, microvolts as the converter reads them."""
        sensed_uv = self._shunt_uv_ma * self._pump_ma + CURRENT_NOISE_UV * self._deviate()
        return self.converted(sensed_uv if sensed_uv > 0.0 else 0.0)

    def temperature_raw(self) -> int:
        """The DS18X20 in the substrate, sixteenths of a degree."""
        return probes.ds18x20_raw(self.pot_c + self._soil_off_k)

    def through_ml(self) -> float:
        """All the water that came out of the hose so far."""
        return self.counts.pumped_ml + self._batch_ml + self.counts.siphoned_ml

    def saucer_wet(self) -> int:
        """1 while there is water in the saucer."""
        if not self.switched_on or self.t_s >= self._saucer_until_s:
            self._saucer_wet = 1 if self.soil.saucer_ml > SAUCER_WET_ML else 0
            self._saucer_until_s = self.t_s + SAUCER_LAG_S
        return self._saucer_wet

    def floor_wet(self) -> int:
        """1 while there is a puddle on the floor."""
        self._book_batch()
        self._soil_to(self.t_s)
        return int(self._puddle() > WET_ML)

    def powered(self) -> bool:
        """Whether the cell could carry the awake board."""
        return self._carrying(self.spec.board.awake_ma) >= self._browns_out_mv

    # --- state -----------------------------------------------------------------------------------

    def stored_ml(self) -> float:
        """Water in tank, hose, substrate and saucer."""
        return self.line.stored_ml + self.soil.stored_ml

    def unaccounted_ml(self, began_with_ml: float) -> float:
        """Water since the start that the tally does not explain: rounding or a fault of the
        model.
        """
        tally, counts = self.soil.tally, self.counts
        by_hand = tally.poured_ml + counts.missed_ml - counts.pumped_ml - counts.siphoned_ml
        came = counts.refilled_ml + tally.rain_ml + by_hand
        went = tally.transpired_ml + tally.evaporated_ml + tally.saucer_evaporated_ml
        went += tally.floor_ml + counts.missed_ml + counts.leaked_ml + counts.brim_ml
        went += counts.emptied_ml
        return began_with_ml + came - went - self.stored_ml()

    def snapshot(self) -> dict[str, float]:
        """The values that a picture or a report shows, with names and units."""
        return {
            "t_s": self.t_s,
            "soil_content": self.soil.content,
            "bulb_ml": self.soil.bulb_ml,
            "bulk_ml": self.soil.bulk_ml,
            "saucer_ml": self.soil.saucer_ml,
            "tank_ml": self.line.tank_ml,
            "hose_ml": self.line.hose_ml,
            "charge_mah": self.battery.charge_mah,
            "rest_mv": self.battery.rest_mv(self.air_c),
        }

    def _check(self) -> None:
        soil, line, battery = self._soil, self.line, self.battery
        tank_ml, charge_mah, clock_s = line.tank_ml, battery.charge_mah, self.clock_s
        bulb_ml, bulk_ml, saucer_ml = soil.bulb_ml, soil.bulk_ml, soil.saucer_ml
        hose_ml = line.hose_ml
        # Two comparisons each, for a chain takes longer, and this is asked at every step
        sound = (
            (saucer_ml >= 0.0 and saucer_ml < 1e6)
            and (bulb_ml >= 0.0 and bulb_ml < 1e9)
            and (bulk_ml >= 0.0 and bulk_ml < 1e9)
            and (tank_ml >= -1e-9 and tank_ml <= line.parts.capacity_ml + 1e-6)
            and (hose_ml >= 0.0 and hose_ml < 1e6)
            and (charge_mah >= 0.0 and charge_mah <= battery.capacity_mah)
            and (clock_s > -1e12 and clock_s < 1e12)
        )
        if not sound:
            raise Stopped(self.t_s, self.snapshot())
