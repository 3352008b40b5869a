"""How the values of a pot must fit one another, and what to be careful with.

What belongs here: rules over two or more values, each in its own range: pins of one chip,
settings inside hard limits, thresholds inside calibration tables, doses inside the day. What
does not: the range of a single value (fields.py of the core), reading files.

A problem is refused; a warning is told. Each cites the requirement it serves.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from typing import Any

from wakecore import fields, plan
from wakecore.number import SMALL_MAX, div_up, muldiv_down, muldiv_up
from wakecore.rules import THIRSTY
from wakecore.run import LEAST_EDGES, OVERRUN_MS, moved_ul
from wakecore.state import UNKNOWN, State, deliver, delivered_ml, pass_time
from wakecore.table import counts_at
from wakecore.tank import book_pulse
from wakecore.wake import FIRST_LOOK_S, LEAST_SLEEP_S, MOST_TRIES, SECOND_LOOK_S
from wakewell.pot.description import About, Battery, PotFolder
from wakewell.pot.parts import PROBES

from . import chips, meanings

MOST_INTAKE = 0.9  # of the tank's height, at which the pump may draw
FILLS_MOST = 0.8  # of a run that may only fill the hose; own assumption
PANEL_CARE = (
    "Cover the panel while its leads are in your hand and connect it last: light cannot be "
    "switched off."
)
# A full cell, by chemistry: makers' sheets and common practice, from memory
FULL_MV = {"lithium-ion": 4200, "lithium-iron-phosphate": 3650, "nickel-metal-hydride": 1450}
FULL_MV |= {"alkaline": 1600, "lead": 2400}
REGULAR = 28  # regular wakes over which the day's limit is averaged


def check_pins(folder: PotFolder) -> None:
    """Every part on a pin that can serve it, and no two on one (R1, R5, R12)."""
    assert folder.about is not None
    chip = chips.CHIPS[folder.about.chip]
    if chip.name not in chips.PORTED:
        text = f'chip = "{chip.name}": its pins are checked, but no board code runs on it: '
        text += f"{chip.why_not}; a board can be one of {', '.join(chips.PORTED)}"
        folder.warn("pot", text, "chip")
    taken: dict[int, str] = {}
    everything = frozenset(pin for part in folder.parts.values() for pin in part.pins.values())
    for part in folder.parts.values():
        for key, pin in part.pins.items():
            where, name = (part.name, key), f"{part.name}.{key} = {pin}"
            free = ", ".join(str(n) for n in chips.fitting(chip, part.uses[key], everything)[:8])
            advice = f"free and suitable as {part.uses[key]}: {free or 'none'}"
            if pin in taken:
                text = f"{name}: {taken[pin]} is on this pin already; {advice}"
                folder.problem("wiring", text, *where)
                continue
            taken[pin] = part.name
            if why := chips.refused(chip, part.uses[key], pin):
                rule = " (R1)" if part.uses[key] == chips.PUMP else ""
                text = f"{name}: not suitable as {part.uses[key]} on the {chip.name}{rule}: "
                text += f"{why}; {advice}"
                folder.problem("wiring", text, *where)
            elif why := chips.doubtful(chip, pin):
                text = f"{name}: {why}; it may keep the board from starting, or block the cable; "
                folder.warn("wiring", text + advice, *where)
        pull = part.words.get("pull", "none")
        inside = chip.input_only & frozenset(part.pins.values())
        if pull != "none" and inside:
            text = f'{part.name}.pull = "{pull}": pin {min(inside)} has no pull resistor inside; '
            text += 'fit one outside and write pull = "none"'
            folder.problem("wiring", text, part.name, "pull")
    pump = folder.parts.get("pump")
    if pump and pump.words["active"] != "high":
        text = 'pump.active = "low": allowed high (R1): a floating pin must keep the pump off; '
        text += "use a switch that is on when its pin is high, with a pull-down resistor"
        folder.problem("wiring", text, "pump", "active")


def check_sizes(folder: PotFolder) -> None:
    """pot.toml: numbers of it that contradict one another."""
    about = folder.about
    assert about is not None
    planter, tank, pump, hose = about.planter, about.tank, about.pump, about.hose
    whole_ml = int(math.pi / 4 * planter.diameter_mm**2 * planter.height_mm / 1000)
    most_ml = whole_ml + whole_ml // 20  # measures are taken by eye
    if planter.volume_ml > most_ml:
        text = f"planter.volume_ml = {planter.volume_ml}: allowed up to {most_ml}, what a cylinder "
        text += f"of that diameter and height holds ({whole_ml}) plus 5 %; measure again"
        folder.problem("pot", text, "planter", "volume_ml")
    most_mm = int(MOST_INTAKE * tank.height_mm)
    if tank.intake_mm is not None and tank.intake_mm > most_mm:
        text = f"tank.intake_mm = {tank.intake_mm}: allowed up to {most_mm}, well below the full "
        folder.problem("pot", text + "mark; measure from the tank's floor", "tank", "intake_mm")
    if tank.now_ml is not None and tank.now_ml > tank.volume_ml:
        text = f"tank.now_ml = {tank.now_ml}: allowed up to volume_ml, which is {tank.volume_ml}"
        folder.problem("pot", text + "; look again", "tank", "now_ml")
    crop = about.crop
    if crop and (crop.use_ml_day is None) != (crop.use_month is None):
        given, missing = "use_ml_day", "use_month"
        if crop.use_ml_day is None:
            given, missing = missing, given
        text = f"crop.{missing}: missing beside {given}: water use changes over the year; add it"
        folder.problem("pot", text, "crop", given)
    if pump:
        lift_mm = max(tank.height_mm, tank.outlet_mm) - tank.height_mm
        if pump.lift_mm <= lift_mm:
            text = f"pump.lift_mm = {pump.lift_mm}: allowed from {lift_mm + 1}: the hose ends "
            text += f"{lift_mm} mm above the full mark; choose a stronger pump or a lower hose"
            folder.problem("pot", text, "pump", "lift_mm")
    if hose and hose.holes and hose.hole_um > 1000 * hose.inner_mm:
        text = f"hose.hole_um = {hose.hole_um}: allowed up to {1000 * hose.inner_mm}, the hose's "
        folder.problem("pot", text + "own bore; measure again", "hose", "hole_um")
    # Up from the intake to the crest, and down from there to the end: no hose is shorter
    least_mm = 2 * tank.crest_mm - tank.draws_mm - tank.outlet_mm
    if hose and hose.length_mm < least_mm:
        text = f"hose.length_mm = {hose.length_mm}: allowed from {least_mm}: up from the intake, "
        text += "over the higher of full mark and hose's end, and down to that end; measure again"
        folder.problem("pot", text, "hose", "length_mm")
    if about.noted and about.noted > date.today():
        text = f"noted = {about.noted}: allowed up to today, {date.today()}; correct it"
        folder.problem("pot", text, "noted")


def check_values(folder: PotFolder) -> None:
    """All rules over values. Every value is in its range."""
    before = len(folder.problems)
    _limits(folder)
    _wiring(folder)
    _battery(folder)
    _level(folder)
    _soil(folder)
    _others(folder)
    if folder.about:
        _converter(folder)
        _draws(folder)
    if len(folder.problems) == before:
        _doses(folder)
    check_told(folder)


def check_told(folder: PotFolder) -> None:
    """What settings.toml and limits.toml say against pot.toml alone: these hold also for a pot
    that is only planned, which has no other files yet."""
    about = folder.about
    if about is None:
        return
    _reserve(folder, about)
    if about.battery is not None:
        _floor(folder, about.battery)
    _hose(folder, about)


def _limits(folder: PotFolder) -> None:
    """Settings stay inside the hard limits; a radio or sag limit makes sense beside R5's."""
    settings, limits = folder.settings, folder.limits
    said = meanings.of("settings")
    for name, sense, limit in fields.INSIDE:
        value, bound = settings[name], limits[limit]
        if value > bound if sense == "<=" else value < bound:
            inner = ("up to " if sense == "<=" else "at least ") + limit
            text = f"{name} = {value}: allowed {inner} of limits.toml, which is {bound}"
            text += f" ({said[name]}); change it, or the hard limit if that is safe for the pot"
            folder.problem("settings", text, name)
    if limits["sag_mv"] >= max(settings["battery_mv"], limits["rest_mv"]):
        text = f"sag_mv = {limits['sag_mv']}: not below the rest voltage for the pump, so every "
        folder.warn("limits", text + "pulse may trip (R5); lower it", "sag_mv")
    if limits["upkeep_ml"] and settings["upkeep_ml"] == 0 and folder.calibration["stage"] == 1:
        text = "upkeep_ml = 0: a provisional pot waters nothing at all (R14); agree on an upkeep "
        folder.warn("settings", text + "dose, or water by hand meanwhile", "upkeep_ml")


