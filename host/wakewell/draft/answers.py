"""The questions that `wakewell new` asks, what each offers and why, and what an answer becomes.

What belongs here: the order of the questions, the words and measures of an answer, the offer worked
out from the answers before. What does not: figures of settings and limits (figures.py), the
terminal (commands/new.py).
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from functools import partial

from wakewell.budget import course, inputs, sizing, sun
from wakewell.draft import figures, pins
from wakewell.draft.choices import (
    ASLEEP_UA,
    CAPACITIES_MAH,
    CELL_TRADE,
    CELLS,
    LEVELS,
    PANELS_MW,
    PLANTS,
    PROBES,
    PUMPS,
    PumpKind,
)
from wakewell.errors import BadInput
from wakewell.pot import chips, description
from wakewell.pot.description import (
    BOARDS,
    SHAPES,
    STANDS,
    SUBSTRATES,
    About,
    Battery,
    BoardSheet,
    Crop,
    Hose,
    PanelSheet,
    Part,
    Planter,
    PotFolder,
    PumpCurve,
    Row,
    Tank,
)
from wakewell.tomlfile import nearest, show

TRIES = 5  # at one question
AWAY_DAYS, CHARGED_DAYS = 14, 90  # that tank and cell are offered for; own assumption
ABOVE_MM = 50  # of the hose's end over the full mark, so that nothing siphons
BORE_MM, SPARE_MM = 5, 300
TAPER = 0.81  # of a cylinder: a flower pot whose base is four fifths of its top


@dataclass
class Draft:
    """What is known of the new pot so far: the usual at first, then what was answered.

    power: whether a switch feeds the probes only while they are read; panel_why: the reason for
    its power; said: the answers, by question.
    """

    name: str
    plant: str = "basil"
    crop: Crop = field(default_factory=lambda: Crop(habit="herb"))
    planter: Planter = field(default_factory=lambda: Planter(150, 180, 3100))
    tank: Tank = field(default_factory=lambda: Tank("box", 4000, 160, 210))
    pump: PumpKind = PUMPS["small"]
    hose: Hose | None = None
    chip: str = "esp32"
    board: BoardSheet = field(default_factory=BoardSheet)
    level: str = "gauge"
    probes: tuple[str, ...] = ("temperature", "charger")
    battery: Battery = field(default_factory=lambda: Battery("lithium-ion", 2600, 1))
    panel: PanelSheet | None = None
    panel_why: str = ""
    place: str = ""
    maker: str = ""
    reach: str = ""
    language: str = "en"
    asked_pins: dict[tuple[str, str], int] = field(default_factory=dict)
    power: bool = True
    said: dict[str, str] = field(default_factory=dict)

    @property
    def about(self) -> About:
        """What pot.toml will say."""
        return About(
            name=self.name, plant=self.plant, place=self.place, notes="", chip=self.chip,
            planter=self.planter, tank=self.tank, battery=self.battery, crop=self.crop,
            board=self.board, pump=self.pump.pump, hose=self.line, panel=self.panel,
            maker=self.maker, reach=self.reach, language=self.language,
        )  # fmt: skip

    @property
    def options(self) -> list[str]:
        """The person's answers as options of the command."""
        return [f"--{name}={text}" for name, text in self.said.items()]

    @property
    def line(self) -> Hose:
        """The hose: as told, or one that reaches."""
        if self.hose is not None:
            return self.hose
        tank = self.tank
        least_mm = 2 * tank.crest_mm - tank.draws_mm - tank.outlet_mm
        valve = "check" if self.level == "float" else "none"
        return Hose(BORE_MM, figures.up(least_mm + SPARE_MM, 50), 0, 1000, valve)

    @property
    def part_names(self) -> tuple[str, ...]:
        """Every part of its wiring."""
        always = (part for part in pins.ALWAYS if self.power or part != "power")
        return (*always, *self.probes)

    def parts(self) -> dict[str, Part]:
        """Its wiring. Raises BadInput where the chip has no pin for a part."""
        chip = chips.CHIPS[self.chip]
        found = pins.chosen(chip, self.part_names, self.level, self.asked_pins)
        highest_mv = CELLS[self.battery.chemistry].highest_mv * self.battery.cells
        return pins.parts_of(chip, found, self.level, highest_mv)

    def inputs(self) -> inputs.Inputs:
        """What the budget has to say of it, with a soil that holds what is expected."""
        made = figures.Figures()
        kind = PLANTS[self.plant]
        figures.soil(self.about, kind.depletion_ppt, kind.source, made)
        figures.battery(self.about, made)  # its voltages: one kind's are another's empty or full
        return inputs.gather(figures.planned(self.about, {}, made), date.today())

    def figures(self, parts: dict[str, Part]) -> figures.Figures:
        """Settings, limits and what is expected of the calibration. Raises BadInput."""
        kind = PLANTS[self.plant]
        currents = self.pump.running_ua, ASLEEP_UA[self.chip]
        return figures.chosen(self.about, parts, (kind.depletion_ppt, kind.source), currents)


