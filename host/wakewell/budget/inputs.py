"""What a budget is made from, each with its doubt.

What belongs here: a pot's folder turned into the numbers of a budget, the usual value and
the standard uncertainty of each, and where they come from. What does not: what follows from
them (course.py), what to buy (sizing.py), reading files (pot_folder.py).

A standard uncertainty below is our own estimate (a type B evaluation, GUM 4.3) unless a source
stands beside it. Water is ml, charge mAh, current mA, areas cm2; a month is 0 to 11.
"""

from __future__ import annotations

import math
import os
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Any

from wakecore import fields, plan
from wakewell.errors import BadInput
from wakewell.pot import agree, description, pot_folder
from wakewell.rig import battery
from wakewell.rig.tables import along
from wakewell.rig.weather import STATION_DEG
from wakewell.units import soil

from .doubt import Doubt, about, doubtful, nominal

# Each month's mean reference ET (mm a day) and air temperature (°C) of the rig's climates: the
# typical year of TMY3 station 723170 (36 degrees north) in these places. A test holds them to it.
MONTHS: dict[str, tuple[tuple[float, ...], tuple[float, ...]]] = {
    "open": (
        (1.10, 1.87, 2.81, 3.81, 4.14, 4.80, 4.88, 4.36, 3.19, 2.28, 1.83, 1.30),
        (0.3, 5.0, 11.4, 14.7, 19.0, 23.6, 25.4, 24.8, 20.1, 13.1, 10.8, 4.2),
    ),
    "balcony": (
        (0.65, 1.11, 1.60, 2.11, 2.25, 2.57, 2.61, 2.32, 1.73, 1.27, 1.06, 0.76),
        (0.3, 5.0, 11.4, 14.7, 19.0, 23.6, 25.4, 24.8, 20.1, 13.1, 10.8, 4.2),
    ),
    "window sill": (
        (1.17, 1.24, 1.41, 1.61, 1.58, 1.71, 1.70, 1.58, 1.28, 1.17, 1.02, 1.09),
        (20.0, 20.1, 20.3, 20.4, 21.2, 22.7, 23.9, 23.4, 21.2, 20.2, 20.1, 20.0),
    ),
}
# Each month's mean rain (mm a day) of that typical year; under a roof there is none.
RAIN_MM = (0.96, 0.0, 2.01, 2.51, 0.77, 4.71, 4.88, 0.89, 6.43, 1.73, 2.13, 0.41)
SOUTH_MONTHS = 6  # from a season of the north to the same one of the south
# Share of it that a pot's own mouth catches and keeps for its plant, and the most of the plant's
# use that it can stand in for: what runs through the pot is lost. A year of the rig's basil keeps
# 0.74.
RAIN_KEPT, RAIN_MOST = (0.7, 0.35), 0.6
# Basal crop coefficient by habit, and its doubt. FAO-56 table 17 has 0.65 for citrus, 0.80 for
# strawberry and 1.10 for mint and tomato in mid-season (from memory, unconfirmed); the first
# two are our own assumption.
HABITS = {
    "foliage": (0.60, 0.15),
    "succulent": (0.25, 0.10),
    "woody": (0.65, 0.12),
    "herb": (1.00, 0.15),
    "fruiting": (1.00, 0.15),
}
BARE = (0.3, 0.1)  # share of the soil's surface that evaporates between the leaves
WEATHER = 0.15  # this place and year against the typical one
WEIGHED = 0.10  # water use found by weighing, against the same month of another year
RUNS_THROUGH = (0.02, 0.02)  # share of a dose that the saucer does not give back
WARMTH_K = 3.0

# Self-discharge (parts per thousand a month) by chemistry: common practice, no source.
FADES_PPT = {
    **{name: round(10 * kind.fades_pct_month) for name, kind in battery.CHEMISTRIES.items()},
    "alkaline": 3,
    "lead": 50,
}
LEFT = (0.10, 0.05)  # charge at the lockout where we know no voltage curve

