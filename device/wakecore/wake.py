"""One wake, from first to last: wake, read, decide, pump, sleep.

`wake()` yields one command at a time and is sent its result (see `command`). It is the whole
story; the functions below it are its steps, in the order in which they happen.

There is at most one pulse in a wake. The soak between pulses and the looks for a leak are
short sleeps, so that what is under way is always in storage (R8, R9). The board only carries
commands out and decides nothing. A report comes last, when everything else is stored (R13).
The board sends it in a boot of its own, and the next wake learns what came of it (`begin`).
"""

from wakecore import fields, judge, plan, rules, run, tank
from wakecore.command import CLOSE, OFF, READ, REST, Log, Pump, Report, Sleep, Store
from wakecore.judge import MOST_PPT
from wakecore.number import SMALL_MAX, add_capped, clamp, muldiv_up
from wakecore.run import DRY_RUNS, FLOAT_DRY_RUNS, LATCHES
from wakecore.state import (
    DAY_S,
    FIRST_LOOK,
    IDLE,
    LONG_S,
    PHASES,
    SECOND_LOOK,
    SOAK,
    UNKNOWN,
    deliver,
    delivered_ml,
    end_dose,
    pass_time,
)

if __debug__:
    from wakecore.asserted import fault

if False:
    from wakecore.fields import Pot, Values
    from wakecore.judge import Facts
    from wakecore.state import State
    from wakecore.typed import Begin, Reading, Readings, Record, Wake, Watch, Water

# Of a figure that a requirement leaves open, the size is our choice: common practice, no source
FIRST_LOOK_S, SECOND_LOOK_S = 60, 540  # 1 and 10 minutes after the last pulse (R8)
MOST_PRESSES = 20  # button wakes in a day that mean a stuck or chattering button (R12)
ANSWERED_PRESSES = 3  # presses in a day that are answered by radio (R17)
LOW_WAKES = 2  # wakes in a row with a low rest voltage until it is believed (R5)
LEAST_SLEEP_S = 60
# Longest sleep of a pot with a panel and a low cell, in seconds: its lockout ends by night readings
# (R5). Steps of ten hours come to a different time of day each time, so that one of them falls into
# a night of six hours within two days, whenever the first wake was
NIGHT_S = 36000
CREEP_PPT, CREEP_DAYS = 30, 10  # soil does not rise so much by itself in so long: a drift (R16)
MOST_TRIES = 2  # doses by a press on silent soil since it last answered one (R18)
# A press held for the first asks for something; held for the second, the button is stuck (R12)
LONG_PRESS_MS, STUCK_MS = 2000, 15000

# The members of a wake's record, in the order they are written. FIELDLOG.md explains each.
RECORD = (
    ("kind", "n", "core", "settings", "limits", "calibration", "begin", "rest", "read", "run")
    + ("after", "stores", "awake_ms", "values", "told", "judged", "permissives", "plan", "trips")
    + ("lockouts", "needs", "water", "charge_uah", "commands", "before", "state")
)


