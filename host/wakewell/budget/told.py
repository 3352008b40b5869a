"""A budget in sentences and as one JSON object.

What belongs here: what is printed, cautions, rounding for people. What does not: any calculation.
"""

from __future__ import annotations

import math
import textwrap
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from typing import Any

from wakewell import units
from wakewell.budget.course import Answer, Lasting
from wakewell.pot import description
from wakewell.terminal import Bad, marked
from wakewell.tomlfile import show_path
from wakewell.units import water

from . import course, sizing, sun
from .doubt import Doubt, contributors, interval, nominal, standard
from .inputs import STANDING_MA, Inputs
from .logged import Logged
from .sizing import Size

WIDTH = 96
NO_BREAK = "\u00a0"  # a space at which no line ends
MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August",
    "September", "October", "November", "December",
)  # fmt: skip
MOST_SHOWN = 4  # contributors, changes


@dataclass(frozen=True)
class Budget:
    """Everything that one run of the command found out. What was not asked for is empty.

    inputs: as noted, from which tank and cell count; now: the same with what is left today, from
    which all advice counts; ran_out: when "tank" or "battery" had ended before today.
    """

    folder: description.PotFolder
    inputs: Inputs
    today: date
    now: Inputs
    ran_out: dict[str, date]
    tank: Lasting
    cell: Lasting | None
    until: date | None = None
    tank_until: Answer | None = None
    cell_until: Answer | None = None
    away: int | None = None
    sizes: list[Size] = field(default_factory=list)
    log: Logged | None = None
    scenarios: list[tuple[str, Lasting]] = field(default_factory=list)
    sunned: sun.Sunned | None = None


def made(folder: description.PotFolder, inputs: Inputs, today: date, until: date | None,
         away: int | None, log: Logged | None = None) -> Budget:  # fmt: skip
    """Work it all out."""
    has_cell = inputs.cell_mah > 0.0
    now, ran_out = course.today(inputs, today)
    tank_until = cell_until = None
    sunned = sun.made(folder, now)
    by_light = sunned is not None and bool(sunned.enough)
    if until is not None:
        tank_until = course.answer(now.tank_ml, now.full_ml, course.tank(now), today, until)
        if has_cell and not inputs.mains and not by_light:
            full = inputs.cell_mah * inputs.cell_true
            cell_until = course.answer(now.charge_mah, full, course.cell(now), today, until)
    return Budget(
        folder,
        inputs,
        today,
        now,
        ran_out,
        course.tank_life(inputs),
        course.cell_life(inputs) if has_cell else None,
        until,
        tank_until,
        cell_until,
        away,
        sizing.sizes(folder, inputs, away) if away else [],
        log,
        scenarios(folder, now, log),
        sunned,
    )


def scenarios(
    folder: description.PotFolder, now: Inputs, log: Logged | None = None
) -> list[tuple[str, Lasting]]:
    """[(what if, how long the tank then lasts from today)]."""
    found, settings = [], folder.settings
    if now.rain_cm2:
        found.append(("without rain", course.tank_life(replace(now, rain_cm2=0.0))))
    if settings["upkeep_ml"]:
        day_ml = settings["upkeep_ml"] / settings["upkeep_days"]
        what = (
            f"on upkeep doses, {water(settings['upkeep_ml'])} every {settings['upkeep_days']} days"
        )
        fall = course.Decline(
            lambda month: day_ml, lambda month: now.reserve_ml, least=now.reserve_ml
        )
        found.append((what, course.life(now.tank_ml, fall, now.start)))
    if log is not None and log.use_ml_day and log.high_ml_day:
        more = replace(now, wasted=now.wasted * max(1.0, log.high_ml_day / log.use_ml_day))
        found.append(("at the use of the thirstiest tenth of its log", course.tank_life(more)))
    return found


def soil_days(now: Inputs, end: date) -> float:
    """How long the soil's own water carries the plant once the tank is empty."""
    return nominal(now.soil_ml) / max(0.1, nominal(now.water_day_ml(end.month - 1)))


def year_parts(inputs: Inputs) -> list[tuple[str, Doubt]]:
    """[(what, mAh a day on a year's mean)], the largest first, self-discharge of a full cell
    included."""
    months = [inputs.charge_day_mah(month) for month in range(12)]
    found = {name: sum(part[name] for part in months) / 12.0 for name in months[0]}
    if inputs.cell_mah:
        found["self-discharge"] = inputs.cell_mah * inputs.cell_true * inputs.fades_day
    rows = [(name, part) for name, part in found.items() if nominal(part) > 0.0]
    return sorted(rows, key=lambda row: -nominal(row[1]))


