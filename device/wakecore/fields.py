"""Settings, hard limits and calibration: every name, its range, its default, its meaning.

Settings may be tuned, also over the air. Hard limits and calibration change by cable
only. All three reach the board as one line of JSON each (see `line`), checked here again,
because a file can be damaged. A default is always the careful choice: a pot that runs on
defaults is not commissioned (stage 0) and never pumps.
"""

from wakecore.number import is_whole, muldiv
from wakecore.table import MOST_POINTS

if False:
    from typing import Any

    from wakecore.typed import Points

VERSION = 1
DAY_S = 86400

# A field: (name, least, most, default)  # meaning
LIMITS = (
    ("pulse_ms", 200, 30000, 5000),  # longest pump run (R2)
    ("day_ml", 1, 5000, 200),  # most water in any 24 hours (R3)
    ("dose_ml", 1, 2000, 150),  # largest dose
    ("pulses", 1, 20, 8),  # most pulses in a dose
    ("flow_max_ul_s", 500, 200000, 50000),  # highest flow seen at commissioning (R3)
    ("reserve_ml", 0, 20000, 50),  # least tank content for a start (R4)
    ("dry_ms", 600, 30000, 3000),  # time in which a run must show water (R4)
    ("dry_trips", 1, 5, 3),  # dry runs before the lockout (R4)
    ("rest_mv", 0, 30000, 3500),  # lowest rest voltage for the pump (R5)
    ("sag_mv", 0, 30000, 3000),  # lowest voltage under the pump (R5)
    ("radio_mv", 0, 30000, 3600),  # lowest rest voltage for the radio (R5)
    ("cold_mc", -5000, 15000, 2000),  # soil readings below this temperature are ignored, m°C (R6)
    ("upkeep_ml", 0, 500, 0),  # largest upkeep dose (R6)
    ("upkeep_days", 1, 60, 3),  # least days between upkeep doses (R6)
    ("response_doses", 1, 10, 3),  # doses without a response before the lockout (R7)
    ("interrupts", 1, 5, 2),  # unfinished pulses in a row before the lockout (R9)
    ("clock_ppt", 0, 200, 50),  # error of the sleep oscillator, parts per thousand (R3)
)

SETTINGS = (
    ("wake_s", 900, 604800, DAY_S),  # time between regular wakes
    ("depletion_ppt", 50, 950, 500),  # part of the available water used up before watering
    ("fill_ppt", 500, 1000, 950),  # part of the container capacity a dose fills to
    ("dose_ml", 1, 2000, 80),  # the dose while the pot's response is not known
    ("pulse_ml", 1, 500, 40),  # water in one pulse
    ("soak_s", 30, 7200, 600),  # wait between pulses
    ("settle_s", 600, DAY_S, 14400),  # least time from one dose to the next
    ("response_ppt", 2, 200, 10),  # rise of soil water that counts as a response (R7)
    ("frozen_wakes", 3, 30, 5),  # wakes with exactly the same counts that mean a frozen probe (R6)
    ("fall_ppt_day", 16, 1000, 150),  # fastest plausible fall of soil water in a day (R6)
    ("battery_mv", 0, 30000, 3600),  # rest voltage for the low-battery lockout (R5)
    ("battery_clear_mv", 0, 30000, 3750),  # rest voltage that ends it (R5)
    ("battery_clear_wakes", 1, 10, 2),  # readings in a row that end it (R5)
    ("battery_warn_mv", 0, 30000, 3700),  # rest voltage that asks for a charge
    ("mains", 0, 1, 0),  # 1: the pot stays on a charger; its rest readings count
    ("reserve_ml", 0, 20000, 80),  # tank content below which no run starts (R4)
    ("tank_warn_ml", 0, 20000, 250),  # tank content that asks for a refill
    ("leak_ml_day", 0, 200, 5),  # tank loss in a day that counts as evaporation (R8)
    ("upkeep_ml", 0, 500, 0),  # upkeep dose while the probe is ignored; 0: none (R6)
    ("upkeep_days", 1, 60, 4),  # days between upkeep doses (R6)
    ("radio_wakes", 0, 96, 0),  # regular wakes from one report to the next; 0: no radio (R5)
)

