"""What may stand in a pot's files: its tables, words and ranges, and what they are read into.

What belongs here: the rows of pot.toml and wiring.toml, and the classes. What does not: reading the
files (pot_folder.py), how values fit one another (agree.py).
"""

from __future__ import annotations

import datetime
import math
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from wakecore import fields, rules
from wakewell import language
from wakewell.tomlfile import Problem, TomlFile, show_path

KINDS = ("limits", "settings", "calibration")
# Of the board's calibration, what pot.toml alone tells: {name: its table and name there}
TOLD_BY_POT = {
    "self_ua": ("battery", "fades_ppt_month"),
    "radio_ua": ("board", "radio_ua"),
    "panel": ("panel", "tilt_deg and facing_deg"),
}
PRIVATE = "private.toml"
ALL_PRIVATE = "private*.toml"  # with those that were put aside for a new key

# A number in a file: (name, least, most, value when not given (None: must be given), meaning)
Row = tuple[str, int, int, "int | None", str]

# pot.toml, top: (name, must be given, most characters, meaning)
ABOUT: tuple[tuple[str, bool, int, str], ...] = (
    ("name", True, 60, "what people call the pot"),
    ("plant", True, 60, "what grows in it"),
    ("place", False, 120, "where it stands"),
    ("notes", False, 2000, "anything worth keeping"),
    ("maker", False, 60, "who built it and is asked for help"),
    ("reach", False, 120, "how the maker is reached: a phone number or an address"),
)
# [people] of pot.toml, beside owner and maker: {name: what they are told of}
MOST_PEOPLE, MOST_NAME = 8, 30
TOLD_OF = (
    "owner",
    "maker",
    "silent",
    *(row[0] for row in rules.NEEDS),
    *(row[0] for row in rules.LOCKOUTS),
)
PLANTER: tuple[Row, ...] = (
    ("height_mm", 20, 1500, None, "depth of the substrate"),
    ("diameter_mm", 20, 2000, None, "of the substrate's surface, or of a circle of its area"),
    ("volume_ml", 50, 500000, None, "volume of the substrate"),
)
# The substrates that the rig knows; the first one where pot.toml names none
SUBSTRATES = ("peat mix", "coir", "gritty mix", "loam")
# In a table of pot.toml, OPTIONAL rows may be left out: the budget then takes a usual value
TANK: tuple[Row, ...] = (
    ("volume_ml", 50, 100000, None, "what the tank holds"),
    ("height_mm", 10, 2000, None, "from the tank's floor to its full mark"),
    ("outlet_mm", -2000, 5000, None, "end of the hose above the tank's floor; negative: below it"),
)
TANK_OPTIONAL: tuple[Row, ...] = (
    ("now_ml", 0, 100000, None, "content on the date `noted`; left out: full"),
    ("intake_mm", 0, 1800, None, "height above the tank's floor from which the pump draws"),
)
USUAL_INTAKE_MM = 5  # a small pump that lies on the floor; common practice, no source
SHAPES = ("box", "cylinder", "tapered")
BATTERY: tuple[Row, ...] = (
    ("capacity_mah", 1, 200000, None, "capacity, from the cell maker's sheet"),
    ("cells", 1, 12, 1, "cells in series"),
)
BATTERY_OPTIONAL: tuple[Row, ...] = (
    ("now_pct", 0, 100, None, "charge on the date `noted`; left out: full"),
    ("fades_ppt_month", 0, 300, None, "self-discharge in a month, parts per thousand"),
    ("most_ma", 10, 200000, None, "greatest discharge current, from the cell maker's sheet"),
)
LITHIUM = ("lithium-ion", "lithium-iron-phosphate")
NICKEL = ("nickel-metal-hydride",)
CHEMISTRIES = (*LITHIUM, *NICKEL, "alkaline", "lead")

