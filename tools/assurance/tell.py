"""A path of letters as a sequence file, so that anybody can replay what the search found.

The path is walked again on the real core without any projection, so that what the file says
is what happens. Every reading stands in it in counts.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from typing import Any

from assurance.corners import Corner
from assurance.letters import Letter
from assurance.monitor import Memory, Violation
from assurance.world import AT, FIRST, TROUBLE_MS, Happened, Node, Numbers, start
from wakecore.state import DELIVERIES, NAMES
from wakewell.sequences.cutting import toml_value

LIVE = "never watered"


def sequence(
    corner: Corner, path: Sequence[Letter], rule: str, why: str, expected: dict[str, Any]
) -> str:
    """The TOML of that path; its last wake expects what the requirement asks for."""
    rows = [
        f"# Found by the search of the corner {corner.name!r}: {why}",
        f"title = {json.dumps(f'{rule}: {why}')}",
        f"rules = {json.dumps([rule])}",
        "",
        "[pot]",
        *(f"{kind} = {json.dumps(data.decode())}" for kind, data in corner.lines.items()),
    ]
    for wake in _wakes(corner, path):
        rows += ["", *wake]
    rows += ["[[wake.expect]]", f'rule = "{rule}"']
    rows += [f"{name} = {toml_value(value)}" for name, value in expected.items() if name != "total"]
    if "total" in expected:
        rows = rows[:-2]
        rows += ["", "[[total]]", f'rule = "{rule}"']
        rows += [f"{name} = {toml_value(value)}" for name, value in expected["total"].items()]
    return "\n".join(rows) + "\n"


def _wakes(corner: Corner, path: Sequence[Letter]) -> Iterator[list[str]]:
    from assurance.explore import Search

    search = Search(corner)
    node = start(corner)._replace(memory=Memory())
    natural = node.numbers  # what the mock board would begin the next wake with
    for letter in path:
        happened = search.bench.wake(node, letter)
        if happened is None:
            continue  # such a wake cannot follow
        yield list(_wake(search.bench, node, letter, happened, natural))
        before = search.monitor.before(node, letter, happened)
        try:
            after = search.monitor.after(node, letter, happened, before)
        except Violation:
            return
        node = search.next(node, letter, happened, before, after)
        natural = happened.ended or natural


def _wake(
    bench: Any, node: Node, letter: Letter, happened: Happened, natural: Numbers
) -> Iterator[str]:
    begin = happened.begin
    yield f"# {letter}"
    yield "[[wake]]"
    for name in ("cause", "slept_s", "boots", "button_ms", "host", "utc", "radio", "radio_ms"):
        yield f"{name} = {toml_value(begin[name])}"
    yield f"vouched = {toml_value(bool(begin['vouched']))}"
    yield f"pin = {toml_value(bool(begin['pin']))}"
    for name in ("state", "settings", "limits", "calibration"):
        yield f'{name} = "{begin[name]}"'
    readings = {"soil": bench.soil[letter.soil], "battery": bench.battery[letter.battery]}
    readings |= {name: found[getattr(letter, name)] for name, found in bench.others.items()}
    if happened.first_ml is None:
        readings["level"] = bench.level[letter.level]
    else:
        yield f"level_ml = {happened.first_ml}"
    yield from _readings(readings)
    stores = {
        "begun lost": [False],
        "begun landed": [False],
        "end lost": [True, False] if "on" in happened.commands else [False],
        "both lost": [False, False],
    }.get(letter.store, [])
    if stores:
        yield f"stores = {toml_value(stores)}"
    chatter = letter.begin == "chatter"
    if (chatter or node.numbers != natural) and node.status != "lost":
        numbers = list(node.numbers)
        yield "[wake.retained]"
        yield f"ages_s = {toml_value(numbers[:DELIVERIES])}"
        yield f"mls = {toml_value(numbers[DELIVERIES:FIRST])}"
        for name in NAMES:
            value = 19 if chatter and name == "presses" else numbers[AT[name]]
            yield f"{name} = {value}"
    run = _run(bench, letter, happened)
    if run:
        yield "[wake.run]"
        yield from (f"{name} = {toml_value(value)}" for name, value in run.items())
    if letter.run in ("after lost", "fast fall") and happened.pulse_ms:
        # What the run's flow does not tell of the level after it
        yield "[wake.after]"
        del readings["battery"]
        left = [bench.counts("level", happened.tank_ml), 0]
        yield from _readings({**readings, "level": None if letter.run == "after lost" else left})


def _run(bench: Any, letter: Letter, happened: Happened) -> dict[str, Any]:
    how, flow = letter.run, bench.cal.flow_ul_s
    at_ms = {
        "sag": "sag_at_ms",
        "battery lost": "battery_lost_at_ms",
        "level lost": "level_lost_at_ms",
        "wet": "wet_at_ms",
        "fault": "fault_at_ms",
        "memory": "memory_at_ms",
        "clock stops": "clock_stops_at_ms",
        "cut early": "reset_at_ms",
        "hang": "hang_at_ms",
    }
    found: dict[str, Any] = {}
    if how in at_ms:
        found = {at_ms[how]: TROUBLE_MS, "flow_ul_s": 0}
    if how == "sag":
        found["sag_to_mv"] = bench.pot.limits.sag_mv - 1
    elif how == "dry":
        found = {"flow_ul_s": 0, "current_ma": 20}
    elif how == "slow":
        found = {"flow_ul_s": flow // 10}
    elif how == "fast fall":
        found = {"flow_ul_s": flow * 10}
    elif how == "cut late":
        found = {"reset_at_ms": max(1, happened.pulse_ms)}
    return found


def _readings(readings: dict[str, Any]) -> Iterator[str]:
    for probe, reading in readings.items():
        if reading is None:
            yield f'{probe}_counts = "absent"'
        else:
            yield f"{probe}_counts = {reading[0]}"
            yield f"{probe}_spread = {reading[1]}"