def wake(state: "State", pot: "Pot", begin: "Begin") -> "Wake":
    """One wake of this pot, which changes `state` on the way.

    begin: what the board knows before any reading, as FIELDLOG.md lists it.
    """
    # Wake: what the state was, and the time that passed
    wake_number, crc_before, lockouts_before = state.wakes, state.crc, state.lockouts
    yield OFF
    elapsed_s = credited_s(state, begin)
    pass_time(state, elapsed_s, pot.counted_by.clock_ppt)
    look_at_files(state, pot, begin)

    # Read: the battery first, before any load
    rest = yield REST
    read = yield READ
    facts = judge.Facts(state, pot, begin, rest, read, lockouts_before)

    # Decide: first what happened since the last wake, then whether this one gives water
    book_events(state, facts, pot, begin, read.get("soil"), elapsed_s)
    kind, dose_ul = dose_wanted(state, facts, pot)
    facts.dose_kind = plan.KINDS[kind]
    permissives, allowed = rules.judge_permissives(facts)
    pulse_ms = plan.pulse_ms(dose_ul, facts, pot) if allowed and dose_ul else 0
    look_at_thirst(state, facts, pot, facts.regular, pulse_ms, elapsed_s)

    # Pump: that a pulse has begun is stored before the pump starts (R9)
    stores: list[int] = []
    trips: list[str] = []
    water: "Water" = {}
    pulse = None
    if pulse_ms:
        if state.phase == IDLE:
            begin_dose(state, facts, pot, kind, dose_ul)
        state.open_ms, state.sleep_s = pulse_ms, 0  # after a reset from here on no time is credited
        stored = yield Store(stamp(state))
        stores.append(1 if stored else 0)
        if stored:
            assert facts.level_ml is not None
            more: "tuple[Watch, ...]" = ()
            if pot.calibration.flowmeter is not None:
                from wakecore import flowmeter

                wanted_ul = plan.pulse_ul(dose_ul, facts, pot)
                more = flowmeter.rows(wanted_ul, facts.day_left_ml, pot)
            pulse = run.prepare(pulse_ms, facts.level_ml, facts.day_left_ml, pot, more)
            yield Pump(pulse)
            after = yield READ
            trips = [pulse.trip] if pulse.trip else []
            water = end_pulse(state, facts, pot, pulse, after, trips)
        else:
            state.open_ms, state.before_ppt = 0, UNKNOWN
            end_dose(state)
    elif facts.due:
        next_phase(state, facts, pot)

    # Sleep: all parts off, the state stored, the record written
    awake_ms = yield CLOSE
    state.sleep_s = sleep_s = sleep_time(state, facts, pot.settings, elapsed_s)
    assert 0 < sleep_s <= LONG_S
    state.wakes = add_capped(state.wakes, 1, SMALL_MAX)
    look_at_needs(state, facts, pot, 0 in stores)
    # A start without a timer or a press is no reason to report, not even many in a row (R17)
    counts = facts.regular and begin["cause"] == "timer"
    report = is_to_report(state, facts, pot, counts, begin["cause"] == "button")
    note_report(state, facts, pot, counts, report)
    stored = yield Store(stamp(state))
    stores.append(1 if stored else 0)
    if not stored:
        look_at_needs(state, facts, pot, True)
    water["day_ml"] = delivered_ml(state)
    record: "Record" = {
        "kind": "wake",
        "n": wake_number,
        "core": pot.core,
        "settings": pot.settings.id,
        "limits": pot.limits.id,
        "calibration": pot.calibration.id,
        "begin": begin,
        "rest": rest,
        "read": read,
        "stores": stores,
        "awake_ms": awake_ms,
        "values": facts.values(),
        "judged": facts.judged,
        "permissives": permissives,
        "plan": {
            "phase": PHASES[facts.phase_before],
            "kind": facts.dose_kind,
            "dose_ul": dose_ul,
            "pulse_ms": pulse_ms,
        },
        "trips": trips,
        "lockouts": rules.latched(state),
        "needs": rules.need_names(facts.needs),
        "water": water,
        "charge_uah": charge_uah(
            pot.calibration, awake_ms, pulse, elapsed_s, begin.get("radio_ms", 0)
        ),
        "commands": commands_of(state, pulse_ms, pulse, report),
        "before": crc_before,
        "state": state.crc,
    }
    if facts.record_only:
        record["told"] = facts.record_only
    if pulse is not None:
        record["run"], record["after"] = pulse.record(), after
        pulse = None  # the line needs the memory of its samples
    yield Log(record)
    if report:
        yield Report(wake_number)
    yield Sleep(sleep_s, 0 if state.button_masked else 1)


def commands_of(state: "State", pulse_ms: int, pulse: "run.Run | None", report: bool) -> list[str]:
    """The commands of this wake, as its record names them."""
    names = ["off", "rest", "read"]
    if pulse_ms:
        names.append("store")
    if pulse is not None:
        names += ["run %d" % pulse_ms, "read"]
    names += ["close", "store"]
    if report:
        names.append("report")
    names.append(
        "sleep %d" % state.sleep_s if state.button_masked else "sleep %d button" % state.sleep_s
    )
    return names


def stamp(state: "State") -> bytes:
    """The state's bytes to store, with the next write number (`seq`)."""
    state.seq = add_capped(state.seq, 1, SMALL_MAX)
    data = state.to_bytes()
    assert not fault(state, data), fault(state, data)
    return data


# Decide: first what happened since the last wake, in the order in which `book_events` asks


