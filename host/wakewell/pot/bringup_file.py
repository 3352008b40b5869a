"""A pot's `bringup.toml`: what its board showed when it was tested.

date, board (the chip's own id), machine, chip, micropython, desk (true: no chip at all)
[[step]]   name, good (left out where it was not tried), found (in words), and numbers as found

What belongs here: the file, what others ask of it, and the list of what was seen on which chip.
What does not: how anything is tried (usb/bringup.py).
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

import tomlkit

from wakewell import kept

FILE = "bringup.toml"
HEAD = """\
 What this pot's board showed when wakewell bringup tried it, as found.
 It holds no secret, so it may be shared with others who have such a board."""
NONE = "Today: none."


@dataclass(frozen=True)
class BringUpStep:
    """One thing that was tried. good: None where it was not, and found says why."""

    name: str
    good: bool | None
    found: str
    numbers: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class BringUp:
    """What one board showed."""

    day: date
    board: str
    machine: str
    chip: str
    micropython: str
    desk: bool
    steps: tuple[BringUpStep, ...]

    def bad(self) -> list[BringUpStep]:
        """The steps with another result than expected."""
        return [step for step in self.steps if step.good is False]

    def untried(self) -> list[BringUpStep]:
        """The steps that were left out."""
        return [step for step in self.steps if step.good is None]


def store(folder: Path, found: BringUp) -> Path | None:
    """Write it into the pot's folder; the copy that is kept of an earlier one."""
    document = tomlkit.document()
    for text in HEAD.split("\n"):
        document.add(tomlkit.comment(text))
    document["date"] = found.day
    for name in ("board", "machine", "chip", "micropython", "desk"):
        document[name] = getattr(found, name)
    rows = tomlkit.aot()
    for step in found.steps:
        row = tomlkit.table()
        row["name"] = step.name
        if step.good is not None:
            row["good"] = step.good
        row["found"] = step.found
        for name, value in step.numbers.items():
            row[name] = value
        rows.append(row)
    document["step"] = rows
    copy = kept.keep_copy(folder / FILE)
    kept.store(folder / FILE, tomlkit.dumps(document).encode())
    return copy


def read(path: Path) -> BringUp | None:
    """What that file says; None if there is none that can be read."""
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
        known = {"name", "good", "found"}
        steps = tuple(
            BringUpStep(
                str(row["name"]),
                bool(row["good"]) if "good" in row else None,
                str(row["found"]),
                {name: value for name, value in row.items() if name not in known},
            )
            for row in data["step"]
        )
        board, machine, chip, version = (
            str(data[name]) for name in ("board", "machine", "chip", "micropython")
        )
        if not isinstance(data["date"], date):
            return None
        return BringUp(data["date"], board, machine, chip, version, bool(data["desk"]), steps)
    except (OSError, ValueError, KeyError, TypeError):
        return None


def standing(folder: Path, board: str | None) -> str:
    """In a line, whether the board of that pot was brought up; board: its id, if it is known."""
    found = read(folder / FILE)
    if found is None:
        return "its board was never tested on the bench: run wakewell bringup"
    if board is not None and found.board != board:
        return f"{FILE} is of another board ({found.board}): wakewell bringup tries this one"
    text = f"brought up on {found.day.isoformat()}"
    if names := [step.name for step in found.bad()]:
        return f"{text}, with unexpected results: {', '.join(names)} (see {FILE})"
    return f"{text}, all as expected" + (" (a desk board)" if found.desk else "")


def seen(paths: Iterable[Path]) -> str:
    """The list of what was seen on which chip, from such files: Markdown, for the README."""
    rows = []
    for path in sorted(paths):
        found = read(path)
        if found is None or found.desk:
            continue
        good = ", ".join(step.name for step in found.steps if step.good)
        bad = ", ".join(step.name for step in found.bad())
        rows.append(
            f"- {found.chip}, {found.machine}, MicroPython {found.micropython}, "
            f"{found.day.isoformat()}: {good or 'nothing'}" + (f"; otherwise: {bad}" if bad else "")
        )
    return "\n".join(rows) or NONE