CALIBRATION = (
    ("stage", 0, 2, 0),  # 0 not commissioned, 1 provisional, 2 commissioned (R14)
    ("capacity_ppt", 0, 1000, 400),  # soil water after soaking and draining, by volume
    ("wilting_ppt", 0, 1000, 100),  # soil water at which the plant wilts, by volume
    ("ul_per_ppt", 0, 100000, 0),  # water for one part per thousand of soil water; 0: not known
    ("flow_ul_s", 0, 200000, 0),  # usual flow, measured into a cup
    ("float_only", 0, 1, 0),  # 1: the level is a float switch and shows no amounts (R4)
    ("weighed", 0, 1, 0),  # 1: the soil probe is a scale, which the plant's growth shifts
    ("panel", 0, 1, 0),  # 1: a panel charges the cell: on the charger means in the sun (R5)
    ("tolerance_ml", 0, 5000, 20),  # scatter and resolution of the level (R4, R8)
    ("dry_ma", 0, 20000, 0),  # pump current below which it runs dry; 0: not judged (R4)
    ("wet_ppt", 1, 1000, 500),  # saucer reading from which it is wet (R15)
    ("awake_ua", 0, 1000000, 40000),  # current while awake
    ("sleep_ua", 0, 100000, 10),  # current asleep
    ("pump_ua", 0, 20000000, 500000),  # current of the pump
    ("radio_ua", 0, 1000000, 120000),  # current while the radio is on
    ("self_ua", 0, 100000, 50),  # what the cell loses by itself, as a current
)

# A probe: (name, least and most its table may give, what it is for)  # meaning
MAY, MUST = 0, 1  # may be fitted; must be fitted, or the pump never starts
RECORD_ONLY = 2  # may be fitted; is read and recorded, and decides nothing
PROBES = (
    ("soil", 0, 1000, MUST),  # parts per thousand of water by volume
    ("level", 0, 1000000, MUST),  # millilitres in the tank
    ("battery", 0, 30000, MUST),  # millivolts at rest
    ("temperature", -55000, 125000, MAY),  # millidegrees of the soil
    ("current", 0, 20000, MAY),  # milliamperes of the pump
    ("saucer", 0, 1000, MAY),  # parts per thousand, dry to wet
    ("charger", 0, 1, MAY),  # 1 charging, 0 not
    ("flowmeter", 0, 100000000, MAY),  # microlitres through the hose, by the meter's pulses
    ("weight", 0, 1000, RECORD_ONLY),  # parts per thousand of water by volume, by the pot's weight
)
NEEDED = tuple([row[0] for row in PROBES if row[3] == MUST])
COUNTS_LEAST, COUNTS_MOST = -(1 << 28), 1 << 28

KINDS = {"settings": SETTINGS, "limits": LIMITS, "calibration": CALIBRATION}

# A setting must stay inside a hard limit: (setting, "<=" or ">=", limit)
INSIDE = (
    ("dose_ml", "<=", "dose_ml"),
    ("pulse_ml", "<=", "dose_ml"),
    ("upkeep_ml", "<=", "upkeep_ml"),
    ("upkeep_days", ">=", "upkeep_days"),
    ("reserve_ml", ">=", "reserve_ml"),
    ("battery_mv", ">=", "rest_mv"),
)

# One value must be above another of its file: (kind, higher, lower)
ABOVE = (
    ("settings", "battery_clear_mv", "battery_mv"),
    ("calibration", "capacity_ppt", "wilting_ppt"),
)

# Old names and what they are called now, per kind: {version: ((old, new), ...)}.
RENAMED: "dict[str, dict[int, tuple[tuple[str, str], ...]]]"
RENAMED = {"settings": {}, "limits": {}, "calibration": {}}


class Probe:
    """One probe's calibration: its table, its rails and the scatter it may show."""

    def __init__(self, points: "Points", rails: list[int], spread: int) -> None:
        self.points = points
        self.rail_low, self.rail_high = rails
        self.spread = spread
        self.low, self.high = points[0][0], points[-1][0]
        self.margin = (self.high - self.low) // 20


