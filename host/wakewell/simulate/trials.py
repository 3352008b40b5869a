"""A trial: a simulated run of a pot, described in TOML, checked and made into the rig's parts.

What belongs here: the names of a trial file, their checks, and what is taken from the pot's folder
where the trial says nothing. What does not: running it (one_run.py) and physics (rig/).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, fields, replace
from datetime import date
from pathlib import Path
from typing import Any

from wakecore import fields as core_fields
from wakecore.number import is_whole
from wakewell.budget import inputs as budget
from wakewell.budget.doubt import nominal
from wakewell.core import core_id
from wakewell.errors import BadInput
from wakewell.log.logs import EPOCH
from wakewell.portable.mock import load_pot
from wakewell.pot import agree, description
from wakewell.pot import pot_folder as pots
from wakewell.rig import fitted, loadcell
from wakewell.rig.battery import CHEMISTRIES, Cell
from wakewell.rig.battery import usual as usual_battery
from wakewell.rig.errors import Impossible, need
from wakewell.rig.faults import KINDS, Fault
from wakewell.rig.hydraulics import (
    RigHose,
    RigPump,
    RigTank,
    bucket,
    crest_mm,
    cylinder,
    plumbing,
    table,
)
from wakewell.rig.hydraulics import box as box_tank
from wakewell.rig.panel import Panel
from wakewell.rig.pot import DAY_S, BoardLoad, PotSpec
from wakewell.rig.probes import Divider, LevelGauge, SoilProbe
from wakewell.rig.soil import (
    SUBSTRATES,
    WILTING_CM,
    Container,
    Plant,
    Substrate,
    Vessel,
    mean_content,
)
from wakewell.rig.weather import PLACES, Place, placed
from wakewell.shipped import CAFE, TRIALS
from wakewell.simulate import uncalibrated
from wakewell.simulate.people import ACTS, Owner, Visit
from wakewell.tomlfile import Problem, TomlFile, nearest, read_toml, show, show_key, show_path
from wakewell.units import volts

MEASURED_MV = 3900.0  # of the cell while the flow is measured at the bench; own assumption
LONGEST_DAYS = 3650.0
MOST = 1e12  # of any number in a trial, either way


@dataclass(frozen=True)
class Start:
    """How full soil, tank and cell are at the beginning.

    tank, charge: shares, 0 to 1; soil: share of the way from wilting to container capacity.
    """

    tank: float = 1.0
    charge: float = 1.0
    soil: float = 0.9

    def __post_init__(self) -> None:
        need("start.tank", self.tank, 0.0, 1.0)
        need("start.charge", self.charge, 0.0, 1.0)
        need("start.soil", self.soil, 0.05, 1.0)


@dataclass(frozen=True)
class Habits:
    """What the board does beside the core: seconds awake and on the radio, samples of a reading,
    and the charger it lives on (mA; 0: none)."""

    awake_s: float = 2.0
    radio_s: float = 3.0
    samples: int = 3
    mains_ma: float = 0.0

    def __post_init__(self) -> None:
        need("wake.awake_s", self.awake_s, 0.1, 600.0, "s")
        need("wake.radio_s", self.radio_s, 0.0, 600.0, "s")
        need("wake.samples", self.samples, 1, 31)
        need("wake.mains_ma", self.mains_ma, 0.0, 5000.0, "mA")


@dataclass(frozen=True)
class Trial:
    """A checked trial, ready to run. begins: the clock's day (since 2000-01-01) of its start."""

    name: str
    title: str
    begins: int
    days: float
    seed: int
    spec: PotSpec
    lines: Mapping[str, bytes]
    habits: Habits = field(default_factory=Habits)
    owner: Owner = field(default_factory=Owner)
    visits: tuple[Visit, ...] = ()
    notes: tuple[str, ...] = ()

    def in_force(self) -> Any:
        """The three files as the core holds them: a wakecore.fields.Pot."""
        return loaded(self.lines)


# Tables of a trial file. Their names come from the parts they fill.
TOP = ("title", "pot", "like", "begins", "days", "seed")
PLACING = ("substrate", "vessel", "plant", "place", "start")
PARTS = ("tank", "pump", "hose", "battery", "panel", "board", "probe", "level", "divider")
TABLES = (*PLACING, *PARTS, "wake", "settings", "owner")
LISTS = ("fault", "visit")
# {table: (what was measured, the names that it stands instead of)}
MEASURED = {
    "pump": ("curve", ("head_mm", "flow_ml_s")),
    "tank": ("points", ("shape", "volume_ml", "height_mm")),
}
# Of a part's names, what its pot's calibration alone says: in a trial they would do nothing.
CALIBRATED = {"probe": ("points", "water_uv", "half")}


