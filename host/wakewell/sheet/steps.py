"""Mechanics, and the pot's first evening, week and refill: what to do and what it should show.

What belongs here: sentences with the figures of the pot's own files. What does not: how the figures
come about (pot/agree.py, the budget).
"""

from __future__ import annotations

from collections.abc import Iterator

from wakewell.budget.doubt import interval
from wakewell.budget.inputs import Inputs
from wakewell.pot import agree, description
from wakewell.sheet.standins import lasts
from wakewell.tomlfile import show_path
from wakewell.units import soil, volts, water

PRACTICE = "(common practice, no source)"
BREAK_MM = 2  # hole of a siphon break; common practice, no source
WALL_MM, WALLS = 1.2, 3  # of printed parts; common practice, no source
FEWEST_MM = 20  # from the full mark up to the end of a hose, at least; own assumption


CAUTIONS = {
    1: "Local codes and the cell maker's data sheet come first. A lithium cell without a "
    "protection "
    "circuit, or one out of an old device, does not belong here.",
    2: "Solder with the cell and every charger away, in a room with air, eyes guarded. Never "
    "solder "
    "to a cell itself: take one with tags or a holder.",
    3: "Nothing wet is near while you measure. A meter set to current is never put across a cell: "
    "that is a short.",
    4: "No cell, no charger and no mains lead on the table while water is there. Epoxy: gloves and "
    "open windows; a blade or a drill never points at the hand that holds the hose.",
    5: "Dry hands, the cell outside the wet zone. Whoever runs the pump keeps the hose's end in "
    "hand.",
    6: "Wet paper, a smell, a warm cell: cell out and away from what burns, then look for the "
    "cause.",
    7: "Charger unplugged and out of the way before water is poured.",
}
MAINS = (
    "Its charger stays plugged in: it hangs dry, above the highest water, with a loop in its lead; "
    "only extra-low voltage goes to the pot. The mains side is for those licensed for it."
)


def cautions(pot: description.PotFolder) -> dict[int, list[str]]:
    """What to mind where the hand acts, by step."""
    found = {step: [text] for step, text in CAUTIONS.items()}
    if pot.settings["mains"]:
        for step in (5, 7):
            found[step].append(MAINS)
    if pot.about and pot.about.panel:
        for step in (2, 3, 5):
            found[step].append(agree.PANEL_CARE)
    return found


def mechanics(pot: description.PotFolder) -> list[str]:
    """How tank, hose, probe and wires are put together."""
    return [*_tank(pot), *_dry(pot)]


def _tank(pot: description.PotFolder) -> Iterator[str]:
    about, limits = pot.about, pot.limits
    assert about is not None
    tank, planter, hose = about.tank, about.planter, about.line
    reserve = max(pot.settings["reserve_ml"], limits["reserve_ml"])
    yield (
        f"Tank: {tank.volume_ml} ml up to the full mark, {tank.height_mm} mm above its floor; the "
        f"pump draws from {tank.draws_mm} mm, where {tank.below_ml(tank.draws_mm):.0f} ml are "
        f"left; "
        f"below {reserve} ml nothing starts."
    )
    over = tank.outlet_mm - tank.height_mm
    if over >= FEWEST_MM:
        yield (
            f"The hose ends {tank.outlet_mm} mm above the tank's floor, {over} mm above the full "
            "mark: tied down there, so that nobody can lower it. Then no water runs by itself (R8)."
        )
    else:
        yield (
            f"The hose ends {tank.outlet_mm} mm above the tank's floor, which is not safely "
            f"above the "
            f"full mark, {tank.height_mm} mm: it WILL siphon without a break. Drill a hole of "
            f"{BREAK_MM} mm into the hose's highest point, above the full mark and over the tank "
            f"{PRACTICE}, so that air ends the flow; what spurts from it falls back into the tank."
        )
    where = f"{hose.holes} holes of {hose.hole_um / 1000:g} mm" if hose.holes else "its open end"
    yield (
        f"Hose: {hose.length_mm} mm of {hose.inner_mm} mm bore, {where} over the soil, not over "
        f"the "
        f"probe; it holds {hose.fill_ml:.0f} ml"
        + (", kept by the check valve." if hose.valve == "check" else ", which run back each time.")
    )
    found = agree.outlook(pot)
    if found is not None:
        yield (
            f"If the hose lies beside the pot, up to {water(found.floor_ml)} reach the floor "
            f"(R18); "
            f"if everything fails, all {water(tank.volume_ml)}. Stand it where that much may run "
            f"out."
        )
    area = tank.volume_ml / tank.height_mm  # ml for each millimetre
    loss = pot.settings["leak_ml_day"]
    yield (
        "Tightness: fill the tank to its mark outside the house, put a strip of tape at the level, "
        "stand it on dry paper for a day. The paper stays without a spot, and the level falls by "
        "no "
        f"more than {max(1.0, loss / area):.0f} mm (evaporation, {loss} ml a day). Do it again "
        f"with "
        f"the hose full, its end at its place {PRACTICE}."
    )
    yield (
        f"Soil: {planter.volume_ml} ml of {planter.substrate}, {planter.height_mm} mm deep. The "
        f"probe stands halfway between stem and rim, its middle {planter.height_mm // 2} mm deep, "
        "soil pressed to it without a gap of air, its electronics above the soil."
    )


