"""Which readings may be believed.

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
from wakecore.state import UNKNOWN
from wakecore.table import convert

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


def learn(state, calibration, settings):
    """Judge the last dose's answer, and learn the pot's response from a clear one (R7).

    Called at regular wakes once a dose has settled, with `peak_ppt` the highest soil water
    seen since; it asks once. A dose cut short, too small to be seen, leaves the question open
    unless the soil rose all the same: the next one adds to it. A rise of more than twice the
    expected is somebody's watering can: believed, never learned from (R6). A lesson moves the
    response by a quarter of the difference.
    """
    before, peak, given = state.before_ppt, state.peak_ppt, state.given_ul
    known = response_ul_per_ppt(state, calibration)
    expected = div_up(given, known) if known else 0
    small = expected < 2 if known else given < 500 * settings.dose_ml
    if small and peak - before < settings.response_ppt:
        return
    state.before_ppt = state.peak_ppt = UNKNOWN
    if before < 0 or peak < 0:
        return
    rise = peak - before
    needed = settings.response_ppt
    if known:
        needed = clamp(expected // 2, 1, needed)
    if rise < needed:
        state.silent_doses = add_capped(state.silent_doses, 1, 100)
        return
    state.silent_doses = 0
    if known and 2 * settings.response_ppt <= rise <= 2 * expected:
        state.learned_ul_per_ppt = known + (given // rise - known) // 4
