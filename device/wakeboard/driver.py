"""The driver: carries wakecore's commands out on a board and brings the values back.

Written once, for chip, mock and replay. It decides nothing. A board offers:

    begin()            what it knows before any reading: the `begin` of a record
    off()              pump off, the pin set up anew
    rest()             [counts, spread] of the battery, or None
    read()             {probe: [counts, spread] or None} of every fitted probe
    store(data)        True if the bytes are in a slot and read back the same
    arm(run)           get ready for a pulse of run.pulse_ms; may allocate
    start()            pump on; the board's own deadline counts from here (R2)
    sample(run)        wait for the next sample, renew the pulse, fill run.now
    stop()             pump off, the pin set up anew; milliseconds it ran
    close()            parts off; milliseconds awake
    log(record)        one line into the field log
    report(n)          by radio: what is recorded up to wake n; only where a setting asks for it
    sleep(s, button)   deep sleep

The heap is locked during a pulse where the interpreter can do that: nothing may take memory.
"""

from wakecore.run import KEEP, MOST_SAMPLES
from wakecore.wake import wake

try:
    from micropython import heap_lock, heap_unlock
except ImportError:

    def heap_lock():  # type: ignore[misc]
        """A PC has no heap to lock."""

    def heap_unlock():  # type: ignore[misc]
        """A PC has no heap to lock."""


# Made here: an `except` that lists them makes a tuple, and the heap is locked there.
FAULTS = (MemoryError, OSError, ValueError)


def pulse(board, run):
    """One pulse. Whatever goes wrong in it, the pump is off when this returns."""
    fault = "fault"
    locked = False
    try:
        board.arm(run)
        heap_lock()
        locked = True
        board.start()
        for _ in range(MOST_SAMPLES + 1):
            board.sample(run)
            if run.step() != KEEP:
                fault = None
                break
    except FAULTS:
        pass  # recorded as the trip "fault"
    finally:
        if locked:
            heap_unlock()
        ran_ms = board.stop()
    run.end(ran_ms, fault)


def drive(board, state, pot, begin=None):
    """One wake on this board, to its sleep. The record goes to `board.log`."""
    if begin is None:
        begin = board.begin()
    story = wake(state, pot, begin)
    answer = None
    for _ in range(16):  # the longest wake has twelve commands
        command = story.send(answer)
        name = command[0]
        answer = None
        if name == "off":
            board.off()
        elif name == "rest":
            answer = board.rest()
        elif name == "read":
            answer = board.read()
        elif name == "store":
            answer = board.store(command[1])
        elif name == "run":
            pulse(board, command[1])
        elif name == "close":
            answer = board.close()
        elif name == "log":
            board.log(command[1])
        elif name == "report":
            board.report(command[1])
        else:
            board.sleep(command[1], command[2])
            return
