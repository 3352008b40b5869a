"""The hazards, seen from the outside: the rows of `tests/assurance/hazards.toml` as a table.

Here belongs how a row is read and shown, and where its evidence is looked for. What the rows
say stands in the file.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
FILE = ROOT / "tests" / "assurance" / "hazards.toml"
WAYS = (
    "not given",
    "given when it must not be",
    "too early, too late or in the wrong order",
    "too short or too long",
)
PARTS = ("search", "lives", "rig", "outcomes")  # of the assurance, by their own names


def read() -> dict[str, Any]:
    """The file: `loss`, `hazard` and `neighbour`, each a list of rows."""
    return tomllib.loads(FILE.read_text(encoding="utf-8"))


def missing(shown: str) -> bool:
    """Is this evidence nowhere to be found?"""
    file, _, test = shown.partition("::")
    path = ROOT / file
    if shown in PARTS:
        return False
    if not file.endswith(".py"):
        return not (ROOT / "tests" / "sequences" / f"{shown}.toml").is_file()
    return not path.is_file() or f"def {test or 'test_'}" not in path.read_text(encoding="utf-8")


def lines() -> Iterator[str]:
    """The part of the safety note."""
    found = read()
    yield "## What can hurt, and what the pot does about it"
    yield ""
    yield (
        "Four losses: " + "; ".join(f"*{row['id']}*, {row['text']}" for row in found["loss"]) + "."
    )
    yield "Each command of the core can cause them in four ways (the method of the STPA Handbook,"
    yield "Leveson and Thomas, 2018). A row with too little evidence says so."
    for command in dict.fromkeys(row["command"] for row in found["hazard"]):
        yield ""
        yield f"### {command[0].upper()}{command[1:]}"
        yield ""
        yield "| id | way | hazard and cause | the pot | who is told, and when | shown by |"
        yield "| --- | --- | --- | --- | --- | --- |"
        for row in (row for row in found["hazard"] if row["command"] == command):
            hurts = f"{row['text']}: {row['cause']} (*{'*, *'.join(row['loss'])}*)"
            pot = row["pot"]
            if "hardware" in row:
                pot += f"; the hardware must add: {row['hardware']}"
            shown = ", ".join(f"`{one}`" for one in row.get("shown", ()))
            if "gap" in row:
                shown += f"{'; ' if shown else ''}**gap**: {row['gap']}"
            cells = (row["id"], row["way"], hurts, pot, row["told"], shown)
            yield "| " + " | ".join(cells) + " |"
    yield ""
    yield "Held against the hazards of a neighbouring trade, pumps that dose medicine (Arney and"
    yield "others, Generic Infusion Pump Hazard Analysis and Safety Requirements 1.0, University of"
    yield "Pennsylvania MS-CIS-08-31, 2009; its kinds of hazard from memory):"
    yield ""
    for row in found["neighbour"]:
        answer = ", ".join(row["rows"]) if "rows" in row else f"does not apply: {row['apart']}"
        yield f"- {row['hazard']}: {answer}"