def book_events(
    state: "State",
    facts: "Facts",
    pot: "Pot",
    begin: "Begin",
    soil: "Reading | None",
    elapsed_s: int,
) -> None:
    """Book what happened, by the readings and the board, and add to the facts what follows."""
    if state.phase == SOAK and not facts.soaking:
        finish_dose(state, pot)
    look_at_open_pulse(state, facts, pot)
    if facts.regular:
        state.cycle_s = 0
    look_at_button(state, facts, pot, begin)
    if facts.flowing:
        from wakecore import flowmeter

        flowmeter.look(state, facts, pot)
    else:
        tank.look(state, facts, pot)
    facts.level_steady = tank.is_steady(state, facts)
    if facts.regular and not facts.level_steady and tank.is_doubtful(state):
        facts.regular, state.cycle_s = False, pot.settings.wake_s  # the regular wake comes later
    elif facts.regular:
        state.doubts = 0
    look_at_saucer(state, facts)
    look_at_battery(state, facts, pot, facts.regular and elapsed_s > 0)
    look_at_soil(state, facts, pot, soil, facts.regular, elapsed_s)
    rules.latch_counts(state, pot.limits)
    look_at_radio(state, begin, pot.settings)
    if state.phase == SOAK and plan.is_target_reached(state.plan_kind, facts.soil_ppt, pot):
        state.plan_ul = 0
    facts.take_from_state(state, pot.limits)
    facts.unanswered_left_ul = plan.left_ul(state, pot)


def dose_wanted(state: "State", facts: "Facts", pot: "Pot") -> "tuple[int, int]":
    """(kind, microlitres) of the dose under way, or of the one that this wake wants."""
    if state.phase == SOAK:
        return state.plan_kind, state.plan_ul if facts.due else 0
    return plan.demand(facts, state, pot) if state.phase == IDLE else (plan.NONE, 0)


def credited_s(state: "State", begin: "Begin") -> int:
    """Seconds that surely passed since the last wake (R10): at most the sleep commanded.

    A press comes before the sleep is over. If the clock says more than that, it has jumped.
    """
    slept_s = begin["slept_s"]
    if not begin["vouched"] or (begin["cause"] == "button" and slept_s > state.sleep_s):
        return 0
    return clamp(slept_s, 0, state.sleep_s)


def look_at_files(state: "State", pot: "Pot", begin: "Begin") -> None:
    """Book what the board found in storage, and what a person with the cable did (R11)."""
    if begin["state"] == "lost":
        rules.latch(state, "state lost")
        deliver(state, pot.counted_by.day_ml)  # as if all the water of a day had just been given
        state.since_dose_s = 0
        # And as if the soil had not answered it (R18)
        state.unanswered_ul = plan.bound_ul(state, pot) - plan.one_more_ul(state, pot)
    elif begin["state"] == "previous" and not state.open_ms:
        state.open_ms = pot.counted_by.pulse_ms  # the damaged slot may have held a begun pulse
    mark = int(pot.calibration.id[:7] or "0", 16)
    if mark != state.calibration_mark:
        state.calibration_mark = mark  # quantities by the old calibration are forgotten
        state.look_ml = state.filled_ml = state.leak_ml = UNKNOWN
        state.soil_ppt = state.before_ppt = state.creep_ppt = state.cold_ppt = UNKNOWN
        state.leak_looks = state.fill_looks = state.odd_levels = 0
        tank.end_proof(state)
    for action in begin["host"]:
        rules.clear(state, rules.BITS.get(action[6:], 0))  # "clear leak"
    if not judge.are_files_good(begin):
        rules.latch(state, "files damaged")


def look_at_open_pulse(state: "State", facts: "Facts", pot: "Pot") -> None:
    """A pulse begun and not ended counts in full (R9)."""
    if not state.open_ms:
        return
    tank.end_proof(state)
    ran_ms = state.open_ms + run.OVERRUN_MS
    ml, _ = tank.book_pulse(state, pot, ran_ms, state.look_ml, facts.level_ml)
    state.unanswered_ul = add_capped(state.unanswered_ul, 1000 * ml, SMALL_MAX)
    state.interrupts = add_capped(state.interrupts, 1, 100)
    end_dose(state)


def look_at_button(state: "State", facts: "Facts", pot: "Pot", begin: "Begin") -> None:
    """What a press does (R12). Held for LONG_PRESS_MS it ends the owner's lockouts; if there are
    none and nothing is under way, it asks for one dose (`manual`, see `plan.demand`). A button that
    is held for STUCK_MS, or pressed MOST_PRESSES times in a day, is masked until it is free."""
    pressed_ms = begin["button_ms"]
    if state.presses_s >= DAY_S:
        state.presses = 0
    if begin["cause"] == "button":
        if not state.presses:
            state.presses_s = 0
        state.presses = add_capped(state.presses, 1, 100)
    if pressed_ms >= STUCK_MS or state.presses >= MOST_PRESSES:
        state.button_masked = 1
    elif pressed_ms == 0:
        state.button_masked = 0
    elif pressed_ms >= LONG_PRESS_MS and not state.button_masked:
        facts.pressed_long = True
        if state.lockouts & rules.BUTTON_BITS or tank.is_back(state, pot):
            clear_by_press(state, facts, pot)
        elif state.phase == IDLE and not state.lockouts:
            facts.manual = True


