"""A pot's wiring as a circuit: every pin with its place on the board, and what hangs on it.

What belongs here: the drawing. What does not: which pins will do (agree.py), the same as a list
(wiring_list.py).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from html import escape
from itertools import pairwise

import schemdraw
from schemdraw import elements as elm

from wakewell.bench.wiring_list import (
    DATA_OHM,
    HOLD_OFF_OHM,
    LIGHT_OHM,
    PULL_OHM,
    ohm,
    what_goes,
)
from wakewell.drawing import PAPER
from wakewell.pot import description
from wakewell.pot.headers import GROUND, HEADERS, THREE_VOLTS
from wakewell.pot.parts import PARTS
from wakewell.rig.battery import CHEMISTRIES

CHIP_WIDE = 3.4
WIDE = 10.2  # of the sheet, right of the chip
OUT = 3.0  # from the chip to the first part
SUPPLY, PLUS = "sensors' supply", "battery +"
RAIL = "3.3 V"
# At the supply pin: ESP32 hardware design guidelines, section Power Supply (from memory,
# unconfirmed); the larger one feeds the radio's first current
BULK_UF, NEAR_NF = 10, 100
FONT = "Palatino Linotype, Palatino, Georgia, serif"
PIECE_HIGH = 14.0  # of a piece's pins: a printed page holds it without a glass
Row = tuple[int, description.Part, str]  # pin, part, use
Draw = Callable[["Circuit", "description.Part", float], None]


@dataclass
class Circuit:
    """The drawing so far. switched: the sensors' supply has a switch."""

    made: schemdraw.Drawing
    chip: str
    switched: bool
    pins: list[tuple[float, str]] = field(default_factory=list)

    def text(self, words: str, at: tuple[float, float], size: float = 11, **more: str) -> None:
        """Words at a place."""
        shown = {"halign": "left", "valign": "center", **more}
        self.made.add(
            elm.Label().theta(0).at(at).label(words, loc="center", fontsize=size, **shown)  # type: ignore[arg-type]
        )

    def wire(self, *places: tuple[float, float]) -> None:
        """A wire from place to place."""
        for begin, end in pairwise(places):
            self.made.add(elm.Line().at(begin).to(end))

    def ground(self, at: tuple[float, float]) -> None:
        """Down to ground."""
        self.made.add(elm.Ground().at(at))

    def rail(self, at: tuple[float, float], name: str) -> None:
        """Up to a supply, by its name."""
        self.made.add(elm.Vdd().at(at).label(name, fontsize=10))

    def resistor(
        self, begin: tuple[float, float], end: tuple[float, float], value: int, left: bool = False
    ) -> None:
        """A resistor between two places, upper one first, with its value at its right or left."""
        made = elm.ResistorIEC().at(begin).to(end)
        self.made.add(made.label(ohm(value), fontsize=10, loc="top" if left else "bottom"))

    def outline(self, corner: tuple[float, float], other: tuple[float, float]) -> None:
        """A rectangle between two corners."""
        size = (other[0] - corner[0], other[1] - corner[1])
        self.made.add(elm.Rect(corner1=(0, 0), corner2=size).theta(0).at(corner))

    def dot(self, at: tuple[float, float]) -> None:
        """Where wires are joined."""
        self.made.add(elm.Dot().at(at))


def svg(pot: description.PotFolder) -> str:
    """The whole drawing as SVG: the board at the left, what hangs on each pin at its right."""
    return _drawn(pot, _rows(pot))


def pieces(pot: description.PotFolder) -> list[str]:
    """The same in pieces that are read on a printed page, the supply below the last."""
    groups: list[list[Row]] = [[]]
    high = 0.0
    for row in _rows(pot):
        room = sum(_room(row[1]))
        if groups[-1] and high + room > PIECE_HIGH:
            groups.append([])
            high = 0.0
        groups[-1].append(row)
        high += room
    return [
        _drawn(pot, rows, f", {number} of {len(groups)}", rows is groups[-1])
        for number, rows in enumerate(groups, 1)
    ]


def _rows(pot: description.PotFolder) -> list[Row]:
    """By pin."""
    parts = pot.parts.values()
    return sorted(
        ((pin, part, use) for part in parts for use, pin in part.pins.items()),
        key=lambda row: row[0],
    )


def _room(part: description.Part) -> tuple[float, float]:
    return ROOM.get(part.name, ROOM["box"])


