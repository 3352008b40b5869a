"""Quantities as a person reads them: one way for each, on every screen.

Volts and litres have two decimals, and three where a limit is at stake (`fine`). Water is in ml
below a litre and in litres from there on; soil water in per cent of its volume. What is stored, and
what a file of a pot says, stays in mV, ml and ppt: a message about it says it as it stands there.
"""

from __future__ import annotations


def volts(mv: float, fine: bool = False) -> str:
    """A voltage, from millivolts."""
    return f"{mv / 1000:.{3 if fine else 2}f} V"


def water(ml: float, fine: bool = False) -> str:
    """An amount of water, from millilitres."""
    return f"{ml:.0f} ml" if abs(ml) < 999.5 else f"{ml / 1000:.{3 if fine else 2}f} l"


def soil(ppt: float) -> str:
    """Soil water, from parts per thousand of the soil's volume."""
    return f"{ppt / 10:.1f} %"


def share(part: float, sign: str = "") -> str:
    """A part of a whole, from 0 to 1, in whole per cent. sign: "+" to show one always."""
    return f"{100 * part:{sign}.0f} %"
