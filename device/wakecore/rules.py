"""Permissives, lockouts and needs, as lists a person can read down.

A permissive must hold before the pump may start. A lockout stays until its way out is
taken. A need asks somebody for something. Each row cites its requirement and looks at
`f`, the facts of this wake (see `judge.Facts`); nothing here changes anything but the
lockout bits of the state.
"""

if False:
    from wakecore.judge import Facts
    from wakecore.state import State
    from wakecore.typed import Need

# The way out of a lockout
ITSELF, BUTTON, CABLE = "itself", "button", "cable"

# Permissives: (name, requirement). Whether each holds stands in `judge_permissives`, by name.
PERMISSIVES = (
    ("pin", "R1"),
    ("boots", "R9"),
    ("files", "R11"),
    ("match", "R14"),
    ("commissioned", "R14"),
    ("lockouts", "R9"),
    ("battery", "R5"),
    ("level", "R4"),
    ("reserve", "R4"),
    ("steady", "R8"),
    ("soil", "R6"),
    ("moving", "R6"),
    ("settled", "R7"),
    ("saucer", "R15"),
    ("day", "R3"),
    ("answer", "R18"),
)


def judge_permissives(f: "Facts") -> "tuple[dict[str, int], bool]":
    """{name: 1 or 0} for every permissive, in the order of the list, and whether all hold."""
    blind = is_blind(f)
    judged = {
        "pin": 1 if f.pin_good else 0,
        "boots": 1 if f.boots < 3 else 0,
        "files": 1 if f.files_good else 0,
        "match": 1 if f.match else 0,
        "commissioned": 1 if f.stage == 2 or (f.stage == 1 and f.kind == "upkeep") else 0,
        "lockouts": 1 if f.lockouts == 0 else 0,
        "battery": 1 if f.battery_mv is not None and f.battery_mv >= f.battery_floor_mv else 0,
        "level": 1 if f.level_ml is not None else 0,
        "reserve": 1 if (f.level_ml or 0) >= f.start_ml else 0,
        "steady": 1 if f.is_steady else 0,
        "soil": 1 if f.soil_ppt is not None or blind else 0,
        "moving": 1 if not f.standing or blind else 0,
        "settled": 1 if f.soaking or f.since_dose_s >= f.settle_s else 0,
        "saucer": 1 if f.saucer in ("unfitted", "dry") else 0,
        "day": 1 if f.day_left_ml > 0 else 0,
        "answer": 1 if f.unanswered_left_ul > 0 else 0,
    }
    return judged, 0 not in judged.values()


# Lockouts: (name, requirement, way out). The order is the order of the bits: add at the end.
LOCKOUTS = (
    ("battery low", "R5", ITSELF),
    ("dry run", "R4", BUTTON),
    ("leak", "R8", CABLE),
    ("no response", "R7", BUTTON),
    ("interrupted", "R9", BUTTON),
    ("saucer wet", "R15", BUTTON),
    ("state lost", "R11", BUTTON),
    ("files damaged", "R11", CABLE),
)

BITS = {row[0]: 1 << i for i, row in enumerate(LOCKOUTS)}
BUTTON_BITS = sum([BITS[row[0]] for row in LOCKOUTS if row[2] == BUTTON])
SILENT_BIT = BITS["no response"]
CABLE_BITS = sum([BITS[row[0]] for row in LOCKOUTS if row[2] == CABLE])

# How soon a need is told by radio (R17): at once when it is new, on a good cell; the last word also
# on a weak or unknown one, as long as it last read a voltage that bears a report
AT_ONCE, LAST_WORD = "at once", "last word"

# Needs: (name, whom it asks, requirement, how soon, is it needed?, does it stay once it was asked
# for?). The last keeps a value that flaps around its bound from asking again and again (R17).
# The order is the order of the bits: add at the end.
THIRSTY = 3  # regular wakes in want of water until somebody is told (R16)


def never(facts: "Facts") -> bool:
    """Asked for only while it is needed."""
    return False


