"""Who may be connected: how many callers at once, from one address and in all.

A slow caller keeps its place only while nobody else wants it. So slow callers never keep a pot
waiting, however many they are and from however many addresses. No network, no clock: the time is
given.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

MOST_CALLERS = 256
MOST_OF_ADDRESS = 128  # a whole household, or all that a proxy brings, is one address
GRACE_S = 4.0  # time in which any pot, even a slow one, has sent its request


@dataclass(eq=False)
class OnTheLine:
    """One caller. since: when it came, or was last answered, s. busy: its report is being kept, so
    it waits for us.
    """

    address: str
    since: float
    busy: bool = False


class Room:
    """All callers."""

    def __init__(self, most: int = MOST_CALLERS, of_address: int = MOST_OF_ADDRESS) -> None:
        self.most, self.of_address = most, of_address
        self.callers: set[OnTheLine] = set()

    def admit(self, address: str, now: float) -> tuple[OnTheLine | None, OnTheLine | None]:
        """(the new caller, who has to go for it): None and None if there is no room for it."""
        count = Counter(caller.address for caller in self.callers)
        goes = None
        if count[address] >= self.of_address:
            goes = self._slowest(address, now - GRACE_S)
        elif len(self.callers) >= self.most:
            heaviest, number = count.most_common(1)[0]
            # An address with many callers loses one to an address with few, slow or not.
            goes = self._slowest(heaviest, now if number > count[address] + 1 else now - GRACE_S)
        else:
            return self._take(address, now), None
        if goes is None:
            return None, None
        self.callers.discard(goes)
        return self._take(address, now), goes

    def leave(self, caller: OnTheLine) -> None:
        """It has gone."""
        self.callers.discard(caller)

    def _take(self, address: str, now: float) -> OnTheLine:
        caller = OnTheLine(address, now)
        self.callers.add(caller)
        return caller

    def _slowest(self, address: str, before: float) -> OnTheLine | None:
        """Of an address, who wants something for the longest time, since `before` or earlier."""
        found = [c for c in self.callers if c.address == address and not c.busy]
        slowest = min(found, key=lambda c: c.since, default=None)
        return slowest if slowest is not None and slowest.since <= before else None
