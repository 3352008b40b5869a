"""A board that is a recorded wake, and the player that runs a field log through it.

Where the core asks for something the record does not hold (a pulse that was not run, or one
that runs on where the recorded one was stopped), the run ends with no trip of its own, and the
records differ: the comparison shows it.
"""

from wakeboard import short
from wakeboard.driver import drive
from wakeboard.files import KINDS
from wakeboard.store import state_from_snapshot
from wakecore import fields, line
from wakecore.run import CHANNELS
from wakecore.state import State, from_bytes

if False:
    from typing import Any, Callable

    from wakecore.fields import Pot
    from wakecore.run import Run
    from wakecore.typed import Reading, Readings


class RecordedWake:
    """One record of a field log as a board. `made` is the record the core made this time."""

    def __init__(self, record: "dict[str, Any]") -> None:
        self.record = record
        self.left_out = record.get("left_out", ())
        self.reads = [record["read"], record.get("after", {})]
        self.stores = list(record["stores"])
        self.stored: list[bytes] = []  # what is in the slots after this wake, the newest first
        self.made: dict[str, Any] | None = None
        self.run: Run | None = None  # the pulse under way, once the samples on record are used up

    def off(self) -> None:
        """Nothing to switch."""

    def rest(self) -> "Reading | None":
        """The recorded rest reading."""
        reading: Reading | None = self.record["rest"]
        return reading

    def read(self) -> "Readings":
        """The recorded readings: first those before, then those after a pulse."""
        return self.reads.pop(0) if self.reads else {}

    def store(self, data: bytes) -> bool:
        """The recorded result."""
        good = self.stores.pop(0) == 1 if self.stores else True
        if good:
            self.stored.insert(0, data)
        return good

    def arm(self, run: "Run") -> None:
        """Line up the recorded samples by channel."""
        self.short_run = run
        kept = self.record.get("run", {})
        count = len(kept.get("ms", ()))
        none = [0] * count
        self.columns = [kept.get(name, none) for name in CHANNELS]
        self.at, self.count = 0, count
        self.ran_ms: int = kept.get("ran_ms", run.pulse_ms)

    def start(self) -> None:
        """Nothing to switch."""

    def sample(self, run: "Run") -> None:
        """The next recorded sample; past the last one the recorded run had ended."""
        at = self.at
        if at >= self.count:
            if short.SAMPLES not in self.left_out:
                self.run = run
            raise ValueError
        now, columns = run.now, self.columns
        for channel in range(len(CHANNELS)):
            now[channel] = columns[channel][at]
        self.at = at + 1

    def stop(self) -> int:
        """The recorded running time. That the record ends is no fault, unless it tells of one.

        Where the samples were left out, what stopped the pulse is believed.
        """
        if short.SAMPLES in self.left_out:
            self.short_run.trip = self.told_trip()
        if self.run is not None and self.run.trip is None and "fault" not in self.record["trips"]:
            self.run.trip = ""
        return self.ran_ms

    def told_trip(self) -> str:
        """What stopped the pulse by the record, "" if nothing did. That no water came may be what
        was made of a pulse that was complete."""
        trips = self.record.get("trips")
        trip = trips[0] if trips else ""
        whole = self.ran_ms >= self.short_run.pulse_ms
        return "" if trip == "no flow" and whole else trip

    def close(self) -> int:
        """The recorded time awake."""
        awake_ms: int = self.record["awake_ms"]
        return awake_ms

    def log(self, record: "Any") -> None:
        """Kept for the comparison."""
        self.made = record

    def report(self, n: int) -> None:
        """Nothing to send."""

    def sleep(self, sleep_s: int, button: int) -> None:
        """Nothing to do."""


