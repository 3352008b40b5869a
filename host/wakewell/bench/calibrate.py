"""A pot's tables from the points recorded at the bench and in the pot.

What belongs here: how each probe is fitted, what follows for flow, capacity and doses, the new
calibration.toml, the picture. What does not: the fits (fits.py), taking points (commission.py).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import tomlkit

from wakecore import fields
from wakecore.table import convert
from wakewell import drawing, extras
from wakewell.errors import BadInput
from wakewell.kept import replace, today
from wakewell.pot import chips, description, pot_folder, stage
from wakewell.pot.bench_book import Book
from wakewell.pot.parts import PROBES
from wakewell.units import soil

BENCH = "bench"  # kind of a soil point taken out of the pot
CAPACITY, REFILL = "capacity", "refill"
PICTURE = "calibration.svg"
METER = "flowmeter"
WHOLE = 6  # digits that show a stored value in full
# What people read for a stored unit: (how many of it make one, that unit)
READ = {"ppt": (10, "%"), "mV": (1000, "V"), "m°C": (1000, "°C"), "µl": (1000, "ml")}
TABLE_ML = 10_000  # more than any pump moves here in one run
LEAST_PULSES, METER_SCATTER = 30, 0.05  # own assumptions
# Two-sided 95 % quantiles of Student's t for 1 to 9 degrees of freedom (JCGM 100:2008, table G.2)
STUDENT = (12.71, 4.30, 3.18, 2.78, 2.57, 2.45, 2.36, 2.31, 2.26)


@dataclass
class Flow:
    """The flow into a cup. Microlitres a second."""

    mean: float
    sd: float
    highest: float
    runs: int

    @property
    def expanded(self) -> float:
        """Expanded uncertainty of the mean, about 95 %; infinite for one run."""
        if self.runs < 2:
            return math.inf
        return STUDENT[min(self.runs - 2, 8)] * self.sd / math.sqrt(self.runs)


@dataclass
class Calibration:
    """What is to be written: changes by file and key, and lines for a person."""

    folder: Path
    book: Book
    fits: dict[str, Any] = field(default_factory=dict)
    changes: dict[str, dict[str, Any]] = field(default_factory=dict)
    lines: list[str] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)

    def change(self, kind: str, key: str, value: Any) -> None:
        """Note a value for a file of the pot."""
        self.changes.setdefault(kind, {})[key] = value


def need_fits() -> None:
    """BadInput where the libraries of fits, an extra, are not installed."""
    try:
        import wakewell.bench.fits  # noqa: F401
    except ImportError as absent:
        raise BadInput(
            f"fitting needs the package {absent.name}: {extras.install('calibrate')}"
        ) from None


def calibrate(folder: Path, book: Book, only: list[str] | None = None) -> Calibration:
    """Fit every probe that has points. A probe that supports no fit is in `refused`."""
    need_fits()
    from wakewell.bench import fits

    pot = pot_folder.load(folder)
    if pot.about is None or "calibration" not in pot.files:
        why = pot.problems[0] if pot.problems else "not complete"
        raise BadInput(f"{folder}: {why}; run wakewell check {folder}")
    made = Calibration(folder, book)
    for name, least, most, _ in fields.PROBES:
        if only and name not in only:
            continue
        points = book.points(name)
        if name == "soil" and any(p.kind != BENCH for p in points):
            points = [p for p in points if p.kind != BENCH]
        if not points:
            continue
        outside = [p.value for p in points if not least <= p.value <= most]
        if outside:
            made.refused.append(f"{name}: {outside[0]:g}: allowed {least} to {most}")
            continue
        try:
            found = fits.fit(name, points, PROBES[name].straight, PROBES[name].stored)
        except BadInput as why:
            made.refused.append(str(why))
            continue
        made.fits[name] = found
        put_probe(made, pot, name, found)
    put_flow(made, pot, book)
    if not only or METER in only:
        put_flowmeter(made, pot, book)
    put_water(made, pot, book)
    return made


def put_probe(made: Calibration, pot: description.PotFolder, name: str, found: Any) -> None:
    """A probe's table into calibration.toml, and what to say of it."""
    from wakewell.bench import fits

    old = pot.calibration.get(name, {})
    seen = max(p.spread for p in found.points)
    spread = max(2 * seen, old.get("spread", 0))
    table = {
        "points": [list(pair) for pair in found.table],
        "rails": rails(pot, name, found.table, old.get("rails")),
        "spread": spread,
    }
    made.change("calibration", name, table)
    unit = PROBES[name].stored
    low, high = found.span
    said = found.kind
    if said != fits.TWO_POINTS:
        said = f"{len(found.points)} points, {said}"
    made.lines += [
        f"{name}: {said}; {len(found.table)} in the table, {told(low, name)} to {told(high, name)}",
        f"  uncertainty {amount(found.expanded, unit)} (k = 2); {proof(found, unit)}; "
        f"rounding to whole numbers adds {amount(found.table_error, unit)}",
    ]
    before = f"off by up to {amount(off(old['points'], found), unit)}" if old else "no table"
    left = amount(off(found.table, found), unit)
    made.lines.append(f"  as found: {before}; as left: off by up to {left}, at these points")
    if name == "soil" and all(p.kind == BENCH for p in found.points):
        made.lines.append("  from air and water only: provisional; take points in the pot")
    if name == "level" and pot.parts[name].kind != "float":
        steepest = max(
            abs(b[1] - a[1]) / (b[0] - a[0])
            for a, b in zip(found.table, found.table[1:], strict=False)
        )
        tolerance = math.ceil(spread * steepest) + 1
        if tolerance > pot.calibration.get("tolerance_ml", 0):
            made.change("calibration", "tolerance_ml", tolerance)
            made.lines.append(f"  tolerance_ml = {tolerance}: scatter of the gauge (R4, R8)")


