"""Arguments: INPUTS ROUNDS. Prints of each round: wakes played as recorded, microseconds of their
replay, microseconds of `json.loads` of the same records."""

import gc
import json
import sys
import time

from wakewell.portable import run_replay

# Lines come from memory: a file is read there byte by byte, which would hide both sides.
with open(sys.argv[1], "rb") as file:
    lines = file.read().splitlines()
wakes = [text[5:] for text in lines if text[:4] != b"core"]
for _ in range(int(sys.argv[2])):
    gc.collect()
    a = time.ticks_us()
    for text in wakes:
        json.loads(text)
    b = time.ticks_us()
    gc.collect()
    c = time.ticks_us()
    n = 0
    for answer in run_replay.answers(lines):
        n += answer[:1] == b"{"
    d = time.ticks_us()
    print(n, time.ticks_diff(d, c), time.ticks_diff(b, a))