def cautions(found: Budget) -> list[str]:
    """What to mind, for what this pot has."""
    told = found.folder.about
    assert told is not None
    rows = []
    if told.battery and told.battery.is_lithium:
        rows.append(
            "lithium cell: charging and discharging limits are those of its data sheet and IEC "
            "62133-2, never charged below 0 °C; it needs a protection circuit, and a fuse "
            f"{sizing.FUSE_PLACE}"
        )
    if told.battery and told.battery.is_nickel:
        rows.append(
            "nickel battery: charging limits are those of its data sheet, never below 0 °C, "
            f"with a charger for {told.battery.cells} in series that ends by itself; a short makes "
            f"its leads hot at once: a fuse {sizing.FUSE_PLACE}"
        )
    rows.append(
        "water: board, cell and plugs sit above the highest water and the hose is tied down; a "
        "larger tank also spills more: check what is below it"
    )
    if told.panel is not None:
        rows.append(
            "panel: its charger must be made for this battery and must not charge it below 0 "
            "degrees (the cell maker's sheet first, IEC 62133-2); connect the panel last and cover "
            "it while you work on the leads, for light cannot be switched off; tie it down"
        )
    if found.inputs.mains:
        rows.append(
            "mains charger: on the dry side, extra-low voltage only to the pot; local codes and a "
            "licensed electrician come first"
        )
    return rows


def development(inputs: Inputs) -> str:
    """The line that says what a development board draws, for this cell."""
    bare = course.cell_life(_standing(inputs, 0.0))
    board = course.cell_life(_standing(inputs, STANDING_MA))
    bare_days, board_days = _days(bare), _days(board)
    text = (
        "a development board's regulator, USB bridge and power light draw 5 to 20 mA however "
        f"deeply the chip sleeps (common practice, no source): at {STANDING_MA:g} mA this cell "
        f"lasts {board_days}, on a bare module {bare_days}"
    )
    if nominal(inputs.standing_ma) > 0.0:
        text += f"; in this pot it draws {nominal(inputs.standing_ma):g} mA beside the chip"
    elif nominal(inputs.asleep_ma) < 1.0:
        text += "; this pot is counted as a bare module: measure at the battery's lead, asleep"
    return text


def _standing(inputs: Inputs, ma: float) -> Inputs:
    return replace(inputs, standing_ma=ma)


def _days(life: Lasting) -> str:
    return f"over {course.MOST_DAYS // 365} years" if life.beyond else _span(life.told_days()[0])


def _span(days: float) -> str:
    if days < 60:
        return f"{days:.0f} day{'' if round(days) == 1 else 's'}"
    return f"{days / 30.44:.0f} months" if days < 1000 else f"{days / 365.25:.1f} years"


def _round(value: float) -> str:
    """Two figures that mean something, without an exponent."""
    if value >= 100.0:
        return f"{value:.0f}"
    return f"{value:.1f}" if value >= 10.0 else f"{value:.2g}"


def _much(value: float, unit: str) -> str:
    """An amount of that unit as people read it."""
    return water(value) if unit == "ml" else f"{_round(value)} {unit}"


def lines(found: Budget) -> list[str]:
    """The budget in lines for people."""
    told = found.folder.about
    assert told is not None
    inputs = found.inputs
    name = show_path(found.folder.name)
    since = "today" if inputs.start == found.today else "when it was looked at"
    rows = [f"{name}: {told.name} ({told.plant}), from {inputs.start}, {since}", ""]
    rows += _tank(found)
    rows += ["", *_cell(found)]
    if found.sunned is not None:
        rows += ["", *_sunned(found.sunned)]
    if found.until is not None:
        rows += ["", f"Until {found.until}:"]
        rows += _until(found)
    if found.away:
        rows += ["", *_sizes(found)]
    if inputs.assumed:
        rows += ["", "Assumed:", *(f"  {text}" for text in inputs.assumed.values())]
    rows += ["", *(f"caution: {text}" for text in cautions(found))]
    return [line for row in rows for line in _wrap(row)]


def _wrap(text: str) -> list[str]:
    indent = " " * (len(text) - len(text.lstrip()) + 2)
    kept = text.replace(" %", f"{NO_BREAK}%")
    rows = textwrap.wrap(kept, WIDTH, subsequent_indent=indent, break_on_hyphens=False) or [""]
    return [marked(row.replace(NO_BREAK, " "), isinstance(text, Bad)) for row in rows]


