"""One wake, from first to last: wake, read, decide, pump, sleep.

`wake()` yields one command at a time and is sent what the command brought:

    ("off",)                 pump off, pin set up anew            nothing
    ("rest",)                battery before any load              [counts, spread] or None
    ("read",)                every fitted probe                   {name: [counts, spread] or None}
    ("store", bytes)         state into a slot, read back         True only if both worked
    ("run", Run)             one pulse, watched                   nothing; the Run holds it
    ("close",)               all parts off                        milliseconds awake so far
    ("log", record)          one line for the field log           nothing
    ("report", n)            radio: what is recorded up to wake n nothing
    ("sleep", s, button)     deep sleep; may the button wake?     never returns

There is at most one pulse in a wake: soak and the looks for a leak are short sleeps, so
that what is under way is always in storage (R8, R9). Whoever carries out the commands is
not asked what it thinks. A report comes when everything else of the wake is done and stored
(R13), in a boot of its own; what came of it is known to the next wake (`begin`).
"""

from wakecore import judge, plan, rules, run
from wakecore.number import SMALL_MAX, add_capped, clamp, muldiv_up
from wakecore.state import (
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

FIRST_LOOK_S, SECOND_LOOK_S = 60, 540  # 1 and 10 minutes after the last pulse (R8)
DAY_S = 86400
WEEK_S = 7 * DAY_S
MOST_PRESSES = 20  # button wakes in a row that mean a stuck or chattering button (R12)
LEAST_SLEEP_S = 60
MOST_DAY_ML = 5000  # no hard limit is higher (R3)
HELD_MS, STUCK_MS = 2000, 15000  # a press held this long is a wish; this long, a fault (R12)
DRY_RUNS = ("no flow", "no load", "level lost", "fault")  # trips that showed no water (R4)
FLOAT_DRY_RUNS = DRY_RUNS + ("reserve",)  # a float that opens and bobs back is no full tank
TRIP_LOCKOUTS = (
    ("sag", "battery low"),
    ("battery lost", "battery low"),
    ("wet", "saucer wet"),
    ("fast fall", "leak"),
)

# The members of a wake's record, in the order they are written. `DEVELOPERS.md` explains each.
RECORD = (
    ("kind", "n", "core", "settings", "limits", "calibration", "begin", "rest", "read", "run")
    + ("after", "stores", "awake_ms", "values", "judged", "permissives", "plan", "trips")
    + ("lockouts", "needs", "water", "charge_uah", "commands", "before", "state")
)


def wake(state, pot, begin):
    """One wake of this pot. Changes `state` as it goes; see the top of this file.

    begin: what the board knows before any reading, as `DEVELOPERS.md` lists it.
    """
    commands, stores = ["off"], []
    number, before = state.wakes, state.crc
    yield ("off",)

    # Wake: what happened since the last one
    elapsed_s = clamp(begin["slept_s"], 0, state.sleep_s) if begin["vouched"] else 0
    pass_time(state, elapsed_s)
    facts = judge.Facts(state, pot, begin)
    look_at_files(state, facts, pot, begin)

    # Read: the battery first, before any load
    commands.append("rest")
    rest = yield ("rest",)
    commands.append("read")
    read = yield ("read",)
    values = judge.believe(facts, state, pot, rest, read)

    # Decide: first what happened to the pump, then whether this wake is a regular one
    # (due: what its phase waits for is over; regular: due, with nothing under way)
    look_at_open_pulse(state, facts, pot)
    regular = facts.due and state.phase == IDLE
    if regular:
        state.cycle_s = 0
    look_at_button(state, facts, begin)
    look_at_level(state, facts, pot)
    look_at_saucer(state, facts)
    look_at_battery(state, facts, pot, regular)
    look_at_soil(state, facts, pot, read.get("soil"), regular, elapsed_s)
    look_at_radio(state, begin, pot.settings)
    facts.take_from_state(state, pot.limits)
    if state.phase == SOAK:
        kind, dose_ul = state.plan_kind, state.plan_ul if facts.due else 0
        if plan.filled(kind, facts.soil_ppt, pot):
            dose_ul = state.plan_ul = 0
    elif state.phase == IDLE:
        kind, dose_ul = plan.demand(facts, state, pot)
    else:
        kind, dose_ul = plan.NONE, 0
    facts.kind = plan.KINDS[kind]
    permissives, allowed = rules.judge_permissives(facts)
    pulse_ms = plan.pulse_ms(dose_ul, facts, pot) if allowed and dose_ul else 0
    if regular or pulse_ms:
        state.denied = add_capped(state.denied, 1, 100) if dose_ul and not pulse_ms else 0

    # Pump: begun is on record before the pump starts (R9)
    trips, water = [], {}
    ran = None
    if pulse_ms:
        if state.phase == IDLE:
            begin_dose(state, facts, kind, dose_ul)
        state.open_ms, state.sleep_s = pulse_ms, 0  # a reset from here on is credited no time
        commands.append("store")
        stored = yield ("store", stamp(state))
        stores.append(1 if stored else 0)
        if stored:
            ran = run.prepare(pulse_ms, facts.level_ml, facts.day_left_ml, pot)
            commands.append("run %d" % pulse_ms)
            yield ("run", ran)
            commands.append("read")
            after = yield ("read",)
            trips = [ran.trip] if ran.trip else []
            water = end_pulse(state, facts, pot, ran, after, trips)
        else:
            state.open_ms, state.before_ppt = 0, UNKNOWN
            end_dose(state)
    elif facts.due:
        next_phase(state, facts)

    # Sleep: all parts off, state stored, the wake on record
    commands.append("close")
    awake_ms = yield ("close",)
    state.sleep_s = sleep_s = sleep_time(state, facts, pot.settings, elapsed_s)
    state.wakes = add_capped(state.wakes, 1, SMALL_MAX)
    facts.lockouts, facts.store_failed = state.lockouts, 0 in stores
    facts.weak = state.lockouts & rules.BITS["battery low"]
    facts.float_opened = pot.calibration.float_only and state.dry_trips > 0
    # A cold start is no reason to report, however many come in a row (R17)
    counts = regular and begin["cause"] == "timer"
    report = is_to_report(state, facts, pot, counts, begin["cause"] == "button")
    commands.append("store")
    stored = yield ("store", stamp(state))
    stores.append(1 if stored else 0)
    facts.store_failed = 0 in stores
    if report:
        commands.append("report")
    commands.append("sleep %d" % sleep_s if state.button_masked else "sleep %d button" % sleep_s)

    water["day_ml"] = delivered_ml(state, pot.limits.clock_ppt)
    record = {
        "kind": "wake",
        "n": number,
        "core": pot.core,
        "settings": pot.settings.id,
        "limits": pot.limits.id,
        "calibration": pot.calibration.id,
        "begin": begin,
        "rest": rest,
        "read": read,
        "stores": stores,
        "awake_ms": awake_ms,
        "values": values,
        "judged": facts.judged,
        "permissives": permissives,
        "plan": {
            "phase": PHASES[facts.woke_in],
            "kind": facts.kind,
            "dose_ul": dose_ul,
            "pulse_ms": pulse_ms,
        },
        "trips": trips,
        "lockouts": rules.latched(state),
        "needs": rules.judge_needs(facts),
        "water": water,
        "charge_uah": charge_uah(
            pot.calibration, awake_ms, ran, elapsed_s, begin.get("radio_ms", 0)
        ),
        "commands": commands,
        "before": before,
        "state": state.crc,
    }
    if ran is not None:
        record["run"], record["after"] = ran.record(run.channels(pot.calibration)), after
    yield ("log", record)
    if report:
        yield ("report", number)
    yield ("sleep", sleep_s, 0 if state.button_masked else 1)


def stamp(state):
    """The state's bytes under a new write number."""
    state.seq = add_capped(state.seq, 1, SMALL_MAX)
    return state.to_bytes()


# Looks: what happened since the last wake, in the order in which the story asks


def look_at_files(state, facts, pot, begin):
    """Book what the board found in storage, and what a person with the cable did (R11)."""
    if begin["state"] == "lost":
        rules.latch(state, "state lost")
        # As if a dose had just filled the day; with the limits lost too, the fullest day there is
        deliver(state, pot.limits.day_ml if pot.limits.id else MOST_DAY_ML)
        state.since_dose_s = 0
    elif begin["state"] == "previous" and not state.open_ms:
        state.open_ms = pot.limits.pulse_ms  # the damaged slot may have held one
    mark = int(pot.calibration.id[:7] or "0", 16)
    if mark != state.calibration_mark:
        state.calibration_mark = mark  # what was remembered in the old units is forgotten
        state.look_ml = state.soil_ppt = state.before_ppt = UNKNOWN
        state.proof_ml = state.proof_ul = state.leak_looks = 0
    for action in begin["host"]:
        rules.clear(state, rules.BITS.get(action[6:], 0))  # "clear leak"
    if not facts.files_good:
        rules.latch(state, "files damaged")


def look_at_open_pulse(state, facts, pot):
    """A pulse begun and not ended counts in full; too many in a row lock out (R9)."""
    if not state.open_ms:
        return
    book_water(state, pot, state.open_ms + run.OVERRUN_MS, state.look_ml, facts.level_ml)
    state.interrupts = add_capped(state.interrupts, 1, 100)
    if state.interrupts >= pot.limits.interrupts:
        rules.latch(state, "interrupted")
    end_dose(state)
    facts.due, facts.cut_off = False, True


def look_at_button(state, facts, begin):
    """A held press ends the owner's lockouts; with none, it asks for a dose (R12)."""
    held_ms = begin["button_ms"]
    state.presses = add_capped(state.presses, 1, 100) if begin["cause"] == "button" else 0
    if held_ms >= STUCK_MS or state.presses >= MOST_PRESSES:
        state.button_masked = 1
    elif held_ms == 0:
        state.button_masked = 0
    elif held_ms >= HELD_MS and not state.button_masked:
        facts.held = True
        if state.lockouts & rules.BUTTON_BITS:
            rules.clear(state, rules.BUTTON_BITS)
        elif state.phase == IDLE and not state.lockouts:
            facts.manual = True


def look_at_level(state, facts, pot):
    """With the pump off the level may rise, if somebody fills, and not fall (R8).

    The reference is the level after the last pulse, less the water of the pulses, so that
    what runs away between pulses adds up; each pulse adds to what scatter may hide.
    """
    cal = pot.calibration
    if cal.float_only or facts.level_ml is None:
        return  # a switch shows no amounts
    fall_ml = state.look_ml - facts.level_ml
    evaporated_ml = muldiv_up(state.look_s, pot.settings.leak_ml_day, 86400)
    allowed_ml = cal.tolerance_ml * (1 + state.pulses // 2) + evaporated_ml
    if state.look_ml < 0 or fall_ml < -2 * cal.tolerance_ml:
        if state.look_ml >= 0:  # a refill
            rules.clear(state, rules.BITS["dry run"])
            state.dry_trips = 0
        refer_to(state, facts.level_ml)
    elif fall_ml > allowed_ml:
        if facts.due:
            state.leak_looks = add_capped(state.leak_looks, 1, 100)
        if state.leak_looks >= 2:
            rules.latch(state, "leak")
            deliver(state, fall_ml)
            refer_to(state, facts.level_ml)
    else:
        state.leak_looks = 0
        if state.look_s >= WEEK_S:
            refer_to(state, facts.level_ml)


def refer_to(state, level_ml):
    """Compare later levels with this one."""
    state.look_ml, state.look_s = level_ml, 0
    state.leak_looks = 0


def look_at_saucer(state, facts):
    """Wet between pulses or right after them: more was given than the pot holds (R15)."""
    if facts.saucer == "wet" and state.phase != IDLE:
        rules.latch(state, "saucer wet")


def look_at_battery(state, facts, pot, regular):
    """Below its rest voltage the cell is left alone until it is surely charged (R5).

    A reading counts towards the end of the lockout only at a regular wake and free of the
    charger: the charge sense says so, or the pot lives on mains. With neither, a held press
    after the charge says it, and the voltage must agree.
    """
    settings, mv = pot.settings, facts.battery_mv
    charged = mv is not None and mv >= settings.battery_clear_mv
    if not charged:
        state.clear_wakes = 0
    if rules.below(mv, facts.battery_floor_mv):
        rules.latch(state, "battery low")
    if not charged or not state.lockouts & rules.BITS["battery low"]:
        return
    unsensed = facts.charger in (judge.UNFITTED, "lost") and not settings.mains
    if regular and (facts.charger == "off" or settings.mains):
        state.clear_wakes = add_capped(state.clear_wakes, 1, 100)
    if state.clear_wakes >= settings.battery_clear_wakes or (unsensed and facts.held):
        rules.clear(state, rules.BITS["battery low"])
    else:
        facts.confirm_charge = unsensed
        facts.unplug_charger = facts.charger == "on" and not settings.mains


def look_at_soil(state, facts, pot, reading, regular, elapsed_s):
    """Follow the last dose's answer, then remember this reading for the next wake (R6, R7).

    A wake that no vouched time led to is not counted as a repeat of the last reading.
    """
    if facts.soil_ppt is not None and state.before_ppt >= 0:
        state.peak_ppt = max(state.peak_ppt, facts.soil_ppt)
        if regular and state.since_dose_s >= pot.settings.settle_s:
            judge.learn(state, pot.calibration, pot.settings)
    facts.standing = regular and elapsed_s > 0 and judge.standing(state, reading)
    if regular and (elapsed_s or state.soil_ppt < 0):
        judge.remember_soil(state, reading, facts.judged["soil"], facts.soil_ppt)
    if state.silent_doses >= pot.limits.response_doses:
        rules.latch(state, "no response")


def look_at_radio(state, begin, settings):
    """What came of the last report. Where nobody heard it, all of it is still to be told (R17).

    A report that began and did not end is the radio's brown-out: the next try lets one regular
    wake pass, then two, then four, up to seven days. One that ended in vain costs less: none, one,
    two and so on. A record from before the radio had a boot of its own does not say.
    """
    came = begin.get("radio", "heard")
    if came == "heard":
        state.radio_fails = state.radio_wait = 0
    elif state.reporting or came != "none":
        state.radio_fails = add_capped(state.radio_fails, 1, 100)
        most = max(1, WEEK_S // settings.wake_s)
        wait = min(1 << min(state.radio_fails - 1, 10), most)
        state.radio_wait = wait if came == "cut off" else wait // 2
        state.told, state.quiet_wakes = 0, 100
    state.reporting = 0


# The dose


def begin_dose(state, facts, kind, dose_ul):
    """A new dose. Its answer is judged only where a dry, believed soil asked for it (R7).

    A dose on top of one that is not judged yet (a press, or one cut short) adds to the question.
    """
    state.plan_kind, state.plan_ul, state.pulses = kind, dose_ul, 0
    refer_to(state, facts.level_ml)
    asked = kind in (plan.DEPLETION, plan.SET)
    if state.before_ppt < 0:
        state.given_ul = 0
        state.before_ppt = state.peak_ppt = facts.soil_ppt if asked else UNKNOWN


def end_pulse(state, facts, pot, ran, after, trips):
    """Book a pulse that ended, judge its trips, and say what it delivered (R3, R4, R9)."""
    cal, limits = pot.calibration, pot.limits
    level = after.get("level") or [ran.now[run.LEVEL], 0]  # or what the run saw last
    after_ml = judge.value(cal.level, level, judge.judge(cal.level, level))
    ml, fall_ml = book_water(state, pot, ran.ran_ms, facts.level_ml, after_ml)
    given_ul = plan.given_ul(ran.ran_ms, fall_ml, cal)
    state.given_ul = add_capped(state.given_ul, given_ul, SMALL_MAX)
    state.plan_ul = max(0, state.plan_ul - given_ul)
    state.pulses = add_capped(state.pulses, 1, 100)

    shown = plan.prove(state, facts.level_ml, after_ml, ran.ran_ms, cal)
    if shown is False and not trips:
        trips.append("no flow")
    if trips and trips[0] in (FLOAT_DRY_RUNS if cal.float_only else DRY_RUNS):
        state.proof_ml = state.proof_ul = 0
        state.given_ul -= given_ul
        if not state.given_ul:
            state.before_ppt = UNKNOWN  # no water, no answer to expect
        state.dry_trips = add_capped(state.dry_trips, 1, 100)
        if state.dry_trips >= limits.dry_trips:
            rules.latch(state, "dry run")
    elif shown or (cal.float_only and cal.current is not None and not trips):
        state.dry_trips = 0
    for trip, lockout in TRIP_LOCKOUTS:
        if trip in trips:
            rules.latch(state, lockout)

    if trips or not state.plan_ul or state.pulses >= limits.pulses:
        state.interrupts = 0
        end_dose(state)
    else:
        state.phase = SOAK
    return {"counted_ml": ml, "given_ul": given_ul, "fall_ml": fall_ml}


def book_water(state, pot, ran_ms, before_ml, after_ml):
    """Count a pulse: (millilitres for the 24 hours, fall of the level if both are known) (R3).

    Later looks compare with the level after it, but with none below what a pump can have
    left: what is gone beyond that, by a siphon, is a fall to them (R8).
    """
    if after_ml is None or before_ml < 0 or pot.calibration.float_only:
        fall_ml, state.look_ml = None, UNKNOWN
    else:
        fall_ml = before_ml - after_ml
        fell_ml = min(fall_ml, run.most_fall_ml(ran_ms, pot))
        state.look_ml = max(after_ml, state.look_ml - fell_ml)
    ml = plan.counted_ml(ran_ms, fall_ml, pot)
    deliver(state, ml)
    state.look_s = state.open_ms = state.since_dose_s = 0
    return ml, fall_ml


def next_phase(state, facts):
    """Without a pulse: soak ends the dose, looks follow one another, a doubt asks for a look."""
    if state.phase == SOAK:
        end_dose(state)
    elif state.leak_looks == 1 and facts.level_ml is not None:
        state.phase = FIRST_LOOK
    elif state.phase == FIRST_LOOK:
        state.phase = SECOND_LOOK
    else:
        state.phase = IDLE


# The end of the wake


def sleep_time(state, facts, settings, elapsed_s):
    """Seconds to sleep. A wake out of turn (button, reset) does not shorten what was under way."""
    if state.phase == IDLE:
        wake_s = settings.wake_s
        if state.lockouts & rules.BITS["battery low"]:
            wake_s = min(2 * wake_s, LONG_S)
        return max(LEAST_SLEEP_S, wake_s - state.cycle_s)
    if state.phase == facts.woke_in and not facts.due and not facts.cut_off:
        return max(1, state.sleep_s - elapsed_s)
    if state.phase == SOAK:
        return settings.soak_s
    return FIRST_LOOK_S if state.phase == FIRST_LOOK else SECOND_LOOK_S


def is_to_report(state, facts, pot, counts, pressed):
    """Does this wake end with the radio (R5, R8, R12, R17)?

    Every so many regular wakes by the timer, at a press, and at once when somebody is needed
    for something new; while that lasts, at least once a day. Never on a weak or unknown cell.
    After a try in vain only at a press or such a regular wake, once the wait is over.
    counts: it is such a regular wake.
    """
    every = pot.settings.radio_wakes
    if not every:
        return False
    needs = rules.need_bits(facts)
    state.told &= needs  # what is over is told anew when it comes back
    if counts:
        state.quiet_wakes = add_capped(state.quiet_wakes, 1, 100)
    if state.radio_fails and not pressed and (state.radio_wait or not counts):
        state.radio_wait -= 1 if counts else 0
        return False
    floor_mv = max(pot.limits.radio_mv, facts.battery_floor_mv)
    if facts.weak or facts.battery_mv is None or facts.battery_mv < floor_mv:
        return False
    if needs:
        every = min(every, max(1, DAY_S // pot.settings.wake_s))
    if not (pressed or needs & ~state.told or (counts and state.quiet_wakes >= every)):
        return False
    state.quiet_wakes, state.told, state.reporting = 0, needs, 1
    return True


def charge_uah(calibration, awake_ms, ran, elapsed_s, radio_ms):
    """Estimated charge since the last wake, in microampere-hours: asleep, what the cell loses by
    itself, awake, pumping, and the radio after the last wake."""
    used = muldiv_up(calibration.awake_ua, awake_ms, 3600000)
    used += muldiv_up(calibration.sleep_ua + calibration.self_ua, elapsed_s, 3600)
    used += muldiv_up(calibration.radio_ua, radio_ms, 3600000)
    if ran is not None:
        used += muldiv_up(calibration.pump_ua, ran.ran_ms, 3600000)
    return used
