"""Fail, reset or cut power at the n-th operation of a wake with a dose, for every n.

This is how storage engines are tested: the n-th call of the board, the n-th operation on a file,
the n-th allocation (on a real MicroPython, in `boards.starved`). Then the pot lives on for ten
wakes, and each is judged. The n-th block written to flash is in `tests/usb/test_power_cuts`, on the
desk board, whose littlefs is the chip's.
"""

from __future__ import annotations

import builtins
import errno
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import wakeboard.files
import wakeboard.store
from assurance import corners
from assurance.explore import HEALTHY, PRESSED, WOKEN, Search
from assurance.letters import ORDINARY, Letter
from assurance.monitor import Memory, Violation
from assurance.world import AT, Happened, LetterBoard, Node, numbers_of, start
from wakeboard.driver import drive
from wakeboard.store import PotFiles, snapshot
from wakecore import line
from wakecore.state import State
from wakecore.wake import RECORD
from wakewell.portable.mock import Reset

AFTER = 10  # wakes after it
STORES: tuple[Any, ...] = (wakeboard.store, wakeboard.files)
CORNER = next(corner for corner in corners.CORNERS if corner.name == "run, daily")
CALLS = ("off", "rest", "read", "store", "arm", "start", "sample", "stop", "close", "log")


class Broken(Exception):
    """A requirement that did not hold, and at which operation."""


# The n-th call of the board


class NthCall(LetterBoard):
    """A board at whose n-th call something happens: an error before it, a reset after it."""

    calls: int
    nth: int
    how: str

    def count(self, after: bool) -> None:
        """One more half of a call."""
        if not after:
            self.calls += 1
        if self.calls == self.nth and after == (self.how == "reset"):
            if self.how == "reset":
                if self.happened.commands[-1:] == ["on"]:
                    self.book(min(self.happened.watched_ms, self.run.pulse_ms), 200)
                raise Reset("brownout")
            raise OSError(errno.EIO)


def _counted(name: str) -> Any:
    plain = getattr(LetterBoard, name)

    def call(self: NthCall, *given: Any) -> Any:
        self.count(False)
        answer = plain(self, *given)
        self.count(True)
        return answer

    return call


for _name in CALLS:
    setattr(NthCall, _name, _counted(_name))


def board_calls() -> int:
    """Every call of the board; how many there were. Raises Broken."""
    done = 0
    for how in ("error", "reset"):
        for nth in range(1, 1000):
            if not _one_call(how, nth):
                break
            done += 1
    return done


def _one_call(how: str, nth: int) -> bool:
    """False if a wake has fewer calls."""
    search = Search(CORNER, quick=True)
    node = start(CORNER)._replace(memory=Memory())
    begin = search.bench.begin(node, WOKEN)
    assert begin is not None
    happened = Happened(begin, node.tank_ml, node.tank_ml, node.tank_ml)
    board = NthCall(search.bench, WOKEN, happened)
    board.calls, board.nth, board.how = 0, nth, how
    state = _state(node)
    raised = False
    try:
        drive(board, state, CORNER.pot, begin)
    except (Reset, OSError):
        # Both end the program: the loader switches the pump off, and a reset does
        happened.reset, raised = how, True
        if happened.commands[-1:] == ["on"]:
            happened.commands.append("off")
    if board.calls < nth:
        return False
    where = f"{how} at call {nth} of the board"
    after = node
    if happened.commands:
        after = _judged(search, node, WOKEN, happened, where)
        if raised:
            after = after._replace(asleep=False, slept_s=0)
    _live_on(search, after, where)
    return True


def _state(node: Node) -> Any:
    from assurance.world import state_of

    return state_of(node.numbers)


def _judged(search: Search, node: Node, letter: Letter, happened: Happened, where: str) -> Node:
    before = search.monitor.before(node, letter, happened)
    try:
        after = search.monitor.after(node, letter, happened, before)
    except Violation as wrong:
        raise Broken(f"{where}: {wrong}") from None
    return search.next(node, letter, happened, before, after)


def _live_on(search: Search, node: Node, where: str) -> None:
    """Ten wakes, the lockout of an interruption ended by a press among them."""
    for number in range(AFTER):
        letter = HEALTHY if node.asleep else WOKEN
        if number == 5:
            letter = PRESSED
        try:
            done = search.step(node, letter)
        except Violation as wrong:
            raise Broken(f"{where}, {number + 1} wakes later: {wrong}") from None
        assert done is not None
        node = done[1]