def _life(what: str, life: Lasting, found: Budget, ends: str) -> str:
    if life.beyond:
        return f"{what}: more than {course.MOST_DAYS // 365} years, if nothing else breaks"
    days, low, high = life.told_days()
    end = found.inputs.start + timedelta(days=days)
    text = f"{what}: {days} days ({low} to {high}, 19 times in 20), until about {end}{ends}"
    return (
        text
        if end > found.today
        else text + "; that day is past: look at it, and note in pot.toml what it holds now"
    )


def _doubts(x: Doubt, indent: str = "  ") -> list[str]:
    rows = [(name, share) for name, share in contributors(x) if share >= 0.01][:MOST_SHOWN]
    if not rows:
        return []
    return [
        indent
        + "uncertainty from: "
        + ", ".join(f"{name} {units.share(share)}" for name, share in rows)
    ]


def _changes(rows: list[tuple[str, float]]) -> list[str]:
    if not rows:
        return []
    told = [f"{what} (+{_span(gain)})" for what, gain in rows[:MOST_SHOWN]]
    return ["  changes with the most effect: " + ", ".join(told)]


def _tank_gains(found: Budget) -> list[tuple[str, float]]:
    """What would make the tank last longer, done today."""
    now = found.now
    return course.gains(course.tank_changes(now), course.tank_life, course.tank_life(now))


def _cell_gains(found: Budget) -> list[tuple[str, float]]:
    """What would make the battery last longer, done today."""
    now = found.now
    return course.gains(course.cell_changes(now), course.cell_life, course.cell_life(now))


def _tank(found: Budget) -> list[str]:
    inputs, now = found.inputs, found.now
    uses, most = now.water_day_ml(now.start.month - 1), now.water_day_ml(sizing.thirstiest(now))
    low, high = interval(uses)
    holds = f"{water(nominal(inputs.tank_ml))} in the tank"
    if now.start > inputs.start:
        holds += f" then, about {water(nominal(now.tank_ml))} today"
    return [
        _life("Tank", found.tank, found, ", down to its reserve (R4)"),
        f"  uses {_round(nominal(uses))} ml a day this month ({_round(low)} to {_round(high)}), "
        f"{_round(nominal(most))} ml in the thirstiest; {holds}, {water(inputs.reserve_ml)} of it "
        "for reserve and a last pulse",
        *_log(found),
        *_scenarios(found),
        *_doubts(found.tank.days),
        *_changes(_tank_gains(found)),
    ]


def _log(found: Budget) -> list[str]:
    log = found.log
    if log is None:
        return []
    row = f"  its log, {log.began} to {log.day}, {log.wakes} wakes"
    if log.use_ml_day is None or log.high_ml_day is None:
        return [f"{row}: too few waterings to tell what the plant uses"]
    rows = [
        f"{row}: {_round(log.use_ml_day)} ml a day over the last {log.doses} waterings, in "
        f"nine of ten periods no more than {_round(log.high_ml_day)}; that is used here"
    ]
    if log.by_level_ml < 0.9 * log.by_time_ml:
        rows.append(
            f"  its runs should have moved {water(log.by_time_ml)} in that time, and the tank lost "
            f"{water(log.by_level_ml)}: the level is used here (water may run back through the "
            "hose, or the pump is weak)"
        )
    return rows


def _scenarios(found: Budget) -> list[str]:
    rows = []
    for what, life in found.scenarios:
        days, low, high = life.told_days()
        end = found.now.start + timedelta(days=days)
        rows.append(f"  {what}: {days} days ({low} to {high}), until about {end}")
    end = found.now.start + timedelta(days=course.tank_life(found.now).told_days()[0])
    return [
        *rows,
        f"  then the water in the soil lasts the plant about {soil_days(found.now, end):.0f} days: "
        f"{water(nominal(found.now.soil_ml))} above wilting",
    ]


def _cell(found: Budget) -> list[str]:
    inputs = found.inputs
    if found.cell is None:
        return ["Battery: none in pot.toml"]
    parts = year_parts(inputs)
    total = sum(nominal(part) for _, part in parts)
    shares = [f"{name} {units.share(nominal(part) / total)}" for name, part in parts]
    head = _life("Battery", found.cell, found, ", then the pump is locked out (R5)")
    if found.sunned is not None:
        head = _life("Battery, without light", found.cell, found, ", then the pump is locked out")
    if inputs.mains:
        head = _life("Battery, unplugged", found.cell, found, ", then the pump is locked out")
        head += "; it stays on its charger"
    return [
        head,
        f"  draws {_round(total)} mAh a day on a year's mean ({_round(1000.0 * total / 24.0)} "
        f"microamperes): " + ", ".join(shares),
        *_doubts(found.cell.days),
        *_changes(_cell_gains(found)),
        "  " + development(inputs),
    ]


