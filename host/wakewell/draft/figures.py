"""The figures of a new pot, each with the reason for it, worked out as the budget works them out.

What belongs here: from what the pot is to settings, limits and what is expected of its calibration.
What does not: what was answered (answers.py), how it is written (files.py).

Water by budget (FAO-56) and the rig's substrates (van Genuchten); flow by the pump's curve through
the hose. A rule of thumb says so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

from wakecore import fields
from wakewell.budget import inputs, sizing
from wakewell.budget.doubt import COVER, nominal, standard
from wakewell.draft.choices import CELLS
from wakewell.errors import BadInput
from wakewell.pot import agree, pot_folder
from wakewell.pot.description import KINDS, About, Part, Planter, PotFolder
from wakewell.rig.soil import SUBSTRATES, WILTING_CM, Plant
from wakewell.units import volts

WATCHED_DAYS = 7  # of water left in the tank when it asks for more; common practice, no source
WAKES_S = (86_400, 43_200, 21_600, 14_400)
AIR_MARGIN = 0.02  # of volume, above the least air for roots; own assumption
ANSWER_PPT = 25  # that a dose shows at the next wake: more than twice the least answer (R7)
LEAST_GAP_PPT = 30  # between refill point and target; own assumption
HOSE_SHARE = 0.2  # of a pulse, that may fill the hose; own assumption
DEEPEST_MM = 1000  # of a pot that is still one; own assumption
EASY = 0.9  # of the water that the plant gets without closing its leaves; own assumption
TANK_LOSS_CM = 0.03  # a day, from a covered tank; own assumption
LEAST_FLOW_ML_S = 2.0
LEAST_PULSE_ML = 20
MOST_DOSE_ML, MOST_DAY_ML = 2000, 5000  # what the core's ranges allow


@dataclass(frozen=True)
class Figure:
    """A value of a file, and why it is this one."""

    value: int
    why: str


@dataclass
class Figures:
    """By kind of file and name. expected: the calibration that is hoped for, with a flow, by which
    the rest is checked; never written as such."""

    files: dict[str, dict[str, Figure]] = field(default_factory=dict)
    expected_flow_ul_s: int = 0

    def put(self, kind: str, name: str, value: float, why: str) -> int:
        """Note a value, inside what the core allows; the whole number."""
        least, most = next(row[1:3] for row in fields.KINDS[kind] if row[0] == name)
        whole = min(most, max(least, math.ceil(value)))
        self.files.setdefault(kind, {})[name] = Figure(whole, why)
        return whole


def up(value: float, step: int) -> int:
    """The next multiple of a step."""
    return math.ceil(value / step - 1e-9) * step


@dataclass(frozen=True)
class SoilWater:
    """Of a substrate in a pot, parts per thousand of its volume: drained, wilting, where the plant
    begins to save water, and the most that leaves roots their air."""

    capacity: int
    wilting: int
    stress: int
    airless: int


def water_of(planter: Planter) -> SoilWater:
    """By van Genuchten's curve, at the middle of the pot, where the probe sits."""
    soil, plant = SUBSTRATES[planter.substrate], Plant()
    return SoilWater(
        round(1000 * soil.content(planter.height_mm / 20.0)),
        round(1000 * soil.content(WILTING_CM)),
        round(1000 * soil.content(plant.stress_cm)),
        round(1000 * (soil.saturated - plant.least_air)),
    )


def planned(about: About, parts: dict[str, Part], made: Figures) -> PotFolder:
    """A folder in memory with these figures, the rest as usual."""
    folder = PotFolder(Path(about.name), about.name, about, parts)
    for kind in KINDS:
        values = {row[0]: row[3] for row in fields.KINDS[kind]}
        values |= {name: each.value for name, each in made.files.get(kind, {}).items()}
        setattr(folder, kind, values)
    pot_folder.tell_calibration(folder)
    return folder


