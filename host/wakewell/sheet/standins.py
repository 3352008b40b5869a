"""What may stand in for a part, and what that changes in the pot's budget.

What belongs here: each stand-in as changed inputs of the budget. What does not: the budget itself.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from wakewell.budget import course, sizing, sun
from wakewell.budget.doubt import about as doubt_about
from wakewell.budget.doubt import doubtful, nominal
from wakewell.budget.inputs import FADES_PPT, STANDING_MA, Inputs
from wakewell.draft import choices
from wakewell.pot import description
from wakewell.pot.prices import Price
from wakewell.rig.battery import CHEMISTRIES
from wakewell.sheet.parts import Bought

OLD_REGULATOR_MA = 5.0  # a plain linear regulator for itself; common practice, no source


@dataclass(frozen=True)
class StandIn:
    """For which part, what instead, and days of tank and battery with it; None: no battery.

    key: its word in prices.toml; flow_ml_s: of the pump with it, least_ml_s: what it must be; None:
    as before; amount: how many are bought, None: as many; costs: more than the part as planned, by
    prices.toml, None: not priced.
    """

    part: str
    key: str
    instead: str
    tank_days: int
    cell_days: int | None
    flow_ml_s: float | None = None
    least_ml_s: float | None = None
    mind: str = ""
    amount: int | None = None
    costs: float | None = None


def lasts(found: Inputs) -> tuple[int, int | None]:
    """Days of tank and battery."""
    cell = course.cell_life(found).told_days()[0] if found.cell_mah else None
    return course.tank_life(found).told_days()[0], cell


def stand_ins(
    pot: description.PotFolder,
    found: Inputs,
    sizes: dict[str, sizing.Size],
    bought: Sequence[Bought],
    known: Mapping[str, Price],
) -> list[StandIn]:
    """All that can be worked out. bought: the parts as planned; known: what is priced."""
    assert pot.about is not None
    rows = [*_line(pot, found, sizes), *_electric(found), *_battery(pot, found), *_water(found)]
    level = pot.parts.get("level")
    if level is not None:
        days = lasts(found)
        rows += [
            StandIn("level", kind, kind, *days, mind=text)
            for kind, text in choices.LEVELS.items()
            if kind != level.kind
        ]
    planned = {row.key: row for row in bought}
    if level is not None and level.kind in planned:
        planned["level"] = planned[level.kind]
    return [replace(row, costs=_costs(row, planned.get(row.part), known)) for row in rows]


def _costs(row: StandIn, planned: Bought | None, known: Mapping[str, Price]) -> float | None:
    """How much more it costs than the part as planned."""
    if planned is None or planned.price is None or planned.cost is None:
        return None
    price = planned.price.instead.get(row.key)
    if row.part == "level":
        price = known[row.key].price if row.key in known else None
    amount = planned.amount if row.amount is None else row.amount
    return None if price is None else amount * price - planned.cost


def _flow(
    pot: description.PotFolder, pump: description.PumpCurve, bore_mm: float, usual: bool = False
) -> float:
    """From a tank nearly empty at the lockout's voltage; usual: half full, at a usual voltage."""
    assert pot.about is not None
    hose, tank = pot.about.line, pot.about.tank
    mv = max(pot.settings["battery_mv"], pot.limits["rest_mv"])
    extra = sizing.JET_MM if hose.holes else 0.0
    lift = float(tank.crest_mm)
    if usual:
        mv, lift = round(1.1 * mv), tank.crest_mm - tank.height_mm / 2
    return sizing.pump_flow_ml_s(pump, lift, bore_mm, hose.length_mm, mv, extra)


