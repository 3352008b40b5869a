"""What to buy: tank, cell, pump, hose, holes, switch and fuse for so many days away.

What belongs here: for each size the least that it must be, what the pot has, and why. What does
not: how long something lasts (course.py). Friction is worked out here in a few lines, so that
sizing needs no heavy library; a test holds it to the rig's hydraulics.

Heights are mm, flows ml/s. Rules marked so are common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import date

from wakewell import units
from wakewell.pot import agree, description
from wakewell.pot.agree import FULL_MV
from wakewell.rig.hydraulics import GRAVITY_MM_S2, LOSS_ENTRANCE, LOSS_EXIT, VISCOSITY_MM2_S
from wakewell.units import volts

from . import course
from .doubt import COVER, Doubt, nominal, standard
from .inputs import Inputs

BORES_MM = (3, 4, 5, 6, 8, 10, 12, 16, 20, 25)
FASTEST_MM_S = 1500.0  # water in a hose; common practice, no source
LOSS_BEND, BENDS = 1.1, 2  # a sharp right angle; two of them
JET_MM = 100.0  # head left at the drip holes, so that all give the same; own assumption
DISCHARGE = 0.61  # sharp-edged hole, fluid mechanics handbooks
HOLE_CM2 = 60.0  # of soil for each hole; common practice, no source
SHARE_OF_RUN = 0.85  # of the longest run that a pulse may take on a low battery; own assumption
HEAD_MARGIN = 1.25  # wear, lint in the intake; common practice, no source
STALLED = 3.0  # times the running current when blocked or starting; common practice, no source
SWITCH_MARGIN = 2.0  # common practice, no source
FUSE_PLACE = "between the battery's plus and the pump"
FUSE_SHARE = 0.75  # of its rating that a fuse may carry for long; common practice, no source
# Preferred fuse ratings, A: the R10 series that IEC 60127 uses (from memory, unconfirmed)
FUSES_A = tuple(
    round(base * scale, 3)
    for scale in (0.1, 1.0, 10.0)
    for base in (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)
)


@dataclass(frozen=True)
class Size:
    """One part: what it must be at least, what the pot has (None: not told), and why.

    margin: has / least - 1, None where not told. most: no more than that (a fuse, a hole).
    exact: it is that one, not at least so much. part: its name for a program.
    """

    part: str

    what: str
    unit: str
    least: float
    has: float | None
    why: str
    most: float | None = None
    exact: bool = False

    @property
    def margin(self) -> float | None:
        """How much more there is than needed, as a share."""
        return None if self.has is None else self.has / self.least - 1.0


def loss_mm(flow_ml_s: float, bore_mm: float, length_mm: float, open_end: bool = True) -> float:
    """Head lost in a smooth hose: Darcy-Weisbach, laminar or Blasius, entrance, bends, end."""
    speed = 1000.0 * flow_ml_s / (math.pi / 4.0 * bore_mm**2)
    if speed <= 0.0:
        return 0.0
    reynolds = speed * bore_mm / VISCOSITY_MM2_S
    factor = 64.0 / reynolds if reynolds < 2040.0 else 0.3164 * reynolds**-0.25
    losses = LOSS_ENTRANCE + BENDS * LOSS_BEND + (LOSS_EXIT if open_end else 0.0)
    losses += factor * length_mm / bore_mm
    return losses * speed * speed / (2.0 * GRAVITY_MM_S2)


def jet_ml_s(hole_mm: float, head_mm: float = JET_MM) -> float:
    """Flow of one sharp-edged hole under a head, v = Cd sqrt(2 g h)."""
    jet_mm_s = DISCHARGE * math.sqrt(2.0 * GRAVITY_MM_S2 * head_mm)
    return math.pi / 4.0 * hole_mm**2 * jet_mm_s / 1000.0


def pump_flow_ml_s(
    pump: description.PumpCurve,
    lift_mm: float,
    bore_mm: float,
    length_mm: float,
    at_mv: float,
    extra_mm: float,
) -> float:
    """What a pump delivers over a lift through a hose at a voltage; 0 if it cannot.

    Curve h = H (1 - (q / Q)^2); flow follows the speed and head its square (affinity laws), the
    speed the voltage. extra_mm: head kept for drip holes.
    """
    speed = at_mv / pump.rated_mv
    head, free = speed**2 * pump.lift_mm, speed * pump.free_ul_s / 1000.0
    low, high = 0.0, free
    for _ in range(60):
        flow = 0.5 * (low + high)
        spare = head * (1.0 - (flow / free) ** 2) - lift_mm - extra_mm
        if spare > loss_mm(flow, bore_mm, length_mm, open_end=extra_mm <= 0.0):
            low = flow
        else:
            high = flow
    return low if high < free or low > 0.0 else 0.0


def thirstiest(inputs: Inputs) -> int:
    """The month (0 to 11) in which the pot uses most."""
    return max(range(12), key=lambda month: inputs.et0_mm[month])


def _starting(inputs: Inputs, month: int) -> Inputs:
    return replace(inputs, start=date(inputs.start.year, month + 1, 1), charge=1.0)


def tank_ml(inputs: Inputs, days: int) -> float:
    """Tank that holds that many days, whenever they begin and without rain, and its reserve, with
    COVER."""
    worst, inputs = 0.0, replace(inputs, rain_cm2=0.0)
    for month in range(12):
        start = _starting(inputs, month).start
        used: Doubt = -1.0 * course.left(0.0, course.tank(inputs), start, days)
        worst = max(worst, nominal(used) + COVER * standard(used))
    return worst + inputs.reserve_ml


def cell_mah(inputs: Inputs, days: int) -> float:
    """Capacity that, full, lasts that many days whenever they begin, with COVER; inf: none can."""
    worst = 0.0
    drain = course.cell(inputs).drain  # the same for any cell, whenever it begins
    for month in range(12):
        begun = _starting(inputs, month)

        def spare(mah: float, begun: Inputs = begun) -> float:
            tried = replace(begun, cell_mah=mah)
            fall = replace(course.cell(tried), drain=drain)
            on_the_way = course.margins(tried.charge_mah, fall, tried.start, days)
            return min(nominal(margin) - COVER * standard(margin) for margin in on_the_way)

        low, high = 1.0, 1e6
        if spare(high) < 0.0:
            return math.inf
        if worst and spare(worst) >= 0.0:
            continue
        for _ in range(20):  # to a hundred-thousandth, in ratios
            middle = math.sqrt(low * high)
            low, high = (low, middle) if spare(middle) >= 0.0 else (middle, high)
        worst = max(worst, high)
    return worst


def sizes(folder: description.PotFolder, inputs: Inputs, days: int) -> list[Size]:
    """All parts for that many days away."""
    told = folder.about
    assert told is not None
    settings = folder.settings
    month = thirstiest(inputs)
    day = inputs.water_day_ml(month)
    day_ml = nominal(day) + COVER * standard(day)
    rows = [
        Size(
            "tank", "tank", "ml", tank_ml(inputs, days), inputs.full_ml,
            f"{days} days at the worst time, and the reserve of {inputs.reserve_ml:.0f} ml",
        ),
        Size(
            "day", "water a day (R3)", "ml", day_ml, _lasting_ml(folder, inputs),
            "the thirstiest month; what the hard limit day_ml lets through day after day",
        ),
    ]  # fmt: skip
    if told.battery and not inputs.mains:
        rows.append(
            Size(
                "cell", "cell", "mAh", cell_mah(inputs, days), inputs.cell_mah,
                "from full to the lockout (R5), at the worst time of the year",
            )
        )  # fmt: skip
    return rows + _line(folder, inputs, told) + _electric(told, inputs, settings)


def _lasting_ml(folder: description.PotFolder, inputs: Inputs) -> float:
    """What the day's hard limit lets through day after day, at the usual flow (R3)."""
    cal = dict(folder.calibration)
    cal["flow_ul_s"] = cal["flow_ul_s"] or int(1000 * nominal(inputs.flow_ml_s))
    limits = dict(folder.limits)
    limits["flow_max_ul_s"] = max(limits["flow_max_ul_s"], cal["flow_ul_s"])
    given = agree.given_ul(folder.settings, limits, cal)
    return float(sum(given) / 1000.0 / len(given) * 86_400.0 / folder.settings["wake_s"])


