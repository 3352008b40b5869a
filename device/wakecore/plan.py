"""How much water, and in which pulses.

A dose is planned from depletion, as in FAO Irrigation and Drainage Paper 56 (equations
82 and 83, there in mm, here in microlitres): the available water lies between wilting
and container capacity, a part of it may be used up, and the dose fills up to a chosen
part of the capacity. It is given in pulses with a soak between them. A soil reading during
the dose may end it early but never adds to it, because water takes time to reach the probe.
"""

from wakecore.fields import target_ppt
from wakecore.judge import response_ul_per_ppt
from wakecore.number import div_up, muldiv_down, muldiv_up
from wakecore.run import OVERRUN_MS, moved_ul

if False:
    from wakecore.fields import Pot, Values
    from wakecore.judge import Facts
    from wakecore.state import State

NONE, DEPLETION, SET, UPKEEP, MANUAL = 0, 1, 2, 3, 4
KINDS = ("none", "depletion", "set", "upkeep", "manual")
FOR_DRY_SOIL = (DEPLETION, SET)  # the kinds of dose that dry soil asks for
LEAST_PULSE_MS = 200  # a shorter pulse is not worth a start
LONGER_PPT = 1500  # longest pulse that a flow meter ends, in thousandths of the usual time


def water_ul(from_ppt: int, to_ppt: int, ul_per_ppt: int) -> int:
    """Water that raises the soil from one content to the other, 0 if it is there already."""
    return (to_ppt - from_ppt) * ul_per_ppt if to_ppt > from_ppt else 0


def is_target_reached(kind: int, soil_ppt: "int | None", pot: "Pot") -> bool:
    """Has a dose for dry soil reached its target, so that the rest need not be given?"""
    if kind not in FOR_DRY_SOIL or soil_ppt is None:
        return False
    return soil_ppt >= target_ppt(pot.settings, pot.calibration)


def bound_ul(state: "State", pot: "Pot") -> int:
    """The most water that may be given without an answer of the soil (R18): the largest dose, or
    what should raise the soil by three times the least answer, whichever is more."""
    answers_ul = 3 * pot.settings.response_ppt * response_ul_per_ppt(state, pot.calibration)
    return max(1000 * pot.counted_by.dose_ml, answers_ul)


def one_more_ul(state: "State", pot: "Pot") -> int:
    """What a press may ask for after silent doses (R18): the set dose. If the response is known, it
    is less: one pulse, or what should raise the soil by the least answer, whichever is more."""
    settings, ul = pot.settings, 1000 * pot.settings.dose_ml
    response = response_ul_per_ppt(state, pot.calibration)
    if response:
        ul = min(ul, max(1000 * settings.pulse_ml, settings.response_ppt * response))
    return min(max(ul, least_ul(pot)), bound_ul(state, pot))


def left_ul(state: "State", pot: "Pot") -> int:
    """What may still be given before the soil answers (R18)."""
    return max(0, bound_ul(state, pot) - state.unanswered_ul)


def least_ul(pot: "Pot") -> int:
    """The least water that is worth a start."""
    return moved_ul(LEAST_PULSE_MS, pot.calibration.flow_ul_s)


def demand(facts: "Facts", state: "State", pot: "Pot") -> "tuple[int, int]":
    """(kind, microlitres) of the dose this wake asks for, before any permissive."""
    settings, limits, cal = pot.settings, pot.limits, pot.calibration
    kind, ul = NONE, 0
    if facts.manual:
        kind, ul = MANUAL, settings.dose_ml * 1000
    elif not facts.due:
        pass
    elif cal.stage == 2 and facts.soil_ppt is not None:
        if facts.soil_dry:
            response = response_ul_per_ppt(state, cal)
            kind, ul = SET, settings.dose_ml * 1000
            if response:
                kind = DEPLETION
                ul = water_ul(facts.soil_ppt, target_ppt(settings, cal), response)
    elif settings.upkeep_ml and state.since_dose_s >= settings.upkeep_days * 86400:
        kind, ul = UPKEEP, settings.upkeep_ml * 1000
    return kind, min(ul, limits.dose_ml * 1000)


def pulse_ul(plan_ul: int, facts: "Facts", pot: "Pot") -> int:
    """Water of the next pulse: at most the pulse setting, what may still be given before the soil
    answers, and what the tank holds above its reserve (R4, R18)."""
    ul = min(plan_ul, pot.settings.pulse_ml * 1000, facts.unanswered_left_ul)
    if facts.level_ml is not None and not pot.calibration.float_only:
        ul = min(ul, (facts.level_ml - facts.reserve_ml) * 1000)
    return ul


def pulse_ms(plan_ul: int, facts: "Facts", pot: "Pot") -> int:
    """Length of the next pulse, 0 if none is worth a start.

    It is the time that the usual flow needs for the water. Where a flow meter ends the pulse, it
    may be longer, so that a slower flow brings the water too, if that much may be given without an
    answer (R18). The hard limit cuts it (R2), and so does what the rolling 24 hours still allow at
    the highest flow, overrun included (R3).
    """
    limits, cal = pot.limits, pot.calibration
    ul = pulse_ul(plan_ul, facts, pot)
    if facts.level_ml is None or not cal.flow_ul_s or ul <= 0:
        return 0
    if cal.flowmeter is not None:
        ul = min(muldiv_down(ul, LONGER_PPT, 1000), facts.unanswered_left_ul)
    ms = min(muldiv_up(ul, 1000, cal.flow_ul_s), limits.pulse_ms)
    ms = min(ms, muldiv_down(facts.day_left_ml, 1000000, limits.flow_max_ul_s) - OVERRUN_MS)
    return ms if ms >= LEAST_PULSE_MS else 0


def counted_ml(
    ran_ms: int, fall_ml: "int | None", pot: "Pot", metered_ul: "int | None" = None
) -> int:
    """What a run counts for in the 24 hours: the largest of what time, level and flow meter say,
    rounded up (R3)."""
    by_time_ml = div_up(moved_ul(ran_ms, pot.counted_by.flow_max_ul_s), 1000)
    by_time_ml = max(by_time_ml, div_up(metered_ul or 0, 1000))
    if fall_ml is None or fall_ml <= pot.calibration.tolerance_ml:
        return by_time_ml
    return max(by_time_ml, fall_ml)


def given_ul(
    ran_ms: int, fall_ml: "int | None", calibration: "Values", metered_ul: "int | None" = None
) -> int:
    """Best estimate of the water a run gave: by the flow meter, unless it shows less than a pump
    must bring in that time; by the level, if it fell enough to be seen; else by time."""
    by_time_ul = moved_ul(ran_ms, calibration.flow_ul_s)
    if metered_ul is not None and muldiv_up(metered_ul, LONGER_PPT, 1000) >= by_time_ul:
        return metered_ul
    if fall_ml is not None and fall_ml > 2 * calibration.tolerance_ml:
        return fall_ml * 1000
    return by_time_ul