class TrialReader:
    """One trial file on its way to a Trial; collects problems instead of raising."""

    def __init__(self, file: TomlFile) -> None:
        self.file = file
        self.problems: list[Problem] = []

    def problem(self, text: str, *keys: str) -> None:
        """Note a problem at that key."""
        self.problems.append(self.file.problem(text, *keys))

    def row_problem(self, key: str, number: int, name: str, text: str) -> None:
        """Note a problem at that name of a list's table, which it tells by its number."""
        self.problem(f"{key} {number}: {text}", key, str(number), name)

    def table(self, key: str) -> dict[str, Any]:
        """A table of the file, empty where it is not given."""
        value = self.file.data.get(key, {})
        if isinstance(value, dict):
            return value
        self.problem(f"{key} = {show(value)}: allowed a table, [{key}]", key)
        return {}

    def number(self, key: str, low: float, high: float, usual: float | None, unit: str) -> float:
        """A number at the file's top."""
        value = self.file.data.get(key, usual)
        if isinstance(value, int | float) and not isinstance(value, bool) and low <= value <= high:
            return value
        found = f"{key} = {show(value)}" if key in self.file.data else f"{key}: missing"
        self.problem(f"{found}; allowed {low:g} to {high:g} {unit}".rstrip() + "; correct it", key)
        return low

    def part(self, base: Any, key: str, given: dict[str, Any]) -> Any:
        """`base`, a dataclass, with what the table says in place of its values."""
        rows = {f.name for f in fields(base)}.difference(CALIBRATED.get(key, ()))
        values = {}
        for name, value in given.items():
            if name not in rows:
                advice = nearest(name, sorted(rows))
                text = f"{show_key(key, name)} = {show(value)}: not a name of [{key}]; {advice}"
                self.problem(text, key, name)
            elif not _fits(value, getattr(base, name)):
                want = _wanted(getattr(base, name))
                self.problem(f"{show_key(key, name)} = {show(value)}: allowed {want}", key, name)
            else:
                values[name] = _frozen(value)
        measured, others = MEASURED.get(key, ("", ()))
        for name in others:
            if name in given and given.get(measured):
                text = f"{show_key(key, name)} = {show(given[name])}: {measured} is given too, and "
                self.problem(text + "replaces it; leave one of them out", key, name)
        return self.made(base, key, lambda: replace(base, **values))

    def made(self, usual: Any, key: str, make: Any) -> Any:
        """What `make` makes, or `usual` and a problem where physics rules it out."""
        try:
            return make()
        except Impossible as no:
            named, _, name = no.key.rpartition(".")
            if named in TABLES + LISTS:
                key = named  # parts that do not go together: of either table
            shown = f"{show_key(key, name)} = {show(no.value)}: allowed {no.allowed}"
            # With several [[fault]] the file's lines do not show which one
            place = (key,) if key in LISTS else (key, name)
            self.problem(shown + "; correct it", *place)
            return usual

    def fitted(self, key: str, make: Callable[[], Any]) -> Any:
        """What `make` works out from the calibration and a table, or None and a problem there."""
        try:
            return make()
        except Impossible as no:
            names = list(self.table(key))
            text = f"[{key}]: with it {no.key} would be {show(no.value)}: allowed {no.allowed}"
            self.problem(text + "; correct it", key, *names[:1])
            return None


def _fits(value: Any, usual: Any) -> bool:
    if isinstance(usual, bool) or isinstance(value, bool):
        return isinstance(value, bool) and isinstance(usual, bool)
    if isinstance(usual, str):
        return isinstance(value, str)
    if isinstance(usual, tuple):
        return isinstance(value, list) and all(
            isinstance(pair, list) and len(pair) == 2 and all(_is_number(n) for n in pair)
            for pair in value
        )
    return _is_number(value) and (isinstance(value, int) or not isinstance(usual, int))


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= MOST


def _wanted(usual: Any) -> str:
    if isinstance(usual, bool):
        return "true or false"
    if isinstance(usual, str):
        return "a word"
    if isinstance(usual, tuple):
        return "pairs of numbers"
    return "a whole number" if isinstance(usual, int) else "a number"


def _frozen(value: Any) -> Any:
    return (
        tuple(tuple(float(n) for n in pair) for pair in value) if isinstance(value, list) else value
    )


