"""One pulse: the pump runs, samples come in, and any trip stops it at once.

TRIPS lists what stops a pulse early. WATCH lists the parts that are read while the pump runs,
each of them a channel. `rows_of` says at which value each trip happens: the watch list.

Everything the loop needs is made before the pump starts: for each channel a list that
holds all samples of the run, and every threshold turned into raw counts. `step` only stores and
compares small integers. It takes no memory, because the heap is locked while it runs.

A row of the watch list: (trip, channel, sign, limit, after_ms, samples). From `after_ms`
on, `sign * counts > limit` in that many samples in a row is a trip. `step` goes through the list
only when a count is outside the bounds within which no row can be hit (`watched`).
"""

from wakecore.fields import NEEDED
from wakecore.number import muldiv_down, muldiv_up
from wakecore.table import counts_at, direction

if False:
    from wakecore.fields import Pot, Probe
    from wakecore.typed import Channel, Watch

SAMPLE_MS = 150  # the board samples and renews its 200 ms hardware pulse this often (R2)
OVERRUN_MS = 200  # what the hardware pulse may add after the last renewal (R2)
MOST_SAMPLES = 30000 // SAMPLE_MS + 2

UNREAD = 1 << 29  # a channel holds this when its part does not answer; real counts are smaller

LEAST_EDGES = 3  # fewer pulses of a flow meter are no flow: its wheel may just rock

KEEP, DONE, STOP = 0, 1, 2  # keep running; the pulse is complete; a trip

# What a trip proves: nothing, that no water came, or that no water came if the level is a float
# switch. A float that opened in the pulse and closed again after it does not mean a full tank (R4)
NOTHING, NO_WATER, NO_WATER_BY_FLOAT = "", "no water", "no water by a float"

# What stops a pulse early: (trip, requirement, what it proves, the lockout it latches at once)
# fmt: off
TRIPS = (
    ("full",         "R2",  NOTHING,           ""),             # more samples than fit its time
    ("fault",        "R2",  NO_WATER,          ""),             # a part failed, or no memory left
    ("day",          "R3",  NOTHING,           ""),             # the day's water left the tank
    ("reserve",      "R4",  NO_WATER_BY_FLOAT, ""),             # tank at its reserve, or float open
    ("no flow",      "R4",  NO_WATER,          ""),             # the level does not fall
    ("no load",      "R4",  NO_WATER,          ""),             # the pump draws too little: dry
    ("fast fall",    "R8",  NOTHING,           "leak"),         # faster than any pump: hose, siphon
    ("level lost",   "R4",  NO_WATER,          ""),             # the level does not answer
    ("sag",          "R5",  NOTHING,           "battery low"),  # cell below sag_mv under the pump
    ("battery lost", "R5",  NOTHING,           "battery low"),  # the cell does not answer
    ("wet",          "R15", NOTHING,           "saucer wet"),   # the saucer is wet
    ("saucer lost",  "R15", NOTHING,           ""),             # the saucer does not answer
    ("no count",     "R4",  NO_WATER,          ""),             # the flow meter counts too little
)
# fmt: on
DELIVERED = ""  # no trip: all the water of the pulse is through the flow meter
DRY_RUNS = tuple([row[0] for row in TRIPS if row[2] == NO_WATER])
FLOAT_DRY_RUNS = tuple([row[0] for row in TRIPS if row[2] != NOTHING])
LATCHES = {row[0]: row[3] for row in TRIPS if row[3]}


