"""A wake's line as a row of the table of readings: plain columns for whoever speaks SQL.

Belongs here: what of a wake a row holds, and rows for lines that have none yet. DATABASE.md tells
of them. Not here: when lines are kept (store).
"""

from __future__ import annotations

from typing import Any

from msgspec import UNSET, UnsetType

from wakecore.run import DRY_RUNS
from wakewell.log.logs import printable
from wakewell.log.record import MOST_WORD, HeardValues, heard_wake
from wakewell.log.series import clock_of
from wakewell.radio.tables import LINES, READINGS, sa

NAMES = tuple(column.name for column in READINGS.c if column.name != "line")
FILL = 1000  # lines that get their rows in one transaction
MOST_OF_THEM = 20  # words in one cell; the core has fewer
BETWEEN = "; "
DRY = frozenset(DRY_RUNS)
Row = tuple[Any, ...]  # NAMES, and the CRC of its line


UNKNOWN = HeardValues()


def row_of(board: str, n: int, crc: str, heard_s: int, data: bytes) -> Row:
    """The row of a wake's line. What the line does not tell is None."""
    found = heard_wake(data)
    if found is None:
        return (board, n, None, heard_s, *[None] * (len(NAMES) - 4), crc)
    values = found.values or UNKNOWN
    given_ul = None
    if found.water:
        given_ul = found.water.given_ul or 0  # without a pulse it is not there
        if found.trips and not DRY.isdisjoint(found.trips):
            given_ul = 0  # a try that showed no water
    return (
        board,
        n,
        clock_of(found.begin.utc),
        heard_s,
        values.soil_ppt,
        values.level_ml,
        values.battery_mv,
        values.temperature_mc,
        given_ul,
        None if found.charge_uah is UNSET else found.charge_uah,
        _cell(found.lockouts),
        _cell(found.needs),
        crc,
    )


def _cell(names: list[str] | UnsetType) -> str | None:
    """Those words in one text, "" where there are none; None: not told."""
    if names is UNSET:
        return None
    return BETWEEN.join([printable(name, MOST_WORD) for name in names[:MOST_OF_THEM]])


def adding(mark: str) -> str:
    """The statement that adds a Row where it is missing. mark: of a value in this driver."""
    chosen = ", ".join(["id", *[mark] * len(NAMES)])
    return (
        f"INSERT INTO {READINGS.name} ({', '.join(('line', *NAMES))}) "
        f"SELECT {chosen} FROM {LINES.name} "
        f"WHERE board = {mark} AND kind = 'wake' AND n = {mark} AND crc = {mark} "
        "ON CONFLICT DO NOTHING"
    )


def parameters(row: Row) -> Row:
    """The values of that statement."""
    return (*row[:-1], row[0], row[1], row[-1])


def fill(engine: sa.Engine, add: str) -> int:
    """Make the rows that lines lack: heard before there was such a table, or by a listener of an
    older version. Returns how many were looked at. Raises SQLAlchemyError."""
    have = sa.select(READINGS.c.line).where(READINGS.c.line == LINES.c.id).exists()
    columns = (LINES.c.id, LINES.c.board, LINES.c.n, LINES.c.crc, LINES.c.heard_at, LINES.c.data)
    lacking = sa.select(*columns).where((LINES.c.kind == "wake") & ~have)
    after = count = 0
    while True:
        with engine.begin() as c:
            chosen = lacking.where(LINES.c.id > after).order_by(LINES.c.id).limit(FILL)
            rows = c.execute(chosen).all()
            if not rows:
                return count
            made = [row_of(*row[1:5], bytes(row.data)) for row in rows]
            c.exec_driver_sql(add, [parameters(row) for row in made])
        after = rows[-1].id
        count += len(rows)