def _dry(pot: description.PotFolder) -> Iterator[str]:
    yield (
        "Wet electronics: coat the probe's edges and its parts above the mark with varnish or "
        "epoxy, "
        f"twice, and let it cure; the joints of a pump's wires lie above the full mark {PRACTICE}."
    )
    yield (
        "Board, cell and every plug stand higher than the highest water, and beside the tank "
        "rather "
        "than over it. Wires leave the box downwards in a loop, so that drops fall off before it."
    )
    yield (
        "Strain relief: each wire is tied to the box before its first joint, so that a pull ends "
        "at "
        f"the tie; the hose is clamped at pump and pot {PRACTICE}."
    )
    yield (
        f"Printed parts: {WALLS} walls or more, {WALL_MM} mm at the least; a print is not tight by "
        "itself: coat the inside of a tank with epoxy, or print only what holds a bought tank. "
        f"Plastics of the PLA kind soften on a sunny sill {PRACTICE}."
    )


def first_evening(pot: description.PotFolder, found: Inputs) -> list[str]:
    """From the board on the desk to the pot at its place."""
    cal, settings = pot.calibration, pot.settings
    folder = show_path(pot.name)
    rows = [
        f"wakewell check {folder}: it says good, and what is still to be done.",
        f"wakewell flash {folder}, by USB, the cell out: the board takes program and settings.",
        f"wakewell commission {folder}: pull-down, battery, probes, tank, flow, each with the "
        f"pump's "
        "run asked for by a word; it can be stopped and taken up again.",
    ]
    if cal["flow_ul_s"]:
        rows.append(
            f"The cup should show about {cal['flow_ul_s'] / 1000:.1f} ml for each second, and the "
            f"scatter stays below 5 %; {settings['pulse_ml']} ml are one pulse."
        )
    else:
        rows.append(f"The cup shows what the pump gives; {settings['pulse_ml']} ml are one pulse.")
    if "light" in pot.parts:
        rows.append("A press of the button: the light answers. No light: look at the cell first.")
    rows.append(
        "A saucer below, paper around it, and somebody in the room for the first dose: then look "
        "again after 1 and after 10 minutes, as the pot does (R8)."
    )
    return rows


def first_week(pot: description.PotFolder, found: Inputs) -> list[str]:
    """What the pot should show while nobody helps it."""
    settings = pot.settings
    refill, target = agree.water_points(settings, pot.calibration)
    low, high = interval(found.water_day_ml(found.start.month - 1))
    wakes = settings["wake_s"] / 3600
    return [
        f"It wakes every {wakes:g} hours. wakewell pull and wakewell report show its page.",
        f"Soil water stays between {soil(refill)}, where it waters, and {soil(target)}, to which "
        "it fills. A jump without a dose is a can of water or rain, and counts as real.",
        f"It uses {max(low, 0):.0f} to {high:.0f} ml a day at this time of the year; the tank "
        "falls by that much and by what the hose loses.",
        "Two doses without an answer in the soil, a level that falls with the pump off, wet paper: "
        "stop, take the hose out of the tank, look for the cause.",
    ]


def first_refill(pot: description.PotFolder, found: Inputs) -> list[str]:
    """When it asks, and what follows."""
    settings = pot.settings
    tank, cell = lasts(found)
    rows = [
        f"It asks at {water(settings['tank_warn_ml'])}; full, the tank lasts about {tank} days "
        "by the budget.",
        "Unplug any charger first. Fill to the mark, not above it; press the button once: the new "
        "level is read at once.",
        "Its page then shows the new level, and no lockout. If it asks again within two days, the "
        "reading of its level is implausible: look at the gauge.",
    ]
    if pot.about and pot.about.panel and cell is not None:
        rows.append(
            f"The panel charges it. Without any light a full cell lasts about {cell} days; if it "
            f"asks for a charge all the same (below {volts(settings['battery_warn_mv'])}), "
            "look for shade, dirt or a loose lead at the panel first, then charge it by hand in a "
            "dry place, in sight, above 0 °C."
        )
    elif cell is not None and not found.mains:
        rows.append(
            f"The cell lasts about {cell} days from full; below "
            f"{volts(settings['battery_warn_mv'])} it asks for a charge. Charge it in a dry "
            "place, in sight, above 0 °C, as its maker's sheet says."
        )
    return rows