class Values:
    """What `load` returns: one attribute for each field, one for each probe."""

    pulse_ms: int
    day_ml: int
    dose_ml: int
    pulses: int
    flow_max_ul_s: int
    reserve_ml: int
    dry_ms: int
    dry_trips: int
    rest_mv: int
    sag_mv: int
    radio_mv: int
    cold_mc: int
    upkeep_ml: int
    upkeep_days: int
    response_doses: int
    interrupts: int
    clock_ppt: int
    wake_s: int
    depletion_ppt: int
    fill_ppt: int
    pulse_ml: int
    soak_s: int
    settle_s: int
    response_ppt: int
    frozen_wakes: int
    fall_ppt_day: int
    battery_mv: int
    battery_clear_mv: int
    battery_clear_wakes: int
    battery_warn_mv: int
    mains: int
    tank_warn_ml: int
    leak_ml_day: int
    radio_wakes: int
    stage: int
    capacity_ppt: int
    wilting_ppt: int
    ul_per_ppt: int
    flow_ul_s: int
    float_only: int
    weighed: int
    panel: int
    tolerance_ml: int
    dry_ma: int
    wet_ppt: int
    awake_ua: int
    sleep_ua: int
    pump_ua: int
    radio_ua: int
    self_ua: int
    soil: "Probe | None"
    level: "Probe | None"
    battery: "Probe | None"
    temperature: "Probe | None"
    current: "Probe | None"
    saucer: "Probe | None"
    charger: "Probe | None"
    flowmeter: "Probe | None"
    weight: "Probe | None"

    def __init__(self, kind: str) -> None:
        for name, _, _, default in KINDS[kind]:
            setattr(self, name, default)
        self.limits_id = self.id = ""
        if kind == "calibration":
            for row in PROBES:
                setattr(self, row[0], None)


def migrate(
    kind: str, data: "dict[str, Any]", renamed: "dict[str, Any] | None" = None
) -> "tuple[dict[str, Any] | None, str]":
    """`data` with names of older versions replaced by today's; a newer version is refused."""
    version = data.get("version")
    if not is_whole(version, 1, VERSION):
        return None, "version %s, this core knows 1 to %d" % (version, VERSION)
    steps = (renamed or RENAMED)[kind]
    data = dict(data)
    for step in range(version, VERSION + 1):
        for old, new in steps.get(step, ()):
            if old in data and new not in data:
                data[new] = data.pop(old)
    return data, ""


def load(kind: str, data: "dict[str, Any]", identity: str) -> "tuple[Any, str]":
    """(values, "") from a decoded file of that kind, or (None, why not).

    identity: the file's CRC in hexadecimal. A name this version does not know is
    refused; a name it lacks takes its default.
    """
    found, why = migrate(kind, data)
    if found is None:
        return None, why
    data, values = found, Values(kind)
    values.id = identity
    known = ["kind", "version", "limits_id"]
    for name, least, most, default in KINDS[kind]:
        value = data.get(name, default)
        if not is_whole(value, least, most):
            return None, "%s = %s, allowed %d to %d" % (name, value, least, most)
        setattr(values, name, value)
        known.append(name)
    values.limits_id = data.get("limits_id", "")
    if kind == "calibration":
        for name, least, most, _ in PROBES:
            known += [name + "_points", name + "_rails", name + "_spread"]
            if name + "_points" in data:
                probe, why = load_probe(name, data, least, most)
                if why:
                    return None, why
                setattr(values, name, probe)
    for name in data:
        if name not in known:
            return None, "%s is not a name of %s" % (name, kind)
    for which, high, low in ABOVE:
        if which == kind and getattr(values, high) <= getattr(values, low):
            return None, "%s is not above %s" % (high, low)
    return values, ""


