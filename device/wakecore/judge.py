"""Which readings may be believed, and the facts of one wake that follow from them.

A reading is [counts, spread]: the median of a few samples and the distance between the
highest and the lowest of them. A part that failed to answer gives None. Each probe gets
one word:

    good       believed
    unfitted   the pot has no such probe
    absent     it did not answer
    railed     at or beyond a rail: cut wire, short circuit
    flicker    the samples of one wake disagree
    span       outside the calibrated points by more than a twentieth
    cold       soil near freezing, or its thermometer not believed: a capacitive probe
               reads nonsense there
    frozen     the very same counts for too many wakes
    jump       drier at once than any plant can drink

Only `good` counts as a value. The first six need this wake's reading alone.
"""

from wakecore.number import add_capped, clamp, div_up
from wakecore.state import SOAK, UNKNOWN, delivered_ml
from wakecore.table import convert

WARN_MV = 50  # rest voltage between the warning and the radio's last report, at least (R17)

GOOD = "good"
UNFITTED = "unfitted"


def judge(probe, reading):
    """The word for any probe, by its calibration alone."""
    if probe is None:
        return UNFITTED
    if reading is None:
        return "absent"
    counts, spread = reading
    if counts <= probe.rail_low or counts >= probe.rail_high:
        return "railed"
    if spread > probe.spread:
        return "flicker"
    if counts < probe.low - probe.margin or counts > probe.high + probe.margin:
        return "span"
    return GOOD


def value(probe, reading, word):
    """The quantity of a good reading, else None."""
    return convert(probe.points, reading[0]) if word == GOOD else None


def judge_soil(reading, temperature_mc, state, pot):
    """The word for the soil probe, which also knows its past and the cold.

    temperature_mc: of the soil, None if not believed (or not fitted).
    """
    settings, probe = pot.settings, pot.calibration.soil
    word = judge(probe, reading)
    if word != GOOD:
        return word
    if pot.calibration.temperature is not None and (
        temperature_mc is None or temperature_mc < pot.limits.cold_mc
    ):
        return "cold"
    if standing(state, reading) and state.soil_same + 1 >= settings.frozen_wakes:
        return "frozen"
    if state.soil_ppt >= 0:
        days = 1 + state.soil_s // 86400
        fall = state.soil_ppt - convert(probe.points, reading[0])
        if fall > settings.fall_ppt_day * days:
            return "jump"
    return GOOD


def standing(state, reading):
    """The very same counts as at the last regular wake, and no scatter: perhaps frozen.

    Such a reading starts no dose by itself, well before it is called frozen (R6).
    """
    if reading is None or reading[1] or not state.soil_same:
        return False
    return reading[0] == state.soil_counts


def remember_soil(state, reading, word, ppt):
    """Keep what the next regular wake compares with.

    ppt: the believed soil water, or None.
    """
    if ppt is not None:
        state.soil_ppt, state.soil_s = ppt, 0
    if word in ("absent", "railed", UNFITTED):
        return
    if standing(state, reading):
        state.soil_same = add_capped(state.soil_same, 1, 1000)
    else:
        state.soil_counts, state.soil_same = reading[0], 1