def _wiring(folder: PotFolder) -> None:
    """What is wired is calibrated, and the other way round."""
    cal, parts = folder.calibration, folder.parts
    stage, probes = cal["stage"], meanings.PROBES
    absent = [row[0] for row in fields.PROBES if row[0] in parts and row[0] not in cal]
    for name, _, _, use in fields.PROBES:
        needed = use == fields.MUST
        if name in cal and name not in parts:
            text = f"[{name}]: calibrated but not in wiring.toml; add the part or take it out"
            folder.problem("calibration", text, name)
        elif name in parts and name not in cal:
            text = f"{name}: no table for it in calibration.toml ({probes[name]}); "
            if needed and stage:
                folder.problem("wiring", text + "calibrate it, or stage = 0", name)
            elif stage:
                folder.warn("wiring", text + "it is not used until it is calibrated", name)
        elif needed and name not in parts and stage:
            text = f"[{name}]: missing, and the pump needs it; wire and calibrate it, or stage = 0"
            folder.problem("wiring", text, name)
    if stage and not 0 < cal["flow_ul_s"] <= folder.limits["flow_max_ul_s"]:
        text = f"flow_ul_s = {cal['flow_ul_s']}: allowed 1 to flow_max_ul_s of limits.toml, which "
        text += f"is {folder.limits['flow_max_ul_s']} (R3); measure the flow into a cup"
        folder.problem("calibration", text, "flow_ul_s")
    if not stage and absent:
        text = (
            f"not calibrated yet: {', '.join(absent)}; the pot reads and reports but never pumps "
        )
        text += "(R14). budget and simulate work already; with its board: wakewell flash, then "
        folder.steps.append(text + "wakewell commission")
    elif not stage:
        text = "stage = 0: the pot reads and reports but never pumps (R14); commission it"
        folder.warn("calibration", text, "stage")
    if "button" not in parts:
        text = (
            "no button: lockouts that the owner's button would end can only be ended by cable (R12)"
        )
        folder.warn("wiring", text + "; fit one on a pin that can wake the chip", "button")


