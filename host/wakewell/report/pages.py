"""The pages: one for each pot, one for the round, one for wakes under the magnifier.

What belongs here: putting what was found into the templates, and writing files without
harm to what is there. What does not: finding it, and drawing.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache
from importlib.resources import files
from itertools import pairwise
from operator import attrgetter
from pathlib import Path
from typing import Any

import wakewell
from wakewell import drawing, extras, language, words
from wakewell.budget import forecast
from wakewell.errors import BadInput
from wakewell.language import number, plural, say, term
from wakewell.log import taken
from wakewell.log.logs import Skip
from wakewell.log.series import PotLog, WakeRow, pot_folder, refill_of, spans_of, start_of
from wakewell.log.times import DAY_S, WITHOUT_WEEKDAY, Calendar, span_text
from wakewell.pot import board_file, bringup_file
from wakewell.pot.parts import PERCENT, PROBES
from wakewell.report import condition, findings, magnifier, overview, pictures, plots
from wakewell.units import soil

MARKER = '<meta name="generator" content="Wakewell report">'
SAFETY, SAFETY_PAGE = "safety.md", "safety.html"  # tools/assure.py --note writes the first
STRIP_DAYS = 60
OPENS_DAYS = 90  # what the pictures of a long record show first
UNSEEN = term("no water seen")
NEED_HELP = term("need help now")  # of several pots
DOSE_HEADS = (
    term("when"),
    term("why"),
    term("planned, ml"),
    term("delivered, ml"),
    term("pulses"),
    term("cut short because"),
)
EVENT_HEADS = (
    term("when"),
    term("what"),
    term("how long"),
    term("usual cause"),
    term("what to do"),
)
# What a script says of the place that somebody points at (page.js)
READ_OFF = {
    "day": term("day {day}"),
    "gap": term("{date}: no record"),
    "week": term("Week from {date}: {ml} ml, waterings: {count}"),
    "cut": term("{what}, cut short: {count}"),
    "dose": term("{date}: {ml} ml delivered, {planned} ml planned; {why}"),
    "stopped": term("{what}; cut short: {why}"),
    "other": term("{date}: {what}"),
    "bad": term("{date}: implausible: {what}"),
    "up": term("{date}: float up"),
    "down": term("{date}: float down"),
    "soil": term("{date}: {value} % by volume"),
    "tank": term("{date}: {value} litres"),
    "battery": term("{date}: {value} volts"),
    "shown": term("Shown: {first} to {last}"),
}
MOST_NAMED = 50  # lines that were not read, each with its place
MOST_ROWS = 400  # of a table; the page says how many more there are; --form csv has all
STAMPS = {
    condition.WELL: "well",
    condition.DUE: "due",
    condition.SILENT: "silent",
    condition.PERSON: "person",
}


@dataclass
class Table:
    """The figures behind a picture. numbers: the columns of numbers, which stand below one
    another."""

    heads: Sequence[str]
    rows: list[Sequence[str]]
    numbers: Sequence[int] = ()
    note: str = ""

    @property
    def numeric(self) -> list[bool]:
        """Of each column, whether it holds numbers."""
        return [column in self.numbers for column in range(len(self.heads))]


@dataclass
class PotView(overview.Looks):
    """Everything a page shows of one pot."""

    pictures: list[pictures.Picture] = field(default_factory=list)
    page: str = ""

    @property
    def as_of(self) -> str:
        """The day it speaks of, "" where the pot never knew a date or hides it."""
        if not self.log.true_dates:
            return ""
        return say("as of {date}", date=self.calendar.date(self.now_s))

    @property
    def stamp(self) -> str:
        """Style of the condition's mark."""
        return STAMPS[self.condition.word]


def view(log: PotLog, zone: str = "", now_s: float | None = None) -> PotView:
    """Everything that the page shows of that log. Needs at least one wake."""
    with language.speaking(log.language):
        return _view(log, zone, now_s)


