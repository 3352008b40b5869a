"""Prints the bytes that the loop of the longest pump run asks the heap for.

The run's arrays are not the loop's own. Every other sample is beyond a bound.
"""

import gc

from wakecore import run


def loop(ran: run.Run) -> int:
    before = gc.mem_alloc()
    while ran.step() == run.KEEP:
        ran.now[run.MS] += run.SAMPLE_MS
        at = run.PLACES["battery"]
        ran.now[at] = 2000 - ran.now[at]
    return gc.mem_alloc() - before


rows = tuple([("sag", run.PLACES["battery"], 1, 1000, 0, 2)] * 12)
gc.disable()
ran = run.Run(30000, rows)
for channel in range(len(run.CHANNELS)):
    ran.now[channel] = 0  # a reading that trips nothing; the array begins unread
print(loop(ran))
if ran.trip or ran.count < 200:
    raise ValueError("not the longest run")
