"""A shorter record of a wake, for when memory is short: without what takes most of it.

What was left out stands in its member `left_out`, in this order: SAMPLES of the pulse, DECISIONS
(they follow from the readings), READINGS. END: the wake itself broke off. No input, no output.
"""

from wakecore.wake import RECORD

if False:
    from typing import Any

WAKE = RECORD + ("left_out",)  # the members of a wake's line, in their order
SAMPLES, DECISIONS, READINGS, END = "samples", "decisions", "readings", "end"
STEPS = ("", SAMPLES, DECISIONS, READINGS)  # the first: nothing
MEMBERS: "dict[str, tuple[str, ...]]" = {
    DECISIONS: ("values", "told", "judged", "permissives", "plan", "needs", "water", "charge_uah")
    + ("commands",),
    READINGS: ("rest", "read", "run", "after"),
}


def shorten(record: "dict[str, Any]", step: str) -> None:
    """Leave out one thing more. If the record does not have it, nothing is left out or noted."""
    names = [name for name in MEMBERS.get(step, ()) if name in record]
    for name in names:
        del record[name]
    if step == SAMPLES and len(record.get("run", ())) > 1:
        record["run"] = {"ran_ms": record["run"]["ran_ms"]}
        names.append(step)
    if names or step == END:
        record["left_out"] = record.get("left_out", []) + [step]
