"""Plays a wake with a dose with less and less memory, until it no longer fails.

Portable, but of use on MicroPython only, where memory can be short. The input's first line
is the script without its wakes, then the wake with the dose, then the wakes after it. For
each amount of memory it prints one line: the blocks left free, whether memory ran out and
where, whether the pump was on in the end, and the log lines of the wakes after it.
"""

import gc
import json
import sys

from wakeboard.driver import drive
from wakecore import line
from wakecore.state import State
from wakecore.wake import RECORD
from wakewell.portable.mock import MockBoard, load_pot, remembered

if False:
    from typing import Any

    from wakecore.fields import Pot

BLOCK_WORDS = 8  # of 64 bits
FEWEST, MOST = 4, 4000


def starve(free: int) -> "list[Any]":
    """Take all memory but that many blocks: what was taken, to be let go later.

    A chain, each part holding the one before: a list of them would itself run out of room.
    """
    gc.collect()
    taken: "list[Any]" = []
    words = 8192
    while words >= BLOCK_WORDS:
        try:
            part: "list[Any]" = [None] * words
        except MemoryError:
            words //= 2
        else:
            part[0], taken = taken, part
    for _ in range(free):
        if taken:
            taken = taken[0]
    return taken


def one(pot: "Pot", wakes: "list[dict[str, Any]]", free: int) -> "dict[str, Any]":
    """What came of it with that many blocks left."""
    board = MockBoard(pot, State())
    state = remembered(board, {})
    board.prepare(wakes[0])
    begin = board.begin()
    out = ""
    taken = starve(free)
    try:
        drive(board, state, pot, begin)
    except MemoryError:
        out = "memory"
    del taken
    gc.collect()
    # The loader has switched the pump off; the driver must have done so before it
    pumping = board.pumping
    ran = "on" in board.events
    trips = board.records[-1]["trips"] if board.records else []
    if out:
        board.next_cause = "reset"
    lines = []
    for wake in wakes[1:]:
        board.prepare(wake)
        drive(board, remembered(board, {}), pot, board.begin())
        lines.append(line.encode(RECORD, board.records[-1]).decode())
    return {
        "free": free,
        "out": out,
        "pumping": pumping,
        "ran": ran,
        "pumped_ul": board.pumped_ul,
        "trips": trips,
        "lines": lines,
    }


def main(path: str) -> None:
    """Play the script of the file at that path."""
    with open(path) as file:
        pot = load_pot(json.loads(file.readline())["pot"])
        wakes = [json.loads(text) for text in file]
    whole = 0
    free = FEWEST
    while free < MOST and whole < 3:
        found = one(pot, wakes, free)
        whole = 0 if found["out"] or found["trips"] else whole + 1
        print(json.dumps(found))
        free += 1 if free < 64 else 1 + free // 32


if __name__ == "__main__":
    main(sys.argv[-1])
