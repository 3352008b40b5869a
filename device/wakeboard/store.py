"""The files of a pot, on a chip's littlefs and on a PC alike: plain files only.

    state.0 state.1                              two slots that take turns; the newer valid one wins
    settings.json limits.json calibration.json   one line each; NAME.old is the last good copy
    log/00000001.jsonl ...                       a bounded ring of log files
    *.bad                                        a damaged file, kept aside for a person

A wake writes a bounded number of times: two or three states and one log line.
"""

import json
import os
from binascii import crc32

from wakeboard.files import KINDS, Folder, exists, read_bytes, set_aside, write_bytes
from wakecore import fields, line, rules
from wakecore.state import DELIVERIES, FIELDS, VERSION, State, from_bytes, from_numbers

if False:
    from typing import Any, Mapping, Sequence

SLOTS = ("state.0", "state.1")
MOST_FILE = 32768  # bytes in one log file
MOST_FILES = 24
HEAD = 256  # bytes of a line that are read at once
CLOSED = line.TAIL_SIZE + 2  # the bytes that close a line, its end among them
SNAPSHOT_EVERY = 32  # records; also first in a file, after a cold start and after a cut-off pulse
STATE_RECORD = ("kind", "n", "version", "dropped", "ages_s", "mls", "fields")
FORMER = {"thirst": "denied"}  # what a snapshot of form 1 calls a field


def snapshot(state: "State", dropped: int) -> "dict[str, Any]":
    """The record that lets a replay begin here: the whole retained state, by name."""
    return {
        "kind": "state",
        "n": state.wakes,
        "version": VERSION,
        "dropped": dropped,
        "ages_s": list(state.ages_s),
        "mls": list(state.mls),
        "fields": {row[0]: getattr(state, row[0]) for row in FIELDS},
    }


def snapshot_due(record: "Mapping[str, Any]", before: "dict[str, Any]") -> bool:
    """Is this snapshot to stand before the record, wherever that is in its file?

    It must where no record holds the state: a reset that cut a pulse off leaves no record.
    """
    cold = record["begin"]["cause"] not in ("timer", "button")
    return cold or before["fields"]["open_ms"] > 0 or record["n"] % SNAPSHOT_EVERY == 0