@dataclass(frozen=True)
class TankSize:
    """A tank as a trial or a pot's folder gives it: shape, measures to the full mark, and how far
    above its floor the pump draws. points: measured (height mm, volume ml) instead."""

    shape: str = "box"
    volume_ml: float = 3000.0
    height_mm: float = 150.0
    intake_mm: float = 5.0
    points: tuple[tuple[float, float], ...] = ()

    def made(self) -> RigTank:
        """The rig's tank; raises Impossible."""
        if self.points:
            return table(self.points)
        need("volume_ml", self.volume_ml, 50.0, 100_000.0, "ml")
        area = 1000.0 * self.volume_ml / need("height_mm", self.height_mm, 10.0, 2000.0, "mm")
        if self.shape == "box":
            return box_tank(math.sqrt(area), math.sqrt(area), self.height_mm)
        if self.shape == "cylinder":
            return cylinder(math.sqrt(4.0 * area / math.pi), self.height_mm)
        if self.shape == "tapered":  # a bucket wider at the top; give points if measured
            wider = description.WIDER
            bottom = math.sqrt(4.0 * area / math.pi / (1.0 + wider + wider**2) * 3.0)
            return bucket(bottom, wider * bottom, self.height_mm)
        raise Impossible("shape", repr(self.shape), "box, cylinder, tapered")


def names() -> Iterator[str]:
    """Every name of a trial file with what it is when not given; the pot's own: from its folder."""
    yield 'title = "..."  pot = "FOLDER or café pot"  begins = 2025-03-01  days = 122  seed = 1'
    yield 'like = "café pot or FOLDER"  # whose probes the pot has where it is not calibrated yet'
    for key, part, note in (
        (
            "substrate",
            SUBSTRATES["peat mix"],
            f"word = {' | '.join(SUBSTRATES)}; from [planter], scaled to the pot",
        ),
        ("vessel", Vessel(15.0, 200.0, 150.0), "heights and areas from the pot's folder"),
        ("plant", Plant(), "kcb and crown_cm2 from [crop] of the pot's folder"),
        ("place", PLACES["window sill"], f"word = {' | '.join(PLACES)}; from [crop]"),
        ("start", Start(), "shares; soil: of the way from wilting to capacity"),
        ("tank", TankSize(), "from the pot's folder; points: pairs of mm and ml"),
        ("pump", RigPump(), "[pump] of the pot's folder, at the calibrated flow and current"),
        ("hose", RigHose(), "[hose] of the pot's folder"),
        ("battery", Cell(), "capacity_mah and fades_pct_month from the pot's folder"),
        ("panel", Panel(), "from [panel] of the pot's folder; peak_mw = 0.0: none"),
        ("board", BoardLoad(), "currents from the pot's calibration and [board]"),
        ("probe", SoilProbe(), "as calibrated"),
        ("level", LevelGauge(), "as calibrated"),
        ("divider", Divider(), "as calibrated"),
        ("wake", Habits(), "beside the core; awake_s and radio_s from [board]"),
        ("owner", Owner(), "days from need to answer; false: never"),
    ):
        yield f"\n[{key}]  # {note}"
        for row in fields(part):
            if row.name not in CALIBRATED.get(key, ()):
                value = getattr(part, row.name)
                none = {None: "0", (): "[]"}.get(value)
                yield f"# {row.name} = {none}" if none else f"{row.name} = {_as_toml(value)}"
    yield "\n[settings]  # any name of settings.toml, in place of the pot's own"
    yield "\n[[fault]]  # from_day, to_day, probability, amount, and kind:"
    for word, kind in KINDS.items():
        yield f'kind = "{word}"' + (f"  # amount = {kind.usual:g} {kind.unit}" if kind.unit else "")
    yield "\n[[visit]]  # day, hour, amount, and does:"
    for word, unit in ACTS.items():
        yield f'does = "{word}"' + (f"  # amount in {unit}" if unit else "")


def _as_toml(value: Any) -> str:
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, bool) or value == math.inf:
        return "true" if value is True else "false"
    return f"{value:g}"


def load(path: Path, like: str | None = None) -> Trial:
    """The trial in that file, or the usual one of the pot in that folder.

    like: whose probes the pot has where it is not calibrated yet, in place of the trial's own word.
    Raises BadInput with one line for each thing that is wrong.
    """
    name = show_path(str(path))
    if not path.exists():
        text = f"{name}: no such file; give a trial file, a pot's folder, or --cafe with a "
        raise BadInput(text + "planter's name")
    if path.is_dir():
        return of_pot(path, like)
    file = read_toml(path, name)
    if isinstance(file, Problem):
        raise BadInput(str(file))
    return _made(file, path, like)


def of_pot(folder: Path, like: str | None = None) -> Trial:
    """The usual trial of a pot's folder: nobody changed anything, nothing breaks."""
    inside = folder.absolute()
    file = TomlFile(show_path(str(folder)), {"pot": str(inside)})  # its name may be a café pot's
    return _made(file, inside, like)


def of_tables(name: str, tables: dict[str, Any]) -> Trial:
    """The trial of tables as a file has them, its pot one of the café. Raises BadInput."""
    return _made(TomlFile(name, tables), TRIALS / name, None)