def response_ul_per_ppt(state, calibration):
    """Water for one part per thousand: learned if known, near the calibrated one, 0 if unknown."""
    base = calibration.ul_per_ppt
    if base == 0:
        return 0
    return clamp(state.learned_ul_per_ppt or base, max(1, base // 4), base * 4)


def judge_answer(state, calibration, settings):
    """(rise of soil water since the question, may it be judged yet?, least rise that answers).

    Less than half a dose that is expected to raise the soil by less than counts asks nothing
    by itself (R7).
    """
    rise, given = state.peak_ppt - state.before_ppt, state.given_ul
    known = response_ul_per_ppt(state, calibration)
    expected = div_up(given, known) if known else 0
    needed = settings.response_ppt
    if known:
        needed = clamp(expected // 2, 1, needed)
    enough = given >= 500 * settings.dose_ml or max(expected, rise) >= settings.response_ppt
    return rise, enough, needed


def follow(state, soil_ppt, calibration, settings):
    """Keep the highest soil water since the dose. A new height that answers it ends the account
    of water without an answer, as of now (R18)."""
    if soil_ppt > state.peak_ppt:
        state.peak_ppt = soil_ppt
        rise, enough, needed = judge_answer(state, calibration, settings)
        if enough and rise >= needed:
            state.unanswered_ul = 0


def learn(state, calibration, settings, exhausted):
    """Judge the last dose's answer, and learn the pot's response from a clear one (R7).

    Called at regular wakes once a dose has settled, with `peak_ppt` the highest soil water
    seen since; it asks once. What is too little to be judged leaves the question open: the
    next dose adds to it. Silence counts only where dry soil asked for the dose. A rise of more
    than twice the expected is somebody's watering can: believed, never learned from (R6). A
    lesson moves the response by a quarter of the difference.

    exhausted: no more may be given before an answer (R18), so the question is not left open.
    """
    rise, enough, needed = judge_answer(state, calibration, settings)
    if state.asked and not enough and not exhausted:
        return
    given, known = state.given_ul, response_ul_per_ppt(state, calibration)
    state.before_ppt = state.peak_ppt = UNKNOWN
    if rise < needed:
        if state.asked:
            state.silent_doses = add_capped(state.silent_doses, 1, 100)
        return
    state.silent_doses = 0
    # Between twice the least answer and twice the expected: neither noise nor somebody's can
    if state.asked and known and 2 * settings.response_ppt <= rise <= 2 * div_up(given, known):
        state.learned_ul_per_ppt = known + (given // rise - known) // 4


class Facts:
    """What is known in this wake, each judged once. Everything the rules look at is here.

    Filled in three steps: what the board knew (here), the readings (`believe`), and the
    state once this wake's events are booked in it (`take_from_state`).
    soil_ppt, level_ml, battery_mv are None unless their reading is believed.
    """

    def __init__(self, state, pot, begin):
        settings, limits, cal = pot.settings, pot.limits, pot.calibration
        self.pin_good = begin["pin"] == 1
        self.boots = begin["boots"]
        files = begin["settings"], begin["limits"], begin["calibration"]
        self.files_good = "default" not in files
        self.match, self.stage = pot.match, cal.stage
        self.reserve_ml = max(settings.reserve_ml, limits.reserve_ml)
        # A start needs a pulse's water above the reserve: less would only fill the hose.
        self.start_ml = self.reserve_ml + (1 if cal.float_only else settings.pulse_ml)
        self.warn_ml, self.scatter_ml = settings.tank_warn_ml, 2 * cal.tolerance_ml
        self.battery_floor_mv = max(settings.battery_mv, limits.rest_mv)
        self.radio_mv = max(limits.radio_mv, self.battery_floor_mv)
        self.charge_mv = settings.battery_warn_mv
        if settings.radio_wakes:  # a warning must leave while there is charge for it (R17)
            self.charge_mv = max(self.charge_mv, self.radio_mv + WARN_MV)
        self.settle_s = settings.settle_s
        self.soil_ppt = self.level_ml = self.battery_mv = self.temperature_mc = None
        self.saucer = self.charger = UNFITTED
        self.judged = {}
        self.dry = self.cold = False
        self.day_left_ml = self.unanswered_left_ul = 0
        self.kind = "none"
        self.held = self.manual = self.store_failed = self.thermometer_lost = False
        self.confirm_charge = self.unplug_charger = self.weak = False
        self.standing = self.float_opened = self.empties = self.is_back = self.is_steady = False
        self.woke_in, self.locked_in, self.needed = state.phase, state.lockouts, state.needed
        self.cut_off = False  # this wake found a pulse begun and not ended
        # Due: is what this phase waits for over? A press does not shorten a wait, and a cold
        # start in a soak ends the dose.
        cold = begin["cause"] not in ("timer", "button")
        self.soaking = state.phase == SOAK and not cold
        self.due = begin["cause"] != "button" and (self.soaking or state.phase != SOAK)

    def take_from_state(self, state, limits):
        """The facts that come from the state, once this wake's events are booked in it."""
        self.lockouts = state.lockouts
        self.since_dose_s = state.since_dose_s
        self.button_masked = state.button_masked
        self.silent_doses = state.silent_doses
        self.day_left_ml = max(0, limits.day_ml - delivered_ml(state))


def believe(facts, state, pot, rest, read):
    """Convert each reading once and judge it once; the record's `values`."""
    cal = pot.calibration
    facts.battery_mv = believed(facts, "battery", cal.battery, rest)
    facts.level_ml = believed(facts, "level", cal.level, read.get("level"))
    if cal.temperature is not None:
        reading = read.get("temperature")
        facts.temperature_mc = believed(facts, "temperature", cal.temperature, reading)
        facts.thermometer_lost = facts.temperature_mc is None
        facts.cold = not facts.thermometer_lost and facts.temperature_mc < pot.limits.cold_mc
    soil = read.get("soil")
    facts.judged["soil"] = word = judge_soil(soil, facts.temperature_mc, state, pot)
    facts.soil_ppt = value(cal.soil, soil, word)
    if cal.saucer is not None:
        wet = believed(facts, "saucer", cal.saucer, read.get("saucer"))
        facts.saucer = "lost" if wet is None else "wet" if wet >= cal.wet_ppt else "dry"
    if cal.charger is not None:
        charging = believed(facts, "charger", cal.charger, read.get("charger"))
        facts.charger = "lost" if charging is None else "on" if charging else "off"
    return {
        "battery_mv": facts.battery_mv,
        "level_ml": facts.level_ml,
        "soil_ppt": facts.soil_ppt,
        "temperature_mc": facts.temperature_mc,
    }


def believed(facts, name, probe, reading):
    """The quantity of one probe, None if it is not believed; why stands in `judged`."""
    facts.judged[name] = word = judge(probe, reading)
    return value(probe, reading, word)
