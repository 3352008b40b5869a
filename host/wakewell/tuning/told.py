"""What a fit says, in words and as JSON: each number with its doubt and where it comes from.

What belongs here: lines for a person. What does not: any computing beyond a number's unit.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from wakewell.budget.doubt import Z90
from wakewell.log import taken
from wakewell.terminal import Bad, marked
from wakewell.tomlfile import show_path
from wakewell.tuning import evidence
from wakewell.tuning.beyond import Beyond
from wakewell.tuning.charge import CellFit
from wakewell.tuning.evidence import Evidence, many_wakes
from wakewell.tuning.fit import Fit, TankFit
from wakewell.tuning.heldout import HeldOut
from wakewell.tuning.proposals import Proposal, Proposals
from wakewell.tuning.study import Study
from wakewell.tuning.taking import Taking
from wakewell.tuning.twin import KNOBS, Course
from wakewell.tuning.weather import span_text
from wakewell.units import soil

DRAWS = 12  # twins that an interval of what follows from several numbers is taken from


@dataclass(frozen=True)
class Number:
    """A number as a person reads it: low and high, nine of ten; basis: which wakes say so.

    told: does the log say it? If not, it is what was believed before.
    """

    name: str
    text: str
    value: float
    low: float
    high: float
    unit: str
    basis: str
    told: bool = True

    def line(self) -> str:
        """One line."""
        digits = 0 if abs(self.value) >= 100 else 1 if abs(self.value) >= 10 else 2
        value, low, high = (f"{v:.{digits}f}" for v in (self.value, self.low, self.high))
        said = (
            ""
            if self.told
            else "; the log says too little about it, so this is mostly what was assumed"
        )
        unit = f" {self.unit}" if self.unit else ""
        return f"{self.text}: {value}{unit}, {low} to {high} ({self.basis}{said})"


def numbers(found: Fit) -> list[Number]:
    """Every fitted number."""
    rows = [*_of_soil(found)]
    if found.tank is not None:
        rows += _of_tank(found.tank)
    if found.cell is not None:
        rows += _of_cell(found, found.cell)
    return rows


def _times(found: Fit, name: str, scale: float) -> tuple[float, float, float]:
    """A factor's (middle, low, high), times what the folder has."""
    value, doubt = found.at(name)
    low, high = (scale * math.exp(value + side * Z90 * doubt) for side in (-1.0, 1.0))
    return scale * math.exp(value), low, high


def _of_soil(found: Fit) -> Iterator[Number]:
    span, soil = found.evidence, found.soil
    counted = [look.n for look in span.looks if look.counts]
    drying = f"{len(counted)} readings in {many_wakes(counted)}"
    waterings = f"{len(span.waterings)} waterings, {many_wakes(span.waterings)}"
    uses, through = _follows(found)
    yield Number("water_day_ml", "water used a day, mean of this log", *uses, "ml", drying)
    for name, text in (("drying", "drying, times what pot.toml says"),):
        yield Number(name, text, *_times(found, name, 1.0), "", drying, soil.told(name))
    swing, doubt = soil.at("swing")
    yield Number(
        "swing", "crop factor at midsummer, times that at the year's mean",
        math.exp(swing), math.exp(swing - Z90 * doubt), math.exp(swing + Z90 * doubt), "",
        f"wakes {span.first} to {span.last}, {span.days:.0f} days", soil.told("swing"),
    )  # fmt: skip
    volume = found.spec.vessel.volume_ml
    yield Number(
        "ml_per_percent", "water for one per cent of soil water",
        *_times(found, "holds", volume / 100.0), "ml", waterings, soil.told("holds"),
    )  # fmt: skip
    hours = found.spec.substrate.even_s / 3600.0
    yield Number(
        "answer_h", "time for a dose to reach the probe", *_times(found, "slow", hours), "h",
        waterings, soil.told("slow"),
    )  # fmt: skip
    yield Number(
        "through", "share of the water that runs through", *through, "%", waterings,
        soil.told("bulb"),
    )  # fmt: skip
    drift, doubt = soil.at("drift")
    yield Number(
        "drift", "drift of the probe in a hundred days, soil water", drift / 10,
        (drift - Z90 * doubt) / 10, (drift + Z90 * doubt) / 10, "%",
        f"wakes {span.first} to {span.last}", soil.told("drift"),
    )  # fmt: skip


