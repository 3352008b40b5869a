"""The lives that are judged by their outcome: each made from a number, none of them by hand.

What belongs here: the table of troubles and how each is made, and a life from its number: pot,
place, plant, substrate, owner, troubles and when. What does not: what becomes of it (outcomes.py).

A life without troubles is a pot that suits its place: the plant drinks what the settings can give,
the hose wets the probe, the gauge's tolerance covers the air. Shares and days are own assumptions.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from random import Random
from typing import Any

from wakewell import shipped
from wakewell.errors import BadInput
from wakewell.pot import agree, description, pot_folder
from wakewell.rig.faults import KINDS, Fault
from wakewell.rig.pot import DAY_S
from wakewell.rig.soil import SUBSTRATES
from wakewell.rig.weather import PLACES, climate
from wakewell.simulate import trials
from wakewell.simulate.people import Owner, Visit

HEALTHY_DAYS, FAULTY_DAYS = 365.0, 60.0
ONSET_DAY = 12.0  # a trouble begins in the days after this one
HEALTHY, SINGLE = 2, 5  # lives out of ten with no trouble, and with one; the others have two
SUMMER = (5, 6, 7)
SOUND_SHARE = 0.03  # 15 kelvin, 1.8 parts per thousand each (speed of sound in air)

Made = tuple[list[Fault], list[Visit]]
Make = Callable[[Random, float, float], Made]


@dataclass(frozen=True)
class Trouble:
    """A fault as lives have it: what the owner would call it, and how it is made.

    make: the faults and visits of it, from where it begins to where it ends (days).
    tables: what else is different in this life. about: the needs that speak of it, beside
    all that are not routine. quiet: nothing need be told.
    """

    words: str
    make: Make
    settle: Callable[[Random, dict[str, Any]], None] | None = None
    about: tuple[str, ...] = ()
    sudden: bool = False  # the cell fails without a warning that anybody could give


def _fault(
    kind: str, low: float | None = None, high: float | None = None, chance: float = 1.0
) -> Make:
    def make(pick: Random, begin: float, end: float) -> Made:
        amount = None if low is None or high is None else pick.uniform(low, high)
        return [Fault(kind, begin * DAY_S, end * DAY_S, chance, amount)], []

    return make


def _cut(kind: str) -> Make:
    """A cut wire, or a short circuit."""

    def make(pick: Random, begin: float, end: float) -> Made:
        rail = pick.choice((-5.0, 3.1e6))
        return [Fault(kind, begin * DAY_S, end * DAY_S, 1.0, max(rail, KINDS[kind].low))], []

    return make


def _none(pick: Random, begin: float, end: float) -> Made:
    return [], []


def _once(kind: str, amounts: tuple[float, ...]) -> Make:
    """Reads wrongly for a day, again and again."""

    def make(pick: Random, begin: float, end: float) -> Made:
        found, at = [], begin
        while at < end:
            amount = pick.choice(amounts)
            found.append(Fault(kind, at * DAY_S, (at + 0.9) * DAY_S, 1.0, amount))
            at += pick.uniform(2.0, 6.0)
        return found, []

    return make


def _chatters(pick: Random, begin: float, end: float) -> Made:
    presses = int(min(2.0, end - begin) * 1920)
    return [], [Visit("press the button", begin * DAY_S + 45.0 * n) for n in range(presses)]


def _charger_left(pick: Random, begin: float, end: float) -> Made:
    return [], [Visit("charge the battery", begin * DAY_S, 24.0 * (end - begin))]


def _tank_carried(pick: Random, begin: float, end: float) -> Made:
    hours = pick.choice((0.2, 1.0, 5.0, 26.0))
    back_s = begin * DAY_S + 3600.0 * hours
    return [], [Visit("take the tank away", begin * DAY_S), Visit("fill the tank", back_s)]


def _resets(pick: Random, begin: float, end: float) -> Made:
    return [Fault("program hangs", begin * DAY_S, end * DAY_S, pick.choice((0.3, 1.0)))], []


def _jumps(pick: Random, begin: float, end: float) -> Made:
    found, at = [], begin
    while at < end:
        jump_s = pick.choice((-1, 1)) * pick.choice((3600.0, DAY_S, 40 * DAY_S))
        found.append(Fault("clock jump", at * DAY_S, (at + 0.1) * DAY_S, 1.0, jump_s))
        at += pick.uniform(1.0, 5.0)
    return found, []


def _flat(pick: Random, tables: dict[str, Any]) -> None:
    tables["start"]["charge"] = pick.uniform(0.4, 0.55)
    tables["battery"]["fades_pct_month"] = pick.uniform(20.0, 50.0)
    tables["wake"]["mains_ma"] = 0.0
    tables["settings"]["mains"] = 0
    tables["owner"]["charges_after_days"] = pick.choice((3.0, 12.0))


def _cold(pick: Random, tables: dict[str, Any]) -> None:
    tables["place"]["word"] = pick.choice(("open", "balcony"))
    tables["month"] = pick.choice((1, 2, 12))
    if pick.random() < 0.5:
        tables["settings"]["upkeep_ml"] = 30


def _on_battery(pick: Random, tables: dict[str, Any]) -> None:
    tables["wake"]["mains_ma"] = 0.0
    tables["settings"]["mains"] = 0


TROUBLES = {
    "settings too small": Trouble(
        "the plant drinks more than the settings or the day's limit allow", _none,
        lambda pick, tables: tables.update(
            thirst=pick.uniform(1.5, 8.0), month=pick.choice(SUMMER)
        ),
    ),
    "tank forgotten": Trouble(
        "nobody fills the tank", _fault("tank forgotten"), about=("fill the tank",)
    ),
    "probe out": Trouble("the soil probe is pulled out", _fault("probe out")),
    "probe cut": Trouble("the soil probe's wire is cut", _cut("probe railed")),
    "probe frozen": Trouble("the soil probe shows the same for ever", _fault("probe frozen")),
    "probe dries": Trouble("the soil probe drifts to dry", _fault("probe drifts", -12.0, -2.0)),
    "probe wets": Trouble("the soil probe drifts to wet", _fault("probe drifts", 2.0, 12.0)),
    "gauge cut": Trouble("the level gauge is cut", _cut("level railed")),
    "gauge stuck": Trouble(
        "the level gauge, or its float, sticks", _fault("level frozen"),
    ),
    "gauge misreads": Trouble(
        "the level gauge reads wrongly now and then",
        _once("level misread", (-150.0, -60.0, -20.0, 20.0, 60.0, 150.0)),
    ),
    "hose off": Trouble("the hose lies beside the pot", _fault("hose off")),
    "hose clogged": Trouble("the hose is clogged", _fault("hose clogged", 0.6, 1.0)),
    "pump seized": Trouble("the pump has seized", _fault("pump blocked")),
    "siphon": Trouble(
        "the hose has slipped: the tank siphons empty", _fault("siphon", 30.0, 100.0)
    ),
    "leak": Trouble("the tank leaks", _fault("leak", 1.0, 60.0)),
    "switch stuck": Trouble(
        "the pump's switch is stuck on", _fault("relay stuck"), sudden=True
    ),
    "tank carried": Trouble("the tank is carried away and comes back full", _tank_carried),
    "cell flat": Trouble("the cell empties", _none, _flat, about=("charge the battery",)),
    "cell aged": Trouble(
        "the cell loses half of what it holds", _fault("cell aged", 0.3, 0.8), _on_battery,
        about=("charge the battery",), sudden=True,
    ),
    "cell misread": Trouble(
        "one low, or high, reading of the cell", _once("battery misread", (-400.0, -200.0, 300.0)),
        _on_battery, about=("charge the battery",),
    ),
    "bad contact": Trouble(
        "a bad contact at the cell: pump or radio brown the board out",
        _fault("bad contact", 1500.0, 12000.0), sudden=True,
    ),
    "charger left": Trouble(
        "the charger stays plugged in", _charger_left, _on_battery, about=("unplug the charger",)
    ),
    "button chatters": Trouble("the button chatters", _chatters),
    "clock jumps": Trouble("the clock jumps", _jumps),
    "clock lost": Trouble("the supply is interrupted", _fault("clock lost")),
    "resets": Trouble("the program hangs in a pulse and is reset", _resets),
    "storage fails": Trouble("storage fails now and then", _fault("write fails", chance=0.3)),
    "radio down": Trouble("Wi-Fi or broker are away", _fault("radio down", chance=0.8)),
    "frost": Trouble("frost", _none, _cold),
    "thermometer cold": Trouble(
        "the soil thermometer reads cold in a warm room",
        _fault("thermometer misread", -45.0, -25.0),
    ),
}  # fmt: skip
# It came later, and takes the place of some healthy lives, so that the others keep their numbers
LATER, LATER_OF, LATER_AT = "thermometer cold", 40, 21  # in each so many lives, and which of them
# Of two troubles both may not be made in one life
APART = ({"cell flat", "charger left"}, {"probe dries", "probe wets"})


@dataclass
class LifePlan:
    """One life as it is to be played. owner: "heeds", "presses" or "away"."""

    number: int
    pot: str
    owner: str
    troubles: tuple[str, ...]
    days: float
    begin: float  # days: when the troubles begin
    end: float  # and end by themselves
    tables: dict[str, Any]
    faults: tuple[Fault, ...] = ()
    visits: tuple[Visit, ...] = ()

    @property
    def onset(self) -> float:
        """The day on which the first of its troubles is there; some are from the start."""
        lasts = any(TROUBLES[name].make is _none for name in self.troubles)
        return 0.0 if lasts else self.begin

    @property
    def line(self) -> str:
        """In one line, for who plays it again."""
        what = " and ".join(self.troubles) or "healthy"
        where = f"{self.tables['place']['word']}, {self.tables['substrate']['word']}"
        return (
            f"life {self.number}: {self.pot}, {where}, owner {self.owner}, {what} "
            f"(day {self.begin:.0f} to {self.end:.0f})"
        )


@lru_cache(maxsize=16)
def _folder(pot: str) -> description.PotFolder:
    return pot_folder.load(shipped.CAFE / pot)


@lru_cache(maxsize=16)
def _thirstiest_mm(place: str) -> float:
    """Reference ET of the year's thirstiest ten days, mm a day."""
    found = climate(PLACES[place])
    days = [found.et0_until(day * DAY_S) for day in range(366)]
    return max(days[day + 10] - days[day] for day in range(356)) / 10.0


