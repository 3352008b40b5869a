"""Every name of the files of a pot's folder, with unit, range and meaning, in one list.

What belongs here: the rows of description.py, private.py and the core put together for the code
that shows or writes them. What does not: the rows themselves, reading a folder.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from wakecore import fields
from wakewell import language
from wakewell.pot import chips, meanings, private
from wakewell.pot.description import ABOUT, KINDS, LISTS, TABLES, TOLD_BY_POT, TOLD_OF, Row
from wakewell.pot.parts import PARTS

# What the end of a name says of its unit; the longer end first
UNITS = (
    ("_ul_s", "microlitres a second"),
    ("_ppt_month", "parts per thousand a month"),
    ("_ppt_day", "parts per thousand a day"),
    ("_ml_day", "ml a day"),
    ("ul_per_ppt", "microlitres"),
    ("_mah", "mAh"),
    ("_ohm", "ohm"),
    ("_pct", "per cent"),
    ("_ppt", "parts per thousand"),
    ("_days", "days"),
    ("_ml", "ml"),
    ("_mm", "mm"),
    ("_um", "micrometres"),
    ("_mv", "mV"),
    ("_mw", "mW"),
    ("_deg", "degrees"),
    ("_ma", "mA"),
    ("_ua", "microamperes"),
    ("_mc", "thousandths of a degree Celsius"),
    ("_ms", "milliseconds"),
    ("_s", "seconds"),
)
TABLE_WORDS = {
    "shape": "of the tank",
    "substrate": "kind of soil",
    "chemistry": "of the cell",
    "habit": "what kind of plant",
    "stands": "where it stands",
    "kind": "bare: a module alone; development: with USB bridge and regulator",
    "currents": "sheet: of the chip alone; measured: of the whole board",
    "valve": "check: the hose stays full between runs",
    "active": "level at which it is on",
    "pull": "the chip's own resistor at that pin",
}
PRIVATE_WORDS = {
    "wifi": "the home's Wi-Fi",
    "broker": "who takes its reports (MQTT)",
    "post": "in place of a broker: where listen --post is reached",
    "ntp": "a clock server",
    "entry": "the pot's own Wi-Fi, for a new password",
}


@dataclass(frozen=True)
class Name:
    """One name. table: "" at the file's top; kind: of the part that has it, "" for any. usual: the
    value that counts where it is left out, None: there is none. allowed: range or words. needed: it
    must be there if its table is.
    """

    file: str
    table: str
    name: str
    allowed: str
    unit: str
    meaning: str
    usual: int | str | None = None
    needed: bool = False
    kind: str = ""

    @property
    def said(self) -> str:
        """Meaning, unit and range on one line."""
        unit = "" if self.unit in self.meaning else self.unit
        parts = (self.meaning, unit, f"allowed {self.allowed}" if self.allowed else "")
        return "; ".join(part for part in parts if part)


def unit_of(name: str) -> str:
    """The unit that a name's end tells, "" for a number without one."""
    return next((unit for end, unit in UNITS if name.endswith(end)), "")


def _number(file: str, table: str, row: Row, needed: bool) -> Name:
    name, least, most, usual, meaning = row
    needed = needed and usual is None
    return Name(file, table, name, f"{least} to {most}", unit_of(name), meaning, usual, needed)


def _word(file: str, table: str, name: str, allowed: tuple[str, ...], usual: str | None) -> Name:
    meaning = TABLE_WORDS.get(name, "")
    return Name(file, table, name, ", ".join(allowed), "", meaning, usual, usual is None)