def _sunned(sunned: sun.Sunned) -> list[str]:
    """Which panel, by month, and what would change it."""
    worst, least = MONTHS[sunned.worst], sunned.least_mw
    changes = [
        "  changes with the most effect: "
        + ", ".join(f"{what} ({_round(mw)} mW)" for what, mw in sunned.changes[:MOST_SHOWN])
    ]
    if math.isinf(least):
        text = f"Panel: none is large enough: in {worst} no light that charges reaches it as it is "
        text += "put up, or its charger finds it too cold; put it elsewhere, or charge by hand then"
        return [Bad(text), *(changes if sunned.changes else [])]
    rows = [f"Panel for never charging by hand: at least {_round(least)} mW in full sun; {worst} "
            "wants most"]  # fmt: skip
    if sunned.has_mw is not None:
        enough = "enough" if sunned.enough else "NOT ENOUGH"
        rows[0] += f"; has {_round(float(sunned.has_mw))}, {enough}"
        rows[0] = marked(rows[0], not sunned.enough)
    each = (
        f"{name[:3]} {_round(month.least_mw) if math.isfinite(month.least_mw) else 'none'}"
        for name, month in zip(MONTHS, sunned.months, strict=True)
    )
    rows.append("  least, in mW: " + ", ".join(each))
    month = sunned.months[sunned.worst]
    (low, high), (dim, bright) = interval(month.needs_wh), interval(month.gives_wh)
    rows.append(
        f"  a day in {worst} takes {1000.0 * low:.0f} to {1000.0 * high:.0f} mWh, and a panel of "
        f"1000 mW hands on {1000.0 * dim:.0f} to {1000.0 * bright:.0f}; a full battery lasts "
        f"{sunned.dark_days:.0f} days of it without any light"
    )
    rows += _doubts(month.needs_wh / month.gives_wh)
    return rows + (changes if sunned.changes else [])


def _until(found: Budget) -> list[str]:
    rows = []
    for what, unit, answer in (
        ("tank", "ml", found.tank_until),
        ("battery", "mAh", found.cell_until),
    ):
        if answer is not None:
            rows.append(marked(_answer(found, what, unit, answer), answer.sure != "yes"))
    if found.cell is not None and found.inputs.mains:
        rows.append("  battery: yes, while its charger is plugged in")
    elif found.sunned is not None and found.sunned.enough:
        rows.append("  battery: yes, by its panel")
    return rows


def _answer(found: Budget, what: str, unit: str, answer: Answer) -> str:
    margin, wide = nominal(answer.margin), 2.0 * standard(answer.margin)
    text = f"  {what}: {answer.sure}"
    if answer.sure == "not sure":
        text += f" ({units.share(answer.chance)} likely)"
    side = "to spare" if margin >= 0.0 else "short"
    if what in found.ran_out:
        text += f"; by this estimate it ran out on {found.ran_out[what]}; look at the pot"
    text += f"; {_much(abs(margin), unit)} {side}, give or take {_much(wide, unit)}"
    if what == "tank" and answer.sure != "yes" and found.until is not None:
        days = soil_days(found.now, found.until)
        text += f", and the water in the soil lasts the plant about {days:.0f} days beyond that"
    if answer.add <= 0.0:
        return text
    do = "pour in" if unit == "ml" else "charge"
    if answer.again is None:
        text += f"; {do} {_much(answer.add, unit)} now and it lasts"
        if unit == "mAh":
            text += f" ({units.share(answer.add / found.inputs.cell_mah)} of the cell)"
        return text
    if math.isinf(answer.add):
        return text + f"; no charge lasts so long; charge it again by {answer.again}"
    text += f"; lacks {_much(answer.add, unit)}, and only {_much(answer.room, unit)} fit in now: "
    whole = "fill it" if unit == "ml" else "charge it fully"
    if answer.room <= 0.0:
        return text + f"{whole} again by {answer.again}"
    return text + f"{whole} now and again by {answer.again}"


