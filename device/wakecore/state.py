"""What a pot remembers while it sleeps, and its account of the last 24 hours' water.

The state is a row of small integers. It is stored as bytes with a version and a CRC,
in two slots that take turns; the newer valid one is the truth. Fields are only ever
added at the end, so an older state still loads: what it lacks takes its start value.
"""

from binascii import crc32
from struct import pack, unpack

from wakecore.number import SMALL_MAX, SMALL_MIN, add_capped, muldiv_down

VERSION = 1
MAGIC = b"wake"
HEAD = "<4sHH"
HEAD_SIZE = 8

LONG_S = 63 * 86400  # counters of seconds stop here: longer than any wait in the settings
UNKNOWN = -1

# What a dose is doing between two wakes
IDLE, SOAK, FIRST_LOOK, SECOND_LOOK = 0, 1, 2, 3
PHASES = ("idle", "soak", "first look", "second look")

# Deliveries of the last 24 hours: eight places, each opened at least four hours and a bit
# after the one before, are enough for the widest window.
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
    ("proof_ml", -1000000, 1000000, 0),  # fall of the level over the pulses of a proof (R4)
    ("proof_ul", 0, SMALL_MAX, 0),  # water commanded in these pulses (R4)
    ("look_ml", -1, 1000000, UNKNOWN),  # tank content with the pump off, to compare with (R8)
    ("look_s", 0, LONG_S, 0),  # time since then (R8)
    ("leak_looks", 0, 100, 0),  # looks in a row that found too little (R8)
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
    ("denied", 0, 100, 0),  # regular wakes in a row that asked for water and gave none
    ("calibration_mark", 0, SMALL_MAX, 0),  # which calibration the quantities above came from
    ("quiet_wakes", 0, 100, 0),  # regular wakes since the last report by radio
    ("told", 0, SMALL_MAX, 0),  # needs of the last report, one bit for each, in the list's order
    ("reporting", 0, 1, 0),  # 1: what came of the last report is not known yet (R13)
    ("radio_fails", 0, 100, 0),  # reports in a row that nobody heard (R17)
    ("radio_wait", 0, 1000, 0),  # regular wakes to let pass before the next try (R17)
)
NAMES = tuple([row[0] for row in FIELDS])
STORED = HEAD + "%di" % (2 * DELIVERIES + len(FIELDS))


class State:
    """One attribute for each field above, and the deliveries: `ages_s` and `mls`."""

    def __init__(self):
        for name, _, _, start in FIELDS:
            setattr(self, name, start)
        self.ages_s = [0] * DELIVERIES
        self.mls = [0] * DELIVERIES
        self.crc = ""  # of the stored form, as text; set by to_bytes and from_bytes

    def numbers(self):
        """All numbers in stored order: deliveries first, so that fields can grow at the end."""
        return self.ages_s + self.mls + [getattr(self, name) for name in NAMES]

    def to_bytes(self):
        """The stored form, closed by its CRC."""
        numbers = self.numbers()
        body = pack(STORED, MAGIC, VERSION, len(numbers), *numbers)
        crc = crc32(body)
        self.crc = "%08x" % crc
        return body + pack("<I", crc)


def from_numbers(numbers):
    """A State from stored numbers, or None if one is out of range or too few are there.

    Numbers beyond the fields known here come from a newer core and are left alone.
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
    return state


def from_bytes(data):
    """A State from its stored form, or None if it is damaged or newer than this core."""
    if len(data) < HEAD_SIZE + 4 or unpack("<I", data[-4:])[0] != crc32(data[:-4]):
        return None
    magic, version, count = unpack(HEAD, data[:HEAD_SIZE])
    if magic != MAGIC or not 1 <= version <= VERSION or len(data) != HEAD_SIZE + 4 * count + 4:
        return None
    state = from_numbers(unpack("<%di" % count, data[HEAD_SIZE:-4]))
    if state is not None:
        state.crc = "%08x" % crc32(data[:-4])
    return state


def end_dose(state):
    """No more pulses in this dose: look for a leak next (R8)."""
    state.plan_ul, state.phase = 0, FIRST_LOOK


def pass_time(state, elapsed_s):
    """Let vouched time pass: every counter of seconds grows, none past LONG_S."""
    state.cycle_s = add_capped(state.cycle_s, elapsed_s, LONG_S)
    state.since_dose_s = add_capped(state.since_dose_s, elapsed_s, LONG_S)
    state.look_s = add_capped(state.look_s, elapsed_s, LONG_S)
    state.soil_s = add_capped(state.soil_s, elapsed_s, LONG_S)
    for i in range(DELIVERIES):
        if state.mls[i]:
            state.ages_s[i] = add_capped(state.ages_s[i], elapsed_s, LONG_S)


def deliver(state, ml):
    """Book water that left the tank, into the place of the last four hours or a new one (R3).

    Should no place be free, the oldest takes it and counts anew: longer, never shorter.
    """
    if ml <= 0:
        return
    place = 0
    for i in range(DELIVERIES):
        if state.mls[i] and state.ages_s[i] < PLACE_S:
            state.mls[i] = add_capped(state.mls[i], ml, 1000000)
            return
        if state.mls[place] and (not state.mls[i] or state.ages_s[i] > state.ages_s[place]):
            place = i
    state.ages_s[place] = 0
    state.mls[place] = add_capped(state.mls[place], ml, 1000000)


def delivered_ml(state, clock_ppt):
    """Water of the last 24 hours; what is surely older is forgotten (R3).

    The window is wider than 24 hours by the error of the sleep oscillator, which is what
    counted the time, and by the time a place takes in water.
    """
    window_s = 86400 + muldiv_down(86400, clock_ppt, 1000) + PLACE_S
    total = 0
    for i in range(DELIVERIES):
        if state.mls[i]:
            if state.ages_s[i] >= window_s:
                state.ages_s[i] = state.mls[i] = 0
            total = add_capped(total, state.mls[i], 1000000)
    return total
