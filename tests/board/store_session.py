"""One session with the files of a pot, told step by step: for both interpreters.

Portable, and used by `test_store.py` alone: it prints what it found, and what it leaves below
the folder named on the command line is compared byte for byte.
"""

import json
import os
import sys

from wakeboard import store
from wakecore.state import State

NAMES = ("kind", "n", "begin")


def record(n, cause="timer"):
    """A log record as small as the store allows."""
    return {"kind": "wake", "n": n, "begin": {"cause": cause, "utc": [0, 0, 0]}}


def turn(path, at, bit):
    """Damage one bit of a file."""
    with open(path, "rb") as file:
        data = bytearray(file.read())
    data[at % len(data)] ^= 1 << bit
    with open(path, "wb") as file:
        file.write(data)


def states(root, say):
    """Two slots that take turns, damaged one by one."""
    files = store.PotFiles(root)
    say("empty", files.load_state()[1])
    state = State()
    for n in range(5):
        state.seq, state.wakes = n + 1, 10 * n
        say("saved", files.save_state(state.to_bytes()))
    found, status = store.PotFiles(root).load_state()
    say("newest", found.seq, found.wakes, status)
    turn(root + "/state.0", 40, 3)
    files = store.PotFiles(root)
    found, status = files.load_state()
    say("one damaged", found.seq, status, store.exists(root + "/state.0.bad"))
    state.seq = 6
    say("saved", files.save_state(state.to_bytes()))
    found, status = store.PotFiles(root).load_state()
    say("both good", found.seq, status)
    turn(root + "/state.0", 7, 0)
    turn(root + "/state.1", 90, 7)
    found, status = store.PotFiles(root).load_state()
    say("both damaged", found.seq, status)
    state.seq = 9
    found, status = store.PotFiles(root).load_state(state.to_bytes())
    say("a hint", found.seq, status)
    found, status = store.PotFiles(root).load_state(b"no state")
    say("a bad hint", found.seq, status)


def files_of_a_pot(root, lines, say):
    """Install, install again, damage."""
    files = store.PotFiles(root)
    pot, status = files.load_pot("core")
    say("none", pot.match, sorted(status.items()))
    for kind in ("limits", "settings", "calibration"):
        say("installed", kind, files.install(kind, lines[kind].encode()))
    pot, status = files.load_pot("core")
    say("all", pot.match, sorted(status.items()), pot.settings.id)
    say("again", files.install("settings", lines["other"].encode()))
    pot, status = files.load_pot()
    say("other", pot.match, pot.settings.id, sorted(status.items()))
    turn(root + "/settings.json", 30, 1)
    pot, status = files.load_pot()
    say("damaged", pot.match, pot.settings.id, sorted(status.items()))
    turn(root + "/settings.json.old", 30, 1)
    pot, status = files.load_pot()
    say("both damaged", pot.match, sorted(status.items()))


def logs(root, say):
    """A ring of small files; a torn line; a cold start."""
    store.MOST_FILE, store.MOST_FILES = 4000, 3
    files, state = store.PotFiles(root), State()
    for n in range(150):
        state.wakes = n
        cause = "power" if n % 50 == 49 else "timer"
        say("append", n, files.append(NAMES, record(n, cause), store.snapshot(state, 0)))
        if n == 75:
            path = files.log_path(files.log_files()[-1])
            with open(path, "rb") as file:
                data = file.read()
            with open(path, "wb") as file:
                file.write(data[:-9])
    say("files", files.log_files())


def main(root):
    """The whole session; its lines go to standard output."""

    def say(*words):
        print(json.dumps(list(words)))

    with open(root + "/lines") as file:
        lines = json.loads(file.read())
    for name in ("states", "pot", "logs"):
        os.mkdir(root + "/" + name)
    states(root + "/states", say)
    files_of_a_pot(root + "/pot", lines, say)
    logs(root + "/logs", say)


if __name__ == "__main__":
    main(sys.argv[-1])