def _crown_cm2(pot: str, place: str, kcb: float, thirst: float) -> float:
    """A crown whose thirstiest days ask for that share of what pot and tank can give a day."""
    folder = _folder(pot)
    found, about, cal = agree.outlook(folder), folder.about, folder.calibration
    assert found is not None
    assert about is not None
    water_ml = (found.refill_ppt - cal["wilting_ppt"]) * about.planter.volume_ml / 1000.0
    warned_ml = folder.settings["tank_warn_ml"] - folder.settings["reserve_ml"]
    gives_ml = found.lasting_ml_day
    if thirst <= 1.0:  # of a healthy pot the soil lasts a night, and the tank until it is filled
        gives_ml = min(gives_ml, 0.5 * water_ml, warned_ml / 4.0)
    drinks_ml = thirst * gives_ml
    return max(30.0, drinks_ml / (0.1 * _thirstiest_mm(place) * kcb))


def life(seed: int, number: int) -> LifePlan:
    """The life of that number."""
    pick = Random(f"outcomes {seed} {number}")
    kind = number % 10
    count = 0 if kind < HEALTHY else 1 if kind < HEALTHY + SINGLE else 2
    names = sorted(TROUBLES.keys() - {LATER})
    troubles: tuple[str, ...]
    if number % LATER_OF == LATER_AT:
        count, troubles = 1, (LATER,)
    elif count == 1:  # each as often
        turn = number // 10 * SINGLE + kind - HEALTHY
        troubles = (names[turn % len(names)],)
    else:
        troubles = tuple(pick.sample(names, count))
        while any(set(troubles) == pair for pair in APART):
            troubles = tuple(pick.sample(names, count))
    days = FAULTY_DAYS if count else HEALTHY_DAYS
    begin = ONSET_DAY + pick.uniform(0.0, 8.0)
    end = begin + pick.uniform(4.0, 20.0) if pick.random() < 0.6 else days
    owner = pick.choice(("heeds", "heeds", "presses", "away")) if count else "heeds"
    for _ in range(50):
        pot = pick.choice(("basil", "citrus", "fern", "mint", "strawberry", "tomato"))
        found = LifePlan(number, pot, owner, troubles, days, begin, end, _tables(pick, pot))
        _trouble(pick, found)
        try:
            trial_of(found)
        except BadInput:
            continue  # parts that make no pot together
        return found
    raise AssertionError(f"life {number}: no pot in fifty")


