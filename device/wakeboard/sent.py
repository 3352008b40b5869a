"""What a board remembers of the versions of the code that were sent to it.

One line closed by its CRC, replaced by one rename: the number of the last one judged, what it is
and how far it came. Damaged, nothing newer is taken until a person with the cable has seen to it.
"""

import loader
from wakeboard.files import SENT, has_fields, read_bytes, replace
from wakecore import line

if False:
    from typing import Any

MOST_N = (1 << 30) - 1
FETCHING, STAGED, REFUSED = "fetching", "staged", "refused"
# What stands in a report besides these, from the loader's files
TRIAL, IN_FORCE, TAKEN_BACK = "on trial", "in force", "taken back"
LOST = "number lost; flash it by cable"
# (name, most, start); of a text, its length
FIELDS = (
    ("n", MOST_N, 0),  # number of the last one judged
    ("state", 8, ""),  # "": nothing was sent yet
    ("why", 100, ""),  # why it was refused
    ("name", 21, ""),  # of the version
    ("list", 64, ""),  # SHA-256 of its list
    ("size", 8192, 0),  # bytes of the list
    ("back", 1, 0),  # 1: a way back, nothing to fetch
    ("day", MOST_N, 0),  # it may be taken until then
    ("second", MOST_N, 0),
    ("until_n", MOST_N, 0),
    ("vain", 100, 0),  # reports in a row that brought no piece of it
)
NAMES = ("kind",) + tuple([row[0] for row in FIELDS])


class Sent:
    """One attribute for each field above. lost: how far the numbers had come is not known."""

    n: int
    state: str
    why: str
    name: str
    list: str
    size: int
    back: int
    day: int
    second: int
    until_n: int
    vain: int

    def __init__(self, path: str = SENT) -> None:
        self.path = path
        data = read_bytes(path, 1024)
        record, _ = line.decode((data or b"").rstrip(b"\r\n"))
        self.lost = data is not None and not whole(record)
        for name, _, start in FIELDS:
            setattr(self, name, start if self.lost or record is None else record[name])
        if self.lost:
            self.n, self.state, self.why = MOST_N, REFUSED, LOST

    def begin(self, record: "dict[str, Any]", name: str) -> None:
        """A manifest was taken: this is what is fetched from now on. name: of the version."""
        self.n, self.state, self.why, self.name, self.vain = record["n"], FETCHING, "", name, 0
        self.back = record["back"]
        self.list, self.size = ("", 0) if self.back else (record["list"], record["size"])
        self.day, self.second = record["until"]
        self.until_n = record["until_n"]

    def times(self) -> "dict[str, Any]":
        """As `ordered.late` wants them."""
        return {"until": [self.day, self.second], "until_n": self.until_n}

    def save(self) -> None:
        """Raises OSError if it is not stored."""
        if self.lost:
            return
        record = {row[0]: getattr(self, row[0]) for row in FIELDS}
        record["kind"] = "sent"
        if not replace(self.path, line.encode(NAMES, record)):
            raise OSError(28)

    def refuse(self, why: str) -> None:
        """It is not taken, or not any more."""
        self.state, self.why = REFUSED, why[:100]
        self.save()

    def settle(self, number: int) -> None:
        """The cable put a version in force: nothing up to that number is taken any more. What was
        damaged is made anew."""
        self.n = max(number, 0 if self.lost else self.n)
        self.lost = False
        self.refuse("settled by cable")

    def words(self) -> "dict[str, Any]":
        """What a report says of it."""
        state, why = self.state, self.why
        if state == STAGED:
            taken, _, reason = loader.read(loader.TAKEN).partition(" ")
            if loader.read(loader.IN_FORCE) == self.name:
                state = TRIAL if loader.on_trial(self.name) else IN_FORCE
            elif taken == self.name:
                state, why = TAKEN_BACK, reason
        return {"sent": self.n, "sent_is": state, "sent_why": why}


def whole(record: "dict[str, Any] | None") -> bool:
    """Has a decoded record every field, in range?"""
    return record is not None and record.get("kind") == "sent" and has_fields(record, FIELDS)
