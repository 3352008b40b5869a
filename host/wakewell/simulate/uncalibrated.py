"""A pot that is not calibrated yet: tables of what its probes would roughly read.

What belongs here: tables from wiring and tank, or from another pot, where a folder has none of its
own, so that a pot can be simulated before it is bought. What does not: tables for a board. Nothing
here is ever written to a folder or sent.

All of it is common practice or the rig's own parts, no source; each value is told as assumed.
"""

from __future__ import annotations

from typing import Any

from wakecore import fields
from wakewell.budget import inputs, sizing
from wakewell.pot import agree, chips, description

Table = dict[str, Any]

COMMISSIONED = 2  # stage

BENCH_MV = 3900  # of the cell while a flow is measured
# A bare converter of any chip here reads truly from 0.15 to 2.4 V
GAUGE_UV, GAUGE_SPREAD_UV = (400_000, 2_000_000), 5_000
ECHO_MM_US, ECHO_ABOVE_MM, ECHO_SPREAD_US = 0.1717, 40, 12  # of sound, one way, at 20 degrees
DS18B20 = {"points": [[-320, -20000], [960, 60000]], "rails": [-881, 1360], "spread": 8}
# Capacitive probe: microvolts at so many parts per thousand of water
SOIL_UV = [[1_100_000, 540], [1_450_000, 410], [1_800_000, 270], [2_100_000, 140], [2_300_000, 60]]
WIRES = (
    description.Part("pump", "", {"pin": -1}, {"pin": chips.PUMP}, {"active": "high"}, {}),
    description.Part("soil", "probe", {"pin": -1}, {"pin": chips.ANALOG}, {}, {}),
    description.Part("level", "gauge", {"pin": -1}, {"pin": chips.ANALOG}, {}, {}),
    description.Part(
        "battery", "", {"pin": -1}, {"pin": chips.ANALOG}, {},
        {"upper_ohm": 220_000, "lower_ohm": 220_000},
    ),
)  # fmt: skip
WET = 1.3  # of its capacity, what a soaked potting mix holds: from the rig's substrates


COUNTS_PER_G, PAN_COUNTS = 100, 400_000  # of a 20 kg cell and its amplifier
DRY_BELOW = 0.6  # of the running current; a pump in air draws about a third of it
ALIKE = ("capacity_ppt", "wilting_ppt", "awake_ua", "sleep_ua", "pump_ua")  # taken as they are


def completed(folder: description.PotFolder, like: description.PotFolder | None) -> list[str]:
    """Give the folder, in memory, what it lacks to be simulated. Returns what was assumed, in
    words; nothing for a pot that is calibrated and commissioned.

    like: a calibrated pot whose probes this one is assumed to have.
    """
    about, notes = folder.about, list[str]()
    assert about is not None
    if "pump" not in folder.parts:
        folder.parts = {part.name: part for part in WIRES}
        notes.append("assumed: no wiring yet: pump, soil probe, pressure gauge, battery divider")
    cal = folder.calibration
    if cal["stage"] == COMMISSIONED and not _lacking(folder):
        return notes
    source = f"as {like.name} has them" if like else "from wiring and tank"
    given = [name for name in _lacking(folder) if _give(folder, name, like)]
    if given:
        notes.append(f"assumed: tables of {', '.join(given)}, {source}; nobody calibrated them yet")
    _sizes(folder, like, notes)
    cal["stage"] = COMMISSIONED
    notes.append("assumed: commissioned with these; the real pot pumps nothing before that (R14)")
    return notes


def _lacking(folder: description.PotFolder) -> list[str]:
    """Probes that are wired and have no table."""
    cal = folder.calibration
    return [row[0] for row in fields.PROBES if row[0] in folder.parts and row[0] not in cal]


def _give(folder: description.PotFolder, name: str, like: description.PotFolder | None) -> bool:
    """One table; False for a part that the simulation can do without."""
    own = {"level": _level, "battery": _battery, "weight": _scale}
    if name == "soil" and folder.parts[name].kind == "weight":
        own["soil"] = _scale
        folder.calibration["weighed"] = 1
    theirs = like.calibration.get(name) if like else None
    if name in own:
        folder.calibration[name] = own[name](folder)
    elif theirs is not None:
        folder.calibration[name] = theirs
    elif name == "soil":
        folder.calibration[name] = _soil(folder)
    elif name in USUAL:
        folder.calibration[name] = USUAL[name]
    return name in folder.calibration


def _sizes(
    folder: description.PotFolder, like: description.PotFolder | None, notes: list[str]
) -> None:
    """Flow, soil and currents."""
    about, cal, limits = folder.about, folder.calibration, folder.limits
    assert about is not None
    given = folder.files["calibration"].data if "calibration" in folder.files else {}
    if like:
        for name in ALIKE:
            if name not in given:
                cal[name] = like.calibration[name]
    if "current" in cal and not cal["dry_ma"]:
        cal["dry_ma"] = int(DRY_BELOW * cal["pump_ua"] / 1000)
    if not cal["ul_per_ppt"]:
        cal["ul_per_ppt"] = about.planter.volume_ml  # a thousandth of it, in microlitres
    if not cal["flow_ul_s"]:
        cal["flow_ul_s"], how = _flow(about, like)
        notes.append(f"assumed: a flow of {cal['flow_ul_s'] / 1000:.1f} ml/s, {how}")
    if limits["flow_max_ul_s"] < cal["flow_ul_s"]:
        limits["flow_max_ul_s"] = int(1.2 * cal["flow_ul_s"])
        notes.append(f"assumed: flow_max_ul_s = {limits['flow_max_ul_s']}, above that flow (R3)")


