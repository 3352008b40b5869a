"""The tank: what its level says with the pump off, and whether the pump moves water.

A reading is right within the gauge's tolerance, so two readings may differ by twice that.
No single reading decides: one that is too high or too low is a doubt, and the next one, a
minute later, settles it (R8). Readings are compared with `look_ml`, the mean of up to four
readings since the last pulse, so that scatter does not add up (R4, R8).
"""

from wakecore import plan, rules, run
from wakecore.number import SMALL_MAX, add_capped, clamp, muldiv, muldiv_up
from wakecore.state import DAY_S, UNKNOWN, deliver

if False:
    from wakecore.fields import Pot
    from wakecore.judge import Facts
    from wakecore.state import State

MOST_DOUBTS = 3  # looks in a row that doubts may ask for; then a regular wake must come
MEAN_OF = 4  # readings in the level that later ones are compared with
WEEK_S = 7 * DAY_S
LOOKS_S = 1800  # the looks after a dose, those for doubts included, are over by then
TRIAL_DOSES = 10  # doses without a leak until a leak that a press ended is forgotten
ODD_COUNTS = 4  # how many good readings make up for one that was too high or too low
CAME_BACK = 100  # `trial_doses` of a leak that only the cable ends


def look(state: "State", facts: "Facts", pot: "Pot") -> None:
    """Compare the level with the earlier ones, with the pump off: a higher level is a refill, a
    lower one a leak, if a second reading agrees (R8).

    Only a wake that was due counts towards a leak, so that presses in a row do not make one.
    """
    level_ml, scatter_ml = facts.level_ml, 2 * pot.calibration.tolerance_ml
    if level_ml is None:
        return
    if pot.calibration.float_only:
        look_at_float(state, facts, pot, level_ml)
    elif state.look_ml < 0:
        compare_with(state, level_ml)
        if state.filled_ml < 0:
            begin_account(state, level_ml)
    elif level_ml > state.look_ml + scatter_ml:
        state.leak_looks = 0
        state.fill_looks = add_capped(state.fill_looks, 1, 100)
        if state.fill_looks >= 2:
            note_refill(state, level_ml)
            # Soil that waited for water is looked at as soon as the looks are over
            state.cycle_s = max(state.cycle_s, pot.settings.wake_s)
            # A second reading that is higher still is the first of two that may agree again
            state.fill_looks = 1 if 0 <= state.look_ml < level_ml - scatter_ml else 0
        state.odd_ml = level_ml
    elif level_ml < expected_ml(state, pot) - scatter_ml:
        state.fill_looks = 0
        if facts.due:
            state.leak_looks = add_capped(state.leak_looks, 1, 100)
        if state.leak_looks >= 2:
            note_leak(state, level_ml, pot)
        state.odd_ml = level_ml
    else:
        count_odd(state)
        state.leak_looks = state.fill_looks = 0
        average(state, level_ml)
        judge_proof(state, pot, state.look_ml, 3000 if state.look_n >= MEAN_OF else 0)


def count_odd(state: "State") -> None:
    """A good reading: if the one before it was too high or too low by itself, count that one. Good
    readings after good ones lower the count again (R8)."""
    if state.leak_looks or state.fill_looks:
        state.odd_levels = add_capped(state.odd_levels, ODD_COUNTS, 4 * ODD_COUNTS)
    else:
        state.odd_levels = max(0, state.odd_levels - 1)


def is_gauge_doubted(state: "State", facts: "Facts") -> bool:
    """Does the gauge seem to be wrong? Its readings were too high or too low again and again, or
    the level did not fall under the pump and the soil is silent too: gauge or pump is stuck."""
    already = facts.needs_before & rules.NEED_BITS["see to the level"]
    if state.odd_levels > (ODD_COUNTS if already else 3 * ODD_COUNTS):
        return True
    return state.dry_trips > 0 and state.lockouts & rules.SILENT_BIT != 0


def is_doubtful(state: "State") -> bool:
    """Is one more look needed before the level is believed?"""
    return (state.leak_looks == 1 or state.fill_looks == 1) and state.doubts < MOST_DOUBTS


def is_steady(state: "State", facts: "Facts") -> bool:
    """May the pump start at this level (R4, R8)? Not while a leak is in doubt, and not on one high
    reading if the tank was too empty before it."""
    return not state.leak_looks and (not state.fill_looks or state.look_ml >= facts.start_ml)


def look_at_float(state: "State", facts: "Facts", pot: "Pot", level_ml: int) -> None:
    """A float switch shows no amounts, only open or closed. If it closes after it was open at two
    looks, that is a refill.

    It seldom opens with the pump off, because little evaporates. If the soil got wetter at the same
    time without a dose, water went through the hose by itself, and that counts twice.
    """
    if level_ml < facts.reserve_ml:
        state.leak_looks = add_capped(state.leak_looks, 1, 100)
        if state.leak_looks == 2:
            times = 2 if is_wetter_undosed(state, facts, pot) else 1
            idle = not is_after_pulse(state, pot)
            state.idle_opens = add_capped(state.idle_opens, times, 100) if idle else 0
        return
    if state.filled_ml < 0 or state.leak_looks >= 2:
        begin_account(state, level_ml)
    state.leak_looks = 0