class PotFiles(Folder):
    """A pot's files below `root`, which must exist."""

    def __init__(self, root: str) -> None:
        Folder.__init__(self, root)
        self.next_slot = 0

    def load_state(self, hint: bytes = b"") -> "tuple[State, str]":
        """(State, status): "good", "previous" (a slot was damaged), "hinted" (so it was, but RTC
        memory kept what was last written) or "lost" (none was valid).

        hint: the bytes RTC memory kept, if any; they count as a third slot.
        """
        newest, status, newest_slot, found = None, "good", -1, 0
        for slot in range(2):
            data = read_bytes(self.path(SLOTS[slot]))
            if data is None:
                continue
            state = from_bytes(data)
            if state is None:
                status = "previous"
                set_aside(self.path(SLOTS[slot]))
                continue
            found += 1
            if newest is None or state.seq > newest.seq:
                newest, newest_slot = state, slot
        if newest is not None and found < 2 and newest.seq > 1:
            status = "previous"  # the other slot was written once, and is gone
        self.next_slot = 1 - newest_slot if newest_slot >= 0 else 0
        hinted = from_bytes(hint) if hint else None
        if hinted is not None and (newest is None or hinted.seq >= newest.seq):
            newest, status = hinted, "good" if status == "good" and newest else "hinted"
        if newest is None:
            newest, status = State(), "lost"
            newest.lockouts = self.logged_lockouts() & rules.CABLE_BITS
            newest.to_bytes()
        return newest, status

    def logged_lockouts(self) -> int:
        """The lockouts at the end of the last wake on record, one bit for each.

        The owner's button ends the lockout for a lost state. A leak in that state must still wait
        for the cable.
        """
        for number in reversed(self.log_files()):
            last = None
            try:
                with open(self.log_path(number), "rb") as file:
                    for text in file:
                        record, _ = line.decode(text.rstrip(b"\r\n"))
                        if record is not None and record.get("kind") == "wake":
                            last = record.get("lockouts", last)  # a shortened one may not say
            except (OSError, MemoryError):
                pass  # what was read of it counts
            if type(last) is list:
                return sum([rules.BITS.get(name, 0) for name in last if type(name) is str])
        return 0

    def save_state(self, data: bytes) -> bool:
        """True if the bytes are in the older slot and read back the same."""
        if not write_bytes(self.path(SLOTS[self.next_slot]), data):
            return False
        self.next_slot = 1 - self.next_slot
        return True

    def load_file(self, kind: str) -> "tuple[Any, str]":
        """(Values, status) of one of the three files: "good", "previous" or "default"."""
        name = self.path(kind + ".json")
        for path, status in ((name, "good"), (name + ".old", "previous")):
            data = read_bytes(path)
            if data is None:
                continue
            data = data.rstrip(b"\r\n")
            record, _ = line.decode(data)
            if record is not None and record.get("kind") == kind:
                values, _ = fields.load(kind, record, line.identity(data))
                if values is not None:
                    return values, status
            set_aside(path)
        return fields.Values(kind), "default"

    def load_pot(self, core: str = "") -> "tuple[fields.Pot, dict[str, str]]":
        """(Pot, {kind: status}): the three files in force."""
        found, statuses = [], {}
        for kind in KINDS:
            values, statuses[kind] = self.load_file(kind)
            found.append(values)
        return fields.Pot(found[0], found[1], found[2], core), statuses

    def install(self, kind: str, data: bytes) -> bool:
        """Put a new file in force, keeping the one it replaces as NAME.old. True if it holds."""
        name = self.path(kind + ".json")
        if not write_bytes(name + ".new", data):
            return False
        now = read_bytes(name)
        good = now is not None and line.decode(now.rstrip(b"\r\n"))[0] is not None
        if now is not None and good and not write_bytes(name + ".old", now):
            return False
        try:
            os.rename(name + ".new", name)
        except OSError:
            return False
        return read_bytes(name, len(data) + 1) == data

    def append(
        self, names: "Sequence[str]", record: "Mapping[str, Any]", before: "dict[str, Any]"
    ) -> bool:
        """Append a record. before: the snapshot of the state this wake began with.

        True if the line is in the file. A new file begins with the snapshot; a torn last
        line is closed first, so that it costs only itself. The line is made in pieces, once to
        know its size and once to write it.
        """
        due = snapshot_due(record, before)
        size = line.write(names, record, len) + 1
        for _ in range(2):  # a full flash: drop the oldest file and try once more
            try:
                return self.append_line(names, record, size, before, due)
            except OSError:
                if not self._drop_oldest(before):
                    return False
                due = True  # the snapshot has the count of dropped records
        return False

    def _drop_oldest(self, before: "dict[str, Any]") -> bool:
        """True if there was an older file than the one written to, and it is gone."""
        numbers = self.log_files()
        if len(numbers) < 2:
            return False
        try:
            before["dropped"] = self._dropped(numbers, before) + self._drop(numbers[0])
        except OSError:
            return False
        return True

    def append_line(
        self,
        names: "Sequence[str]",
        record: "Mapping[str, Any]",
        size: int,
        before: "dict[str, Any]",
        snapshot_due: bool,
    ) -> bool:
        numbers = self.log_files()
        was = os.stat(self.log_path(numbers[-1]))[6] if numbers else 0
        if not numbers or was + size > MOST_FILE:
            before["dropped"] = self._make_room(numbers, before)
            numbers.append(numbers[-1] + 1 if numbers else 1)
            was, snapshot_due = 0, True
        path = self.log_path(numbers[-1])
        torn = False
        if was:
            with open(path, "rb") as file:
                file.seek(was - 1)
                torn = file.read(1) != b"\n"
        size += was + torn
        with open(path, "ab") as file:
            if torn:
                file.write(b"\n")
            if snapshot_due:
                size += line.write(STATE_RECORD, before, file.write) + file.write(b"\n")
            line.write(names, record, file.write)
            file.write(b"\n")
        return os.stat(path)[6] == size

    def _make_room(self, numbers: list[int], before: "dict[str, Any]") -> int:
        """Drop the oldest files until one more fits; the records dropped so far, all told."""
        if not exists(self.log_folder):
            os.mkdir(self.log_folder)
        dropped = self._dropped(numbers, before)
        for number in numbers[: max(0, len(numbers) + 1 - MOST_FILES)]:
            dropped += self._drop(number)
        return dropped

    def _dropped(self, numbers: list[int], before: "dict[str, Any]") -> int:
        """The records dropped so far, by `before` or the snapshots of the newest file."""
        most: int = before["dropped"]
        if not numbers:
            return most
        with open(self.log_path(numbers[-1]), "rb") as file:
            head = file.readline(HEAD)
            while head:
                good, after = next_line(file, head)
                at = head.find(b',"ages_s"')
                if good and at > 0 and head.startswith(b'{"kind":"state"'):
                    most = max(most, json.loads(head[:at] + b"}").get("dropped", 0))
                head = after
        return most

    def _drop(self, number: int) -> int:
        """Remove a log file; the records that were in it."""
        dropped = 0
        with open(self.log_path(number), "rb") as file:
            head = file.readline(HEAD)
            while head:
                dropped += b'"kind":"wake"' in head
                _, head = next_line(file, head)
        os.remove(self.log_path(number))
        return dropped


def next_line(file: "Any", head: bytes) -> "tuple[bool, bytes]":
    """(Does the line that begins with `head` end in its own CRC?, the first bytes of the next one).

    In pieces: the longest free block of memory may be shorter than a line.
    """
    kept, crc = head, 0
    while head and not head.endswith(b"\n"):
        crc = crc32(kept[:-CLOSED], crc)
        head = file.readline(HEAD)
        kept = kept[-CLOSED:] + head
    end = kept.rstrip(b"\r\n")
    at = max(0, len(end) - line.TAIL_SIZE)
    good = end[at:] == line.TAIL + b'%08x"}' % crc32(end[:at], crc)
    after: bytes = file.readline(HEAD)
    return good, after


def state_from_snapshot(record: "Mapping[str, Any]") -> "State | None":
    """The State a snapshot describes, or None if it is not one this core knows.

    One of an older form is brought to today's, as a stored state is.
    """
    values, version = record.get("fields"), record.get("version")
    if type(version) is not int or not 1 <= version <= VERSION:
        return None
    ages_s, mls = record.get("ages_s"), record.get("mls")
    if type(values) is not dict or type(ages_s) is not list or type(mls) is not list:
        return None
    if len(ages_s) != DELIVERIES or len(mls) != DELIVERIES:
        return None
    numbers = ages_s + mls
    for name, _, _, start in FIELDS:
        numbers.append(values.get(name, values.get(FORMER.get(name), start)))
    # A core of form 1 knows no other, and takes none
    state = from_numbers(numbers) if version == VERSION else from_numbers(numbers, version)
    if state is not None:
        state.to_bytes()
    return state
