"""What a pot remembers while it sleeps, and its account of the last 24 hours' water.

The state is a row of small integers. It is stored as bytes with a version and a CRC, in
two slots that take turns; the newer valid slot counts. New fields are only added at the
end, so an older state still loads: a field that it lacks takes its start value. Boards
and logs have stored the names of the fields, so they stay, also where today another
name would be plainer.
"""

from binascii import crc32
from struct import pack, unpack

from wakecore.number import SMALL_MAX, SMALL_MIN, add_capped, muldiv_up

if False:
    from typing import Sequence

VERSION = 2  # 1: the age of a place was that of its first water
MAGIC = b"wake"
HEAD = "<4sHH"
HEAD_SIZE = 8

DAY_S = 86400
LONG_S = 63 * DAY_S  # counters of seconds stop here: longer than any wait in the settings
UNKNOWN = -1

# What is under way between two wakes: nothing, the wait between two pulses, or the wait for one of
# the two looks for a leak after the last pulse
IDLE, SOAK, FIRST_LOOK, SECOND_LOOK = 0, 1, 2, 3
PHASES = ("idle", "soak", "first look", "second look")

# Water of the last 24 hours is kept in eight places, the newest first. A place takes the water of
# PLACE_S, 4 h 8 min. Eight places are 33.1 h. That is enough for the widest window, 24 h and a
# clock error of 200 parts per thousand (`clock_ppt`), and one place more: 28.8 h and 4.1 h.
DELIVERIES = 8
PLACE_S = 14880