def _made(file: TomlFile, path: Path, like: str | None) -> Trial:
    if like is not None:
        there = Path(like)  # from where the command was given
        file.data["like"] = str(there.absolute()) if there.is_dir() else like
    reader = TrialReader(file)
    trial = _read(reader, path)
    if reader.problems or trial is None:
        raise BadInput("\n".join(str(problem) for problem in sorted(set(reader.problems))))
    return trial


def shipped(name: str) -> Path:
    """The trial that ships for a planter of the repair café; BadInput if there is none."""
    names = sorted(path.stem for path in TRIALS.glob("*.toml"))
    if name not in names:
        raise BadInput(f"no trial {show(name)} ships; {nearest(name, names)}")
    return TRIALS / f"{name}.toml"


def pot_folder(word: str, near: Path) -> Path:
    """A café pot by its name, or a folder relative to the trial's own."""
    cafe = CAFE / word
    if "/" not in word and "\\" not in word and word not in ("", ".", "..") and cafe.is_dir():
        return cafe
    return near / word


def _read(reader: TrialReader, path: Path) -> Trial | None:
    data = reader.file.data
    for key in data:
        if key not in TOP + TABLES + LISTS:
            advice = nearest(key, TOP + TABLES + LISTS)
            reader.problem(f"{show_key(key)}: not a name of a trial; {advice}", key)
    title = data.get("title", path.stem)
    if not isinstance(title, str) or not title.isprintable() or len(title) > 120:
        reader.problem("title: allowed a line of text, up to 120 characters; correct it", "title")
        title = path.stem
    days = reader.number("days", 1, LONGEST_DAYS, 122, "days")
    seed = reader.number("seed", 0, 2**53, 1, "")
    if not isinstance(seed, int):
        reader.problem(f"seed = {seed}: allowed a whole number; correct it", "seed")
    begins = data.get("begins", date(2025, 3, 1))
    if type(begins) is not date or not 2000 <= begins.year <= 2100:
        found = show(str(begins))
        reader.problem(f"begins = {found}: allowed a date, 2000-01-01 to 2100-12-31", "begins")
        begins = date(2025, 3, 1)
    word = data.get("pot")
    if not isinstance(word, str) or not word.isprintable():
        text = "pot: missing, allowed a pot's folder or a café pot's name; add it"
        reader.problem(text if word is None else f"pot = {show(word)}: allowed a folder", "pot")
        return None
    try:
        folder = budget.open_folder(str(pot_folder(word, path.parent)))
    except BadInput as why:
        known = ", ".join(sorted(p.name for p in CAFE.iterdir() if p.is_dir()))
        reader.problem(f"pot = {show(word)}: {why} (the café's pots: {known})", "pot")
        return None
    assert folder.about is not None
    if "title" not in data and path.is_dir():
        title = folder.about.name
    like = _like(reader, path.parent)
    if reader.problems:
        return None
    assumed = uncalibrated.completed(folder, like)
    flow_ul_s = folder.calibration["flow_ul_s"]
    lost = agree.swallowed(folder.about, folder.settings, folder.limits, flow_ul_s)
    assumed += [one.text for one in lost[:1]]
    lines, in_force = _settings(reader, folder)
    spec, notes = _spec(reader, folder, in_force, begins, float(days))
    owner = _owner(reader)
    habits = reader.part(_habits(folder.about.board), "wake", reader.table("wake"))
    visits = _visits(reader, float(days))
    notes = assumed + notes
    if reader.problems or spec is None:
        return None
    return Trial(
        path.stem, title, (begins - EPOCH).days, float(days), int(seed), spec, lines,
        habits, owner, visits, tuple(notes),
    )  # fmt: skip


def _like(reader: TrialReader, near: Path) -> description.PotFolder | None:
    """The calibrated pot that stands in for what this one has not measured yet."""
    word = reader.file.data.get("like")
    if word is None:
        return None
    known = ", ".join(sorted(p.name for p in CAFE.iterdir() if p.is_dir()))
    if not isinstance(word, str) or not word.isprintable():
        reader.problem(f"like = {show(word)}: allowed a pot's folder or one of {known}", "like")
        return None
    like = pots.load(pot_folder(word.removeprefix("cafe/"), near))
    if like.problems or like.pot is None:
        why = like.problems[0] if like.problems else "the folder is not complete"
        reader.problem(f"like = {show(word)}: {why} (no pot of the café: {known})", "like")
    elif not like.calibration["stage"]:
        text = f"like = {show(word)}: not calibrated itself; name one that is, such as {known}"
        reader.problem(text, "like")
    return like


def _habits(board: description.BoardSheet | None) -> Habits:
    """Seconds awake and on the radio, as the pot's folder has them."""
    usual = Habits()
    if board is None:
        return usual
    return replace(
        usual,
        awake_s=usual.awake_s if board.awake_ms is None else max(0.1, board.awake_ms / 1000.0),
        radio_s=usual.radio_s if board.radio_ms is None else board.radio_ms / 1000.0,
    )