@dataclass(frozen=True)
class Question:
    """One question. allowed: for the person; offer: an answer and its reason; take: puts an answer
    into the draft, BadInput if it is none; like: takes it over from another pot, False where that
    one does not say."""

    name: str
    asks: str
    allowed: str
    offer: Callable[[Draft], tuple[str, str]]
    take: Callable[[Draft, str], None]
    like: Callable[[Draft, PotFolder], bool]


Ask = Callable[[Question, str, str], str]
"""Asks a person a question, with the offer and its reason; returns the answer."""


def _word(name: str, text: str, allowed: Iterable[str]) -> str:
    """One of these words, however its letters are."""
    word = " ".join(text.lower().split())
    if word not in allowed:
        raise BadInput(f"--{name} {show(text)}: {nearest(word, list(allowed))}; correct it")
    return word


def _sizes(name: str, text: str, form: str, rows: Iterable[Row], least: int) -> list[int]:
    """Whole numbers with an x between, each in its range."""
    known = list(rows)
    given = [part.strip() for part in re.split(r"[x×]", text.strip().lower())]
    if not least <= len(given) <= len(known) or not all(
        part.isdecimal() and part.isascii() and len(part) < 8 for part in given
    ):
        raise BadInput(f"--{name} {show(text)}: allowed {form}; correct it")
    numbers = [int(part) for part in given]
    for number, (key, low, high, _, meaning) in zip(numbers, known, strict=False):
        if not low <= number <= high:
            text = f"--{name} {show(text)}: {key} = {number}: allowed {low} to {high} ({meaning})"
            raise BadInput(text + "; correct it")
    return numbers


def _row(rows: tuple[Row, ...], name: str) -> Row:
    return next(row for row in rows if row[0] == name)


# --- plant and place ---------------------------------------------------------------------------


def _plant(draft: Draft, text: str) -> None:
    draft.plant = _word("plant", text, PLANTS)
    draft.crop = replace(draft.crop, habit=PLANTS[draft.plant].habit)


def _plant_like(draft: Draft, like: PotFolder) -> bool:
    assert like.about is not None
    crop = like.about.crop or Crop()
    draft.plant = like.about.plant if like.about.plant in PLANTS else crop.habit
    draft.crop = crop
    return True


PLACE_FORM = ", ".join(STANDS) + "; and its latitude in degrees, such as balcony 35 S"


def _stands(draft: Draft, text: str) -> None:
    name, least, most, _, _ = _row(description.CROP, "latitude_deg")
    found = re.fullmatch(
        r"(\D*?)(?:\s*(-?)\b(\d{1,3})\s*°?\s*([ns]?))?", text.strip().lower(), re.A
    )
    if found is None or (found[2] and found[4]):
        raise BadInput(f"--place {show(text)}: allowed {PLACE_FORM}; correct it")
    stands, degrees = _word("place", found[1], STANDS), None
    if found[3]:
        degrees = -int(found[3]) if found[2] or found[4] == "s" else int(found[3])
        if not least <= degrees <= most:
            text = f"--place {show(text)}: {name} = {degrees}: allowed {least} to {most}"
            raise BadInput(text + " (negative: south); correct it")
    draft.crop = replace(draft.crop, stands=stands, latitude_deg=degrees)


# --- pot, soil, tank ---------------------------------------------------------------------------

POT_FORM = "DIAMETERxDEPTH of the soil in mm, such as 180x150, and x its volume in ml if measured"