def _sizes(found: Budget) -> list[str]:
    rows = [f"For {found.away} days away, starting full, at the worst time of the year:"]
    for size in found.sizes:
        if math.isinf(size.least):
            rows.append(Bad(f"  {size.what}: none lasts so long; see above what draws most"))
            continue
        word = "" if size.exact else "at least "
        text = f"  {size.what}: {word}{_much(size.least, size.unit)}"
        if size.has is not None and size.margin is not None:
            margin = (
                f"margin {units.share(size.margin, '+')}"
                if size.margin < 10
                else f"{size.margin + 1:.0f} times that"
            )
            verdict = "enough" if size.margin >= 0.0 else "NOT ENOUGH"
            text += f"; has {_much(size.has, size.unit)}, {verdict}, {margin}"
        rows.append(marked(f"{text}; {size.why}", (size.margin or 0.0) < 0.0))
    return rows


def as_json(found: Budget) -> dict[str, Any]:
    """The budget for machines. Intervals are with a coverage factor of 2."""
    inputs, told = found.inputs, found.folder.about
    assert told is not None
    use = {}
    for month in range(12):
        low, high = interval(inputs.water_day_ml(month))
        use[f"{month + 1:02}"] = [nominal(inputs.water_day_ml(month)), low, high]
    result: dict[str, Any] = {
        "folder": show_path(str(found.folder.path)),
        "name": told.name,
        "from": str(inputs.start),
        "today": str(found.today),
        "tank": _life_json(found.tank, inputs.start)
        | {
            "use_ml_day": use,
            "reserve_ml": inputs.reserve_ml,
            "content_ml": nominal(inputs.tank_ml),
            "today_ml": nominal(found.now.tank_ml),
            "soil_ml": nominal(found.now.soil_ml),
            "scenarios": [
                {"what": what} | _life_json(life, found.now.start) for what, life in found.scenarios
            ],
        }
        | {"changes": _gains_json(_tank_gains(found))},
        "log": None if found.log is None else _log_json(found.log),
        "battery": None,
        "panel": None,
        "until": None,
        "away": None,
        "assumed": list(inputs.assumed.values()),
        "cautions": cautions(found),
    }
    if found.cell is not None:
        result["battery"] = _life_json(found.cell, inputs.start) | {
            "mains": inputs.mains,
            "parts": [
                {"name": name, "mah_day": nominal(part), "standard": standard(part)}
                for name, part in year_parts(inputs)
            ],
            "changes": _gains_json(_cell_gains(found)),
            "development_board": development(inputs),
        }
    if found.sunned is not None:
        result["panel"] = _sunned_json(found.sunned)
    if found.until is not None:
        result["until"] = {
            "date": str(found.until),
            "tank_ml": _answer_json(found, "tank", found.tank_until),
            "battery_mah": _answer_json(found, "battery", found.cell_until),
        }
    if found.away:
        rows = [
            vars(size) | {"least": _finite(size.least), "margin": size.margin}
            for size in found.sizes
        ]
        result["away"] = {"days": found.away, "sizes": rows}
    return result


def _sunned_json(sunned: sun.Sunned) -> dict[str, Any]:
    return {
        "least_mw": _finite(sunned.least_mw),
        "has_mw": sunned.has_mw,
        "worst_month": sunned.worst + 1,
        "dark_days": sunned.dark_days,
        "months": [
            {
                "needs_wh": list(interval(month.needs_wh)),
                "gives_wh_per_w": list(interval(month.gives_wh)),
                "least_mw": _finite(month.least_mw),
            }
            for month in sunned.months
        ],
        "changes": [{"what": what, "least_mw": least} for what, least in sunned.changes],
    }


def _log_json(log: Logged) -> dict[str, Any]:
    return vars(log) | {"day": str(log.day), "began": str(log.began)}


def _finite(value: float) -> float | None:
    """JSON has no infinity."""
    return value if math.isfinite(value) else None


def _life_json(life: Lasting, start: date) -> dict[str, Any]:
    days, low, high = life.told_days()
    return {
        "days": nominal(life.days),
        "standard_days": standard(life.days),
        "low_days": low,
        "high_days": high,
        "beyond": life.beyond,
        "until": str(start + timedelta(days=days)),
        "contributors": [{"name": n, "share": s} for n, s in contributors(life.days)],
    }


def _gains_json(rows: list[tuple[str, float]]) -> list[dict[str, Any]]:
    return [{"what": what, "days": gain} for what, gain in rows]


def _answer_json(found: Budget, what: str, answer: Answer | None) -> dict[str, Any] | None:
    if answer is None:
        return None
    return {
        "answer": answer.sure,
        "chance": answer.chance,
        "margin": nominal(answer.margin),
        "standard": standard(answer.margin),
        "add": _finite(answer.add),
        "room": answer.room,
        "again": str(answer.again) if answer.again else None,
        "ran_out": str(found.ran_out[what]) if what in found.ran_out else None,
    }
