"""The safety note for owners, made from the tables of the core, the tests and the last run.

Here belongs what no table says: which lines of the board's side enforce a requirement, what
it does not cover, what the hardware must add. A test holds every name here against the
source. The figures come from `tests/assurance/last_run.json`, which `--record` writes.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from assurance import corners, hazards, threats
from assurance.recorded import last_run
from wakecore import rules, run
from wakewell.core import core_id
from wakewell.replay.verdicts import TITLES, WAY_OUT

ROOT = Path(__file__).resolve().parents[2]
NOTE = ROOT / "SAFETY.md"
# The second is what the report makes its page of: users have no clone
NOTES = (NOTE, ROOT / "host" / "wakewell" / "data" / "safety.md")

# What enforces a requirement beside the permissives, trips and lockouts of the tables
ENFORCED = {
    "R1": ("device/loader.py: pump_off", "device/wakeboard/driver.py: pulse"),
    "R2": ("device/wakecore/plan.py: pulse_ms", "device/wakeboard/board.py: sample"),
    "R3": ("device/wakecore/state.py: deliver", "device/wakecore/state.py: delivered_ml"),
    "R4": ("device/wakecore/run.py: prepare", "device/wakecore/tank.py: judge_proof"),
    "R5": ("device/wakecore/wake.py: look_at_battery", "device/wakecore/wake.py: is_to_report"),
    "R6": ("device/wakecore/judge.py: judge_soil", "device/wakecore/plan.py: demand"),
    "R7": ("device/wakecore/judge.py: learn",),
    "R8": (
        "device/wakecore/tank.py: look",
        "device/wakecore/wake.py: next_phase",
        "device/wakecore/tank.py: book_pulse",
    ),
    "R9": ("device/wakecore/wake.py: look_at_open_pulse", "device/wakeboard/store.py: save_state"),
    "R10": ("device/wakecore/wake.py: wake", "device/wakecore/state.py: pass_time"),
    "R11": ("device/wakecore/wake.py: look_at_files", "device/wakeboard/store.py: load_state"),
    "R12": ("device/wakecore/wake.py: look_at_button",),
    "R13": ("device/loader.py: run", "device/wakecore/wake.py: sleep_time"),
    "R14": ("device/wakecore/fields.py: agree",),
    "R15": ("device/wakecore/wake.py: look_at_saucer",),
    "R16": ("device/wakecore/wake.py: look_at_thirst", "device/wakecore/fields.py: agree"),
    "R17": ("device/wakecore/wake.py: is_to_report", "device/wakecore/wake.py: note_report"),
    "R18": ("device/wakecore/plan.py: bound_ul", "device/wakecore/wake.py: clear_by_press"),
}
# What of a requirement the search does not judge: sequences and tests of the board do
BESIDE_THE_SEARCH = {
    "R1": "the board's pin through deep sleep",
    "R2": "the board's own deadline and its renewed pulse",
    "R3": "water counted by the level, the trip *day*",
    "R4": "the trip *reserve* in a pulse",
    "R5": "warnings while there is charge for them, the longer sleep of a low cell",
    "R6": "what is learned from a watering by hand",
    "R7": "doses of which a pulse was stopped",
    "R8": "leaked water in the account of the day, leaks that add up day by day, "
    "presses between looks, a siphon in a pulse that a reset ends",
    "R12": "the light where there is no radio",
    "R13": "the watchdog and the host's lease",
    "R18": "a can of water between a dose and its answer",
}
NOT_COVERED = {
    "R1": "a switch that fails closed: no program can stop that pump; anything before `main.py`",
    "R2": "a pulse generator that fails on, or a switch that fails closed",
    "R3": "water that runs by itself, faster than the looks can see",
    "R4": "a gauge that sticks within its tolerance at a plausible level; a run that stops short "
    "each time, if one that shows water lies between",
    "R5": "what the board itself draws: the cell needs its own cut-off; a converter whose "
    "reference is frozen shows the same good voltage for ever",
    "R6": "a probe whose wrong readings change and look plausible",
    "R7": "soil that answers although the water misses the plant",
    "R8": "a slow leak below the gauge's tolerance; a pot with a float switch sees no leak at all",
    "R9": "flash that claims to have stored what it has not, and reads it back the same",
    "R10": "a sleep oscillator worse than the limit `clock_ppt` says",
    "R11": "damage that leaves the CRC-32 right: one in four thousand million",
    "R12": "an owner who presses although the reports say not to",
    "R13": "a chip that hangs before the loader arms its watchdog",
    "R14": "files made for this pot with wrong numbers in them",
    "R15": "water beside the probe",
    "R16": "a plant that wilts in soil which the probe calls moist; an owner who reads nothing",
    "R17": "a pot without a radio: its light tells whoever presses; a cell that dies at once",
    "R18": "water that the soil answers and the plant does not get",
}
HARDWARE = (
    "a fuse in the pump's supply, for a switch that fails closed",
    "a resistor that holds the switch off while its pin floats, at boot and at brown-out",
    "a flyback diode across the pump, so that the switch survives it",
    "an outlet above the highest water level, a check valve or a siphon break in the hose",
    "a cell with its own cut-off, and a charger made for it; the cell maker's sheet comes first",
    "no more water in the tank than may run out where the pot stands",
    "mains chargers and their wiring by local codes; where in doubt, a licensed electrician",
)
JUDGED = re.compile(r'Violation\(\s*"(R\d+)"|rule = "(R\d+)"|"(R\d+)" if how|else "(R\d+)"')


def requirements() -> dict[str, str]:
    """{number: its line} of the table of the core's page."""
    text = (ROOT / "device" / "wakecore" / "CORE.md").read_text(encoding="utf-8")
    found = dict(re.findall(r"^\| (R\d+) \| (.+?) \|$", text, re.MULTILINE))
    assert list(found) == list(TITLES), "CORE.md lists R1 to R18 in order"
    return found