def _pot(draft: Draft, text: str) -> None:
    rows = [_row(description.PLANTER, n) for n in ("diameter_mm", "height_mm", "volume_ml")]
    found = _sizes("pot", text, POT_FORM, rows, 2)
    whole_ml = math.pi / 4000 * found[0] ** 2 * found[1]
    volume = found[2] if found[2:] else round(TAPER * whole_ml, -2 if whole_ml > 2000 else -1)
    least, most = rows[2][1:3]
    most = min(most, int(1.05 * whole_ml))
    if most < least:
        text = (
            f"--pot {show(text)}: holds {most} ml: allowed from {least} ml on; choose a larger pot"
        )
        raise BadInput(text)
    if not least <= volume <= most:
        raise BadInput(
            f"--pot {show(text)}: {volume:.0f} ml of soil: allowed {least} to {most}, what such a "
            "pot holds; measure again"
        )
    draft.planter = Planter(found[1], found[0], int(volume), draft.planter.substrate)


def _pot_offer(draft: Draft) -> tuple[str, str]:
    if PLANTS[draft.plant].habit in ("fruiting", "woody"):
        return "250x220", "a large pot: such a plant drinks up to a small pot's water in a day"
    return "180x150", "a usual flower pot; a larger one forgives more"


def _substrate(draft: Draft, text: str) -> None:
    word = _word("substrate", text, SUBSTRATES)
    draft.planter = replace(draft.planter, substrate=word)
    kind = PLANTS[draft.plant]
    figures.watering(draft.about, (kind.depletion_ppt, kind.source), figures.Figures())


def _substrate_offer(draft: Draft) -> tuple[str, str]:
    water = figures.water_of(draft.planter)
    held = (water.capacity - water.stress) * draft.planter.volume_ml / 1000
    return draft.planter.substrate, f"in that pot it gives the plant about {held:.0f} ml with ease"


TANK_FORM = "VOLUMExHEIGHT to the full mark, ml and mm, such as 4000x160; a word before it for "
TANK_FORM += f"another shape ({', '.join(SHAPES)})"


def _tank(draft: Draft, text: str) -> None:
    shape, sizes = SHAPES[0], text
    words = text.split(maxsplit=1)
    if len(words) == 2 and words[0][:1].isalpha():
        shape, sizes = _word("tank", words[0], SHAPES), words[1]
    rows = [_row(description.TANK, name) for name in ("volume_ml", "height_mm")]
    volume, height = _sizes("tank", sizes, TANK_FORM, rows, 2)
    draft.tank = Tank(shape, volume, height, height + ABOVE_MM)


def _tank_offer(draft: Draft) -> tuple[str, str]:
    found = draft.inputs()
    least = sizing.tank_ml(found, AWAY_DAYS)
    volume = min(50_000, max(2000, figures.up(least, 500)))
    height = figures.up(0.9 * 10 * volume ** (1 / 3), 10)
    why = f"{AWAY_DAYS} days at the worst time of the year take up to {least:.0f} ml, the reserve "
    return f"{volume}x{height}", why + "with it"


def _outlet(draft: Draft, text: str) -> None:
    name, least, most, _, meaning = _row(description.TANK, "outlet_mm")
    number = text.strip().removesuffix("mm").strip()
    if not re.fullmatch(r"-?[0-9]{1,5}", number) or not least <= int(number) <= most:
        raise BadInput(f"--outlet {show(text)}: {name}: allowed {least} to {most} mm ({meaning})")
    draft.tank = replace(draft.tank, outlet_mm=int(number))


def _outlet_offer(draft: Draft) -> tuple[str, str]:
    why = f"{ABOVE_MM} mm above the tank's full mark, so that it cannot siphon the tank empty (R8)"
    return str(draft.tank.height_mm + ABOVE_MM), why


# --- pump, probes, board, cell -----------------------------------------------------------------

PUMP_FORM = (
    f"{' or '.join(PUMPS)}, or its sheet: LIFTxFLOW in mm and microlitres a second, such as "
)
PUMP_FORM += "1000x28000, and x its rated mV, x its blocked current in microamperes"