def _tables(pick: Random, pot: str) -> dict[str, Any]:
    """A pot that suits its place and plant, as a trial has it."""
    folder = _folder(pot)
    mains = bool(folder.settings["mains"])
    # A saucer with a probe stands under a roof, and its hose wets nearly all of the surface
    probed = "saucer" in folder.calibration
    places = [name for name, place in PLACES.items() if not (probed and place.rain)]
    return {
        "pot": pot,
        "thirst": pick.uniform(0.15, 0.8),
        "month": pick.randint(1, 12),
        "substrate": {"word": pick.choice(sorted(SUBSTRATES))},
        "place": {"word": pick.choice(sorted(places))},
        "vessel": {
            "bulb_share": pick.uniform(0.8 if probed else 0.5, 0.95),
            "saucer_ml": pick.choice((200.0, 500.0)),
            "probe_in_bulb": pick.uniform(0.2, 0.6),
        },
        "plant": {"kcb": pick.uniform(0.4, 1.15)},
        "start": {
            "tank": pick.uniform(0.5, 1.0),
            "charge": pick.uniform(0.6, 1.0),
            "soil": pick.uniform(0.6, 1.0),
        },
        "battery": {"fades_pct_month": pick.uniform(1.0, 4.0)},
        "wake": {"mains_ma": 500.0 if mains else 0.0},
        "settings": {
            "radio_wakes": pick.choice((0, 1, 1, 3, 7)),
            "wake_s": pick.choice((43200, 86400, 86400)),
            "upkeep_ml": 0,
            **({"fill_ppt": 880} if probed else {}),
        },
        "owner": {"cables_after_days": 4.0, "waters_after_days": 1.0},
    }


