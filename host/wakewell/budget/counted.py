"""A battery's way down counted by the budget, where its voltage alone tells too little.

What belongs here: batteries whose voltage hardly falls (lithium iron phosphate, nickel-metal
hydride), and those that a panel charges. What does not: a lithium-ion battery's own voltage
(forecast.py), the words of a forecast.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from wakewell.pot import description
from wakewell.rig import battery

from . import course, sun
from .doubt import Z90, Doubt, doubtful, nominal, settled, standard
from .inputs import Inputs, charge_at, charge_within

FULL_PART = 0.05  # of a charge, that may be missing after one; own assumption
LEAST_DOUBT = 0.03  # of a charge; own assumption


@dataclass(frozen=True)
class Counted:
    """Days from now until the lockout, of nine in ten the earliest, the middle and the latest;
    charge: the share of it there now, with its doubt."""

    early: float
    middle: float
    late: float
    charge: Doubt


def is_flat(chemistry: str) -> bool:
    """Whether a battery of that kind has a curve, and one too flat to be followed by its voltage:
    1 % of the voltage in its middle is more than a tenth of its charge."""
    if chemistry not in battery.CHEMISTRIES:
        return False
    middle_mv = battery.open_mv(0.5, battery.CHEMISTRIES[chemistry].open_mv)
    return charge_within(middle_mv, chemistry)[1] > 0.1


def charge_now(
    inputs: Inputs,
    cell: description.Battery,
    days: Sequence[tuple[date, float]],
    charged: date | None = None,
) -> Doubt:
    """The share of charge on the last of those days: by its own voltage, and by what the budget has
    drawn since the day whose voltage tells most and since a charge. Each is weighed by its doubt.

    days: with mV at rest, none charged between; charged: the first of them, if after a charge.
    """
    today = days[-1][0]
    whole = inputs.cell_mah * inputs.cell_true
    told = [(day, *_shown(inputs, cell, day, mv)) for day, mv in days]
    # One day that is both is one reading, and counts once
    known = list(dict.fromkeys((told[-1], min(told, key=lambda row: row[2]))))
    if charged is not None:
        known.append((charged, 1.0, FULL_PART))
    found = []
    for day, share, doubt in known:
        then = whole * doubtful(share, max(LEAST_DOUBT, doubt), "charge at the start")
        left = course.left(then, course.cell(inputs), day, float((today - day).days)) / whole
        found.append((max(0.0, nominal(left)), standard(left) ** -2))
    weight = sum(each for _, each in found)
    middle = sum(share * each for share, each in found) / weight
    return doubtful(min(1.0, middle), weight**-0.5, "charge now")


def _shown(
    inputs: Inputs, cell: description.Battery, day: date, rest_mv: float
) -> tuple[float, float]:
    """The share of charge that a voltage shows, with its doubt; what the cold of that month locks
    away is there too."""
    reach, doubt = charge_within(rest_mv / cell.cells, cell.chemistry)
    usable = nominal(inputs.usable(day.month - 1))
    return reach * usable + 1.0 - usable, doubt * usable


def falling(inputs: Inputs, charge: Doubt, day: date) -> Counted:
    """Without a panel."""
    lasts = course.cell_life(replace(inputs, start=day, charge=charge))
    middle, doubt = nominal(lasts.days), Z90 * standard(lasts.days)
    if lasts.beyond:
        sooner = settled(charge - Z90 * standard(charge))
        early = nominal(course.cell_life(replace(inputs, start=day, charge=sooner)).days)
        return Counted(early, middle, middle, charge)
    ratio = (middle + doubt) / max(0.1, middle)  # in ratios, as `doubt.interval`
    return Counted(middle / ratio, middle, middle * ratio, charge)


def in_the_sun(
    inputs: Inputs, cell: description.Battery, months: Sequence[sun.Month], peak_mw: float,
    charge: Doubt, day: date,
) -> Counted:  # fmt: skip
    """With a panel of that power: day by day, in a dim year, a usual and a bright one."""
    above = charge - inputs.floor_mah(day.month - 1) / (inputs.cell_mah * inputs.cell_true)
    early, middle, late = (
        _days(inputs, cell, months, peak_mw, nominal(charge) + z * standard(above), day, z)
        for z in (-Z90, 0.0, Z90)
    )
    return Counted(early, middle, late, charge)


def _days(
    inputs: Inputs, cell: description.Battery, months: Sequence[sun.Month], peak_mw: float,
    charge: float, day: date, z: float,
) -> float:  # fmt: skip
    """Days until the charge is at its floor, course.MOST_DAYS at most. z: how bright it is and how
    little is drawn, in standard deviations of the two together, each with its part of the doubt."""
    mah_wh = 1000.0 / sun.volts(cell)
    gains, floors = [], []
    for month, each in enumerate(months):
        parts = [standard(x) / max(1e-9, nominal(x)) for x in (each.gives_wh, each.needs_wh)]
        both = max(1e-9, (parts[0] ** 2 + parts[1] ** 2) ** 0.5)
        gives, needs = (
            nominal(x) * (1.0 + sign * z * part * part / both)
            for x, sign, part in ((each.gives_wh, 1, parts[0]), (each.needs_wh, -1, parts[1]))
        )
        stays = battery.CHEMISTRIES[cell.chemistry].stays
        gains.append(mah_wh * stays * (max(0.0, gives) * peak_mw / sun.UNIT_MW - max(0.0, needs)))
        floors.append(nominal(inputs.floor_mah(month)))
    full = nominal(inputs.cell_mah * inputs.cell_true)
    left = min(1.0, charge) * full
    for number in range(course.MOST_DAYS):
        month = (day + timedelta(days=number)).month - 1
        if left <= floors[month]:
            return float(number)
        left = min(full, left + gains[month])
    return float(course.MOST_DAYS)


def way_down(
    cell: description.Battery, counted: Counted, floor_mv: float, parts: int
) -> Iterator[tuple[float, float]]:
    """(part of the time until the lockout, mV at rest then), from now on, for a picture."""
    curve = battery.CHEMISTRIES[cell.chemistry].open_mv
    now, end = nominal(counted.charge), charge_at(floor_mv / cell.cells, cell.chemistry)
    for part in range(parts + 1):
        left = now + (min(now, end) - now) * part / parts
        yield part / parts, cell.cells * battery.open_mv(left, curve)
