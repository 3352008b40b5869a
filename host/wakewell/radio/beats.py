"""Signs of life of the listener in its database, and for how long nobody listened.

`listen` leaves one a minute; `remind` looks whether the newest is old. Here: both sides of that, by
the clock of the computers. Not here: who is told (remind).
"""

from __future__ import annotations

from dataclasses import dataclass, field

from wakewell.radio.store import ReportStore, sa
from wakewell.radio.tables import LISTENERS

BEAT_S = 60
DOWN_S = 900  # without a sign for so long nobody listens
MOST_DOWN_S = 3 * 86400  # a pot's silence counts again after so long without a listener


@dataclass
class Beats:
    """The signs of one listener. name: its own, where several share a database."""

    store: ReportStore
    name: str
    told_at: float | None = field(default=None, init=False)

    def beat(self, now: float) -> None:
        """Leave a sign, or try to, if the last is a minute old. Raises SQLAlchemyError."""
        if self.told_at is not None and 0 <= now - self.told_at < BEAT_S:
            return
        self.told_at, began = now, self.told_at is None
        at, mine = int(now), LISTENERS.c.name == self.name[:64]
        with self.store.engine.begin() as c:
            last = c.scalar(sa.select(sa.func.max(LISTENERS.c.beat_at)))
            values = {"beat_at": at}
            if last is not None and at - last >= DOWN_S:
                values |= {"down_from": last, "down_to": at}
            if began:
                values["started_at"] = at
            if c.execute(LISTENERS.update().where(mine).values(**values)).rowcount == 0:
                first = {"name": self.name[:64], "started_at": at}
                c.execute(LISTENERS.insert().values(**first | values))


@dataclass(frozen=True)
class Listening:
    """When somebody listened: the newest sign, and the last time that nobody did; seconds since
    1970, None: not known."""

    beat_at: int | None = None
    down_from: int | None = None
    down_to: int | None = None

    def is_down(self, now: float) -> bool:
        """Does nobody listen? Not where no listener ever left a sign."""
        return self.beat_at is not None and now - self.beat_at >= DOWN_S

    def unheard_s(self, since: float, now: float) -> float:
        """For how much of that time nobody listened, at most MOST_DOWN_S."""
        spans = [(self.down_from, self.down_to)]
        if self.is_down(now):
            spans.append((self.beat_at, int(now)))
        parts = [min(b, now) - max(a, since) for a, b in spans if a is not None and b is not None]
        return min(MOST_DOWN_S, sum(max(0.0, part) for part in parts))


def listening(store: ReportStore) -> Listening:
    """What the database says of its listeners."""
    with store.engine.connect() as c:
        rows = c.execute(sa.select(LISTENERS)).all()
    if not rows:
        return Listening()
    last = max(rows, key=lambda row: row.down_to or -1)
    return Listening(max(row.beat_at for row in rows), last.down_from, last.down_to)