def _follows(found: Fit) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
    """(water a day in ml, share run through in %), each middle, low, high, by a few twins."""
    course = Course(found.spec, found.weather.climate, found.looks, found.weather.known)
    uses, shares = [], []
    for values in (found.soil.values, *found.soil.draws(DRAWS)):
        _, pot = course.run(values)
        tally = pot.tally
        uses.append((tally.transpired_ml + tally.evaporated_ml) / max(1.0, found.evidence.days))
        shares.append(100.0 * (tally.percolated_ml - tally.drawn_back_ml) / max(
            1.0, tally.poured_ml + tally.rain_ml))  # fmt: skip
    results = []
    for row in (uses, shares):
        wide = Z90 * float(np.std(row[1:], ddof=1))
        results.append((row[0], max(0.0, row[0] - wide), row[0] + wide))
    return results[0], results[1]


def _of_tank(tank: TankFit) -> Iterator[Number]:
    basis = f"{len(tank.wakes)} falls of the level, {many_wakes(tank.wakes)}"
    for name, text, (value, doubt), scale, unit in (
        ("flow_ml_s", "flow of the pump", tank.flow_ml_s, 1.0, "ml/s"),
        ("ageing", "change of the flow in a hundred days", tank.ageing, 100.0, "%"),
        ("evaporates", "lost by the tank itself a day", tank.evaporates_ml_day, 1.0, "ml"),
        ("poured", "water by the level, for each ml that the core counted", tank.poured, 1.0, "ml"),
    ):
        low, high = scale * (value - Z90 * doubt), scale * (value + Z90 * doubt)
        yield Number(name, text, scale * value, low, high, unit, basis)


def _of_cell(found: Fit, cell: CellFit) -> Iterator[Number]:
    basis = f"rest voltages of wakes {cell.wakes[0]} to {cell.wakes[1]}"
    value, doubt = cell.used_day_mah
    yield Number(
        "mah_day", "charge used a day", value, value - Z90 * doubt, value + Z90 * doubt, "mAh",
        basis,
    )  # fmt: skip
    board = found.spec.board
    for name, text, (log, doubt), scale, unit in (
        ("asleep_ua", "current asleep", cell.asleep, board.sleep_ua + board.leak_ua, "µA"),
        ("awake_ma", "current awake", cell.active, board.awake_ma, "mA"),
        ("radio_ma", "current on the radio", cell.active, board.radio_ma, "mA"),
        ("pump_ma", "current of the pump", cell.active, found.spec.pump.running_ma, "mA"),
        ("capacity", "what the cell holds", cell.capacity, found.spec.cell.capacity_mah, "mAh"),
        ("light", "light on the panel, of the typical year's", cell.sun, 100.0, "%"),
    ):
        if name == "light" and not found.spec.panel.peak_mw:
            continue
        low, high = (scale * math.exp(log + side * Z90 * doubt) for side in (-1.0, 1.0))
        yield Number(name, text, scale * math.exp(log), low, high, unit, basis)


def lines(study: Study) -> Iterator[str]:
    """The fits of a pot's log, for a person."""
    log = study.log
    dates = span_text(log.wakes[0].time_s, log.wakes[-1].time_s) if log.true_dates else "no dates"
    yield f"{log.title}: {len(log.wakes)} wakes, {dates}"
    yield f"  weather  {study.weather.text}"
    if study.pool is not None:
        yield f"  pooled   {study.pool.text()}"
    if len(study.spans) > 1:
        yield f"  spans    the calibration changed: {len(study.spans)} spans, each fitted by itself"
    for found in study.fits:
        yield from fit_lines(found)
    for span, lacks in study.lacks:
        yield marked(f"  not fitted  {_span(span)}", study.now is None)
        for lack in lacks:
            yield f"           {lack}"
    if study.held is not None:
        yield from held_lines(study.held)
    elif study.not_held:
        yield f"  not checked  {study.not_held}"
    if study.now is not None and study.spans[-1] is not study.now.evidence:
        yield "  twin     of the span before the last, because the last one is too short"