def sequences() -> dict[str, list[str]]:
    """{number: names of the sequences that cite it}."""
    found: dict[str, list[str]] = {rule: [] for rule in TITLES}
    for path in sorted((ROOT / "tests" / "sequences").glob("*.toml")):
        cited = tomllib.loads(path.read_text(encoding="utf-8"))["rules"]
        for rule in [cited] if isinstance(cited, str) else cited:
            found[rule].append(path.stem)
    return found


def judged() -> set[str]:
    """The requirements that the monitor of the search judges."""
    text = Path(__file__).with_name("monitor.py").read_text(encoding="utf-8")
    return {rule for groups in JUDGED.findall(text) for rule in groups if rule}


def enforced(rule: str) -> list[str]:
    """The rows of the core's tables that enforce it, in words."""
    rows = [f"permissive *{row[0]}*" for row in rules.PERMISSIVES if row[1] == rule]
    rows += [f"trip *{trip}*" for trip, cited, *_ in run.TRIPS if cited == rule]
    rows += [
        f"lockout *{name}*, ends {WAY_OUT[way]}"
        for name, cited, way in rules.LOCKOUTS
        if cited == rule
    ]
    return rows


def text() -> str:
    """The note."""
    lines = [
        "# What protects the floor, the pump and the cell",
        "",
        "The pot fails dry: whatever is in doubt, it does not water. This page says what is",
        "promised, what keeps each promise on the chip, how it was tested, what it does not cover,",
        "and what your hardware must add.",
        "",
        "## Your hardware must add",
        "",
        *(f"- {row};" for row in HARDWARE[:-1]),
        f"- {HARDWARE[-1]}.",
        "",
        *hazards.lines(),
        "",
        *threats.lines(),
        "",
        "## What becomes of the plant, the floor and the cell",
        "",
        *lived(),
        "",
        "## The last run",
        "",
        *figures(),
        "",
        "## Promise by promise",
    ]
    shown, searched = sequences(), judged()
    for rule, promise in requirements().items():
        names = ", ".join(f"`{name}`" for name in shown[rule])
        places = "; ".join(f"`{place}`" for place in ENFORCED[rule])
        rows = enforced(rule)
        seen = f"{len(shown[rule])} sequences ({names})"
        if rule in searched:
            seen += "; every transition of the search and of the lives chosen against the pot"
            if rule in BESIDE_THE_SEARCH:
                seen += f" (but for {BESIDE_THE_SEARCH[rule]}: other tests)"
        lines += [
            "",
            f"### {rule}: {TITLES[rule]}",
            "",
            f"{promise}.",
            "",
            f"- Enforced by: {'; '.join([*rows, places])}.",
            f"- Shown by: {seen}.",
            f"- Does not cover: {NOT_COVERED[rule]}.",
        ]
    lines += [
        "",
        "## About this page",
        "",
        "Made by `python3 tools/assure.py --note`: change the tables it is made from, not it.",
    ]
    return "\n".join(lines) + "\n"


