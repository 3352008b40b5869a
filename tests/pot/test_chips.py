"""Pin tables against the makers' own, transcribed here a second time from their pages."""

import pytest

from wakewell.pot import chips

# ESP-IDF Programming Guide v5.2, "GPIO & RTC GPIO", GPIO Summary of each chip: the columns
# analogue function, RTC GPIO and comment, as printed. "-" where the cell is empty.
ESP32 = """
0 ADC2_CH1 RTC_GPIO11 Strapping | 1 - - TXD | 2 ADC2_CH2 RTC_GPIO12 Strapping | 3 - - RXD
4 ADC2_CH0 RTC_GPIO10 - | 5 - - Strapping | 6 - - SPI0/1 | 7 - - SPI0/1 | 8 - - SPI0/1
9 - - SPI0/1 | 10 - - SPI0/1 | 11 - - SPI0/1 | 12 ADC2_CH5 RTC_GPIO15 Strapping
13 ADC2_CH4 RTC_GPIO14 JTAG | 14 ADC2_CH6 RTC_GPIO16 JTAG | 15 ADC2_CH3 RTC_GPIO13 Strapping
16 - - SPI0/1 | 17 - - SPI0/1 | 18 - - - | 19 - - - | 21 - - - | 22 - - - | 23 - - -
25 ADC2_CH8 RTC_GPIO6 - | 26 ADC2_CH9 RTC_GPIO7 - | 27 ADC2_CH7 RTC_GPIO17 -
32 ADC1_CH4 RTC_GPIO9 - | 33 ADC1_CH5 RTC_GPIO8 - | 34 ADC1_CH6 RTC_GPIO4 GPI
35 ADC1_CH7 RTC_GPIO5 GPI | 36 ADC1_CH0 RTC_GPIO0 GPI | 37 ADC1_CH1 RTC_GPIO1 GPI
38 ADC1_CH2 RTC_GPIO2 GPI | 39 ADC1_CH3 RTC_GPIO3 GPI
"""
ESP32_S3 = """
0 - RTC_GPIO0 Strapping | 1 ADC1_CH0 RTC_GPIO1 - | 2 ADC1_CH1 RTC_GPIO2 -
3 ADC1_CH2 RTC_GPIO3 Strapping | 4 ADC1_CH3 RTC_GPIO4 - | 5 ADC1_CH4 RTC_GPIO5 -
6 ADC1_CH5 RTC_GPIO6 - | 7 ADC1_CH6 RTC_GPIO7 - | 8 ADC1_CH7 RTC_GPIO8 -
9 ADC1_CH8 RTC_GPIO9 - | 10 ADC1_CH9 RTC_GPIO10 - | 11 ADC2_CH0 RTC_GPIO11 -
12 ADC2_CH1 RTC_GPIO12 - | 13 ADC2_CH2 RTC_GPIO13 - | 14 ADC2_CH3 RTC_GPIO14 -
15 ADC2_CH4 RTC_GPIO15 - | 16 ADC2_CH5 RTC_GPIO16 - | 17 ADC2_CH6 RTC_GPIO17 -
18 ADC2_CH7 RTC_GPIO18 - | 19 ADC2_CH8 RTC_GPIO19 USB-JTAG | 20 ADC2_CH9 RTC_GPIO20 USB-JTAG
21 - RTC_GPIO21 - | 26 - - SPI0/1 | 27 - - SPI0/1 | 28 - - SPI0/1 | 29 - - SPI0/1
30 - - SPI0/1 | 31 - - SPI0/1 | 32 - - SPI0/1 | 33 - - SPI0/1 | 34 - - SPI0/1 | 35 - - SPI0/1
36 - - SPI0/1 | 37 - - SPI0/1 | 38 - - - | 39 - - - | 40 - - - | 41 - - - | 42 - - -
43 - - - | 44 - - - | 45 - - Strapping | 46 - - Strapping | 47 - - - | 48 - - -
"""
# The same page for this chip has "RTC" as a comment; written here in the RTC column.
ESP32_C3 = """
0 ADC1_CH0 RTC - | 1 ADC1_CH1 RTC - | 2 ADC1_CH2 RTC Strapping | 3 ADC1_CH3 RTC -
4 ADC1_CH4 RTC - | 5 ADC2_CH0 RTC - | 6 - - - | 7 - - - | 8 - - Strapping | 9 - - Strapping
10 - - - | 11 - - - | 12 - - SPI0/1 | 13 - - SPI0/1 | 14 - - SPI0/1 | 15 - - SPI0/1
16 - - SPI0/1 | 17 - - SPI0/1 | 18 - - USB-JTAG | 19 - - USB-JTAG | 20 - - - | 21 - - -
"""
# UART0 is not in the page's table: from the IO MUX table of the datasheet, from memory.
ESP32_C6 = """
0 ADC1_CH0 LP_GPIO0 - | 1 ADC1_CH1 LP_GPIO1 - | 2 ADC1_CH2 LP_GPIO2 - | 3 ADC1_CH3 LP_GPIO3 -
4 ADC1_CH4 LP_GPIO4 Strapping | 5 ADC1_CH5 LP_GPIO5 Strapping | 6 ADC1_CH6 LP_GPIO6 -
7 - LP_GPIO7 - | 8 - - Strapping | 9 - - Strapping | 10 - - - | 11 - - - | 12 - - USB-JTAG
13 - - USB-JTAG | 14 - - - | 15 - - Strapping | 16 - - TXD | 17 - - RXD | 18 - - - | 19 - - -
20 - - - | 21 - - - | 22 - - - | 23 - - - | 24 - - SPI0/1 | 25 - - SPI0/1 | 26 - - SPI0/1
27 - - SPI0/1 | 28 - - SPI0/1 | 29 - - SPI0/1 | 30 - - SPI0/1
"""
SUMMARIES = [
    ("esp32", ESP32),
    ("esp32-s3", ESP32_S3),
    ("esp32-c3", ESP32_C3),
    ("esp32-c6", ESP32_C6),
]


