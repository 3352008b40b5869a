"""Permissives, lockouts and needs, as lists a person can read down.

A permissive must hold before the pump may start. A lockout keeps the pump off until it is
ended. A need asks somebody for something. Each row cites its requirement. The conditions
look at `f`, the facts of this wake (see `judge.Facts`). Only `latch` and `clear` change
anything: the lockouts of the state and the counters that led to them.
"""

if False:
    from wakecore.fields import Values
    from wakecore.judge import Facts
    from wakecore.state import State
    from wakecore.typed import Need

# Who ends a lockout: the pot itself, the owner with the button, or the maker with the cable
ITSELF, BUTTON, CABLE = "itself", "button", "cable"

# Permissives: (name, requirement). The condition of each is in `judge_permissives`, by name.
# fmt: off
PERMISSIVES = (
    ("pin",          "R1"),
    ("boots",        "R9"),
    ("files",        "R11"),
    ("match",        "R14"),
    ("commissioned", "R14"),
    ("lockouts",     "R9"),
    ("battery",      "R5"),
    ("level",        "R4"),
    ("reserve",      "R4"),
    ("steady",       "R8"),
    ("soil",         "R6"),
    ("moving",       "R6"),
    ("settled",      "R7"),
    ("saucer",       "R15"),
    ("day",          "R3"),
    ("answer",       "R18"),
)
# fmt: on


def judge_permissives(f: "Facts") -> "tuple[dict[str, int], bool]":
    """{name: 1 or 0} for every permissive, in the order of the list, and whether all hold."""
    blind = is_blind(f)
    # fmt: off
    judged = {
        "pin":          1 if f.pin_good else 0,
        "boots":        1 if f.boots < 3 else 0,
        "files":        1 if f.files_good else 0,
        "match":        1 if f.match else 0,
        "commissioned": 1 if f.stage == 2 or (f.stage == 1 and f.dose_kind == "upkeep") else 0,
        "lockouts":     1 if f.lockouts == 0 else 0,
        "battery":      1 if f.battery_mv is not None and f.battery_mv >= f.battery_floor_mv else 0,
        "level":        1 if f.level_ml is not None else 0,
        "reserve":      1 if (f.level_ml or 0) >= f.start_ml else 0,
        "steady":       1 if f.level_steady else 0,
        "soil":         1 if f.soil_ppt is not None or blind else 0,
        "moving":       1 if not f.soil_unchanged or blind else 0,
        "settled":      1 if f.soaking or f.since_dose_s >= f.settle_s else 0,
        "saucer":       1 if f.saucer in ("unfitted", "dry") else 0,
        "day":          1 if f.day_left_ml > 0 else 0,
        "answer":       1 if f.unanswered_left_ul > 0 else 0,
    }
    # fmt: on
    return judged, 0 not in judged.values()


# Lockouts: (name, requirement, who ends it). `wake` latches and ends them. The order is that of the
# stored bits, so a new one is added at the end.
# fmt: off
LOCKOUTS = (
    ("battery low",   "R5",  ITSELF),
    ("dry run",       "R4",  BUTTON),
    ("leak",          "R8",  CABLE),
    ("no response",   "R7",  BUTTON),
    ("interrupted",   "R9",  BUTTON),
    ("saucer wet",    "R15", BUTTON),
    ("state lost",    "R11", BUTTON),
    ("files damaged", "R11", CABLE),
)
# fmt: on

BITS = {row[0]: 1 << i for i, row in enumerate(LOCKOUTS)}
BUTTON_BITS = sum([BITS[row[0]] for row in LOCKOUTS if row[2] == BUTTON])
SILENT_BIT = BITS["no response"]
CABLE_BITS = sum([BITS[row[0]] for row in LOCKOUTS if row[2] == CABLE])

# How soon a need is reported by radio (R17). AT_ONCE: as soon as it is new, if the cell is good.
# LAST_WORD: also on a weak or unknown cell, if its last believed voltage is enough for one report
AT_ONCE, LAST_WORD = "at once", "last word"

# Needs: (name, whom it asks, requirement, how soon). The condition of each is in `need_bits`, by
# name. The order is the order of the stored bits, so a new one is added at the end.
# fmt: off
NEEDS: "tuple[Need, ...]" = (
    ("fill the tank",            "owner", "R4",  AT_ONCE),
    ("charge the battery",       "owner", "R5",  AT_ONCE),
    ("see to the battery",       "owner", "R5",  LAST_WORD),
    ("confirm the charge",       "owner", "R5",  AT_ONCE),
    ("unplug the charger",       "owner", "R5",  AT_ONCE),
    ("see to the soil probe",    "owner", "R6",  AT_ONCE),
    ("see to the thermometer",   "owner", "R6",  AT_ONCE),
    ("see to the level",         "owner", "R4",  AT_ONCE),
    ("free the button",          "owner", "R12", AT_ONCE),
    ("empty the saucer",         "owner", "R15", AT_ONCE),
    ("see to the saucer probe",  "owner", "R15", AT_ONCE),
    ("clear a lockout",          "owner", "R9",  AT_ONCE),
    ("see to the pot",           "maker", "R11", AT_ONCE),
    ("commission the pot",       "maker", "R14", AT_ONCE),
    ("see why it stays dry",     "maker", "R7",  AT_ONCE),
    ("water by hand",            "owner", "R16", LAST_WORD),
    ("see to the hose",          "owner", "R18", AT_ONCE),
    ("see why the tank empties", "owner", "R8",  AT_ONCE),
)
# fmt: on
NEED_BITS = {row[0]: 1 << i for i, row in enumerate(NEEDS)}
THIRSTY = 3  # regular wakes in a row that lack water before somebody is asked (R16)
LAST_WORD_BITS = sum([NEED_BITS[row[0]] for row in NEEDS if row[3] == LAST_WORD])


