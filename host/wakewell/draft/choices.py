"""What a new pot can be made of: plants, pumps, cells and probes, each with its figures.

What belongs here: the words that `wakewell new` offers, and where their figures come from. What
does not: what follows from them (figures.py), pins (pins.py), substrates (the rig's).
"""

from __future__ import annotations

from dataclasses import dataclass

from wakewell.pot.description import Pump


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

    pump: Pump
    running_ua: int


# Common practice, no source
PUMPS = {
    "small": PumpKind(Pump(1000, 28000, 4500, 700_000), 250_000),
    "strong": PumpKind(Pump(2500, 45000, 4500, 1_600_000), 550_000),
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


CELLS = {
    "lithium-ion": CellKind(
        1, 3500, 3750, 3650, 3000, 4300,
        "at 3.5 V a fifth of the charge is left (Chen et al. 2020, the rig's cell)",
    ),
    "lithium-iron-phosphate": CellKind(
        1, 3150, 3280, 3220, 2800, 4300,
        "its voltage hardly falls before it is nearly empty; common practice, no source",
    ),
    "nickel-metal-hydride": CellKind(
        3, 1190, 1260, 1220, 1030, 1600,
        "below 1.2 V a cell is nearly empty; common practice, no source",
    ),
}  # fmt: skip
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