class Player:
    """Runs a field log through the core, record by record.

    in_force(identity): the stored line (bytes) of the settings, limits or calibration with
    that id, or None. `asked`: by kind, the line to take instead of the recorded one.

    exact: the state must be the very one recorded, to the last bit. Otherwise (another
    core, other settings) it lives on by itself and only the decisions are compared. May
    be changed from record to record.
    """

    def __init__(self, in_force: "Callable[[str], bytes | None]", exact: bool = True) -> None:
        self.in_force = in_force
        self.asked: dict[str, bytes] = {}
        self.exact = exact
        self.state: State | None = None
        # What a wake may fall back on, the newest first: (number of the wake that stored it, the
        # recorded CRC of the state which that wake ended with, stored bytes)
        self.slots: list[tuple[int, str, bytes]] = []
        self.snapshot: State | None = None
        self.ended = ""  # the recorded CRC of the state the last wake ended with
        self.outran = False  # did the last wake's pulse run on where the recorded one had ended?
        self.pots: dict[Any, fields.Pot] = {}
        self.missing: list[str] = []  # the ids of files that were asked for and are not kept

    def feed(self, record: "dict[str, Any]") -> "tuple[dict[str, Any] | None, str]":
        """(made, why): the record made this time, or None and why it could not be made.

        A snapshot gives (None, ""), or why it is of no use.
        """
        if record["kind"] == "state":
            self.snapshot = state_from_snapshot(record)
            return None, "" if self.snapshot else "a snapshot of a state this core does not know"
        pot, why = self.pot(record)
        if pot is None:
            return None, why
        unplayable = why_unplayable(record)
        if unplayable and record["state"] == record["before"]:
            return None, unplayable  # it left the state as it was
        state = self.begun_with(record)
        self.snapshot = self.state = None  # if the record is damaged, nothing is kept
        if unplayable or state is None:
            return None, unplayable or "the state it began with is not known"
        return self.play(record, state, pot), ""

    def play(self, record: "dict[str, Any]", state: "State", pot: "Pot") -> "dict[str, Any] | None":
        """The record that this wake makes from that state, which it changes."""
        board = RecordedWake(record)
        drive(board, state, pot, record["begin"])
        self.state, self.ended = state, record["state"]
        stored = [(record["n"], record["state"], data) for data in board.stored]
        self.slots = (stored + self.slots)[:2]
        self.outran = board.run is not None
        return as_short(board.made, record)

    def begun_with(self, record: "dict[str, Any]") -> "State | None":
        """The state this wake began with, or None if it is not known.

        As a rule the one the last wake ended with. Where the record begins with another
        (a gap, a reset, a write that failed, a slot that was damaged), the snapshot before
        it or one of the slots. A state that no record tells of, such as after a pulse that
        was begun and never recorded, is not known: its number alone does not make it one.
        """
        if record["begin"]["state"] == "lost":
            self.state = self.snapshot  # with what the log before it knew of lockouts
            if not self.fits(self.state, record):
                empty = State()
                empty.to_bytes()
                self.state = empty if empty.crc == record["before"] else None
        elif self.ended != record["before"]:
            self.state = None
        if self.fits(self.state, record):
            return self.state
        if self.snapshot is not None and self.fits(self.snapshot, record):
            self.slots = [(-1, record["before"], self.snapshot.to_bytes())]
            return self.snapshot
        for n, crc, data in self.slots:
            state = from_bytes(data)
            # Only the state at the end of a wake is on record, not that of a pulse begun in it.
            ended = state is not None and state.wakes > n
            if self.fits(state, record, crc if ended else ""):
                return state
        return None

    def fits(self, state: "State | None", record: "dict[str, Any]", crc: str = "") -> bool:
        """Can the wake have begun with this state? crc: of the recorded one, "" if not known."""
        if state is None:
            return False
        if self.exact:
            return bool(state.crc == record["before"])
        return bool(state.wakes == record["n"] and crc in ("", record["before"]))

    def pot(self, record: "dict[str, Any]") -> "tuple[fields.Pot | None, str]":
        """(Pot, "") in force for this record, or (None, why not)."""
        asked = self.asked
        key = (
            asked.get("settings", record["settings"]),
            asked.get("limits", record["limits"]),
            asked.get("calibration", record["calibration"]),
            record["core"],
        )
        pot = self.pots.get(key)
        if pot is not None:
            return pot, ""
        found = []
        for kind in KINDS:
            values, why = self.values(kind, record[kind])
            if values is None:
                return None, why
            found.append(values)
        pot = fields.Pot(found[0], found[1], found[2], record["core"])
        if len(self.pots) > 64:
            self.pots = {}
        self.pots[key] = pot
        return pot, ""

    def values(self, kind: str, identity: str) -> "tuple[Any, str]":
        """(Values, "") of one of the three files by its id; "" stands for the safe defaults."""
        data = self.asked.get(kind)
        if data is None:
            if identity == "":
                return fields.Values(kind), ""
            data = self.in_force(identity)
        if data is None:
            if identity not in self.missing:
                self.missing.append(identity)
            return None, "%s %s is not at hand" % (kind, identity)
        content, why = line.decode(data.rstrip(b"\r\n"))
        if content is not None:
            values, why = fields.load(kind, content, line.identity(data.rstrip(b"\r\n")))
            if values is not None:
                return values, ""
        return None, "%s %s: %s" % (kind, identity, why)


def why_unplayable(record: "dict[str, Any]") -> str:
    """Why a shortened record cannot be played, "" if it can, as far as it goes."""
    left_out = record.get("left_out", ())
    if short.END in left_out:
        return "memory was short and it broke off"
    if short.READINGS in left_out:
        return "memory was short and its readings were left out"
    if short.SAMPLES in left_out and not record.get("after", {}).get("level"):
        return "memory was short and its samples were left out, with no level after them"
    return ""


def as_short(made: "dict[str, Any] | None", record: "dict[str, Any]") -> "dict[str, Any] | None":
    """The record that was made, without what the recorded one left out."""
    left_out = record.get("left_out", ())
    if made is None:
        return None
    for step in left_out:
        short.shorten(made, step)
    if short.DECISIONS in left_out:  # then it may tell less of them
        for name in ("trips", "lockouts"):
            made.pop(name, None)
            if name in record:
                made[name] = record[name]
    if left_out:
        made["left_out"] = record["left_out"]
    return made