class Run:
    """A pulse of `pulse_ms`, ready to start. `trip` is None unless a row above stopped it."""

    def __init__(self, pulse_ms: int, rows: "tuple[Watch, ...]") -> None:
        self.pulse_ms = pulse_ms
        self.rows = rows
        self.now = [UNREAD] * len(CHANNELS)  # the board writes the newest sample here
        self.hits = [0] * len(rows)
        self.row_hit = False  # was a row hit by the last sample?
        self.count = 0
        self.most = min(MOST_SAMPLES, pulse_ms // SAMPLE_MS + 2)
        self.ms = [0] * self.most
        self.watched = watched(rows, self.most)
        self.trip: str | None = None
        self.ran_ms = 0

    def step(self) -> int:
        """Take the sample in `now`, and say KEEP, DONE or STOP. Takes no memory."""
        now, at, row_hit = self.now, self.count, self.row_hit
        self.ms[at] = ms = now[MS]
        for channel, samples, least, most in self.watched:
            samples[at] = counts = now[channel]
            if not least <= counts <= most:
                row_hit = True
        self.count = at + 1
        if row_hit and self.is_tripped(ms):
            return STOP if self.trip else DONE
        if ms >= self.pulse_ms:
            return DONE
        if self.count >= self.most:
            self.trip = "full"
            return STOP
        return KEEP

    def is_tripped(self, ms: int) -> bool:
        """Go through the watch list: has a row been hit in enough samples in a row?

        It sets `row_hit` if any row is hit now. The row DELIVERED ends the pulse without a trip.
        """
        now, hits, self.row_hit = self.now, self.hits, False
        i = 0
        for trip, channel, sign, limit, after_ms, wanted in self.rows:
            if sign * now[channel] > limit and ms >= after_ms:
                self.row_hit = True
                hits[i] += 1
                if hits[i] >= wanted:
                    self.trip = trip or None
                    return True
            else:
                hits[i] = 0
            i += 1
        return False

    def end(self, ran_ms: int, trip: "str | None" = None) -> None:
        """The pump is off: how long the board says it ran, and a trip of the board's own.

        A clock that stands still makes no run shorter: it lasted as long as its samples (R2, R3).
        """
        if self.trip is None:
            self.trip = trip
        slowest_ms = self.count * SAMPLE_MS
        self.ran_ms = slowest_ms if ran_ms < slowest_ms - SAMPLE_MS else ran_ms
        del self.ms[self.count :]
        for _, samples, _, _ in self.watched:
            del samples[self.count :]

    def last(self, name: str) -> int:
        """The counts of that channel in the last whole sample, UNREAD if there is none."""
        for channel, samples, _, _ in self.watched:
            if CHANNELS[channel] == name and self.count:
                return samples[self.count - 1]
        return UNREAD

    def record(self) -> "dict[str, int | list[int]]":
        """For the record: how long the pulse ran, and each channel's samples, not copied."""
        found: "dict[str, int | list[int]]" = {"ran_ms": self.ran_ms, "ms": self.ms}
        for channel, samples, _, _ in self.watched:
            found[CHANNELS[channel]] = samples
        return found


def watched(rows: "tuple[Watch, ...]", samples: int) -> "tuple[Channel, ...]":
    """For each channel in the rows: (channel, room for its samples, least, most). While all counts
    are within these bounds, no row is hit."""
    width = len(CHANNELS)
    least, most = [-UNREAD] * width, [UNREAD] * width
    for _, channel, sign, limit, _, _ in rows:
        if sign > 0:
            most[channel] = min(most[channel], limit)
        else:
            least[channel] = max(least[channel], -limit)
    bounded = [i for i in range(width) if least[i] > -UNREAD or most[i] < UNREAD]
    return tuple([(i, [0] * samples, least[i], most[i]) for i in bounded])


def moved_ul(ms: int, flow_ul_s: int) -> int:
    """Water that the pump moves in that time, in microlitres, rounded up."""
    return muldiv_up(ms, flow_ul_s, 1000)


def most_fall_ml(ms: int, pot: "Pot") -> int:
    """The most the level may fall by in that time: twice what the strongest flow moves, and the
    scatter between two readings (R8)."""
    return muldiv_up(ms, pot.limits.flow_max_ul_s, 500000) + 2 * pot.calibration.tolerance_ml


def trip_below(
    trip: str, channel: int, probe: "Probe", value: int, after_ms: int, wanted: int
) -> "Watch":
    """A row of the watch list: trips while the quantity is below `value`."""
    sign = direction(probe.points)
    return (trip, channel, -sign, -sign * counts_at(probe.points, value), after_ms, wanted)


def trip_at_least(
    trip: str, channel: int, probe: "Probe", value: int, after_ms: int, wanted: int
) -> "Watch":
    """A row of the watch list: trips while the quantity is `value` or more."""
    sign = direction(probe.points)
    return (trip, channel, sign, sign * counts_at(probe.points, value) - 1, after_ms, wanted)


def rows_of(
    name: str, place: int, probe: "Probe", pot: "Pot", pulse_ms: int, level_ml: int, day_ml: int
) -> "list[Watch]":
    """The rows of a channel: at which value it trips. Their last two numbers are the milliseconds
    from which on it counts, and the samples in a row.

    level_ml: tank content; day_ml: what the 24 hours still allow. The level must have fallen by a
    quarter of what the usual flow moves in `dry_ms`, if the gauge can show that much. If it cannot,
    several pulses together are judged (see `tank.judge_proof`).
    """
    limits, cal = pot.limits, pot.calibration
    if name == "battery":
        return [trip_below("sag", place, probe, limits.sag_mv, 0, 2)]
    if name == "current":
        return [trip_below("no load", place, probe, cal.dry_ma, 600, 3)] if cal.dry_ma else []
    if name == "saucer":
        return [trip_at_least("wet", place, probe, cal.wet_ppt, 0, 2)]
    if name != "level":
        return []
    reserve_ml = max(limits.reserve_ml, pot.settings.reserve_ml)
    rows = [trip_below("reserve", place, probe, reserve_ml, 0, 2)]
    if cal.float_only:
        return rows
    least_fall_ml = muldiv_down(limits.dry_ms, cal.flow_ul_s, 4000000)
    if least_fall_ml > cal.tolerance_ml:
        high_ml = level_ml - least_fall_ml
        rows.append(trip_at_least("no flow", place, probe, high_ml, limits.dry_ms, 2))
    for trip, fall_ml in (
        ("fast fall", most_fall_ml(pulse_ms, pot)),
        ("day", day_ml + cal.tolerance_ml),
    ):
        if fall_ml < level_ml:
            rows.append(trip_below(trip, place, probe, level_ml - fall_ml, 0, 2))
    return rows


# What is read while the pump runs, one row for each channel: (probe, the trip if it does not answer
# in two samples in a row). The other trips of a channel are in `rows_of`; those of the flow meter
# are in `flowmeter.rows`. A part that is not fitted is not watched. If one sample hits two rows,
# the upper row counts.
# fmt: off
WATCH = (
    ("battery",   "battery lost"),
    ("level",     "level lost"),
    ("current",   "no load"),
    ("saucer",    "saucer lost"),
    ("flowmeter", "no count"),
)
# fmt: on
MS = 0  # the place of the time in a sample; the channels follow, in the order of WATCH
CHANNELS = ("ms",) + tuple([row[0] for row in WATCH])
PLACES = {name: place for place, name in enumerate(CHANNELS)}


def prepare(
    pulse_ms: int, level_ml: int, day_left_ml: int, pot: "Pot", more: "tuple[Watch, ...]" = ()
) -> Run:
    """The watch list for this pulse, in raw counts: a Run, not yet started.

    more: rows of parts with a file of their own.
    """
    first: "list[Watch]" = []  # parts that every pot has: that they answer is checked first
    rows: "list[Watch]" = []
    for name, lost in WATCH:
        probe: "Probe | None" = getattr(pot.calibration, name)
        if probe is not None:
            needed = name in NEEDED
            (first if needed else rows).append((lost, PLACES[name], 1, UNREAD - 1, 0, 2))
            rows += rows_of(name, PLACES[name], probe, pot, pulse_ms, level_ml, day_left_ml)
    return Run(pulse_ms, tuple(first + rows) + more)