def clear_by_press(state: "State", facts: "Facts", pot: "Pot") -> None:
    """End the lockouts that the owner may end (R12).

    After silent doses this allows one more dose, a small one. If that is silent too, a press helps
    once more after the soil was seen to get wetter by hand, or the probe came back. After
    MOST_TRIES the maker is asked (R18).
    """
    bits = rules.BUTTON_BITS
    if tank.is_back(state, pot):
        bits |= rules.BITS["leak"]
    if is_press_spent(state):
        bits &= ~rules.SILENT_BIT
    silent, tries = state.lockouts & bits & rules.SILENT_BIT, state.tries
    leaked = state.lockouts & bits & rules.BITS["leak"]
    rules.clear(state, bits)
    if leaked:
        state.trial_doses = tank.TRIAL_DOSES
    if silent:
        state.tries = add_capped(tries, 1, 100)
        if state.tries < MOST_TRIES:
            state.tried_ppt = MOST_PPT if facts.soil_ppt is None else facts.soil_ppt
        state.silent_doses = pot.limits.response_doses - 1
        state.unanswered_ul = plan.bound_ul(state, pot) - plan.one_more_ul(state, pot)


def is_press_spent(state: "State") -> bool:
    """Is the soil silent, and can a press not end that lockout (R18)?"""
    tried = state.tried_ppt >= 0 or state.tries >= MOST_TRIES
    return tried and state.lockouts & rules.SILENT_BIT != 0


def look_at_saucer(state: "State", facts: "Facts") -> None:
    """Wet between pulses or soon after them: more was given than the pot holds (R15)."""
    if facts.saucer == "wet" and state.phase != IDLE:
        rules.latch(state, "saucer wet")


def look_at_battery(state: "State", facts: "Facts", pot: "Pot", rested: bool) -> None:
    """Latch the low-battery lockout, and end it (R5).

    One low reading stops this wake's pump and radio. If the next wake reads low too, the lockout
    latches. It ends at regular wakes after a sleep, by readings that no charger raises: the charge
    sense says that it is off, or the pot stays on mains. A full cell ends it at once, one just
    above the clearing voltage after the set number of readings. A long press ends it too, if the
    voltage is above the clearing voltage. While a panel charges, nobody is asked to unplug it.
    """
    settings, mv = pot.settings, facts.battery_mv
    if mv is None:
        return
    state.rest_mv = mv
    state.low_wakes = add_capped(state.low_wakes, 1, 100) if mv < facts.battery_floor_mv else 0
    if state.low_wakes >= LOW_WAKES and not state.lockouts & rules.BITS["battery low"]:
        rules.latch(state, "battery low")
        # That the pot stops is news, though a charge was asked for before (R17)
        state.told &= ~rules.NEED_BITS["charge the battery"]
    if mv < settings.battery_clear_mv:
        state.clear_wakes = 0
        return
    if not state.lockouts & rules.BITS["battery low"]:
        return
    unsensed = facts.charger in (judge.UNFITTED, "lost") and not settings.mains
    if rested and (facts.charger == "off" or settings.mains):
        full_mv = 2 * settings.battery_clear_mv - facts.battery_floor_mv
        full = settings.battery_clear_wakes if mv >= full_mv else 1
        state.clear_wakes = add_capped(state.clear_wakes, full, 100)
    pressed = facts.pressed_long and (facts.charger != "on" or settings.mains == 1)
    if pressed or state.clear_wakes >= settings.battery_clear_wakes:
        rules.clear(state, rules.BITS["battery low"])
        facts.due = facts.due or (pressed and state.phase == IDLE)  # this press may water at once
    else:
        facts.confirm_charge = unsensed
        facts.unplug_charger = facts.charger == "on" and not settings.mains and not facts.sunlit