# Standard uncertainty of a current, as a share: from a sheet (typical values, another unit,
# another temperature), or measured on this board.
CURRENT_DOUBT = {"sheet": (0.30, 0.25), "measured": (0.10, 0.05)}  # asleep, else
AWAKE_MS, RADIO_MS, REGULATOR_UA = 4000, 4000, 6  # usual: common practice, no source
TIME_DOUBT = 0.20
# Regulator, USB bridge and power light of a development board: common practice, no source.
STANDING_MA, STANDING_DOUBT_MA = 10.0, 4.0
FLOW_ML_S = 20.0  # where no flow was measured yet


@dataclass(frozen=True)
class Inputs:
    """All that a budget needs. A Doubt is a value with its uncertainty.

    tank_ml and charge (a share) as they are on `start`; reserve_ml: below it nothing starts, the
    reserve and a pulse.
    latitude_deg: north, negative: south; et0_mm, rain_mm (a day), air_c: by month, January first.
    canopy_cm2: crown times crop coefficient; surface_cm2: of soil, times what evaporates of it;
    rain_cm2: ground that catches rain for the pot, 0 under a roof; rain: share of it that counts.
    wasted: tank water per water used. soil_ml: what the soil holds above wilting when the tank is
    empty. depth_ml: a dose from refill point to target; pulse_ml of
    one pulse, fill_ml of which only fills the hose. empty: share of charge, of what is not
    locked away by cold, at which R5 locks the pump out. cell_true: capacity per that of the
    label. radio_share: of the regular wakes, by radio_wakes of settings.toml. assumed: what was
    not given, by its name or its subject, in words.
    """

    start: date
    latitude_deg: float
    stands: str
    full_ml: float
    reserve_ml: float
    tank_ml: Doubt
    et0_mm: tuple[float, ...]
    rain_mm: tuple[float, ...]
    air_c: tuple[float, ...]
    canopy_cm2: Doubt
    surface_cm2: Doubt
    weather: Doubt
    wasted: Doubt
    rain_cm2: float
    rain: Doubt
    soil_ml: Doubt
    depth_ml: float
    dose_most_ml: float
    pulse_ml: float
    fill_ml: float
    flow_ml_s: Doubt
    wake_s: float
    awake_s: Doubt
    radio_s: Doubt
    radio_share: float
    asleep_ma: Doubt
    awake_ma: Doubt
    radio_ma: Doubt
    pump_ma: Doubt
    regulator_ma: Doubt
    divider_ma: Doubt
    standing_ma: Doubt
    mains: bool
    cell_mah: float = 0.0
    cell_true: Doubt = 1.0
    charge: Doubt = 1.0
    fades_day: Doubt = 0.0
    empty: Doubt = 0.0
    warmth_k: Doubt = 0.0
    usable_c: tuple[tuple[float, float], ...] = battery.USABLE
    assumed: Mapping[str, str] = field(default_factory=dict)

    def usable(self, month: int) -> Doubt:
        """Share of the capacity that the cold of a month leaves."""
        celsius = self.air_c[month]
        slope = along(self.usable_c, celsius + 1.0) - along(self.usable_c, celsius - 1.0)
        return along(self.usable_c, celsius) + 0.5 * slope * self.warmth_k

    def water_day_ml(self, month: int) -> Doubt:
        """Water that leaves the tank on a day of that month."""
        depth_cm = 0.1 * self.et0_mm[month] * self.weather
        used = depth_cm * (self.canopy_cm2 + self.surface_cm2)
        if self.rain_cm2:
            caught = 0.1 * self.rain_mm[month] * self.rain_cm2 * self.rain
            used = used - (
                caught if nominal(caught) < RAIN_MOST * nominal(used) else RAIN_MOST * used
            )
        return used * self.wasted

    def charge_day_mah(self, month: int) -> dict[str, Doubt]:
        """Charge drawn on a day of that month, by what draws it; self-discharge is not in it."""
        water_ml = self.water_day_ml(month)
        wakes = 86_400.0 / self.wake_s
        arrives = 1.0 - self.fill_ml / self.pulse_ml
        # A dose is due at the first regular wake past the refill point: on average half a wake's
        # use late. One that does not fit into a dose's hard limit takes the next wake as well.
        dose_ml = self.depth_ml + 0.5 * water_ml / wakes
        if nominal(dose_ml) > self.dose_most_ml:
            dose_ml = self.dose_most_ml
        doses = water_ml / (arrives * dose_ml)
        if nominal(doses) > wakes:
            doses = wakes
        pulses = water_ml / (arrives * self.pulse_ml)
        if nominal(pulses) < nominal(doses):
            pulses = doses
        # Each pulse has a wake; the first one of a dose is the regular wake; two looks follow.
        awake_s = self.awake_s * (wakes + pulses + doses)
        radio_s = self.radio_s * self.radio_share * wakes
        run_s = water_ml / (arrives * self.flow_ml_s)
        return {
            "asleep": self.asleep_ma * (24.0 - (awake_s + radio_s + run_s) / 3600.0),
            "awake": self.awake_ma * (awake_s + run_s) / 3600.0,
            "radio": self.radio_ma * radio_s / 3600.0,
            "pump": self.pump_ma * run_s / 3600.0,
            "regulator": 24.0 * self.regulator_ma,
            "divider": 24.0 * self.divider_ma,
            "development board": 24.0 * self.standing_ma,
        }

    def drain_mah(self, month: int) -> Doubt:
        """All charge drawn on a day of that month."""
        return sum(self.charge_day_mah(month).values())

    def floor_mah(self, month: int) -> Doubt:
        """Charge at which the pump is locked out (R5) at that month's temperature."""
        usable = self.usable(month)
        return self.cell_mah * self.cell_true * (self.empty * usable + 1.0 - usable)

    @property
    def charge_mah(self) -> Doubt:
        """Charge at the start."""
        return self.cell_mah * self.cell_true * self.charge


