"""Who looks after a simulated pot: an owner who answers needs after a while, and dated visits.

What belongs here: turning a record's `needs` and a list of visits into acts on the rig. What does
not: what the needs are (wakecore.rules) and physics (pot.py).
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from random import Random
from typing import Any

from wakecore import rules
from wakewell.rig.errors import Impossible, need
from wakewell.rig.pot import DAY_S

PRESS_MS, HOLD_MS = 200, 2500  # a short press; one held long enough to count as a request (R12)
CABLE_MS = -1
FORGOT = "forget to fill the tank"  # what is done instead, while the fault says so
HOURS_TO_CHARGE = 12.0
CABLE = {row[0] for row in rules.LOCKOUTS if row[2] == rules.CABLE}
# What a maker who was asked for ends: of the owner's lockouts the one that presses end no more
MAKERS = CABLE | {"no response"}

# What a person does: {act: unit of its amount, or ""}
ACTS = {
    "water by hand": "ml",
    "fill the tank": "",
    "take the tank away": "",
    "charge the battery": "h",
    "unplug the charger": "",
    "press the button": "",
    "hold the button": "",
    "empty the saucer": "",
    "clear with the cable": "",
}

# What an owner does about a need
ANSWERS = {
    "water by hand": "water by hand",
    "fill the tank": "fill the tank",
    "charge the battery": "charge the battery",
    "unplug the charger": "unplug the charger",
    "confirm the charge": "hold the button",
    "clear a lockout": "hold the button",
    "empty the saucer": "empty the saucer",
    "see to the pot": "clear with the cable",
}


@dataclass(frozen=True)
class Visit:
    """A dated act: what, when (s since the run's start), and how much (ml or h; None: usual).

    promised: it answers a need, so that nobody else answers it too.
    """

    act: str
    at_s: float
    amount: float | None = None
    promised: bool = False

    def __post_init__(self) -> None:
        if self.act not in ACTS:
            raise Impossible("visit.act", repr(self.act), ", ".join(ACTS))
        need("visit.at_s", self.at_s, 0.0, 1e10, "s")
        if self.amount is not None:
            need("visit.amount", self.amount, 0.0, 1e5)


@dataclass(frozen=True)
class Owner:
    """How soon needs are answered, in days from when they are first told; infinite: never.

    fills, charges, empties: tank, battery, saucer; holds: the button, for a lockout or after a
    charge; waters: by hand; cables: a maker with the cable. forgets: chance that an answer is
    put off by as long again, each time. charger_ma: what the charger gives.
    """

    fills_after_days: float = 2.0
    charges_after_days: float = 3.0
    empties_after_days: float = 2.0
    holds_after_days: float = 2.0
    waters_after_days: float = math.inf
    cables_after_days: float = math.inf
    forgets: float = 0.0
    charger_ma: float = 500.0

    def __post_init__(self) -> None:
        for key in self.__dataclass_fields__:
            value = getattr(self, key)
            if key.endswith("_days") and value != math.inf:
                need("owner." + key, value, 0.01, 3650.0, "days")
        need("owner.forgets", self.forgets, 0.0, 0.95)
        need("owner.charger_ma", self.charger_ma, 10.0, 5000.0, "mA")

    def delay_s(self, act: str) -> float:
        """From need to answer."""
        days = {
            "fill the tank": self.fills_after_days,
            "charge the battery": self.charges_after_days,
            "unplug the charger": self.charges_after_days,
            "empty the saucer": self.empties_after_days,
            "hold the button": self.holds_after_days,
            "water by hand": self.waters_after_days,
            "clear with the cable": self.cables_after_days,
        }[act]
        return days * DAY_S


class Household:
    """The people of one run; see `board.People`."""

    def __init__(self, owner: Owner, visits: Iterable[Visit], seed: int) -> None:
        self.owner = owner
        self.random = Random(f"people {seed}")
        self.coming = [(visit.at_s, n, visit) for n, visit in enumerate(visits)]
        heapq.heapify(self.coming)
        self.count = len(self.coming)
        self.promised = {visit.act for _, _, visit in self.coming if visit.promised}
        self.lockouts: list[str] = []
        self.done: list[tuple[float, str]] = []
        self.next_s = self.coming[0][0] if self.coming else math.inf
        self._do: dict[str, Callable[[Any, float | None], int]] = {
            "water by hand": self._water,
            "fill the tank": self._fill,
            "take the tank away": self._take_tank,
            "charge the battery": self._charge,
            "unplug the charger": self._unplug,
            "press the button": lambda _board, _: PRESS_MS,
            "hold the button": lambda _board, _: HOLD_MS,
            "empty the saucer": self._empty,
            "clear with the cable": self.clear_by_cable,
        }

    def come(self, at_s: float, visit: Visit) -> None:
        self.count += 1
        heapq.heappush(self.coming, (at_s, self.count, visit))
        self.next_s = self.coming[0][0]

    def told(self, board: Any, record: dict[str, Any]) -> None:
        """Promise an answer to every need that has none yet."""
        for name in record["needs"]:
            act = ANSWERS.get(name)
            if act is None or act in self.promised:
                continue
            delay_s = self.owner.delay_s(act)
            if delay_s == math.inf:
                continue
            at_s = board.pot.t_s + delay_s
            while self.random.random() < self.owner.forgets:
                at_s += delay_s
            self.promised.add(act)
            self.come(at_s, Visit(act, at_s))
        self.lockouts = record["lockouts"]

    def act(self, board: Any) -> int:
        """The next visit that is due. See `rig_board.People`."""
        _, _, visit = heapq.heappop(self.coming)
        self.next_s = self.coming[0][0] if self.coming else math.inf
        self.promised.discard(visit.act)
        forgets = visit.act == "fill the tank" and board.pot.tank_forgotten
        self.done.append((board.pot.t_s, FORGOT if forgets else visit.act))
        return self._do[visit.act](board, visit.amount)

    def _water(self, board: Any, amount: float | None) -> int:
        board.pot.hand_water(200.0 if amount is None else amount)
        return 0

    def _fill(self, board: Any, _amount: float | None) -> int:
        board.pot.refill()
        return 0

    def _take_tank(self, board: Any, _amount: float | None) -> int:
        board.pot.take_tank()
        return 0

    def _charge(self, board: Any, amount: float | None) -> int:
        board.charger_ma = board.pot.charger_ma = self.owner.charger_ma
        at_s = board.pot.t_s + 3600.0 * (HOURS_TO_CHARGE if amount is None else amount)
        self.come(at_s, Visit("unplug the charger", at_s))
        return 0

    def _unplug(self, board: Any, _amount: float | None) -> int:
        board.charger_ma = board.pot.charger_ma = board.mains_ma
        return 0

    def _empty(self, board: Any, _amount: float | None) -> int:
        board.pot.empty_saucer()
        return 0

    def clear_by_cable(self, board: Any, _amount: float | None) -> int:
        """The maker ends every lockout that only the cable ends."""
        board.host = ["clear " + name for name in self.lockouts if name in MAKERS]
        return CABLE_MS
