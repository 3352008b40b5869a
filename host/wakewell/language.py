"""The language of what a pot's owner reads: pages, reminders, the card, the entry page.

What belongs here: which languages there are, which one is in force, and a text, a number or a date
in it. What does not: the texts. They are in English where they are used, and their translations
are in data/languages/*.po, which tools/catalogues.py brings up to date. Logs and what commands
print are English.

A text without a translation stays English. Babel is needed for the other languages alone.
"""

from __future__ import annotations

import gettext
import io
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import datetime
from functools import cache
from importlib.resources import files
from typing import Any

ENGLISH = "en"
NAMES = {"de": "Deutsch", ENGLISH: "English", "es": "español"}
_IN_FORCE = ContextVar("language", default=ENGLISH)


@contextmanager
def speaking(name: str) -> Iterator[None]:
    """Meanwhile texts are in that language, one of NAMES."""
    before = _IN_FORCE.set(name)
    try:
        yield
    finally:
        _IN_FORCE.reset(before)


def spoken() -> str:
    """The language in force."""
    return _IN_FORCE.get()


@cache
def catalogue(name: str) -> gettext.NullTranslations:
    """The translations into that language."""
    if name == ENGLISH:
        return gettext.NullTranslations()
    from babel.messages import mofile, pofile

    compiled = io.BytesIO()
    with files("wakewell").joinpath("data", "languages", f"{name}.po").open("rb") as source:
        mofile.write_mo(compiled, pofile.read_po(source, locale=name))
    compiled.seek(0)
    return gettext.GNUTranslations(compiled)


def term(text: str) -> str:
    """The text as it is: it is translated where it is shown."""
    return text


def say(text: str, **values: Any) -> str:
    """The text in the language in force, with these values in it."""
    found = catalogue(spoken()).gettext(text) if text else ""
    return found.format(**values) if values else found


def plural(one: str, more: str, number: int, **values: Any) -> str:
    """The text for so many, with {count} and these values in it."""
    found = catalogue(spoken()).ngettext(one, more, number)
    return found.format(count=number, **values)


def number(value: float, digits: int = 0) -> str:
    """The number with so many digits after its decimal point."""
    if spoken() == ENGLISH:
        return f"{value:.{digits}f}"
    from babel.numbers import format_decimal

    return format_decimal(value, f"0.{'0' * digits}" if digits else "0", locale=spoken())


def date(when: datetime, form: str) -> str:
    """A date in the form of that text, written as Unicode writes dates (UTS 35): "EEE d MMMM y"."""
    if spoken() == ENGLISH:
        for letters, python in (("EEEE", "%A"), ("EEE", "%a"), ("MMMM", "%B"), ("y", "%Y")):
            form = form.replace(letters, python)
        return when.strftime(form.replace("d", str(when.day), 1))
    from babel.dates import format_date

    return format_date(when, say(form), locale=spoken())


def for_pictures() -> dict[str, Any]:
    """What a Vega specification says about numbers and dates, for other languages than English."""
    if spoken() == ENGLISH:
        return {}
    from babel import Locale

    locale = Locale.parse(spoken())
    symbols = locale.number_symbols["latn"]
    days, months = locale.days["stand-alone"], locale.months["stand-alone"]
    sunday_first = (6, 0, 1, 2, 3, 4, 5)
    time = {
        "dateTime": "%x %X",
        "date": "%d.%m.%Y",
        "time": "%H:%M:%S",
        "periods": ["", ""],
        "days": [days["wide"][day] for day in sunday_first],
        "shortDays": [days["abbreviated"][day] for day in sunday_first],
        "months": list(months["wide"].values()),
        "shortMonths": list(months["abbreviated"].values()),
    }
    figures = {
        "decimal": symbols["decimal"],
        "thousands": symbols["group"],
        "grouping": [3],
        "currency": ["", ""],
    }
    return {"config": {"locale": {"number": figures, "time": time}}}
