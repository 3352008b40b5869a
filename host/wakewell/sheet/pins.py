"""Each pin of a pot: the chip's own names for it, where it is on a board, what hangs on it.

Names from Espressif's data sheets, pin tables (from memory, unconfirmed).
"""

from __future__ import annotations

from dataclasses import dataclass

from wakewell.bench import wiring_list
from wakewell.pot import chips, description
from wakewell.pot.headers import HEADERS

# The first converter's channel of a pin
CHANNELS = {
    "esp32": {36: 0, 37: 1, 38: 2, 39: 3, 32: 4, 33: 5, 34: 6, 35: 7},
    "esp32-s3": {pin: pin - 1 for pin in range(1, 11)},
    "esp32-c3": {pin: pin for pin in range(5)},
    "esp32-c6": {pin: pin for pin in range(7)},
}
OWN = {
    "esp32": {
        36: "SENSOR_VP", 37: "SENSOR_CAPP", 38: "SENSOR_CAPN", 39: "SENSOR_VN", 34: "VDET_1",
        35: "VDET_2", 32: "32K_XP", 33: "32K_XN", 12: "MTDI", 13: "MTCK", 14: "MTMS", 15: "MTDO",
    },
    "esp32-s3": {
        39: "MTCK", 40: "MTDO", 41: "MTDI", 42: "MTMS", 15: "XTAL_32K_P", 16: "XTAL_32K_N",
    },
    "esp32-c3": {4: "MTMS", 5: "MTDI", 6: "MTCK", 7: "MTDO", 0: "XTAL_32K_P", 1: "XTAL_32K_N"},
    "esp32-c6": {4: "MTMS", 5: "MTDI", 6: "MTCK", 7: "MTDO", 0: "XTAL_32K_P", 1: "XTAL_32K_N"},
}  # fmt: skip


@dataclass(frozen=True)
class PinRow:
    """One row. name: GPIO and its number; own: the chip's further names; place: on the board."""

    number: int
    name: str
    own: str
    place: str
    what: str
    extra: str
    use: str
    caution: str


def rows(pot: description.PotFolder) -> list[PinRow]:
    """By pin."""
    assert pot.about is not None
    chip = chips.CHIPS[pot.about.chip]
    header = HEADERS.get(chip.name)
    uses = {pin: p.uses[use] for p in pot.parts.values() for use, pin in p.pins.items()}
    found = []
    for pin, what, extra in wiring_list.rows(pot):
        own = [OWN.get(chip.name, {}).get(pin, "")]
        channel = CHANNELS.get(chip.name, {}).get(pin)
        own.append("" if channel is None else f"ADC1_CH{channel}")
        own.append("input only" if pin in chip.input_only else "")
        place = ", ".join(header.places(pin)) if header else ""
        named = ", ".join(word for word in own if word)
        found.append(PinRow(
            pin, f"GPIO {pin}", named, place, what, extra, uses[pin], chips.doubtful(chip, pin)
        ))  # fmt: skip
    return found