# The tables below are for budget and rig and may be left out.
# A small panel that charges the battery. Its power left out: the budget says which is needed
PANEL: tuple[Row, ...] = (
    ("tilt_deg", 0, 90, None, "how steep it stands: 0 flat, 90 upright"),
    ("facing_deg", 0, 359, None, "where it faces by the compass: 0 north, 90 east, 180 south"),
)
PANEL_OPTIONAL: tuple[Row, ...] = (
    ("peak_mw", 10, 1000000, None, "power in full sun, from its maker's sheet"),
    ("panes", 0, 4, None, "panes of window glass before it; left out: none"),
    ("sky_pct", 0, 100, None, "of the open sky that it sees; left out: all"),
    ("charger_ppt", 50, 1000, None, "of its power that the charger hands on; left out: 750"),
    ("charger_most_ma", 1, 5000, None, "what the charger gives at most; left out: 500"),
    ("charger_cold_mc", -40000, 40000, None, "below which the charger gives nothing; left out: 0"),
)
# A list of numbers: (name, how many, least, most, meaning)
ListRow = tuple[str, int, int, int, str]
LISTS: dict[str, tuple[ListRow, ...]] = {
    "panel": (
        ("shade_pct", 24, 0, 100, "of the direct sun that something takes, for each hour from 0"),
    ),
}

CROP: tuple[Row, ...] = (
    ("crown_mm", 10, 3000, None, "diameter of the ground its leaves would shade"),
    ("kcb_ppt", 10, 1500, None, "basal crop coefficient (FAO-56), parts per thousand"),
    ("use_ml_day", 1, 10000, None, "water a day, found by weighing the pot"),
    ("use_month", 1, 12, None, "the month of that weighing"),
    ("latitude_deg", -65, 65, None, "degrees north, negative: south; left out: 36 north"),
)
HABITS = ("foliage", "succulent", "woody", "herb", "fruiting")
STANDS = ("window sill", "balcony", "open")
BOARD: tuple[Row, ...] = (
    ("awake_ms", 50, 600000, None, "time awake in a wake, without the radio"),
    ("radio_ua", 1000, 1000000, None, "current of the whole board with the radio on"),
    ("radio_ms", 0, 600000, None, "time the radio is on for a report"),
    ("regulator_ua", 0, 100000, None, "what the regulator draws for itself"),
    ("standing_ua", 0, 500000, None, "what a development board always draws beside its chip"),
)
BOARDS = ("bare", "development")
CURRENTS = ("sheet", "measured")
PUMP: tuple[Row, ...] = (
    ("lift_mm", 50, 50000, None, "lift at which it delivers nothing, at its rated voltage"),
    ("free_ul_s", 100, 1000000, None, "flow against no lift, at its rated voltage"),
    ("rated_mv", 1000, 60000, 3700, "rated voltage"),
)
PUMP_OPTIONAL: tuple[Row, ...] = (
    ("stalled_ua", 1000, 50000000, None, "current when blocked or starting"),
)
HOSE: tuple[Row, ...] = (
    ("inner_mm", 1, 50, None, "bore"),
    ("length_mm", 10, 50000, None, "length"),
    ("holes", 0, 1000, 0, "drip holes; 0: an open end"),
    ("hole_um", 100, 20000, 1000, "diameter of a drip hole"),
)

USUAL_BORE_MM, USUAL_SPARE_MM = 6, 500  # of a hose that was not given; common practice, no source
VALVES = ("none", "check")  # a check valve keeps the hose full between runs


@dataclass(frozen=True)
class Planter:
    """The pot itself: depth, diameter, volume and kind of its substrate."""

    height_mm: int
    diameter_mm: int
    volume_ml: int
    substrate: str = SUBSTRATES[0]


WIDER = 1.25  # a tapered tank's top diameter per its bottom's, where it was not measured