def _drawn(
    pot: description.PotFolder, rows: list[Row], number: str = "", with_supply: bool = True
) -> str:
    """A drawing of those pins. number: of a piece, for its heading."""
    chip = pot.about.chip if pot.about else ""
    made = schemdraw.Drawing(canvas="svg", show=False)
    made.config(
        unit=2,
        fontsize=12,
        font=FONT,
        color=PAPER["ink"],
        bgcolor=PAPER["paper"],
        lw=1.4,
        margin=0.3,
    )
    sheet = Circuit(made, chip, "power" in pot.parts)
    y = -1.6
    for pin, part, use in rows:
        above, below = _room(part)
        y -= above
        sheet.pins.append((y, f"GPIO {pin}"))
        place(sheet, pin, y)
        draw_part(sheet, part, use, y)
        y -= below
    foot = y - 0.6
    board(sheet, pot, foot, number)
    if with_supply:
        supply(sheet, pot, foot - 4.2)
    drawn = made.get_imagedata("svg").decode()
    begin, end = drawn.split(">", 1)
    title = f"<title>Wiring of {escape(pot.name)}{number}</title>"
    return f'{begin} role="img">{title}{end}\n'


def board(sheet: Circuit, pot: description.PotFolder, foot: float, number: str) -> None:
    """The board's outline, its name, its pins, and its own supply."""
    sheet.outline((-CHIP_WIDE, 0), (0, foot - 1.1))
    sheet.made.add(elm.Dot(radius=0).at((WIDE, 0)))  # the library does not widen the sheet for text
    header = HEADERS.get(sheet.chip)
    name = pot.about.name if pot.about else pot.name
    # The library reads & as the beginning of an entity, and text between two $ as mathematics
    name = name.replace("&", "&amp;").replace("$", "&#36;")
    sheet.text(f"{name}: wiring{number}", (-CHIP_WIDE, 1.9), 16)
    if header:
        said = f"{header.rows[0][0]}-4 and the like: places on an {header.board};"
        sheet.text(said, (-CHIP_WIDE, 1.3), 10.5)
        sheet.text("on another board go by what is printed there.", (-CHIP_WIDE, 0.8), 10.5)
    sheet.text(sheet.chip, (-CHIP_WIDE + 0.3, foot / 2), 13)
    for y, name in sheet.pins:
        sheet.text(name, (-0.2, y), 11, halign="right")
    for name, what, y in ((RAIL, THREE_VOLTS, -0.5), ("ground", GROUND, foot - 0.5)):
        sheet.text(name, (-0.2, y), 11, halign="right")
        sheet.wire((0, y), (OUT / 2, y))
        if header and (places := header.places(what)):
            sheet.text(places[0], (0.15, y + 0.24), 9)
        if name == RAIL:
            sheet.rail((OUT / 2, y), RAIL)
        else:
            sheet.ground((OUT / 2, y))


def supply(sheet: Circuit, pot: description.PotFolder, y: float) -> None:
    """From the battery to the board's 3.3 V, with the capacitors at the chip."""
    battery = pot.about.battery if pot.about else None
    cells = f"{battery.cells} x {battery.chemistry}" if battery else "supply"
    sheet.made.add(elm.BatteryCell().at((-2.6, y)).to((-2.6, y - 1.6)))
    sheet.ground((-2.6, y - 1.6))
    sheet.text(cells, (-3.2, y - 3.0), 10.5)
    if battery and battery.is_lithium:
        sheet.text("with its protection circuit", (-3.2, y - 3.5), 10.5)
    sheet.wire((-2.6, y), (OUT - 1, y))
    sheet.dot((-0.8, y))
    sheet.rail((-0.8, y), PLUS)
    kind = pot.about.board.kind if pot.about and pot.about.board else description.BOARDS[0]
    words = (
        ("regulator", "3.3 V") if kind == description.BOARDS[0] else ("the board's", "regulator")
    )
    block(sheet, y, words)
    sheet.wire((OUT + 1.6, y), (WIDE - 0.4, y))
    for at, value in ((OUT + 2.6, f"{BULK_UF} µF"), (OUT + 4.9, f"{NEAR_NF} nF")):
        sheet.dot((at, y))
        made = elm.Capacitor().at((at, y)).to((at, y - 1.5))
        sheet.made.add(made.label(value, fontsize=10, loc="bottom"))
        sheet.ground((at, y - 1.5))
    sheet.rail((WIDE - 0.4, y), RAIL)
    sheet.text("at the chip's supply pin", (OUT + 2.2, y + 0.5), 10)
    if battery and battery.chemistry in CHEMISTRIES:
        charging(sheet, pot, y - 5.6)