def thirst_ml_day(found: inputs.Inputs) -> float:
    """Use on a day of the thirstiest month, on the high side of its doubt."""
    use = found.water_day_ml(sizing.thirstiest(found))
    return nominal(use) + COVER * standard(use)


def soil(
    about: About, depletion_ppt: int, source: str, made: Figures, gap_ppt: float = LEAST_GAP_PPT
) -> SoilWater:
    """What the soil holds, when to water and how far. gap_ppt: between the two, at least."""
    planter, water = about.planter, water_of(about.planter)
    name = f"{planter.substrate} in a pot {planter.height_mm} mm high"
    made.put("calibration", "capacity_ppt", water.capacity, f"expected of {name}; weigh your own")
    made.put("calibration", "wilting_ppt", water.wilting, f"expected of {planter.substrate}")
    fill, least, most = _room(water, gap_ppt)
    why = "a little below capacity, so that nothing drains"
    if fill < 950:
        why = f"no more, or {name} has less than a tenth of air for the roots"
    fill = made.put("settings", "fill_ppt", fill, why)
    if least > most:
        raise BadInput(_too_little(planter, water, gap_ppt))
    why = f"what {about.plant} takes without stress: {source}"
    if least > depletion_ppt:
        why = f"later than {about.plant} would ask for it: a dose must be large enough to be seen"
    elif most < depletion_ppt:
        why = f"earlier than {about.plant} would need it: this pot gives the rest up unwillingly"
    made.put("settings", "depletion_ppt", min(most, max(least, depletion_ppt)), why)
    return water


def _room(water: SoilWater, gap_ppt: float) -> tuple[int, float, float]:
    """How far to fill, ppt of capacity, and the least and the most depletion, ppt of what is
    available, between which the refill point may lie: a dose can be seen, and the plant drinks."""
    fill = min(950, math.floor(1000 * (water.airless - 1000 * AIR_MARGIN) / water.capacity))
    available = water.capacity - water.wilting
    least = 1000 * (water.capacity - water.capacity * fill / 1000 + gap_ppt) / available
    return fill, least, EASY * 1000 * (water.capacity - water.stress) / available


def _too_little(planter: Planter, water: SoilWater, gap_ppt: float) -> str:
    """Why a substrate does not do in a pot, and which does, and from what depth on it would."""

    def does(other: Planter) -> bool:
        # What the plant drinks meanwhile counts for less in a deeper pot
        less = gap_ppt * planter.height_mm / other.height_mm
        _, least, most = _room(water_of(other), max(ANSWER_PPT + LEAST_GAP_PPT, less))
        return least <= most

    text = f"substrate: {planter.substrate} in a pot {planter.height_mm} mm high holds "
    text += f"{water.capacity / 10:.0f} % of water after it has drained; roots want a tenth of "
    text += f"air, which is there below {(water.airless - 1000 * AIR_MARGIN) / 10:.0f} %, and from "
    text += f"{water.stress / 10:.0f} % down the plant saves water: no dose that the probe can see "
    text += "fits between"
    words = [word for word in SUBSTRATES if does(replace(planter, substrate=word))]
    allowed = [f"{', '.join(words)} in this pot (--substrate)"] if words else []
    heights = range(planter.height_mm, DEEPEST_MM + 1, 10)
    if deep := next((mm for mm in heights if does(replace(planter, height_mm=mm))), 0):
        allowed.append(f"{planter.substrate} from {deep} mm of depth on (--pot)")
    shallower = range(planter.height_mm - planter.height_mm % 10, 0, -10)
    if flat := next((mm for mm in shallower if does(replace(planter, height_mm=mm))), 0):
        allowed.append(f"{planter.substrate} down to {flat} mm of depth (--pot)")
    return f"{text}; allowed {'; or '.join(allowed) or 'a larger pot (--pot)'}"


