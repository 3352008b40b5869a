"""The driver: carries wakecore's commands out on a board and brings the values back.

There is one driver for chip, mock and replay, and it decides nothing. `DrivenBoard` is what a board
must offer. During a pulse the heap is locked, if the interpreter can do that: nothing may take
memory then, so memory cannot run out while the pump is on.
"""

from wakecore.command import CLOSE, OFF, READ, REST, Log, Pump, Report, Sleep, Store
from wakecore.run import KEEP, MOST_SAMPLES
from wakecore.wake import wake

if False:
    from typing import Any, Protocol

    from wakecore.fields import Pot
    from wakecore.run import Run
    from wakecore.state import State
    from wakecore.typed import Reading, Readings

    class DrivenBoard(Protocol):
        def off(self) -> None: ...  # pump off, the pin set up anew
        def rest(self) -> Reading | None: ...  # the battery
        def read(self) -> Readings: ...  # every fitted probe but the battery
        def store(self, data: bytes) -> bool: ...  # True: in a slot, and read back the same
        def arm(self, run: Run) -> None: ...  # get ready for this pulse; may allocate
        def start(self) -> None: ...  # pump on; the board's own deadline counts from here (R2)
        def sample(self, run: Run) -> None: ...  # wait, renew the pulse, fill run.now
        def stop(self) -> int: ...  # pump off, the pin set up anew; milliseconds it ran
        def close(self) -> int: ...  # parts off; milliseconds awake
        def log(self, record: Any) -> None: ...  # a Record: one line into the field log
        def report(self, n: int) -> None: ...  # by radio: what is recorded up to wake n
        def sleep(self, sleep_s: int, button: int) -> None: ...  # deep sleep


try:
    from micropython import heap_lock, heap_unlock
except ImportError:

    def heap_lock() -> int:
        """A PC has no heap to lock."""
        return 0

    def heap_unlock() -> int:
        """A PC has no heap to lock."""
        return 0


MOST_COMMANDS = 16  # the longest wake has twelve
# Made here, because listing them at the `except` makes a tuple, and the heap is locked there.
FAULTS = (MemoryError, OSError, ValueError)


def pulse(board: "DrivenBoard", run: "Run") -> None:
    """One pulse: pump on, samples until the core ends it, pump off.

    Whatever goes wrong, the pump is off when this returns.
    """
    fault: str | None = "fault"
    locked = False
    try:
        board.arm(run)
        sample, step = board.sample, run.step
        heap_lock()
        locked = True
        board.start()
        for _ in range(MOST_SAMPLES + 1):
            sample(run)
            if step() != KEEP:
                fault = None
                break
    except FAULTS:
        pass  # recorded as the trip "fault"
    finally:
        if locked:
            heap_unlock()
        ran_ms = board.stop()
    run.end(ran_ms, fault)


def drive(board: "DrivenBoard", state: "State", pot: "Pot", begin: "Any") -> None:
    """One wake on this board, to its sleep. The record goes to `board.log`.

    begin: what the board knows before any reading, a `Begin`.

    Raises ValueError for a command that is not known here, as when core and driver are of different
    versions, and for a wake that does not end.
    """
    commands = wake(state, pot, begin)
    answer: Any = None
    for _ in range(MOST_COMMANDS):
        command = commands.send(answer)
        answer = None
        if command is READ:
            answer = board.read()
        elif command is OFF:
            board.off()
        elif command is REST:
            answer = board.rest()
        elif command is CLOSE:
            answer = board.close()
        elif isinstance(command, Store):
            answer = board.store(command.data)
        elif isinstance(command, Log):
            board.log(command.record)
        elif isinstance(command, Sleep):
            board.sleep(command.sleep_s, command.button)
            return
        elif isinstance(command, Pump):
            pulse(board, command.run)
        elif isinstance(command, Report):
            board.report(command.n)
        else:
            raise ValueError("unknown command: %r" % (command,))
    raise ValueError("a wake of %d commands: it has no end" % MOST_COMMANDS)
