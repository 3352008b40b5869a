"""The small stable loader: pump off, which version of the code runs, and a way back.

It sits in the root of the flash and is not part of a version. It knows nothing of soil or
water. Versions live in /code/NAME/; /code/in-force names the one that runs, /code/good the
last one that finished a wake. Three boots in a row that did not finish a wake, and the good
one is put in force again. Whatever happens, the board goes to sleep, pump off (R1, R13).
"""

import gc
import sys
import time
from binascii import crc32

import chip

if False:
    from typing import Any

CODE = "/code/"
PUMP = "/pump.json"  # {"kind":"pump","pin":N,"off":0,"crc":"..."}
BOOTS = "/boots"
MOVES = "/moves"  # files that a flash puts in force together, one a line; each lies beside as .new
MOST_BOOTS = 3
WAKE_MS = 120000  # the watchdog of a whole wake
LEASE_MS = 300000  # a host's session, unrenewed
WINDOW_MS = 10000  # the host may take over after a start that is no end of a sleep
SHORT_MS = 3000  # the same on a weak cell, or after wakes that did not finish (R5)
LAST_RESORT_MS = 3600000  # sleep after a wake that failed


def read(path: str) -> str:
    """The stripped text of a small file, "" if there is none."""
    try:
        with open(path) as file:
            text: str = file.read(256)
            return text.strip()
    except (OSError, ValueError):
        return ""


def write(path: str, text: str) -> None:
    """Replace a small file by one rename."""
    with open(path + ".new", "w") as file:
        file.write(text)
    import os

    os.rename(path + ".new", path)


def pump() -> "tuple[int, int] | None":
    """(pin, off level) from the pump's own file, or None: then no pin is driven (R1)."""
    body, _, tail = read(PUMP).partition(',"crc":"')
    if tail != '%08x"}' % crc32(body.encode()):
        return None
    import json

    found = json.loads(body + "}")
    return found["pin"], found["off"]


def pump_off(hold: bool = False) -> bool:
    """Set the pump's pin up anew, off. hold: keep it so through deep sleep. True if done."""
    found = pump()
    if found is None:
        return False
    try:
        pin, off = found
        chip.drive(pin, off, hold)
    except ValueError:  # a pin that this chip does not have
        return False
    return True


def watch() -> None:
    """Arm the watchdog of a whole wake. It cannot be disarmed."""
    chip.watch(WAKE_MS)


def lease() -> None:
    """Start or renew the time a host may keep the board awake; then the board resets (R13)."""
    if chip.watched():  # a wake was interrupted
        chip.watch(LEASE_MS)
    chip.reset_after(LEASE_MS)


def read_boots() -> "tuple[int, str]":
    """(boots in a row that did not finish a wake, "weak" if the last one found a low cell)."""
    count, _, weak = read(BOOTS).partition(" ")
    try:
        return int(count or 0), weak
    except ValueError:  # damaged: at least the boot that wrote it did not end well
        return 1, weak


def finish_moves() -> None:
    """Put in force what a flash had begun to when the power failed: all of it, or none."""
    import os

    try:
        with open(MOVES) as file:
            paths = file.read(4096).split()
        for path in paths:
            try:
                os.rename(path + ".new", path)
            except OSError:
                pass  # was renamed before the power failed
        os.remove(MOVES)
    except (OSError, ValueError):
        pass  # most boots find none; a broken flash is no reason not to wake


def begin_boot() -> "tuple[str, int]":
    """(version to run, boots before this one that did not finish a wake)."""
    boots, weak = read_boots()
    version, good = read(CODE + "in-force"), read(CODE + "good")
    try:
        if boots >= MOST_BOOTS and good and good != version:
            version, boots = good, 0
            write(CODE + "in-force", version)
        write(BOOTS, ("%d %s" % (min(boots + 1, 99), weak)).strip())
    except OSError:  # a full or broken flash: with so many boots the core never pumps (R9)
        boots = MOST_BOOTS
    return version, boots


def finish_boot(version: str, weak: object = False) -> None:
    """This version finished a wake: it is good, and the count of boots begins anew."""
    try:
        write(BOOTS, "0 weak" if weak else "0")
        if read(CODE + "good") != version:
            write(CODE + "good", version)
    except OSError:
        pass  # then this boot counts as not finished; the sleep is what matters


def window(ms: int = WINDOW_MS) -> None:
    """Wait for a host: its interrupt ends the program and leaves the board at the prompt."""
    print("wakewell: awake, pump off; a host may take over for %d s" % (ms // 1000))
    for _ in range(ms // 100):
        time.sleep_ms(100)


def twice(step: "Any", *given: "Any") -> "Any":
    """What step(*given) returns. Where memory is short: once more, without the garbage."""
    try:
        return step(*given)
    except MemoryError:
        gc.collect()
    return step(*given)


def run() -> None:
    """One boot: the wake of the version in force, then sleep, whatever happens."""
    error: "Exception | None" = None
    try:
        finish_moves()
        if not chip.slept():
            boots, weak = read_boots()
            window(SHORT_MS if weak or boots >= MOST_BOOTS else WINDOW_MS)
        watch()
        version, boots = begin_boot()
        sys.path.insert(0, CODE + version)
        try:
            from wakeboard.turn import run as turn
        except ImportError:  # a version from before the radio had a boot of its own
            from wakeboard.board import Board

            Board(version, boots).wake()
        turn(version, boots)
    except Exception as why:
        error = why
    try:
        twice(pump_off)
        note(error)
    finally:
        try:
            twice(pump_off, True)
        finally:
            twice(chip.sleep, LAST_RESORT_MS)


def note(error: "Any") -> None:
    """Keep the last error for a person; no room for it is no reason not to sleep."""
    try:
        with open("/error.txt", "w") as file:
            sys.print_exception(error, file)
    except Exception:
        print("wakewell: an error could not be noted")