def arrives_ml(about: About, per_wake: float, wake_s: int) -> float:
    """What must reach the soil so that the probe, beside the wet spot, shows ANSWER_PPT at the next
    wake: it comes there as the substrate levels out, and the plant goes on drinking."""
    share = -math.expm1(-wake_s / SUBSTRATES[about.planter.substrate].even_s)
    return (ANSWER_PPT * about.planter.volume_ml / 1000 + per_wake) / share


def watering(about: About, depletion: tuple[int, str], made: Figures) -> tuple[float, float]:
    """When to look and to water. Returns what the plant uses, ml: on a day of the thirstiest month,
    and from one wake to the next. depletion: of the plant, and its source."""
    soil(about, *depletion, made)
    thirst = thirst_ml_day(inputs.gather(planned(about, {}, made), date.today()))
    per_wake, wake_s = _wakes(about, thirst, made)
    # The dose that can be seen has to fit between the refill point and the target
    gap_ppt = 1000 * (arrives_ml(about, per_wake, wake_s) - per_wake / 2) / about.planter.volume_ml
    soil(about, *depletion, made, max(LEAST_GAP_PPT, gap_ppt))
    return thirst, _wakes(about, thirst, made)[0]


def chosen(
    about: About,
    parts: dict[str, Part],
    depletion: tuple[int, str],
    currents: tuple[int, int],
) -> Figures:
    """All figures of that pot. currents: of pump and of the board asleep, microamperes. Raises
    BadInput where the parts cannot water such a pot."""
    made = Figures()
    made.put("calibration", "stage", 0, "nothing was measured yet; commission changes it")
    is_float = "level" in parts and parts["level"].kind == "float"
    if is_float:
        made.put("calibration", "float_only", 1, "the level is a float switch")
    made.put("calibration", "pump_ua", currents[0], "expected of such a pump; measure yours")
    made.put("calibration", "sleep_ua", currents[1], "the chip's own sheet; measure yours")
    thirst, per_wake = watering(about, depletion, made)
    battery(about, made)
    _doses(about, parts, made, thirst, per_wake)
    _tank(about, made, thirst, is_float)
    return made


def _wakes(about: About, thirst: float, made: Figures) -> tuple[float, int]:
    """What is used from one wake to the next, ml, and how often to look, seconds."""
    water, volume = water_of(about.planter), about.planter.volume_ml
    depletion = made.files["settings"]["depletion_ppt"].value
    refill = water.capacity - (water.capacity - water.wilting) * depletion / 1000
    spare_ml = max(5.0, refill - water.stress) * volume / 1000
    wake_s = next((s for s in WAKES_S if thirst * s / 86_400 <= spare_ml), 0)
    if not wake_s:
        text = f"planter.volume_ml = {volume}: this plant uses up to {thirst:.0f} ml a day there, "
        text += f"and {spare_ml:.0f} ml are between the refill point and thirst; allowed a pot "
        raise BadInput(text + "that carries it for four hours: choose a larger one (--pot)")
    per_wake = thirst * wake_s / 86_400
    made.put(
        "settings", "wake_s", wake_s,
        f"up to {per_wake:.0f} ml are used from one wake to the next, and {spare_ml:.0f} ml are "
        "between the refill point and thirst",
    )  # fmt: skip
    if 5 * wake_s < 86_400:
        made.put("settings", "frozen_wakes", 86_400 / wake_s, "a day of wakes")
    fall = 2000 * thirst / volume
    if fall > 150:
        why = f"twice {thirst:.0f} ml a day out of {volume} ml"
        made.put("settings", "fall_ppt_day", fall, why)
    return per_wake, wake_s


