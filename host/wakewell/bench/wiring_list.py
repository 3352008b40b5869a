"""A pot's wiring as a list, made from its wiring.toml.

What belongs here: what is to be joined to what. What does not: which pins will do (agree.py).
"""

from __future__ import annotations

from wakewell.budget.sizing import FUSE_PLACE
from wakewell.pot import description
from wakewell.pot.parts import PARTS, PinText

HOLD_OFF_OHM = 10_000  # keeps a switch off while its pin floats (R1)
DATA_OHM = 4_700  # pulls the thermometer's data up; its own data sheet
PULL_OHM = 100_000  # of the button, where the chip loses its own asleep
LIGHT_OHM = 1_000  # of the light: a milliampere is seen indoors; common practice, no source


def what_goes(part: description.Part, use: str) -> PinText:
    """What goes to that pin of a part."""
    told = PARTS[part.name, part.kind].what
    return told if isinstance(told, PinText) else told[use]


def rows(pot: description.PotFolder) -> list[tuple[int, str, str]]:
    """(pin, what goes there, what else it takes), by pin."""
    found = []
    for part in pot.parts.values():
        for use, pin in part.pins.items():
            what = str(what_goes(part, use))
            chip = pot.about.chip if pot.about else ""
            found.append((pin, what, extra(part, chip, "power" in pot.parts)))
    return sorted(found)


def extra(part: description.Part, chip: str, switched: bool) -> str:
    """Resistors and the other end. switched: the sensors' supply has a switch."""
    if part.name == "pump":
        held = f"{ohm(HOLD_OFF_OHM)} from pin to ground"
        return f"{held}; a diode across the pump, a fuse {FUSE_PLACE}"
    if part.name == "power":
        return f"{ohm(HOLD_OFF_OHM)} from pin to where it is off"
    if part.name == "battery":
        upper, lower = part.numbers["upper_ohm"], part.numbers["lower_ohm"]
        return f"{ohm(upper)} to the battery's plus, {ohm(lower)} to ground"
    if part.name == "temperature":
        return f"{ohm(DATA_OHM)} from data to 3.3 V"
    if part.name == "light":
        return f"through {ohm(LIGHT_OHM)}, lit while the pin is high"
    pull = part.words.get("pull")
    if part.name == "charger":
        return {"none": "with an external pull resistor"}.get(pull or "", "ground in common")
    if part.name == "button" and pull in ("up", "down") and chip != "esp32":
        # Only the ESP32 surely keeps its own pull asleep (MicroPython, quick reference for the
        # ESP32, deep-sleep mode); Espressif asks for one outside where a low level wakes.
        end, rail = ("ground", "3.3 V") if pull == "up" else ("3.3 V", "ground")
        return f"other end to {end}; {ohm(PULL_OHM)} from pin to {rail}"
    if pull:
        other = {"up": "other end to ground", "down": "other end to 3.3 V"}
        return other.get(pull, "with an external pull resistor")
    supply = "supply from the sensors' switch" if switched else "supply from 3.3 V"
    return supply if PARTS[part.name, part.kind].supplied else ""


def ohm(value: int) -> str:
    """A resistance as people say it."""
    if value >= 1_000_000:
        return f"{value / 1e6:g} megohm"
    return f"{value / 1e3:g} kilohm" if value >= 1000 else f"{value} ohm"


def text(pot: description.PotFolder) -> list[str]:
    """The wiring list, a line for each pin."""
    found = rows(pot)
    wide = max(len(what) for _, what, _ in found)
    return [f"  pin {pin:<3} {what:<{wide}}  {more}".rstrip() for pin, what, more in found]