def _view(log: PotLog, zone: str, now_s: float | None) -> PotView:
    looks = overview.look(log, zone, now_s)
    drawn = pictures.pictures(log, looks.calendar, looks.tank, looks.battery)
    for picture in drawn:
        picture.text = describe(picture, looks)
    return PotView(**vars(looks), pictures=drawn, page=f"{log.name}.html")


def lasts(looks: overview.Looks, found: forecast.Forecast) -> str:
    """One of its forecasts in words; of a pot without news, what its last record foretold."""
    if looks.condition.word != condition.SILENT:
        return runs_until(found, looks.calendar)
    if found.early_s is None or found.middle_s is None:
        return say("no forecast then")
    if found.middle_s <= found.now_s:
        return say("used up then")
    return say("forecast then: {until}", until=runs_until(found, looks.calendar))


def runs_until(found: forecast.Forecast, calendar: Calendar) -> str:
    """The forecast in words, with its uncertainty."""
    if found.why_not or found.early_s is None or found.middle_s is None:
        return say("no forecast: {why}", why=found.why_not)
    if found.middle_s <= found.now_s:
        return say("used up now")
    middle = calendar.date(found.middle_s, False)
    if found.beyond:
        early = calendar.date(found.early_s, False)
        years = forecast.MOST_DAYS // 365
        return say(
            "most likely for more than {years} years; 19 times in 20 not before {early}",
            years=years,
            early=early,
        )
    if found.late_s is None:
        early = calendar.date(found.early_s, False)
        return say(
            "most likely until {middle}; 19 times in 20 not before {early}",
            middle=middle,
            early=early,
        )
    early, late = calendar.between(found.early_s, found.late_s)
    if early == late:
        return say("until {middle}, nine times in ten", middle=middle)
    return say(
        "most likely until {middle}; nine times in ten between {early} and {late}",
        middle=middle,
        early=early,
        late=late,
    )


def describe(picture: pictures.Picture, looks: overview.Looks) -> str:
    """The picture in a sentence or two, for those who cannot see it."""
    log, calendar = looks.log, looks.calendar
    first, last = (calendar.date(log.wakes[i].time_s) for i in (0, -1))
    span = say("From {first} to {last}.", first=first, last=last)
    values = [r["v"] for r in picture.rows.get("line", ()) if r["v"] is not None]
    bad, holes = len(picture.rows.get("bad", ())), len(picture.rows["gaps"])
    tail = ""
    if holes:
        tail += " " + plural(
            "{count} stretch without a record.", "{count} stretches without a record.", holes
        )
    if bad:
        tail += " " + say("Crosses along the bottom: implausible readings.")
    given = plural("{count} watering", "{count} waterings", len(log.waterings))
    if log.tries:
        given += ", " + plural(
            "{count} attempt without water", "{count} attempts without water", len(log.tries)
        )
    if picture.key == "soil":
        return f"{span} {soil_text(values, given)}{tail}"
    if picture.key == "doses":
        cut = sum(bool(d.trips) for d in log.doses)
        sums = {"given": given, "total": number(sum(d.given_ul for d in log.doses) / 1e6, 2)}
        text = say("{given}, {total} litres. Upright line: given; line across: planned.", **sums)
        if cut:
            text = say(
                "{given}, {total} litres. Upright line: given; line across: planned; cross: cut "
                "short ({cut}).",
                cut=cut,
                **sums,
            )
        return f"{span} {text}{tail}"
    if picture.key == "tank":
        text = tank_text(picture, values, log.float_only, lasts(looks, looks.tank))
        return f"{span} {text}{tail}"
    if picture.key == "battery":
        text = say("No battery reading was plausible.")
        if values:
            text = say(
                "Last {volts} volts. Charge: {until}.",
                volts=number(values[-1], 2),
                until=lasts(looks, looks.battery),
            )
        return f"{span} {text}{tail}"
    bars = Counter(bar["k"] for bar in picture.rows["bars"])
    return f"{span} {events_text(bars, len(picture.rows['marks']))}{tail}"


def soil_text(values: Sequence[float], given: str) -> str:
    """What the picture of the soil shows. given: the waterings in it."""
    if not values:
        return say("No soil reading was plausible.")
    return say(
        "Soil water between {least} and {most} % by volume, last {last} %; {given}, each a "
        "triangle at the bottom.",
        least=number(min(values), 1),
        most=number(max(values), 1),
        last=number(values[-1], 1),
        given=given,
    )


