"""How charge and tank go down, month by month, and when that ends.

What belongs here: the course of one amount from a date on, the life of battery and tank, the
answer for a date, what to add, what would change it most. What does not: where the numbers
come from (inputs.py), what to buy (sizing.py), words (told.py).

An amount Q falls by dQ/dt = -I - k Q, with I steady within a month: the result is exact for a month
of any length, and it is the law of the rig's cell too. The tank has k = 0.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import lru_cache

from .doubt import COVER, Doubt, chance, expm1, interval, log1p, nominal, settled, standard
from .inputs import Inputs

MOST_DAYS = 3653  # ten years: no date beyond that can be trusted
FADES_MUCH = 0.05 / 30  # of the charge a day, by itself: better cells of the kind are sold
ByMonth = Callable[[int], Doubt]


@dataclass(frozen=True)
class Decline:
    """What makes an amount go down: `drain` a day by month, `decay` a day as a share of what is
    there, `floor` by month: the amount at which it ends. least: it never falls below that.
    """

    drain: ByMonth
    floor: ByMonth
    decay: Doubt = 0.0
    least: float = 0.0


@dataclass(frozen=True)
class Lasting:
    """How long an amount lasts, days from the start. beyond: longer than MOST_DAYS."""

    days: Doubt
    beyond: bool = False

    def told_days(self) -> tuple[int, int, int]:
        """Best estimate, lowest and highest, whole days and at most MOST_DAYS."""
        low, high = interval(self.days)
        most = float(MOST_DAYS)
        return int(min(most, nominal(self.days))), int(min(most, low)), int(min(most, high))


def tank(inputs: Inputs) -> Decline:
    """How the tank goes down: to its reserve, where no pulse starts any more (R4)."""
    reserve_ml = inputs.reserve_ml
    return Decline(_kept(inputs.water_day_ml), lambda month: reserve_ml, least=reserve_ml)


def cell(inputs: Inputs) -> Decline:
    """How the charge goes down: to the low-battery lockout (R5), and to nothing after it."""
    return Decline(_kept(inputs.drain_mah), _kept(inputs.floor_mah), inputs.fades_day)


def _kept(by_month: ByMonth) -> ByMonth:
    """The same, with each month calculated once."""
    return lru_cache(maxsize=12)(lambda month: settled(by_month(month)))


def _months(start: date, days: float) -> Iterator[tuple[float, int, float]]:
    """(days since the start, month, days in it) over that many days."""
    done, here = 0.0, start
    while done < days:
        begins = (here.replace(day=1) + timedelta(days=32)).replace(day=1)
        length = min(float((begins - here).days), days - done)
        yield done, here.month - 1, length
        done, here = done + length, begins


def _after(amount: Doubt, drain: Doubt, decay: Doubt, days: float) -> Doubt:
    """The amount some days later."""
    if nominal(decay) <= 0.0:
        return settled(amount - drain * days)
    gone = -expm1(-decay * days)
    return settled(amount * (1.0 - gone) - drain / decay * gone)


def left(amount: Doubt, fall: Decline, start: date, days: float) -> Doubt:
    """What is left of an amount after some days; below nothing: what is missing."""
    for _, month, length in _months(start, days):
        amount = _after(amount, fall.drain(month), fall.decay, length)
    return amount


def margins(amount: Doubt, fall: Decline, start: date, days: float) -> Iterator[Doubt]:
    """What is above the floor at the end of each month on the way, then on the day itself: one cold
    month can end it (R5), even if the last month would not.
    """
    for _, month, length in _months(start, days):
        amount = _after(amount, fall.drain(month), fall.decay, length)
        yield amount - fall.floor(month)
    yield amount - fall.floor((start + timedelta(days=days)).month - 1)


def life(amount: Doubt, fall: Decline, start: date) -> Lasting:
    """The time until the floor is met. Its doubt is that of first order (GUM 5.1)."""
    for done, month, length in _months(start, MOST_DAYS):
        drain, floor, decay = fall.drain(month), fall.floor(month), fall.decay
        spare = amount - floor
        if nominal(spare) <= 0.0:  # a colder month has raised the floor, or it began below
            late = spare / (drain + decay * floor)
            return Lasting(done + late - nominal(late))
        after = _after(amount, drain, decay, length)
        if nominal(after) <= nominal(floor):
            if nominal(decay) <= 0.0:
                return Lasting(done + spare / drain)
            return Lasting(done + log1p(spare / (floor + drain / decay)) / decay)
        amount = after
    return Lasting(float(MOST_DAYS), beyond=True)


def carried(amount: Doubt, fall: Decline, noted: date, today: date) -> tuple[Doubt, date | None]:
    """(what is there today of an amount noted before, the date on which it had run out by then).

    What had run out is at most at its floor, even if a milder month has lowered the floor again: a
    person has to look anyway.
    """
    days = float((today - noted).days)
    rest, lasts = left(amount, fall, noted, days), life(amount, fall, noted)
    if lasts.beyond or nominal(lasts.days) >= days:
        return rest, None
    floor = fall.floor(today.month - 1)
    rest = floor if nominal(rest) > nominal(floor) else rest
    rest = fall.least if nominal(rest) < fall.least else rest
    return rest, noted + timedelta(days=int(nominal(lasts.days)))


def today(inputs: Inputs, day: date) -> tuple[Inputs, dict[str, date]]:
    """(the inputs with tank and charge as they are that day, when "tank" or "battery" had run out
    by then). A cell that lives on its charger stays as it was noted."""
    out: dict[str, date] = {}
    if day <= inputs.start:
        return inputs, out
    tank_ml, ended = carried(inputs.tank_ml, tank(inputs), inputs.start, day)
    if ended:
        out["tank"] = ended
    charge = inputs.charge
    if inputs.cell_mah > 0.0 and not inputs.mains:
        charge_mah, ended = carried(inputs.charge_mah, cell(inputs), inputs.start, day)
        charge = charge_mah / (inputs.cell_mah * inputs.cell_true)
        if ended:
            out["battery"] = ended
    return replace(inputs, start=day, tank_ml=settled(tank_ml), charge=settled(charge)), out


@dataclass(frozen=True)
class Answer:
    """Will it last until a date? In ml or mAh.

    margin: the smallest amount above the floor on the way there. sure: "yes" where each month's
    margin is COVER standard uncertainties above nothing, "no" where one is so far below it, else
    "not sure". chance: 0 to 1, in the worst month. add: what makes it "yes" (inf: nothing would);
    room: what can be added now. again: where the room is too small, the date by which even a full
    one must be seen to (None: need not).
    """

    sure: str
    chance: float
    margin: Doubt
    add: float
    room: float
    again: date | None


def answer(amount: Doubt, full: Doubt, fall: Decline, start: date, until: date) -> Answer:
    """The answer for a date. full: the amount when all that fits has been added."""
    days = float((until - start).days)

    def enough(added: float) -> bool:
        return all(map(_surely, margins(amount + added, fall, start, days)))

    found = list(margins(amount, fall, start, days))
    sure = "not sure"
    if enough(0.0):
        sure = "yes"
    elif any(_surely(-margin) for margin in found):
        sure = "no"
    add = _missing(enough, nominal(amount))
    room = max(0.0, nominal(full) - nominal(amount))
    again = None
    if add > room:
        _, low, _ = life(full, fall, start).told_days()
        again = min(until, start + timedelta(days=low))
    return Answer(sure, min(map(chance, found)), min(found, key=nominal), add, room, again)


def _surely(margin: Doubt) -> bool:
    """Whether a margin is COVER standard uncertainties above nothing."""
    return nominal(margin) >= COVER * standard(margin)


def _missing(enough: Callable[[float], bool], amount: float) -> float:
    """What to add until it is enough; inf where no amount would do.

    What is added has a doubt of its own, so it is found by search: doubled until it is enough, then
    by halving.
    """
    if enough(0.0):
        return 0.0
    low, high = 0.0, max(1.0, 0.1 * amount)
    while not enough(high):
        low, high = high, 2.0 * high
        if high > 1e9:
            return math.inf
    while high - low > 1e-3 * high:
        middle = 0.5 * (low + high)
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


Change = tuple[str, Inputs]


def cell_changes(inputs: Inputs) -> list[Change]:
    """What somebody might do about the battery."""
    found = [
        ("wake half as often", replace(inputs, wake_s=2 * inputs.wake_s)),
        ("report half as often", replace(inputs, radio_share=0.5 * inputs.radio_share)),
        ("stay awake half as long", replace(inputs, awake_s=0.5 * inputs.awake_s)),
        ("halve the current asleep", replace(inputs, asleep_ma=0.5 * inputs.asleep_ma)),
        ("a pump of twice the flow", replace(inputs, flow_ml_s=2 * inputs.flow_ml_s)),
        (
            "a divider with ten times the resistance",
            replace(inputs, divider_ma=0.1 * inputs.divider_ma),
        ),
        ("a bare module instead of this board", replace(inputs, standing_ma=0.0)),
        ("a cell of twice the capacity", replace(inputs, cell_mah=2 * inputs.cell_mah)),
    ]
    if nominal(inputs.fades_day) > FADES_MUCH:
        keeps = replace(inputs, fades_day=inputs.fades_day / 4)
        found.append(("cells sold as keeping their charge, a quarter of that loss", keeps))
    full = replace(inputs, charge=1.0)
    if nominal(inputs.charge) < 0.9:
        found.append(("a full charge now", full))
    return found


def tank_changes(inputs: Inputs) -> list[Change]:
    """What somebody might do about the water."""
    more = inputs.full_ml
    found = [
        ("a tank of twice the size, full", replace(inputs, tank_ml=2 * more, full_ml=2 * more)),
        ("cover the soil", replace(inputs, surface_cm2=0.3 * inputs.surface_cm2)),
        ("cut the plant back by a third", replace(inputs, canopy_cm2=inputs.canopy_cm2 / 1.5)),
    ]
    if nominal(inputs.tank_ml) < 0.9 * more:
        found.append(("fill the tank now", replace(inputs, tank_ml=more)))
    return found


def gains(
    changes: list[Change], lasts: Callable[[Inputs], Lasting], now: Lasting
) -> list[tuple[str, float]]:
    """[(what, days gained)] of the changes that gain 1 % or more, the largest first."""
    before = nominal(now.days)
    found = [(what, nominal(lasts(inputs).days) - before) for what, inputs in changes]
    found = [row for row in found if row[1] > 0.0 and row[1] >= 0.01 * before]
    return sorted(found, key=lambda row: -row[1])


def tank_life(inputs: Inputs) -> Lasting:
    """How long the tank lasts."""
    return life(inputs.tank_ml, tank(inputs), inputs.start)


def cell_life(inputs: Inputs) -> Lasting:
    """How long the battery lasts."""
    return life(inputs.charge_mah, cell(inputs), inputs.start)
