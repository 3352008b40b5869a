"""Several listeners on one PostgreSQL database share the pots: each hears its part of them.

Each holds a place, which is a lock of its session in the database: one that was killed loses it at
once. Which listener hears a pot follows from the places that are held, by a hash. So when one comes
or goes, only its pots change hands, and no listener has to agree with another. For a moment two may
hear the same pot; the database keeps each line once all the same (store). Listeners of other pots
have places of their own. Not here: how a board is heard (listen).
"""

from __future__ import annotations

import hashlib
import time
from binascii import crc32
from collections.abc import Callable, Collection
from typing import Any

from sqlalchemy.exc import SQLAlchemyError

from wakewell.errors import BadInput
from wakewell.radio.tables import sa

MOST_LISTENERS = 64
LOOK_S = 5.0  # between two looks at who else is there
MOST_MISSED = 24  # looks in which its place could not be had back, after the database was away
HELD = sa.text(
    "SELECT objid FROM pg_locks WHERE locktype = 'advisory' AND granted AND objsubid = 2 "
    "AND classid = :group AND database = "
    "(SELECT oid FROM pg_database WHERE datname = current_database())"
)
# So that the server notices within a minute that a listener's computer is gone (s)
ALIVE = (
    "SET tcp_keepalives_idle = 30",
    "SET tcp_keepalives_interval = 10",
    "SET tcp_keepalives_count = 3",
)
TAKE = sa.text("SELECT pg_try_advisory_lock(:group, :place)")


def signed(number: int) -> int:
    """A number of 32 bits as PostgreSQL's integer."""
    return number - (1 << 32) if number >= 1 << 31 else number


def place_of(board: str, places: Collection[int]) -> int:
    """Which of these places hears that board: the same for whoever asks."""
    return max(
        places, key=lambda at: hashlib.blake2b(f"{board} {at}".encode(), digest_size=8).digest()
    )


class Sharing:
    """The place of one listener. boards: of all its pots; mine: those that it hears."""

    def __init__(self, engine: sa.Engine, boards: Collection[str]) -> None:
        """Take a place. Raises BadInput where there is none left, SQLAlchemyError."""
        self.engine, self.boards = engine, frozenset(boards)
        self.group = crc32(" ".join(sorted(boards)).encode())
        self.connection: Any = None
        self.missed = 0
        self.looked = time.monotonic()
        self._connect()
        for place in range(MOST_LISTENERS):
            if self._take(place):
                self.place = place
                break
        else:
            raise BadInput(f"{MOST_LISTENERS} listeners of these pots run; stop one of them first")
        self.mine = self._mine()

    def look(self) -> frozenset[str]:
        """The boards that it hears from now on. Raises BadInput if another has its place now."""
        try:
            if self.connection is None:
                self._connect()
                if not self._take(self.place):
                    self._close()
                    self.missed += 1
                    if self.missed >= MOST_MISSED:
                        raise BadInput(
                            "the database was away, and another listener has this one's place "
                            "there now; start it again"
                        )
                    return self.mine
            self.missed = 0
            self.mine = self._mine()
        except SQLAlchemyError:  # away: whoever keeps a report says so; all go on as they are
            self._close()
        return self.mine

    def due(self) -> bool:
        """Is it time to look again?"""
        now = time.monotonic()
        if now - self.looked < LOOK_S:
            return False
        self.looked = now
        return True

    def alone(self) -> bool:
        """Does it hear all there is?"""
        return self.mine == self.boards

    def stop(self) -> None:
        """Leave the place to others."""
        self._close()

    def _mine(self) -> frozenset[str]:
        group = {"group": self.group}
        places = {int(place) for place in self.connection.execute(HELD, group).scalars()}
        places.add(self.place)
        return frozenset(board for board in self.boards if place_of(board, places) == self.place)

    def _take(self, place: int) -> bool:
        values = {"group": signed(self.group), "place": place}
        return bool(self.connection.scalar(TAKE, values))

    def _connect(self) -> None:
        made = self.engine.connect()
        self.connection = made.execution_options(isolation_level="AUTOCOMMIT")
        for text in ALIVE:
            self.connection.exec_driver_sql(text)

    def _close(self) -> None:
        """The session ends with its locks; it does not go back for others to use."""
        if self.connection is not None:
            self.connection.invalidate()
            self.connection.close()
            self.connection = None


def follow(
    sharing: Sharing, hear: Callable[[Collection[str]], None], renew: Callable[[str], None]
) -> None:
    """Look who else is there, if it is time, and hear the boards that are ours now.

    renew: called for each board that another has heard until now.
    """
    if not sharing.due():
        return
    before = sharing.mine
    mine = sharing.look()
    if mine != before:
        for board in sorted(mine - before):
            renew(board)
        hear(mine)
