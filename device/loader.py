"""The small stable loader: pump off, which version of the code runs, and a way back.

It sits in the root of the flash and is not part of a version. It knows nothing of soil or
water. Versions live in /code/NAME/; /code/in-force names the one that runs, /code/good the
last one that finished a wake, /code/before the good one before it. Three boots in a row that did
not finish a wake, and the good one is put in force again. A version that came over the air is on
trial until a report of it was heard: an error, a bite of the watchdog, a full flash or two sleeps
without a finished wake, and it is taken back. Whatever happens, the board goes to sleep, pump off
(R1, R13).
"""

import gc
import sys
import time
from binascii import crc32

import chip

if False:
    from typing import Any

CODE = "/code/"
IN_FORCE, GOOD, BEFORE = CODE + "in-force", CODE + "good", CODE + "before"
STAGED = CODE + "staged"  # name of a version that waits to be put in force, by one rename
# NAME LEFT HELD: finished wakes until it has to be heard; boots that the last of them was begun
# with, -1: there was none yet
TRIAL = CODE + "trial"
BACK = CODE + "back"  # the good version's name: what is put in force if that one fails
TAKEN = CODE + "taken-back"  # NAME WHY
PUMP = "/pump.json"  # {"kind":"pump","pin":N,"off":0,"crc":"..."}
BOOTS = "/boots"
MOVES = "/moves"  # files that a flash puts in force together, one a line; each lies beside as .new
MOST_BOOTS = 3
LEAST_FREE = 32768  # bytes, while a version is on trial; it was staged with twice as much to spare
TRIAL_BOOTS = 2  # of a version on trial, ended by sleep
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


def on_trial(version: str) -> "list[int]":
    """[finished wakes left before a report of it has to be heard, boots held against it], [] if
    that version is not on trial."""
    name, _, rest = read(TRIAL).partition(" ")
    if not version or name != version:
        return []
    try:
        left, held = rest.split(" ")
        return [int(left), int(held)]
    except ValueError:  # damaged: one more wake
        return [1, 0]


def free_bytes() -> int:
    """Room on the flash. littlefs counts some blocks twice: of a full one more than there are."""
    import os

    found = os.statvfs("/")
    free: int = found[3] if 0 <= found[3] <= found[2] else 0
    return int(free * found[0])


def take_back(version: str, why: str) -> str:
    """The version in force from now on, in place of one on trial. A rename of what was written
    before the trial: a flash that this version filled has no room for anything else."""
    import os

    good = read(BACK) or read(GOOD)
    try:
        write(TAKEN, version + " " + why)
    except OSError:
        pass  # then its name is all that is known of it
    try:
        os.rename(BACK, IN_FORCE)
    except OSError:
        write(IN_FORCE, good)
    return good


def begin_boot() -> "tuple[str, int]":
    """(version to run, boots before this one that did not finish a wake)."""
    boots, weak = read_boots()
    version, good = read(IN_FORCE), read(GOOD)
    trial = on_trial(version)
    try:
        if trial:
            most, why = TRIAL_BOOTS, "no finished wake"
            if not chip.slept():
                # A wake that did not end in sleep was none, whatever it said of itself
                most, boots = MOST_BOOTS, max(boots, trial[1])
            if chip.cause() == "watchdog":
                most, why = 0, "watchdog"
            if free_bytes() < LEAST_FREE:
                most, why = 0, "full flash"
            if boots >= most:
                version, boots = take_back(version, why), 0
        elif boots >= MOST_BOOTS and good and good != version:
            version, boots = good, 0
            write(IN_FORCE, version)
        write(BOOTS, ("%d %s" % (min(boots + 1, 99), weak)).strip())
    except OSError:  # a full or broken flash: with so many boots the core never pumps (R9)
        boots = MOST_BOOTS
        failed(version, "full flash")
        version = read(IN_FORCE)
    return version, boots


def failed(version: str, why: str) -> None:
    """Take that version back at the next boot, if it is on trial."""
    try:
        if on_trial(version):
            take_back(version, why)
    except OSError:
        pass  # tried again in the next boot


def begin_trial(version: str, good: str, wakes: int) -> None:
    """Put the staged version in force, on trial for so many finished wakes at most. OSError, and
    then the good one stays."""
    import os

    write(BACK, good)
    write(TRIAL, "%s %d -1" % (version, wakes))
    write(BOOTS, "0")
    os.rename(STAGED, IN_FORCE)


def proved(version: str) -> None:
    """That version is good; the good one before it is kept too."""
    good = read(GOOD)
    if good != version:
        if good:
            write(BEFORE, good)
        write(GOOD, version)


def heard(version: str) -> None:
    """A report of it was heard: a trial, if it was on one, is over. OSError: it goes on."""
    import os

    if on_trial(version):
        proved(version)
        os.remove(TRIAL)


def finish_boot(version: str, weak: object = False) -> None:
    """This version finished a wake, and the count of boots begins anew. It is good, unless it is
    on trial."""
    try:
        trial, boots = on_trial(version), read_boots()[0]
        write(BOOTS, "0 weak" if weak else "0")
        if not trial:
            proved(version)
        elif free_bytes() < LEAST_FREE:
            take_back(version, "full flash")
        elif trial[0] > 1:
            write(TRIAL, "%s %d %d" % (version, trial[0] - 1, boots))
        else:
            take_back(version, "no report heard")
    except OSError:  # then this boot counts as not finished; the sleep is what matters
        failed(version, "full flash")


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
            if on_trial(version):
                raise
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
    """Keep the last error for a person; no room for it is no reason not to sleep. A version on
    trial that made one is taken back."""
    if error is not None:
        failed(read(IN_FORCE), "error")
    try:
        with open("/error.txt", "w") as file:
            sys.print_exception(error, file)
    except Exception:
        print("wakewell: an error could not be noted")
