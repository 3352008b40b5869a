"""The picture of a simulated run: soil, doses, tank, battery and what was asked, against time.

What belongs here: drawing one TrialResult with matplotlib. What does not: making one (one_run.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from wakecore import fields
from wakewell.log.logs import day_text
from wakewell.rig.libraries import load
from wakewell.rig.pot import DAY_S
from wakewell.simulate.one_run import History, TrialResult

EPOCH = datetime(2000, 1, 1)
INK, FAINT = "#222222", "#8a8a8a"
SOIL, WATER, CELL, ALARM, ASKED = "#6b4f2a", "#1f6f9f", "#4a7a35", "#b3261e", "#c77d0a"
PANELS = (3.0, 1.6, 1.8, 1.8)
ROW = 0.28  # height of a row of the last panel, in the same measure


def save(result: TrialResult, path: Path) -> None:
    """Draw the run into a file whose ending names the form (png, svg, pdf).

    The result must have been run with its history. Raises OSError or ValueError of the writer.
    """
    draw(result).savefig(path, dpi=110)


def draw(result: TrialResult) -> Any:
    """The picture as a matplotlib Figure."""
    figure_module, dates = load("matplotlib.figure"), load("matplotlib.dates")
    kept = result.history
    assert kept is not None
    begin = EPOCH + timedelta(days=result.trial.begins)
    when = [begin + timedelta(days=day) for day in kept.day]
    rows = _rows(kept, result.days)
    heights = [*PANELS, ROW * max(2, len(rows)) + 0.2]
    figure = figure_module.Figure(figsize=(11.0, 1.2 + sum(heights)), layout="constrained")
    panels = figure.subplots(len(heights), 1, sharex=True, height_ratios=heights)
    figure.suptitle(_title(result), x=0.01, ha="left", fontsize=12, color=INK)
    _soil(panels[0], when, kept, result)
    _faults(panels[0], begin, result)
    _gaps(panels, begin, kept)
    _doses(panels[1], begin, kept, result)
    _tank(panels[2], when, kept, result)
    _cell(panels[3], when, kept, result)
    _asked(panels[4], begin, rows)
    for axes in panels:
        axes.spines[["top", "right"]].set_visible(False)
        axes.tick_params(labelsize=8, colors=INK)
        axes.grid(axis="x", color="#e4e4e4", linewidth=0.6)
        axes.set_axisbelow(True)
        for day, act in result.people.done:
            if act in ("water by hand", "fill the tank", "charge the battery"):
                axes.axvline(
                    begin + timedelta(seconds=day), color=FAINT, linewidth=0.7, linestyle=":"
                )
    panels[0].set_xlim(begin, begin + timedelta(days=result.days))
    locator = dates.AutoDateLocator()
    panels[-1].xaxis.set_major_locator(locator)
    panels[-1].xaxis.set_major_formatter(dates.ConciseDateFormatter(locator, show_offset=False))
    return figure


def _title(result: TrialResult) -> str:
    seen, now, trial = result.verdicts, result.numbers(), result.trial
    last = day_text(trial.begins + int(result.days))
    text = f"{trial.title}  (simulated, {day_text(trial.begins)} to {last}, seed {result.seed})\n"
    text += f"{seen.doses} waterings, {now['pumped_ml'] / 1000.0:.1f} l; "
    text += (
        f"wilting {now['wilting_days']:.1f} days, waterlogged {now['waterlogged_days']:.1f} days"
    )
    return text + (f"; STOPPED EARLY: {result.stopped[:60]}" if result.stopped else "")


def _faults(axes: Any, begin: datetime, result: TrialResult) -> None:
    """The windows of the faults that happened, named at the panel's foot."""
    for fault in result.pot.faults.happening:
        start, end = fault.start_s / DAY_S, min(result.days, fault.end_s / DAY_S)
        if start >= result.days:
            continue
        axes.axvspan(
            begin + timedelta(days=start), begin + timedelta(days=end), color="#f3e3c3", zorder=0
        )
        axes.annotate(
            fault.kind, (begin + timedelta(days=start), 0.13), xytext=(3, 0), fontsize=8,
            xycoords=("data", "axes fraction"), textcoords="offset points", color=INK,
        )  # fmt: skip


def gaps(kept: History) -> list[tuple[float, float]]:
    """(from the last wake before, to the next wake or the end), days, where the board was dark."""
    found: list[tuple[float, float]] = []
    last, was_dark = 0.0, False
    for day, dark in zip(kept.day, kept.dark, strict=True):
        if was_dark:
            found[-1] = (found[-1][0], day)
        elif dark:
            found.append((last, day))
        last, was_dark = day, dark
    return found


def _gaps(panels: Sequence[Any], begin: datetime, kept: History) -> None:
    """Where no wake came because the cell could not carry the board, through all panels."""
    for start, end in gaps(kept):
        where = begin + timedelta(days=start)
        for axes in panels:
            axes.axvspan(where, begin + timedelta(days=end), color="#e2e2e2", zorder=0)
        last = kept.dark[-1] and end == kept.day[-1]
        panels[0].annotate(
            "no more wakes" if last else "no wakes", (where, 0.2), xytext=(3, 0), fontsize=8,
            xycoords=("data", "axes fraction"), textcoords="offset points", color=ALARM,
        )  # fmt: skip