def battery(about: About, made: Figures) -> None:
    """R5, by the cell."""
    assert about.battery is not None
    kind, cells = CELLS[about.battery.chemistry], about.battery.cells
    rows = (
        ("settings", "battery_mv", kind.floor_mv, kind.source),
        ("settings", "battery_clear_mv", kind.clear_mv, "well above it, so that it stays ended"),
        ("settings", "battery_warn_mv", kind.warn_mv, "above the lockout: a warning comes first"),
        ("limits", "rest_mv", kind.floor_mv - 50, "a little below battery_mv of settings.toml"),
        ("limits", "sag_mv", kind.sag_mv, "below it a chip resets, and the cell suffers"),
        ("limits", "radio_mv", kind.floor_mv + 20, "the radio stops before it locks the pump out"),
    )
    for file, name, mv, why in rows:
        made.put(file, name, cells * mv, why)


def _flow_ml_s(about: About, lift_mm: float, mv: float) -> float:
    assert about.pump is not None
    hose = about.line
    extra = sizing.JET_MM if hose.holes else 0.0
    return sizing.pump_flow_ml_s(about.pump, lift_mm, hose.inner_mm, hose.length_mm, mv, extra)


def least_flow_ml_s(about: About, low_mv: float) -> float:
    """From a tank nearly empty, at the lowest voltage. Raises BadInput for a pump too weak."""
    crest_mm = about.tank.crest_mm
    slow = _flow_ml_s(about, crest_mm, low_mv)
    if slow < LEAST_FLOW_ML_S:
        raise BadInput(
            f"pump: gives {slow:.1f} ml/s {crest_mm} mm up through this hose at {volts(low_mv)}, "
            f"with a tank nearly empty; allowed from {LEAST_FLOW_ML_S:g}; choose a stronger one "
            "(--pump strong), a lower hose or a wider one (--outlet, --hose)"
        )
    return slow


def _doses(
    about: About, parts: dict[str, Part], made: Figures, thirst: float, per_wake: float
) -> None:
    """Flow, pulse, dose and day."""
    assert about.battery is not None
    tank, volume, hose = about.tank, about.planter.volume_ml, about.line
    low_mv = made.files["settings"]["battery_mv"].value
    full_mv = agree.FULL_MV[about.battery.chemistry] * about.battery.cells
    slow = least_flow_ml_s(about, low_mv)
    fast = _flow_ml_s(about, tank.outlet_mm - tank.height_mm, full_mv)
    usual = _flow_ml_s(about, tank.outlet_mm - tank.height_mm / 2, 0.93 * full_mv)
    made.expected_flow_ul_s = round(1000 * usual)
    made.put(
        "limits", "flow_max_ul_s", up(1100 * fast, 100),
        f"{fast:.0f} ml/s expected from a full tank and a full cell, and a tenth; commission "
        "writes the highest that it measures",
    )  # fmt: skip
    wake_s = made.files["settings"]["wake_s"].value
    arrives = arrives_ml(about, per_wake, wake_s)
    in_time = math.floor(sizing.SHARE_OF_RUN * 30.0 * slow)
    pulse = min(
        in_time, 500, up(max(LEAST_PULSE_ML, hose.fill_ml / HOSE_SHARE, arrives / 4, usual), 5)
    )
    if pulse * agree.FILLS_MOST <= hose.fill_ml:
        text = f"hose: holds {hose.fill_ml:.0f} ml, and the longest run gives {pulse} ml; allowed "
        raise BadInput(text + "a shorter or narrower hose, or a stronger pump (--hose, --pump)")
    dose = up(max(arrives, 2 * per_wake) / (1 - hose.fill_ml / pulse), 10)
    if dose > MOST_DOSE_ML:
        text = f"planter.volume_ml = {volume}: one dose would be {dose} ml; allowed up to "
        raise BadInput(f"{text}{MOST_DOSE_ML}: choose a smaller pot (--pot)")
    made.put(
        "limits", "dose_ml", dose,
        f"the probe must see it ({ANSWER_PPT} ppt of {volume} ml at the next wake, R7), and up to "
        f"{per_wake:.0f} ml are used from wake to wake; no more: it is what the floor could get",
    )  # fmt: skip
    pulse = made.put(
        "settings", "pulse_ml", min(dose, pulse),
        f"of which the hose swallows {hose.fill_ml:.0f} ml each time; small enough to soak in",
    )  # fmt: skip
    made.put("settings", "dose_ml", dose, "the largest dose, until its own log knows better")
    seconds = pulse / slow / sizing.SHARE_OF_RUN
    made.put(
        "limits", "pulse_ms", min(30_000, max(3000, up(1000 * seconds, 500))),
        f"a pulse takes {pulse / slow:.1f} s at {slow:.0f} ml/s: cell at its lowest, tank nearly "
        "empty; and some more",
    )  # fmt: skip
    made.put("limits", "pulses", min(20, math.ceil(dose / pulse) + 2), "a dose, and two to spare")
    made.put("settings", "soak_s", 600, "water spreads before it is judged; common practice")
    _day(about, parts, made, thirst)