def _pump(draft: Draft, text: str) -> None:
    if text.strip()[:1].isdigit():
        rows = [*description.PUMP, *description.PUMP_OPTIONAL]
        found = _sizes("pump", text, PUMP_FORM, rows, 2)
        pump = PumpCurve(*found[:2], *(found[2:] or [3700]))
        draft.pump = PumpKind(pump, _running_ua(pump))
    else:
        draft.pump = PUMPS[_word("pump", text, PUMPS)]
    figures.least_flow_ml_s(draft.about, CELLS["lithium-ion"].floor_mv)


def _running_ua(pump: PumpCurve) -> int:
    return int((pump.stalled_ua or 1_500_000) / sizing.STALLED)


def _pump_offer(draft: Draft) -> tuple[str, str]:
    crest_mm, line = draft.tank.crest_mm, draft.line
    flows = {
        name: sizing.pump_flow_ml_s(
            kind.pump, crest_mm, line.inner_mm, line.length_mm, CELLS["lithium-ion"].floor_mv, 0.0
        )
        for name, kind in PUMPS.items()
    }
    enough = 2 * figures.LEAST_FLOW_ML_S
    word = next((name for name, flow in flows.items() if flow >= enough), "strong")
    return word, f"gives {flows[word]:.0f} ml/s {crest_mm} mm up at a lithium cell's lowest voltage"


def _level(draft: Draft, text: str) -> None:
    draft.level = _word("level", text, LEVELS)


def _probes(draft: Draft, text: str) -> None:
    words = [w for w in re.split(r"[,\s]+", text.lower()) if w and w != "none"]
    draft.probes = tuple(dict.fromkeys(_word("probes", word, PROBES) for word in words))
    draft.parts()  # are there pins for them?


def _probes_offer(draft: Draft) -> tuple[str, str]:
    wanted = ["current"] if draft.level == "float" else []
    fitted: list[str] = []
    both = ["temperature", "charger"]
    if draft.crop.stands == STANDS[0]:
        both.reverse()  # no frost there
    for name in (*wanted, *both):
        trial = replace(draft, probes=(*fitted, name), asked_pins={})
        try:
            trial.parts()
        except BadInput:
            continue
        fitted.append(name)
    why = "; ".join(f"{name}: {PROBES[name]}" for name in fitted)
    return ",".join(fitted) or "none", why or f"the {draft.chip} has no pin to spare"


def _chip(draft: Draft, text: str) -> None:
    draft.chip = _word("chip", text, chips.PORTED)


def _board(draft: Draft, text: str) -> None:
    draft.board = replace(draft.board, kind=_word("board", text, BOARDS))


def _board_offer(draft: Draft) -> tuple[str, str]:
    mah = draft.battery.capacity_mah
    days = mah / (24 * inputs.STANDING_MA)
    why = f"a development board draws some {inputs.STANDING_MA:g} mA beside its chip all the time: "
    return "bare", why + f"a cell of {mah} mAh lasts {days:.0f} days on it"


CELL_FORM = f"{', '.join(CELLS)} (all to be charged again), and its capacity in mAh, such as "
CELL_FORM += "lithium-ion 2600"


def _cell(draft: Draft, text: str) -> None:
    words = text.split()
    number = words.pop() if words and words[-1][:1].isdigit() else ""
    name = " ".join(words)
    word = _word("cell", CELL_TRADE.get(re.sub(r"[\s-]", "", name.lower()), name), CELLS)
    mah = 0
    if number:
        rows = description.BATTERY[:1]
        (mah,) = _sizes("cell", number.lower().removesuffix("mah"), CELL_FORM, rows, 1)
    draft.battery = Battery(word, mah or _least_mah(draft, word), CELLS[word].cells)


def _least_mah(draft: Draft, chemistry: str) -> int:
    """The least of the usual capacities that lasts, by the budget; the largest if none does."""
    cell = Battery(chemistry, CAPACITIES_MAH[0], CELLS[chemistry].cells)
    least = sizing.cell_mah(replace(draft, battery=cell).inputs(), CHARGED_DAYS)
    return next((mah for mah in CAPACITIES_MAH if mah >= least), CAPACITIES_MAH[-1])