def open_folder(path: str) -> description.PotFolder:
    """The pot's folder, or its pot.toml, or a folder with nothing but pot.toml in it.

    What is not there takes the core's usual values. Raises BadInput with the first problem.
    """
    where = Path(path)
    if where.name == "pot.toml":
        where = where.parent
    folder = pot_folder.load(where)
    absent = [
        kind
        for kind in ("wiring", *description.KINDS)
        if not os.path.lexists(where / f"{kind}.toml")
    ]
    names = [folder.file_name(kind) for kind in absent]
    _refuse(folder, names)
    for kind in description.KINDS:
        if kind in absent:
            setattr(folder, kind, {row[0]: row[3] for row in fields.KINDS[kind]})
    if absent:
        pot_folder.tell_calibration(folder)
        agree.check_told(folder)
        _refuse(folder, names)
    return folder


def _refuse(folder: description.PotFolder, absent: list[str]) -> None:
    """Raises BadInput with the first problem, except those of an absent file."""
    problems = [problem for problem in folder.problems if problem.file not in absent]
    if problems:
        more = f" (and {len(problems) - 1} more; wakewell check)" if len(problems) > 1 else ""
        raise BadInput(f"{problems[0]}{more}")


def gather(folder: description.PotFolder, today: date) -> Inputs:
    """The inputs of a folder without problems. Raises BadInput where they contradict each other."""
    told = folder.about
    assert told is not None
    start = told.noted or today
    assumed: dict[str, str] = {}
    parts: dict[str, Any] = {}
    for part in (_plant, _tank, _doses, _board):
        parts |= part(folder, told, assumed)
    if folder.steps:
        cal = folder.calibration
        assumed["calibration"] = (
            f"nothing is calibrated yet: soil water from {soil(cal['wilting_ppt'])} to "
            f"{soil(cal['capacity_ppt'])} is expected, not measured"
        )
    if told.panel is not None and (told.crop is None or told.crop.latitude_deg is None):
        assumed["crop.latitude_deg"] = (
            f"crop.latitude_deg is not given: {STATION_DEG:.0f} degrees north; farther from the "
            "equator a winter's sun gives far less"
        )
    found = Inputs(start=start, **parts, mains=bool(folder.settings["mains"]))
    if told.battery:
        found = replace(found, **_cell(folder, told.battery, assumed))
    if folder.limits["dose_ml"] <= 0 or nominal(found.water_day_ml(6)) <= 0.0:
        raise BadInput(f"{folder.file_name('pot')}: this pot uses no water; check [crop]")
    return replace(found, assumed=assumed)