def _line(
    pot: description.PotFolder, found: Inputs, sizes: dict[str, sizing.Size]
) -> Iterator[StandIn]:
    """Pump and hose."""
    assert pot.about is not None
    hose, least = pot.about.line, sizes["flow"].least
    pump = pot.about.pump
    for word, kind in choices.PUMPS.items():
        if kind.pump == pump:
            continue
        flow = _flow(pot, kind.pump, hose.inner_mm)
        run = replace(
            found,
            flow_ml_s=doubt_about(
                max(_flow(pot, kind.pump, hose.inner_mm, True), 0.1), 0.4, "flow of the pump"
            ),
            pump_ma=doubt_about(kind.running_ua / 1000, 0.25, "current of the pump"),
        )
        lift, free = kind.pump.lift_mm, kind.pump.free_ul_s / 1000
        instead = f"a {word} one: {lift} mm of lift, {free:g} ml/s free, commonly sold"
        mind = "" if flow >= least else "too weak here"
        yield StandIn("pump", word, instead, *lasts(run), flow, least, mind)
    if pump is None or pot.about.hose is None:
        return
    for bore in sizing.BORES_MM:
        if bore == hose.inner_mm or abs(bore - hose.inner_mm) > 2:
            continue
        key, flow = f"bore_{bore}_mm", _flow(pot, pump, bore)
        fill = 0.0 if hose.valve == "check" else found.fill_ml * (bore / hose.inner_mm) ** 2
        if fill > 0.8 * found.pulse_ml:
            yield StandIn("hose", key, f"{bore} mm bore", *lasts(found), flow, least,
                          "holds a whole pulse: nothing would arrive")  # fmt: skip
            continue
        more = _flow(pot, pump, bore, True) / max(0.1, _flow(pot, pump, hose.inner_mm, True))
        run = replace(found, fill_ml=fill, flow_ml_s=max(more, 0.01) * found.flow_ml_s)
        mind = "" if flow >= least else "lets too little through"
        yield StandIn("hose", key, f"{bore} mm bore", *lasts(run), flow, least, mind)


def _electric(found: Inputs) -> Iterator[StandIn]:
    """Cell, board, regulator."""
    if not found.cell_mah:
        return
    for factor, word in ((0.5, "half"), (2.0, "twice")):
        mah = found.cell_mah * factor
        run = replace(found, cell_mah=mah)
        yield StandIn("cell", word, f"{mah:.0f} mAh, {word} as much", *lasts(run))
    if nominal(found.standing_ma):
        run = replace(found, standing_ma=0.0)
        yield StandIn("chip", "bare", "a bare module with a regulator of its own", *lasts(run))
    else:
        run = replace(found, standing_ma=doubt_about(STANDING_MA, 0.4, "development board"))
        text = f"a development board, {STANDING_MA:g} mA beside its chip"
        yield StandIn("chip", "development", text, *lasts(run), mind="common practice, no source")
        run = replace(found, regulator_ma=doubt_about(OLD_REGULATOR_MA, 0.4, "regulator"))
        text = f"a plain linear one, {OLD_REGULATOR_MA:g} mA for itself"
        yield StandIn("regulator", "linear", text, *lasts(run), mind="common practice, no source")


def _battery(pot: description.PotFolder, found: Inputs) -> Iterator[StandIn]:
    """Another kind of cell, and another panel."""
    assert pot.about is not None
    cell, panel = pot.about.battery, pot.about.panel
    if cell is None:
        return
    for word, kind in choices.CELLS.items():
        if word == cell.chemistry:
            continue
        run = replace(
            found,
            empty=doubtful(choices.FLOOR, 0.05, "charge at the lockout voltage"),
            usable_c=CHEMISTRIES[word].usable,
            fades_day=doubt_about(FADES_PPT[word] / 30_000.0, 0.4, "self-discharge"),
        )
        each = f"{kind.cells} in series" if kind.cells > 1 else "one"
        mind = f"its own charger, and the voltages that wakewell new --cell={word} writes"
        text = f"{word}, {each}, {cell.capacity_mah} mAh"
        yield StandIn("cell", word, text, *lasts(run), mind=mind, amount=kind.cells)
    if panel is None or panel.peak_mw is None or not sun.charges(pot.about):
        return
    least = sun.least_mw(pot.about, found)
    for factor, word in ((0.5, "half"), (2.0, "twice")):
        mw = panel.peak_mw * factor
        enough = "enough by the budget" if mw >= least else "not enough for never charging by hand"
        yield StandIn("panel", word, f"{mw:.0f} mW, {word} as much", *lasts(found), mind=enough)


def _water(found: Inputs) -> Iterator[StandIn]:
    """The tank."""
    for factor, word in ((0.5, "half"), (2.0, "twice")):
        full = math.floor(found.full_ml * factor)
        if full <= 2 * found.reserve_ml:
            continue
        run = replace(found, full_ml=full, tank_ml=doubt_about(float(full), 0.02, "content"))
        mind = "a larger tank also spills more" if factor > 1 else ""
        yield StandIn("tank", word, f"{full} ml, {word} as much, full", *lasts(run), mind=mind)