def _line(folder: description.PotFolder, inputs: Inputs, told: description.About) -> list[Size]:
    """Pump, hose and holes."""
    limits, settings, hose = folder.limits, folder.settings, told.hose
    crest_mm = float(told.tank.crest_mm)
    pulse_s = SHARE_OF_RUN * limits["pulse_ms"] / 1000.0
    flow = settings["pulse_ml"] / pulse_s
    length = float(told.line.length_mm)
    speed_bore = math.sqrt(4000.0 * flow / (math.pi * FASTEST_MM_S))
    bore = next((b for b in BORES_MM if b >= speed_bore), BORES_MM[-1])
    used_bore = float(hose.inner_mm) if hose else float(bore)
    drips = bool(hose and hose.holes)
    extra = JET_MM if drips else 0.0
    need_mm = crest_mm + loss_mm(flow, used_bore, length, not drips) + extra
    low_mv = float(max(settings["battery_mv"], limits["rest_mv"]))
    rated_mv, has_lift, has_flow = 3700.0, None, None
    if told.pump:
        rated_mv, has_lift = float(told.pump.rated_mv), float(told.pump.lift_mm)
        has_flow = pump_flow_ml_s(told.pump, crest_mm, used_bore, length, low_mv, extra)
    elif folder.calibration["flow_ul_s"]:
        has_flow = folder.calibration["flow_ul_s"] / 1000.0
    slow = min(1.0, low_mv / rated_mv) ** 2
    ground_cm2 = math.pi / 400.0 * told.planter.diameter_mm**2
    holes = max(2, min(24, round(ground_cm2 / HOLE_CM2)))
    hole_mm = math.sqrt(flow / (holes * jet_ml_s(1.0)))
    rows = [
        Size(
            "flow", f"pump, flow {crest_mm:.0f} mm up", "ml/s", flow, has_flow,
            f"a pulse of {settings['pulse_ml']} ml in {pulse_s:.1f} s, "
            f"{units.share(SHARE_OF_RUN)} of the longest run (R2), tank nearly empty, battery at "
            f"{units.volts(low_mv)}",
        ),
        Size(
            "lift", "pump, lift without flow", "mm", HEAD_MARGIN * need_mm / slow, has_lift,
            f"{crest_mm:.0f} mm up and {need_mm - crest_mm:.0f} mm lost on the way, weaker at a "
            f"low battery, and {units.share(HEAD_MARGIN - 1)} over",
        ),
        Size(
            "bore", "hose, bore", "mm", bore, float(hose.inner_mm) if hose else None,
            f"water no faster than {FASTEST_MM_S / 1000:.1f} m/s; "
            f"{loss_mm(flow, used_bore, length):.0f} mm lost over {length:.0f} mm",
        ),
    ]  # fmt: skip
    area_has = None
    if hose and hose.holes:
        area_has = math.pi / 4e6 * hose.holes * hose.hole_um**2
    return [
        *rows,
        Size(
            "holes", "drip holes, area in all", "mm²", math.pi / 4.0 * holes * hole_mm**2, area_has,
            f"{flow:.1f} ml/s under {JET_MM:.0f} mm of head, such as {holes} holes of "
            f"{hole_mm:.1f} mm, one for {HOLE_CM2:.0f} square centimetres of soil; an open end "
            "waters one spot",
        ),
    ]  # fmt: skip


