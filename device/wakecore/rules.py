"""Permissives, lockouts and needs, as lists a person can read down.

A permissive must hold before the pump may start. A lockout stays until its way out is
taken. A need asks somebody for something. Each row cites its requirement and looks at
`f`, the facts of this wake (see `judge.Facts`); nothing here changes anything but the
lockout bits of the state.
"""

# The way out of a lockout
ITSELF, BUTTON, CABLE = "itself", "button", "cable"

# Permissives: (name, requirement, does it hold?)
PERMISSIVES = (
    ("pin", "R1", lambda f: f.pin_good),
    ("boots", "R9", lambda f: f.boots < 3),
    ("files", "R11", lambda f: f.files_good),
    ("match", "R14", lambda f: f.match),
    ("commissioned", "R14", lambda f: f.stage == 2 or (f.stage == 1 and f.kind == "upkeep")),
    ("lockouts", "R9", lambda f: f.lockouts == 0),
    ("battery", "R5", lambda f: f.battery_mv is not None and f.battery_mv >= f.battery_floor_mv),
    ("level", "R4", lambda f: f.level_ml is not None),
    ("reserve", "R4", lambda f: not below(f.level_ml or 0, f.start_ml)),
    ("steady", "R8", lambda f: f.leak_looks == 0),
    ("soil", "R6", lambda f: f.soil_ppt is not None or f.kind in ("upkeep", "manual")),
    ("moving", "R6", lambda f: not f.standing or f.kind in ("upkeep", "manual")),
    ("settled", "R7", lambda f: f.soaking or f.since_dose_s >= f.settle_s),
    ("saucer", "R15", lambda f: f.saucer in ("unfitted", "dry")),
    ("day", "R3", lambda f: f.day_left_ml > 0),
)

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
CABLE_BITS = sum([BITS[row[0]] for row in LOCKOUTS if row[2] == CABLE])

# Needs: (name, who, requirement, is it needed?)
NEEDS = (
    ("fill the tank", "owner", "R4", lambda f: below(f.level_ml, f.warn_ml) or f.float_opened),
    ("charge the battery", "owner", "R5", lambda f: below(f.battery_mv, f.charge_mv) or f.weak),
    ("see to the battery", "owner", "R5", lambda f: f.battery_mv is None),
    ("confirm the charge", "owner", "R5", lambda f: f.confirm_charge),
    ("unplug the charger", "owner", "R5", lambda f: f.unplug_charger),
    ("see to the soil probe", "owner", "R6", lambda f: f.soil_ppt is None),
    ("see to the thermometer", "owner", "R6", lambda f: f.thermometer_lost),
    ("see to the level", "owner", "R4", lambda f: f.level_ml is None),
    ("free the button", "owner", "R12", lambda f: f.button_masked),
    ("empty the saucer", "owner", "R15", lambda f: f.saucer == "wet"),
    ("see to the saucer probe", "owner", "R15", lambda f: f.saucer == "lost"),
    ("clear a lockout", "owner", "R9", lambda f: f.lockouts & BUTTON_BITS),
    ("see to the pot", "maker", "R11", lambda f: f.lockouts & CABLE_BITS or f.store_failed),
    ("commission the pot", "maker", "R14", lambda f: f.stage < 2 or not f.match),
    ("see why it stays dry", "maker", "R7", lambda f: f.denied >= 3),
)


def below(value, bound):
    """A believed value below the bound."""
    return value is not None and value < bound


def judge_permissives(facts):
    """{name: 1 or 0} for every permissive, and whether all hold."""
    judged = {name: 1 if holds(facts) else 0 for name, _, holds in PERMISSIVES}
    return judged, 0 not in judged.values()


def judge_needs(facts):
    """The names of the needs, in the order of the list."""
    return [name for name, _, _, needed in NEEDS if needed(facts)]


def need_bits(facts):
    """The needs as one bit each, in the order of the list: add to it at the end."""
    return sum([1 << i for i, row in enumerate(NEEDS) if row[3](facts)])


def latch(state, name):
    """Latch a lockout."""
    state.lockouts |= BITS[name]


def clear(state, bits):
    """End the lockouts of these bits, and forget what led to them."""
    gone = state.lockouts & bits
    state.lockouts &= ~bits
    if gone & BITS["dry run"]:
        state.dry_trips = 0
    if gone & BITS["no response"]:
        state.silent_doses = 0
    if gone & BITS["interrupted"]:
        state.interrupts = 0
    if gone & BITS["leak"]:
        state.leak_looks, state.look_ml = 0, -1
    if gone & BITS["battery low"]:
        state.clear_wakes = 0


def latched(state):
    """The names of the latched lockouts, in the order of the list."""
    if not state.lockouts:
        return []
    return [row[0] for row in LOCKOUTS if state.lockouts & BITS[row[0]]]
