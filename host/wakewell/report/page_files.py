"""Pages, pictures and tables from field logs.

Read it in this order: times, series (the log as rows), trend, forecast,
findings, recurring, condition (the answer), magnifier (one wake), pictures, pages, sheet (tables).
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from functools import cache
from pathlib import Path

from wakewell import drawing
from wakewell.errors import BadInput
from wakewell.log import logs, series
from wakewell.log.record import Brief, Wake
from wakewell.log.series import clock_of
from wakewell.shipped import DATA
from wakewell.tomlfile import show_path


def today() -> float:
    """Now, in seconds since 1970: it decides what has run out since the log ended."""
    return time.time()


@cache
def last_day(folder: Path) -> float | None:
    """The newest time on record in the logs below that folder, seconds since 1970."""
    found: list[int] = []
    for _, files in logs.find_logs(folder):
        for read, _ in logs.read_file(files[-1], logs.Skips()):
            if isinstance(read.found, Wake | Brief):
                time_s = clock_of(read.found.begin.utc)
                found += [time_s] if time_s is not None else []
    return max(found, default=None)


def speaks_of(place: Path) -> float:
    """The time a page about that log speaks of: today, for the demo sets their last day."""
    place = place.resolve()
    if place.is_relative_to(DATA):
        ended = last_day(DATA / place.relative_to(DATA).parts[0])
        if ended is not None:
            return ended
    return today()


def write_page(
    place: Path, files: Sequence[Path], out: Path, zone: str = "", ended: bool = False
) -> Path:
    """Write one pot's page for another command, which then prints where it is.

    ended: of a life that ended with its log, such as a simulated one; the page speaks of that day.
    Raises BadInput without the packages that draw, or if no wake could be read.
    """
    from wakewell.report import pages

    (name,) = series.names([place])
    log = series.read(name, place, files)
    if not log.wakes:
        text = f"no wake could be read, {log.skips.count} lines skipped"
        raise BadInput(f"{show_path(str(place))}: {text}")
    view = pages.view(log, zone, None if ended else speaks_of(place))
    pages.write(out / view.page, pages.pot_page(view).encode())
    pages.write(out / pages.SAFETY_PAGE, pages.safety_page().encode())
    return out / view.page


def page_link(place: Path, out: str, files: Sequence[Path] = (), ended: bool = False) -> str:
    """Write one pot's page into that folder; where it is, as a link. files: found if not given."""
    found = list(files) or [path for _, paths in logs.find_logs(place) for path in paths]
    return write_page(place, found, Path(out), ended=ended).resolve().as_uri()


def can_draw() -> None:
    """BadInput if the packages that draw are not installed: asked before any long work."""
    drawing.converter()