def tank_text(
    picture: pictures.Picture, values: Sequence[float], float_only: bool, until: str
) -> str:
    """What the picture of the tank shows. until: how long its water lasts."""
    if not values:
        return say("No level reading was plausible.")
    refills = say("no refill")
    if count := len(picture.rows["refills"]):
        refills = plural("{count} refill, a triangle", "{count} refills, each a triangle", count)
    if float_only:
        return say("A float switch, so no amounts; {refills}.", refills=refills)
    return say(
        "Last {litres} litres, {refills}. Water for the plant: {until}.",
        litres=number(values[-1], 2),
        refills=refills,
        until=until,
    )


def events_text(bars: Counter[str], marks: int) -> str:
    """What the picture of stops and visits shows. bars: how many of each kind."""
    stopped, asked = say("It never stopped by itself"), say("never asked for anything")
    if bars["lockouts"]:
        stopped = plural(
            "It stopped once by itself (filled bars)",
            "It stopped {count} times by itself (filled bars)",
            bars["lockouts"],
        )
    if bars["needs"]:
        asked = plural(
            "asked for something once (open bars)",
            "asked for something {count} times (open bars)",
            bars["needs"],
        )
    others = plural("{count} other mark", "{count} other marks", marks)
    return say("{stopped} and {asked}; {others}.", stopped=stopped, asked=asked, others=others)


def week_text(week: int, dated: bool) -> str:
    """That week in words."""
    begins = pictures.week_begins(week, dated)
    if not dated:
        first = begins // DAY_S + 1
        return say("days {first} to {last}", first=first, last=first + 6)
    day = datetime.fromtimestamp(begins, UTC)
    return say("week of {date}", date=language.date(day, WITHOUT_WEEKDAY))


def span_of(view: PotView) -> str:
    """From when to when its record goes, in words."""
    first, last = (view.calendar.date(view.log.wakes[i].time_s) for i in (0, -1))
    return say("{first} to {last}", first=first, last=last)


def tables(view: PotView) -> dict[str, Table]:
    """A table for each picture, by its key."""
    log, calendar = view.log, view.calendar
    by_week = [
        (week_text(week, calendar.dated), wakes) for week, wakes in pictures.by_week(log, calendar)
    ]
    ends = (say("wakes"), say("implausible"))
    found = {
        "soil": Table(
            (say("week"), say("driest, %"), say("wettest, %"), say("last, %"), *ends),
            [_extremes(key, wakes, "soil_ppt", 10, 1) for key, wakes in by_week],
            range(1, 6),
        ),
        "battery": Table(
            (say("week"), say("lowest, V"), say("highest, V"), say("last, V"), *ends),
            [_extremes(key, wakes, "battery_mv", 1000, 3) for key, wakes in by_week],
            range(1, 6),
        ),
        "tank": Table(
            (say("week"), *litre_heads(log), *ends),
            [_extremes(key, wakes, "level_ml", 1000, 2) for key, wakes in by_week],
            range(1, 6),
        ),
    }
    rows: list[Sequence[str]] = [
        (
            calendar.moment(d.time_s),
            words.of(words.KINDS, d.kind).plain,
            number(d.planned_ul / 1000),
            number(d.given_ul / 1000) if d.given_ul else say(UNSEEN),
            str(d.pulses),
            "; ".join(words.of(words.TRIPS_WORDS, t).plain for t in dict.fromkeys(d.trips)),
        )
        for d in reversed(log.doses)
    ]
    found["doses"] = clipped([say(head) for head in DOSE_HEADS], rows, (2, 3, 4))
    rows = []
    still_so = say("still so at its last record") if last_heard(view) else say("still so")
    spans = [(span, words.LOCKOUTS, "") for span in spans_of(log, "lockouts")]
    spans += [(span, words.NEEDS, pictures.ASKED) for span in spans_of(log, "needs")]
    for (name, start, end, still), names, said in sorted(spans, key=lambda s: -s[0][1]):
        word = words.of(names, name)
        until = still_so if still else say("until {date}", date=calendar.moment(end))
        plain = say(said, what=word.plain) if said else word.plain
        rows.append((calendar.moment(start), plain, until, word.cause, word.do if still else ""))
    for wake in reversed(log.wakes):
        for trip in wake.trips:
            word = words.of(words.TRIPS_WORDS, trip)
            rows.append(
                (calendar.moment(wake.time_s), word.plain, say("run cut short"), word.cause, "")
            )
        if wake.cause not in ("timer", "button"):
            word = words.of(words.CAUSES, wake.cause)
            rows.append((calendar.moment(wake.time_s), word.plain, "", word.cause, ""))
        if len(rows) > 4 * MOST_ROWS:
            break
    found["events"] = clipped([say(head) for head in EVENT_HEADS], rows)
    return found


