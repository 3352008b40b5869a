"""What a pot is built from: each part with what to look for, and what it costs its maker.

What belongs here: the rows of the parts list and of the small values (resistors, capacitors), with
prices. What does not: what a part must be (budget/sizing.py), reading prices (pot/prices.py).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from wakewell.bench import circuit, wiring_list
from wakewell.bench.wiring_list import ohm
from wakewell.budget import inputs as budget_inputs
from wakewell.budget.inputs import Inputs
from wakewell.budget.sizing import Size
from wakewell.draft.choices import CELLS
from wakewell.pot import chips, description, prices
from wakewell.pot.agree import FULL_MV
from wakewell.pot.headers import HEADERS
from wakewell.pot.parts import PARTS
from wakewell.pot.prices import Price
from wakewell.units import volts

# Supply of the chip and what its pins bear: ESP32 series datasheet, absolute maximum ratings and
# DC characteristics (from memory, unconfirmed)
CHIP_LEAST_MV, PIN_MOST_MV = 3000, 3600
RADIO_MA = 500  # ESP32 hardware design guidelines, power supply (from memory, unconfirmed)
CHIP_PULL_OHM = 45_000  # pull-up inside a pin: DC characteristics (from memory, unconfirmed)
RAIL_MV = 3300
DROP_MV = 150  # of a good regulator under the radio's current; common practice, no source
SPARE_M = 0.2  # of hose, for cutting; common practice, no source


@dataclass(frozen=True)
class Bought:
    """One row. key: its name in prices.toml; amount: how many, or metres."""

    key: str
    what: str
    amount: float
    look: list[str]
    price: Price | None = None

    @property
    def cost(self) -> float | None:
        """Of all of them; None: no price."""
        return None if self.price is None else self.amount * self.price.price


@dataclass(frozen=True)
class Small:
    """A resistor or a capacitor: value, where it goes, why that value and what was checked."""

    value: str
    where: str
    why: str


@dataclass
class Costs:
    """Prices as found. file: where, "" for none; known: by the names of prices.toml."""

    currency: str = ""
    file: str = ""
    known: dict[str, Price] = field(default_factory=dict)


def find_costs(folder: Path) -> Costs:
    """The nearest prices.toml: in the pot's folder, beside it, or in the project above. Raises
    BadInput for one that cannot be used."""
    here = folder.absolute()
    for place in (here, *list(here.parents)[:2]):
        path = place / prices.FILE
        if path.is_file():
            currency, known = prices.read(path)
            return Costs(currency, str(path), known)
    return Costs()


def bought(
    pot: description.PotFolder, found: Inputs, sizes: dict[str, Size], costs: Costs
) -> list[Bought]:
    """The parts list, with prices where they are known."""
    rows = [*_main(pot, found, sizes), *_probes(pot)]
    return [
        Bought(key, what, amount, look, costs.known.get(key)) for key, what, amount, look in rows
    ]


Row = tuple[str, str, float, list[str]]


def _main(pot: description.PotFolder, found: Inputs, sizes: dict[str, Size]) -> Iterator[Row]:
    about = pot.about
    assert about is not None
    chip, tank, planter, hose = about.chip, about.tank, about.planter, about.line
    bare = about.board_sheet.kind == description.BOARDS[0]
    board = HEADERS[chip].board if chip in HEADERS else chip
    kind = "bare module" if bare else "development board"
    yield "chip", f"{chip}, {kind}", 1, [
        f"the places of pins on this sheet are those of an {board}; on another board go by what is "
        "printed there",
        "4 MB of flash or more; PSRAM is not needed",
    ]  # fmt: skip
    flow, lift, most = sizes["flow"], sizes["lift"], sizes["switch current"]
    look = [
        f"at least {flow.least:.1f} ml/s at {tank.crest_mm} mm of height: {flow.why}",
        f"lifts at least {lift.least:.0f} mm without flow: {lift.why}",
    ]
    if flow.has is not None:
        look.append(f"the pump of pot.toml gives {flow.has:.1f} ml/s there")
    if about.pump:
        look.append(f"rated {volts(about.pump.rated_mv)}, lies under water, wires sealed")
    yield "pump", "pump", 1, look
    bore = sizes["bore"]
    end = f"{hose.holes} holes of {hose.hole_um / 1000:g} mm" if hose.holes else "an open end"
    hose_m = round(hose.length_mm / 1000 + SPARE_M, 1)
    drips = sizes["holes"]
    has = "" if drips.has is None else f" (pot.toml: {drips.has:.1f})"
    ends = [f"drip holes: {drips.least:.1f} square millimetres in all{has}: {drips.why}"]
    if tank.outlet_mm <= tank.height_mm:
        ends.append("it ends below the full mark: a siphon break is needed, see Mechanics")
    yield "hose", "hose", hose_m, [
        f"bore {hose.inner_mm} mm (at least {bore.least:.0f}: {bore.why})",
        f"{hose.length_mm} mm of it are used; {end}; opaque, so that nothing grows in it",
        *ends,
    ]  # fmt: skip
    if hose.valve == "check":
        yield (
            "valve",
            "check valve",
            1,
            [f"for a hose of {hose.inner_mm} mm; opens at little pressure; flow towards the pot"],
        )
    yield "switch", "transistor that switches the pump", 1, [
        f"at least {most.least:.1f} A: {most.why}",
        f"at least {sizes['switch voltage'].least:.0f} V: {sizes['switch voltage'].why}",
        f"n-channel MOSFET whose sheet gives its on-resistance at a gate of {volts(2500)} to "
        f"{volts(RAIL_MV)}: the chip's pin gives no more than {volts(RAIL_MV)}; a threshold "
        "voltage alone says nothing of that",
    ]  # fmt: skip
    yield "diode", "diode across the pump", 1, [
        f"for {most.least / 2:.1f} A, Schottky or fast; its ring towards the battery's plus: it "
        "takes the current that the motor still drives when the switch opens",
    ]  # fmt: skip
    fuse = sizes["fuse"]
    yield "fuse", "fuse with its holder", 1, [f"{fuse.least:g} A, time-lag: {fuse.why}"]
    yield from _supply(pot, found, bare)
    yield "resistors", "resistors and capacitors", 1, ["the values are in the table below"]
    yield (
        "tank",
        "tank",
        1,
        [
            f"{tank.shape}, {tank.volume_ml} ml up to its full mark, {tank.height_mm} mm high; "
            "opaque, with a lid, so that little evaporates and nothing grows"
        ],
    )
    yield (
        "planter",
        "pot",
        1,
        [
            f"{planter.volume_ml} ml of {planter.substrate}, {planter.height_mm} mm deep, "
            f"{planter.diameter_mm} mm across; a saucer below it"
        ],
    )
    yield (
        "box",
        "box for board and cell",
        1,
        ["closes against splashes; stands above the highest water"],
    )


def _supply(pot: description.PotFolder, found: Inputs, bare: bool) -> Iterator[Row]:
    """Cell, charger, regulator."""
    about, settings = pot.about, pot.settings
    assert about is not None
    cell = about.battery
    if cell:
        most = f"{cell.most_ma / 1000:g} A" if cell.most_ma else "not told in pot.toml"
        look = [
            f"{cell.chemistry}, at least {cell.capacity_mah} mAh on its maker's sheet",
            f"greatest discharge current above {found_peak(pot):.1f} A (here {most}): pump and "
            "radio together",
        ]
        if cell.is_lithium:
            look.append(
                "a protection circuit of its own: no program saves it from what fails before the "
                "program starts"
            )
        if cell.is_nickel:
            look.append("sold as keeping its charge: others are empty in months by themselves")
        if cell.cells > 1:
            look.append(f"{cell.cells} alike, in series, of one age and one charge")
        yield "cell", "cell", cell.cells, look
        if charges := _charger(pot, cell):
            yield "charger", "charger board", 1, charges
        if about.panel:
            yield "panel", "panel", 1, _panel(about.panel)
    board = about.board_sheet
    if bare:
        low_mv = max(settings["battery_mv"], pot.limits["rest_mv"])
        short = low_mv - CHIP_LEAST_MV < DROP_MV
        draws = board.regulator_ua or budget_inputs.REGULATOR_UA
        yield "regulator", "regulator to 3.3 V", 1, [
            f"draws no more than {draws} microamperes for itself: it is on for all the months that "
            "the chip sleeps",
            f"gives {RADIO_MA} mA for the radio's moments",
            *([f"bears {volts(highest_mv(cell))}"] if cell else []),
            f"low drop-out: at the lockout the battery has {volts(low_mv)}, and the chip needs "
            f"{volts(CHIP_LEAST_MV)}: {volts(low_mv - CHIP_LEAST_MV)} are left for it"
            + ("; too little: take one that also steps up" if short else ""),
        ]  # fmt: skip


def _charger(pot: description.PotFolder, cell: description.Battery) -> list[str]:
    """What to look for in a charger; nothing for cells that are replaced, never charged."""
    if cell.chemistry == "alkaline":
        return []
    ends = f"ends at {volts(FULL_MV[cell.chemistry] * cell.cells)}"
    if cell.chemistry == "nickel-metal-hydride":
        ends = f"for {cell.cells} in series, ends by itself when they are full"
    look = [f"for {cell.chemistry}, {ends}; its current within the cell's sheet"]
    sunned = pot.about is not None and pot.about.panel is not None
    if cell.is_lithium and not sunned:
        look.append(
            "measures the cell's warmth and refuses to charge below 0 °C; with any other the cell "
            "is charged indoors only"
        )
    if "charger" in pot.parts:
        look.append("has a status line for the chip")
    if sunned:
        look += SUN_CHARGER
    return look


SUN_CHARGER = (
    "made for a panel: it takes less from the panel when the light falls, instead of dropping out",
    "has an input for a thermistor, which is glued to the cell, and stops below 0 °C: one without "
    "it charges in frosty sunshine",
    "lets nothing flow back into the panel at night",
)


def _panel(told: description.PanelSheet) -> list[str]:
    """What to look for in a panel."""
    power = "the power that wakewell budget says" if told.peak_mw is None else f"{told.peak_mw} mW"
    return [
        f"{power} in full sun on its maker's sheet",
        f"stands {told.tilt_deg} degrees steep, facing {told.facing_deg} degrees by the compass; "
        "nothing shades a part of it, for a part dims the whole",
        "closed against rain at its leads; tied down against wind",
    ]


def found_peak(pot: description.PotFolder) -> float:
    """The most that is drawn at once, A: the pump blocked or starting, and the radio."""
    assert pot.about is not None
    pump = pot.about.pump
    stalled_ua = pump.stalled_ua if pump else None
    return (stalled_ua or 3 * pot.calibration["pump_ua"]) / 1e6 + RADIO_MA / 1000


def _probes(pot: description.PotFolder) -> Iterator[Row]:
    """What wiring.toml names beside pump and battery."""
    assert pot.about is not None
    chip = chips.CHIPS[pot.about.chip]
    analogue = (
        f"analogue output between {volts(chip.least_mv)} and {volts(chip.most_mv)}: what the "
    )
    analogue += f"{chip.name} reads truly; runs at 3.3 V"
    for name, part in pot.parts.items():
        if name in ("pump", "battery", "charger"):
            continue
        about = PARTS[name, part.kind]
        assert about.sold is not None, name
        key, what, _ = about.sold
        look = [about.look] if about.look else []
        if chips.ANALOG in part.uses.values():
            look.append(analogue)
        if key == "soil":
            look.append("capacitive; its edges and its electronics sealed against water")
        if key == "gauge":
            look.append(f"for {pot.about.tank.height_mm} mm of water and little more")
        if key == "echo":
            look.append("its echo line must not pass 3.3 V; mind the dead zone above the full mark")
        if key == "float":
            look.append("a reed contact, for a few milliamperes, hung at the level that is told")
        yield key, what, 1, look


def smalls(pot: description.PotFolder) -> list[Small]:
    """Every resistor and capacitor, with its value and why it is this one."""
    assert pot.about is not None
    chip, rows = chips.CHIPS[pot.about.chip], list[Small]()
    for name, part in pot.parts.items():
        pin = ", ".join(f"GPIO {n}" for n in part.pins.values())
        if name in ("pump", "power"):
            rows.append(Small(
                ohm(wiring_list.HOLD_OFF_OHM), f"{name}: from {pin} to where it is off",
                hold_off(wiring_list.HOLD_OFF_OHM),
            ))  # fmt: skip
        elif name == "battery":
            rows += _divider(pot, part, chip)
        elif name == "temperature":
            rows.append(Small(
                ohm(wiring_list.DATA_OHM), f"thermometer: from {pin} to 3.3 V",
                f"{RAIL_MV / wiring_list.DATA_OHM:.1f} mA while the line is low; the DS18B20 can "
                "take 4 (its data sheet, from memory, unconfirmed)",
            ))  # fmt: skip
        elif name == "light":
            rows.append(Small(
                ohm(wiring_list.LIGHT_OHM), f"light: in series, at {pin}",
                f"about {(RAIL_MV - 2000) / wiring_list.LIGHT_OHM:.1f} mA through a light that "
                "takes 2 V; common practice, no source",
            ))  # fmt: skip
        elif part.words.get("pull") == "none" or (
            name == "button" and part.words.get("pull") and chip.name != "esp32"
        ):
            to = "ground" if part.words["pull"] == "down" else "3.3 V"
            rows.append(Small(
                ohm(wiring_list.PULL_OHM), f"{name}: from {pin} to {to}",
                f"{1000 * RAIL_MV / wiring_list.PULL_OHM:.0f} microamperes while it is closed; a "
                "pin's own leak, 50 nA (data sheet, from memory, unconfirmed), moves it by "
                f"{wiring_list.PULL_OHM * 50e-6:.0f} mV",
            ))  # fmt: skip
    near = f"{circuit.NEAR_NF} nF"
    guide = "Espressif's hardware design guidelines (from memory, unconfirmed)"
    if pot.about.board_sheet.kind == description.BOARDS[0]:
        rows.append(Small(f"{circuit.BULK_UF} µF", "chip: from 3.3 V to ground, at its pin", guide))
        rows.append(Small(near, "chip: from 3.3 V to ground, at its pin", guide))
    return rows


def hold_off(value: int) -> str:
    """Why that resistor holds a switch off, by the worst that a pin does at reset."""
    mv = RAIL_MV * value / (value + CHIP_PULL_OHM)
    return (
        "holds the switch off while the pin floats (R1): against a pull-up of "
        f"{ohm(CHIP_PULL_OHM)} inside the chip {volts(mv)} are left at the gate, and the "
        f"transistor's least threshold must be above that; {RAIL_MV / value:.2f} mA while it is on"
    )


def pin_mv(part: description.Part, battery_mv: float) -> float:
    """What the divider makes of a battery's voltage."""
    upper, lower = part.numbers["upper_ohm"], part.numbers["lower_ohm"]
    return battery_mv * lower / (upper + lower)


