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
    frozen     exactly the same counts for too many wakes
    jump       drier since the last reading than a plant can drink

Only a `good` reading gives a value. The first six words follow from this wake's reading alone;
`cold`, `frozen` and `jump` are for the soil probe.
"""

from wakecore import fields
from wakecore.number import add_capped, clamp, div_up
from wakecore.run import LEAST_EDGES
from wakecore.state import IDLE, SOAK, UNKNOWN, delivered_ml
from wakecore.table import convert

if False:
    from wakecore.fields import Pot, Probe, Values
    from wakecore.state import State
    from wakecore.typed import Begin, Reading, Readings

MOST_PPT = 1000  # no soil is wetter
MOST_TIMES = 4  # a learned response is between a quarter and four times the calibrated one
WARN_MV = 50  # rest voltage between the warning and the radio's last report, at least (R17)

RECORD_ONLY_PROBES = tuple([row[0] for row in fields.PROBES if row[3] == fields.RECORD_ONLY])

GOOD = "good"
UNFITTED = "unfitted"


def judge(probe: "Probe | None", reading: "Reading | None") -> str:
    """The word for any probe, from this reading and its calibration."""
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


def value(probe: "Probe | None", reading: "Reading | None", word: str) -> "int | None":
    """The quantity of a good reading, else None."""
    if word != GOOD or probe is None or reading is None:
        return None
    counts, _ = reading
    return convert(probe.points, counts)


def judge_soil(
    reading: "Reading | None", temperature_mc: "int | None", state: "State", pot: "Pot"
) -> str:
    """The word for the soil probe, from its earlier readings and the temperature too.

    temperature_mc: of the soil, None if not believed (or not fitted).
    """
    settings, probe = pot.settings, pot.calibration.soil
    word = judge(probe, reading)
    if word != GOOD or probe is None or reading is None:
        return word
    if pot.calibration.temperature is not None and (
        temperature_mc is None or temperature_mc < pot.limits.cold_mc
    ):
        return "cold"
    if is_unchanged(state, reading) and state.soil_same + 1 >= settings.frozen_wakes:
        return "frozen"
    if state.soil_ppt >= 0:
        days = 1 + state.soil_s // 86400
        counts, _ = reading
        fall = state.soil_ppt - convert(probe.points, counts)
        if fall > settings.fall_ppt_day * days:
            return "jump"
    return GOOD


def is_unchanged(state: "State", reading: "Reading | None") -> bool:
    """Exactly the same counts as at the last regular wake, and no scatter: perhaps a dead probe.

    Such a reading starts no dose by itself, even before it is judged `frozen` (R6).
    """
    if reading is None or not state.soil_same:
        return False
    counts, spread = reading
    return not spread and counts == state.soil_counts


def remember_soil(state: "State", reading: "Reading | None", word: str, ppt: "int | None") -> None:
    """Keep what the next regular wake compares with.

    ppt: the believed soil water, or None.
    """
    if ppt is not None:
        state.soil_ppt, state.soil_s = ppt, 0
    if reading is None or word in ("absent", "railed", UNFITTED):
        return
    if is_unchanged(state, reading):
        state.soil_same = add_capped(state.soil_same, 1, 1000)
    else:
        state.soil_counts, _ = reading
        state.soil_same = 1


def response_ul_per_ppt(state: "State", calibration: "Values") -> int:
    """Water for one part per thousand of soil water, in microlitres: learned, else calibrated;
    0 if neither is known."""
    base = calibration.ul_per_ppt
    if base == 0:
        return 0
    return clamp(state.learned_ul_per_ppt or base, max(1, base // MOST_TIMES), base * MOST_TIMES)


def most_rise_ppt(state: "State", calibration: "Values") -> int:
    """The most that the awaited dose can raise the soil by: twice the expected rise. More is noise,
    or somebody watered by hand (R6)."""
    known = response_ul_per_ppt(state, calibration)
    return 2 * div_up(state.given_ul, known) if known else MOST_PPT


def judge_answer(
    state: "State", calibration: "Values", settings: "Values"
) -> "tuple[int, bool, int]":
    """(rise of soil water since the dose, may it be judged yet?, least rise that is an answer).

    A dose that was cut short is not judged by itself if it is less than half the set dose and is
    expected to raise the soil by less than `response_ppt` (R7). A larger rise than that dose
    explains is noise, or somebody watered by hand.
    """
    rise, given = state.peak_ppt - state.before_ppt, state.given_ul
    known = response_ul_per_ppt(state, calibration)
    expected = div_up(given, known) if known else 0
    needed = settings.response_ppt
    if known:
        needed = clamp(expected // 2, 1, needed)
    shown = max(expected, rise if rise <= most_rise_ppt(state, calibration) else 0)
    enough = given >= 500 * settings.dose_ml or shown >= settings.response_ppt
    return rise, enough, needed


def is_answered(state: "State", calibration: "Values", settings: "Values") -> bool:
    """Did the soil answer the dose that is not judged yet?"""
    rise, enough, needed = judge_answer(state, calibration, settings)
    return enough and rise >= needed


def is_by_hand(state: "State", calibration: "Values", settings: "Values", rise: int) -> bool:
    """Is the rise more than the dose explains, so that somebody watered by hand? Asked only after a
    dose that a press asked for on silent soil (R18)."""
    if not state.tries:
        return False
    return rise > most_rise_ppt(state, calibration) + settings.response_ppt


def follow_answer(
    state: "State", soil_ppt: int, calibration: "Values", settings: "Values", soon: bool = False
) -> None:
    """Keep the highest soil water since the dose. If the new height answers the dose, the account
    of water without an answer begins anew at once (R18).

    soon: this is minutes after a pulse, too soon for somebody to have watered by hand.
    """
    if soil_ppt > state.peak_ppt:
        state.peak_ppt = soil_ppt
        rise, enough, needed = judge_answer(state, calibration, settings)
        by_hand = not soon and is_by_hand(state, calibration, settings, rise)
        if enough and rise >= needed and not by_hand:
            state.unanswered_ul = state.tries = 0
            state.tried_ppt = UNKNOWN


def learn(state: "State", calibration: "Values", settings: "Values", exhausted: bool) -> None:
    """Judge the last dose's answer, and learn the pot's response from a clear one (R7).

    Called at regular wakes once a dose has settled. `peak_ppt` is the highest soil water seen
    since. Each dose is judged once. A dose too small to be judged stays open, and the next dose
    adds to it. A missing answer counts as silent only if dry soil asked for the dose. A rise of
    more than twice the expected was watering by hand: it is believed, but nothing is learned from
    it (R6). Each clear answer moves the learned response by a quarter of the difference.

    exhausted: no more water may be given before an answer (R18), so the dose cannot stay open.
    """
    rise, enough, needed = judge_answer(state, calibration, settings)
    if state.asked and not enough and not exhausted:
        if rise >= settings.response_ppt:  # watered by hand: the dose's own answer cannot be seen
            state.before_ppt = state.peak_ppt = UNKNOWN
        return
    given, known = state.given_ul, response_ul_per_ppt(state, calibration)
    most_ppt = most_rise_ppt(state, calibration)
    by_hand = is_by_hand(state, calibration, settings, rise)
    state.before_ppt = state.peak_ppt = UNKNOWN
    if rise < needed:
        if state.asked:
            state.silent_doses = add_capped(state.silent_doses, 1, 100)
        return
    if by_hand:
        return
    state.silent_doses = 0
    # Learn only between twice the least answer (less is noise) and twice the expected (by hand)
    if state.asked and known and 2 * settings.response_ppt <= rise <= most_ppt:
        state.learned_ul_per_ppt = known + (given // rise - known) // 4


class Facts:
    """What is known in this wake. The rules look at nothing else.

    It is made from the readings and the state, and does not change the state. `wake.book_events`
    then books what happened since the last wake and adds the facts that follow from that.
    soil_ppt, level_ml, battery_mv and temperature_mc are None unless their reading is believed.
    """

    # fmt: off
    __slots__ = (
        "battery_floor_mv", "battery_mv", "battery_weak", "boots", "button_masked", "charge_mv",
        "charger", "confirm_charge", "day_left_ml", "dose_kind", "due", "files_good",
        "float_opened", "flowing", "gauge_doubted", "given_up", "judged", "level_ml",
        "level_steady", "lockouts", "lockouts_before", "manual", "match", "needs", "needs_before",
        "phase_before", "pin_good", "press_spent", "pressed_long", "probe_doubted", "pulse_cut_off",
        "radio_mv", "record_only", "regular", "reserve_ml", "rest_mv", "saucer", "scatter_ml",
        "settle_s", "since_dose_s", "soaking", "soil_cold", "soil_dry", "soil_ignored", "soil_ppt",
        "soil_silent", "soil_unchanged", "stage", "start_ml", "store_failed", "sunlit",
        "tank_empties", "tank_is_back", "temperature_mc", "thermometer_lost", "thirst",
        "unanswered_left_ul", "unplug_charger", "warn_ml",
    )
    # fmt: on

    def __init__(
        self,
        state: "State",
        pot: "Pot",
        begin: "Begin",
        rest: "Reading | None",
        read: "Readings",
        lockouts_before: int,
    ) -> None:
        settings, limits, cal = pot.settings, pot.limits, pot.calibration
        self.pin_good, self.boots = begin["pin"] == 1, begin["boots"]
        self.files_good = are_files_good(begin)
        self.match, self.stage = pot.match, cal.stage
        self.phase_before, self.needs_before = state.phase, state.needed
        self.lockouts_before = lockouts_before

        # due: the wait of this phase is over. A press does not shorten a wait. A start without a
        # timer or a press in a soak ends the dose, and so does a pulse begun and not ended.
        # regular: due, and neither a dose nor its looks are under way
        self.pulse_cut_off = state.open_ms > 0
        pressed, soaking = begin["cause"] == "button", state.phase == SOAK
        self.soaking = soaking and begin["cause"] in ("timer", "button")
        self.due = not pressed and not self.pulse_cut_off and (self.soaking or not soaking)
        self.regular = self.due and state.phase == IDLE

        # Bounds from the files. The pump starts only with a whole pulse above the reserve, because
        # less would only fill the hose. The battery warning comes early enough for a report (R17).
        # Settings and limits tell the kind of cell: if one of them is lost, the other one counts
        self.reserve_ml = max(settings.reserve_ml, limits.reserve_ml)
        self.start_ml = self.reserve_ml + (1 if cal.float_only else settings.pulse_ml)
        self.warn_ml, self.scatter_ml = settings.tank_warn_ml, 2 * cal.tolerance_ml
        self.rest_mv = limits.rest_mv if limits.id else settings.battery_mv
        self.battery_floor_mv = max(settings.battery_mv if settings.id else 0, self.rest_mv)
        self.radio_mv = max(limits.radio_mv if limits.id else 0, self.battery_floor_mv)
        self.charge_mv = settings.battery_warn_mv if settings.id else 0
        if settings.radio_wakes or not settings.id:
            self.charge_mv = max(self.charge_mv, self.radio_mv + WARN_MV)
        self.settle_s = settings.settle_s

        # The readings
        self.judged: "dict[str, str]" = {}
        self.battery_mv = self.believed("battery", cal.battery, rest)
        self.level_ml = self.believed("level", cal.level, read.get("level"))
        self.temperature_mc: int | None = None
        self.thermometer_lost = self.soil_cold = False
        if cal.temperature is not None:
            mc = self.believed("temperature", cal.temperature, read.get("temperature"))
            self.temperature_mc, self.thermometer_lost = mc, mc is None
            self.soil_cold = mc is not None and mc < limits.cold_mc
        self.saucer = self.charger = UNFITTED
        if cal.saucer is not None:
            wet = self.believed("saucer", cal.saucer, read.get("saucer"))
            self.saucer = "lost" if wet is None else "wet" if wet >= cal.wet_ppt else "dry"
        if cal.charger is not None:
            charging = self.believed("charger", cal.charger, read.get("charger"))
            self.charger = "lost" if charging is None else "on" if charging else "off"
        self.sunlit = cal.panel == 1 and self.charger == "on"
        self.flowing = False  # with the pump off
        if cal.flowmeter is not None:
            self.judged["flowmeter"] = word = judge(cal.flowmeter, read.get("flowmeter"))
            edges, _ = read.get("flowmeter") or (0, 0)
            self.flowing = word == GOOD and edges >= LEAST_EDGES
        self.record_only: "dict[str, int | None]" = {}  # decides nothing
        for name in RECORD_ONLY_PROBES:
            probe = getattr(cal, name)
            if probe is not None:
                self.record_only[name] = self.believed(name, probe, read.get(name))
        soil = read.get("soil")
        self.judged["soil"] = word = judge_soil(soil, self.temperature_mc, state, pot)
        self.soil_ignored = self.soil_cold and word == "cold"  # a good reading, in cold soil
        self.soil_ppt = ppt = value(cal.soil, soil, word)
        self.soil_dry = ppt is not None and ppt <= fields.refill_ppt(settings, cal)

        # What `book_events` and the later steps of `wake` may find
        self.dose_kind = "none"
        self.pressed_long = self.manual = self.soil_unchanged = self.level_steady = False
        self.confirm_charge = self.unplug_charger = self.store_failed = False
        self.float_opened = self.tank_empties = self.tank_is_back = self.battery_weak = False
        self.soil_silent = self.press_spent = self.given_up = False
        self.gauge_doubted = self.probe_doubted = False
        self.lockouts = self.button_masked = self.thirst = self.needs = 0
        self.since_dose_s = self.day_left_ml = self.unanswered_left_ul = 0

    def believed(self, name: str, probe: "Probe | None", reading: "Reading | None") -> "int | None":
        """The quantity of one probe, None if it is not believed. `judged` gets the word for it."""
        self.judged[name] = word = judge(probe, reading)
        return value(probe, reading, word)

    def take_from_state(self, state: "State", limits: "Values") -> None:
        """Take facts from the state, once this wake's events are booked in it."""
        self.lockouts = state.lockouts
        self.since_dose_s = state.since_dose_s
        self.button_masked = state.button_masked
        self.day_left_ml = max(0, limits.day_ml - delivered_ml(state))

    def values(self) -> "dict[str, int | None]":
        """The quantities that the record contains."""
        return {
            "battery_mv": self.battery_mv,
            "level_ml": self.level_ml,
            "soil_ppt": self.soil_ppt,
            "temperature_mc": self.temperature_mc,
        }


def are_files_good(begin: "Begin") -> bool:
    """Are all three files there? A lost one is replaced by the safe default (R11)."""
    return "default" not in (begin["settings"], begin["limits"], begin["calibration"])