def _electric(told: description.About, inputs: Inputs, settings: dict[str, int]) -> list[Size]:
    """Switch and fuse."""
    running = nominal(inputs.pump_ma) / 1000.0
    stalled, how = STALLED * running, f"{STALLED:.0f} times the running current, not measured"
    if told.pump and told.pump.stalled_ua:
        stalled, how = told.pump.stalled_ua / 1e6, "the pump's own blocked current"
    cells = told.battery.cells if told.battery else 1
    full_mv = (FULL_MV[told.battery.chemistry] if told.battery else 5000) * cells
    lasting = running / FUSE_SHARE
    fuse = next((amps for amps in FUSES_A if amps >= lasting), FUSES_A[-1])
    most = told.battery.most_ma / 1000.0 if told.battery and told.battery.most_ma else None
    cell = "below the cell maker's greatest discharge current"
    if most is not None:
        cell += f", {most:g} A" + ("" if fuse <= most else ": it is not, choose another cell")
    return [
        Size(
            "switch current", "switch, current", "A", SWITCH_MARGIN * stalled, None,
            f"{SWITCH_MARGIN:.0f} times {stalled:.2f} A ({how}); fully on at a gate of 3.3 V or "
            "less, with a diode across the pump for the same current",
        ),
        Size(
            "switch voltage", "switch, voltage", "V", SWITCH_MARGIN * (full_mv / 1000.0), None,
            f"{SWITCH_MARGIN:.0f} times a full battery, {volts(full_mv)}",
        ),
        Size(
            "fuse", "fuse, time-lag", "A", fuse, None,
            f"next preferred rating above {running:.2f} A / {FUSE_SHARE:g}, the pump's running "
            f"current; {FUSE_PLACE}, as near to the battery as can be; no more than the thinnest "
            f"wire behind it may carry, and {cell}",
            most, True,
        ),
    ]  # fmt: skip