def highest_mv(cell: description.Battery) -> int:
    """The most the battery can have, with a fault in its charger where that is known."""
    known = CELLS.get(cell.chemistry)
    return cell.cells * (known.highest_mv if known else FULL_MV[cell.chemistry])


def _divider(
    pot: description.PotFolder, part: description.Part, chip: chips.Chip
) -> Iterator[Small]:
    """The two resistors of the battery's voltage, against the limits of the chip."""
    assert pot.about is not None
    upper, lower = part.numbers["upper_ohm"], part.numbers["lower_ohm"]
    why, cell, pin = "", pot.about.battery, part.pins["pin"]
    if cell:
        full, worst = FULL_MV[cell.chemistry] * cell.cells, highest_mv(cell)
        reads = "inside" if pin_mv(part, full) <= chip.most_mv else "ABOVE"
        bears = "inside" if pin_mv(part, worst) <= PIN_MOST_MV else "ABOVE"
        why = (
            f"a full battery, {volts(full)}, puts {volts(pin_mv(part, full))} on the pin: {reads} "
            f"what the {chip.name} reads truly, {volts(chip.most_mv)} ({chip.reads}); at "
            f"{volts(worst)}, a fault in the charger, {volts(pin_mv(part, worst))}: {bears} what a "
            f"pin bears, {volts(PIN_MOST_MV)} (data sheet, from memory, unconfirmed); it draws "
            f"{1e3 * full / (upper + lower):.1f} microamperes all the time"
        )
    yield Small(ohm(upper), f"battery: from its plus to GPIO {pin}", why)
    yield Small(ohm(lower), f"battery: from GPIO {pin} to ground", "the other half of it")
    source = int(float(f"{upper * lower / (upper + lower):.3g}"))
    yield Small(
        f"{circuit.NEAR_NF} nF", f"battery: from GPIO {pin} to ground",
        "the converter draws its sample from it, because the divider alone is "
        f"{ohm(source)} (Espressif's hardware design guidelines, from memory, "
        "unconfirmed)",
    )  # fmt: skip