def _flow(about: description.About, like: description.PotFolder | None) -> tuple[int, str]:
    """Usual flow, microlitres a second, and where it comes from."""
    tank, hose = about.tank, about.line
    if about.pump is not None:
        flow_ml_s = sizing.pump_flow_ml_s(
            about.pump,
            tank.outlet_mm - 0.5 * tank.height_mm,
            hose.inner_mm,
            hose.length_mm,
            BENCH_MV,
            sizing.JET_MM if hose.holes else 0.0,
        )
        if flow_ml_s > 0.0:
            return int(1000 * flow_ml_s), "by [pump] through the hose"
    if like is not None:
        return like.calibration["flow_ul_s"], f"as {like.name} has it"
    return int(1000 * inputs.FLOW_ML_S), "as small pumps have it"


def _level(folder: description.PotFolder) -> Table:
    """The level's table from its kind and the tank; its scatter raises the tolerance."""
    assert folder.about is not None
    tank, cal = folder.about.tank, folder.calibration
    kind = folder.parts["level"].kind
    cal["float_only"] = int(kind == "float")
    if kind == "float":  # up: its switch is closed
        reserve_ml = max(folder.settings["reserve_ml"], folder.limits["reserve_ml"])
        at_ml = min(tank.volume_ml - 1, max(2 * reserve_ml, tank.volume_ml // 5))
        closed = 1 if folder.parts["level"].words.get("pull") == "down" else 0
        cal["tolerance_ml"] = 0
        points = sorted([[closed, at_ml], [1 - closed, 0]])
        return {"points": points, "rails": [-1, 2], "spread": 0}
    steps = [0.0, 0.25, 0.5, 0.75, 1.0] if tank.shape == "tapered" else [0.0, 1.0]
    low, high = GAUGE_UV
    spread, rails = GAUGE_SPREAD_UV, [150_000, 2_440_000]
    if kind == "echo":
        low = round((ECHO_ABOVE_MM + tank.height_mm) / ECHO_MM_US)
        high, spread = round(ECHO_ABOVE_MM / ECHO_MM_US), ECHO_SPREAD_US
        rails = [high // 2, 2 * low]
    points = sorted(
        [round(low + part * (high - low)), round(tank.below_ml(part * tank.height_mm))]
        for part in steps
    )
    table = {"points": points, "rails": rails, "spread": spread}
    cal["tolerance_ml"] = max(cal["tolerance_ml"], agree.scatter_ml(table))
    return table


def _soil(folder: description.PotFolder) -> Table:
    """The soil probe's table, up to what a wet substrate of that capacity holds."""
    low, high = SOIL_UV[-1][1], SOIL_UV[0][1]
    top = min(1000.0, max(high, WET * folder.calibration["capacity_ppt"]))
    wider = (top - low) / (high - low)
    points = [[uv, round(low + (ppt - low) * wider)] for uv, ppt in SOIL_UV]
    return {"points": points, "rails": [400_000, 2_490_000], "spread": 25_000}


def _scale(folder: description.PotFolder) -> Table:
    """A scale's table: so many counts a gram, and a gram is a millilitre."""
    assert folder.about is not None
    counts = folder.about.planter.volume_ml * COUNTS_PER_G
    points = [[PAN_COUNTS, 0], [PAN_COUNTS + counts // 2, 500]]
    return {"points": points, "rails": [-8_388_608, 8_388_607], "spread": 20 * COUNTS_PER_G}


def _battery(folder: description.PotFolder) -> Table:
    """The divider's table, by Ohm's law."""
    about = folder.about
    ohms = folder.parts["battery"].numbers
    part = ohms["lower_ohm"] / (ohms["upper_ohm"] + ohms["lower_ohm"])
    cells = about.battery.cells if about and about.battery else 1
    nickel = about and about.battery and about.battery.chemistry == "nickel-metal-hydride"
    each = (900, 1600) if nickel else (2800, 4300)
    points = [[round(1000 * cells * mv * part), cells * mv] for mv in each]
    return {"points": points, "rails": [100_000, 2_900_000], "spread": 20_000}


USUAL: dict[str, Table] = {
    "temperature": DS18B20,
    "current": {
        "points": [[20_000, 0], [2_020_000, 500]], "rails": [-1, 2_490_000], "spread": 60_000,
    },
    "saucer": {
        "points": [[250_000, 0], [1_600_000, 1000]], "rails": [80_000, 2_440_000],
        "spread": 40_000,
    },
    "charger": {"points": [[0, 1], [1, 0]], "rails": [-1, 2], "spread": 0},
    "flowmeter": {
        "points": [[0, 0], [60_000, 10_000_000]], "rails": [-1, 120_000], "spread": 0,
    },
}  # fmt: skip