def off(table: Any, found: Any) -> float:
    """By how much a table misses the points of a fit at most."""
    return max(abs(float(convert(table, p.counts) - p.value)) for p in found.points)


def rails(
    pot: description.PotFolder, name: str, table: list[tuple[int, int]], old: list[int] | None
) -> list[int]:
    """Counts that no sound probe gives: the old ones if they still enclose the points."""
    low, high = table[0][0], table[-1][0]
    if old and old[0] < low and high < old[1]:
        return list(old)
    part = pot.parts.get(name)
    margin = max(1, (high - low) // 4)
    found = [low - margin, high + margin]
    if part is not None and chips.ANALOG in part.uses.values() and pot.about is not None:
        chip = chips.CHIPS[pot.about.chip]
        found[0] = min(low - 1, max(found[0], 1000 * chip.least_mv - 50_000))
        found[1] = max(high + 1, min(found[1], 1000 * chip.most_mv + 50_000))
    return found


def put_flow(made: Calibration, pot: description.PotFolder, book: Book) -> None:
    """The usual flow, and the highest one, by which R3 counts."""
    rates = []
    for number, row in enumerate(book.rows("flow"), 1):
        if "void" in row:
            continue
        ran_ms, ml = row.get("ran_ms"), row.get("ml")
        if not isinstance(ran_ms, int) or not isinstance(ml, int | float) or ran_ms < 1 or ml <= 0:
            raise BadInput(f"{book.path}: flow {number}: allowed ran_ms and ml above 0; correct it")
        rates.append(1e6 * ml / ran_ms)
    if not rates:
        return
    mean = sum(rates) / len(rates)
    sd = math.sqrt(sum((r - mean) ** 2 for r in rates) / (len(rates) - 1)) if rates[1:] else 0.0
    flow = Flow(mean, sd, max(rates), len(rates))
    made.change("calibration", "flow_ul_s", round(mean))
    # R3 counts by the highest flow: seen, with the scatter on top, a twentieth at least.
    highest = math.ceil(max(flow.highest + 2.0 * sd, 1.05 * flow.highest) / 100.0) * 100
    if highest != pot.limits.get("flow_max_ul_s"):
        made.change("limits", "flow_max_ul_s", highest)
    known = f"{flow.expanded / 1000:.2g} ml/s" if flow.runs > 1 else "not known: run it again"
    made.lines.append(
        f"flow: {mean / 1000:.2f} ml/s from {len(rates)} runs, uncertainty {known} (95 %); hard "
        f"limit counts {highest / 1000:.1f} ml/s (R3)"
    )


def put_flowmeter(made: Calibration, pot: description.PotFolder, book: Book) -> None:
    """Pulses a litre, from the runs into a cup. The table goes on to TABLE_ML: the meter's table is
    a line through zero, and every pulse of the pump must lie inside it.
    """
    runs = [{"pulses": 0, **row} for row in book.rows("flow") if "void" not in row]
    if METER not in pot.parts or not runs:
        return
    rates = [1000.0 * row["pulses"] / row["ml"] for row in runs]
    mean = sum(rates) / len(rates)
    scatter = max(abs(rate / mean - 1.0) for rate in rates) if mean else 1.0
    if min(row["pulses"] for row in runs) < LEAST_PULSES or scatter > METER_SCATTER:
        told = ", ".join(f"{row['pulses']} pulses for {row['ml']:g} ml" for row in runs)
        made.refused.append(
            f"{METER}: {told}: allowed {LEAST_PULSES} pulses a run and more, and runs that agree "
            f"to {100 * METER_SCATTER:.0f} %; check its wire, its "
            "direction and for air, then measure the flow again"
        )
        return
    most = round(mean * TABLE_ML / 1000.0)
    table = {"points": [[0, 0], [most, 1000 * TABLE_ML]], "rails": [-1, 2 * most], "spread": 0}
    made.change("calibration", METER, table)
    made.lines.append(
        f"{METER}: {mean:.0f} pulses a litre from {len(runs)} runs, which agree to "
        f"{100 * scatter:.1f} %; one pulse is {1000.0 / mean:.2g} ml"
    )


def put_water(made: Calibration, pot: description.PotFolder, book: Book) -> None:
    """Capacity, refill point and the water for one part per thousand."""
    assert pot.about is not None
    values = {p.kind: p.value for p in book.points("soil") if p.kind in (CAPACITY, REFILL)}
    if CAPACITY not in values:
        return
    capacity = round(values[CAPACITY])
    wilting = pot.calibration.get("wilting_ppt", 100)
    made.change("calibration", "capacity_ppt", capacity)
    made.change("calibration", "ul_per_ppt", pot.about.planter.volume_ml)
    if REFILL in values and capacity > wilting:
        depletion = round(1000 * (capacity - values[REFILL]) / (capacity - wilting))
        if 50 <= depletion <= 950:
            made.change("settings", "depletion_ppt", depletion)
            made.lines.append(f"refill point {soil(values[REFILL])}: depletion_ppt = {depletion}")
    found = made.fits.get("soil")
    if found is None:
        return
    # The target is uncertain by U. So it stays U below capacity; otherwise water would drain.
    most = max(500, math.floor(1000 * (capacity - found.expanded) / capacity))
    if pot.settings.get("fill_ppt", 950) > most:
        made.change("settings", "fill_ppt", most)
        made.lines.append(
            f"fill_ppt = {most}: smaller doses, because soil water is known only to "
            f"{soil(found.expanded)}"
        )


def write(made: Calibration) -> list[str]:
    """Write the changes, comments kept, the old files copied. Lines that say so.

    Nothing is written if the folder then holds a problem it did not hold before.
    """
    texts: dict[str, str] = {}
    for kind, changes in made.changes.items():
        path = made.folder / f"{kind}.toml"
        document = tomlkit.parse(path.read_text(encoding="utf-8"))
        for key, value in changes.items():
            put(document, key, value)
        texts[kind] = tomlkit.dumps(document)
    old = {kind: (made.folder / f"{kind}.toml").read_text(encoding="utf-8") for kind in texts}
    pot = pot_folder.load(made.folder)
    before = {(p.file, p.text) for p in pot.problems}
    copies = {k: replace(made.folder / f"{k}.toml", t) for k, t in texts.items() if t != old[k]}
    written = pot_folder.load(made.folder)
    after = [p for p in written.problems if (p.file, p.text) not in before]
    if after:
        for kind in copies:
            (made.folder / f"{kind}.toml").write_text(old[kind], encoding="utf-8")
        raise BadInput(f"{after[0]}; nothing was written")
    if copies and "calibration" in written.files:
        stage.follow(made.book, pot, written)
    return [
        f"written: {kind}.toml, the one before is {copy}" for kind, copy in sorted(copies.items())
    ]


def put(document: Any, key: str, value: Any) -> None:
    """Set a value or a table in place, its comment kept."""
    if not isinstance(value, dict):
        document[key] = value
        return
    if key not in document:
        document[key] = tomlkit.table()
        document[key].comment(f"fitted {today().isoformat()}")
    for inner, content in value.items():
        document[key][inner] = content


def amount(value: float, unit: str, digits: int = 3) -> str:
    """A value with the unit that people read; a value too small to matter is 0. unit: as it is
    stored."""
    of, shown = READ.get(unit, (1, unit))
    return f"{round(value / of, 3):.{digits}g} {shown}".rstrip()


def told(value: float, probe: str) -> str:
    """A probe's value as people read it. value: as it is stored."""
    return amount(value, PROBES[probe].stored, WHOLE)


def proof(found: Any, unit: str) -> str:
    """How well a fit meets its own points; nothing if it goes through all of them."""
    from wakewell.bench import fits

    worst = amount(max((abs(miss) for _, miss in found.misses), default=0.0), unit)
    if found.kind == fits.TWO_POINTS:
        return "two points, so nothing checks them: take a third"
    if found.kind == fits.CURVE:
        return f"without any one point the curve is off there by {worst} at most"
    return f"largest residual {worst}"


def picture(made: Calibration, path: Path) -> None:
    """Points and fit of every probe, and what checks them, as the file's ending names it."""
    from wakewell.bench import calibration_picture

    title = f"{made.folder.resolve().name}: calibration, {today().isoformat()}"
    heading = [title, "Circles: points, with their uncertainty. Squares: the table that is stored."]
    drawn = calibration_picture.draw(made.fits, heading, drawing.form_of(path))
    path.write_bytes(drawn)
