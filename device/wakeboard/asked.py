"""Settings that somebody asks for over the air: made by the host, judged by the board.

One line of JSON, sealed (see `sealed`): which board, a number that only rises, until when it may be
taken, for which hard limits it was made, and every setting. It carries all settings, so the effect
that was shown is the effect that they have. No input, no output, no clock.

A message that asks for another key (newkey) has the same numbers and the same time; here it is
judged by those.
"""

from wakeboard import ordered, sealed
from wakecore import fields, line

if False:
    from typing import Any, Sequence

    from wakecore.fields import Pot

VERSION = 1
KINDS = ("asked", "key")
MOST = 2048  # bytes of a message
NAMES = ("kind", "version", "board", "n", "until", "until_n", "limits_id", "values")
MOST_N = ordered.MOST_N


def make(
    key: bytes,
    board: str,
    n: int,
    until: "Sequence[int]",
    until_n: int,
    limits_id: str,
    values: "dict[str, Any]",
) -> bytes:
    """The message (host).

    n: its number. until: [day since 2000-01-01, second] UTC; until_n: number of the last
    record it may follow, for a board whose clock is unsure. values: every setting by name.
    """
    record: "dict[str, Any]" = {"kind": "asked", "version": VERSION, "board": board, "n": n}
    record["until"], record["until_n"] = list(until), until_n
    record["limits_id"], record["values"] = limits_id, values
    return sealed.seal(line.encode(NAMES, record)[: -line.TAIL_SIZE], key)


def settings_line(limits_id: str, values: "dict[str, Any]") -> bytes:
    """The settings as the line a board stores; its id is what a record then shows as in force."""
    record = {"kind": "settings", "version": fields.VERSION, "limits_id": limits_id}
    record.update(values)
    names = ("kind", "version", "limits_id") + tuple([row[0] for row in fields.SETTINGS])
    return line.encode(names, record)


def judge(
    data: bytes, key: bytes, board: str, last_n: int, pot: "Pot", utc: list[int], wake_n: int
) -> "tuple[int, bytes | dict[str, Any] | None, str]":
    """(n, settings line, "") if it is to be put in force, else (n, None, why not). Of a message
    that asks for another key, its record stands for the line.

    n: its number, 0 if it is not ours. With None, why is "" if this message was judged before and
    only came again. last_n: number of the last one judged. utc: [day, second, trusted]. wake_n:
    number of the newest record. pot: what is in force.
    """
    n, record, why = opened(data, key, board, last_n)
    if record is None:
        return n, None, why
    why = ordered.late(record, utc, wake_n)
    if why:
        return n, None, why
    if record["kind"] == "key":
        return n, record, ""
    found, why = check(record, pot)
    return n, found, why


def opened(
    data: bytes, key: bytes, board: str, last_n: int
) -> "tuple[int, dict[str, Any] | None, str]":
    """(n, record, "") if it is authentic, ours and new, else as `judge`; needs no clock."""
    return ordered.opened(data, key, board, last_n, KINDS, VERSION, MOST)


def check(record: "dict[str, Any]", pot: "Pot") -> "tuple[bytes | None, str]":
    """(settings line, "") from an authentic, new message, or (None, why not)."""
    limits_id, values = record.get("limits_id"), record.get("values")
    if not limits_id or limits_id != pot.limits.id:
        return None, "made for other hard limits"
    if type(values) is not dict:
        return None, "no values"
    for name in values:
        if name in ("kind", "version", "limits_id"):
            return None, "%s is not a setting" % name
    for row in fields.SETTINGS:
        if row[0] not in values:
            return None, "%s is missing" % row[0]
    whole = {"kind": "settings", "version": fields.VERSION, "limits_id": limits_id}
    whole.update(values)
    settings, why = fields.load("settings", whole, "asked")
    if settings is None:
        return None, why
    why = fields.outside(settings, pot.limits) or fields.dose_of_nothing(settings, pot.calibration)
    if why:
        return None, why
    return settings_line(limits_id, values), ""