TOTALS = {
    "waterings": ("waterings", ""),
    "water_week_ml": ("water a week", " ml"),
}
LIVED = {
    "waterings": ("waterings so far", ""),
    "level_ml": ("water in the tank", " ml"),
    "battery_mv": ("battery at rest", " mV"),
}


def held_lines(held: HeldOut) -> Iterator[str]:
    """How the twin of the first part did on the rest."""
    yield f"  held out wakes {held.first} to {held.last}, foretold from what came before"
    yield "           days ahead  readings     twin  same as yesterday  straight line  in the band"
    for one in held.horizons:
        yield (
            f"           {one.days:>10}  {one.count:>8}  {soil(one.twin):>7}  "
            f"{soil(one.same):>17}  {soil(one.line):>13}  {100 * one.held:>9.0f} %"
        )
    yield "           (mean error of soil water; 90 % of the readings should lie in the band)"
    for name, was, middle, low, high in held.totals:
        text, unit = TOTALS[name]
        foretold = f"{middle:.0f}{unit}, {low:.0f} to {high:.0f}, foretold"
        yield f"           {text}: {foretold}; it was {was:.0f}"
    for name, rows in held.lived.items():
        text, unit = LIVED[name]
        off = sum(abs(was - middle) for _, _, was, middle, _, _ in rows) / len(rows)
        inside = sum(low <= was <= high for _, _, was, _, low, high in rows)
        yield (
            f"           {text}, day by day, wakes {rows[0][1]} to {rows[-1][1]}: off by "
            f"{off:.{0 if unit else 1}f}{unit} on average, "
            f"{inside} of {len(rows)} days in the 90 % band"
        )
    if held.why:
        yield Bad(f"  FAILED   its own check: {held.why}; nothing is proposed from it")
    else:
        by = ", by the water that it had: it dried for too few days" if held.too_few else ""
        yield f"  passed   its own check{by}"


def beyond_lines(found: Beyond, dated: bool) -> Iterator[str]:
    """What comes after the wake where the record ends being comparable."""
    when = f" ({span_text(found.time_s, found.time_s)})" if dated else ""
    yield (
        f"  FORETOLD from wake {found.wake}{when} on by the pot's twin, not recorded: "
        f"{found.days:.0f} days,"
    )
    yield f"           {found.draws} draws, 90 % in brackets; weather: {found.weather}"
    yield f"           {'':<36}{'as it is set':>26}{'as asked':>26}"
    for _name, text, kept, tried in found.rows:
        cells = [f"{m:.0f} ({low:.0f} to {high:.0f})" for m, low, high in (kept, tried)]
        yield f"           {text:<36}{cells[0]:>26}{cells[1]:>26}"


# Of a proposal: (quantity, in words, unit)
EFFECT = (
    ("stressed_days", "days short of water", ""),
    ("visits", "visits", ""),
    ("saucer_ml", "through the saucer", " ml"),
    ("used_mah", "charge", " mAh"),
    ("water_week_ml", "water a week", " ml"),
    ("waterings", "waterings", ""),
    ("soil_ppt", "mean soil reading", taken.PERCENT),
    ("swing_ppt", "its swing", taken.PERCENT),
    ("lockouts", "lockouts", ""),
)
WORSE = {name: text for name, text, _ in EFFECT} | {
    "wilting_days": "days wilting", "airless_days": "days without air at the roots",
    "floor_ml": "water on the floor",
}  # fmt: skip
BRIEF = 4  # of those that every proposal tells