def charging(sheet: Circuit, pot: description.PotFolder, y: float) -> None:
    """What charges the battery: from a panel, or by a lead from time to time."""
    sheet.wire((-2.6, y), (OUT - 1, y))
    if pot.about and pot.about.panel:
        sheet.made.add(elm.Solar().at((-2.6, y - 1.6)).to((-2.6, y)))
        sheet.ground((-2.6, y - 1.6))
        sheet.text("panel", (-1.8, y - 0.8), 10.5)
    else:
        sheet.text("5 V, plugged in for a charge", (-2.6, y + 0.35), 10.5)
    block(sheet, y, ("charger for", "this battery"))
    sheet.wire((OUT + 1.6, y), (OUT + 3.0, y))
    sheet.rail((OUT + 3.0, y), PLUS)


def block(sheet: Circuit, y: float, words: tuple[str, str]) -> None:
    """A part in the lead of the supply, with a ground of its own."""
    sheet.outline((OUT - 1, y - 0.65), (OUT + 1.6, y + 0.65))
    for line, up in zip(words, (0.26, -0.24), strict=True):
        sheet.text(line, (OUT - 0.8, y + up), 11)
    sheet.ground((OUT + 0.3, y - 0.65))


def place(sheet: Circuit, pin: int, y: float) -> None:
    """The wire out of a pin, with its place on the board."""
    sheet.wire((0, y), (OUT, y))
    header = HEADERS.get(sheet.chip)
    if header and (places := header.places(pin)):
        sheet.text(places[0], (0.15, y + 0.24), 9)


# Room above and below its pin
ROOM = {
    "box": (1.7, 1.3),
    "pump": (4.9, 2.0),
    "power": (1.7, 2.2),
    "battery": (2.2, 2.1),
    "temperature": (2.4, 1.3),
    "button": (2.1, 0.9),
    "charger": (0.8, 1.3),
    "light": (0.8, 1.1),
}
NAMES = {
    "current": "pump-current\nsense, out",
    "temperature": "DS18B20\ndata",
    "charger": "charger's\nstatus",
}


def draw_part(sheet: Circuit, part: description.Part, use: str, y: float) -> None:
    """What hangs on a pin."""
    if part.name == "level" and part.kind == "float":
        switch(sheet, part, y, "float switch")
    elif part.name in OWN:
        OWN[part.name](sheet, part, y)
    else:
        goes = what_goes(part, use)
        supplied = PARTS[part.name, part.kind].supplied
        words = NAMES.get(part.name) or f"{goes.part}\n{goes.wire}"
        box(sheet, y, words, supply_of(sheet) if supplied else RAIL)


def supply_of(sheet: Circuit) -> str:
    """What feeds the probes."""
    return SUPPLY if sheet.switched else RAIL


def box(sheet: Circuit, y: float, words: str, supply: str | None, wide: float = 3.4) -> None:
    """A part with a supply (None: without) and a ground of its own."""
    sheet.outline((OUT, y - 0.65), (OUT + wide, y + 0.65))
    for number, line in enumerate(words.split("\n")):
        sheet.text(line, (OUT + 0.2, y + 0.26 - 0.5 * number), 11)
    if supply is not None:
        sheet.rail((OUT + wide - 0.5, y + 0.65), supply)
    sheet.ground((OUT + wide - 0.5, y - 0.65))


def pump(sheet: Circuit, part: description.Part, y: float) -> None:
    """The switch with the resistor that holds it off, the motor with its diode, the fuse."""
    resist_off(sheet, y, high=part.words.get("active") != "low")
    switch_ = sheet.made.add(elm.NFet().theta(0).reverse().anchor("gate").at((OUT + 0.4, y)))
    sheet.wire((OUT, y), (OUT + 0.4, y))
    drain, source = switch_.absanchors["drain"], switch_.absanchors["source"]
    sheet.ground((source.x, source.y))
    low, high, top = drain.y + 0.2, drain.y + 1.9, drain.y + 3.0
    sheet.wire((drain.x, drain.y), (drain.x, low))
    sheet.made.add(elm.Motor().at((drain.x, low)).to((drain.x, high)).label("pump", loc="bottom"))
    side = drain.x - 1.5
    sheet.wire((drain.x, low), (side, low))
    sheet.made.add(elm.Diode().at((side, low)).to((side, high)))
    sheet.wire((side, high), (drain.x, high))
    sheet.made.add(
        elm.FuseIEC().at((drain.x, high)).to((drain.x, high + 1.2)).label("fuse", loc="bottom")
    )
    sheet.rail((drain.x, top), PLUS)
    sheet.text("or a driver's input", (drain.x + 0.4, y), 10)