def is_after_pulse(state: "State", pot: "Pot") -> bool:
    """Is this a look after a pulse, and not a regular wake between two doses (R8)?"""
    return state.since_dose_s <= pot.settings.soak_s + LOOKS_S


def is_wetter_undosed(state: "State", facts: "Facts", pot: "Pot") -> bool:
    """Did the soil get wetter since the last regular wake, while no dose's answer is awaited?"""
    if facts.soil_ppt is None or state.soil_ppt < 0 or state.before_ppt >= 0:
        return False
    return facts.soil_ppt >= state.soil_ppt + pot.settings.response_ppt


def average(state: "State", level_ml: int) -> None:
    """Take this reading into the mean that later ones are compared with; anew after a week."""
    if state.look_s >= WEEK_S:
        compare_with(state, level_ml)
    elif state.look_n < MEAN_OF:
        state.look_n += 1
        state.look_ml += muldiv(level_ml - state.look_ml, 1, state.look_n)


def compare_with(state: "State", level_ml: int) -> None:
    """Compare later readings with this one: it begins the mean anew."""
    state.look_ml, state.look_s, state.look_n = level_ml, 0, 1
    state.leak_looks = state.fill_looks = 0


def begin_account(state: "State", level_ml: int) -> None:
    """Begin a new account at this tank content: what the pump takes from it, and for how long."""
    state.filled_ml, state.filled_s, state.pumped_ml = level_ml, 0, 0
    state.proof_ul = state.proof_pulses = 0


def expected_ml(state: "State", pot: "Pot") -> int:
    """The least that the tank should hold, evaporation taken off: by the last readings, or by the
    account since the refill, whichever is more. The account also shows a slow leak in the end."""
    a_day_ml = pot.settings.leak_ml_day
    by_looks_ml = state.look_ml - muldiv_up(state.look_s, a_day_ml, DAY_S)
    if state.filled_ml < 0:
        return by_looks_ml
    gone_ml = state.pumped_ml + muldiv_up(state.filled_s, a_day_ml, DAY_S)
    return max(by_looks_ml, state.filled_ml - gone_ml)


def note_refill(state: "State", level_ml: int) -> None:
    """Somebody filled the tank: a pump that ran dry may try again (R4). The two high readings agree
    on the lower of both."""
    rules.clear(state, rules.BITS["dry run"])
    state.dry_trips = 0
    agreed_ml = min(level_ml, state.odd_ml)
    compare_with(state, agreed_ml)
    begin_account(state, agreed_ml)


def note_leak(state: "State", level_ml: int, pot: "Pot") -> None:
    """Water left with the pump off (R8). The level that should be there is kept in `leak_ml`: a
    tank that was only carried away comes back to it (see `is_back`), one that leaks does not.

    If a press ended a leak and there is one again after a pulse, within TRIAL_DOSES, the hose
    siphons: only the cable ends that one. The two low readings agree on the higher of both."""
    rules.latch(state, "leak")
    if state.trial_doses and is_after_pulse(state, pot):
        state.trial_doses = CAME_BACK
    held_ml = max(state.look_ml, expected_ml(state, pot))
    deliver(state, held_ml - level_ml)  # all that a slow leak took, not only its last part
    state.leak_ml = max(state.leak_ml, held_ml)
    agreed_ml = max(level_ml, state.odd_ml)
    compare_with(state, agreed_ml)
    begin_account(state, agreed_ml)


def note_sound_dose(state: "State", pot: "Pot") -> None:
    """The looks after a dose found no leak: one dose less until an ended leak is forgotten."""
    if state.trial_doses and is_after_pulse(state, pot):
        state.trial_doses -= 1


def is_back(state: "State", pot: "Pot") -> bool:
    """Is the tank as full again as before the leak, and did three readings agree (R8)?"""
    if state.leak_ml < 0 or state.look_n < 3 or state.leak_looks or state.fill_looks:
        return False
    if state.trial_doses == CAME_BACK:
        return False
    return state.look_ml >= state.leak_ml - 2 * pot.calibration.tolerance_ml


def empties_by_itself(state: "State", facts: "Facts", pot: "Pot") -> bool:
    """Is the tank empty although the pump cannot have taken half of what it holds, or did it become
    empty at least twice with the pump off (R8)?

    Only for a float switch, which cannot see a leak. There `filled_ml` is what the tank holds while
    the switch is closed.
    """
    if not pot.calibration.float_only or facts.level_ml is None or state.leak_looks < 2:
        return False
    return 2 * state.pumped_ml < state.filled_ml or state.idle_opens >= 2


