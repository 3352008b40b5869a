"""The log as a table: a row for each wake, for a spreadsheet or a data frame.

What belongs here: columns and the two file formats. Names carry units; an empty cell was
not believed or not there.
"""

from __future__ import annotations

import csv as csv_module
import io
from datetime import UTC, datetime
from typing import Any

from wakewell.errors import BadInput
from wakewell.log.series import PotLog, WakeRow

TIMES = ("time_utc", "elapsed_s")
NUMBERS = (
    *("n", "soil_ppt", "level_ml", "battery_mv", "temperature_mc", "soil_counts", "rest"),
    *("dose_ul", "pulse_ms", "ran_ms", "given_ul", "fall_ml", "day_ml", "awake_ms"),
    *("charge_uah", "slept_s", "sleep_s", "stores_failed", "boots"),
)
WORDS = ("cause", "phase", "kind", "soil_word", "level_word", "battery_word", "core")
LISTS = ("trips", "lockouts", "needs", "failing")
HEADS = (*TIMES, *NUMBERS, *WORDS, *LISTS)


def cells(log: PotLog, wake: WakeRow) -> list[Any]:
    """One row."""
    when = ""
    if log.dated:
        when = f"{datetime.fromtimestamp(wake.time_s, UTC):%Y-%m-%dT%H:%M:%SZ}"
    row: list[Any] = [when, round(wake.time_s - log.wakes[0].time_s)]
    row += [getattr(wake, name) for name in (*NUMBERS, *WORDS)]
    return row + ["; ".join(getattr(wake, name)) for name in LISTS]


def plain(value: Any) -> Any:
    """An apostrophe is put before text that a spreadsheet would take for a formula."""
    if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r"):
        return "'" + value
    return value


def csv(log: PotLog) -> bytes:
    """Comma-separated values (RFC 4180), UTF-8."""
    text = io.StringIO()
    writer = csv_module.writer(text)
    writer.writerow(HEADS)
    for wake in log.wakes:
        writer.writerow([plain(value) for value in cells(log, wake)])
    return text.getvalue().encode()


def parquet(log: PotLog) -> bytes:
    """Apache Parquet. Needs the package pyarrow."""
    try:
        import pyarrow  # type: ignore[import-untyped]
        import pyarrow.parquet  # type: ignore[import-untyped]
    except ImportError:
        raise BadInput(
            "--form parquet needs the package pyarrow; install it with: pip install pyarrow; "
            "or use --form csv"
        ) from None
    rows = [cells(log, wake) for wake in log.wakes]
    columns = dict(zip(HEADS, (list(column) for column in zip(*rows, strict=True)), strict=True))
    buffer = io.BytesIO()
    pyarrow.parquet.write_table(pyarrow.table(columns), buffer)
    return buffer.getvalue()