def look_at_soil(
    state: "State",
    facts: "Facts",
    pot: "Pot",
    reading: "Reading | None",
    regular: bool,
    elapsed_s: int,
) -> None:
    """Follow the last dose's answer, then remember this reading for the next wake (R6, R7).

    If the board vouches for no time since the last wake, the same counts are not counted as a
    repeat. An unchanged reading starts no dose there either.
    """
    if facts.soil_ppt is not None and state.tried_ppt >= 0:
        rise = facts.soil_ppt - state.tried_ppt
        if state.tried_ppt == MOST_PPT or rise >= pot.settings.response_ppt:
            state.tried_ppt = UNKNOWN  # the probe is back, or saw water: a press may try again
        elif rise < 0:
            state.tried_ppt = facts.soil_ppt
    if facts.soil_ppt is not None and state.before_ppt >= 0:
        exhausted = plan.left_ul(state, pot) < plan.least_ul(pot)
        soon = facts.phase_before != IDLE
        judge.follow_answer(state, facts.soil_ppt, pot.calibration, pot.settings, soon)
        if regular and state.since_dose_s >= pot.settings.settle_s:
            judge.learn(state, pot.calibration, pot.settings, exhausted)
    elif regular and facts.soil_ignored:
        state.asked = 0  # cold soil is not read: a missing answer says nothing
    facts.soil_unchanged = regular and judge.is_unchanged(state, reading)
    if regular and (elapsed_s or state.soil_ppt < 0):
        if facts.soil_ppt is not None:
            follow_creep(state, facts.soil_ppt, pot.settings.response_ppt)
        follow_cold(state, facts, pot, reading, elapsed_s)
        judge.remember_soil(state, reading, facts.judged["soil"], facts.soil_ppt)
    if regular and state.before_ppt < 0 and plan.left_ul(state, pot) < plan.least_ul(pot):
        rules.latch(state, "no response")  # no answer is awaited, no water is left