def _line(axes: Any, value: float, text: str, colour: str = FAINT) -> None:
    """A level across the panel, named at its right end."""
    axes.axhline(value, color=colour, linewidth=0.8, linestyle="--")
    axes.annotate(
        text, (1.0, value), xycoords=("axes fraction", "data"), xytext=(3, 0),
        textcoords="offset points", fontsize=7, va="center", color=colour,
    )  # fmt: skip


def _soil(axes: Any, when: list[datetime], kept: History, result: TrialResult) -> None:
    pot = result.trial.in_force()
    axes.plot(when, kept.soil_ppt, color=SOIL, linewidth=1.2, label="at the probe, true")
    read = [(t, ppt) for t, ppt in zip(when, kept.read_ppt, strict=True) if ppt is not None]
    axes.plot(
        [t for t, _ in read], [ppt for _, ppt in read], ".", color=WATER, markersize=2.5,
        label="as read and believed",
    )  # fmt: skip
    cal = pot.calibration
    _line(axes, cal.capacity_ppt, "capacity")
    _line(axes, fields.refill_ppt(pot.settings, cal), "refill point")
    _line(axes, cal.wilting_ppt, "wilting point", ALARM)
    axes.set_ylim(0, None)
    axes.set_ylabel("soil water, ‰", fontsize=9)
    axes.plot([], [], ":", color=FAINT, label="somebody filled, charged or watered")
    axes.legend(fontsize=7, frameon=False, loc="lower right", ncols=3)


def _doses(axes: Any, begin: datetime, kept: History, result: TrialResult) -> None:
    """Water pumped, day by day; trips as crosses."""
    days: dict[int, float] = {}
    before = 0.0
    for day, pumped in zip(kept.day, kept.dose_ml, strict=True):
        days[int(day)] = days.get(int(day), 0.0) + pumped - before
        before = pumped
    given = {day: ml for day, ml in days.items() if ml > 0.0}
    axes.bar(
        [begin + timedelta(days=day + 0.5) for day in given], list(given.values()),
        width=0.9, color=WATER,
    )  # fmt: skip
    if kept.trips:
        top = max(given.values(), default=1.0)
        axes.plot(
            [begin + timedelta(days=day) for day, _ in kept.trips], [1.08 * top] * len(kept.trips),
            "x", color=ALARM, markersize=5, label="trip",
        )  # fmt: skip
        axes.legend(fontsize=7, frameon=False, loc="upper left")
    if not given:
        axes.set_ylim(0.0, 10.0)
    axes.set_ylabel("pumped,\nml a day", fontsize=9)


def _tank(axes: Any, when: list[datetime], kept: History, result: TrialResult) -> None:
    pot, spec = result.trial.in_force(), result.trial.spec
    axes.plot(when, kept.tank_ml, color=WATER, linewidth=1.2)
    if spec.level.kind == "float":  # all that such a pot knows of its tank
        _line(axes, spec.tank.volume_ml(spec.level.float_mm), "float opens", ASKED)
    else:
        _line(axes, pot.settings.tank_warn_ml, "asks for a refill", ASKED)
        _line(axes, max(pot.settings.reserve_ml, pot.limits.reserve_ml), "reserve", ALARM)
    axes.set_ylim(0, 1.05 * spec.tank.capacity_ml)
    axes.set_ylabel("tank, ml", fontsize=9)


def _cell(axes: Any, when: list[datetime], kept: History, result: TrialResult) -> None:
    settings = result.trial.in_force().settings
    axes.plot(when, [mv / 1000.0 for mv in kept.rest_mv], color=CELL, linewidth=1.2)
    _line(axes, settings.battery_warn_mv / 1000.0, "asks for a charge", ASKED)
    _line(axes, settings.battery_mv / 1000.0, "lockout", ALARM)
    axes.set_ylabel("cell at rest, V", fontsize=9)


def _rows(kept: History, days: float) -> list[tuple[str, str, list[tuple[float, float]]]]:
    """(name, colour, spans in days) of every lockout, then of every need, in order of first."""
    rows: dict[tuple[str, str], list[tuple[float, float]]] = {}
    for colour, column in ((ALARM, kept.lockouts), (ASKED, kept.needs)):
        for number, (day, names) in enumerate(zip(kept.day, column, strict=True)):
            until = kept.day[number + 1] if number + 1 < len(kept.day) else days
            for name in names:
                spans = rows.setdefault((name, colour), [])
                if spans and spans[-1][1] >= day:
                    spans[-1] = (spans[-1][0], until)
                else:
                    spans.append((day, until))
    return [(name, colour, spans) for (name, colour), spans in rows.items()]


def _asked(
    axes: Any, begin: datetime, rows: list[tuple[str, str, list[tuple[float, float]]]]
) -> None:
    """One bar for each lockout and each need while it lasted."""
    for place, (_, colour, spans) in enumerate(rows):
        bars = [
            (begin + timedelta(days=start), timedelta(days=max(end - start, 0.5)))
            for start, end in spans
        ]
        axes.broken_barh(bars, (place - 0.35, 0.7), color=colour)
    axes.set_yticks(range(len(rows)), [name for name, _, _ in rows])
    axes.set_ylim(max(1.0, len(rows) - 0.4), -0.6)
    if not rows:
        axes.annotate("nothing was asked", (0.01, 0.5), xycoords="axes fraction", fontsize=8)
    axes.set_ylabel("lockouts\nand needs", fontsize=9)
