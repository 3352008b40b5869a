"""What a report leaves in a folder: pages, pictures, tables.

What belongs here: which files, under which names, with what in them. What does not: what stands on
a page (pages.py), what is said on the screen (commands/report.py).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, datetime, timedelta
from datetime import time as clock
from pathlib import Path

from wakewell import language
from wakewell.errors import BadInput
from wakewell.log import logs
from wakewell.log.series import PotLog, WakeRow
from wakewell.log.times import Calendar
from wakewell.report import magnifier, pages, plots, sheet
from wakewell.report.pages import PotView

ROUND = "round.html"
TABLES, DRAWINGS = ("csv", "parquet"), ("png", "svg")


def find_logs(paths: Sequence[Path]) -> list[tuple[Path, list[Path]]]:
    """(place, files) of every log at those paths. A path without one is an error."""
    found = []
    for path in paths:
        here = logs.find_logs(path)
        if not here:
            raise logs.no_log(path)
        found += here
    return found


def end_of_day(text: str, calendar: Calendar) -> float:
    """The last second of that day, seconds since 1970. Raises BadInput."""
    try:
        after = date.fromisoformat(text) + timedelta(days=1)
        return datetime.combine(after, clock(), calendar.zone).timestamp() - 1
    except (ValueError, OverflowError, OSError):
        raise BadInput(
            f"--as-of {text[:40]!r}: not a day; write a date such as 2026-05-27"
        ) from None


def table(log: PotLog, form: str, out: Path) -> Path:
    """A row for each wake, as one of TABLES."""
    path = out / f"{log.name}.{form}"
    pages.write(path, sheet.csv(log) if form == "csv" else sheet.parquet(log))
    return path


def pictures(view: PotView, form: str, out: Path) -> Iterator[Path]:
    """Each picture of the pot's page in a file of its own, as one of DRAWINGS."""
    log = view.log
    for picture in view.pictures:
        path = out / f"{log.name}-{picture.key}.{form}"
        with language.speaking(log.language):
            drawn = plots.draw(picture, form, log.title, pages.span_of(view))
        pages.write(path, drawn)
        yield path


def page(view: PotView, out: Path, up: str = "") -> Path:
    """The pot's page. up: the page of the round, if there is one."""
    pages.write(out / view.page, pages.pot_page(view, up).encode())
    return out / view.page


def safety_page(out: Path) -> None:
    """The page that every other one points to."""
    pages.write(out / pages.SAFETY_PAGE, pages.safety_page().encode())


def round_page(views: list[PotView], unread: list[tuple[str, str]], out: Path) -> Path:
    """The page over all pots. unread: (name, why) of those whose log cannot be read."""
    pages.write(out / ROUND, pages.round_page(views, unread).encode())
    return out / ROUND


def magnified(view: PotView, asked: str, out: Path) -> tuple[list[WakeRow], Path] | None:
    """(the wakes asked for, the page of them) with the pot's page, None if the log has none."""
    wakes = magnifier.wanted(view.log, asked, view.calendar)
    if not wakes:
        return None
    path = out / f"{view.log.name}-wake-{asked.strip().lower().replace(' ', '-')}.html"
    pages.write(path, pages.wake_page(view, asked, wakes).encode())
    page(view, out)
    safety_page(out)
    return wakes, path