def resist_off(sheet: Circuit, y: float, high: bool) -> None:
    """A resistor from a pin to where its part is off. high: it is on while the pin is high."""
    at = (OUT - 1.0, y)
    sheet.dot(at)
    if high:
        sheet.resistor(at, (at[0], y - 1.4), HOLD_OFF_OHM, True)
        sheet.ground((at[0], y - 1.4))
    else:
        sheet.resistor((at[0], y + 1.4), at, HOLD_OFF_OHM, True)
        sheet.rail((at[0], y + 1.4), RAIL)


def power(sheet: Circuit, part: description.Part, y: float) -> None:
    """The switch of the sensors' supply."""
    resist_off(sheet, y, high=part.words.get("active") != "low")
    box(sheet, y, "switch of the\nsensors' supply", RAIL, 4.4)
    sheet.wire((OUT + 4.4, y), (OUT + 5.8, y))
    sheet.rail((OUT + 5.8, y), SUPPLY)


def battery(sheet: Circuit, part: description.Part, y: float) -> None:
    """The divider of the battery's voltage."""
    at = (OUT + 0.6, y)
    sheet.wire((OUT, y), at)
    sheet.dot(at)
    sheet.resistor((at[0], y + 1.5), at, part.numbers["upper_ohm"])
    sheet.resistor(at, (at[0], y - 1.5), part.numbers["lower_ohm"])
    sheet.rail((at[0], y + 1.5), PLUS)
    sheet.ground((at[0], y - 1.5))
    side = (OUT - 0.8, y)
    sheet.dot(side)
    made = elm.Capacitor().at(side).to((side[0], y - 1.5))
    sheet.made.add(made.label(f"{NEAR_NF} nF", fontsize=10, loc="top"))
    sheet.ground((side[0], y - 1.5))


def temperature(sheet: Circuit, part: description.Part, y: float) -> None:
    """One wire, pulled up."""
    pull_up(sheet, y, DATA_OHM)
    box(sheet, y, NAMES[part.name], RAIL)


def pull_up(sheet: Circuit, y: float, value: int, up: bool = True) -> None:
    """A resistor from a pin to 3.3 V, or to ground."""
    at = (OUT - 1.0, y)
    sheet.dot(at)
    end = (at[0], y + (1.4 if up else -1.4))
    sheet.resistor(*((end, at) if up else (at, end)), value, True)
    if up:
        sheet.rail(end, RAIL)
    else:
        sheet.ground(end)


def switch(sheet: Circuit, part: description.Part, y: float, name: str) -> None:
    """A contact from the pin to the other side of its pull."""
    sheet.made.add(elm.Switch().at((OUT, y)).to((OUT + 2, y)).label(name, fontsize=11))
    sheet.wire((OUT + 2, y), (OUT + 2.4, y))
    pull = part.words.get("pull")
    if pull == "down":
        sheet.rail((OUT + 2.4, y), RAIL)
    else:
        sheet.ground((OUT + 2.4, y))
    if pull == "none":
        sheet.text("a pull resistor of its own", (OUT + 3.2, y), 10)


def button(sheet: Circuit, part: description.Part, y: float) -> None:
    """The button; only the ESP32 surely keeps its own pull asleep (see wiring_list.py)."""
    pull = part.words.get("pull")
    if pull in ("up", "down") and sheet.chip != "esp32":
        pull_up(sheet, y, PULL_OHM, pull == "up")
    switch(sheet, part, y, "button")


def charger(sheet: Circuit, part: description.Part, y: float) -> None:
    """The charger's status line; ground in common."""
    box(sheet, y, NAMES[part.name], None)


def light(sheet: Circuit, part: description.Part, y: float) -> None:
    """A light that the pin feeds."""
    made = elm.ResistorIEC().at((OUT, y)).to((OUT + 1.6, y))
    sheet.made.add(made.label(ohm(LIGHT_OHM), fontsize=10))
    sheet.made.add(elm.LED().at((OUT + 1.6, y)).to((OUT + 3.2, y)).label("light", fontsize=11))
    sheet.ground((OUT + 3.2, y))


OWN: dict[str, Draw] = {
    "pump": pump,
    "power": power,
    "battery": battery,
    "temperature": temperature,
    "button": button,
    "charger": charger,
    "light": light,
}