def load_probe(
    name: str, data: "dict[str, Any]", least: int, most: int
) -> "tuple[Probe | None, str]":
    """(Probe, "") from NAME_points, NAME_rails and NAME_spread, or (None, why not).

    least, most: what the table may give.
    """
    flat: "list[Any]" = data[name + "_points"]
    rails = data.get(name + "_rails")
    spread = data.get(name + "_spread", 0)
    if type(flat) is not list or len(flat) % 2 or not 4 <= len(flat) <= 2 * MOST_POINTS:
        return None, "%s_points: 2 to %d pairs of counts and value" % (name, MOST_POINTS)
    if type(rails) is not list or len(rails) != 2:
        return None, "%s_rails: two counts, low and high" % name
    for counts in flat[::2] + rails + [spread]:
        if not is_whole(counts, COUNTS_LEAST, COUNTS_MOST):
            return None, "%s: %s is not a number of counts" % (name, counts)
    for value in flat[1::2]:
        if not is_whole(value, least, most):
            return None, "%s_points: value %s, allowed %d to %d" % (name, value, least, most)
    points = tuple([(flat[i], flat[i + 1]) for i in range(0, len(flat), 2)])
    rising = points[1][1] > points[0][1]
    for i in range(1, len(points)):
        (counts0, value0), (counts1, value1) = points[i - 1], points[i]
        if counts1 <= counts0 or value1 == value0 or (value1 > value0) != rising:
            return None, "%s_points: counts must rise, values go one way" % name
    if not rails[0] < points[0][0] < points[-1][0] < rails[1]:
        return None, "%s_rails: points must lie between" % name
    return Probe(points, rails, spread), ""


def outside(settings: "Values", limits: "Values") -> str:
    """Which setting is beyond a hard limit, as a sentence; "" if none."""
    for name, sense, limit in INSIDE:
        value, bound = getattr(settings, name), getattr(limits, limit)
        if value > bound if sense == "<=" else value < bound:
            side = "most" if sense == "<=" else "least"
            return "%s = %d, the hard limit is at %s %d" % (name, value, side, bound)
    return ""


def refill_ppt(settings: "Values", calibration: "Values") -> int:
    """The refill point: the soil water at which to water. It is the container capacity less the
    part of the available water that may be used up (`depletion_ppt`)."""
    available = calibration.capacity_ppt - calibration.wilting_ppt
    return calibration.capacity_ppt - muldiv(available, settings.depletion_ppt, 1000)


def target_ppt(settings: "Values", calibration: "Values") -> int:
    """The soil water a dose fills to."""
    return muldiv(calibration.capacity_ppt, settings.fill_ppt, 1000)


def dose_of_nothing(settings: "Values", calibration: "Values") -> str:
    """Why these settings would never give water, as a sentence; "" if they do (R16)."""
    refill, target = refill_ppt(settings, calibration), target_ppt(settings, calibration)
    if target > refill:
        return ""
    return "a dose fills to %d ppt, which is not above the refill point %d ppt" % (target, refill)


def widest_limits() -> "Values":
    """The most that any limit may be."""
    values = Values("limits")
    for name, _, most, _ in LIMITS:
        setattr(values, name, most)
    return values


class Pot:
    """The three files in force. match: they were made for one another.

    counted_by: limits for the accounts of water that was given (R3, R18). If those in force cannot
    be read, their defaults say nothing of that water, so the widest limits count.
    core: which core this is, for the record.
    """

    def __init__(
        self, settings: "Values", limits: "Values", calibration: "Values", core: str = ""
    ) -> None:
        self.settings, self.limits, self.calibration = settings, limits, calibration
        self.counted_by = limits if limits.id else widest_limits()
        self.core = core
        self.match = self.agree()

    def agree(self) -> bool:
        """True if settings and calibration were made for these limits and stay inside them."""
        settings, limits, calibration = self.settings, self.limits, self.calibration
        if not limits.id or settings.limits_id != limits.id or calibration.limits_id != limits.id:
            return False
        if outside(settings, limits) or dose_of_nothing(settings, calibration):
            return False
        for name in NEEDED:
            if getattr(calibration, name) is None:
                return False
        return 0 < calibration.flow_ul_s <= limits.flow_max_ul_s