def is_blind(facts: "Facts") -> bool:
    """Does this dose need no believed soil: by a press, or upkeep in soil not cold (R6)?"""
    return facts.dose_kind == "manual" or (facts.dose_kind == "upkeep" and not facts.soil_cold)


def is_below(value: "int | None", bound: int) -> bool:
    """Is the value believed, and below the bound?"""
    return value is not None and value < bound


def need_bits(f: "Facts") -> int:
    """The needs as one bit each.

    A need of tank or battery ends a little above the value at which it begins. Otherwise a reading
    that goes up and down around that value would ask again and again (R17).
    """
    bits = 0
    if not f.tank_empties:
        already = f.needs_before & NEED_BITS["fill the tank"]
        warn_ml = f.warn_ml + f.scatter_ml if already else f.warn_ml
        if is_below(f.level_ml, warn_ml) or f.float_opened:
            bits |= NEED_BITS["fill the tank"]
    already = f.needs_before & NEED_BITS["charge the battery"]
    charge_mv = f.charge_mv + 20 if already else f.charge_mv
    if is_below(f.battery_mv, charge_mv) or f.battery_weak:
        bits |= NEED_BITS["charge the battery"]
    if f.battery_mv is None:
        bits |= NEED_BITS["see to the battery"]
    if f.confirm_charge:
        bits |= NEED_BITS["confirm the charge"]
    if f.unplug_charger:
        bits |= NEED_BITS["unplug the charger"]
    if (f.soil_ppt is None and not f.soil_ignored) or f.probe_doubted:
        bits |= NEED_BITS["see to the soil probe"]
    if f.thermometer_lost or (f.soil_ignored and f.thirst >= THIRSTY):
        bits |= NEED_BITS["see to the thermometer"]
    if f.level_ml is None or f.gauge_doubted:
        bits |= NEED_BITS["see to the level"]
    if f.button_masked:
        bits |= NEED_BITS["free the button"]
    if f.saucer == "wet":
        bits |= NEED_BITS["empty the saucer"]
    if f.saucer == "lost":
        bits |= NEED_BITS["see to the saucer probe"]
    if f.lockouts & (BUTTON_BITS - SILENT_BIT if f.press_spent else BUTTON_BITS) or f.tank_is_back:
        bits |= NEED_BITS["clear a lockout"]
    if f.lockouts & CABLE_BITS or f.store_failed or f.given_up:
        bits |= NEED_BITS["see to the pot"]
    if f.stage < 2 or not f.match:
        bits |= NEED_BITS["commission the pot"]
    if f.thirst >= THIRSTY:
        bits |= NEED_BITS["see why it stays dry"] | NEED_BITS["water by hand"]
    if f.soil_silent or f.press_spent:
        bits |= NEED_BITS["see to the hose"]
    if f.tank_empties:
        bits |= NEED_BITS["see why the tank empties"]
    return bits


def need_names(bits: int) -> list[str]:
    """The names of those needs, in the order of the list."""
    if not bits:
        return []
    return [row[0] for i, row in enumerate(NEEDS) if bits >> i & 1]


def latch(state: "State", name: str) -> None:
    """Latch a lockout."""
    state.lockouts |= BITS[name]


def latch_counts(state: "State", limits: "Values") -> None:
    """Lock out if something failed too often in a row (R4, R7, R9). How often is too often is not
    known while the limits cannot be read; it is judged as soon as they can."""
    if not limits.id:
        return
    if state.dry_trips >= limits.dry_trips:
        latch(state, "dry run")
    if state.silent_doses >= limits.response_doses:
        latch(state, "no response")
    if state.interrupts >= limits.interrupts:
        latch(state, "interrupted")


def clear(state: "State", bits: int) -> None:
    """End the lockouts of these bits, and set back the counters that led to them."""
    gone = state.lockouts & bits
    state.lockouts &= ~bits
    if gone & BITS["dry run"]:
        state.dry_trips = 0
    if gone & BITS["no response"]:
        state.silent_doses = state.unanswered_ul = state.tries = 0
        state.tried_ppt = -1
    if gone & BITS["interrupted"]:
        state.interrupts = 0
    if gone & BITS["leak"]:
        state.leak_looks = state.fill_looks = 0
        state.look_ml = state.filled_ml = state.leak_ml = -1
        state.trial_doses = 0
    if gone & BITS["battery low"]:
        state.clear_wakes = state.low_wakes = 0


def latched(state: "State") -> list[str]:
    """The names of the latched lockouts, in the order of the list."""
    if not state.lockouts:
        return []
    return [row[0] for row in LOCKOUTS if state.lockouts & BITS[row[0]]]