def proposal_lines(found: Proposals) -> Iterator[str]:
    """What may be changed, and what would come of it."""
    yield (
        f"  proposed {found.tried} sets of settings tried; those below have lived {found.days:.0f} "
        f"days on the rig,"
    )
    yield (
        f"           {found.draws} times each, by the fit to wakes {found.first} to {found.last}"
    )
    now = found.rows[0]
    for number, one in enumerate(found.rows):
        mark = "  <- recommended" if number == found.best else ""
        yield f"    {number + 1}  {one.kind}{mark}"
        if one.changes:
            yield f"       {changes_text(one)}"
        for name, text, unit in EFFECT:
            middle, low, high = one.effect[name]
            moved = one is not now and abs(one.against[name][0]) > 0.05 * max(1.0, abs(middle))
            if name in [row[0] for row in EFFECT[:BRIEF]] or moved:
                more = f"; {_against(one.against[name], unit)}" if one is not now else ""
                best, least, most = (taken.shown(v, unit) for v in (middle, low, high))
                yield f"         {text}: {best}{unit}, {least} to {most}{more}"
        if one.matters:
            share = ", then ".join(
                f"{name} ({100.0 * min(1.0, lost):.0f} % of the gain is lost without it)"
                for name, lost in one.matters
            )
            yield f"         matters most: {share}"
        quick = ", ".join(f"{text} {one.quick[name]:.0f}{unit}" for name, text, unit
                          in EFFECT[:BRIEF])  # fmt: skip
        yield f"         the quick twin of the search said: {quick}"
    if found.best == 0:
        yield "    nothing that was found is surely better: leave it"
    for kind, name in found.fell:
        why = f"on the rig there was more of this: {WORSE[name]}" if name else "no gain on the rig"
        yield f"    not proposed: {kind}: {why}"
    for name, was, tried, less in found.held_by:
        yield (
            f"    the hard limit {name} = {was} holds this pot back: with {tried} it would be "
            f"short of water for {less:.0f} days less;"
        )
        yield "    no proposal changes it: limits.toml and a flash by cable can"
    for text in found.origin:
        yield f"    from     {text}"


def outcome_lines(study: Study) -> Iterator[str]:
    """How the proposals that were taken came out. Raises BadInput."""
    for one in taken.outcomes(study.folder.path, study.log):
        yield f"  taken    {one.text()}"
        for row in one.rows:
            yield f"           {row.line()}"


def taken_lines(done: Taking, folder: str) -> Iterator[str]:
    """What was written, and what to do next."""
    if done.copy is None:
        yield f"  taken    '{done.proposal.kind}': settings.toml stays; what was foretold is noted"
        return
    values = ", ".join(f"{name} = {value}" for name, value in done.written.items())
    yield f"  taken    '{done.proposal.kind}': settings.toml has {values}"
    yield f"           the old one is {show_path(str(done.copy))}; nothing went to the board yet:"
    asked = " ".join(f"{name}={value}" for name, value in done.written.items())
    yield f"           wakewell flash {folder}, or wakewell ask {folder} {asked}"


def changes_text(one: Proposal) -> str:
    """Each changed setting, as it is and as proposed."""
    return ", ".join(f"{name} {was} -> {now}" for name, (was, now) in one.changes.items())


def _against(row: tuple[float, float, float], unit: str) -> str:
    middle, low, high = (taken.shown(value, unit, "+") for value in row)
    return f"against leaving it {middle} ({low} to {high})"


def _span(span: Evidence) -> str:
    return f"wakes {span.first} to {span.last}, {span.days:.0f} days"


def fit_lines(found: Fit) -> Iterator[str]:
    """One fit."""
    span = found.evidence
    off = f"readings scatter by {soil(found.soil.scatter_ppt)} of soil water about it"
    yield f"  fitted   {_span(span)}; {off}"
    for number in numbers(found):
        yield f"    {number.line()}"
    for why in evidence.reasons(span):
        yield f"  left out {why}"
    if found.cell is None:
        yield "  no cell  its charge is not fitted: mains, no known curve, or too few voltages"
    if found.tank is None:
        yield "  no tank  flow and evaporation are not fitted: a float switch, or too few falls"
    for text in found.odd:
        yield Bad(f"  ODD      {text}")


def as_json(study: Study) -> dict[str, Any]:
    """The same for a machine."""
    return {
        "name": study.log.title,
        "weather": study.weather.text,
        "fits": [
            {
                "first": found.evidence.first,
                "last": found.evidence.last,
                "days": found.evidence.days,
                "scatter_ppt": found.soil.scatter_ppt,
                "numbers": {n.name: {k: v for k, v in vars(n).items() if k != "name"}
                            for n in numbers(found)},
                "knobs": {knob.name: dict(zip(("value", "doubt"), found.at(knob.name),
                                              strict=True)) for knob in KNOBS},
                "left_out": found.evidence.left_out,
                "odd": found.odd,
            }
            for found in study.fits
        ],
        "held_out": None if study.held is None else asdict(study.held),
        "not_fitted": [
            {"first": span.first, "last": span.last, "lacks": lacks} for span, lacks in study.lacks
        ],
    }  # fmt: skip
