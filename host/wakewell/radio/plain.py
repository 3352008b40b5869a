"""What a pot's newest wake read, in plain numbers on a topic of the broker: `listen --publish`.

A report is sealed: only the pot with its key can make one. What is published here is plain: whoever
may write at that broker can forge it. So it is for showing, and nothing of ours ever reads it. It
holds numbers of the pot and words of the core's own tables, never a name, a key or the Wi-Fi.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

from wakeboard import senml
from wakecore import rules
from wakewell.errors import BadInput
from wakewell.radio import broker
from wakewell.radio.listen import Radio
from wakewell.radio.store import LastHeard
from wakewell.radio.waiting import Waiting

WHAT = "plain"  # the last word of the topic
NEEDS = tuple(row[0] for row in rules.NEEDS)
LOCKOUTS = tuple(row[0] for row in rules.LOCKOUTS)
# (value of `summary`, name, unit of SenML (RFC 8428, section 12.1), its factor as 10 to minus)
READINGS = (*senml.READINGS, ("day_ml", "given", "m3", 6))
COULOMB = 3600  # microcoulombs of a microampere-hour


def known(told: Any, table: tuple[str, ...]) -> list[str]:
    """The words of that table that a board told, in the table's order; no other word passes."""
    words = told if isinstance(told, list) else []
    return [name for name in table if name in words]


def numbers(heard: LastHeard) -> dict[str, int]:
    """The values of the newest wake that are believed, by their names in the log."""
    values = {**heard.told.get("values", {})}
    values |= {name: heard.told.get(name) for name in ("day_ml", "charge_uah")}
    return {name: value for name, value in values.items() if type(value) is int}


def pack(board: str, heard: LastHeard) -> bytes:
    """A SenML pack (RFC 8428) of a board's newest wake; `given` is of the 24 hours before it."""
    found = numbers(heard)
    head = f'{{"bn":{json.dumps(senml.base_name(board))},"bt":{heard.told_at}'
    rows = []
    for value, name, unit, places in READINGS:
        if value in found:
            number = senml.decimal(found[value], places)
            rows.append(f'"n":"{name}","u":"{unit}","v":{number}')
    if "charge_uah" in found:
        number = senml.decimal(found["charge_uah"] * COULOMB, 6)
        rows.append(f'"n":"charge","u":"C","v":{number}')
    for name, table in (("lockouts", LOCKOUTS), ("needs", NEEDS)):
        text = "; ".join(known(heard.told.get(name), table))
        rows.append(f'"n":"{name}","vs":{json.dumps(text)}')
    return f"[{head},{'},{'.join(rows)}}}]".encode()


def publisher(radio: Waiting) -> tuple[Callable[[str, LastHeard], None], int]:
    """(what leaves a board's numbers at its broker, for how many boards).

    Raises BadInput where no pot has a broker.
    """
    if not isinstance(radio, Radio):
        raise BadInput(
            "--publish: these pots post their reports, and their private.toml names no broker; "
            "leave it out, or read the numbers by --metrics"
        )
    ours = frozenset(radio.boards)

    def publish(board: str, last: LastHeard) -> None:
        if board in ours:
            radio.show(broker.TOPIC.format(board=board, what=WHAT), pack(board, last))

    return publish, len(ours)
