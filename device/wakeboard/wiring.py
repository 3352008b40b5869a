"""Which part is on which pin: the table of a pot's wiring, and how it is read.

The host compiles `wiring.toml` to one line of JSON, `/pot/wiring.json`. A pin of -1 is a
part that is not fitted. The pump is not in it: its pin stands in a file of its own that is
read before all others.
"""

from wakecore import line
from wakecore.number import is_whole

if False:
    from typing import Iterator

    from wakecore.typed import Row

VERSION = 1
NONE, FLOAT, GAUGE, ECHO = 0, 1, 2, 3
PROBE, WEIGHT = 0, 1
FREE, DOWN, UP = 0, 1, 2  # a pin's own pull resistor

PIN = (-1, 48, -1)  # least, most and default of every pin; -1: the part is not fitted
PINS = (
    "soil_pin",  # capacitive soil probe, analogue; or data of a scale
    "soil_clock_pin",  # clock of that scale
    "level_pin",  # level: switch, gauge, or echo in
    "trigger_pin",  # ultrasonic trigger out
    "battery_pin",  # battery divider, analogue
    "temperature_pin",  # DS18X20, one-wire
    "current_pin",  # pump current, analogue
    "saucer_pin",  # saucer probe, analogue
    "charger_pin",  # charge sense, digital
    "flowmeter_pin",  # pulses of the flow meter, counted
    "weight_pin",  # data of a scale beside the soil probe
    "weight_clock_pin",  # clock of that scale
    "button_pin",  # button to the other level
    "power_pin",  # supply of the sensors
    "light_pin",  # light that confirms a press, high is on
)

# What else the board knows of them: (name, least, most, default)  # meaning
MORE = (
    ("soil_kind", 0, 1, PROBE),  # 0 probe, 1 scale under the pot
    ("level_kind", 0, 3, NONE),  # 0 none, 1 float switch, 2 analogue gauge, 3 ultrasonic echo
    ("level_pull", 0, 2, UP),  # float switch: 0 no pull, 1 down, 2 up
    ("charger_pull", 0, 2, UP),  # its pull; the calibration says which level is charging
    ("button_pull", 0, 2, UP),  # its pull; pressed is the other level, low with none
    ("power_active", 0, 1, 1),  # its level while they are read
    ("samples", 3, 31, 9),  # samples of a reading; their median counts
    ("settle_ms", 0, 2000, 100),  # time from sensor supply to reading
)


def rows() -> "Iterator[Row]":
    """(name, least, most, default) of all of it."""
    for name in PINS:
        yield (name,) + PIN
    yield from MORE


class Wiring:
    """One attribute for each row above."""

    soil_kind: int
    soil_pin: int
    soil_clock_pin: int
    level_kind: int
    level_pin: int
    level_pull: int
    trigger_pin: int
    battery_pin: int
    temperature_pin: int
    current_pin: int
    saucer_pin: int
    charger_pin: int
    charger_pull: int
    flowmeter_pin: int
    weight_pin: int
    weight_clock_pin: int
    button_pin: int
    button_pull: int
    power_pin: int
    power_active: int
    light_pin: int
    samples: int
    settle_ms: int

    def __init__(self) -> None:
        for name, _, _, default in rows():
            setattr(self, name, default)


def pins(wiring: "Wiring") -> list[int]:
    """The pins that some part is on."""
    found = [getattr(wiring, name) for name in PINS]
    return [pin for pin in found if pin >= 0]


def button(wiring: "Wiring") -> "tuple[int, int, int] | None":
    """(pin, level while pressed, its pull), or None where there is no button."""
    if wiring.button_pin < 0:
        return None
    return wiring.button_pin, 1 if wiring.button_pull == DOWN else 0, wiring.button_pull


def load(data: "bytes | None") -> "tuple[Wiring | None, str]":
    """(Wiring, "") from the line's bytes, or (None, why not)."""
    if data is None:
        return None, "no wiring.json"
    record, why = line.decode(data.rstrip(b"\r\n"))
    if record is None:
        return None, why
    if record.get("kind") != "wiring" or not is_whole(record.get("version"), 1, VERSION):
        return None, "not a wiring of version 1 to %d" % VERSION
    wiring = Wiring()
    for name, least, most, default in rows():
        value = record.get(name, default)
        if not is_whole(value, least, most):
            return None, "%s = %s, allowed %d to %d" % (name, value, least, most)
        setattr(wiring, name, value)
    return wiring, ""