def cells(text):
    """[(pin, analogue, rtc, comment)]"""
    rows = [row.split() for row in text.replace("\n", "|").split("|") if row.strip()]
    return [(int(pin), analogue, rtc, comment) for pin, analogue, rtc, comment in rows]


@pytest.mark.parametrize(("name", "text"), SUMMARIES)
def test_the_tables_agree_with_the_makers_summary(name, text):
    chip, rows = chips.CHIPS[name], cells(text)
    assert chip.pins == {row[0] for row in rows}
    assert chip.converter == {row[0] for row in rows if row[1].startswith("ADC1")}
    assert set(chip.radio) == {row[0] for row in rows if row[1].startswith("ADC2")}
    assert chip.wake == {row[0] for row in rows if row[2] != "-"}
    assert set(chip.strapping) == {row[0] for row in rows if row[3] == "Strapping"}
    assert chip.input_only == {row[0] for row in rows if row[3] == "GPI"}
    spi = {row[0] for row in rows if row[3] == "SPI0/1"}
    assert spi <= set(chip.flash) | set(chip.module)
    usb = {row[0] for row in rows if row[3] in ("USB-JTAG", "TXD", "RXD")}
    assert usb <= set(chip.serial)


# ESP32-S3 series datasheet v2.2: pins with WPU or USB_PU at reset in table 2-1 (SPI pins and
# pin 39 by its note 7 included), and those with a high-level glitch in table 2-2.
S3_UP = {0, 20, 26, 27, 28, 29, 30, 31, 32, 39, 43, 44}
S3_HIGH = {18, 19, 20}
# ESP32-C3 hardware design guidelines, section GPIO: table 5, reset states 3, 4, 0* and 1*;
# table 6, high-level glitch.
C3_UP = {6, 9, 12, 13, 14, 15, 16, 17, 19, 20, 21}
C3_HIGH = {18}
# ESP32 series datasheet, table 3 (strapping pins): pulled up by default.
ESP32_UP = {0, 5, 15}


@pytest.mark.parametrize(
    ("name", "pins"),
    [("esp32-s3", S3_UP | S3_HIGH), ("esp32-c3", C3_UP | C3_HIGH), ("esp32", ESP32_UP)],
)
def test_the_pump_is_refused_on_every_pin_that_is_high_at_reset(name, pins):
    """R1: on such a pin the switch could be on before any program runs."""
    for pin in pins:
        assert chips.refused(chips.CHIPS[name], chips.PUMP, pin), pin


@pytest.mark.parametrize("chip", chips.CHIPS.values(), ids=list(chips.CHIPS))
def test_every_table_speaks_of_pins_that_exist_and_leaves_some(chip):
    for rows in (chip.flash, chip.module, chip.strapping, chip.moving, chip.serial, chip.radio):
        assert set(rows) <= chip.pins
    assert chip.converter | chip.wake | chip.input_only <= chip.pins
    for use in (chips.PUMP, chips.DRIVE, chips.SENSE, chips.WAKE, chips.ANALOG, chips.WIRE):
        assert len(chips.fitting(chip, use)) >= 2
    assert chip.source