# (name, least, most, start)  # meaning
FIELDS = (
    ("seq", 0, SMALL_MAX, 0),  # number of this write; the higher of two slots is newer
    ("wakes", 0, SMALL_MAX, 0),  # number of the next record
    ("sleep_s", 0, LONG_S, 0),  # sleep commanded last: no more is ever credited (R10)
    ("cycle_s", 0, LONG_S, 0),  # time since the last regular wake
    ("since_dose_s", 0, LONG_S, LONG_S),  # time since the last dose
    ("phase", 0, 3, IDLE),  # idle, soak, first look, second look
    ("plan_ul", 0, SMALL_MAX, 0),  # water of this dose still to give
    ("plan_kind", 0, 4, 0),  # which kind of dose: see plan.KINDS
    ("pulses", 0, 100, 0),  # pulses given in this dose
    ("given_ul", 0, SMALL_MAX, 0),  # water given in this dose
    ("open_ms", 0, SMALL_MAX, 0),  # length of a pulse begun and not ended (R9)
    ("interrupts", 0, 100, 0),  # unfinished pulses in a row (R9)
    ("dry_trips", 0, 100, 0),  # dry runs in a row (R4)
    ("proof_ml", -1000000, 1000000, 0),  # tank content before the first pulse of a proof (R4)
    ("proof_ul", 0, SMALL_MAX, 0),  # water commanded in the pulses of the proof (R4)
    ("look_ml", -1, 1000000, UNKNOWN),  # tank content that a look is compared with, pump off (R8)
    ("look_s", 0, LONG_S, 0),  # time since then (R8)
    ("leak_looks", 0, 100, 0),  # readings in a row that found too little (R8)
    ("soil_counts", SMALL_MIN, SMALL_MAX, 0),  # soil counts of the last regular wake (R6)
    ("soil_same", 0, 1000, 0),  # regular wakes in a row with these counts (R6)
    ("soil_ppt", -1, 1000, UNKNOWN),  # soil water last believed (R6)
    ("soil_s", 0, LONG_S, 0),  # time since then (R6)
    ("before_ppt", -1, 1000, UNKNOWN),  # soil water before the last dose; -1: none awaited (R7)
    ("peak_ppt", -1, 1000, UNKNOWN),  # highest soil water since then (R7)
    ("silent_doses", 0, 100, 0),  # doses in a row without an answer (R7)
    ("learned_ul_per_ppt", 0, SMALL_MAX, 0),  # response learned from this pot; 0: none
    ("clear_wakes", 0, 100, 0),  # rest readings in a row above the clearing voltage (R5)
    ("lockouts", 0, SMALL_MAX, 0),  # one bit for each latched lockout, in the order of the list
    ("button_masked", 0, 1, 0),  # 1: the button is stuck and no longer wakes (R12)
    ("presses", 0, 100, 0),  # button wakes in a row (R12)
    ("thirst", 0, 100, 0),  # regular wakes in a row that found the plant in want of water (R16)
    ("calibration_mark", 0, SMALL_MAX, 0),  # which calibration the quantities above came from
    ("quiet_wakes", 0, 100, 0),  # regular wakes since the last report by radio
    ("told", 0, SMALL_MAX, 0),  # needs reported lately, one bit for each, in the list's order
    ("reporting", 0, 1, 0),  # 1: what came of the last report is not known yet (R13)
    ("radio_fails", 0, 100, 0),  # reports in a row that nobody heard (R17)
    ("radio_wait", 0, 1000, 0),  # regular wakes to let pass before the next try (R17)
    ("told_s", 0, LONG_S, LONG_S),  # time since the last report that told a need (R17)
    ("needed", 0, SMALL_MAX, 0),  # needs at the end of the last wake, one bit for each
    ("presses_s", 0, LONG_S, 0),  # time since the first of these presses (R12)
    ("low_wakes", 0, 100, 0),  # wakes in a row with a rest voltage below the floor (R5)
    ("rest_mv", 0, 30000, 0),  # rest voltage last believed; 0: none (R17)
    ("place_s", 0, LONG_S, LONG_S),  # time since the newest place was opened (R3)
    ("unanswered_ul", 0, SMALL_MAX, 0),  # water given since the soil last answered (R18)
    ("look_n", 0, 4, 0),  # readings in the mean `look_ml` (R8)
    ("fill_looks", 0, 100, 0),  # readings in a row that found too much (R8)
    ("filled_ml", -1, 1000000, UNKNOWN),  # tank content at the last refill (R8)
    ("filled_s", 0, LONG_S, 0),  # time since then (R8)
    ("pumped_ml", 0, 1000000, 0),  # the most that the pump can have taken since then (R8)
    ("leak_ml", -1, 1000000, UNKNOWN),  # tank content before the leak (R8)
    ("proof_s", 0, LONG_S, 0),  # time since the first pulse of the proof (R4)
    ("proof_pulses", 0, 100, 0),  # pulses in the proof (R4)
    ("doubts", 0, 100, 0),  # looks in a row that a doubt about the level asked for (R8)
    ("unmet", 0, 1, 0),  # 1: water was wanted last and not given in full (R16)
    ("asked", 0, 1, 1),  # 1: dry soil asked for the dose whose answer is awaited (R7)
    ("tries", 0, 100, 0),  # doses by a press on silent soil since it last answered one (R18)
    ("tried_ppt", -1, 1000, UNKNOWN),  # lowest soil water since the last of them; -1: it rose (R18)
    ("idle_opens", 0, 100, 0),  # times in a row that a float switch opened, pump off (R8)
    ("trial_doses", 0, 100, 0),  # doses left to forget a leak that a press ended; 100: it is back
    ("odd_levels", 0, 100, 0),  # score of odd level readings: up at each, down at good ones
    ("creep_ppt", -1, 1000, UNKNOWN),  # soil water from which it rises by itself; -1: none (R16)
    ("creep_s", 0, LONG_S, 0),  # time since then (R16)
    ("odd_ml", -1, 1000000, UNKNOWN),  # the last reading that was too high or too low (R8)
    ("cold_ppt", -1, 1000, UNKNOWN),  # soil water followed through the cold; -1: it froze (R16)
)
NAMES = tuple([row[0] for row in FIELDS])
STORED = HEAD + "%di" % (2 * DELIVERIES + len(FIELDS))