def _ends(probe: dict[str, Any]) -> tuple[int, int]:
    """Lowest and highest value of a probe's table."""
    values = [value for _, value in probe["points"]]
    return min(values), max(values)


def _within(folder: PotFolder, kind: str, name: str, probe: str, value: int, why: str) -> None:
    """A threshold must lie inside the probe's table, or it can never be crossed."""
    low, high = _ends(folder.calibration[probe])
    if not low < value <= high:
        text = f"{name} = {value}: allowed {low + 1} to {high}, the reach of [{probe}] in "
        text += f"calibration.toml ({why}); change it or calibrate further"
        folder.problem(kind, text, name)


def _battery(folder: PotFolder) -> None:
    """R5: thresholds inside the table, charge sense, and whether the divider fits the table."""
    settings, cal, parts = folder.settings, folder.calibration, folder.parts
    if settings["battery_clear_mv"] <= settings["battery_mv"]:
        text = f"battery_clear_mv = {settings['battery_clear_mv']}: allowed above battery_mv, "
        text += (
            f"which is {settings['battery_mv']} (R5: the lockout must end above where it began); "
        )
        folder.problem("settings", text + "raise it", "battery_clear_mv")
    if settings["battery_warn_mv"] < settings["battery_mv"]:
        text = f"battery_warn_mv = {settings['battery_warn_mv']}: below battery_mv, so the warning "
        folder.warn("settings", text + "comes after the lockout (R5); raise it", "battery_warn_mv")
    if "battery" in cal:
        for name in ("battery_mv", "battery_clear_mv"):
            _within(folder, "settings", name, "battery", settings[name], "R5")
        _within(folder, "limits", "rest_mv", "battery", folder.limits["rest_mv"], "R5")
        _divider(folder)
    sunned = folder.about is not None and folder.about.panel is not None
    if sunned:
        _sun(folder)
    elif "charger" not in parts and not settings["mains"]:
        text = "no charger sense, and not mains: the board cannot distinguish charge and recovery, "
        text += "so after charging hold the button for 2 s to end the lockout (R5); wire the "
        folder.warn("wiring", text + "charger's status line, or mains = 1", "battery")


def _sun(folder: PotFolder) -> None:
    """R5 with a panel: the readings that end a lockout are those without its light."""
    settings = folder.settings
    if settings["mains"]:
        text = "mains = 1: with a panel every reading in the sun would count as one of rest, and "
        text += "end the lockout on an empty battery (R5); set it to 0"
        folder.warn("settings", text, "mains")
    if "charger" not in folder.parts:
        text = "a panel and no charger sense: the board cannot distinguish sun and rest, so the "
        text += "lockout ends only by the button, held for 2 s after dark (R5); wire the charger's "
        folder.warn("wiring", text + "status line", "battery")


