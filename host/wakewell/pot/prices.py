"""prices.toml: what parts cost the maker, with where the price is from.

What belongs here: the names of parts that may be priced, the file read and its first example. What
does not: which parts a pot needs, and how many.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeGuard

from wakewell.errors import BadFile, BadInput
from wakewell.pot import description, parts
from wakewell.tomlfile import Problem, TomlFile, nearest, read_toml, show, show_path

FILE = "prices.toml"
MOST_PRICE, MOST_SOURCE, MOST_CURRENCY = 100_000.0, 200, 10
# What may be priced, and an invented price of it: each part of the wiring among them
PARTS: dict[str, tuple[str, float]] = {
    "chip": ("the chip's module or board", 5.0),
    "pump": ("the pump", 4.0),
    "hose": ("hose, a metre", 1.0),
    "valve": ("check valve", 1.5),
    **{kind.sold[0]: kind.sold[1:] for kind in parts.PARTS.values() if kind.sold},
    "panel": ("the small panel", 6.0),
    "cell": ("the cell, with its protection circuit", 7.0),
    "charger": ("charger board", 2.5),
    "regulator": ("regulator", 1.0),
    "switch": ("transistor that switches the pump", 0.8),
    "diode": ("diode across the pump", 0.2),
    "fuse": ("fuse and its holder", 1.0),
    "resistors": ("all resistors and capacitors", 1.0),
    "tank": ("the tank", 5.0),
    "planter": ("the pot", 6.0),
    "box": ("box for board and cell", 4.0),
}
# What may stand in for a part, by the word that its price has in `instead`. The probes of a level
# are parts of their own.
INSTEAD: dict[str, tuple[str, ...]] = {
    "chip": ("bare", "development"),
    "pump": ("small", "strong"),
    "hose": tuple(f"bore_{bore}_mm" for bore in (3, 4, 5, 6, 8, 10, 12, 16, 20, 25)),
    "cell": ("half", "twice", *description.CHEMISTRIES),
    "regulator": ("linear",),
    "panel": ("half", "twice"),
    "tank": ("half", "twice"),
}


@dataclass(frozen=True)
class Price:
    """price: of one, in the file's currency; source: where it is from; invented: it is an example,
    not a real price; instead: of what may stand in for it, by its word of INSTEAD.
    """

    price: float
    source: str
    invented: bool = False
    instead: Mapping[str, float] = field(default_factory=dict)


def example() -> str:
    """The file of a new project: every price is invented, and the file says so."""
    rows = [
        "# What parts cost you. These are invented: put your own in their place, with where each",
        "# is from, and take the line `invented` out. A part that you have: take its table out.",
        'currency = "EUR"  # as it shall be printed',
    ]
    for name, (meaning, price) in PARTS.items():
        rows += ["", f"[{name}]  # {meaning}", f"price = {price:.2f}", 'source = "example"',
                 "invented = true"]  # fmt: skip
        if name in INSTEAD:
            words = ", ".join(f"{word} = 0.00" for word in INSTEAD[name][:2])
            more = ", ..." if INSTEAD[name][2:] else ""
            rows.append(f"# instead = {{ {words}{more} }}  # what one that may stand in costs")
    return "\n".join([*rows, ""])


def read(path: Path) -> tuple[str, dict[str, Price]]:
    """(currency, {part: its price}). Raises BadInput for a file that cannot be used."""
    file = read_toml(path, show_path(str(path)))
    if isinstance(file, Problem):
        raise BadFile(file)
    currency = file.data.get("currency")
    if not isinstance(currency, str) or not 0 < len(currency) <= MOST_CURRENCY:
        text = f"currency = {show(currency)}: allowed a short word, such as EUR; correct it"
        raise BadFile(file.problem(text, "currency"))
    found = {}
    for name, table in file.data.items():
        if name == "currency":
            continue
        if name not in PARTS:
            raise BadFile(file.problem(f"{show(name)}: not a part; {nearest(name, PARTS)}", name))
        found[name] = _price(file, name, table)
    return currency, found


def _price(file: TomlFile, name: str, table: Any) -> Price:
    """One part's table."""

    def refused(key: str, value: Any, allowed: str) -> BadInput:
        text = f"{name}.{key} = {show(value)}: allowed {allowed}; correct it"
        return BadFile(file.problem(text, name, key))

    if not isinstance(table, dict):
        raise refused("price", table, f"a table, [{name}] with price and source")
    known = ("price", "source", "invented", "instead")
    for key, value in table.items():
        if key not in known:
            raise refused(key, value, f"no such name; {nearest(key, known)}")
    price, source = table.get("price"), table.get("source", "")
    if not _is_price(price):
        raise refused("price", price, f"a number, 0 to {MOST_PRICE:g}")
    instead, words = table.get("instead", {}), INSTEAD.get(name, ())
    if not isinstance(instead, dict) or (not words and instead):
        raise refused("instead", instead, "for " + ", ".join(INSTEAD) + ": a table of prices")
    for key, value in instead.items():
        if key not in words:
            raise refused("instead", key, f"no such name; {nearest(key, words)}")
        if not _is_price(value):
            raise refused(f"instead.{key}", value, f"a number, 0 to {MOST_PRICE:g}")
    if not isinstance(source, str) or not source.isprintable() or len(source) > MOST_SOURCE:
        raise refused("source", source, f"a line of text, up to {MOST_SOURCE} characters")
    invented = table.get("invented", False)
    if not isinstance(invented, bool):
        raise refused("invented", invented, "true or false")
    return Price(float(price), source, invented, {k: float(v) for k, v in instead.items()})


def _is_price(value: Any) -> TypeGuard[float]:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    return number and 0 <= value <= MOST_PRICE
