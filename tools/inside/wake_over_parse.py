"""Arguments: COMPILED POT LOG ROUNDS. One wake of the core on a board that plays its record.

Prints of each round: wakes that ended in the state of their record, microseconds of the wakes,
microseconds of `json.loads` of their records.
"""

import gc
import json
import sys
import time

sys.path.insert(0, sys.argv[1])
from wakeboard.driver import drive
from wakeboard.store import state_from_snapshot
from wakecore import wake
from wakewell.portable.mock import load_pot
from wakewell.portable.replayed import RecordedWake

if not wake.__file__.endswith(".mpy"):
    raise ImportError("the core came from source")
with open(sys.argv[2]) as pot_file:
    pot = load_pot(json.loads(pot_file.read()))
with open(sys.argv[3], "rb") as log:
    lines = log.read().splitlines()
for _ in range(int(sys.argv[4])):
    played = parsed = n = 0
    for text in lines:
        gc.collect()
        a = time.ticks_us()
        record = json.loads(text)
        b = time.ticks_us()
        if record["kind"] == "state":
            state = state_from_snapshot(record)
            continue
        assert state is not None
        board = RecordedWake(record)
        c = time.ticks_us()
        drive(board, state, pot, record["begin"])
        d = time.ticks_us()
        assert board.made is not None
        n += board.made["state"] == record["state"]
        parsed += time.ticks_diff(b, a)
        played += time.ticks_diff(d, c)
    print(n, played, parsed)
