"""Proposals that were taken, what they foretold, and what the log has seen since.

    taken.jsonl        in a pot's folder, one object a line, the newest last

What belongs here: the file, and what was foretold beside what happened. What does not: making a
proposal (tuning/), writing settings (pot/settings_file.py).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import msgspec

from wakewell.errors import BadInput
from wakewell.kept import store
from wakewell.log.series import PotLog, WakeRow
from wakewell.log.times import DAY_S
from wakewell.tomlfile import shorten, show_path

FILE = "taken.jsonl"
Interval = tuple[float, float, float]  # middle, and between which nine of ten lie
CHARGED_MV = 60  # a rest voltage higher by so much: it was charged; as budget.forecast.APART_MV
PERCENT = " %"  # the unit shown for what is kept in ppt
# What a log can be held to: (name, in words, unit)
SEEN = (
    ("water_week_ml", "water a week", " ml"),
    ("waterings", "waterings", ""),
    ("refills", "refills", ""),
    ("charges", "charges", ""),
    ("soil_ppt", "mean soil reading", PERCENT),
)


def shown(value: float, unit: str, sign: str = "") -> str:
    """The figure before that unit. sign: "+" where it is a difference."""
    return f"{value / 10:{sign}.1f}" if unit == PERCENT else f"{value:{sign}.0f}"


class Taken(msgspec.Struct, forbid_unknown_fields=True):
    """One proposal as it was taken. n, time_s: the log's last wake then; settings: whole ones;
    marks: {days: {quantity: foretold}}."""

    n: int
    time_s: float
    kind: str
    settings: dict[str, int]
    marks: dict[int, dict[str, Interval]]


@dataclass(frozen=True)
class Row:
    """One quantity: foretold and as it was. held: does it lie inside?"""

    name: str
    text: str
    unit: str
    foretold: Interval
    was: float

    @property
    def held(self) -> bool:
        """Is what happened inside what was foretold?"""
        return self.foretold[1] <= self.was <= self.foretold[2]

    def line(self) -> str:
        """In words."""
        middle, low, high, was = (shown(v, self.unit) for v in (*self.foretold, self.was))
        word = "held" if self.held else "NOT held"
        return f"{self.text} {middle}{self.unit}, {low} to {high}, foretold; it was {was}: {word}"


@dataclass(frozen=True)
class ProposalOutcome:
    """What came of a proposal so far. days: the log has seen under its settings; mark: how many of
    them are held to what was foretold (0: too few yet, of `first`)."""

    taken: Taken
    days: float
    mark: int
    first: int
    rows: tuple[Row, ...]

    def text(self) -> str:
        """In words, one line."""
        said = f"'{self.taken.kind}', taken after wake {self.taken.n}"
        if not self.days:
            return f"{said}: no wake of the log has its settings in force yet"
        if not self.mark:
            return f"{said}: {self.days:.0f} days so far; {self.first} are needed to judge it"
        held = sum(row.held for row in self.rows)
        return f"{said}: after {self.mark} days {held} of {len(self.rows)} figures as foretold"


def read(folder: Path) -> list[Taken]:
    """What was taken in that pot's folder, oldest first. Raises BadInput with file and line."""
    path = folder / FILE
    if not path.is_file():
        return []
    found = []
    for number, line in enumerate(path.read_bytes().splitlines(), 1):
        try:
            found.append(msgspec.json.decode(line, type=Taken))
        except (msgspec.DecodeError, ValueError) as why:
            text = f"{show_path(str(path))}:{number}: {shorten(str(why))}; take the line out"
            raise BadInput(text) from None
    return found


def note(folder: Path, taken: Taken) -> None:
    """One more. Raises BadInput where it cannot be written."""
    path = folder / FILE
    old = path.read_bytes() if path.is_file() else b""
    store(path, old + msgspec.json.encode(taken) + b"\n")


def outcome(taken: Taken, log: PotLog) -> ProposalOutcome:
    """What the log has seen under its settings, from when they came into force until others did."""
    under: list[WakeRow] = []
    for wake in log.wakes:
        if wake.n <= taken.n and wake.time_s <= taken.time_s:
            continue
        if _obeys(log, wake, taken.settings):
            under.append(wake)
        elif under:
            break
    days = (under[-1].time_s - under[0].time_s) / DAY_S if under else 0.0
    first = min(taken.marks, default=0)
    mark = max((one for one in taken.marks if one <= days), default=0)
    rows: list[Row] = []
    if mark:
        until_s = under[0].time_s + mark * DAY_S
        seen = seen_in(log, [wake for wake in under if wake.time_s <= until_s], float(mark))
        for name, text, unit in SEEN:
            if name in seen and name in taken.marks[mark]:
                rows.append(Row(name, text, unit, taken.marks[mark][name], seen[name]))
    return ProposalOutcome(taken, days, mark, first, tuple(rows))


def outcomes(folder: Path, log: PotLog) -> list[ProposalOutcome]:
    """Of everything that was taken. Raises BadInput."""
    return [outcome(taken, log) for taken in read(folder)]


def _obeys(log: PotLog, wake: WakeRow, settings: dict[str, int]) -> bool:
    pot = log.pot_of(wake)
    return pot is not None and all(
        getattr(pot.settings, name, None) == value for name, value in settings.items()
    )


def seen_in(log: PotLog, wakes: list[WakeRow], days: float) -> dict[str, float]:
    """The same quantities of a log's wakes. days: that they cover."""
    since_s, until_s = wakes[0].time_s, wakes[-1].time_s
    refills = charges = 0
    level_ml = rest_mv = None
    for wake in wakes:
        pot = log.pot_of(wake)
        if wake.level_ml is not None and wake.level_word == "good" and wake.phase == "idle":
            scatter_ml = 2 * max(1, pot.calibration.tolerance_ml) if pot is not None else 2
            refills += level_ml is not None and wake.level_ml > level_ml + scatter_ml
            level_ml = wake.level_ml
        if wake.battery_mv is not None and wake.battery_word == "good" and not wake.ran_ms:
            charges += rest_mv is not None and wake.battery_mv > rest_mv + CHARGED_MV
            rest_mv = wake.battery_mv
    read = [wake.soil_ppt for wake in wakes if wake.soil_ppt is not None]
    found = {
        "water_week_ml": sum(wake.delivered_ul for wake in wakes) / 1000.0 / days * 7.0,
        "waterings": float(sum(since_s <= dose.time_s <= until_s for dose in log.waterings)),
        "refills": float(refills),
        "charges": float(charges),
    }
    if read:
        found["soil_ppt"] = sum(read) / len(read)
    return found
