"""A pot's bench book, `commissioning.toml`: what was measured and found, with its date.

What belongs here: reading and writing the book. What does not: what to measure (commission.py),
what is made of it (calibrate.py), which stage it gives a pot (stage.py).

    [board]       id of the board that all of it was measured with
    [done]        step = date
    [[point]]     step, probe, counts, spread, value, u (standard uncertainty), kind, date
    [[flow]]      step, ran_ms, ml, date
    [[finding]]   step, as_found, as_left, note, date, and values that a later step needs
    [led_to]      stage, and the marks of the calibration and wiring it holds for, date

A point or flow with `void` was taken again later; it stays in the book but no longer counts.
"""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wakewell import extras
from wakewell.errors import BadInput
from wakewell.kept import keep_copy, store, today
from wakewell.tomlfile import shorten, show, show_path

if TYPE_CHECKING:
    import tomlkit
else:
    tomlkit = extras.Late("tomlkit")

NAME = "commissioning.toml"
STAGES = {"provisional": 1, "commissioned": 2}  # the step that leads to a stage
MOST_BYTES = 1 << 20  # a point is a hundred bytes
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


@dataclass(frozen=True)
class LedTo:
    """What a book led to. stage: of the calibration. board: "" in a book that names none.

    calibration, wiring: marks of what it holds for (see stage.py), "" where the book has none.
    """

    stage: int = 0
    board: str = ""
    calibration: str = ""
    wiring: str = ""


def read(path: Path) -> dict[str, Any]:
    """The content of a bench book. Raises BadInput."""
    name = show_path(str(path))
    try:
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
        if len(data) > MOST_BYTES:
            raise BadInput(
                f"{name}: more than {MOST_BYTES} bytes: that is no bench book; move it elsewhere"
            )
        return tomllib.loads(data.decode())
    except OSError as error:
        raise BadInput(f"{name}: cannot be read: {error.strerror}") from None
    except (ValueError, RecursionError) as error:
        why = shorten(str(error).encode("unicode_escape").decode(), 80)
        raise BadInput(f"{name}: cannot be read: {why}") from None


def led_to(folder: Path) -> LedTo | None:
    """What the bench book of that pot's folder led to; None where there is none. Raises BadInput.

    A book from before books named their board holds its steps only.
    """
    path = folder / NAME
    return _led_to(path, read(path)) if path.exists() else None


def _led_to(path: Path, data: dict[str, Any]) -> LedTo:
    board = _text(path, data, "board", "id")
    if not board:
        done = data.get("done", {})
        steps = [step for step in STAGES if isinstance(done, dict) and step in done]
        return LedTo(max((STAGES[step] for step in steps), default=0))
    made = data.get("led_to", {})
    stage = made.get("stage", 0) if isinstance(made, dict) else 0
    if type(stage) is not int or not 0 <= stage <= 2:
        raise BadInput(f"{show_path(str(path))}: led_to.stage = {show(stage)}: allowed 0 to 2")
    marks = [_text(path, data, "led_to", name) for name in ("calibration", "wiring")]
    return LedTo(stage, board, *marks)


def _text(path: Path, data: dict[str, Any], table: str, name: str) -> str:
    """A text in a table of the book; "" where it is not there."""
    rows = data.get(table, {})
    value = rows.get(name, "") if isinstance(rows, dict) else rows
    if not isinstance(value, str) or not value.isprintable():
        raise BadInput(f"{show_path(str(path))}: {table}.{name}: allowed a text")
    return value


class Book:
    """The bench book of one pot's folder. Every change is on disk when the call returns."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / NAME
        self.begun = self.path.exists()
        if self.begun:
            read(self.path)  # this raises what is wrong with it
            self.document = tomlkit.parse(self.path.read_text(encoding="utf-8"))
        else:
            self.document = self._empty()
        if self.begun:
            keep_copy(self.path)

    @staticmethod
    def _empty() -> tomlkit.TOMLDocument:
        document = tomlkit.document()
        for line in HEAD:
            document.add(tomlkit.comment(line))
        return document

    @staticmethod
    def _table(**values: Any) -> tomlkit.items.Table:
        table = tomlkit.table()
        for key, value in values.items():
            table[key] = value
        return table

    def rows(self, name: str) -> list[dict[str, Any]]:
        """The tables of that name, plain."""
        rows = self.document.unwrap().get(name, [])
        if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
            raise BadInput(f"{self.path}: {name}: allowed tables, [[{name}]]")
        return rows

    def add(self, name: str, **values: Any) -> None:
        """One more table, dated today."""
        table = self._table(**values, date=today())
        if name not in self.document:
            self.document[name] = tomlkit.aot()
        rows = self.document[name]
        if not isinstance(rows, tomlkit.items.AoT):
            raise BadInput(f"{self.path}: {name}: allowed tables, [[{name}]]")
        rows.append(table)
        self.save()

    def void(self, step: str) -> None:
        """The points and flows of that step no longer count: it is taken again."""
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

    def anew(self) -> None:
        """Begin with an empty book. Of the one before, `kept/` holds a copy."""
        keep_copy(self.path)
        self.document = self._empty()

    def led_to(self) -> LedTo:
        """What it led to so far, as the function of that name."""
        return _led_to(self.path, self.document.unwrap())

    def lead_to(self, made: LedTo) -> None:
        """Store what it led to; of stage 0, only its board."""
        self.document["board"] = self._table(id=made.board)
        if made.stage:
            self.document["led_to"] = self._table(
                stage=made.stage, calibration=made.calibration, wiring=made.wiring, date=today()
            )
        self.save()

    def save(self) -> None:
        """Onto the disk, whole or not at all."""
        store(self.path, tomlkit.dumps(self.document).encode())

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