# The n-th operation on a file


class PowerCut(BaseException):
    """The power went: nothing happens after this."""


class Files:
    """What `wakeboard.store` sees of `open` and `os`, counted; the n-th fails or is the last."""

    def __init__(self, opener: Any, system: Any) -> None:
        self.opener, self.system = opener, system
        self.count = self.nth = 0
        self.how = ""

    def operation(self) -> None:
        """One more."""
        self.count += 1
        if self.count == self.nth:
            if self.how == "cut":
                raise PowerCut
            raise OSError(errno.EIO)

    def open(self, path: str, mode: str = "r") -> Any:
        self.operation()
        return Handle(self, self.opener(path, mode))

    def __getattr__(self, name: str) -> Any:
        plain = getattr(self.system, name)

        def call(*given: Any) -> Any:
            self.operation()
            return plain(*given)

        return call


class Handle:
    """An open file whose reads and writes count; a power cut leaves half of a write."""

    def __init__(self, files: Files, file: Any) -> None:
        self.files, self.file = files, file

    def __enter__(self) -> Handle:
        return self

    def __exit__(self, *_: Any) -> None:
        self.file.close()

    def __iter__(self) -> Iterator[bytes]:
        return iter(self.file)

    def write(self, data: bytes) -> int:
        try:
            self.files.operation()
        except BaseException:
            self.file.write(data[: len(data) // 2])
            raise
        return int(self.file.write(data))

    def read(self, *given: int) -> Any:
        self.files.operation()
        return self.file.read(*given)

    def readline(self, *given: int) -> Any:
        self.files.operation()
        return self.file.readline(*given)

    def seek(self, at: int) -> Any:
        return self.file.seek(at)


@contextmanager
def seen_by_store(files: Files) -> Iterator[None]:
    """Put `files` in the place of what the store's modules use."""
    kept = [module.os for module in STORES]
    for module in STORES:
        module.os, module.open = files, files.open
    try:
        yield
    finally:
        for module, system in zip(STORES, kept, strict=True):
            module.os = system
            del module.open


class FileBoard(LetterBoard):
    """The board of the search with its state and log in real files."""

    store_: PotFiles
    before: dict[str, Any]

    def store(self, data: bytes) -> bool:
        good = bool(self.store_.save_state(data))
        if good:
            self.happened.ended = numbers_of(data)
            if self.happened.ended[AT["open_ms"]]:
                self.happened.begun = self.happened.ended
        self.happened.commands.append("store" if good else "store failed")
        return good

    def log(self, record: dict[str, Any]) -> None:
        self.happened.record = record
        self.store_.append(RECORD, record, self.before)


class FilePot:
    """A pot whose files are real. Keeps what really happened: starts, water, records."""

    def __init__(self, root: str, files: Files) -> None:
        self.root, self.files = root, files
        self.search = Search(CORNER, quick=True)
        self.tank_ml = CORNER.full_ml
        self.asleep, self.slept_s = False, 0
        self.moved_ul = self.pulses = 0
        for seq in (1, 2):  # as the maker leaves it: both slots written
            state = State()
            state.seq = seq
            store = PotFiles(root)
            store.load_state()
            store.save_state(state.to_bytes())

    def wake(self, letter: Letter) -> Happened | None:
        """One wake; None if it was cut off. The pump must not be on then, nor begun unstored."""
        store = PotFiles(self.root)
        try:
            state, status = store.load_state()
        except PowerCut:
            self.asleep, self.slept_s = False, 0
            return None
        node = Node(tuple(state.numbers()), status, self.asleep, self.slept_s, self.tank_ml)
        begin = self.search.bench.begin(node, letter)
        assert begin is not None
        tank_ml = CORNER.full_ml if letter.level == "filled" else self.tank_ml
        happened = Happened(begin, tank_ml, tank_ml, tank_ml)
        board = FileBoard(self.search.bench, letter, happened)
        board.store_, board.before = store, snapshot(state, 0)
        try:
            drive(board, state, CORNER.pot, begin)
        except PowerCut:
            self.asleep, self.slept_s = False, 0
            return None
        finally:
            self.tank_ml = happened.tank_ml
            if "on" in happened.commands:
                self.pulses += 1
                ul = -(-happened.ran_ms * CORNER.pot.limits.flow_max_ul_s // 1000)
                self.moved_ul += ul
                if happened.begun is None:
                    raise Broken("R9: the pump started without a begun record in the files")
        assert happened.sleep is not None
        self.asleep, self.slept_s = True, happened.sleep[0]
        return happened


def file_operations() -> int:
    """Every operation on a file, failed and cut; how many. Raises Broken."""
    done = 0
    for how in ("error", "cut"):
        for nth in range(1, 1000):
            with tempfile.TemporaryDirectory(prefix="wakewell-") as root:
                if not _one_operation(root, Files(builtins.open, os), how, nth):
                    break
            done += 1
    return done


def _one_operation(root: str, files: Files, how: str, nth: int) -> bool:
    """False if the wake with the dose has fewer operations."""
    with seen_by_store(files):
        pot = FilePot(root, files)
        dry = ORDINARY
        pot.wake(Letter(begin="cold", soil="wet"))
        pot.wake(Letter(soil="wet"))
        files.count, files.nth, files.how = 0, nth, how
        pot.wake(dry)
        if files.count < nth:
            assert pot.pulses == 1, "the wake that is cut has no dose"
            return False
        files.nth = 0
        where = f"{how} at operation {nth} on the files"
        moved_ul = pot.moved_ul
        for number in range(AFTER):
            happened = pot.wake(HEALTHY if pot.asleep else WOKEN)
            assert happened is not None
            assert happened.record is not None
            record = happened.record
            if record["begin"]["state"] == "lost":
                raise Broken(f"{where}: R11: the state was lost with one operation")
            if number == 0 and record["water"]["day_ml"] * 1000 < moved_ul:
                raise Broken(f"{where}: R3, R9: {moved_ul} ul moved, {record['water']} counted")
        limit_ul = CORNER.pot.limits.day_ml * 1000
        if moved_ul > limit_ul:
            raise Broken(f"{where}: R3: {moved_ul} ul at once")
        _log_is_whole(root, where)
    return True


def _log_is_whole(root: str, where: str) -> None:
    """Every line of the log is whole or recognised as torn; at most one is torn."""
    torn = 0
    for path in sorted(Path(root, "log").glob("*.jsonl")):
        for data in path.read_bytes().split(b"\n"):
            if data:
                torn += line.decode(data)[0] is None
    if torn > 1:
        raise Broken(f"{where}: {torn} torn lines in the log")


# The n-th allocation, on a real MicroPython


def allocations() -> int:
    """A wake with a dose with ever more memory, until it has enough; how many amounts.

    Raises Broken, or BadInput where there is no MicroPython.
    """
    import json

    from wakewell.interpreters import interpreter

    ordinary = Search(CORNER, quick=True).bench
    counts = {"soil": ordinary.soil["dry"], "battery": ordinary.battery["full"]}
    dose = {"counts": counts, "level_ml": CORNER.full_ml, "cause": "power"}
    wakes = [dose, *({"counts": counts, "level_ml": CORNER.full_ml} for _ in range(AFTER))]
    pot = {kind: data.decode() for kind, data in CORNER.lines.items()}
    inputs = [json.dumps(part).encode() for part in ({"pot": pot}, *wakes)]
    done, enough, short = 0, 0, 0
    for answer in interpreter.stream("wakewell.portable.starved", inputs, ("-X", "heapsize=400K")):
        found = json.loads(answer)
        done += 1
        where = f"with {found['free']} blocks of memory"
        if found["pumping"]:
            raise Broken(f"{where}: R1: the pump was left on")
        records = [line.decode(text.encode())[0] or {} for text in found["lines"]]
        if len(records) != AFTER:
            raise Broken(f"{where}: R13: {len(records)} of {AFTER} wakes after it")
        counted_ml = max(record["water"]["day_ml"] for record in records[:1])
        moved_ul = found["pumped_ul"] if found["ran"] else 0
        day_ul = CORNER.pot.limits.day_ml * 1000
        if found["ran"] and not counted_ml:
            raise Broken(f"{where}: R9: a run was not counted")
        if moved_ul > 2 * day_ul:
            raise Broken(f"{where}: R3: {moved_ul} ul")
        if found["out"] or found["trips"]:
            short += 1
        else:
            enough += 1
    if not short or not enough:
        raise Broken(f"memory: {short} amounts too small, {enough} enough; both were wanted")
    return done
