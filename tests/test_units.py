"""Quantities as a person reads them."""

from __future__ import annotations

import pytest

from wakewell import units


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (units.volts(3904), "3.90 V"),
        (units.volts(3599, fine=True), "3.599 V"),
        (units.water(0), "0 ml"),
        (units.water(999.4), "999 ml"),
        (units.water(999.6), "1.00 l"),
        (units.water(1201, fine=True), "1.201 l"),
        (units.water(-12), "-12 ml"),
        (units.soil(296), "29.6 %"),
        (units.share(0.584), "58 %"),
        (units.share(0.04, "+"), "+4 %"),
    ],
)
def test_each_quantity_has_one_way(text: str, told: str) -> None:
    assert text == told