def _cell_offer(draft: Draft) -> tuple[str, str]:
    mah = _least_mah(draft, "lithium-ion")
    why = (
        f"{CHARGED_DAYS} days without a charge, by the budget, and no less than a pump can draw on"
    )
    if draft.board.kind != "bare":
        why = "as much as fits: a development board draws a cell empty in weeks"
    return f"lithium-ion {mah}", why


PANEL_FORM = (
    "none, or TILTxFACING in degrees, such as 60x180 (90 upright; by the compass, 0 north, 180 "
)
PANEL_FORM += "south), and x its power in mW if you have one"
GLASS = 1  # panes before a panel on a window sill


def _panel(draft: Draft, text: str) -> None:
    draft.panel = None
    if text.strip().lower() == "none":
        return
    names = ("tilt_deg", "facing_deg", "peak_mw")
    rows = [_row(description.PANEL + description.PANEL_OPTIONAL, name) for name in names]
    tilt, facing, *told = _sizes("panel", text, PANEL_FORM, rows, 2)
    panes = GLASS if draft.crop.stands == STANDS[0] else None
    draft.panel = PanelSheet(tilt, facing, panes=panes)
    if told:
        draft.panel, draft.panel_why = replace(draft.panel, peak_mw=told[0]), ""
        return
    parts = draft.parts()
    planned = figures.planned(draft.about, parts, draft.figures(parts))
    found = inputs.gather(planned, date.today())
    least = sun.least_mw(draft.about, found)
    peak = next((mw for mw in PANELS_MW if mw >= least), 0)
    if not peak:
        noon_deg, noon = sun.FACINGS[draft.crop.south]
        raise BadInput(
            f"--panel {show(text)}: no panel up to {PANELS_MW[-1]} mW keeps this pot charged "
            f"there; turn it to the {noon} ({noon_deg}), put it steeper, choose a bare module, or "
            "charge by hand (none)"
        )
    draft.panel = replace(draft.panel, peak_mw=peak)
    draft.panel_why = f"by the budget at least {least:.0f} mW, for never charging by hand"


def _panel_offer(draft: Draft) -> tuple[str, str]:
    days, _, _ = course.cell_life(draft.inputs()).told_days()
    return "none", f"a full battery lasts about {days} days; a panel needs a charger made for it"


def _panel_like(draft: Draft, like: PotFolder) -> bool:
    assert like.about is not None
    draft.panel = like.about.panel
    return True


def _kept(table: str) -> Callable[[Draft, PotFolder], bool]:
    """Takes that table of the other pot's pot.toml over as it is."""

    def take(draft: Draft, like: PotFolder) -> bool:
        found = getattr(like.about, table)
        if table == "pump" and found is not None:
            found = PumpKind(found, _running_ua(found))
        if found is not None:
            setattr(draft, table, found)
        return found is not None

    return take


def _tank_like(draft: Draft, like: PotFolder) -> bool:
    assert like.about is not None
    draft.tank = replace(like.about.tank, now_ml=None)
    draft.hose = like.about.hose
    return True


def _cell_like(draft: Draft, like: PotFolder) -> bool:
    battery = like.about.battery if like.about else None
    if battery is None or battery.chemistry not in CELLS:
        return False
    draft.battery = replace(battery, now_pct=None)
    return True


def _level_like(draft: Draft, like: PotFolder) -> bool:
    if "level" in like.parts:
        draft.level = like.parts["level"].kind
        return True
    if like.calibration.get("float_only"):  # its wiring was lost, and not what was measured
        draft.level = "float"
    return bool(like.calibration.get("float_only"))


def _probes_like(draft: Draft, like: PotFolder) -> bool:
    draft.power = "power" in like.parts or not like.parts
    known = like.parts or like.calibration
    draft.probes = tuple(name for name in PROBES if name in known)
    return bool(like.parts or draft.probes)


def _same_chip(draft: Draft, like: PotFolder) -> bool:
    assert like.about is not None
    if like.about.chip not in chips.PORTED:
        return False
    draft.chip = like.about.chip
    return True


def _pins_like(draft: Draft, like: PotFolder) -> None:
    """The same pins, for the parts that both have."""
    wanted = pins.uses(draft.part_names, draft.level)
    draft.asked_pins = {
        (part.name, pin): number
        for part in like.parts.values()
        for pin, number in part.pins.items()
        if (part.name, pin) in wanted
    }


