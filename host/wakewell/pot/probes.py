"""Every probe of a pot as people know it: what its calibration tells, and its unit on pages.

What belongs here: one row for each probe. What does not: ranges (wakecore/fields.py), pins
(description.py), a probe's name in a sentence (words.py).
"""

from __future__ import annotations

from typing import NamedTuple

from wakecore import fields
from wakewell.language import term


class ProbeKind(NamedTuple):
    """meaning: what its table gives; stored: the unit of that, in short; shown: the unit on pages,
    `of` stored ones. rule: the requirement that its word counts for. key: what a sequence calls its
    reading; "": it is read in a run alone. straight: its table can only be a straight line."""

    meaning: str
    stored: str
    shown: str
    of: int
    rule: str
    key: str
    straight: bool = False

    @property
    def told(self) -> bool:
        """Is it only read and shown, without any decision by it?"""
        return self in [PROBES[row[0]] for row in fields.PROBES if row[3] == fields.RECORD_ONLY]


PERCENT = term("% by volume")
PROBES: dict[str, ProbeKind] = {
    "soil": ProbeKind(
        "parts per thousand of water by volume", "ppt", PERCENT, 10, "R6", "soil_ppt"
    ),
    "level": ProbeKind("millilitres in the tank", "ml", "ml", 1, "R4", "level_ml"),
    "battery": ProbeKind("millivolts at rest", "mV", "V", 1000, "R5", "battery_mv", True),
    "temperature": ProbeKind(
        "millidegrees of the soil", "m°C", "°C", 1000, "R6", "temperature_mc", True
    ),
    "current": ProbeKind("milliamperes of the pump", "mA", "mA", 1, "R4", "", True),
    "saucer": ProbeKind("parts per thousand, dry to wet", "ppt", "%", 10, "R15", "saucer_ppt"),
    "charger": ProbeKind("1 charging, 0 not", "", "", 1, "R5", "charger"),
    "flowmeter": ProbeKind(
        "microlitres through the hose, by the meter's pulses",
        "µl",
        "ml",
        1000,
        "R8",
        "flow_ul",
        True,
    ),
    "weight": ProbeKind(
        "parts per thousand of water by volume, by the pot's weight",
        "ppt",
        PERCENT,
        10,
        "R6",
        "weight_ppt",
        True,
    ),
}