class State:
    """One attribute for each field above, and the water of the last 24 hours: how old the newest
    water of each place is (`ages_s`, seconds) and how much it is (`mls`, millilitres)."""

    __slots__ = NAMES + ("ages_s", "mls", "crc")
    seq: int
    wakes: int
    sleep_s: int
    cycle_s: int
    since_dose_s: int
    phase: int
    plan_ul: int
    plan_kind: int
    pulses: int
    given_ul: int
    open_ms: int
    interrupts: int
    dry_trips: int
    proof_ml: int
    proof_ul: int
    look_ml: int
    look_s: int
    leak_looks: int
    soil_counts: int
    soil_same: int
    soil_ppt: int
    soil_s: int
    before_ppt: int
    peak_ppt: int
    silent_doses: int
    learned_ul_per_ppt: int
    clear_wakes: int
    lockouts: int
    button_masked: int
    presses: int
    thirst: int
    calibration_mark: int
    quiet_wakes: int
    told: int
    reporting: int
    radio_fails: int
    radio_wait: int
    told_s: int
    needed: int
    presses_s: int
    low_wakes: int
    rest_mv: int
    place_s: int
    unanswered_ul: int
    look_n: int
    fill_looks: int
    filled_ml: int
    filled_s: int
    pumped_ml: int
    leak_ml: int
    proof_s: int
    proof_pulses: int
    doubts: int
    unmet: int
    asked: int
    tries: int
    tried_ppt: int
    idle_opens: int
    trial_doses: int
    odd_levels: int
    creep_ppt: int
    creep_s: int
    odd_ml: int
    cold_ppt: int
    ages_s: list[int]
    mls: list[int]
    crc: str

    def __init__(self) -> None:
        for name, _, _, start in FIELDS:
            setattr(self, name, start)
        self.ages_s = [0] * DELIVERIES
        self.mls = [0] * DELIVERIES
        self.crc = ""  # of the stored form, as text; set by to_bytes and from_bytes

    def numbers(self) -> list[int]:
        """All numbers in stored order: deliveries first, so that fields can grow at the end."""
        # fmt: off
        return self.ages_s + self.mls + [
            self.seq, self.wakes, self.sleep_s, self.cycle_s, self.since_dose_s, self.phase,
            self.plan_ul, self.plan_kind, self.pulses, self.given_ul, self.open_ms,
            self.interrupts, self.dry_trips, self.proof_ml, self.proof_ul, self.look_ml,
            self.look_s, self.leak_looks, self.soil_counts, self.soil_same, self.soil_ppt,
            self.soil_s, self.before_ppt, self.peak_ppt, self.silent_doses,
            self.learned_ul_per_ppt, self.clear_wakes, self.lockouts, self.button_masked,
            self.presses, self.thirst, self.calibration_mark, self.quiet_wakes, self.told,
            self.reporting, self.radio_fails, self.radio_wait, self.told_s, self.needed,
            self.presses_s, self.low_wakes, self.rest_mv, self.place_s, self.unanswered_ul,
            self.look_n, self.fill_looks, self.filled_ml, self.filled_s, self.pumped_ml,
            self.leak_ml, self.proof_s, self.proof_pulses, self.doubts, self.unmet, self.asked,
            self.tries, self.tried_ppt, self.idle_opens, self.trial_doses, self.odd_levels,
            self.creep_ppt, self.creep_s, self.odd_ml, self.cold_ppt,
        ]
        # fmt: on

    def to_bytes(self) -> bytes:
        """The stored form, closed by its CRC."""
        numbers = self.numbers()
        body = pack(STORED, MAGIC, VERSION, len(numbers), *numbers)
        crc = crc32(body)
        self.crc = "%08x" % crc
        return body + pack("<I", crc)


def from_numbers(numbers: "Sequence[int]", version: int = VERSION) -> "State | None":
    """A State from stored numbers, or None if one is out of range or there are too few.

    version: the form they were stored in. Numbers beyond the fields known here come from
    a newer core and are left alone.
    """
    state = State()
    first = 2 * DELIVERIES
    if len(numbers) < first:
        return None
    for number in numbers[:first]:
        if type(number) is not int or not 0 <= number <= SMALL_MAX:
            return None
    state.ages_s = list(numbers[:DELIVERIES])
    state.mls = list(numbers[DELIVERIES:first])
    for (name, least, most, _), number in zip(FIELDS, numbers[first:]):
        if type(number) is not int or not least <= number <= most:
            return None
        setattr(state, name, number)
    if version == 1:
        migrate(state)
    return state


