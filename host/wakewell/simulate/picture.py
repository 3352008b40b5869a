"""The picture of a simulated run: the pictures of a pot's page, with values that only a rig knows.

What belongs here: the truth beside the readings, faults, who came. What does not: making a run
(one_run.py), what a pot's pictures show and how they look (report/).
"""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from pathlib import Path

from wakewell import drawing
from wakewell.budget.forecast import Forecast
from wakewell.errors import BadInput
from wakewell.log import series
from wakewell.log.logs import day_text
from wakewell.log.times import EPOCH_S, Calendar
from wakewell.report import pictures, plots
from wakewell.report.pictures import Picture
from wakewell.rig.pot import DAY_S
from wakewell.simulate.one_run import History, TrialResult, write_log
from wakewell.units import water

NO_FORECAST = Forecast("", why_not="a simulated run has ended")
LEGEND = "Line: as the pot read it. Dotted: as it truly was."


def save(result: TrialResult, path: Path) -> None:
    """Draw the run into a file whose ending names the form, png or svg.

    The result must have been run with its history and its log. Raises OSError or BadInput.
    """
    drawn = plots.together(draw(result), heading(result), drawing.form_of(path))
    path.write_bytes(drawn)


def heading(result: TrialResult) -> list[str]:
    """The title, and what came of it."""
    trial, now = result.trial, result.numbers()
    last = day_text(trial.begins + int(result.days))
    came = f"{result.verdicts.doses} waterings, {water(now['pumped_ml'])} truly pumped; "
    came += f"wilting {now['wilting_days']:.1f} days, "
    came += f"waterlogged {now['waterlogged_days']:.1f} days"
    return [
        trial.title,
        f"Simulated, {day_text(trial.begins)} to {last}, seed {result.seed}. {LEGEND}",
        came + (f"; STOPPED EARLY: {result.stopped[:60]}" if result.stopped else ""),
    ]


def draw(result: TrialResult) -> list[Picture]:
    """The pictures, from the log that the run left; the pot may not know the true time of each
    wake.

    Raises BadInput where there is no wake.
    """
    kept = result.history
    assert kept is not None
    with tempfile.TemporaryDirectory(prefix="wakewell-") as folder:
        path = write_log(result, Path(folder))
        log = series.read(result.trial.name, Path(folder), [path])
    if not log.wakes:
        raise BadInput(f"{result.trial.name}: there is no wake to draw; give the trial more days")
    calendar = Calendar("UTC")
    began_s = EPOCH_S + result.trial.begins * DAY_S
    true = dict(zip(kept.n, kept.day, strict=True))
    for wake in log.wakes:
        wake.time_s = wake.wall_s = began_s + true[wake.n] * DAY_S
    series.find_gaps(log)
    log.doses = series.doses(log)
    found = pictures.pictures(log, calendar, NO_FORECAST, NO_FORECAST)
    add_truth(found, kept, began_s)
    add_company(found, result, began_s)
    add_dark(found, kept, pictures.ms(began_s + result.days * DAY_S))
    return found


def add_truth(found: Sequence[Picture], kept: History, began_s: float) -> None:
    """How soil, tank and battery truly were."""
    true = {
        "soil": ([ppt / 10.0 for ppt in kept.soil_ppt], 3.0, 1.0),
        "tank": ([ml / 1000.0 for ml in kept.tank_ml], 0.0, 0.0),
        "battery": ([mv / 1000.0 for mv in kept.rest_mv], 0.08, 0.1),
    }
    for picture in found:
        if picture.key not in true:
            continue
        values, room, step = true[picture.key]
        rows: list[pictures.Row] = [
            (began_s + day * DAY_S, v) for day, v in zip(kept.day, values, strict=True)
        ]
        picture.rows["truth"] = pictures.as_rows(pictures.thin(rows), 3)
        low, high = picture.domain
        if step:
            more = pictures.around(values, room, step)
            picture.domain = (min(low, more[0]), max(high, more[1]))
        else:
            picture.domain = (low, max(high, 1.08 * max(values)))


def add_company(found: Sequence[Picture], result: TrialResult, began_s: float) -> None:
    """Faults as long as they lasted, and what people did."""
    (events,) = (picture for picture in found if picture.key == "events")
    bars, marks = events.rows["bars"], events.rows["marks"]
    for fault in result.pot.faults.happening:
        start_s, end_s = fault.start_s, min(fault.end_s, result.days * DAY_S)
        if start_s < end_s:
            t, u = (pictures.ms(began_s + s) for s in (start_s, end_s))
            row = {"row": f"fault: {fault.kind}", "t": t, "u": u, "w": fault.kind, "k": "faults"}
            bars.append(row)
    for at_s, act in result.people.done:
        marks.append({"row": "somebody came", "t": pictures.ms(began_s + at_s), "w": act})
    pictures.in_rows(events)


def add_dark(found: Sequence[Picture], kept: History, end: int) -> None:
    """Why there is no record: the cell could not carry the board."""
    for picture in found:
        for gap in picture.rows["gaps"]:
            gap["w"] = "no wakes"
        if kept.n[-1] is None:
            last = picture.rows["span"][0]["u"]
            picture.rows["gaps"] = [
                *picture.rows["gaps"], {"t": last, "u": end, "w": "no more wakes"},
            ]  # fmt: skip
            picture.reach = end
