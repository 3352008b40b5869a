"""Where each pin is on the maker's own board with that chip: the rows of pins at its two sides.

Other boards have the same pins in other places; always follow the name printed beside a pin.
Source: Espressif, esp-dev-kits, user guide of each board, section "Header Block".
"""

from __future__ import annotations

from dataclasses import dataclass

GROUND, THREE_VOLTS = "G", "3V3"


@dataclass(frozen=True)
class Header:
    """One board. rows: its rows of pins by name, each from the first pin on: the number of a GPIO
    or what else it is."""

    board: str
    rows: tuple[tuple[str, str], ...]

    def places(self, what: int | str) -> list[str]:
        """Where that pin is, such as J2-9, in the order of the rows."""
        return [
            f"{name}-{number}"
            for name, row in self.rows
            for number, there in enumerate(row.split(), 1)
            if there == str(what)
        ]


HEADERS = {
    "esp32": Header(
        "ESP32-DevKitC V4",
        (
            ("J2", "3V3 EN 36 39 34 35 32 33 25 26 27 14 12 G 13 9 10 11 5V"),
            ("J3", "G 23 22 1 3 21 G 19 18 5 17 16 4 0 2 15 8 7 6"),
        ),
    ),
    "esp32-s3": Header(
        "ESP32-S3-DevKitC-1 v1.1",
        (
            ("J1", "3V3 3V3 RST 4 5 6 7 15 16 17 18 8 3 46 9 10 11 12 13 14 5V G"),
            ("J3", "G 43 44 1 2 42 41 40 39 38 37 36 35 0 45 48 47 21 20 19 G G"),
        ),
    ),
    "esp32-c3": Header(
        "ESP32-C3-DevKitM-1",
        (
            ("J1", "G 3V3 3V3 2 3 G RST G 0 1 10 G 5V 5V G"),
            ("J3", "G 21 20 G 9 8 G 7 6 5 4 G 18 19 G"),
        ),
    ),
    "esp32-c6": Header(
        "ESP32-C6-DevKitC-1",
        (
            ("J1", "3V3 RST 4 5 6 7 0 1 8 10 11 2 3 5V G NC"),
            ("J3", "G 16 17 15 23 22 21 20 19 18 9 G 13 12 G NC"),
        ),
    ),
}