def months(crop: description.Crop) -> tuple[tuple[float, ...], ...]:
    """Where it stands, January first: reference ET (mm a day), air (°C) and rain (mm a day)."""
    rows = (*MONTHS[crop.stands], RAIN_MM)
    at = SOUTH_MONTHS if crop.south else 0
    return tuple(row[at:] + row[:at] for row in rows)


def _plant(
    folder: description.PotFolder, told: description.About, assumed: dict[str, str]
) -> dict[str, Any]:
    """What plant, soil surface and weather take, and what the soil holds between doses."""
    settings, cal = folder.settings, folder.calibration
    crop = told.crop or description.Crop()
    et0, air, rain = months(crop)
    if told.crop is None:
        assumed["crop"] = f"[crop] is not in pot.toml: a {crop.habit} plant on a {crop.stands}"
    if crop.stands == "open":
        assumed["rain"] = (
            "the rain of a usual year is counted, with its uncertainty; see also the row "
            "without rain"
        )
    ground = math.pi / 400.0 * told.planter.diameter_mm**2
    if crop.crown_mm is None:
        crown = about(ground, 0.30, "size of the crown")
        assumed["crop.crown_mm"] = "crop.crown_mm is not given: a crown as wide as the pot"
    else:
        crown = about(math.pi / 400.0 * crop.crown_mm**2, 0.15, "size of the crown")
    kcb, doubt = HABITS[crop.habit]
    if crop.kcb_ppt is not None:
        kcb, doubt = crop.kcb_ppt / 1000.0, 0.1 * crop.kcb_ppt / 1000.0
    canopy = crown * doubtful(kcb, doubt, "crop coefficient")
    wilting, capacity = cal["wilting_ppt"], cal["capacity_ppt"]
    refill, target = agree.water_points(settings, cal)
    # Kr of FAO-56, equation 74, at the mean water content between doses
    damp = (0.5 * (refill + target) - 0.5 * wilting) / max(1.0, capacity - 0.5 * wilting)
    surface = ground * min(1.0, max(0.0, damp)) * doubtful(*BARE, "bare soil")
    weather = about(1.0, WEATHER, "weather and place")
    if crop.use_ml_day is not None and crop.use_month is not None:
        used = about(float(crop.use_ml_day), 0.05, "weighed water use")
        share = nominal(surface) / (nominal(surface) + nominal(canopy))
        area = used / (0.1 * et0[crop.use_month - 1])
        canopy, surface = (1.0 - share) * area, share * area
        weather = about(1.0, WEIGHED, "weather and place")
    per_ppt = cal["ul_per_ppt"] or told.planter.volume_ml
    held = max(0.0, (0.5 * (refill + target) - wilting) * per_ppt / 1000.0)
    depth = max(1.0, plan.water_ul(refill, target, per_ppt) / 1000.0)
    return {
        "latitude_deg": STATION_DEG if crop.latitude_deg is None else float(crop.latitude_deg),
        "stands": crop.stands,
        "et0_mm": et0,
        "rain_mm": rain,
        "air_c": air,
        "canopy_cm2": canopy,
        "surface_cm2": surface,
        "weather": weather,
        "wasted": 1.0 + doubtful(*RUNS_THROUGH, "water that runs through"),
        "rain_cm2": ground if crop.stands == "open" else 0.0,
        "rain": doubtful(*RAIN_KEPT, "rain"),
        "soil_ml": about(held, 0.3, "water in the soil"),
        "depth_ml": depth,
    }