def migrate(state: State) -> None:
    """Bring a state of form 1 to today's form: newest place first, aged by its newest water.

    `proof_ml` and `proof_ul` meant something else in form 1, so a proof begins anew.
    """
    places = sorted([(age, ml) for age, ml in zip(state.ages_s, state.mls) if ml])
    places += [(0, 0)] * (DELIVERIES - len(places))
    state.ages_s = [max(0, age - PLACE_S) for age, _ in places]
    state.mls = [ml for _, ml in places]
    state.proof_ml = state.proof_ul = 0


def from_bytes(data: bytes) -> "State | None":
    """A State from its stored form, or None if it is damaged or newer than this core."""
    if len(data) < HEAD_SIZE + 4 or unpack("<I", data[-4:])[0] != crc32(data[:-4]):
        return None
    magic, version, count = unpack(HEAD, data[:HEAD_SIZE])
    if magic != MAGIC or not 1 <= version <= VERSION or len(data) != HEAD_SIZE + 4 * count + 4:
        return None
    state = from_numbers(unpack("<%di" % count, data[HEAD_SIZE:-4]), version)
    if state is not None:
        state.crc = "%08x" % crc32(data[:-4])
    return state


def end_dose(state: State) -> None:
    """No more pulses in this dose: look for a leak next (R8)."""
    state.plan_ul, state.phase = 0, FIRST_LOOK


def pass_time(state: State, elapsed_s: int, clock_ppt: int) -> None:
    """Let time pass that the board vouches for: every counter of seconds grows, up to LONG_S.

    Water that is surely older than 24 hours is forgotten. The sleep oscillator counted the time,
    so the window is wider by its error (R3).
    """
    state.cycle_s = add_capped(state.cycle_s, elapsed_s, LONG_S)
    state.since_dose_s = add_capped(state.since_dose_s, elapsed_s, LONG_S)
    state.look_s = add_capped(state.look_s, elapsed_s, LONG_S)
    state.soil_s = add_capped(state.soil_s, elapsed_s, LONG_S)
    state.told_s = add_capped(state.told_s, elapsed_s, LONG_S)
    state.presses_s = add_capped(state.presses_s, elapsed_s, LONG_S)
    state.place_s = add_capped(state.place_s, elapsed_s, LONG_S)
    state.filled_s = add_capped(state.filled_s, elapsed_s, LONG_S)
    state.proof_s = add_capped(state.proof_s, elapsed_s, LONG_S)
    state.creep_s = add_capped(state.creep_s, elapsed_s, LONG_S)
    window_s = DAY_S + muldiv_up(DAY_S, clock_ppt, 1000)
    for i in range(DELIVERIES):
        if not state.mls[i]:
            continue
        state.ages_s[i] = add_capped(state.ages_s[i], elapsed_s, LONG_S)
        if state.ages_s[i] >= window_s:
            state.ages_s[i] = state.mls[i] = 0


def deliver(state: State, ml: int) -> None:
    """Book water that left the tank, into the place of the last four hours or a new one (R3).

    A place ages from its newest water, so water counts too long rather than too short. If no place
    is free, the two oldest share one.
    """
    if ml <= 0:
        return
    if not state.mls[0] or state.place_s >= PLACE_S:
        last = DELIVERIES - 1
        if state.mls[last]:
            state.mls[last - 1] = add_capped(state.mls[last - 1], state.mls[last], 1000000)
        state.ages_s = [0] + state.ages_s[:last]
        state.mls = [0] + state.mls[:last]
        state.place_s = 0
    state.ages_s[0] = 0
    state.mls[0] = add_capped(state.mls[0], ml, 1000000)


def delivered_ml(state: State) -> int:
    """Water of the last 24 hours (R3)."""
    return min(sum(state.mls), 1000000)