def _trouble(pick: Random, found: LifePlan) -> None:
    """Put the troubles into this life."""
    faults: list[Fault] = []
    visits: list[Visit] = []
    for name in found.troubles:
        trouble = TROUBLES[name]
        some, others = trouble.make(pick, found.begin, found.end)
        faults += some
        visits += others
        if trouble.settle:
            trouble.settle(pick, found.tables)
    found.faults, found.visits = tuple(faults), tuple(visits)
    owner = found.tables["owner"]
    if found.owner == "away":
        owner.update(dict.fromkeys(n for n in Owner.__dataclass_fields__ if n.endswith("_days")))
        owner.update(dict.fromkeys(owner, False))
    elif found.owner == "presses":
        owner.update(holds_after_days=0.3, waters_after_days=False)


def trial_of(found: LifePlan) -> trials.Trial:
    """The trial of a life. Raises BadInput where its parts make no pot together."""
    tables = dict(found.tables)
    thirst, month = tables.pop("thirst"), tables.pop("month")
    plant, place = tables["plant"], tables["place"]["word"]
    crown_cm2 = _crown_cm2(found.pot, place, plant["kcb"], thirst)
    tables["plant"] = {**plant, "crown_cm2": crown_cm2}
    trial = trials.of_tables(f"life {found.number}", tables)
    folder = _folder(found.pot)
    if folder.parts["level"].kind == "echo":
        trial = replace(trial, lines=_even(folder, tables["settings"]))
    spec = replace(trial.spec, start_day=(month - 1) * 30, faults=found.faults)
    return replace(trial, spec=spec, visits=found.visits, days=found.days, seed=found.number)


def _even(folder: description.PotFolder, changed: dict[str, Any]) -> dict[str, bytes]:
    """The files of a pot whose tolerance covers what an echo's sound does in warm and cold air."""
    assert folder.about is not None
    tolerance_ml = round(SOUND_SHARE * folder.about.tank.volume_ml)
    calibration = folder.calibration | {"tolerance_ml": tolerance_ml}
    return dict(pot_folder.compile_files(folder.settings | changed, folder.limits, calibration))