def _with_it(draft: Draft, like: PotFolder) -> bool:
    """It came with another answer."""
    return True


def _choice(words: Iterable[str]) -> str:
    return ", ".join(words)


def _usual(word: str, why: str) -> Callable[[Draft], tuple[str, str]]:
    return lambda draft: (word, why)


# In this order: each offer is worked out from the answers before it
QUESTIONS = (
    Question(
        "plant", "What grows in it?", _choice(PLANTS),
        _usual("basil", "a thirsty one: what serves it serves most; else the kind it is most like"),
        _plant, _plant_like,
    ),
    Question(
        "place", "Where does it stand?", PLACE_FORM,
        _usual(
            "window sill",
            "indoors, no rain and no frost; the latitude matters for a panel, and in the south for "
            "the seasons: without it 36 N counts",
        ),
        _stands, _with_it,
    ),
    Question(
        "pot", "How large is its pot?", POT_FORM, _pot_offer, _pot, _kept("planter"),
    ),
    Question(
        "substrate", "What is it planted in?", _choice(SUBSTRATES), _substrate_offer, _substrate,
        _with_it,
    ),
    Question("tank", "How large is the tank?", TANK_FORM, _tank_offer, _tank, _tank_like),
    Question(
        "outlet", "How high above the tank's floor does the hose end?", "mm, such as 210",
        _outlet_offer, _outlet, _with_it,
    ),
    Question("pump", "Which pump?", PUMP_FORM, _pump_offer, _pump, _kept("pump")),
    Question(
        "chip", "Which chip?", _choice(chips.PORTED),
        _usual("esp32", "the most pins that need no care"), _chip, _same_chip,
    ),
    Question("board", "A bare module, or a development board?", _choice(BOARDS), _board_offer,
             _board, _kept("board")),
    Question(
        "level", "How is the tank's level seen?", _choice(LEVELS),
        lambda draft: ("gauge", LEVELS["gauge"]), _level, _level_like,
    ),
    Question(
        "probes", "Which probes beside soil, level and battery?", _choice(PROBES) + ", or none",
        _probes_offer, _probes, _probes_like,
    ),
    Question("cell", "Which cell?", CELL_FORM, _cell_offer, _cell, _cell_like),
    Question("panel", "A small panel, instead of charging by hand?", PANEL_FORM, _panel_offer,
             _panel, _panel_like),
)  # fmt: skip
BY_NAME = {question.name: question for question in QUESTIONS}
# Of another pot's answers, what no longer fits once the second was changed: it is offered anew
TOGETHER = {"outlet": "tank", "probes": "chip"}
HOSE_FORM = "BORExLENGTH in mm, such as 5x500"


def hose(draft: Draft, text: str) -> None:
    """--hose: not asked, because the usual one reaches."""
    found = _sizes("hose", text, HOSE_FORM, description.HOSE[:2], 2)
    draft.hose = Hose(found[0], found[1], 0, 1000)


def answered(
    draft: Draft,
    given: Mapping[str, str],
    like: PotFolder | None,
    ask: Ask | None = None,
) -> None:
    """Fill the draft in: what was given, what another pot has, what is answered or offered.

    ask: asks a person, with the offer and its reason; None: the offer is taken.
    Raises BadInput for an answer that cannot be used.
    """
    has = set[str]()
    if like is not None:
        has = {question.name for question in QUESTIONS if question.like(draft, like)}
        has -= {name for name, first in TOGETHER.items() if first in given}
        if not {"chip", "level", "probes"} & given.keys() and "chip" in has:
            _pins_like(draft, like)
        if {"tank", "outlet"} & given.keys():
            draft.hose = None
    for question in QUESTIONS:
        if question.name in given:
            question.take(draft, given[question.name])
        elif question.name not in has:
            text, why = question.offer(draft)
            if ask is None:
                question.take(draft, text)
            else:
                _until_good(draft, question, partial(ask, question, text, why))


def _until_good(draft: Draft, question: Question, ask: Callable[[], str]) -> None:
    """Ask until the answer can be used, TRIES times at most."""
    for left in reversed(range(TRIES)):
        try:
            text = ask()
            question.take(draft, text)
            draft.said[question.name] = text
            return
        except BadInput as why:
            if not left:
                raise
            print(f"  {why}")