def _settings(reader: TrialReader, folder: description.PotFolder) -> tuple[dict[str, bytes], Any]:
    """The pot's three lines with the trial's settings and panel in place of its own, and the core's
    Pot."""
    changed, known = {}, {row[0]: row for row in core_fields.SETTINGS}
    for name, value in reader.table("settings").items():
        if name not in known:
            text = f"{show_key('settings', name)} = {show(value)}: not a name of the settings; "
            reader.problem(text + nearest(name, known), "settings", name)
            continue
        least, most = known[name][1:3]
        if is_whole(value, least, most):
            changed[name] = value
        else:
            text = f"settings.{name} = {show(value)}: allowed {least} to {most}"
            reader.problem(text + "; correct it", "settings", name)
    calibration = folder.calibration | _sunned(reader)
    lines = pots.compile_files(folder.settings | changed, folder.limits, calibration)
    try:
        in_force = loaded(lines)
    except ValueError as why:
        reader.problem(f"[settings]: {why}; correct it", "settings")
        lines = pots.compile_files(folder.settings, folder.limits, calibration)
        return lines, loaded(lines)
    if not in_force.match:
        text = "[settings]: outside the pot's hard limits (R14), so it would never pump; correct it"
        reader.problem(text, "settings")
    return lines, in_force


def _sunned(reader: TrialReader) -> dict[str, int]:
    """What the core is told of a panel that the trial puts up or takes away."""
    peak_mw = reader.table("panel").get("peak_mw")
    if isinstance(peak_mw, bool) or not isinstance(peak_mw, (int, float)):
        return {}
    return {"panel": int(peak_mw > 0)}


def loaded(lines: Mapping[str, bytes]) -> Any:
    """The core's Pot of three compiled lines; raises ValueError if the core refuses one."""
    return load_pot({kind: data.decode() for kind, data in lines.items()}, core_id())


def _spec(
    reader: TrialReader, folder: description.PotFolder, in_force: Any, begins: date, days: float
) -> tuple[PotSpec | None, list[str]]:
    """The rig's pot: what the folder says, with the trial's tables in place of it."""
    about, cal = folder.about, in_force.calibration
    assert about is not None
    before = len(reader.problems)
    crop = about.crop or description.Crop()
    word, given = _word(reader, "place", PLACES, crop.stands)
    place: Place = reader.part(placed(word, crop.latitude_deg), "place", given)
    start = reader.part(Start(), "start", reader.table("start"))
    faults = _faults(reader, days)
    vessel = reader.made(None, "vessel", lambda: _vessel(about.planter))
    if vessel is None:
        return None, []
    vessel = reader.part(vessel, "vessel", reader.table("vessel"))
    soil, notes = _substrate(reader, vessel, cal, about.planter.substrate)
    plant = reader.part(_plant(crop, vessel, place), "plant", reader.table("plant"))
    measures = float(about.tank.volume_ml), float(about.tank.height_mm)
    size = TankSize(about.tank.shape, *measures, float(about.tank.draws_mm))
    kind = folder.parts["level"].kind if "level" in folder.parts else "gauge"
    if size.shape == "tapered" and kind == "gauge" and len(cal.level.points) > 2:
        size = replace(size, points=fitted.measured_tank(cal, size.height_mm))
    size = reader.part(size, "tank", reader.table("tank"))
    tank = reader.made(None, "tank", size.made)
    hose = reader.made(None, "hose", lambda: _hose(about))
    if hose is None:
        return None, []
    hose = reader.part(hose, "hose", reader.table("hose"))
    if tank is None or len(reader.problems) > before:
        return None, []
    pump = reader.fitted("hose", lambda: _pump(cal, tank, hose, about.pump, notes))
    level = reader.fitted("tank", lambda: fitted.level_gauge(cal, kind, tank))
    if pump is None or level is None:
        return None, []
    pump = reader.part(pump, "pump", reader.table("pump"))
    battery = about.battery
    cell = reader.made(Cell(), "battery", lambda: _cell(battery, notes))
    cell = reader.part(cell, "battery", reader.table("battery"))
    reader.made(None, "tank", lambda: plumbing(tank, pump, hose, size.intake_mm, cell.full_mv))
    panel = reader.made(Panel(), "panel", lambda: fitted.panel(about.panel, crop.latitude_deg))
    panel = reader.part(panel, "panel", reader.table("panel"))
    if panel.peak_mw and (panel.latitude_deg < 0.0) != place.south:
        text = f"panel.latitude_deg = {panel.latitude_deg:g}: place.south = {_as_toml(place.south)}"
        reader.problem(f"{text}; both must be of one half of the earth", "panel", "latitude_deg")
    board = reader.made(BoardLoad(), "board", lambda: _board(folder, cal))
    board = reader.part(board, "board", reader.table("board"))
    probe = fitted.soil_probe(cal)
    if cal.weighed:
        probe = loadcell.scale(cal.soil.points, cal.soil.spread, about.planter.volume_ml)
    probe = reader.part(probe, "probe", reader.table("probe"))
    level = reader.part(level, "level", reader.table("level"))
    divider = reader.part(fitted.divider(cal), "divider", reader.table("divider"))
    if len(reader.problems) > before:
        return None, []
    notes += _weak(in_force, tank, pump, hose, cell, board)
    wilting = soil.content(WILTING_CM)
    capacity = mean_content(soil, vessel, 0.0)
    water = wilting + start.soil * (capacity - wilting)
    # Substrate, vessel and plant may each be sound and still make no pot together.
    reader.made(None, "plant", lambda: Container(soil, vessel, plant, water))
    spec = reader.made(None, "start", lambda: PotSpec(
        substrate=soil, vessel=vessel, plant=plant, place=place, tank=tank, pump=pump, hose=hose,
        intake_mm=size.intake_mm, tank_ml=start.tank * tank.capacity_ml, cell=cell,
        charge=start.charge, panel=panel, board=board, probe=probe, level=level, divider=divider,
        water=water, shunt_uv_ma=_shunt(cal), faults=faults,
        start_day=min(364, begins.replace(year=2001).timetuple().tm_yday - 1)
        if (begins.month, begins.day) != (2, 29) else 58,
        sample_s=0.15,
    ))  # fmt: skip
    return spec, notes


