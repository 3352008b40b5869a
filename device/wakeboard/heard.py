"""What a board remembers of the radio: how much of its log was heard, and what was asked of it.

Two files that take turns, as the state's do: each one line closed by its CRC, the newer valid one
wins. If both are damaged, the number of the last message is lost. Then nothing asked over the air
is taken until a person has settled it by cable. Also the host's answer to a report: how it is made,
and when it is believed.
"""

import json

from wakeboard import sealed
from wakeboard.files import exists, has_fields, read_bytes, set_aside, write_bytes
from wakecore import line
from wakecore.number import is_whole

if False:
    from typing import Any, Callable, Sequence

SLOTS = ("heard.0", "heard.1")
MOST = (1 << 30) - 1
# (name, most, start); of a text, its length
FIELDS = (
    ("seq", MOST, 0),  # number of this write
    ("asked", MOST, 0),  # number of the last message judged
    ("answer", 200, ""),  # what came of it: in force, or why refused
    ("refused", MOST, 0),  # messages refused so far
    ("reports", MOST, 0),  # number of the last report
    ("file", MOST, 0),  # the log is acknowledged up to this file
    ("offset", MOST, 0),  # and this many of its bytes
    ("ids", 40, ""),  # ids of the three files that were acknowledged
    ("channel", 200, 0),  # not used any more
)
NAMES = ("kind",) + tuple([row[0] for row in FIELDS])


class Heard:
    """One attribute for each field above. lost: the number of the last message is not known."""

    seq: int
    asked: int
    answer: str
    refused: int
    reports: int
    file: int
    offset: int
    ids: str
    channel: int

    def __init__(self, root: str) -> None:
        self.paths = [root + "/" + name for name in SLOTS]
        self.lost = False
        self.slot = 0
        for name, _, start in FIELDS:
            setattr(self, name, start)
        found, damaged = None, 0
        for slot in range(2):
            data = read_bytes(self.paths[slot], 1024)
            if data is None:
                damaged += exists(self.paths[slot])
                continue
            record, _ = line.decode(data.rstrip(b"\r\n"))
            if record is None or not whole(record):
                damaged += 1
                set_aside(self.paths[slot])
            elif found is None or record["seq"] > found["seq"]:
                found, self.slot = record, 1 - slot
        if found is not None:
            for row in FIELDS:
                setattr(self, row[0], found[row[0]])
            self.lost = self.asked == MOST
        else:
            aside = [path for path in self.paths if exists(path + ".bad")]
            self.lost = damaged > 0 or len(aside) > 0
            if self.lost:
                self.asked = MOST  # stored with the next write: no number is newer

    def save(self) -> bool:
        """True if it is stored and reads back the same."""
        self.seq = min(self.seq + 1, MOST)
        record = {name: getattr(self, name) for name in NAMES[1:]}
        record["kind"] = "heard"
        data = line.encode(NAMES, record)
        if not write_bytes(self.paths[self.slot], data):
            return False
        self.slot = 1 - self.slot
        return True


def load(root: str) -> "Heard":
    """What is remembered in that pot's folder."""
    return Heard(root)


def whole(record: "dict[str, Any]") -> bool:
    """Has a decoded record every field, in range?"""
    return record.get("kind") == "heard" and has_fields(record, FIELDS)


MOST_ANSWER = 512  # bytes
# Its texts are hexadecimal digits: none needs an escape
ANSWER = (
    '{"kind": "heard", "version": 1, "board": "%s", "n": %d, "nonce": "%s", '
    '"file": %d, "offset": %d, "ids": "%s", "utc": [%d, %d]'
)


def acknowledge(
    key: bytes,
    board: str,
    n: int,
    nonce: str,
    file: int,
    offset: int,
    ids: str,
    utc: "Sequence[int]",
    mac: "Callable[[bytes, bytes], bytes]" = sealed.hmac,
) -> bytes:
    """The host's answer to a report, sealed: heard up to that place of the log; the time now.

    n, nonce: the report's. ids: the three files it told, "" for none. utc: [day, second].
    mac: see `sealed.seal`.
    """
    body = ANSWER % (board, n, nonce, file, offset, ids, utc[0], utc[1])
    return sealed.seal(body.encode(), key, mac=mac)


def acknowledged(
    data: bytes, key: bytes, board: str, n: int, nonce: str
) -> "tuple[dict[str, Any] | None, str]":
    """(answer, "") if it answers this very report, else (None, why not)."""
    body, why = sealed.unseal(data, key, MOST_ANSWER)
    if body is None:
        return None, why
    try:
        record = json.loads(body)
    except (ValueError, RuntimeError):
        return None, "not JSON"
    if type(record) is not dict or record.get("kind") != "heard" or record.get("version") != 1:
        return None, "not an answer"
    if record.get("board") != board or record.get("n") != n or record.get("nonce") != nonce:
        return None, "the answer to another report"
    numbers = [record.get("file"), record.get("offset")]
    utc, ids = record.get("utc"), record.get("ids")
    if type(utc) is not list or len(utc) != 2 or type(ids) is not str or len(ids) > 40:
        return None, "not a whole answer"
    for number in numbers + utc:
        if not is_whole(number, 0, MOST):
            return None, "not a whole answer"
    return record, ""