@dataclass(frozen=True)
class Tank:
    """The tank. outlet_mm: the end of the hose above the tank's floor; intake_mm: what the pump
    draws from, None: not told, then USUAL_INTAKE_MM."""

    shape: str
    volume_ml: int
    height_mm: int
    outlet_mm: int
    now_ml: int | None = None
    intake_mm: int | None = None

    @property
    def crest_mm(self) -> int:
        """The highest point of the water's way: the full mark or the hose's end."""
        return max(self.height_mm, self.outlet_mm)

    @property
    def draws_mm(self) -> int:
        """Height of the pump's intake, as told or as usual."""
        return USUAL_INTAKE_MM if self.intake_mm is None else self.intake_mm

    def below_ml(self, height_mm: float) -> float:
        """Content up to a height above the floor, by the tank's shape."""
        part = min(1.0, max(0.0, height_mm / self.height_mm))
        if self.shape == "tapered":
            part = ((1.0 + part * (WIDER - 1.0)) ** 3 - 1.0) / (WIDER**3 - 1.0)
        return self.volume_ml * part


@dataclass(frozen=True)
class Battery:
    """The battery, for the budget."""

    chemistry: str
    capacity_mah: int
    cells: int
    now_pct: int | None = None
    fades_ppt_month: int | None = None
    most_ma: int | None = None

    @property
    def is_lithium(self) -> bool:
        """Is it a lithium cell, which needs a protection circuit?"""
        return self.chemistry in LITHIUM

    @property
    def is_nickel(self) -> bool:
        """Is it of nickel cells?"""
        return self.chemistry in NICKEL

    @property
    def self_ua(self) -> int | None:
        """Its self-discharge as a current, over a month of 30 days; None: not told."""
        if self.fades_ppt_month is None:
            return None
        return round(self.capacity_mah * self.fades_ppt_month / (30 * 24))


@dataclass(frozen=True)
class PanelSheet:
    """A small panel and its charger. What is None, the rig's usual stands for."""

    tilt_deg: int
    facing_deg: int
    peak_mw: int | None = None
    panes: int | None = None
    sky_pct: int | None = None
    charger_ppt: int | None = None
    charger_most_ma: int | None = None
    charger_cold_mc: int | None = None
    shade_pct: tuple[int, ...] | None = None


@dataclass(frozen=True)
class Crop:
    """What the plant draws. habit and stands are words; what is None, the budget assumes."""

    habit: str = HABITS[0]
    stands: str = STANDS[0]
    crown_mm: int | None = None
    kcb_ppt: int | None = None
    use_ml_day: int | None = None
    use_month: int | None = None
    latitude_deg: int | None = None

    @property
    def south(self) -> bool:
        """Whether its seasons are those south of the equator."""
        return (self.latitude_deg or 0) < 0


@dataclass(frozen=True)
class BoardSheet:
    """What the board draws beside what calibration.toml says.

    currents: "sheet" if the currents are the chip's alone, out of its sheet (regulator and
    divider come on top); "measured" if they were measured at the battery's lead (all of it).
    """

    kind: str = BOARDS[0]
    currents: str = CURRENTS[0]
    awake_ms: int | None = None
    radio_ua: int | None = None
    radio_ms: int | None = None
    regulator_ua: int | None = None
    standing_ua: int | None = None


@dataclass(frozen=True)
class PumpCurve:
    """The pump's curve, from its maker's sheet."""

    lift_mm: int
    free_ul_s: int
    rated_mv: int
    stalled_ua: int | None = None


@dataclass(frozen=True)
class Hose:
    """From the tank to the pot. valve: "check" keeps it full between runs."""

    inner_mm: int
    length_mm: int
    holes: int
    hole_um: int
    valve: str = VALVES[0]

    @property
    def fill_ml(self) -> float:
        """Water that every run spends on filling it."""
        return 0.0 if self.valve == "check" else math.pi / 4e3 * self.inner_mm**2 * self.length_mm