def _day(about: About, parts: dict[str, Part], made: Figures, thirst: float) -> None:
    """R3: the least limit under which a whole dose and the thirstiest day fit."""

    def folder() -> PotFolder:
        found = planned(about, parts, made)
        found.calibration["flow_ul_s"] = made.expected_flow_ul_s
        found.calibration["ul_per_ppt"] = about.planter.volume_ml
        return found

    outlook = agree.outlook(folder())
    assert outlook is not None
    counted = math.ceil(
        outlook.counted_ml * (1 + 1 / outlook.pulses)
    )  # a slower pump takes one more
    day = up(counted, 10)
    while day <= MOST_DAY_ML:
        made.put(
            "limits", "day_ml", day,
            f"a dose counts for up to {counted} ml at the highest flow, and the plant "
            f"uses up to {thirst:.0f} ml a day",
        )  # fmt: skip
        now = folder()
        given = agree.given_ul(now.settings, now.limits, now.calibration)
        if sum(given) * 86.4 >= thirst * len(given) * now.settings["wake_s"]:
            return
        day = up(1.1 * day, 10)
    text = f"plant: {thirst:.0f} ml a day are more than one pump may give (R3); allowed a day's "
    raise BadInput(f"{text}limit of {MOST_DAY_ML} ml: choose a smaller plant, or a second pot")


def _tank(about: About, made: Figures, thirst: float, is_float: bool) -> None:
    """Reserve, warning and loss."""
    tank, pulse = about.tank, made.files["settings"]["pulse_ml"].value
    draws = tank.below_ml(tank.draws_mm)
    least = up(max(1.1 * draws, 0.03 * tank.volume_ml, 30), 10)
    reserve = up(least + 0.02 * tank.volume_ml, 10)
    if reserve + 2 * pulse >= tank.volume_ml / 2:
        text = f"tank.volume_ml = {tank.volume_ml}: {reserve} ml of it are the reserve and a pulse "
        text += f"takes {pulse} ml; allowed from {up(2 * (reserve + 2 * pulse) + 50, 50)}"
        raise BadInput(text + "; choose a larger tank, or a lower intake (--tank)")
    made.put(
        "limits", "reserve_ml", least,
        f"the pump draws from {tank.draws_mm} mm, where the tank holds {draws:.0f} ml (R4)",
    )  # fmt: skip
    reserve = made.put("settings", "reserve_ml", reserve, "a little above the hard limit")
    warn = up(reserve + pulse + WATCHED_DAYS * thirst, 10)
    why = f"about {WATCHED_DAYS} days of the thirstiest month are left then"
    if is_float:
        warn, why = math.ceil(1.5 * reserve), "a float shows no more; where it drops is measured"
    elif warn > tank.volume_ml * 6 // 10:
        warn, why = tank.volume_ml * 6 // 10, "six tenths: this tank is small for its plant"
    made.put("settings", "tank_warn_ml", warn, why)
    loss = TANK_LOSS_CM * tank.volume_ml / (tank.height_mm / 10)
    made.put("settings", "leak_ml_day", max(5.0, loss), "what a covered tank loses to the air")