def _vessel(planter: description.Planter) -> Vessel:
    """A truncated cone of the planter's height, diameter and volume."""
    height, top = planter.height_mm / 10.0, math.pi / 4.0 * (planter.diameter_mm / 10.0) ** 2
    # 3 V / h = top + sqrt(top bottom) + bottom, solved for sqrt(bottom)
    inner = top - 4.0 * (top - 3.0 * planter.volume_ml / height)
    bottom = (0.5 * (math.sqrt(max(0.0, inner)) - math.sqrt(top))) ** 2
    return Vessel(height, top, bottom)


def _substrate(
    reader: TrialReader, vessel: Vessel, cal: Any, usual: str
) -> tuple[Substrate, list[str]]:
    """The word's curve, scaled so that the probe reads what the calibration says of the drained
    and of the wilting pot; `residual` and `saturated`, where given, are taken as they are."""
    word, given = _word(reader, "substrate", SUBSTRATES, usual)
    base = SUBSTRATES[word]
    soil: Substrate = reader.part(base, "substrate", given)
    capacity, wilting = cal.capacity_ppt / 1000.0, cal.wilting_ppt / 1000.0
    shape = replace(soil, residual=0.0, saturated=1.0)
    high, low = shape.content(vessel.probe_at_cm), shape.content(WILTING_CM)
    if "residual" in given or "saturated" in given:
        notes = []
        for what, told, suction in (
            ("capacity_ppt", capacity, vessel.probe_at_cm),
            ("wilting_ppt", wilting, WILTING_CM),
        ):
            holds = soil.content(suction)
            if abs(holds - told) > 0.03:
                notes.append(
                    f"the calibration's {what} is {1000 * told:.0f}, this substrate's at the "
                    f"probe {1000 * holds:.0f}"
                )
        return soil, notes
    span = (capacity - wilting) / (high - low)
    residual = max(0.0, wilting - low * span)
    made = reader.fitted(
        "substrate" if reader.table("substrate") else "vessel",
        lambda: replace(soil, residual=residual, saturated=residual + span),
    )
    return made or soil, []


def _hose(about: description.About) -> RigHose:
    """The pot's hose, its end where the tank's table has it."""
    told = about.line
    return RigHose(
        inner_mm=float(told.inner_mm),
        length_mm=float(told.length_mm),
        end_mm=float(about.tank.outlet_mm),
        holes=told.holes,
        hole_mm=told.hole_um / 1000.0,
        check_valve=told.valve == "check",
        siphon_break=True,
        bends=2,
    )


def _plant(crop: description.Crop, vessel: Vessel, place: Place) -> Plant:
    """The pot's plant, as the budget counts it."""
    kcb = budget.HABITS[crop.habit][0] if crop.kcb_ppt is None else crop.kcb_ppt / 1000.0
    crown = vessel.top_cm2 if crop.crown_mm is None else math.pi / 400.0 * crop.crown_mm**2
    usual = Plant(kcb=kcb, crown_cm2=crown)
    if crop.use_ml_day is None or crop.use_month is None:
        return usual
    et0_cm = 0.1 * budget.months(crop)[0][crop.use_month - 1]
    bare = usual.bare * vessel.top_cm2
    return replace(usual, crown_cm2=max(0.0, crop.use_ml_day / et0_cm - bare) / kcb)


