"""What a new pot can be made of: plants, pumps, cells and probes, each with its figures.

What belongs here: the words that `wakewell new` offers, and where their figures come from. What
does not: what follows from them (figures.py), pins (pins.py), substrates (the rig's).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from wakewell.pot.description import PumpCurve
from wakewell.rig.battery import CHEMISTRIES, open_mv
from wakewell.units import volts


@dataclass(frozen=True)
class PlantKind:
    """habit: how it uses water; depletion_ppt: part of the available water that it takes without
    stress; source: of that part."""

    habit: str
    depletion_ppt: int
    source: str


_FAO = "FAO-56 table 22 (from memory, unconfirmed)"
_OWN = "own assumption, on the careful side"
PLANTS = {
    "basil": PlantKind("herb", 400, _OWN),
    "mint": PlantKind("herb", 400, _FAO),
    "parsley": PlantKind("herb", 400, _OWN),
    "rosemary": PlantKind("woody", 500, _OWN),
    "tomato": PlantKind("fruiting", 400, _FAO),
    "chilli": PlantKind("fruiting", 300, _FAO + ", sweet pepper"),
    "strawberry": PlantKind("fruiting", 200, _FAO),
    "lemon": PlantKind("woody", 500, _FAO + ", citrus"),
    "fern": PlantKind("foliage", 300, _OWN),
    "ivy": PlantKind("foliage", 400, _OWN),
    "aloe": PlantKind("succulent", 600, _OWN),
    # For every other plant: the one of these that it is most like
    "herb": PlantKind("herb", 400, _OWN),
    "foliage": PlantKind("foliage", 350, _OWN),
    "woody": PlantKind("woody", 450, _OWN),
    "fruiting": PlantKind("fruiting", 350, _OWN),
    "succulent": PlantKind("succulent", 600, _OWN),
}


@dataclass(frozen=True)
class PumpKind:
    """A pump as it is usually sold; its own sheet goes before this. running_ua: under water."""

    pump: PumpCurve
    running_ua: int


# Common practice, no source
PUMPS = {
    "small": PumpKind(PumpCurve(1000, 28000, 4500, 700_000), 250_000),
    "strong": PumpKind(PumpCurve(2500, 45000, 4500, 1_600_000), 550_000),
}


@dataclass(frozen=True)
class CellKind:
    """A battery: cells in series, and per cell the rest voltages of R5 (mV): least for the pump,
    end of the lockout, warning, and the least under the pump's load; highest_mv: of any cell that
    may be put in its place, with a fault in its charger."""

    cells: int
    floor_mv: int
    clear_mv: int
    warn_mv: int
    sag_mv: int
    highest_mv: int
    source: str


# Charge left at the lockout, at the warning, and where the lockout ends; own assumption
FLOOR, WARN, CLEAR = 0.2, 0.35, 0.5
APART_MV = 10  # between two of these, of a cell, where its curve is flatter


def _cell_kind(chemistry: str, cells: int, sag_mv: int, highest_mv: int, source: str) -> CellKind:
    """Its voltages by the curve of the rig's cell, in steps of 10 mV."""
    curve = CHEMISTRIES[chemistry].open_mv
    floor, warn, clear = (10 * math.ceil(open_mv(at, curve) / 10) for at in (FLOOR, WARN, CLEAR))
    warn = max(warn, floor + APART_MV)
    clear = max(clear, warn + APART_MV)
    why = f"a fifth of the charge is left at {volts(floor)} a cell ({source})"
    return CellKind(cells, floor, clear, warn, sag_mv, highest_mv, why)


# sag_mv: where a cell is as good as empty under a load; highest_mv: a lithium-ion cell fits every
# holder of one; three nickel cells fit none of theirs. Common practice, no source.
CELLS = {
    "lithium-ion": _cell_kind("lithium-ion", 1, 3000, 4300, "Chen et al. 2020, the rig's cell"),
    "lithium-iron-phosphate": _cell_kind(
        "lithium-iron-phosphate", 1, 2800, 4300,
        "Prada et al. 2013, the rig's cell; its curve is flat, so a voltage says little",
    ),
    "nickel-metal-hydride": _cell_kind(
        "nickel-metal-hydride", 3, 1030, 1600,
        "Panasonic's BK-1100FHU, the rig's cell; its curve is flat, so a voltage says little",
    ),
}  # fmt: skip
# As they are written on cells, without spaces and hyphens
CELL_TRADE = {
    "liion": "lithium-ion",
    "lipo": "lithium-ion",
    "lifepo4": "lithium-iron-phosphate",
    "lfp": "lithium-iron-phosphate",
    "nimh": "nickel-metal-hydride",
}
# Of small panels as they are sold, mW in full sun; common practice, no source
PANELS_MW = (100, 200, 300, 500, 1000, 1500, 2000, 3000, 5000, 10000, 20000)
CAPACITIES_MAH = (2000, 2600, 3000, 3400, 5000, 6800, 10000, 15000, 20000, 30000)

# Probes beside soil, level and battery, which every pot has
PROBES = {
    "temperature": "cold soil is noticed, where a probe reads wrongly (R6)",
    "charger": "the board knows a charge from a recovery, so a lockout ends by itself (R5)",
    "current": "a pump that runs dry is seen by what it draws (R4)",
    "saucer": "a wet saucer stops the pump (R15)",
    "light": "a press is answered by a light (R12)",
}
LEVELS = {
    "gauge": "a pressure gauge shows amounts, so leaks and dry runs are proved (R4, R8)",
    "echo": "an ultrasonic gauge shows amounts, from above the water",
    "float": "a switch: cheap, but it shows no amounts, so leaks are not seen (R8)",
}
# Asleep, microamperes: the chip alone, from Espressif's data sheets (from memory, unconfirmed)
ASLEEP_UA = {"esp32": 10, "esp32-s3": 8, "esp32-c3": 5, "esp32-c6": 7}
