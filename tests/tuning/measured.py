"""The measured series of three years as a twin's looks: for tests and to see the errors.

Source: A. R. Cabral (2023), Zenodo, doi:10.5281/zenodo.7948797: daily means of capacitance probes
at 7.5 cm. No weather came with it, so the typical year stands in, drawn out by the fit; a rise
is rain, as in a pot in the open whose weather nobody measured.
"""

from __future__ import annotations

import csv
import math
from datetime import UTC, datetime
from pathlib import Path

from wakewell.pot.description import Crop
from wakewell.rig.pot import PotSpec
from wakewell.rig.soil import SUBSTRATES, Plant, Vessel
from wakewell.tuning import fit, heldout
from wakewell.tuning.evidence import RISE_PPT, Look
from wakewell.tuning.heldout import HeldOut
from wakewell.tuning.twin import DAY_S, Course, usual
from wakewell.tuning.weather import typical

FILE = (
    Path(__file__).resolve().parents[3]
    / "shared/data/soil-sensor-daily/state_vars_daily_E1_E2_first.csv"
)
MISSING = f"{FILE.name}: measured series not beside the project"
COLD_C = 3.0  # below, frost may lock water away from a probe


def looks(plot: str) -> list[Look]:
    """One look a day that has a reading; rain and gaps begin the twin anew."""
    days: dict[str, dict[str, float]] = {}
    with FILE.open(newline="") as file:
        for row in csv.DictReader(file):
            if row["Experimental Plot"] == plot and row["Value"]:
                what = "water" if row["Unit"] == "%" else "celsius"
                days.setdefault(row["date"], {})[what] = float(row["Value"])
    found: list[Look] = []
    for date, day in sorted(days.items()):
        water, celsius = day.get("water", math.nan), day.get("celsius", math.nan)
        if math.isnan(water) or math.isnan(celsius) or celsius < COLD_C:
            continue
        time_s = datetime.fromisoformat(date).replace(hour=12, tzinfo=UTC).timestamp()
        ppt = round(10.0 * water)
        before = found[-1] if found else None
        anew = before is None or time_s - before.time_s > 1.5 * DAY_S
        anew = anew or ppt - (before.soil_ppt or 0 if before else 0) > RISE_PPT
        found.append(Look(time_s, len(found), ppt, celsius, 0.0, anew, not anew))
    return found


def judged(plot: str, share: float = heldout.FIRST_PART) -> HeldOut:
    """A twin of ground 15 cm deep, fitted to the first part of a plot's days, tried on the rest."""
    every = looks(plot)
    split_s = every[0].time_s + share * (every[-1].time_s - every[0].time_s)
    spec = PotSpec(substrate=SUBSTRATES["loam"], vessel=Vessel(15.0, 200.0, 200.0), plant=Plant())
    weather = typical(Crop(stands="open")).climate
    early = Course(spec, weather, [look for look in every if look.time_s < split_s], False)
    fitted = fit.soil(early, fit.soil_priors(None, 0))
    assert len(fitted.values) == len(usual())
    return heldout.judged(Course(spec, weather, every, False), fitted, split_s)