def _cell(battery: description.Battery | None, notes: list[str]) -> Cell:
    """The pot's cell."""
    if battery is None:
        return Cell()
    kind = battery.chemistry
    if kind not in CHEMISTRIES:
        notes.append(
            f"the rig has no {kind} cell and takes lithium-ion instead: so what it says about the "
            "battery does not hold for this pot"
        )
        return Cell(capacity_mah=float(battery.capacity_mah))
    cell = usual_battery(float(battery.capacity_mah), kind, battery.cells)
    if battery.fades_ppt_month is None:
        return cell
    return replace(cell, fades_pct_month=battery.fades_ppt_month / 10.0)


def _board(folder: description.PotFolder, cal: Any) -> BoardLoad:
    """What the pot's board draws, as its folder has it."""
    about = folder.about
    assert about is not None
    told = about.board_sheet
    measured = told.currents == "measured"
    leak_ua = float(told.standing_ua or 0)
    if not measured:
        leak_ua += budget.REGULATOR_UA if told.regulator_ua is None else told.regulator_ua
        leak_ua += 1000.0 * nominal(budget.divider_ma(folder, about))
    return BoardLoad(
        sleep_ua=cal.sleep_ua or 10.0,
        awake_ma=max(0.1, cal.awake_ua / 1000.0),
        radio_ma=cal.radio_ua / 1000.0,
        leak_ua=leak_ua,
    )


STRAYS = 0.25  # up to this much a measured flow may differ from the sheet's without a note


def _pump(
    cal: Any, tank: RigTank, hose: RigHose, told: description.PumpCurve | None, notes: list[str]
) -> RigPump:
    """A pump that gives the calibrated flow from a half-full tank at 3.9 V.

    told: its sheet's curve. The measured flow is used in its place, and where they differ a note
    says so.
    """
    flow = cal.flow_ul_s / 1000.0
    level = tank.height_mm(0.5 * tank.capacity_ml)
    lift = hose.end_mm - level + hose.loss_mm(flow)
    head, rated_mv = 300.0 + 2.0 * max(lift, crest_mm(tank, hose)), MEASURED_MV
    if told is not None:
        speed = MEASURED_MV / told.rated_mv
        if told.lift_mm * speed**2 > max(1.02 * lift, crest_mm(tank, hose)):
            head, rated_mv = float(told.lift_mm), float(told.rated_mv)
        else:
            notes.append(
                f"the calibrated flow of {flow:g} ml/s needs {lift:.0f} mm of lift through this "
                f"hose, more than [pump] gives: a stronger one is simulated"
            )
            told = None
    speed = MEASURED_MV / rated_mv
    free = flow / math.sqrt(1.0 - max(0.0, lift) / (head * speed**2)) / speed
    if told is not None and abs(1000.0 * free / told.free_ul_s - 1.0) > STRAYS:
        notes.append(
            f"the calibrated flow of {flow:g} ml/s means a pump of {free:.0f} ml/s without lift, "
            f"and [pump] says {told.free_ul_s / 1000:g}: the measured one is simulated"
        )
    running = max(1.0, cal.pump_ua / 1000.0)
    dry = 0.37 * running  # own assumption; less than the pot's dry_ma where it has one
    stalled = 2.5 * running
    if told is not None and told.stalled_ua is not None:
        stalled = told.stalled_ua / 1000.0
    return RigPump(
        head_mm=head,
        flow_ml_s=free,
        rated_mv=rated_mv,
        turns_mv=min(RigPump.turns_mv, rated_mv),
        running_ma=running,
        dry_ma=max(1.0, dry),
        stalled_ma=stalled,
        start_ma=stalled,
    )


def _weak(
    in_force: Any, tank: RigTank, pump: RigPump, hose: RigHose, cell: Cell, board: BoardLoad
) -> list[str]:
    """A note if the core may start the pump where it lifts nothing over the crest: the lowest
    cell (R5), under load, and the lowest tank (R4) that it lets pass."""
    limits, settings = in_force.limits, in_force.settings
    load_ma = pump.running_ma + board.awake_ma
    low_mv = max(limits.rest_mv, settings.battery_mv) - 0.001 * load_ma * cell.resistance_mohm
    lifts = pump.lift_mm(0.0, low_mv / pump.rated_mv) if low_mv >= pump.turns_mv else 0.0
    least_ml = max(limits.reserve_ml, settings.reserve_ml)
    lift = crest_mm(tank, hose) - tank.height_mm(least_ml)
    if lifts > lift:
        return []
    return [
        f"at {volts(low_mv, fine=True)}, as low as the cell may be for the pump, it lifts "
        f"{lifts:.0f} mm; from the least water it may draw from to the crest are {lift:.0f} mm"
    ]


