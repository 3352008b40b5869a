"""The tables of FIELDLOG.md, made from the form of a record and from the core's own tables.

    python -m wakewell.log.page        # writes them into the page

A test holds the page to what this makes.
"""

from __future__ import annotations

import inspect
import re
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from msgspec import Struct

from wakecore import fields, rules, run, state
from wakewell.log import record
from wakewell.log.record import MemberText
from wakewell.pot import meanings

PAGE = Path(__file__).with_name("FIELDLOG.md")
FORMS: dict[str, type[Struct]] = {
    "wake": record.Wake,
    "begin": record.Begin,
    "values": record.Converted,
    "plan": record.Plan,
    "water": record.Water,
    "snapshot": record.Snapshot,
    "file in force": record.File,
}
MARK = re.compile(r"(<!-- table: ([a-z ]+) -->\n).*?(?=<!-- end -->)", re.DOTALL)


def table(heads: Iterable[str], rows: Iterable[Iterable[str]]) -> Iterator[str]:
    """The lines of a table in Markdown."""
    heads = list(heads)
    for row in (heads, ["---"] * len(heads), *rows):
        yield "| " + " | ".join(row) + " |\n"


def of_members(members: Iterable[tuple[str, MemberText]]) -> Iterator[str]:
    """A row for each member."""
    rows = []
    for name, said in members:
        absent = [f"absent {said.absent}"] if said.absent else []
        absent += [f"null: {said.null}"] if said.null else []
        rows.append([f"`{name}`", said.unit, said.text, "; ".join(absent)])
    return table(["member", "unit", "what it is", "when not there"], rows)


def of_fields(kind: str) -> Iterator[str]:
    """A row for each value of the settings, the limits or the calibration."""
    said = meanings.of(kind)
    rows = [
        [f"`{name}`", f"{least} to {most}", str(default), said[name]]
        for name, least, most, default in fields.KINDS[kind]
    ]
    return table(["name", "allowed", "when absent", "what it is"], rows)


def of_state() -> Iterator[str]:
    """A row for each field of the retained state, with the comment beside it in the core."""
    found = dict(re.findall(r'\("(\w+)", [^#\n]*\),  # (.*)', inspect.getsource(state)))
    rows = [
        [f"`{name}`", f"{least} to {most}", str(start), found[name]]
        for name, least, most, start in state.FIELDS
    ]
    return table(["name", "allowed", "at the start", "what it is"], rows)


def of_words() -> dict[str, Iterator[str]]:
    """The words of permissives, trips, lockouts and needs, each with its requirement."""
    lockouts = [(name, rule, f"by {way}") for name, rule, way in rules.LOCKOUTS]
    needs = [(row[0], row[2], f"the {row[1]}") for row in rules.NEEDS]
    return {
        "permissives": table(["word", "requirement"], [row[:2] for row in rules.PERMISSIVES]),
        "trips": table(["word", "requirement"], [row[:2] for row in run.TRIPS]),
        "lockouts": table(["word", "requirement", "ends"], lockouts),
        "needs": table(["word", "requirement", "asks"], needs),
    }


def tables() -> dict[str, str]:
    """Each table of the page by its name."""
    found: dict[str, Iterator[str]] = {}
    for name, form in FORMS.items():
        members = [(member, record.said_of(hint)) for member, hint, _ in record.members(form)]
        found[name] = of_members(members)
    found["run"] = of_members(record.RUN.items())
    found["state"] = of_state()
    found |= of_words()
    found |= {kind: of_fields(kind) for kind in fields.KINDS}
    return {name: "".join(rows) for name, rows in found.items()}


def filled(text: str) -> str:
    """A page with its tables as they are now."""
    now = tables()

    def one(found: re.Match[str]) -> Any:
        return found[1] + now[found[2]]

    return MARK.sub(one, text)


if __name__ == "__main__":
    PAGE.write_text(filled(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