@pytest.mark.parametrize("chip", chips.CHIPS.values(), ids=list(chips.CHIPS))
def test_a_pin_fit_for_the_pump_is_in_no_table_of_doubts(chip):
    for pin in chips.fitting(chip, chips.PUMP):
        assert pin not in chip.input_only
        for rows in (chip.flash, chip.module, chip.strapping, chip.moving, chip.serial):
            assert pin not in rows


def test_a_pin_that_does_not_exist_is_refused_for_every_use():
    for use in (chips.PUMP, chips.DRIVE, chips.SENSE, chips.WAKE, chips.ANALOG, chips.WIRE):
        assert "no such pin" in chips.refused(chips.ESP32, use, 20)


@pytest.mark.parametrize(
    ("chip", "use", "pin", "why"),
    [
        (chips.ESP32, chips.PUMP, 34, "input only"),
        (chips.ESP32, chips.DRIVE, 34, "input only"),
        (chips.ESP32, chips.WIRE, 34, "input only"),
        (chips.ESP32, chips.SENSE, 34, ""),
        (chips.ESP32, chips.ANALOG, 34, ""),
        (chips.ESP32, chips.WAKE, 34, ""),
        (chips.ESP32, chips.ANALOG, 25, chips.ESP32.radio[25]),
        (chips.ESP32, chips.DRIVE, 25, ""),
        (chips.ESP32, chips.ANALOG, 18, "no converter on this pin"),
        (chips.ESP32, chips.WAKE, 18, "cannot end deep sleep"),
        (chips.ESP32, chips.PUMP, 18, ""),
        (chips.ESP32, chips.PUMP, 12, chips.ESP32.strapping[12]),
        (chips.ESP32, chips.DRIVE, 12, ""),  # for other uses a doubt is told, not refused
        (chips.ESP32, chips.SENSE, 6, chips.ESP32.flash[6]),
        (chips.ESP32_S3, chips.SENSE, 45, ""),
        (chips.ESP32_S3, chips.WAKE, 22, "the esp32-s3 has no such pin"),
    ],
)
def test_what_a_pin_is_refused_for(chip, use, pin, why):
    assert chips.refused(chip, use, pin) == why


def test_a_doubt_is_the_first_of_strapping_moving_serial_and_module():
    assert chips.doubtful(chips.ESP32, 18) == ""
    for rows in (chips.ESP32.strapping, chips.ESP32.serial, chips.RP2040.module):
        chip = chips.RP2040 if rows is chips.RP2040.module else chips.ESP32
        for pin in rows:
            assert chips.doubtful(chip, pin)
    assert chips.doubtful(chips.ESP32, 0) == chips.ESP32.strapping[0]


def test_pins_that_are_taken_are_not_offered():
    free = chips.fitting(chips.ESP32, chips.PUMP)
    assert free == sorted(free)
    assert chips.fitting(chips.ESP32, chips.PUMP, frozenset(free[:1])) == free[1:]


# RP2040 and RP2350A in Pico boards (Pico datasheet, from memory): GPIO 23 to 25 and 29 are the
# board's own, converter on 26 to 29, up to the supply of 3.3 V.
@pytest.mark.parametrize("chip", [chips.RP2040, chips.RP2350], ids=["rp2040", "rp2350"])
def test_the_picos_pins(chip):
    assert chip.pins == chip.wake == set(range(30))
    assert chip.converter == {26, 27, 28, 29}
    assert set(chip.module) == {23, 24, 25, 29}
    assert (chip.least_mv, chip.most_mv) == (0, 3300)
    assert chip.port == ""
    assert "watchdog" in chip.why_not


def test_what_each_chip_is_ported_to_and_how_it_wakes():
    assert chips.CHIPS.keys() == {
        "esp32", "esp32-s3", "esp32-c3", "esp32-c6", "rp2040", "rp2350",
    }  # fmt: skip
    assert set(chips.PORTED) == {name for name, chip in chips.CHIPS.items() if not chip.why_not}
    # ESP-IDF, SOC_PM_SUPPORT_EXT0_WAKEUP: the first two have it, the RISC-V chips have not
    assert [name for name in chips.PORTED if chips.CHIPS[name].ext0] == ["esp32", "esp32-s3"]


# ESP-IDF Programming Guide, ADC: suggested range at the largest attenuation, mV.
@pytest.mark.parametrize(
    ("chip", "least_mv", "most_mv"), [(chips.ESP32, 150, 2450), (chips.ESP32_C3, 0, 2500)]
)
def test_the_converters_ranges(chip, least_mv, most_mv):
    assert (chip.least_mv, chip.most_mv) == (least_mv, most_mv)
