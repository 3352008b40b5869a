"""Argument: SCRIPT. Prints the bytes that the last wake of that script asks the heap for.

The collector is off for the wake, so what is counted is all it asked for, not what it kept.
"""

import gc
import json
import sys

from wakewell.portable.mock import play

if False:
    from typing import Any, Iterator

with open(sys.argv[1]) as file:
    script = json.loads(file.read())
last = script["wakes"].pop()
marks: "list[int]" = []


def wakes() -> "Iterator[Any]":
    for wake in script["wakes"]:
        yield wake
    gc.collect()
    gc.disable()
    marks.append(gc.mem_alloc())
    yield last


for out in play({"pot": script["pot"], "core": script["core"], "wakes": wakes()}):
    if marks:
        print(gc.mem_alloc() - marks[0])
        record = out["record"]
if not record["commands"][4].startswith("run ") or record["trips"]:
    raise ValueError("no dose in this wake")