def lived() -> list[str]:
    """What the lives on the simulated pot came to, for an owner."""
    kept = last_run().get("outcomes")
    if not kept:
        return ["Nothing is recorded yet: `python3 tools/assure.py --only outcomes --record`."]
    rows: dict[str, Any] = dict(sorted(kept["rows"].items(), key=lambda one: ORDER.get(one[0], 0)))
    lives, broken = kept["numbers"]["outcome_lives"], len(kept["broken"])
    went = "In all of them" if not broken else f"In all but {broken} of them"
    lines = [
        f"{lives} lives were played on a simulated pot: six kinds of pot, three places, four",
        "substrates, any month; owners who do what they are told, who only press the button, or",
        "who are away. A fault comes after two weeks or so, for some days or for good. What is",
        "judged is the simulated plant, floor and cell, not what the pot reads of them.",
        f"{went}: no plant was below wilting for three days before its owner could",
        "have known; no more water reached the floor without an answer of the soil than the bound",
        "that `check` tells (a siphon, a leak or a switch stuck on can spill the tank: see what",
        "your hardware must add); pump and radio never took the cell below its floor; a pot with",
        "nothing wrong was not locked out, and asked for nothing needless more than once a year.",
        "",
        "- *told*: days from the fault until light or radio said so, in the middle of the lives",
        "  and at the latest, and in how many of them. A fault that does no harm need not be told.",
        "- *untold*: the longest that a plant was below wilting before its owner was told.",
        "- *floor*: the most that the pump brought to the floor without an answer of the soil,",
        "  with all presses of the owner; and in one life, where somebody waters by hand.",
        "  *spilled*: all that reached it, with rain that ran over a saucer and what leaks,",
        "  siphons or runs by a stuck switch.",
        "- *cell*: the lowest true rest voltage at which pump or radio were started (its floor is",
        "  3400 mV). *again*: regular wakes with dry soil, the fault over, until the pot watered,",
        "  where the owner did what he was told.",
        "",
        "| what goes wrong | lives | told | untold | floor | spilled | cell | again |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for row in rows.values():
        untold = f"{row['untold_days']:g} days"
        if row["unknowable"]:
            untold += f"; in {row['unknowable']} lives every reading called the soil moist"
        again = "" if row["again_wakes"] < 0 else str(row["again_wakes"])
        cells = (
            row["words"], str(row["lives"]), told_in(row), untold,
            f"{row['unanswered_ml']} ml, {row['floor_ml']} in a life",
            f"{row['spilled_ml']} ml", f"{row['lowest_mv']} mV", again,
        )  # fmt: skip
        lines.append("| " + " | ".join(cells) + " |")
    for one in kept["broken"]:
        lines += ["", f"Broken: {one}."]
    return lines


ORDER = {"healthy": -1, "two at once": 1}  # of the rows; those between stay as they came


def told_in(row: dict[str, Any]) -> str:
    """When somebody heard of it, in words."""
    days = sorted(int(day) for day, lives in row["told"].items() for _ in range(lives))
    if not days:
        return "nothing has to be said"
    last = f"{days[len(days) // 2]} days, at the latest {days[-1]}"
    return last if len(days) == row["lives"] else f"{last}, in {len(days)} of them"


def figures() -> list[str]:
    """What the last run of each part came to."""
    kept = last_run()
    if not kept:
        return ["Nothing is recorded yet: `python3 tools/assure.py --record`."]
    lines = [
        f"{len(corners.CORNERS)} corners are there to be searched. A sample is called so.",
        "",
        "| part | date | commit | Python | came to | left out |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for part, one in kept.items():
        numbers = ", ".join(f"{name.replace('_', ' ')} {n}" for name, n in one["numbers"].items())
        sample = " (sample)" if one["quick"] else ""
        earlier = [] if one.get("core") == core_id() else ["it is an earlier core's run"]
        out = "; ".join(one["left_out"] + earlier) or "nothing"
        when = f"{one['date']} | {one['commit']} | {one.get('on', '')}"
        lines.append(f"| {part}{sample} | {when} | {numbers} | {out} |")
    return lines