@dataclass(frozen=True)
class About:
    """pot.toml: what the pot is. A table that it does not have is None.

    noted: when the content of the tank and the charge were looked at. people: {name: what they are
    told of (TOLD_OF)}, beside owner and maker.
    """

    name: str
    plant: str
    place: str
    notes: str
    chip: str
    planter: Planter
    tank: Tank
    battery: Battery | None
    crop: Crop | None = None
    board: BoardSheet | None = None
    pump: PumpCurve | None = None
    hose: Hose | None = None
    panel: PanelSheet | None = None
    noted: datetime.date | None = None
    maker: str = ""
    reach: str = ""
    people: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    language: str = language.ENGLISH

    @property
    def help(self) -> str:
        """Who is asked for help, and how, in a few words; "" where pot.toml does not say."""
        return ", ".join(part for part in (self.maker, self.reach) if part)

    @property
    def board_sheet(self) -> BoardSheet:
        """The board as told, else a usual one."""
        return self.board or BoardSheet()

    @property
    def line(self) -> Hose:
        """The hose as told, else a usual one that reaches."""
        if self.hose is not None:
            return self.hose
        up_mm, down_mm = self.tank.crest_mm, self.tank.crest_mm - self.tank.outlet_mm
        return Hose(USUAL_BORE_MM, up_mm + down_mm + USUAL_SPARE_MM, 0, 1000)


@dataclass(frozen=True)
class Part:
    """One part of wiring.toml. kind: "" for a part of one kind; uses: what each pin is for."""

    name: str
    kind: str
    pins: dict[str, int]
    uses: Mapping[str, str]
    words: dict[str, str]
    numbers: dict[str, int]


# Tables of pot.toml: (what they make, rows, rows that may be left out, {word: (allowed, usual)})
TABLES: dict[
    str,
    tuple[type, tuple[Row, ...], tuple[Row, ...], dict[str, tuple[tuple[str, ...], str | None]]],
] = {
    "planter": (Planter, PLANTER, (), {"substrate": (SUBSTRATES, SUBSTRATES[0])}),
    "tank": (Tank, TANK, TANK_OPTIONAL, {"shape": (SHAPES, None)}),
    "battery": (Battery, BATTERY, BATTERY_OPTIONAL, {"chemistry": (CHEMISTRIES, None)}),
    "panel": (PanelSheet, PANEL, PANEL_OPTIONAL, {}),
    "crop": (Crop, (), CROP, {"habit": (HABITS, HABITS[0]), "stands": (STANDS, STANDS[0])}),
    "board": (
        BoardSheet,
        (),
        BOARD,
        {"kind": (BOARDS, BOARDS[0]), "currents": (CURRENTS, CURRENTS[0])},
    ),
    "pump": (PumpCurve, PUMP, PUMP_OPTIONAL, {}),
    "hose": (Hose, HOSE, (), {"valve": (VALVES, VALVES[0])}),
}
NEEDED = ("planter", "tank")


@dataclass
class PotFolder:
    """What `load` found. Without problems `lines` and `pot` hold what the board will hold.

    files: the TOML files that could be read, by kind ("pot", "wiring", "settings", ...).
    settings, limits, calibration: the values in force by name, defaults filled in; a probe
    in `calibration` is a table of `points`, `rails` and `spread`.
    problems, warnings: sorted by file and line. steps: what a pot that is only begun needs next, in
    words; none of it is a fault. lines: the compiled bytes by kind.
    """

    path: Path
    name: str
    about: About | None = None
    parts: dict[str, Part] = field(default_factory=dict)
    settings: dict[str, Any] = field(default_factory=dict)
    limits: dict[str, Any] = field(default_factory=dict)
    calibration: dict[str, Any] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    warnings: list[Problem] = field(default_factory=list)
    steps: list[str] = field(default_factory=list)
    lines: dict[str, bytes] = field(default_factory=dict)
    pot: fields.Pot | None = None
    files: dict[str, TomlFile] = field(default_factory=dict)

    def problem(self, kind: str, text: str, *keys: str) -> None:
        """Note a problem at that key of that file."""
        self.problems.append(self._at(kind, text, *keys))

    def warn(self, kind: str, text: str, *keys: str) -> None:
        """Note a warning at that key of that file."""
        self.warnings.append(self._at(kind, text, *keys))

    def _at(self, kind: str, text: str, *keys: str) -> Problem:
        file = self.files.get(kind)
        return file.problem(text, *keys) if file else Problem(self.file_name(kind), 1, text)

    def file_name(self, kind: str) -> str:
        """How the file of that kind is called in errors."""
        return show_path(os.path.join(str(self.path), kind + ".toml"))