def held_ml(state: "State", pot: "Pot", level_ml: int, after_ml: "int | None") -> int:
    """What the tank held before a pulse. If the reading before it was too high, it counts only if
    the one after the pulse is too high as well (R8); otherwise the earlier mean counts."""
    if not state.fill_looks or is_refill(state, pot, after_ml):
        return level_ml
    return state.look_ml


def is_refill(state: "State", pot: "Pot", after_ml: "int | None") -> bool:
    """Is the reading after a pulse higher than anything but a refill explains?"""
    return after_ml is not None and after_ml > state.look_ml + 2 * pot.calibration.tolerance_ml


def book_pulse(
    state: "State",
    pot: "Pot",
    ran_ms: int,
    before_ml: int,
    after_ml: "int | None",
    metered_ul: "int | None" = None,
) -> "tuple[int, int | None]":
    """Count a pulse: (millilitres for the 24 hours, fall of the level or None if not known) (R3).

    Later looks compare with the level after the pulse, within two bounds. Not lower than a pump can
    have left it: what is gone beyond that went through a siphon, and the looks must see it as a
    fall (R8). Not higher than before the pulse: a reading far above that shows no fall, and the
    looks compare with what the pump usually leaves.
    """
    if after_ml is None or before_ml < 0 or pot.calibration.float_only:
        fall_ml, state.look_ml = None, UNKNOWN
    else:
        fall_ml = before_ml - after_ml
        if state.fill_looks and is_refill(state, pot, after_ml):
            note_refill(state, after_ml)  # high before the pulse, and after it
        elif state.fill_looks:
            end_proof(state)
        if is_refill(state, pot, after_ml):
            usual_ml = run.moved_ul(ran_ms, pot.calibration.flow_ul_s) // 1000
            fall_ml, after_ml = None, state.look_ml - usual_ml
        least_ml = max(0, state.look_ml - run.most_fall_ml(ran_ms, pot))
        compare_with(state, clamp(after_ml, least_ml, state.look_ml))
    ml = plan.counted_ml(ran_ms, fall_ml, pot, metered_ul)
    deliver(state, ml)
    state.pumped_ml = add_capped(state.pumped_ml, ml, 1000000)
    state.open_ms = state.since_dose_s = 0
    return ml, fall_ml


# Does the pump move water? If one pulse is too small to show it, several are judged together: a
# proof (R4)


def go_on_with_proof(
    state: "State", pot: "Pot", ran_ms: int, before_ml: int, after_ml: "int | None"
) -> "bool | None":
    """After a pulse: True if water was shown, False if it was not, None if it is too early.

    before_ml: what the tank held before it. A proof compares with that of its first pulse.
    """
    if not state.proof_pulses or 2 * evaporated_ml(state, pot) > state.proof_ul // 1000:
        end_proof(state)  # what may have evaporated meanwhile would hide what the pump did
        state.proof_ml, state.proof_s = before_ml, 0
    if pot.calibration.float_only or state.proof_ml < 0:
        return None
    commanded_ul = run.moved_ul(ran_ms, pot.calibration.flow_ul_s)
    state.proof_ul = add_capped(state.proof_ul, commanded_ul, SMALL_MAX)
    state.proof_pulses = add_capped(state.proof_pulses, 1, 100)
    return None if after_ml is None else judge_proof(state, pot, after_ml, 4000)


def judge_proof(state: "State", pot: "Pot", level_ml: int, share: int) -> "bool | None":
    """True, False or None as above. False counts as many dry runs as the proof had pulses.

    share: 4000 means that a quarter of the water commanded must have left the tank, 3000 a third,
    0 that it is not judged now. It is judged once that part is more than the gauge's tolerance, and
    not while half of the water commanded may have evaporated.
    """
    wanted_ml = state.proof_ul // share if share and state.proof_pulses else 0
    if wanted_ml <= pot.calibration.tolerance_ml:
        return None
    gone_ml = evaporated_ml(state, pot)
    if 2 * gone_ml > state.proof_ul // 1000:
        return None
    shown = state.proof_ml - level_ml - gone_ml >= wanted_ml
    pulses = state.proof_pulses
    end_proof(state)
    if shown:
        state.dry_trips = 0
    else:
        count_dry(state, pot, pulses)
    return shown


def evaporated_ml(state: "State", pot: "Pot") -> int:
    """Millilitres that may have evaporated since the first pulse of the proof."""
    return muldiv_up(state.proof_s, pot.settings.leak_ml_day, DAY_S)


def end_proof(state: "State") -> None:
    """Forget the pulses gathered so far: the next one begins a new proof."""
    state.proof_ul = state.proof_pulses = 0


def count_dry(state: "State", pot: "Pot", runs: int) -> None:
    """Count so many more dry runs. Too many in a row lock out (R4)."""
    state.dry_trips = add_capped(state.dry_trips, runs, 100)
    rules.latch_counts(state, pot.limits)