def _shunt(cal: Any) -> float:
    if cal.current is None:
        return 0.0
    (low_ma, low), (high_ma, high) = (
        fitted.turned(cal.current.points)[0],
        fitted.turned(cal.current.points)[-1],
    )
    return (high - low) / (high_ma - low_ma)


def _word(
    reader: TrialReader, key: str, known: Mapping[str, Any], usual: str
) -> tuple[str, dict[str, Any]]:
    """(the table's word, the rest of the table)."""
    given = dict(reader.table(key))
    word = given.pop("word", usual)
    if word not in known:
        allowed = ", ".join(known)
        reader.problem(f"{key}.word = {show(word)}: allowed {allowed}; correct it", key, "word")
        return usual, given
    return word, given


def _owner(reader: TrialReader) -> Owner:
    """[owner]: a delay of false means never."""
    given = {
        name: math.inf if value is False and name.endswith("_days") else value
        for name, value in reader.table("owner").items()
    }
    never = {name: value for name, value in given.items() if value == math.inf}
    usual = reader.part(Owner(), "owner", {n: v for n, v in given.items() if n not in never})
    known = {name for name in never if name in Owner.__dataclass_fields__}
    for name in sorted(set(never) - known):
        text = f"{show_key('owner', name)} = false: not a name of [owner]; "
        reader.problem(text + nearest(name, Owner.__dataclass_fields__), "owner", name)
    owner: Owner = replace(usual, **dict.fromkeys(known, math.inf))
    return owner


def _rows(reader: TrialReader, key: str, names: tuple[str, ...]) -> list[dict[str, Any]]:
    """The tables of a list such as [[fault]], names checked."""
    value = reader.file.data.get(key, [])
    if not isinstance(value, list) or not all(isinstance(row, dict) for row in value):
        reader.problem(f"{key} = {show(value)}: allowed a list of tables, [[{key}]]", key)
        return []
    rows = []
    for number, row in enumerate(value, 1):
        good = True
        for name, found in row.items():
            if name not in names:
                text = f"{show_key(name)} = {show(found)}: not a name; {nearest(name, names)}"
                reader.row_problem(key, number, name, text)
                good = False
            elif name in ("kind", "does"):
                if not isinstance(found, str):
                    reader.row_problem(key, number, name, f"{name} = {show(found)}: allowed a word")
                    good = False
            elif not _is_number(found) and found != math.inf:
                reader.row_problem(key, number, name, f"{name} = {show(found)}: allowed a number")
                good = False
        if good:
            rows.append({"number": number, **row})
    return rows


def _faults(reader: TrialReader, days: float) -> tuple[Fault, ...]:
    """[[fault]]: kind, from_day, to_day, probability, amount."""
    found = []
    for row in _rows(reader, "fault", ("kind", "from_day", "to_day", "probability", "amount")):
        begin = row.get("from_day", 0.0)
        end = row.get("to_day", math.inf)
        number = row["number"]
        if not 0 <= begin < days:
            text = (
                f"from_day = {show(begin)}: allowed 0 to {days:g}, the trial's length; correct it"
            )
            reader.row_problem("fault", number, "from_day", text)
        elif not end > begin:
            text = f"to_day = {show(end)}: allowed more than from_day, {begin:g}; correct it"
            reader.row_problem("fault", number, "to_day", text)
        else:
            try:
                found.append(
                    Fault(
                        row.get("kind", ""),
                        begin * DAY_S,
                        end * DAY_S,
                        float(row.get("probability", 1.0)),
                        None if row.get("amount") is None else float(row["amount"]),
                    )
                )
            except Impossible as no:
                name = no.key.rpartition(".")[2]
                text = f"{name} = {show(no.value)}: allowed {no.allowed}; correct it"
                reader.row_problem("fault", number, name, text)
    return tuple(found)


def _visits(reader: TrialReader, days: float) -> tuple[Visit, ...]:
    """[[visit]]: does, day, hour, amount."""
    found = []
    for row in _rows(reader, "visit", ("does", "day", "hour", "amount")):
        number, day, hour = row["number"], row.get("day", -1), row.get("hour", 9.0)
        if not 0 <= day < days or not 0 <= hour < 24:
            text = (
                f"day = {show(day)}, hour = {show(hour)}: allowed 0 to {days:g} days and 0 to 24 "
            )
            reader.row_problem("visit", number, "day", text + "hours; correct it")
            continue
        try:
            found.append(Visit(row.get("does", ""), day * DAY_S + hour * 3600.0, row.get("amount")))
        except Impossible as no:
            name = {"act": "does"}.get(no.key.rpartition(".")[2], "amount")
            text = f"{name} = {show(no.value)}: allowed {no.allowed}; correct it"
            reader.row_problem("visit", number, name, text)
    return tuple(found)