def _tank(
    folder: description.PotFolder, told: description.About, assumed: dict[str, str]
) -> dict[str, Any]:
    """What is in the tank, and how much of it stays there."""
    settings, limits, cal = folder.settings, folder.limits, folder.calibration
    if told.tank.now_ml is None:
        tank = about(float(told.tank.volume_ml), 0.02, "content of the tank")
        assumed["tank.now_ml"] = "tank.now_ml is not given: a full tank"
    else:
        u_ml = max(cal["tolerance_ml"] / math.sqrt(3.0), 0.01 * told.tank.volume_ml)
        tank = doubtful(float(told.tank.now_ml), u_ml, "content of the tank")
    reserve = float(max(settings["reserve_ml"], limits["reserve_ml"]))
    intake = told.tank.below_ml(told.tank.draws_mm)
    if intake > reserve:
        reserve = intake
        assumed["tank.intake_mm"] = (
            f"the pump draws nothing below {intake:.0f} ml, {told.tank.draws_mm} mm above the "
            "tank's floor: this counts as the reserve"
        )
    return {
        "full_ml": float(told.tank.volume_ml),
        # A start needs a pulse's water above the reserve (wakecore.judge.Facts)
        "reserve_ml": reserve + (1.0 if cal["float_only"] else float(settings["pulse_ml"])),
        "tank_ml": tank,
    }


def _doses(
    folder: description.PotFolder, told: description.About, assumed: dict[str, str]
) -> dict[str, Any]:
    """What a run gives, and how much of it stays in the hose."""
    settings, limits, cal = folder.settings, folder.limits, folder.calibration
    if cal["flow_ul_s"]:
        flow = about(cal["flow_ul_s"] / 1000.0, 0.07, "flow of the pump")
    else:
        flow = about(FLOW_ML_S, 0.40, "flow of the pump")
        assumed["flow_ul_s"] = f"no flow was measured yet: {FLOW_ML_S:g} ml/s"
    flow_ul_s = round(1000.0 * nominal(flow))
    pulse_ml = float(agree.run_ml(settings, limits, flow_ul_s))
    hose, fill_ml = told.line, told.line.fill_ml
    if told.hose is None:
        assumed["hose"] = (
            f"[hose] is not in pot.toml: {hose.inner_mm} mm by {hose.length_mm} mm, an open end"
        )
    if lost := agree.swallowed(told, settings, limits, flow_ul_s):
        assumed["run"] = lost[0].text
        if lost[0].all:  # a hose or a pulse not given: a wrong one was refused before
            fill_ml = agree.FILLS_MOST * pulse_ml
            assumed["fill"] = f"of each run {fill_ml:.0f} ml fill the hose, and no more"
    return {
        "dose_most_ml": float(limits["dose_ml"]),
        "pulse_ml": pulse_ml,
        "fill_ml": fill_ml,
        "flow_ml_s": flow,
        "wake_s": float(settings["wake_s"]),
    }


def _board(
    folder: description.PotFolder, told: description.About, assumed: dict[str, str]
) -> dict[str, Any]:
    """Times and currents of the board and the pump."""
    cal = folder.calibration
    board = told.board_sheet
    if told.board is None:
        assumed["board"] = (
            "[board] is not in pot.toml: a bare module, currents from the chip's sheet"
        )
    measured = board.currents == "measured"
    radio_ua = max(cal["radio_ua"], cal["awake_ua"])
    asleep_doubt, doubt = CURRENT_DOUBT[board.currents]
    every = folder.settings["radio_wakes"]
    awake_ms = AWAKE_MS if board.awake_ms is None else board.awake_ms
    radio_ms = RADIO_MS if board.radio_ms is None else board.radio_ms
    standing: Doubt = 0.0
    if board.standing_ua is not None:
        standing = about(board.standing_ua / 1000.0, 0.1, "development board")
    elif board.kind == "development" and not measured:
        standing = doubtful(STANDING_MA, STANDING_DOUBT_MA, "development board")
        assumed["board.standing_ua"] = (
            f"board.standing_ua is not given: {STANDING_MA:g} mA beside the chip"
        )
    regulator: Doubt = 0.0
    divider: Doubt = 0.0
    if not measured:
        if board.regulator_ua is None:
            regulator = about(REGULATOR_UA / 1000.0, 0.5, "regulator")
            assumed["board.regulator_ua"] = (
                f"board.regulator_ua is not given: {REGULATOR_UA} microamperes"
            )
        else:
            regulator = about(board.regulator_ua / 1000.0, 0.3, "regulator")
        divider = divider_ma(folder, told)
    return {
        "awake_s": about(awake_ms / 1000.0, TIME_DOUBT, "time awake"),
        "radio_s": about(radio_ms / 1000.0, TIME_DOUBT, "time of the radio"),
        "radio_share": 1.0 / every if every else 0.0,
        "asleep_ma": about(cal["sleep_ua"] / 1000.0, asleep_doubt, "current asleep"),
        "awake_ma": about(cal["awake_ua"] / 1000.0, doubt, "current awake"),
        "radio_ma": about(radio_ua / 1000.0, doubt, "current of the radio"),
        "pump_ma": about(cal["pump_ua"] / 1000.0, doubt, "current of the pump"),
        "regulator_ma": regulator,
        "divider_ma": divider,
        "standing_ma": standing,
    }


