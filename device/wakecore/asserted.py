"""What must hold of a state that is stored. Only asserts use it.

It is imported only where asserts are on. `flash` compiles asserts out and does not send this file.
"""

from struct import pack

from wakecore.number import SMALL_MAX
from wakecore.state import DELIVERIES, FIELDS, HEAD_SIZE, SOAK

if False:
    from typing import Sequence

    from wakecore.state import State

# (name, least, most) of each number, in stored order
ROWS = (("a delivery", 0, SMALL_MAX),) * (2 * DELIVERIES) + tuple([row[:3] for row in FIELDS])


def joined(data: bytes) -> int:
    """Stored numbers as one long number, of 32 bits for each."""
    return int.from_bytes(data, "little")


def stored(numbers: "Sequence[int]") -> bytes:
    """Numbers as a state stores them."""
    return pack("<%di" % len(ROWS), *numbers)


# All numbers are compared at once, because tests do this after every wake. Flipping the highest bit
# turns each signed number into an unsigned one. Then one subtraction takes all least values from
# all numbers, and another takes all numbers from the most. A difference within the bounds needs 31
# bits. Where a number is beyond its bound, the highest bit of its place is set.
HIGHEST = joined(pack("<I", 1 << 31) * len(ROWS))
LEAST = joined(stored([row[1] for row in ROWS])) ^ HIGHEST
MOST = joined(stored([row[2] for row in ROWS])) ^ HIGHEST


def is_beyond(data: bytes) -> bool:
    """Is any number of a stored state beyond its bounds?"""
    numbers = joined(data[HEAD_SIZE:-4]) ^ HIGHEST
    return ((numbers - LEAST) | (MOST - numbers)) & HIGHEST != 0


def fault(state: "State", data: bytes) -> str:
    """What is wrong with a state, "" if nothing is. data: its stored form."""
    if is_beyond(data):
        for (name, least, most), number in zip(ROWS, state.numbers()):
            if not least <= number <= most:
                return "%s = %d, allowed %d to %d" % (name, number, least, most)
    if state.plan_ul and state.phase != SOAK and not state.open_ms:
        return "water to give, and no soak or pulse to give it in"
    return ""