def _pot() -> Iterator[Name]:
    for name, needed, most, meaning in ABOUT:
        yield Name("pot", "", name, f"text up to {most} characters", "", meaning, None, needed)
    yield Name("pot", "", "chip", ", ".join(chips.CHIPS), "", "which chip", None, True)
    spoken = ", ".join(language.NAMES)
    meaning = "of its owner's pages; the maker's own, such as the build sheet, are in English"
    yield Name("pot", "", "language", spoken, "", meaning, language.ENGLISH)
    yield Name("pot", "", "noted", "a date", "", "when tank and charge were looked at")
    told = f"a list of up to {len(TOLD_OF)} of: {', '.join(TOLD_OF)}"
    meaning = "a person of that name: what reminders tell them of; their address: private.toml"
    yield Name("pot", "people", "NAME", told, "", meaning)
    for table, (_, rows, optional, words) in TABLES.items():
        for word, (allowed, usual) in words.items():
            yield _word("pot", table, word, allowed, usual)
        yield from (_number("pot", table, row, True) for row in rows)
        yield from (_number("pot", table, row, False) for row in optional)
        for name, count, least, most, meaning in LISTS.get(table, ()):
            span = f"{count} numbers from {least} to {most}"
            yield Name("pot", table, name, span, unit_of(name), meaning)


def _wiring() -> Iterator[Name]:
    for (part, kind), what in PARTS.items():
        found = list[Name]()
        if kind:
            found.append(Name("wiring", part, "kind", kind, "", "how it is seen", None, True))
        for pin, use in what.pins.items():
            said = f"pin of the chip: {use}"
            found.append(Name("wiring", part, pin, "0 to 48", "", said, None, True))
        for word, allowed in what.words.items():
            found.append(_word("wiring", part, word, allowed, allowed[0]))
        found += [_number("wiring", part, row, True) for row in what.rows]
        yield from (replace(name, kind=kind) for name in found)


def _kind(kind: str) -> Iterator[Name]:
    said = meanings.of(kind)
    for name, least, most, usual in fields.KINDS[kind]:
        if kind != "calibration" or name not in TOLD_BY_POT:
            yield _number(kind, "", (name, least, most, usual, said[name]), False)
    if kind == "calibration":
        for probe, least, most, _ in fields.PROBES:
            pairs = f"pairs of counts and value, value {least} to {most}"
            yield Name(kind, probe, "points", pairs, said[probe], "readings and what they mean")
            yield Name(kind, probe, "rails", "two counts", "counts", "no sound probe reads beyond")
            most_counts = f"0 to {fields.COUNTS_MOST}"
            yield Name(kind, probe, "spread", most_counts, "counts", "scatter of one reading", 0)


def _private() -> Iterator[Name]:
    yield Name("private", "", "key", "hexadecimal", "", "made by wakewell; never shown", None, True)
    for table, rows in private.TABLES.items():
        for name, (kind, least, most, usual) in rows.items():
            allowed = {str: f"text up to {most} characters", bool: "true or false"}
            yield Name(
                "private", table, name, allowed.get(kind, f"{least} to {most}"), "",
                PRIVATE_WORDS[table], usual,
            )  # fmt: skip
    for who in (*private.PEOPLE, "people.NAME"):
        for name, kind in private.PERSON.items():
            allowed_ = "list of addresses" if kind is list else "text"
            yield Name("private", who, name, allowed_, "", "how and when reminders reach them")


def every() -> Iterator[Name]:
    """Every name that a person may write into the files of a pot's folder, file by file."""
    yield from _pot()
    yield from _wiring()
    for kind in KINDS:
        yield from _kind(kind)
    yield from _private()


def find(file: str, table: str, name: str, kind: str = "") -> Name:
    """The name of that file and table, and of that kind of part."""
    wanted = (file, table, name, kind)
    return next(n for n in every() if (n.file, n.table, n.name, n.kind) == wanted)


def lines() -> Iterator[str]:
    """All of it as TOML with comments: the usual value where there is one."""
    file, table = "", ("", "")
    for each in every():
        if each.file != file:
            file, table = each.file, ("", "")
            yield f"\n# ---- {file}.toml"
        if (each.table, each.kind) != table:
            table = each.table, each.kind
            yield f"\n[{each.table}]" + (f"  # {each.kind}" if each.kind else "")
        value: object = f'"{each.usual}"' if isinstance(each.usual, str) else each.usual
        if isinstance(value, bool):
            value = str(value).lower()
        left = " if left out" if value is not None else "" if each.needed else "; may be left out"
        yield f"# {each.name} = {'...' if value is None else value}{left}  # {each.said}"
