"""Scripts for the project's mock board, made by a seeded generator: readings, resets, faults.

They are data, so that the same wakes can be played on both interpreters. Nothing here knows
what the core should decide.
"""

from __future__ import annotations

import json
from fractions import Fraction
from typing import Any

import core_pots
from core_world import counts_for

from wakecore import rules

WORDS = ("good",) * 36 + ("absent", "rail", "flicker", "anything")
# Where readings gather at first, in thousandths of what the probe can show: a dry soil, a full
# cell, mild weather, a dry saucer, the charger away, the pump at rest
STEADY = {"soil": 250, "battery": 850, "temperature": 600, "saucer": 50, "charger": 0, "current": 0}


def reading(pick: core_pots.Pick, probe: dict[str, Any], steady: int) -> list[int] | None:
    """A reading of that probe, most of them near `steady` thousandths of its values."""
    points = probe["points"]
    least, most = sorted((points[0][1], points[-1][1]))
    part = max(0, min(1000, steady + pick.whole(-60, 60)))
    counts = counts_for(points, Fraction((most - least) * part, 1000) + least)
    word = pick.one(WORDS)
    if word == "absent":
        return None
    if word == "rail":
        return [pick.one(probe["rails"]), 0]
    if word == "flicker":
        return [counts, probe["spread"] + pick.whole(0, 2)]
    if word == "anything":
        return [pick.whole(*probe["rails"]), pick.whole(0, 3)]
    return [counts, pick.whole(0, min(300, probe["spread"]))]


def wake(pick: core_pots.Pick, probes: dict[str, Any], steady: dict[str, int]) -> dict[str, Any]:
    """One wake; `steady` is where each probe's readings gather, and wanders."""
    for name in steady:
        if pick.whole(0, 9) == 0:
            steady[name] = pick.one([STEADY[name], STEADY[name], STEADY[name], pick.whole(0, 1000)])
    counts = {
        name: reading(pick, probe, steady[name])
        for name, probe in probes.items()
        if name != "level"
    }
    found: dict[str, Any] = {"counts": counts}
    rarely: list[tuple[str, Any]] = [
        ("level_ml", pick.whole(0, 1000)),
        ("lost_ml", pick.whole(0, 60)),
        ("cause", pick.one(["power", "brownout", "watchdog", "button"])),
        ("button_ms", pick.one([50, 2000, 6000, 16000])),
        ("slept_s", pick.whole(0, 1 << 29)),
        ("vouched", 0),
        ("boots", pick.whole(0, 4)),
        ("utc", [pick.whole(0, 9999), pick.whole(0, 86399), pick.whole(0, 2)]),
        ("host", [pick.one(["clear dry run", "clear leak", "clear state lost", "clear nothing"])]),
        ("stores", [pick.whole(0, 1), pick.whole(0, 1)]),
        ("state", pick.one(["previous", "lost"])),
        ("radio", pick.one(["none", "heard", "failed", "cut off"])),
        ("radio_ms", pick.whole(0, 60000)),
        ("run", {"flow_ul_s": pick.whole(0, 60000), "sag_mv": pick.whole(0, 900)}),
        ("run", {pick.one(["reset_at_ms", "hang_at_ms", "fault_at_ms"]): pick.whole(0, 2000)}),
        ("run", {"wet_at_ms": pick.whole(0, 2000), "current_ma": pick.whole(0, 400)}),
        ("run", {"level_lost_at_ms": pick.whole(0, 2000), "stuck_level": 1}),
    ]
    for _ in range(max(0, pick.whole(-5, 2))):
        name, value = pick.one(rarely)
        found[name] = value
    if pick.whole(0, 5) == 0:  # a person sees to the pot
        found["host"] = ["clear " + row[0] for row in rules.LOCKOUTS]
        found["level_ml"] = 900
    return found


def script(seed: int, wakes: int) -> dict[str, Any]:
    """A pot of any kind and that many wakes."""
    pick = core_pots.Pick(seed)
    stored = core_pots.any_lines(pick)
    calibration = json.loads(stored["calibration"])
    probes = {}
    for name in STEADY:
        if name + "_points" in calibration:
            flat = calibration[name + "_points"]
            probes[name] = {
                "points": list(zip(flat[::2], flat[1::2], strict=True)),
                "rails": calibration[name + "_rails"],
                "spread": calibration[name + "_spread"],
            }
    steady = {name: STEADY[name] for name in probes}
    script = {"pot": {kind: data.decode() for kind, data in stored.items()}, "core": "test"}
    first = {"level_ml": 900}
    made = [{**(first if n == 0 else {}), **wake(pick, probes, steady)} for n in range(wakes)]
    return {**script, "wakes": made}
