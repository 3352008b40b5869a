"""A pot's bench book, `commissioning.toml`: what was measured and found, with its date.

What belongs here: reading and writing the book, and keeping copies of what is replaced. What does
not: what to measure (commission.py) and what is made of it (calibrate.py).

    [done]        step = date
    [[point]]     step, probe, counts, spread, value, u (standard uncertainty), kind, date
    [[flow]]      step, ran_ms, ml, date
    [[finding]]   step, as_found, as_left, note, date

A point or flow with `void` was taken again later; it stays in the book and counts no more.
"""

from __future__ import annotations

import math
import shutil
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.items import AoT

from wakewell.logs import BadInput
from wakewell.tomlfile import show

NAME = "commissioning.toml"
KEPT = "kept"
HEAD = (
    " What was measured and found at this pot, by wakewell commission. Measured values may be",
    " corrected here by hand; wakewell calibrate reads them.",
)


@dataclass(frozen=True)
class Point:
    """A recorded point. u: standard uncertainty of the value, in its unit; spread: of a reading."""

    counts: int
    value: float
    u: float = 0.0
    spread: int = 0
    kind: str = ""


def today() -> date:
    """The date that is written down."""
    return datetime.now(UTC).date()


def keep_copy(path: Path) -> Path | None:
    """Copy a file to kept/NAME-DATE.toml beside it; None if there is nothing to keep."""
    if not path.exists():
        return None
    folder = path.parent / KEPT
    folder.mkdir(exist_ok=True)
    data = path.read_bytes()
    for number in range(1, 1000):
        tail = "" if number == 1 else f"-{number}"
        copy = folder / f"{path.stem}-{today().isoformat()}{tail}{path.suffix}"
        if copy.exists() and copy.read_bytes() == data:
            return copy
        if not copy.exists():
            shutil.copy2(path, copy)
            return copy
    raise BadInput(f"{folder}: a thousand copies of one day; tidy up, then try again")


def replace(path: Path, text: str) -> Path | None:
    """Write a file in place of the old one, of which a copy stays. Returns the copy."""
    copy = keep_copy(path)
    beside = path.with_name(path.name + ".new")
    try:
        beside.write_text(text, encoding="utf-8")
        beside.replace(path)
    except OSError as error:
        raise BadInput(f"{path}: cannot be written: {error.strerror}; nothing changed") from None
    return copy


class Book:
    """The bench book of one pot's folder. Every change is on disk when the call returns."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / NAME
        self.begun = self.path.exists()
        if self.begun:
            try:
                self.document = tomlkit.parse(self.path.read_text(encoding="utf-8"))
            except (OSError, ValueError) as error:
                raise BadInput(f"{self.path}: cannot be read: {error}") from None
        else:
            self.document = tomlkit.document()
            for line in HEAD:
                self.document.add(tomlkit.comment(line))
        if self.begun:
            keep_copy(self.path)

    def rows(self, name: str) -> list[dict[str, Any]]:
        """The tables of that name, plain."""
        rows = self.document.unwrap().get(name, [])
        if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
            raise BadInput(f"{self.path}: {name}: allowed tables, [[{name}]]")
        return rows

    def add(self, name: str, **values: Any) -> None:
        """One more table, dated today."""
        table = tomlkit.table()
        for key, value in values.items():
            table[key] = value
        table["date"] = today()
        if name not in self.document:
            self.document[name] = tomlkit.aot()
        rows = self.document[name]
        if not isinstance(rows, AoT):
            raise BadInput(f"{self.path}: {name}: allowed tables, [[{name}]]")
        rows.append(table)
        self.save()

    def void(self, step: str) -> None:
        """The points and flows of that step count no more: it is taken again."""
        for name in ("point", "flow"):
            for row in self.document.get(name, ()):
                if row.get("step") == step and "void" not in row:
                    row["void"] = today()
        self.save()

    def done(self, step: str) -> str:
        """When a step was finished; "" if it was not."""
        found = self.document.unwrap().get("done", {})
        return str(found.get(step, "")) if isinstance(found, dict) else ""

    def finish(self, step: str) -> None:
        """A step is finished today."""
        if "done" not in self.document:
            self.document["done"] = tomlkit.table()
        done: Any = self.document["done"]
        done[step] = today()
        self.save()

    def save(self) -> None:
        """Onto the disk, whole or not at all."""
        beside = self.path.with_name(self.path.name + ".new")
        try:
            beside.write_text(tomlkit.dumps(self.document), encoding="utf-8")
            beside.replace(self.path)
        except OSError as error:
            raise BadInput(f"{self.path}: cannot be written: {error.strerror}") from None

    def points(self, probe: str) -> list[Point]:
        """The recorded points of a probe; BadInput for one that cannot be used."""
        found = []
        for number, row in enumerate(self.rows("point"), 1):
            if row.get("probe") != probe or "void" in row:
                continue
            for key, whole in (("counts", True), ("value", False)):
                value = row.get(key)
                good = isinstance(value, int if whole else (int, float))
                if not good or isinstance(value, bool) or not math.isfinite(value or 0):
                    raise BadInput(
                        f"{self.path}: point {number}: {key} = {show(value)}: allowed a "
                        f"{'whole ' if whole else ''}number; correct it"
                    )
            u, spread = row.get("u", 0.0), row.get("spread", 0)
            if not isinstance(u, int | float) or not 0 <= u < 1e6 or not isinstance(spread, int):
                raise BadInput(f"{self.path}: point {number}: u = {show(u)}: allowed 0 or more")
            kind = row.get("kind", "")
            found.append(Point(row["counts"], float(row["value"]), float(u), spread, str(kind)))
        return found