def _divider(folder: PotFolder) -> None:
    """The battery's table against the resistors, and the converter's reach."""
    part = folder.parts.get("battery")
    if part is None or folder.about is None:
        return
    chip = chips.CHIPS[folder.about.chip]
    upper, lower = part.numbers["upper_ohm"], part.numbers["lower_ohm"]
    counts, mv = max(folder.calibration["battery"]["points"], key=lambda pair: pair[1])
    pin_mv = mv * lower // (upper + lower)
    if pin_mv > chip.most_mv:
        text = f"{mv} mV puts {pin_mv} mV on the pin, and the {chip.name} reads correctly up to "
        text += f"{chip.most_mv} mV; choose a larger upper_ohm"
        folder.problem("wiring", "battery: " + text, "battery", "upper_ohm")
    elif abs(counts // 1000 - pin_mv) * 10 > pin_mv:
        text = f"[battery]: {mv} mV reads {counts} microvolts, but the resistors of wiring.toml "
        text += f"give about {pin_mv * 1000}; check which of the two is wrong"
        folder.warn("calibration", text, "battery", "points")


def _converter(folder: PotFolder) -> None:
    """Tables of analogue parts, in microvolts, against what the converter reads truly."""
    assert folder.about is not None
    chip = chips.CHIPS[folder.about.chip]
    for name, part in folder.parts.items():
        if chips.ANALOG not in part.uses.values() or name not in folder.calibration:
            continue
        points = folder.calibration[name]["points"]
        low_mv, high_mv = points[0][0] // 1000, points[-1][0] // 1000
        if low_mv < chip.least_mv or high_mv > chip.most_mv:
            text = f"[{name}]: calibrated from {low_mv} to {high_mv} mV at the pin, and the "
            text += (
                f"{chip.name} reads correctly from {chip.least_mv} to {chip.most_mv} mV; keep the "
            )
            folder.warn("calibration", text + "points inside, with a divider if need be", name)


@dataclass(frozen=True)
class Swallowed:
    """A setting of which the hose takes most of a run; all: nothing is left for the pot."""

    setting: str
    all: bool
    text: str


def run_ml(settings: Mapping[str, Any], limits: Mapping[str, Any], flow_ul_s: int) -> int:
    """What one pulse gives at that flow, inside the hard limit of its time (R2); 0: not known."""
    most_ml = int(settings["pulse_ml"])
    return min(most_ml, moved_ul(limits["pulse_ms"], flow_ul_s) // 1000) if flow_ul_s else most_ml


def swallowed(
    about: About, settings: Mapping[str, Any], limits: Mapping[str, Any], flow_ul_s: int
) -> list[Swallowed]:
    """The settings whose runs mostly fill the hose (R7), which runs empty between them."""
    fill_ml, most_ml = about.line.fill_ml, run_ml(settings, limits, flow_ul_s)
    runs: dict[int, str] = {}
    for name in ("pulse_ml", "dose_ml", "upkeep_ml"):
        if settings[name]:
            runs.setdefault(min(settings[name], most_ml), name)
    found = []
    for ml, name in runs.items():
        if not fill_ml or fill_ml < FILLS_MOST * ml:
            continue
        left_ml = max(0.0, ml - fill_ml)
        text = f"{name} = {settings[name]}: the hose holds {fill_ml:.0f} ml and runs empty after "
        text += f"each run, so a run of {ml} ml brings {left_ml:.0f} ml to the pot (R7); raise it, "
        text += f"shorten the hose (up to {int(FILLS_MOST * ml / fill_ml * about.line.length_mm)} "
        text += 'mm at this bore), or fit a check valve (valve = "check")'
        if about.hose is None:
            text += "; [hose] is not in pot.toml: this is an assumption"
        found.append(Swallowed(name, fill_ml >= ml, text))
    return found


def _hose(folder: PotFolder, about: About) -> None:
    """What a run brings to the pot, once it has filled the hose. A hose that was not given is
    assumed, and refuses nothing.
    """
    flow = folder.calibration["flow_ul_s"]
    for one in swallowed(about, folder.settings, folder.limits, flow):
        tell = folder.problem if one.all and about.hose is not None else folder.warn
        tell("settings", one.text, one.setting)


def _reserve(folder: PotFolder, about: About) -> None:
    """R4: the tank holds more than the reserve."""
    name, volume_ml = "reserve_ml", about.tank.volume_ml
    kind = max(("settings", "limits"), key=lambda kind: int(getattr(folder, kind)[name]))
    reserve_ml = getattr(folder, kind)[name]
    level = folder.calibration.get("level")
    if reserve_ml >= volume_ml and (level is None or reserve_ml < _ends(level)[1]):
        text = f"{name} = {reserve_ml}: allowed below the tank's volume, {volume_ml} (R4)"
        folder.problem(kind, text + "; correct it", name)


def _floor(folder: PotFolder, cell: Battery) -> None:
    """R5: a full cell is above every voltage at which the pump may run."""
    full_mv = FULL_MV[cell.chemistry] * cell.cells
    for kind, name in (
        ("settings", "battery_mv"),
        ("settings", "battery_clear_mv"),
        ("limits", "rest_mv"),
    ):
        value = getattr(folder, kind)[name]
        if value >= full_mv:
            text = f"{name} = {value}: allowed up to {full_mv - 1}: a full battery of this kind "
            text += f"has {full_mv} mV, so the pump would never run (R5); correct it, or [battery] "
            folder.problem(kind, text + "of pot.toml", name)


def _draws(folder: PotFolder) -> None:
    """Currents and times of the board that contradict one another."""
    about, cal, settings = folder.about, folder.calibration, folder.settings
    assert about is not None
    least = chips.SLEEPS_LEAST_UA.get(about.chip, 1)
    if cal["sleep_ua"] < least:
        text = f"sleep_ua = {cal['sleep_ua']}: allowed from {least}: no {about.chip} sleeps on less"
        folder.problem("calibration", text + "; measure again", "sleep_ua")
    if cal["awake_ua"] <= cal["sleep_ua"]:
        text = f"awake_ua = {cal['awake_ua']}: allowed above sleep_ua, {cal['sleep_ua']}; measure "
        folder.problem("calibration", text + "again", "awake_ua")
    board = about.board
    if board is None:
        return
    if board.radio_ua is not None and board.radio_ua < cal["awake_ua"]:
        text = f"board.radio_ua = {board.radio_ua}: allowed from awake_ua of calibration.toml, "
        folder.problem("pot", text + f"{cal['awake_ua']}; correct it", "board", "radio_ua")
    awake_ms = board.awake_ms or 0
    if settings["radio_wakes"]:
        awake_ms += board.radio_ms or 0
    if awake_ms >= 1000 * settings["wake_s"]:
        text = f"board.awake_ms = {board.awake_ms}: allowed together with radio_ms below wake_s, "
        folder.problem("pot", text + f"{settings['wake_s']} s; correct it", "board", "awake_ms")


def _level(folder: PotFolder) -> None:
    """R4 and R8: the reserve can be measured, and the gauge is fine enough."""
    settings, cal, parts = folder.settings, folder.calibration, folder.parts
    reserve_ml = max(settings["reserve_ml"], folder.limits["reserve_ml"])
    part = parts.get("level")
    if part is None or "level" not in cal or folder.about is None:
        return
    is_float = part.kind == "float"
    if is_float != bool(cal["float_only"]):
        text = f"float_only = {cal['float_only']}: allowed {int(is_float)} with level.kind = "
        text += f'"{part.kind}" in wiring.toml (R4); correct one of the two'
        folder.problem("calibration", text, "float_only")
        return
    low, high = _ends(cal["level"])
    if not low < reserve_ml < high:
        text = f"reserve_ml = {settings['reserve_ml']}: allowed {low + 1} to {high - 1}, inside "
        text += "[level] of calibration.toml (R4); change it or calibrate further"
        folder.problem("settings", text, "reserve_ml")
    tank = folder.about.tank
    intake_ml = math.ceil(tank.below_ml(tank.draws_mm))
    if reserve_ml < intake_ml:
        text = f"reserve_ml = {reserve_ml}: the pump draws from {tank.draws_mm} mm above the "
        text += f"floor, where the tank holds {intake_ml} ml, and runs dry below that (R4); raise "
        text += "the reserve"
        if tank.intake_mm is None:
            text += ", or measure tank.intake_mm for pot.toml: this is an assumption"
        folder.warn("settings", text, "reserve_ml")
    # A pulse must leave the reserve: with less than both no run starts, and nobody is asked. A
    # float shows no amounts: there the reserve alone counts
    stops_ml = reserve_ml + (0 if cal["float_only"] else settings["pulse_ml"])
    if not stops_ml < settings["tank_warn_ml"] < high:
        text = f"tank_warn_ml = {settings['tank_warn_ml']}: the refill is asked for too late or "
        text += f"always; sensible is {stops_ml + 1} to {high - 1}"
        folder.warn("settings", text, "tank_warn_ml")
    if high > folder.about.tank.volume_ml:
        text = f"[level]: {high} ml is more than the {folder.about.tank.volume_ml} ml of the tank "
        folder.warn("calibration", text + "in pot.toml; see which is wrong", "level", "points")
    if folder.about.tank.outlet_mm < folder.about.tank.height_mm:
        text = f"tank.outlet_mm = {folder.about.tank.outlet_mm}: the hose ends below a full tank's "
        text += "water, so it can siphon the tank empty with the pump off (R8 only sees it "
        text += "afterwards); end the hose above the water, or fit an air gap or siphon break"
        folder.warn("pot", text, "tank", "outlet_mm")
    if is_float:
        if "current" not in cal and "flowmeter" not in cal:
            text = "a float switch shows no flow and no pump current is sensed: a run with an "
            text += (
                "open hose or a dead pump is not recognised (R4); fit a flow meter, a current "
                "sense or a gauge"
            )
            folder.warn("wiring", text, "level")
        return
    most_ml = scatter_ml(cal["level"])
    if cal["tolerance_ml"] < most_ml:
        text = f"tolerance_ml = {cal['tolerance_ml']}: spread = {cal['level'].get('spread', 0)} "
        text += f"counts of [level] are up to {most_ml} ml, so scatter may look like a leak or a "
        folder.warn("calibration", text + "dry run (R4, R8); raise it", "tolerance_ml")


def scatter_ml(probe: dict[str, Any]) -> int:
    """What the probe's spread amounts to where its table is steepest, rounded up."""
    points, spread = probe["points"], probe.get("spread", 0)
    return max(
        int(muldiv_up(spread, abs(value1 - value0), counts1 - counts0))
        for (counts0, value0), (counts1, value1) in pairwise(points)
    )


def _soil(folder: PotFolder) -> None:
    """R6 and the dose planner: capacity, refill point and target in order and measurable."""
    settings, cal = folder.settings, folder.calibration
    if cal["capacity_ppt"] <= cal["wilting_ppt"]:
        text = (
            f"capacity_ppt = {cal['capacity_ppt']}: allowed from {cal['wilting_ppt'] + 1}, above "
        )
        text += "wilting_ppt; weigh the pot soaked and drained, and again when it needs water"
        folder.problem("calibration", text, "capacity_ppt")
        return
    refill, target = water_points(settings, cal)
    if target <= refill:
        text = f"fill_ppt = {settings['fill_ppt']}: fills to {target} ppt, at or below the refill "
        text += f"point of {refill} ppt; raise fill_ppt or depletion_ppt"
        folder.problem("settings", text, "fill_ppt")
    if "soil" in cal and "soil" in folder.parts:
        weighed = int(folder.parts["soil"].kind == "weight")
        if weighed != cal["weighed"]:
            text = f"weighed = {cal['weighed']}: allowed {weighed} with soil.kind = "
            text += f'"{folder.parts["soil"].kind}" in wiring.toml (R6); correct one of the two'
            folder.problem("calibration", text, "weighed")
    if "soil" in cal:
        low, high = _ends(cal["soil"])
        if not low <= refill < high:
            text = f"depletion_ppt = {settings['depletion_ppt']}: refill point {refill} ppt, but "
            text += f"[soil] of calibration.toml reaches from {low} to {high} ppt, so the pot is "
            folder.problem("settings", text + "watered never or always", "depletion_ppt")
        elif target > high:
            text = (
                f"fill_ppt = {settings['fill_ppt']}: fills to {target} ppt, above the {high} ppt "
            )
            text += "that [soil] of calibration.toml reaches; calibrate further or lower it"
            folder.warn("settings", text, "fill_ppt")
        if "temperature" not in cal:
            text = "no temperature probe: cold soil is not noticed, and a capacitive probe gives "
            text += "wrong readings near freezing (R6); fit one where frost is possible"
            folder.warn("wiring", text, "temperature")
    if settings["frozen_wakes"] * settings["wake_s"] < fields.DAY_S:
        text = f"frozen_wakes = {settings['frozen_wakes']}: with a wake every {settings['wake_s']} "
        text += (
            "s a probe counts as frozen within a day, and unchanging soil may read the same that "
        )
        folder.warn("settings", text + "long (R6); raise it", "frozen_wakes")
    if settings["settle_s"] > settings["wake_s"]:
        text = f"settle_s = {settings['settle_s']}: longer than wake_s = {settings['wake_s']}, so "
        text += "dry soil may have to wait for a later wake; "
        folder.warn("settings", text + "shorten settle_s or sleep longer", "settle_s")
    if settings["wake_s"] > fields.DAY_S:
        days = THIRSTY * settings["wake_s"] / fields.DAY_S
        text = (
            f"wake_s = {settings['wake_s']}: thirst is told at the third wake that finds it, here "
        )
        text += (
            f"after up to {days:.0f} days (R16), and a plant that drinks a dose between two wakes "
        )
        text += (
            "seems to have had none (R7); sensible is at most a day, unless the plant hardly drinks"
        )
        folder.warn("settings", text, "wake_s")


def water_points(settings: dict[str, Any], cal: dict[str, Any]) -> tuple[int, int]:
    """Refill point and target in ppt, by the core's own planner."""
    asked: Any = _Named(settings)
    pot: Any = _Named(cal)
    return int(fields.refill_ppt(asked, pot)), int(fields.target_ppt(asked, pot))


class _Named:
    """Values by attribute, as the core wants them; a probe that is not fitted is None."""

    def __init__(self, values: dict[str, Any]) -> None:
        self.__dict__.update(dict.fromkeys(PROBES), **values)


def _others(folder: PotFolder) -> None:
    """Pump current (R4) and saucer (R15) against their tables."""
    cal = folder.calibration
    if "current" in cal:
        if cal["dry_ma"]:
            _within(folder, "calibration", "dry_ma", "current", cal["dry_ma"], "R4")
        else:
            text = (
                "dry_ma = 0: the pump's current is read but not judged, so it does not show a flow "
            )
            text += "(R4); set it between the current in water and the current in air"
            folder.warn("calibration", text, "dry_ma")
    if "saucer" in cal:
        _within(folder, "calibration", "wet_ppt", "saucer", cal["wet_ppt"], "R15")
    if "flowmeter" in cal and cal["flow_ul_s"]:
        ul = muldiv_down(folder.limits["dry_ms"], cal["flow_ul_s"], 4000)
        pulses = counts_at(cal["flowmeter"]["points"], ul)
        if pulses < LEAST_EDGES:
            text = f"[flowmeter]: a quarter of the usual flow gives {pulses} pulses in dry_ms, and "
            text += (
                f"{LEAST_EDGES} are needed to show water (R4); raise dry_ms or take a finer meter"
            )
            folder.warn("calibration", text, "flowmeter")


@dataclass(frozen=True)
class Outlook:
    """What a pot's values come to, for people. Volumes in ml, soil water in ppt.

    dose_ml: a dose from the refill point to the target, inside the hard limit; pulses and
    pulse_ms: how it is given; counted_ml: what it counts for in the 24 hours (R3);
    provable_ml: smallest fall of the level that can be proved (None: float switch);
    proof_ml: water that must be commanded to prove it, all in one run or over several;
    in_run: whether one run of dry_ms can show it; day_ml: the hard limit; window_s: the time in
    which the core counts it; wake_ml: what one regular wake can really give under it, after a
    pause, and lasting_ml_day: what regular wakes give a day when each asks for that much;
    unanswered_ml: the most that is given by itself before the soil answers; floor_ml: the most
    with the presses of its owner: what the floor can get if the hose lies beside the pot (R18).
    """

    refill_ppt: int
    target_ppt: int
    dose_ml: int
    pulses: int
    pulse_ms: int
    counted_ml: int
    provable_ml: int | None
    proof_ml: int | None
    in_run: bool
    day_ml: int
    window_s: int
    wake_ml: int
    lasting_ml_day: int
    unanswered_ml: int
    floor_ml: int


def outlook(folder: PotFolder) -> Outlook | None:
    """The figures above, or None where the flow is not known yet."""
    settings, limits, cal = folder.settings, folder.limits, folder.calibration
    flow = cal["flow_ul_s"]
    if not flow:
        return None
    refill, target = water_points(settings, cal)
    dose_ul = plan.water_ul(refill, target, cal["ul_per_ppt"]) or settings["dose_ml"] * 1000
    dose_ul = min(dose_ul, limits["dose_ml"] * 1000)
    pulse_ul = min(settings["pulse_ml"] * 1000, dose_ul)
    pulse_ms = min(muldiv_up(pulse_ul, 1000, flow), limits["pulse_ms"])
    pulses = min(div_up(dose_ul, moved_ul(pulse_ms, flow)), limits["pulses"])
    # Each pulse is counted by itself, rounded up, and may overrun: as plan.counted_ml does
    one_ml = div_up(moved_ul(pulse_ms + OVERRUN_MS, limits["flow_max_ul_s"]), 1000)
    wakes = given_ul(settings, limits, cal)
    unanswered_ul, pressed_ul = without_answer_ul(settings, limits, cal)
    provable = None if cal["float_only"] else cal["tolerance_ml"] + 1
    return Outlook(
        refill_ppt=refill,
        target_ppt=target,
        dose_ml=dose_ul // 1000,
        pulses=pulses,
        pulse_ms=pulse_ms,
        counted_ml=pulses * one_ml,
        provable_ml=provable,
        proof_ml=None if provable is None else 4 * provable,
        in_run=muldiv_down(limits["dry_ms"], flow, 4000000) > cal["tolerance_ml"]
        and pulse_ms > limits["dry_ms"],
        day_ml=limits["day_ml"],
        window_s=window_s(limits["clock_ppt"]),
        wake_ml=wakes[0] // 1000,
        lasting_ml_day=sum(wakes) * 86400 // (1000 * len(wakes) * settings["wake_s"]),
        unanswered_ml=div_up(unanswered_ul, 1000),
        floor_ml=div_up(unanswered_ul + pressed_ul, 1000),
    )


def _pot(settings: dict[str, Any], limits: dict[str, Any], cal: dict[str, Any]) -> Any:
    """The three files as the core's functions take them (`fields.Pot`)."""
    by = _Named(limits)
    named = {"settings": _Named(settings), "limits": by, "counted_by": by}
    return _Named({**named, "calibration": _Named(cal)})


def without_answer_ul(
    settings: dict[str, Any], limits: dict[str, Any], cal: dict[str, Any]
) -> tuple[int, int]:
    """The core's bounds of water without an answer (R18), microlitres: by itself, and what presses
    add to it. Of a pot that has learned the slowest soil that its calibration lets it."""
    pot = _pot(settings, limits, cal)
    state: Any = State()
    state.learned_ul_per_ppt = SMALL_MAX
    return plan.bound_ul(state, pot), MOST_TRIES * plan.one_more_ul(state, pot)


def window_s(clock_ppt: int) -> int:
    """How long the core counts water that was given (R3), seconds: by asking its own window."""
    low, high = 0, 7 * 86400

    def counts(age_s: int) -> bool:
        state = State()
        deliver(state, 1)
        pass_time(state, age_s, clock_ppt)
        return bool(delivered_ml(state))

    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if counts(middle) else (low, middle)
    return high


def given_ul(settings: dict[str, Any], limits: dict[str, Any], cal: dict[str, Any]) -> list[int]:
    """Microlitres of REGULAR regular wakes, each of which asks for all that it can get and is
    answered before the next: by the core's own functions, and its own waits between them."""
    pot = _pot(settings, limits, cal)
    state: Any = State()
    found = []
    for _ in range(REGULAR):
        sleep_s = max(LEAST_SLEEP_S, settings["wake_s"] - state.cycle_s)
        pass_time(state, sleep_s, limits["clock_ppt"])
        state.cycle_s = state.unanswered_ul = 0
        settled = state.since_dose_s >= settings["settle_s"]
        found.append(_dose_ul(state, pot) if settled else 0)
    return found


def _dose_ul(state: Any, pot: Any) -> int:
    """Microlitres of one dose, with a full tank and all that follows it until the pot is idle."""
    settings, limits, cal = pot.settings, pot.limits, pot.calibration
    asked_ul = left_ul = limits.dose_ml * 1000
    for count in range(1, limits.pulses + 1):
        facts: Any = _Named(
            {"level_ml": 1 << 20, "reserve_ml": 0, "unanswered_left_ul": plan.left_ul(state, pot)}
            | {"day_left_ml": max(0, limits.day_ml - delivered_ml(state))}
        )
        ms = plan.pulse_ms(left_ul, facts, pot)
        if not ms:
            break
        book_pulse(state, pot, ms, UNKNOWN, None)
        pulse_ul = moved_ul(ms, cal.flow_ul_s)
        state.unanswered_ul += pulse_ul
        left_ul -= pulse_ul
        if left_ul <= 0 or count == limits.pulses:
            break
        pass_time(state, settings.soak_s, limits.clock_ppt)
    if left_ul < asked_ul:
        pass_time(state, FIRST_LOOK_S + SECOND_LOOK_S, limits.clock_ppt)
    return int(asked_ul - left_ul)


def _doses(folder: PotFolder) -> None:
    """Doses against pulses, runs, the day and the soil's answer (R2, R3, R7)."""
    settings, limits = folder.settings, folder.limits
    found = outlook(folder)
    if found is None:
        return
    flow, least_ms = folder.calibration["flow_ul_s"], plan.LEAST_PULSE_MS
    least_ml = div_up(moved_ul(least_ms, flow), 1000)
    for name in ("pulse_ml", "upkeep_ml"):
        if settings[name] and muldiv_up(settings[name] * 1000, 1000, flow) < least_ms:
            text = f"{name} = {settings[name]}: allowed from {least_ml} at this flow: no run is "
            text += f"shorter than {least_ms} ms, so this one is never started; raise it"
            folder.problem("settings", text, name)
    least_day_ml = muldiv_up(least_ms + OVERRUN_MS, limits["flow_max_ul_s"], 1000000)
    if limits["day_ml"] < least_day_ml:
        text = f"day_ml = {limits['day_ml']}: allowed from {least_day_ml}, what the shortest run "
        text += "counts for at flow_max_ul_s (R3); below it the pump never starts; raise it"
        folder.problem("limits", text, "day_ml")
    if muldiv_up(settings["pulse_ml"] * 1000, 1000, flow) > limits["pulse_ms"]:
        given_ml = moved_ul(limits["pulse_ms"], flow) // 1000
        text = f"pulse_ml = {settings['pulse_ml']}: the hard limit of {limits['pulse_ms']} ms "
        folder.warn("settings", text + f"ends every pulse at {given_ml} ml (R2)", "pulse_ml")
    given_ml = found.pulses * moved_ul(found.pulse_ms, flow) // 1000
    if given_ml < found.dose_ml:
        text = f"pulses = {limits['pulses']}: these pulses give {given_ml} ml of a dose of "
        folder.warn("limits", text + f"{found.dose_ml} ml; raise it, or pulse_ml", "pulses")
    given_ml = min(given_ml, found.dose_ml)
    rise_ppt = given_ml * 1000 // max(1, folder.calibration["ul_per_ppt"])
    if rise_ppt < settings["response_ppt"]:
        text = f"dose_ml = {limits['dose_ml']}: a whole dose, {given_ml} ml, raises this soil by "
        text += f"{rise_ppt} ppt, less than the {settings['response_ppt']} ppt of response_ppt: "
        text += "noise may look like a response, and a missing response locks out late (R7); "
        folder.warn("limits", text + "raise it, or pulses", "dose_ml")
    if found.day_ml < found.counted_ml:
        hours = found.window_s / 3600
        text = f"day_ml = {found.day_ml}: a dose of {found.dose_ml} ml counts for up to "
        text += f"{found.counted_ml} ml, because run time counts at flow_max_ul_s = "
        text += f"{limits['flow_max_ul_s']} and each pulse with {OVERRUN_MS} ms more (R3); it is "
        text += f"cut short, and the rest of the window of {hours:.1f} hours gets nothing; raise "
        folder.warn("limits", text + "day_ml or give smaller doses", "day_ml")
