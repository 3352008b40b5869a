"""The threats to a version over the air: the rows of `tests/assurance/threats.toml` as a table."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from typing import Any

from assurance.hazards import ROOT

FILE = ROOT / "tests" / "assurance" / "threats.toml"


def read() -> dict[str, Any]:
    """The file: `threat`, `element` and `counted`, each a list of rows."""
    return tomllib.loads(FILE.read_text(encoding="utf-8"))


def lines() -> Iterator[str]:
    """The part of the safety note."""
    found = read()
    yield "## A program over the air"
    yield ""
    yield "`wakewell send` leaves a version of the program with the broker; the pot fetches it with"
    yield "its reports, checks it, puts it in force before a wake with nothing under way, and takes"
    yield "it back if it fails. The threats of RFC 9124 (a manifest information model for firmware"
    yield "updates, section 4.2), and what the pot does about each:"
    yield ""
    yield "| threat | what it is | the pot | shown by |"
    yield "| --- | --- | --- | --- |"
    for row in found["threat"]:
        pot = row.get("pot") or f"does not apply: {row['apart']}"
        shown = ", ".join(f"`{one}`" for one in row.get("shown", ()))
        if "gap" in row:
            shown += f"{'; ' if shown else ''}**gap**: {row['gap']}"
        yield f"| {row['id']} | {row['text']} | {pot} | {shown} |"
    yield ""
    yield "Tried besides:"
    yield ""
    yield "| what | tried | came to | shown by |"
    yield "| --- | --- | --- | --- |"
    for row in found["counted"]:
        shown = ", ".join(f"`{one}`" for one in row["shown"])
        yield f"| {row['id']} | {row['tried']} | {row['found']} | {shown} |"
    yield ""
    yield "What its section 3 asks of a manifest, and where it stands:"
    yield ""
    for row in found["element"]:
        yield f"- {row['id']}: {row['where']}"
