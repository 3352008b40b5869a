"""Which panel keeps the battery charged, so that nobody charges it by hand, by month.

What belongs here: what a month needs and what a panel gives in it, each with its doubt, and what
would change the answer. What does not: light on a panel (the rig's panel.py), words (told.py).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from wakewell.pot import description
from wakewell.rig import battery
from wakewell.rig.fitted import panel as fitted_panel
from wakewell.rig.panel import Panel, month_wh
from wakewell.rig.weather import STATION_DEG, climate, placed

from .doubt import COVER, Doubt, about, nominal, standard
from .inputs import Inputs

UNIT_MW = 1000.0  # panels of other powers are counted as multiples of this one
# How far the light at this place may differ from that of the typical year, and how much more for
# each degree of latitude away, because the clouds differ; own assumption
SUN, SUN_DEG = 0.30, 0.01
STEEP_DEG, LEVEL_DEG = 65, 35
FACINGS = (
    (180, "south"),
    (0, "north"),
)  # towards the noon sun, in the northern half of the earth and in the southern
TELLING = 0.95  # a change is told if the panel may be that much smaller


@dataclass(frozen=True)
class Month:
    """needs_wh: what a day draws from the battery, counted at its charger; gives_wh: what a day's
    light hands it, for a watt of panel; least_mw: the least panel, on the safe side of both."""

    needs_wh: Doubt
    gives_wh: Doubt
    least_mw: float


@dataclass(frozen=True)
class Sunned:
    """months: January first; least_mw: for the worst of them; has_mw: of pot.toml, None: not told;
    dark_days: what a full battery lasts without any light in the worst month; changes: (what, the
    least panel then)."""

    months: list[Month]
    has_mw: int | None
    dark_days: float
    changes: list[tuple[str, float]]

    @property
    def worst(self) -> int:
        """The month that wants the largest panel, 0 for January."""
        return _worst(self.months)

    @property
    def least_mw(self) -> float:
        """The least panel for never charging by hand; infinite: none does."""
        return _least_mw(self.months)

    @property
    def enough(self) -> bool | None:
        """Is the panel of pot.toml large enough? None: its power is not given."""
        return None if self.has_mw is None else self.has_mw >= self.least_mw


def charges(told: description.About) -> bool:
    """Whether it has a panel, and a battery that has a curve."""
    cell = told.battery
    return bool(told.panel and cell and cell.chemistry in battery.CHEMISTRIES)


def made(folder: description.PotFolder, inputs: Inputs) -> Sunned | None:
    """None without [panel], a battery, or a curve of its chemistry. Takes a second for pvlib."""
    told = folder.about
    assert told is not None
    cell = told.battery
    if not charges(told) or told.panel is None or cell is None:
        return None
    panel, needs = _planned(told.panel, cell, inputs)
    found = _by_month(panel, inputs.stands, needs)
    facing_deg, facing = FACINGS[inputs.latitude_deg < 0]
    worst = _worst(found)
    full = nominal(inputs.cell_mah * inputs.cell_true) - nominal(inputs.floor_mah(worst))
    changes = []
    for what, other in (
        (f"{STEEP_DEG} degrees steep", replace(panel, tilt_deg=float(STEEP_DEG))),
        (f"{LEVEL_DEG} degrees steep", replace(panel, tilt_deg=float(LEVEL_DEG))),
        (f"facing {facing}", replace(panel, facing_deg=float(facing_deg))),
        ("outside the window", replace(panel, panes=0)),
        ("out of the shade", replace(panel, shade=(), sky=1.0)),
        ("a charger that hands on nine tenths", replace(panel, charger=0.9)),
    ):
        least = _least_mw(_by_month(other, inputs.stands, needs))
        if least < TELLING * found[worst].least_mw:
            changes.append((what, least))
    changes.sort(key=lambda row: row[1])
    dark = max(0.0, full) / nominal(_drawn_mah(inputs, worst))
    return Sunned(found, told.panel.peak_mw, dark, changes)


def _planned(
    told: description.PanelSheet, cell: description.Battery, inputs: Inputs
) -> tuple[Panel, list[Doubt]]:
    """The panel as it is put up, of UNIT_MW, and what each month needs."""
    needs = [needs_wh(inputs, cell, month) for month in range(12)]
    return replace(fitted_panel(told, inputs.latitude_deg), peak_mw=UNIT_MW), needs


def months(told: description.About, inputs: Inputs) -> list[Month]:
    """January first, of a pot with [panel] and a battery that has a curve."""
    assert told.panel is not None
    assert told.battery is not None
    panel, needs = _planned(told.panel, told.battery, inputs)
    return _by_month(panel, inputs.stands, needs)


def least_mw(told: description.About, inputs: Inputs) -> float:
    """The least panel for never charging such a pot by hand; infinite: none does."""
    return _least_mw(months(told, inputs))


def _worst(found: Sequence[Month]) -> int:
    return max(range(12), key=lambda month: found[month].least_mw)


def _least_mw(found: Sequence[Month]) -> float:
    return found[_worst(found)].least_mw


def needs_wh(inputs: Inputs, cell: description.Battery, month: int) -> Doubt:
    """What a day of that month takes: all that is drawn, self-discharge of a full battery, and what
    its chemistry does not give back of a charge, at its voltage half full."""
    stays = battery.CHEMISTRIES[cell.chemistry].stays
    return _drawn_mah(inputs, month) * volts(cell) / (1000.0 * stays)


def volts(cell: description.Battery) -> float:
    """Of a battery half full."""
    curve = battery.CHEMISTRIES[cell.chemistry].open_mv
    return 0.001 * cell.cells * battery.open_mv(0.5, curve)


def _drawn_mah(inputs: Inputs, month: int) -> Doubt:
    """On a day of that month, self-discharge of a full battery included."""
    return inputs.drain_mah(month) + inputs.cell_mah * inputs.cell_true * inputs.fades_day


def _by_month(panel: Panel, stands: str, needs: list[Doubt]) -> list[Month]:
    other = SUN_DEG * abs(abs(panel.latitude_deg) - STATION_DEG)
    sun = about(1.0, SUN + other, "sun of this place and year")
    air_c = climate(placed(stands, panel.latitude_deg)).air_c
    rows = []
    for need, watt_wh in zip(needs, month_wh(panel, air_c), strict=True):
        gives = watt_wh * sun
        if watt_wh <= 0.0:
            rows.append(Month(need, gives, math.inf))
            continue
        ratio = need / gives
        # In ratios, as `doubt.interval`: a panel is a quotient
        safe = math.exp(COVER * standard(ratio) / nominal(ratio))
        rows.append(Month(need, gives, UNIT_MW * nominal(ratio) * safe))
    return rows
