"""A published season as a twin's looks: soil water at visits a week apart, irrigated between.

Source: USDA Agricultural Research Service (CC0), cotton at Maricopa, Arizona, 2022, plot 10-2, from
the test data of the library pyfao56: weather, irrigation, soil water by neutron probe.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from wakewell.pot.description import Crop
from wakewell.rig.pot import PotSpec
from wakewell.rig.soil import SUBSTRATES, Plant, Vessel
from wakewell.tuning import fit, weather
from wakewell.tuning.evidence import Look
from wakewell.tuning.twin import Course

FOLDER = Path(__file__).resolve().parents[3] / "shared/data/usda-cotton-2022"
MISSING = f"{FOLDER.name}: published season not beside the project"
AREA_CM2 = 1000.0
LAYERS = 3  # of 20 cm: where most of the water moves


def rows(name: str) -> list[list[str]]:
    """The rows of a file that begin with a day."""
    text = (FOLDER / name).read_text().splitlines()
    return [row.split() for row in text if row.startswith("2022-")]


def day(word: str) -> datetime:
    year, number = word.split("-")
    return datetime(int(year), 1, 1, tzinfo=UTC) + timedelta(days=int(number) - 1)


def place(folder: Path) -> Path:
    """The season's weather as a CSV of the place."""
    file = folder / "maricopa.csv"
    lines = ["date,et0_mm,rain_mm,air_c"]
    for row in rows("cotton2022.wth"):
        mean = 0.5 * (float(row[2]) + float(row[3]))
        lines.append(f"{day(row[0]).date()},{row[10]},{row[9]},{mean}")
    file.write_text("\n".join(lines) + "\n")
    return file


def looks() -> list[Look]:
    """Visits with what was read, and days with what was poured."""
    found: dict[datetime, tuple[int | None, float]] = {}
    for row in rows("cotton2022p10-2.irr"):
        found[day(row[0]) + timedelta(hours=8)] = (None, float(row[1]) * AREA_CM2 / 10.0)
    for row in rows("cotton2022p10-2.sws"):
        layers = [float(word) for word in row[12 : 12 + LAYERS]]
        found[day(row[0]) + timedelta(hours=7)] = (round(1000 * float(np.mean(layers))), 0.0)
    first = True
    made = []
    for when, (read, poured) in sorted(found.items()):
        anew = first and read is not None
        made.append(Look(when.timestamp(), len(made), read, 20.0, poured, anew,
                         read is not None and not anew))  # fmt: skip
        first = first and read is None
    return made


def foretold(folder: Path, share: float) -> NDArray[np.float64]:
    """(read, foretold, read the visit before), ppt, of the visits after that share of the season,
    each from the visit before with the water that was poured between."""
    every = looks()
    sky = weather.measured(place(folder), Crop(stands="open"))
    soil = SUBSTRATES["loam"]
    spec = PotSpec(
        substrate=soil, vessel=Vessel(20.0 * LAYERS, AREA_CM2, AREA_CM2, saucer_ml=0.0),
        plant=Plant(kcb=0.9, crown_cm2=AREA_CM2),
    )  # fmt: skip
    visits = [look for look in every if look.counts]
    split_s = visits[round(share * len(visits))].time_s
    early = Course(spec, sky.climate, [look for look in every if look.time_s < split_s], True)
    fitted = fit.soil(early, fit.soil_priors(None, 0))
    expected, _ = Course(spec, sky.climate, every, True).run(fitted.values)
    out, last = [], 0
    for look, ppt in zip(every, expected, strict=True):
        if look.soil_ppt is None:
            continue
        if look.counts and look.time_s >= split_s:
            out.append((look.soil_ppt, float(ppt), last))
        last = look.soil_ppt
    return np.array(out)
