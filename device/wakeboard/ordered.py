"""What every message that orders something has: which board, a number that only rises, a time.

Settings asked for (`asked`) and versions of the code (`manifest`) are such messages, each kind with
numbers of its own. No input, no output; the clock is the board's.
"""

import json

from wakeboard import sealed
from wakecore.number import is_whole

if False:
    from typing import Any, Callable

MOST_N = (1 << 30) - 1


def opened(
    data: bytes,
    key: bytes,
    board: str,
    last_n: int,
    kinds: "tuple[str, ...]",
    version: int,
    most: int,
) -> "tuple[int, dict[str, Any] | None, str]":
    """(n, record, "") if it is authentic, of one of these kinds, for this board and new; else (n,
    None, why not). n: its number, 0 if it is not ours. why "": it was judged before.

    last_n: number of the last one judged. most: bytes it may have.
    """
    body, why = sealed.unseal(data, key, most)
    if body is None:
        return 0, None, why
    try:
        record = json.loads(body)
    except (ValueError, RuntimeError):
        return 0, None, "not JSON"
    if type(record) is not dict or record.get("kind") not in kinds:
        return 0, None, "not of the kind " + kinds[0]
    if record.get("version") != version:
        return 0, None, "message of version %s, known: %d" % (record.get("version"), version)
    if record.get("board") != board:
        return 0, None, "made for another board"
    n = record.get("n")
    if not is_whole(n, 1, MOST_N):
        return 0, None, "no number"
    if n == last_n:
        return n, None, ""
    if n < last_n:
        return 0, None, "number %d is older than %d: sent again, or out of turn" % (n, last_n)
    return n, record, ""


def newer(
    opened: "Callable[..., tuple[int, dict[str, Any] | None, str]]",
    kept: bytes,
    data: bytes,
    key: bytes,
    board: str,
    last_n: int,
) -> "tuple[bytes, str]":
    """(which of two messages is judged, why the other is refused or ""): no stranger's displaces
    an authentic one, and the higher number wins. opened: reads one of their kind."""
    n, record, why = opened(kept, key, board, last_n)
    if record is not None:
        _, record, why = opened(data, key, board, n)
        if record is None:
            data = kept
    return data, why


def utc_for(board: "Any") -> list[int]:
    """[day, second, trusted] as an order's time is judged by: a clock server may be anybody, so it
    is not trusted here."""
    utc: list[int] = board.utc()
    return utc[:2] + [1 if board.trust == 1 else 0]


def late(record: "dict[str, Any]", utc: list[int], wake_n: int) -> str:
    """Why its time is past, "" if it is not. Where the clock is unsure the number of the newest
    record decides. utc: see `utc_for`."""
    until, until_n = record.get("until"), record.get("until_n")
    if type(until) is not list or len(until) != 2:
        return "no time"
    for number in until + [until_n]:
        if not is_whole(number, 0, MOST_N):
            return "no time"
    past = utc[0] > until[0] or (utc[0] == until[0] and utc[1] > until[1])
    if past if utc[2] else wake_n > until_n:  # type: ignore[operator]
        return "its time is past"
    return ""