def litre_heads(log: PotLog) -> tuple[str, ...]:
    """Heads of the tank's columns; a float switch has two places and no litres."""
    if log.float_only:
        return (
            say("lowest, float up above 0"),
            say("highest, float up above 0"),
            say("last, float up above 0"),
        )
    return say("lowest, l"), say("highest, l"), say("last, l")


def clipped(heads: Sequence[str], rows: list[Sequence[str]], numbers: Sequence[int] = ()) -> Table:
    """A table of at most MOST_ROWS, which says so."""
    note = say(
        "The last {count}; every one is in the file that report --form csv writes.", count=MOST_ROWS
    )
    return Table(heads, rows[:MOST_ROWS], numbers, note if len(rows) > MOST_ROWS else "")


def _extremes(
    key: str, wakes: Sequence[WakeRow], name: str, scale: int, digits: int
) -> tuple[str, ...]:
    values = [v for v in map(attrgetter(name), wakes) if v is not None]
    if not values:
        return (key, "–", "–", "–", str(len(wakes)), str(len(wakes)))
    figures = [number(v / scale, digits) for v in (min(values), max(values), values[-1])]
    return (key, *figures, str(len(wakes)), str(len(wakes) - len(values)))


@cache
def templates() -> Any:
    """The Jinja2 environment: everything is escaped unless it says otherwise."""
    try:
        import jinja2
    except ImportError:
        raise BadInput(
            "pages need the packages jinja2 and vl-convert-python; install them with: "
            f"{extras.install('report')}"
        ) from None
    made = jinja2.Environment(
        loader=jinja2.PackageLoader("wakewell.report"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters |= {"address": address, "first_upper": lambda text: text[:1].upper() + text[1:]}
    made.globals |= {"say": say, "plural": plural, "number": number, "language": language}
    return made


def address(reach: str) -> str:
    """A link by which a phone writes or calls, "" for what is neither a mail address nor a number.

    No other kind of link is ever made of what somebody wrote.
    """
    if re.fullmatch(r"[\w.+-]+@[\w.-]+", reach):
        return f"mailto:{reach}"
    if re.fullmatch(r"\+?[0-9 ()./-]{5,}", reach):
        return "tel:" + "".join(c for c in reach if c in "+0123456789")
    return ""


def render(template: str, **values: Any) -> str:
    """A page from its template."""
    colours = {name: {"light": pair[0], "dark": pair[1]} for name, pair in drawing.COLOURS.items()}
    text: str = (
        templates()
        .get_template(template)
        .render(colours=colours, font=drawing.FONT, version=wakewell.__version__, **values)
    )
    return text


def script_parts(specs: dict[str, Any], data: dict[str, Any]) -> dict[str, Any]:
    """What a page with pictures embeds. Safe inside script elements."""
    safe = templates().filters["safe"]
    return {
        "texts": safe(plots.embedded({name: say(text) for name, text in READ_OFF.items()})),
        "vega": safe(plots.script().replace("</script", "<\\/script")),
        "specs": safe(plots.embedded(specs)),
        "data": safe(plots.embedded(data)),
    }


def pot_page(view: PotView, round_page: str = "", kept: Sequence[WakeRow] | None = None) -> str:
    """The page of one pot. round_page: address of the round, if there is one."""
    with language.speaking(view.log.language):
        return _pot_page(view, round_page, kept)


def _pot_page(view: PotView, round_page: str, kept: Sequence[WakeRow] | None) -> str:
    log = view.log
    if kept is None:
        by_place = {w.place: w for w in log.wakes}
        kept = [by_place[place] for place in log.kept if place in by_place]
    close = magnified(view, kept, log.kept)
    rows = magnifier.gathered(close, log)
    rows.reverse()
    specs = {p.key: plots.spec(p, drawing.PAGE, data=False) for p in view.pictures}
    days = (log.wakes[-1].time_s - log.wakes[0].time_s) / DAY_S
    opens = OPENS_DAYS if days > 2 * OPENS_DAYS else 0
    if opens:
        specs["overview"] = plots.overview(view.pictures[0], drawing.PAGE)
    data = {p.key: compact(p.rows) for p in view.pictures}
    loud = [f for f in view.findings if f.state in (findings.WATCH, findings.ACT)]
    said, last = {task.do for task in view.condition.tasks}, log.wakes[-1]
    quiet = [f for f in view.findings if f.state == findings.QUIET]
    return render(
        "pot.html",
        view=view,
        log=log,
        calendar=view.calendar,
        facts=facts(view),
        tables=tables(view),
        loud=loud,
        watch=[f for f in loud if f.do not in said and not condition.told_of(f, last)],
        quiet=[f for f in quiet if not condition.contradicted(f, last, view.condition.tasks)],
        unknown=[f for f in view.findings if f.state == findings.UNKNOWN],
        close=rows,
        round_page=round_page,
        opens=opens,
        legend=plots.far(days),
        words=words,
        last_heard=last_heard(view),
        maker_rows=maker_rows(view),
        calibration=calibration_rows(view),
        **script_parts(specs, {"rows": data, "runs": runs(close)}),
    )


def last_heard(view: PotView) -> str:
    """The day of its last record, where nothing is known since; else ""."""
    silent = view.condition.word == condition.SILENT
    return view.calendar.date(view.log.wakes[-1].time_s) if silent else ""


def compact(rows: dict[str, list[dict[str, Any]]]) -> dict[str, Any]:
    """Rows as columns: [names, column, column ...]; the page makes rows of them again."""
    found = {}
    for name, row_list in rows.items():
        names = list(row_list[0]) if row_list else []
        columns: list[Any] = [names]
        for member in names:
            column = [row[member] for row in row_list]
            if member in ("t", "u", "m"):  # minutes, each from the one before
                minutes = [t // 60000 for t in column]
                column = [b - a for a, b in zip([0, *minutes], minutes, strict=False)]
            columns.append(column)
        found[name] = columns
    return found


def runs(close: Sequence[magnifier.Magnified]) -> dict[str, Any]:
    """Specifications of the sampled runs, by the page's id."""
    return {
        f"run-{m.wake.place[0]}-{m.wake.place[1]}-{i}": run["spec"]
        for m in close
        for i, run in enumerate(m.run)
    }


def magnified(
    view: PotView, wakes: Sequence[WakeRow], records: dict[tuple[int, int], Any]
) -> list[magnifier.Magnified]:
    """Those wakes laid out, as far as their records have the form."""
    found = []
    for wake in wakes:
        try:
            record = records[wake.place]
            found.append(magnifier.magnify(view.log, wake, record, view.calendar))
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            text = say("its record is damaged ({error})", error=type(error).__name__)
            moment = view.calendar.moment(wake.time_s)
            found.append(magnifier.Magnified(wake, moment, text, False))
    return found


def facts(view: PotView) -> list[tuple[str, str]]:
    """The first screen's short entries: (margin, text)."""
    log, calendar, last = view.log, view.calendar, view.log.wakes[-1]
    rows = []
    if log.waterings:
        dose = log.waterings[-1]
        at, ml = calendar.moment(dose.time_s), number(dose.given_ul / 1000)
        text = say("{date}, {ml} ml", date=at, ml=ml)
        if dose.trips:
            planned = number(dose.planned_ul / 1000)
            text = say("{date}, {ml} ml of {planned} ml planned", date=at, ml=ml, planned=planned)
        rows.append((say("Last watered"), text))
    else:
        rows.append((say("Last watered"), say("not on record")))
    if log.doses and not log.doses[-1].given_ul:
        at = calendar.moment(log.doses[-1].time_s)
        text = say("{date}; the pump ran, and no water was seen", date=at)
        rows.append((say("Last tried"), text))
    now = [(say("Soil"), soil_fact(log, last))]
    now.append((say("Tank"), f"{tank_fact(log, last)}, {lasts(view, view.tank)}"))
    volts = say("implausible")
    if last.battery_mv is not None:
        volts = say("{volts} volts", volts=number(last.battery_mv / 1000, 2))
    now.append((say("Battery"), f"{volts}, {lasts(view, view.battery)}"))
    if on := last_heard(view):
        now = [(name, say("on {date}: {what}", date=on, what=text)) for name, text in now]
    rows += now
    if log.otherwise:
        rows.append((say("Settings"), log.otherwise))
    if log.uncommissioned and log.pot is not None and log.pot.calibration.stage:
        text = f"the pot acts by stage {log.pot.calibration.stage}, but {log.uncommissioned}"
        rows.append((say("Commissioning"), text))
    read = f"{calendar.moment(last.time_s)} ({calendar.name})"
    if view.condition.old_s >= DAY_S:
        read = say("{date}, {span} ago", date=read, span=span_text(view.condition.old_s))
    rows.append((say("Read up to"), read))
    return rows


def soil_fact(log: PotLog, last: WakeRow) -> str:
    """The soil at that wake."""
    held = magnifier.percent(last.soil_ppt)
    if last.soil_ppt is None:
        return f"{held}: {words.of(words.PROBE_WORDS, last.soil_word).plain}"
    if log.pot is None:
        return held
    refill_ppt = refill_of(log.pot)
    values = {"held": held, "refill": magnifier.percent(refill_ppt)}
    text = say("{held} by volume, below the {refill} at which it waters", **values)
    if last.soil_ppt > refill_ppt:
        text = say("{held} by volume, above the {refill} at which it waters", **values)
    elif last.soil_ppt == refill_ppt:
        text = say("{held} by volume, at the {refill} at which it waters", **values)
    return text


def tank_fact(log: PotLog, last: WakeRow) -> str:
    """The tank at that wake."""
    if last.level_ml is None:
        return say("implausible")
    if not log.float_only or log.pot is None:
        return say("{litres} litres", litres=number(last.level_ml / 1000, 1))
    if last.level_ml >= start_of(log.pot):
        return say("the water is above the float switch")
    return say("the water is down to the float switch")


def first_contact(log: PotLog) -> str:
    """Whether this pot's board was ever brought up, as its folder has it."""
    pot = pot_folder(log.place)
    if pot is None:
        return "not known: no pot's folder around this log"
    try:
        board = board_file.board_id(pot.path)
    except BadInput:
        board = None
    return bringup_file.standing(pot.path, board)


def maker_rows(view: PotView) -> list[tuple[str, str]]:
    """Ids, counts and figures that only the maker wants."""
    log, last = view.log, view.log.wakes[-1]
    cores = sorted({w.core for w in log.wakes})
    awake_s = sorted(w.awake_ms for w in log.wakes)[len(log.wakes) // 2] / 1000
    return [
        ("log", files_text(log)),
        ("wakes", f"{len(log.wakes)}, numbers {log.wakes[0].n} to {last.n}"),
        ("span", span_text(last.time_s - log.wakes[0].time_s)),
        ("records missing", f"{log.missing}; overwritten, storage full: {log.dropped}"),
        ("jumps of the clock", str(log.jumps)),
        ("lines not read", named(log.skips.first, log.skips.count)),
        ("records mended", named(log.skips.mends, log.skips.mended)),
        ("records shortened", "; ".join([str(log.short.count), *log.short.first[:MOST_NAMED]])),
        ("other boards or fresh starts in this log", "; ".join(log.others) or "none"),
        ("core that recorded", ", ".join(cores)),
        ("settings, limits, calibration", ", ".join(i or "safe defaults" for i in last.ids)),
        ("in force beside the log", "yes" if log.pot is not None else "no"),
        ("usual time awake", f"{awake_s:.1f} s"),
        ("first contact", first_contact(log)),
        ("tank forecast", view.tank.basis or view.tank.why_not),
        ("battery forecast", view.battery.basis or view.battery.why_not),
        *taken_rows(log),
    ]


def files_text(log: PotLog) -> str:
    """How many files the log has, and which."""
    if len(log.files) == 1:
        return f"1 file, {log.files[0].name}"
    return f"{len(log.files)} files, from {log.files[0].name} to {log.files[-1].name}"


def taken_rows(log: PotLog) -> list[tuple[str, str]]:
    """Proposals of `tune` that were taken, and how each came out."""
    pot = pot_folder(log.place)
    try:
        found = taken.outcomes(pot.path, log) if pot is not None else []
    except BadInput as why:
        return [("proposals taken", str(why))]
    rows = []
    for one in found:
        rows.append(("proposal taken", one.text()))
        rows += [("", row.line()) for row in one.rows]
    return rows


def named(skips: Sequence[Skip], count: int) -> str:
    """A count, and the places of the first ones by file and line."""
    places = [f"{skip.path.name}:{skip.line}: {skip.why}" for skip in skips[:MOST_NAMED]]
    more = ["..."] if count > len(places) else []
    return "; ".join([str(count), *places, *more])


def calibration_rows(view: PotView) -> list[tuple[str, str, str, str]]:
    """(probe, points, rails, what the log has read) of the calibration in force."""
    pot = view.log.pot
    if pot is None:
        return []
    rows = []
    for name, kind in PROBES.items():
        probe = getattr(pot.calibration, name)
        if probe is None:
            continue
        member = {"soil": "soil_counts", "battery": "rest"}.get(name, "")
        seen = [getattr(w, member) for w in view.log.wakes] if member else []
        seen = [counts for counts in seen if counts is not None]
        points = ", ".join(
            f"{counts}: {soil(value) if kind.shown == PERCENT else value}"
            for counts, value in probe.points
        )
        read = f"{min(seen)} to {max(seen)}" if seen else ""
        rows.append((kind.named, points, f"{probe.rail_low}, {probe.rail_high}", read))
    return rows


def wake_page(view: PotView, asked: str, wakes: Sequence[WakeRow], round_page: str = "") -> str:
    """Chosen wakes in detail."""
    with language.speaking(view.log.language):
        return _wake_page(view, asked, wakes, round_page)


def _wake_page(view: PotView, asked: str, wakes: Sequence[WakeRow], round_page: str) -> str:
    close = magnified(view, wakes, magnifier.records(view.log, wakes))
    return render(
        "wake.html",
        view=view,
        log=view.log,
        asked=asked,
        close=magnifier.gathered(close, view.log),
        count=len(close),
        round_page=round_page,
        **script_parts({}, {"rows": {}, "runs": runs(close)}),
    )


def round_page(views: Sequence[PotView], unread: Sequence[tuple[str, str]]) -> str:
    """All pots, who needs a visit next on top. unread: (name, why) of logs without a wake."""
    spoken = {view.log.language for view in views}
    with language.speaking(spoken.pop() if len(spoken) == 1 else language.ENGLISH):
        return _round_page(views, unread)


def _round_page(views: Sequence[PotView], unread: Sequence[tuple[str, str]]) -> str:
    by_name = {view.log.name: view for view in views}
    rows = [overview.of(view, pot_folder(view.log.place)) for view in views]
    rows += [overview.Overview(name, name, why=why) for name, why in unread]
    shown = [value for view in views for value in strip_values(view)]
    low = math.floor(min(shown, default=0))
    scale = (low, max(low + 1, math.ceil(max(shown, default=0))))
    return render(
        "round.html",
        rows=[(row, by_name.get(row.name)) for row in overview.by_urgency(rows)],
        views=views,
        counts=counted(views),
        strips={v.log.name: strip(v, scale) for v in views},
        overview=overview,
        scale=scale,
        zone=views[0].calendar.name if views else "",
        as_of=max(views, key=lambda v: v.now_s).as_of if views else "",
    )


def counted(views: Sequence[PotView]) -> list[tuple[str, int]]:
    """(condition, number of pots in it), most urgent first, those that occur."""
    found = Counter(view.condition.word for view in views)
    wanted = NEED_HELP if found[condition.PERSON] > 1 else condition.PERSON
    rows = [(wanted, found[condition.PERSON])]
    rows += [(word, found[word]) for word in (condition.SILENT, condition.DUE, condition.WELL)]
    return [row for row in rows if row[1]]


def markdown(what: str) -> Any:
    """A reader of Markdown with tables, without HTML of the text's own. what: needs it, for the
    error. Raises BadInput without the package."""
    try:
        import markdown_it
    except ImportError:
        raise BadInput(
            f"{what} need the package markdown-it-py; install it with: {extras.install('report')}"
        ) from None
    return markdown_it.MarkdownIt("commonmark", {"html": False}).enable("table")


def safety_page() -> str:
    """What protects floor, pump and cell, with the figures of the last recorded proof."""
    reader = markdown("pages")
    text = files("wakewell").joinpath("data", SAFETY).read_text(encoding="utf-8")
    safe, parts, tokens = templates().filters["safe"], [], reader.parse(text)
    begins = [i for i, t in enumerate(tokens) if t.type == "heading_open" and t.tag == "h2"]
    for start, end in pairwise([0, *begins, len(tokens)]):
        title = tokens[start + 1].content if start else ""
        rest = tokens[start + 3 * bool(start) : end]  # without the page's own heading
        parts.append((title, safe(reader.renderer.render(rest, reader.options, {}))))
    return render("safety.html", parts=parts)


def strip_rows(view: PotView) -> tuple[float, float, list[dict[str, Any]]]:
    """(from, to, ms, rows of soil water) of the last 60 days."""
    soil = view.pictures[0].rows
    end = soil["span"][0]["u"]
    start = end - STRIP_DAYS * pictures.DAY_MS
    return start, end, [row for row in soil["line"] if row["v"] is None or row["t"] >= start]


def strip_values(view: PotView) -> list[float]:
    """What its strip shows: soil water, and the last refill point."""
    bands = view.pictures[0].rows["bands"]
    return pictures.values_in([*strip_rows(view)[2], *bands[-1:]], "v")


def strip(view: PotView, scale: tuple[float, float]) -> dict[str, Any]:
    """The last 60 days of soil water as points of a small drawing, 160 by 28, parted at gaps.

    scale: its foot and its top, in per cent; the same for all pots, so that they compare.
    """
    start, end, rows = strip_rows(view)
    low, high = scale

    def up(value: float) -> float:
        return 28 - 28 * (value - low) / (high - low)

    parts: list[list[str]] = [[]]
    for row in rows:
        if row["v"] is None:
            parts.append([])
        else:
            x = 160 * (row["t"] - start) / (end - start)
            parts[-1].append(f"{x:.1f},{up(row['v']):.1f}")
    bands = view.pictures[0].rows["bands"]
    refill = up(bands[-1]["v"]) if bands else None
    return {"parts": [" ".join(p) for p in parts if p], "refill": refill}


def write(path: Path, data: bytes) -> None:
    """Write one of our files. Another kind of file in its place is kept beside it."""
    try:
        if path.exists():
            there = path.read_bytes()
            if there == data:
                return
            if MARKER.encode() not in there[:2000]:
                number = 1
                while (kept := path.with_name(f"{path.name}.{number}.old")).exists():
                    number += 1
                path.rename(kept)
        path.parent.mkdir(parents=True, exist_ok=True)
        draft = path.with_name(path.name + ".new")
        draft.write_bytes(data)
        draft.replace(path)
    except OSError as error:
        raise BadInput(
            f"{path}: cannot be written: {error.strerror}; choose another folder with --out"
        ) from None
