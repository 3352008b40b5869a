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
    """The queue of messages, whoever fills it. refused: why nothing will come any more."""

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

    def start(self) -> None:
        """Nobody has to be called."""

    def stop(self) -> None:
        """Nobody waits for a goodbye."""

    def post(self, topic: str, payload: bytes) -> None:
        """Nobody waits for this answer any more; the board tells again."""