def follow_creep(state: "State", soil_ppt: int, step_ppt: int) -> None:
    """Follow soil that gets wetter by itself, little by little: a probe that drifts (R16). Water
    raises it in a step, and without water it dries. Either begins the count anew."""
    step = soil_ppt - state.soil_ppt
    watered = state.since_dose_s < 3 * DAY_S or step >= step_ppt
    if state.creep_ppt < 0 or watered or soil_ppt < state.creep_ppt or step < -(step_ppt // 3):
        state.creep_ppt, state.creep_s = soil_ppt, 0


def follow_cold(
    state: "State", facts: "Facts", pot: "Pot", reading: "Reading | None", elapsed_s: int
) -> None:
    """Follow what the probe reads in soil that is said to be cold (R16). If it freezes, it reads
    dry within a day or two: common practice, no source. If it dries as a plant drinks, at most half
    as fast as `fall_ppt_day`, it is not frozen, or not cold at all: the thermometer may be wrong.
    """
    if facts.soil_ppt is not None:
        state.cold_ppt = facts.soil_ppt
    elif facts.soil_ignored and (state.cold_ppt >= 0 or state.soil_ppt < 0):
        ppt = judge.value(pot.calibration.soil, reading, judge.GOOD)
        assert ppt is not None
        most_ppt = muldiv_up(pot.settings.fall_ppt_day, max(elapsed_s, pot.settings.wake_s), DAY_S)
        state.cold_ppt = ppt if state.cold_ppt - ppt <= most_ppt // 2 else UNKNOWN


def is_probe_doubted(state: "State") -> bool:
    """Does the soil probe seem to be wrong? It creeps up by itself, or the account of water without
    an answer is full although no dose was silent."""
    if state.lockouts & rules.SILENT_BIT and not (state.silent_doses or state.dry_trips):
        return True
    crept = state.creep_ppt >= 0 and state.soil_ppt >= state.creep_ppt + CREEP_PPT
    return crept and state.creep_s >= CREEP_DAYS * DAY_S


def look_at_thirst(
    state: "State", facts: "Facts", pot: "Pot", regular: bool, pulse_ms: int, elapsed_s: int
) -> None:
    """Count the regular wakes in a row that found the plant in want of water (R16). At THIRSTY of
    them `rules.need_bits` asks for water by hand.

    A wake counts if the soil is dry or not believed, and no dose may still arrive there. Soil above
    the refill point ends the count at a regular wake, and at a look after a dose that was given in
    full to a plant that was not wilting. Cold soil counts only if it dried there (`follow_cold`)
    half way from the refill point to wilting, because plants hardly drink from it. If the board
    vouches for no time, no dose ever settles, so it is not waited for.
    """
    soil_ppt, dry, wilting_ppt = facts.soil_ppt, facts.soil_dry, pot.calibration.wilting_ppt
    wants = not facts.soil_cold
    if regular and facts.soil_ignored and state.cold_ppt >= 0:
        refill_ppt = fields.refill_ppt(pot.settings, pot.calibration)
        soil_ppt, dry = state.cold_ppt, state.cold_ppt <= refill_ppt
        wants = 2 * soil_ppt <= refill_ppt + wilting_ppt
    wilting = rules.is_below(soil_ppt, 1 + wilting_ppt)
    if soil_ppt is not None and not dry:
        if regular or not state.unmet:
            state.thirst = state.unmet = 0
    elif regular and wants:
        state.unmet = 1 if wilting or not pulse_ms else 0
        # A dose counts as arrived before the whole settling time is over. Otherwise a dose at every
        # second wake would halve the count
        arrives_s = facts.settle_s - min(facts.settle_s // 4, pot.settings.wake_s // 2)
        may_arrive = elapsed_s > 0 and facts.since_dose_s < arrives_s
        if not may_arrive or facts.lockouts or state.dry_trips:
            state.thirst = add_capped(state.thirst, 1, 100)


def look_at_needs(state: "State", facts: "Facts", pot: "Pot", store_failed: bool) -> None:
    """Complete the facts that the needs look at, once this wake's water is booked."""
    facts.lockouts, facts.store_failed = state.lockouts, store_failed
    charged = facts.confirm_charge or facts.unplug_charger
    facts.battery_weak = state.lockouts & rules.BITS["battery low"] != 0 and not charged
    facts.float_opened = pot.calibration.float_only == 1 and state.dry_trips > 0
    facts.thirst = state.thirst
    leaks = state.lockouts & rules.BITS["leak"] != 0
    facts.tank_empties = leaks or tank.empties_by_itself(state, facts, pot)
    facts.tank_is_back = tank.is_back(state, pot)
    facts.gauge_doubted = tank.is_gauge_doubted(state, facts)
    facts.probe_doubted = is_probe_doubted(state)
    facts.press_spent = is_press_spent(state)
    # If wakes come more often than once a day, the soil has a day to answer the first dose
    a_day = state.since_dose_s >= DAY_S - DAY_S // 24 or pot.settings.wake_s >= DAY_S - DAY_S // 24
    facts.soil_silent = state.silent_doses > (0 if a_day else 1)
    if facts.probe_doubted and state.lockouts & rules.SILENT_BIT:
        facts.soil_silent = True  # no dose was silent, but the water may lie on the floor
    facts.given_up = facts.press_spent and state.tries >= MOST_TRIES
    facts.needs = rules.need_bits(facts)


def look_at_radio(state: "State", begin: "Begin", settings: "Values") -> None:
    """What came of the last report. If nobody heard it, all of it is reported again (R17).

    A report that began and did not end was a brown-out by the radio. The next try waits for one
    regular wake, then two, then four, up to seven days. A report that nobody heard waits for half
    as many: none, one, two and so on. A record of an older board does not say what came of it.
    """
    outcome = begin.get("radio", "heard")
    if outcome == "heard":
        state.radio_fails = state.radio_wait = 0
    elif state.reporting or outcome != "none":
        state.radio_fails = add_capped(state.radio_fails, 1, 100)
        most = max(1, tank.WEEK_S // settings.wake_s)
        wait = min(1 << min(state.radio_fails - 1, 10), most)
        state.radio_wait = wait if outcome == "cut off" else wait // 2
        state.told, state.quiet_wakes = 0, 100
    state.reporting = 0


# The dose


def finish_dose(state: "State", pot: "Pot") -> None:
    """No more pulses in this dose. If more than half a pulse of it is left, it is unmet (R16)."""
    if state.plan_ul > 500 * pot.settings.pulse_ml:
        state.unmet = 1
    end_dose(state)


def begin_dose(state: "State", facts: "Facts", pot: "Pot", kind: int, dose_ul: int) -> None:
    """Begin a dose: from here on its answer is awaited, a rise of soil water (R7, R18).

    If the dose before it is not judged yet (a press came, or it was cut short), both are judged
    together. If dry soil asked for one of them, `asked` stays 1. If the plant drank meanwhile, the
    rise counts from the soil as it is now.
    """
    state.plan_kind, state.plan_ul, state.pulses = kind, dose_ul, 0
    for_dry_soil = 1 if kind in plan.FOR_DRY_SOIL else 0
    soil_ppt = UNKNOWN if facts.soil_ppt is None else facts.soil_ppt
    if state.before_ppt >= 0 and judge.is_answered(state, pot.calibration, pot.settings):
        judge.learn(state, pot.calibration, pot.settings, False)  # this dose is judged by itself
    if state.before_ppt < 0 or for_dry_soil > state.asked:
        state.asked, state.given_ul = for_dry_soil, 0
        state.before_ppt = state.peak_ppt = soil_ppt
    elif 0 <= soil_ppt < state.before_ppt:
        state.before_ppt = state.peak_ppt = soil_ppt


def end_pulse(
    state: "State",
    facts: "Facts",
    pot: "Pot",
    pulse: "run.Run",
    after: "Readings",
    trips: list[str],
) -> "Water":
    """Book a pulse that ended, judge its trips, and say what it delivered (R3, R4, R9)."""
    cal, limits = pot.calibration, pot.limits
    assert facts.level_ml is not None
    last = [pulse.last("level"), 0]
    last_ml = judge.value(cal.level, last, judge.judge(cal.level, last))
    level = after.get("level") or last
    after_ml = judge.value(cal.level, level, judge.judge(cal.level, level))
    most_ml = run.most_fall_ml(pulse.ran_ms, pot)
    # No single reading makes a dry run or a leak (R4, R8). If the reading after the pulse is higher
    # than the run's last sample by more than scatter, it does not count, and the first look begins
    # anew. If both show a fall beyond any pump's, they agree in what matters
    at_odds = after_ml is not None and rules.is_below(last_ml, after_ml - 2 * cal.tolerance_ml)
    at_odds = at_odds and not rules.is_below(after_ml, facts.level_ml - most_ml)
    if at_odds:
        after_ml = None
    held_ml = tank.held_ml(state, pot, facts.level_ml, after_ml)
    unsure = state.fill_looks and not tank.is_refill(state, pot, after_ml)  # of the level before it
    before_ml = held_ml if state.fill_looks else state.look_ml
    metered_ul = None
    if cal.flowmeter is not None:
        from wakecore import flowmeter

        metered_ul = flowmeter.metered_ul(pulse, pot)
    ml, fall_ml = tank.book_pulse(state, pot, pulse.ran_ms, held_ml, after_ml, metered_ul)
    shown_ml = None if fall_ml is None else after_ml
    # A fall beyond what any pump can do is judged by the looks, not counted as water given (R8)
    unsure = unsure or (fall_ml is not None and fall_ml > most_ml)
    given_ul = plan.given_ul(pulse.ran_ms, None if unsure else fall_ml, cal, metered_ul)
    state.given_ul = add_capped(state.given_ul, given_ul, SMALL_MAX)
    # A flow meter may miss water: the account takes at least what the pump moves in that time (R18)
    most_ul = (
        given_ul if metered_ul is None else max(given_ul, run.moved_ul(pulse.ran_ms, cal.flow_ul_s))
    )
    state.unanswered_ul = add_capped(state.unanswered_ul, most_ul, SMALL_MAX)
    state.plan_ul = max(0, state.plan_ul - given_ul)
    state.pulses = add_capped(state.pulses, 1, 100)

    dry_runs = FLOAT_DRY_RUNS if cal.float_only else DRY_RUNS
    if trips and trips[0] in dry_runs:
        tank.end_proof(state)
        tank.count_dry(state, pot, 1)
    elif tank.go_on_with_proof(state, pot, pulse.ran_ms, before_ml, shown_ml) is False:
        trips += [] if trips else ["no flow"]
    elif cal.float_only and (cal.current or cal.flowmeter) is not None and not trips:
        state.dry_trips = 0
    if trips and trips[0] in dry_runs:
        state.given_ul -= given_ul
        state.plan_ul += given_ul  # this part of the dose is still wanted (R16)
        if not state.given_ul:
            state.before_ppt = UNKNOWN  # no water, no answer to expect
    # A fast fall that the level after the pulse does not confirm is judged by the looks
    confirmed = not at_odds and (fall_ml is None or fall_ml > most_ml)
    for trip in trips:
        if trip in LATCHES and (trip != "fast fall" or confirmed):
            rules.latch(state, LATCHES[trip])

    if trips or not state.plan_ul or state.pulses >= limits.pulses:
        state.interrupts = 0
        finish_dose(state, pot)
    else:
        state.phase = SOAK
    water: "Water" = {"counted_ml": ml, "given_ul": given_ul, "fall_ml": fall_ml}
    if cal.flowmeter is not None:
        water["metered_ul"] = metered_ul
    return water


def next_phase(state: "State", facts: "Facts", pot: "Pot") -> None:
    """A due wake without a pulse: a soak ends the dose, the second look follows the first, and a
    doubt about the level asks for one more look."""
    if state.phase == SOAK:
        finish_dose(state, pot)
    elif tank.is_doubtful(state) and facts.level_ml is not None:
        state.phase = FIRST_LOOK
        state.doubts = add_capped(state.doubts, 1, 100)
    elif state.phase == FIRST_LOOK:
        state.phase = SECOND_LOOK
    else:
        if state.phase == SECOND_LOOK and not state.lockouts:
            tank.note_sound_dose(state, pot)
        state.phase = IDLE
        # Not while a regular wake is put off: a gauge that errs each time would put it off for ever
        if facts.level_steady and state.cycle_s < pot.settings.wake_s:
            state.doubts = 0


# The end of the wake


def sleep_time(state: "State", facts: "Facts", settings: "Values", elapsed_s: int) -> int:
    """Seconds to sleep. A wake before its time (button, reset) shortens no wait."""
    if state.phase == IDLE:
        wake_s = settings.wake_s
        if state.lockouts & rules.BITS["battery low"]:
            wake_s = min(2 * wake_s, NIGHT_S if facts.sunlit else LONG_S)
        return max(LEAST_SLEEP_S, wake_s - state.cycle_s)
    if state.phase == facts.phase_before and not facts.due and not facts.pulse_cut_off:
        return max(1, state.sleep_s - elapsed_s)
    if state.phase == SOAK:
        return settings.soak_s
    return FIRST_LOOK_S if state.phase == FIRST_LOOK else SECOND_LOOK_S


def is_to_report(state: "State", facts: "Facts", pot: "Pot", counts: bool, pressed: bool) -> bool:
    """Does this wake end with the radio (R5, R8, R12, R17)?

    Every `radio_wakes` regular wakes, at the first presses of a day, and at once when somebody is
    needed for something new; then once a day while the need lasts. Not on a weak or unknown cell,
    except for one report of what latched in this wake or is a last word, if the cell bears it.
    After a report that nobody heard only at a press or a regular wake, once the wait is over. While
    the settings are lost, whether there is a radio is not known, so it is tried.

    counts: it is a regular wake by the timer.
    """
    if not pot.settings.radio_wakes and pot.settings.id:
        return False
    if state.radio_fails and not pressed and (state.radio_wait or not counts):
        return False
    needs = facts.needs
    new, latched = needs & ~state.told, state.lockouts & ~facts.lockouts_before
    if facts.battery_weak or facts.battery_mv is None or facts.battery_mv < facts.radio_mv:
        last_word = latched or new & rules.LAST_WORD_BITS
        if last_word and state.rest_mv >= facts.rest_mv:
            return True
        # It latched at a lower voltage, as in the cold: told once the cell bears the radio again
        low = new & rules.NEED_BITS["charge the battery"]
        return bool(low and facts.battery_mv is not None and facts.battery_mv >= facts.radio_mv)
    if new or latched or (pressed and state.presses <= ANSWERED_PRESSES):
        return True
    if not counts:
        return False
    return bool(needs and is_day_over(state, pot)) or is_report_due(state, pot)


def is_report_due(state: "State", pot: "Pot") -> bool:
    """Have so many regular wakes passed without a report as the settings say?"""
    return state.quiet_wakes + 1 >= pot.settings.radio_wakes


def is_day_over(state: "State", pot: "Pot") -> bool:
    """Is it a day since a report told a need? The looks after a dose may shift a daily wake, so a
    twenty-fourth of the time between wakes is left out."""
    return state.told_s >= DAY_S - pot.settings.wake_s // 24


def note_report(state: "State", facts: "Facts", pot: "Pot", counts: bool, report: bool) -> None:
    """Keep what the next wakes must know: whether this one reports, and which needs that tells."""
    state.needed = facts.needs
    if is_day_over(state, pot) or (report and counts and is_report_due(state, pot)):
        state.told &= state.needed  # a need that is over is told again when it comes back
    if report:
        state.quiet_wakes, state.reporting = 0, 1
        if counts or state.needed & ~state.told:
            state.told_s = 0  # a report at a press puts nothing off
        state.told |= state.needed
    elif counts:
        state.quiet_wakes = add_capped(state.quiet_wakes, 1, 100)
        state.radio_wait = max(0, state.radio_wait - 1)


def charge_uah(
    calibration: "Values", awake_ms: int, pulse: "run.Run | None", elapsed_s: int, radio_ms: int
) -> int:
    """Estimated charge since the last wake, in microampere-hours: asleep, what the cell loses by
    itself, awake, pumping, and the radio after the last wake."""
    used = muldiv_up(calibration.awake_ua, awake_ms, 3600000)
    used += muldiv_up(calibration.sleep_ua + calibration.self_ua, elapsed_s, 3600)
    used += muldiv_up(calibration.radio_ua, radio_ms, 3600000)
    if pulse is not None:
        used += muldiv_up(calibration.pump_ua, pulse.ran_ms, 3600000)
    return used
