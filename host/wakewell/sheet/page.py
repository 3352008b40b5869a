"""The sheet as one page, for screen and paper, and as rows for machines.

What belongs here: what is on the sheet, in which order, and its file. What does not: how a row is
worked out (parts.py, pins.py).
"""

from __future__ import annotations

import base64
from dataclasses import asdict, dataclass
from datetime import date
from itertools import groupby
from pathlib import Path
from typing import Any

from wakecore import line
from wakewell.bench import circuit
from wakewell.budget import sizing
from wakewell.budget.inputs import Inputs, gather, open_folder
from wakewell.draft.answers import AWAY_DAYS
from wakewell.errors import BadInput
from wakewell.pot import description, stage
from wakewell.report import pages
from wakewell.sheet import meter, own, parts, pins, standins, steps
from wakewell.tomlfile import show_path

# In the order of building; the maker's own files name them by number
STEPS = {
    1: "Parts",
    2: "Circuit",
    3: "Measure before anything is plugged in",
    4: "Mechanics",
    5: "First evening",
    6: "First week",
    7: "First refill",
}

TOLD = ("pot", "wiring")  # files that no board stores


@dataclass(frozen=True)
class Sheet:
    """All that stands on it. days: of tank and battery as planned; told: sentences by step."""

    pot: description.PotFolder
    inputs: Inputs
    costs: parts.Costs
    bought: list[parts.Bought]
    smalls: list[parts.Small]
    pins: list[pins.PinRow]
    instead: list[standins.StandIn]
    days: tuple[int, int | None]
    readings: list[meter.Reading]
    told: dict[int, list[str]]
    cautions: dict[int, list[str]]
    today: date
    own: own.Own

    @property
    def total(self) -> float:
        """Of the parts with a price."""
        return sum(row.cost or 0.0 for row in self.bought)

    @property
    def marks(self) -> str:
        """By which a printed sheet is told from one of other files, "" where a file lacks."""
        pot = self.pot
        told = {kind: stage.digest(pot.files[kind].data) for kind in TOLD if kind in pot.files}
        told |= {kind: str(line.identity(data)) for kind, data in pot.lines.items()}
        return ", ".join(f"{kind} {mark}" for kind, mark in told.items())

    @property
    def measured(self) -> list[tuple[str, list[meter.Reading]]]:
        """The readings by when they are taken, in order."""
        return [(when, list(rows)) for when, rows in groupby(self.readings, lambda row: row.when)]

    @property
    def unpriced(self) -> list[str]:
        """The parts without one."""
        return [row.what for row in self.bought if row.price is None]

    @property
    def invented(self) -> bool:
        """Is a price among them that nobody paid?"""
        return any(row.price.invented for row in self.bought if row.price)


def made(path: str, today: date) -> Sheet:
    """The sheet of a pot. Raises BadInput for a folder that is not whole."""
    pot = open_folder(path)
    if "pump" not in pot.parts:
        text = f"{pot.file_name('wiring')}: missing, and a sheet is made from it; wakewell new "
        raise BadInput(text + f"{show_path(path)} writes what is missing")
    found = gather(pot, today)
    sizes = {size.part: size for size in sizing.sizes(pot, found, AWAY_DAYS)}
    costs = parts.find_costs(pot.path)
    bought = parts.bought(pot, found, sizes, costs)
    return Sheet(
        pot,
        found,
        costs,
        bought,
        parts.smalls(pot),
        pins.rows(pot),
        standins.stand_ins(pot, found, sizes, bought, costs.known),
        standins.lasts(found),
        meter.readings(pot, found),
        {
            4: steps.mechanics(pot),
            5: steps.first_evening(pot, found),
            6: steps.first_week(pot, found),
            7: steps.first_refill(pot, found),
        },
        steps.cautions(pot),
        today,
        own.read(pot.path, list(STEPS)),
    )


def as_json(sheet: Sheet) -> dict[str, Any]:
    """For machines."""
    assert sheet.pot.about is not None
    return {
        "name": sheet.pot.about.name,
        "folder": show_path(str(sheet.pot.path)),
        "currency": sheet.costs.currency,
        "total": sheet.total,
        "unpriced": sheet.unpriced,
        "parts": [asdict(row) | {"cost": row.cost} for row in sheet.bought],
        "values": [asdict(row) for row in sheet.smalls],
        "pins": [asdict(row) for row in sheet.pins],
        "instead": [asdict(row) for row in sheet.instead],
        "readings": [asdict(row) for row in sheet.readings],
        "left_out": [{"file": name, "why": why} for name, why in sheet.own.left],
    }


def html(sheet: Sheet) -> str:
    """The page. Raises BadInput without the packages that make it."""
    drawn = [base64.b64encode(text.encode()).decode() for text in circuit.pieces(sheet.pot)]
    return pages.render(
        "sheet.html",
        sheet=sheet,
        about=sheet.pot.about,
        steps=STEPS,
        drawings=[f"data:image/svg+xml;base64,{each}" for each in drawn],
    )


def write(sheet: Sheet, out: Path) -> Path:
    """Write the page, and the one on safety that it leads to."""
    text = html(sheet)
    path = out / f"{sheet.pot.path.absolute().name}-sheet.html"
    pages.write(path, text.encode())
    pages.write(out / pages.SAFETY_PAGE, pages.safety_page().encode())
    return path
