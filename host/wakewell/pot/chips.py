"""What each pin of each chip can do and must not be asked to do, with the source of every row.

What belongs here: tables from the makers' papers, and the rules that read them. What does
not: which part sits on which pin (wiring.toml, read by pot_folder.py).

A row without a source of its own is from the paper named in the chip's `source`. Rows marked
"(from memory, unconfirmed)" were not found in a paper and lean to the careful side.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

# What a part does with a pin
PUMP = "pump switch"
DRIVE = "output"
SENSE = "digital input"
WAKE = "wake-up input"
ANALOG = "analogue input"
WIRE = "one-wire bus"
COUNT = "counted input"


MEMORY = "from memory, unconfirmed"


def _pins(text: str) -> frozenset[int]:
    """The pins of "0-3 8 11-12"."""
    found: set[int] = set()
    for word in text.split():
        first, _, last = word.partition("-")
        found.update(range(int(first), int(last or first) + 1))
    return frozenset(found)


def _rows(*rows: tuple[str, str]) -> dict[int, str]:
    """{pin: why} from rows of pins and why."""
    return {pin: why for text, why in rows for pin in sorted(_pins(text))}


@dataclass(frozen=True)
class Chip:
    """One chip.

    pins: those that exist. flash: wired to flash or PSRAM, never free. module: so on some
    modules. strapping: read at reset to choose how to start. moving: pulse, are driven or are
    pulled up at reset. serial: the way the cable reaches the board. input_only: no output, no
    pull resistors inside. converter: usable as analogue input. radio: analogue in name, but
    not to be had while the radio is on, or not calibrated. wake: can end deep sleep.
    ext0: a single pin may wake it in a way of its own (ESP-IDF, SOC_PM_SUPPORT_EXT0_WAKEUP).
    wake_pull: what deep sleep does to the own pull of a pin that ends it: keeps it, loses it
    unless the pin is held, or sets it against the level that wakes. holds_each: each pin is held
    in deep sleep by itself, else outside the RTC domain only by a switch for all of them.
    most_mv: highest voltage the converter reads truly; least_mv: lowest; reads: source of both.
    counts: it has a pulse counter that MicroPython offers (machine.Counter).
    port: the file of wakeboard/ports that runs on it, "" for none; why_not: then, why.
    image: what MicroPython calls its image for any board with it (no PSRAM needed); image_at: where
    on the flash it lies (ESP-IDF, CONFIG_BOOTLOADER_OFFSET_IN_FLASH).
    """

    name: str
    source: str
    pins: frozenset[int]
    converter: frozenset[int]
    wake: frozenset[int]
    least_mv: int
    most_mv: int
    flash: Mapping[int, str] = field(default_factory=dict)
    module: Mapping[int, str] = field(default_factory=dict)
    strapping: Mapping[int, str] = field(default_factory=dict)
    moving: Mapping[int, str] = field(default_factory=dict)
    serial: Mapping[int, str] = field(default_factory=dict)
    radio: Mapping[int, str] = field(default_factory=dict)
    input_only: frozenset[int] = frozenset()
    ext0: bool = True
    reads: str = MEMORY
    wake_pull: Literal["keeps", "loses", "sets"] = "keeps"
    holds_each: bool = False
    counts: bool = False
    port: str = ""
    why_not: str = ""
    image: str = ""
    image_at: int = 0


# A weak pull-down at reset is in no table below: it agrees with the resistor that holds the
# pump's switch off (R1). So does a low pulse, because an active-low switch is refused.

ESP32 = Chip(
    name="esp32",
    source="ESP-IDF Programming Guide v5.2, GPIO & RTC GPIO, GPIO Summary (ESP32)",
    pins=_pins("0-19 21-23 25-27 32-39"),
    converter=_pins("32-39"),  # ADC1
    wake=_pins("0 2 4 12-15 25-27 32-39"),  # RTC GPIO
    least_mv=150,
    most_mv=2450,
    reads="ESP32 series datasheet, table 4-4, ADC calibration results, attenuation 3",
    flash=_rows(("6-11", "wired to the flash")),
    module=_rows(("16-17", "wired to the PSRAM on some modules")),
    # ESP32 series datasheet, strapping pins, table 3
    strapping=_rows(
        ("0", "strapping: low at reset waits for a download, pulled up"),
        ("2", "strapping: must be low or free for a download"),
        ("5", "strapping: timing of the SDIO slave, pulled up"),
        ("12", "strapping: high at reset sets the flash to 1.8 V"),
        ("15", "strapping: silences the start-up messages, pulled up"),
    ),
    moving=_rows(
        # Electronics Stack Exchange, question 636980: seen high at start-up
        ("14", "pulled up at reset (JTAG TMS)"),
    ),
    serial=_rows(
        ("1", "serial TXD: sends the start-up messages"),
        ("3", "serial RXD: the cable's way in"),
    ),
    radio=_rows(("0 2 4 12-15 25-27", "the radio takes ADC2 away")),
    input_only=_pins("34-39"),
    counts=True,
    port="esp32",
    image="ESP32_GENERIC",
    image_at=0x1000,
)

ESP32_S3 = Chip(
    name="esp32-s3",
    source="ESP32-S3 series datasheet v2.2, tables 2-1 (pins) and 2-2 (power-up glitches); "
    "ESP-IDF Programming Guide v5.2, GPIO Summary (ESP32-S3)",
    pins=_pins("0-21 26-48"),
    converter=_pins("1-10"),  # ADC1
    wake=_pins("0-21"),  # RTC GPIO
    least_mv=0,
    most_mv=2900,
    reads=f"ESP32-S3 series datasheet, table 5-6 ({MEMORY})",
    flash=_rows(("26-32", "wired to the flash")),
    module=_rows(
        ("33-37", "wired to the flash or PSRAM on modules with eight data lines"),
        ("47-48", "a 1.8 V pin on some modules (datasheet, section 2.2, note 4)"),
    ),
    strapping=_rows(
        ("0", "strapping: low at reset waits for a download, pulled up"),
        ("3", "strapping: source of the JTAG signals"),
        ("45", "strapping: voltage of the flash"),
        ("46", "strapping: start mode and start-up messages"),
    ),
    moving=_rows(
        ("18", "high for 60 microseconds at power-up"),
        ("39", "pulled up at reset (JTAG TCK)"),
    ),
    serial=_rows(
        ("19-20", "native USB, and high for a moment at power-up"),
        ("43", "serial TXD: sends the start-up messages, pulled up"),
        ("44", "serial RXD: the cable's way in, pulled up"),
    ),
    radio=_rows(("11-20", "ADC2 is shared with the radio")),
    # ESP-IDF, gpio_pullup_en: here the pulls of the digital and of the RTC domain are two
    wake_pull="loses",
    counts=True,
    port="esp32",
    image="ESP32_GENERIC_S3",
)

ESP32_C3 = Chip(
    name="esp32-c3",
    source="ESP32-C3 hardware design guidelines, section GPIO, tables 5 (pins after reset) and "
    "6 (power-up glitches); ESP-IDF Programming Guide v5.0, GPIO Summary (ESP32-C3)",
    pins=_pins("0-21"),
    converter=_pins("0-4"),  # ADC1
    wake=_pins("0-5"),
    least_mv=0,
    most_mv=2500,
    reads="ESP32-C3 hardware design guidelines, section ADC, attenuation 3",
    flash=_rows(
        ("11", "the flash's supply (VDD_SPI)"),
        ("12-17", "wired to the flash"),
    ),
    strapping=_rows(
        ("2", "strapping: must be high at reset"),
        ("8", "strapping: must be high for a download"),
        ("9", "strapping: low at reset waits for a download, pulled up"),
    ),
    moving=_rows(("6", "pulled up at reset (JTAG TCK)")),
    serial=_rows(
        ("18", "native USB, and high for 50 microseconds at power-up"),
        ("19", "native USB, pulled up"),
        ("20", "serial RXD: the cable's way in, pulled up"),
        ("21", "serial TXD: driven at reset"),
    ),
    # ESP32-C3 hardware design guidelines, section ADC: not calibrated, out of order in some chips
    radio=_rows(("5", "ADC2 is not calibrated, and out of order in some chips")),
    ext0=False,
    # ESP-IDF, CONFIG_ESP_SLEEP_GPIO_ENABLE_INTERNAL_RESISTORS, on by default
    wake_pull="sets",
    port="esp32",
    image="ESP32_GENERIC_C3",
)

ESP32_C6 = Chip(
    name="esp32-c6",
    source="ESP-IDF Programming Guide v5.2, GPIO & RTC GPIO, GPIO Summary (ESP32-C6), for a chip "
    "with its flash outside; MicroPython, ports/esp32/machine_adc.c (converter)",
    pins=_pins("0-30"),
    converter=_pins("0-6"),
    wake=_pins("0-7"),
    least_mv=0,
    most_mv=2500,
    reads=f"the datasheet allows more ({MEMORY})",
    flash=_rows(("24-30", "wired to the flash")),
    module=_rows(("10-11 14", "not led out of some chips")),
    strapping=_rows(
        ("4-5", "strapping: timing of the SDIO slave"),
        ("8", "strapping: must be high for a download"),
        ("9", "strapping: low at reset waits for a download, pulled up"),
        ("15", "strapping: source of the JTAG signals"),
    ),
    moving=_rows(
        ("6-7", "JTAG: may be pulled or driven at reset (from memory, unconfirmed)"),
    ),
    serial=_rows(
        ("12-13", "native USB"),
        ("16", "serial TXD: sends the start-up messages"),
        ("17", "serial RXD: the cable's way in"),
    ),
    ext0=False,
    wake_pull="sets",
    # ESP-IDF, SOC_GPIO_SUPPORT_HOLD_SINGLE_IO_IN_DSLP
    holds_each=True,
    counts=True,
    port="esp32",
    image="ESP32_GENERIC_C6",
)

_PICO = _rows(
    # Raspberry Pi Pico 2 W schematic: GPIO 23, 24, 25 and 29 serve the radio
    ("23-25", "used by the Pico boards themselves"),
    ("29", "used by the Pico boards themselves (supply voltage, radio)"),
)

_PICO_WHY_NOT = (
    "it keeps nothing through deep sleep, and its longest watchdog (8.3 s; MicroPython, library "
    "machine.WDT, rp2) is shorter than a wake may take (R2, R13)"
)

RP2040 = Chip(
    name="rp2040",
    source="Raspberry Pi Pico C SDK, hardware_adc (GPIO 26 to 29); at reset all pins are pulled "
    "down (RP2040 datasheet, section GPIO, from memory, unconfirmed)",
    pins=_pins("0-29"),
    converter=_pins("26-29"),
    wake=_pins("0-29"),  # (from memory, unconfirmed): dormant wake-up by any pin
    least_mv=0,
    most_mv=3300,
    module=_PICO,
    why_not=_PICO_WHY_NOT,
)

RP2350 = Chip(
    name="rp2350",
    source="Raspberry Pi Pico C SDK, hardware_adc (GPIO 26 to 29 of the RP2350A); at reset all "
    "pins are pulled down, but a pin that was high may stay near 2 V without a resistor of "
    "8.2 kilohm or less (RP2350 datasheet, erratum E9, from memory, unconfirmed)",
    pins=_pins("0-29"),
    converter=_pins("26-29"),
    wake=_pins("0-29"),  # (from memory, unconfirmed)
    least_mv=0,
    most_mv=3300,
    module=_PICO,
    why_not=_PICO_WHY_NOT,
)

_ALL = (ESP32, ESP32_S3, ESP32_C3, ESP32_C6, RP2040, RP2350)
CHIPS: dict[str, Chip] = {chip.name: chip for chip in _ALL}

PORTED = tuple(chip.name for chip in CHIPS.values() if chip.port)

# Espressif ESP32 series datasheet v5.2, table 4-2: hibernation; with the timer 10
SLEEPS_LEAST_UA = {"esp32": 5}


def refused(chip: Chip, use: str, pin: int) -> str:
    """Why this pin cannot serve that use, or "". For the pump every doubt is a refusal (R1)."""
    if pin not in chip.pins:
        return f"the {chip.name} has no such pin"
    if pin in chip.flash:
        return chip.flash[pin]
    if use in (PUMP, DRIVE, WIRE) and pin in chip.input_only:
        return "input only"
    if use == ANALOG and pin in chip.radio:
        return chip.radio[pin]
    if use == ANALOG and pin not in chip.converter:
        return "no converter on this pin"
    if use == COUNT and not chip.counts:
        return "no pulse counter on this chip"
    if use == WAKE and pin not in chip.wake:
        return "cannot end deep sleep"
    return doubtful(chip, pin) if use == PUMP else ""


def doubtful(chip: Chip, pin: int) -> str:
    """Why this pin is a poor choice for any use, or ""."""
    for rows in (chip.strapping, chip.moving, chip.serial, chip.module):
        if pin in rows:
            return rows[pin]
    return ""


def fitting(chip: Chip, use: str, taken: frozenset[int] = frozenset()) -> list[int]:
    """The pins that serve that use without a doubt and are not taken."""
    return [
        pin
        for pin in sorted(chip.pins - taken)
        if not refused(chip, use, pin) and not doubtful(chip, pin)
    ]


def not_ported(chip: str, where: str) -> str:
    """Why no board with that chip can be used, in words. where: what names the chip."""
    why = CHIPS[chip].why_not if chip in CHIPS else "its pins are not known here"
    return (
        f"{where}: no board code runs on the {chip}: {why}. Allowed: {', '.join(PORTED)}. "
        "Use one of these boards"
    )