NEEDS: "tuple[Need, ...]" = (
    (
        "fill the tank",
        "owner",
        "R4",
        AT_ONCE,
        lambda f: (below(f.level_ml, f.warn_ml) or f.float_opened) and not f.empties,
        lambda f: below(f.level_ml, f.warn_ml + f.scatter_ml) and not f.empties,
    ),
    (
        "charge the battery",
        "owner",
        "R5",
        AT_ONCE,
        lambda f: below(f.battery_mv, f.charge_mv) or f.weak,
        lambda f: below(f.battery_mv, f.charge_mv + 20),
    ),
    ("see to the battery", "owner", "R5", LAST_WORD, lambda f: f.battery_mv is None, never),
    ("confirm the charge", "owner", "R5", AT_ONCE, lambda f: f.confirm_charge, never),
    ("unplug the charger", "owner", "R5", AT_ONCE, lambda f: f.unplug_charger, never),
    (
        "see to the soil probe",
        "owner",
        "R6",
        AT_ONCE,
        lambda f: f.soil_ppt is None and not (f.cold and f.judged["soil"] == "cold"),
        never,
    ),
    ("see to the thermometer", "owner", "R6", AT_ONCE, lambda f: f.thermometer_lost, never),
    ("see to the level", "owner", "R4", AT_ONCE, lambda f: f.level_ml is None, never),
    ("free the button", "owner", "R12", AT_ONCE, lambda f: f.button_masked, never),
    ("empty the saucer", "owner", "R15", AT_ONCE, lambda f: f.saucer == "wet", never),
    ("see to the saucer probe", "owner", "R15", AT_ONCE, lambda f: f.saucer == "lost", never),
    (
        "clear a lockout",
        "owner",
        "R9",
        AT_ONCE,
        lambda f: f.lockouts & (BUTTON_BITS - SILENT_BIT if f.spent else BUTTON_BITS) or f.is_back,
        never,
    ),
    (
        "see to the pot",
        "maker",
        "R11",
        AT_ONCE,
        lambda f: f.lockouts & CABLE_BITS or f.store_failed or f.given_up,
        never,
    ),
    ("commission the pot", "maker", "R14", AT_ONCE, lambda f: f.stage < 2 or not f.match, never),
    ("see why it stays dry", "maker", "R7", AT_ONCE, lambda f: f.thirst >= THIRSTY, never),
    ("water by hand", "owner", "R16", AT_ONCE, lambda f: f.thirst >= THIRSTY, never),
    ("see to the hose", "owner", "R18", AT_ONCE, lambda f: f.silent_doses > 0 or f.spent, never),
    ("see why the tank empties", "owner", "R8", AT_ONCE, lambda f: f.empties, never),
)
NEED_BITS = {row[0]: 1 << i for i, row in enumerate(NEEDS)}
LAST_WORD_BITS = sum([NEED_BITS[row[0]] for row in NEEDS if row[3] == LAST_WORD])


def is_blind(facts: "Facts") -> bool:
    """A dose that needs no believed soil: the owner's own, or upkeep where it is not cold (R6)."""
    return facts.kind == "manual" or (facts.kind == "upkeep" and not facts.cold)


def below(value: "int | None", bound: int) -> bool:
    """A believed value below the bound."""
    return value is not None and value < bound


def need_bits(facts: "Facts") -> int:
    """The needs as one bit each, in the order of the list. Those of the last wake may stay."""
    bits, bit, before = 0, 1, facts.needed
    for _, _, _, _, needed, stays in NEEDS:
        if needed(facts) or (before & bit and stays(facts)):
            bits |= bit
        bit <<= 1
    return bits


def need_names(bits: int) -> list[str]:
    """The names of those needs, in the order of the list."""
    if not bits:
        return []
    return [row[0] for i, row in enumerate(NEEDS) if bits >> i & 1]


def latch(state: "State", name: str) -> None:
    """Latch a lockout."""
    state.lockouts |= BITS[name]


def clear(state: "State", bits: int) -> None:
    """End the lockouts of these bits, and forget what led to them."""
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
