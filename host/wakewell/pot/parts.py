"""Every part of a pot: its pins, what goes to them, how it is bought, and what a probe among them
tells.

What belongs here: one row for each part, or for each kind of it. What does not: ranges of a probe's
table (wakecore/fields.py), how the board reads it (wakeboard/wiring.py), a part as it stands in one
pot's wiring.toml (description.py).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from wakecore import fields
from wakewell.language import say, term
from wakewell.pot import chips
from wakewell.pot.description import Row

PULLS = ("up", "down", "none")
OHMS: tuple[Row, ...] = (
    ("upper_ohm", 100, 100000000, None, "divider resistor between battery and pin"),
    ("lower_ohm", 100, 100000000, None, "divider resistor between pin and ground"),
)


class PinText(NamedTuple):
    """What to connect to a pin: the part, which of its wires, what to mind."""

    part: str
    wire: str = ""
    mind: str = ""

    def __str__(self) -> str:
        wire, mind = self.wire and f", {self.wire}", self.mind and f" ({self.mind})"
        return f"{self.part}{wire}{mind}"


class ProbeKind(NamedTuple):
    """A probe as people know it. named: its name in a sentence, in English; meaning: what its table
    gives; stored: the unit of that, in short; shown: the unit on pages, `of` stored ones. rule: the
    requirement that its word counts for. key: what a sequence calls its reading; "": it is read in
    a run alone. straight: its table can only be a straight line."""

    named: str
    meaning: str
    stored: str
    shown: str
    of: int
    rule: str
    key: str
    straight: bool = False

    @property
    def plain(self) -> str:
        """Its name in a sentence, in the language in force."""
        return say(self.named)

    @property
    def told(self) -> bool:
        """Is it only read and shown, without any decision by it?"""
        return self in [PROBES[row[0]] for row in fields.PROBES if row[3] == fields.RECORD_ONLY]


@dataclass(frozen=True)
class PartKind:
    """What wiring.toml says about a part: pins by use, words with what is allowed, numbers.

    what: what to connect to its pin; for several pins, by use. supplied: does it take the sensors'
    supply? sold: its name in prices.toml, what that is, and an invented price. look: what to look
    for when buying it; "": nothing of its own. probe: what it tells; None: it is none.
    """

    pins: Mapping[str, str]
    what: PinText | Mapping[str, PinText]
    supplied: bool = False
    words: Mapping[str, tuple[str, ...]] = field(default_factory=dict)  # the first: not given
    rows: tuple[Row, ...] = ()
    sold: tuple[str, str, float] | None = None
    look: str = ""
    probe: ProbeKind | None = None


LEVEL_SUITS = "its level must suit the pin"
# The amplifier of a load cell, an HX711
SCALE = {"data": chips.SENSE, "clock": chips.DRIVE}
SCALE_SAID = {wire: PinText("HX711 of the scale", wire) for wire in SCALE}
SCALE_SOLD = ("weight", "load cell with its amplifier", 6.0)
SCALE_LOOK = "load cell for the full weight of what stands on it, with its amplifier (HX711)"

# What a probe of several kinds tells, whichever is fitted
PERCENT = term("% by volume")
SOIL = ProbeKind(
    term("soil probe"),
    "parts per thousand of water by volume",
    "ppt",
    PERCENT,
    10,
    "R6",
    "soil_ppt",
)
LEVEL = ProbeKind(term("level gauge"), "millilitres in the tank", "ml", "ml", 1, "R4", "level_ml")

# wiring.toml: part, or part and kind, to what it is
PARTS: dict[tuple[str, str], PartKind] = {
    ("pump", ""): PartKind(
        {"pin": chips.PUMP}, PinText("gate or input of the pump's switch"),
        words={"active": ("high", "low")},
    ),
    ("power", ""): PartKind(
        {"pin": chips.DRIVE}, PinText("switch of the sensors' supply"),
        words={"active": ("high", "low")},
        sold=("power", "transistor that switches the sensors' supply", 0.8),
        look="transistor or switch fully on at 3.3 V; draws next to nothing when off",
    ),
    ("soil", "probe"): PartKind(
        {"pin": chips.ANALOG}, PinText("soil probe", "analogue out"), True,
        sold=("soil", "soil probe", 3.0), probe=SOIL,
    ),
    ("soil", "weight"): PartKind(
        SCALE, SCALE_SAID, True, sold=SCALE_SOLD, look=SCALE_LOOK, probe=SOIL
    ),
    ("level", "float"): PartKind(
        {"pin": chips.SENSE}, PinText("float switch"), words={"pull": PULLS},
        sold=("float", "float switch of the tank", 2.0), probe=LEVEL,
    ),
    ("level", "gauge"): PartKind(
        {"pin": chips.ANALOG}, PinText("level gauge", "analogue out"), True,
        sold=("gauge", "pressure gauge of the tank", 6.0), probe=LEVEL,
    ),
    ("level", "echo"): PartKind(
        {"trigger": chips.DRIVE, "echo": chips.SENSE},
        {
            "trigger": PinText("ultrasonic gauge", "trigger"),
            "echo": PinText("ultrasonic gauge", "echo", LEVEL_SUITS),
        },
        True,
        sold=("echo", "ultrasonic gauge of the tank", 4.0), probe=LEVEL,
    ),
    ("battery", ""): PartKind(
        {"pin": chips.ANALOG}, PinText("middle of the battery divider"), rows=OHMS,
        probe=ProbeKind(
            term("battery reading"), "millivolts at rest", "mV", "V", 1000, "R5", "battery_mv", True
        ),
    ),
    ("temperature", ""): PartKind(
        {"pin": chips.WIRE}, PinText("DS18B20", "data"),
        sold=("temperature", "DS18B20 in its sleeve", 2.5),
        look="waterproof sleeve, three wires, works at 3.3 V",
        probe=ProbeKind(
            term("soil thermometer"), "millidegrees of the soil",
            "m°C", "°C", 1000, "R6", "temperature_mc", True,
        ),
    ),
    ("current", ""): PartKind(
        {"pin": chips.ANALOG}, PinText("pump-current sense", "analogue out"),
        sold=("current", "resistor and amplifier of the pump-current sense", 2.0),
        look="resistor in the pump's lead with an amplifier, output no higher than 3.3 V",
        probe=ProbeKind(
            term("pump current"), "milliamperes of the pump", "mA", "mA", 1, "R4", "", True
        ),
    ),
    ("saucer", ""): PartKind(
        {"pin": chips.ANALOG}, PinText("saucer probe", "analogue out"), True,
        sold=("saucer", "saucer probe", 1.5),
        look="two bare contacts or a capacitive strip; output no higher than 3.3 V",
        probe=ProbeKind(
            term("saucer probe"), "parts per thousand, dry to wet",
            "ppt", "%", 10, "R15", "saucer_ppt",
        ),
    ),
    ("flowmeter", ""): PartKind(
        {"pin": chips.COUNT}, PinText("flow meter", "pulses", LEVEL_SUITS), True,
        sold=("flowmeter", "flow meter", 4.0),
        look="for the pump's flow; its pulses must not pass 3.3 V",
        probe=ProbeKind(
            term("flow meter"), "microlitres through the hose, by the meter's pulses",
            "µl", "ml", 1000, "R8", "flow_ul", True,
        ),
    ),
    ("weight", ""): PartKind(
        SCALE, SCALE_SAID, True, sold=SCALE_SOLD, look=SCALE_LOOK,
        probe=ProbeKind(
            term("pot's scale"), "parts per thousand of water by volume, by the pot's weight",
            "ppt", PERCENT, 10, "R6", "weight_ppt", True,
        ),
    ),
    ("charger", ""): PartKind(
        {"pin": chips.SENSE}, PinText("charger's status line"), words={"pull": PULLS},
        probe=ProbeKind(
            term("charger sense"), "1 charging, 0 not", "", "", 1, "R5", "charger"
        ),
    ),
    ("button", ""): PartKind(
        {"pin": chips.WAKE}, PinText("button"), words={"pull": PULLS},
        sold=("button", "button", 0.5), look="closes when pressed, sealed against splashes",
    ),
    ("light", ""): PartKind(
        {"pin": chips.DRIVE}, PinText("light that confirms a press"),
        sold=("light", "light that confirms a press", 0.2),
        look="a light-emitting diode, lit at one milliampere",
    ),
}  # fmt: skip
PART_NAMES = tuple(dict.fromkeys(name for name, _ in PARTS))
_TELLING = {name: kind.probe for (name, _), kind in PARTS.items() if kind.probe}
PROBES = {row[0]: _TELLING[row[0]] for row in fields.PROBES}  # in the core's order
LEVELS = tuple(kind for name, kind in PARTS if name == "level")


def kinds_of(name: str) -> tuple[str, ...]:
    """The kinds of that part; () where there is one only."""
    return tuple(kind for part, kind in PARTS if part == name and kind)