def divider_ma(folder: description.PotFolder, told: description.About) -> Doubt:
    """Current through the battery divider, by Ohm's law at a nominal voltage."""
    part = folder.parts.get("battery")
    if part is None or told.battery is None:
        return 0.0
    ohm = part.numbers["upper_ohm"] + part.numbers["lower_ohm"]
    volts = 0.9 * agree.FULL_MV[told.battery.chemistry] * told.battery.cells / 1000.0
    return about(1000.0 * volts / ohm, 0.07, "divider")


def _cell(
    folder: description.PotFolder, cell: description.Battery, assumed: dict[str, str]
) -> dict[str, Any]:
    """The battery. Its charge at the lockout follows from the published open-circuit voltages."""
    floor_mv = max(folder.settings["battery_mv"], folder.limits["rest_mv"]) / cell.cells
    if cell.chemistry in battery.CHEMISTRIES:
        at, doubt = charge_within(floor_mv, cell.chemistry)
        empty = doubtful(at, max(0.02, doubt), "charge at the lockout voltage")
    else:
        empty = doubtful(*LEFT, "charge at the lockout voltage")
        assumed["battery.chemistry"] = (
            f"no voltage curve for {cell.chemistry}: a tenth is left at the lockout"
        )
    if cell.now_pct is None:
        charge = doubtful(1.0, 0.02, "charge at the start")
        assumed["battery.now_pct"] = "battery.now_pct is not given: a full charge"
    else:
        charge = doubtful(cell.now_pct / 100.0, 0.05, "charge at the start")
    known = battery.CHEMISTRIES.get(cell.chemistry)
    fades_ppt = FADES_PPT[cell.chemistry] if cell.fades_ppt_month is None else cell.fades_ppt_month
    return {
        "cell_mah": float(cell.capacity_mah),
        "cell_true": about(1.0, 0.05, "capacity of the cell"),
        "charge": charge,
        "fades_day": about(fades_ppt / 30_000.0, 0.4, "self-discharge"),
        "empty": empty,
        "warmth_k": doubtful(0.0, WARMTH_K, "temperature"),
        "usable_c": known.usable if known is not None else battery.USABLE,
    }


def charge_at(rest_mv: float, chemistry: str = "lithium-ion") -> float:
    """Share of charge of a cell at a rest voltage, the inverse of its kind's table."""
    points = battery.CHEMISTRIES[chemistry].open_mv
    step = 1.0 / (len(points) - 1)
    return along([(float(mv), n * step) for n, mv in enumerate(points)], rest_mv)


def charge_within(rest_mv: float, chemistry: str) -> tuple[float, float]:
    """`charge_at`, and its standard uncertainty: divider, converter and another maker's curve add 1
    % of the voltage; on a flat curve that is a large part of the charge.
    """
    at, above, below = (charge_at(part * rest_mv, chemistry) for part in (1.0, 1.01, 0.99))
    return at, 0.5 * (above - below)
