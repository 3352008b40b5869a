"""Reports on their way to the listener: a bounded queue, and what one message is."""

from __future__ import annotations

import queue
from dataclasses import dataclass
from typing import Any

QUEUE = 128  # messages that wait, each of at most letters.MOST bytes


BATCH = 64  # messages in one transaction


@dataclass
class Message:
    """One message as the broker brought it. done: tell the broker that it is dealt with."""

    topic: str
    payload: bytes
    done: Any = None


class Waiting:
    """The queue of messages, for any sender. refused: why no more will come."""

    def __init__(self) -> None:
        self.waiting: queue.Queue[Message] = queue.Queue(QUEUE)
        self.refused = ""

    def batch(self, wait_s: float) -> list[Message]:
        """What waits, at most BATCH messages; [] if nothing came."""
        found = []
        try:
            found.append(self.waiting.get(timeout=wait_s))
            while len(found) < BATCH:
                found.append(self.waiting.get_nowait())
        except queue.Empty:
            pass
        return found

    def hears(self) -> bool:
        """Would a report be heard now?"""
        return True

    def start(self) -> None:
        """Does nothing: there is no connection to make."""

    def stop(self) -> None:
        """Does nothing: there is no connection to close."""

    def post(self, topic: str, payload: bytes) -> None:
        """Does nothing: nobody waits for this answer any more, and the board reports again."""
