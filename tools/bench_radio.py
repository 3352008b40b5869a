"""The radio's figures for bench.py: what listening costs, and what a report costs a pot.

Each function returns one number. `bench` is bench.Bench. An extra that is not installed
raises Absent.
"""

from __future__ import annotations

import importlib
import importlib.util
import sqlite3
import time
from functools import cache
from pathlib import Path
from typing import Any

from bench_rig import Absent

BOARDS = 500  # that report; each message holds PER_REPORT lines, as after a week without a router
PER_REPORT = 8


def reports(lines: list[bytes]) -> list[tuple[str, bytes, list[bytes]]]:
    """(topic, sealed report, its lines): every board tells of the same wakes."""
    from wakeboard import senml
    from wakewell import logs

    made = []
    for number in range(BOARDS):
        board = f"0242ac{number:06x}"
        for n, at in enumerate(range(0, len(lines) - PER_REPORT, PER_REPORT), 1):
            body, offset = senml.head(board, n, "0011223344556677", {"asked": 0}), 0
            told = lines[at : at + PER_REPORT]
            for data in told:
                record, _ = logs.decode(data)
                body += senml.readings(record or {}) + senml.log_line(1, offset, data)
                offset += len(data) + 1
            made.append(
                (f"wakewell/{board}/report", bytes(senml.close(body, board.encode())), told)
            )
    return made


@cache
def measured(folder: Path, quick: bool) -> tuple[float, float, int]:
    """(seconds that listening took, seconds that sqlite3 alone took, records)."""
    if importlib.util.find_spec("sqlalchemy") is None:
        raise Absent("the extra 'remote' is not installed")
    makelog = importlib.import_module("makelog")

    from wakewell.remote import listen
    from wakewell.remote.store import Store

    lines = list(makelog.log_lines(makelog.play(makelog.wakes(25 if quick else 65))))
    messages = reports([data.rstrip(b"\n") for data in lines])
    keys = {topic.split("/")[1]: topic.split("/")[1].encode() for topic, _, _ in messages}
    here = folder / "listen"
    here.mkdir()
    store = Store(here / "heard.db", {board: here / board for board in keys})
    for board in keys:
        (here / board).mkdir()
    listener = listen.Listener(keys, store, lambda topic, payload: None)
    begun = time.perf_counter()
    for at in range(0, len(messages), listen.BATCH):
        batch = messages[at : at + listen.BATCH]
        listener.deal([listen.Message(topic, data) for topic, data, _ in batch], 1.8e9)
    took_s = time.perf_counter() - begun
    assert listener.bad == 0
    store.close()
    alone = sqlite3.connect(here / "alone.db")
    for text in ("journal_mode=WAL", "synchronous=FULL"):
        alone.execute("PRAGMA " + text)
    alone.execute(
        "CREATE TABLE lines (id INTEGER PRIMARY KEY, board VARCHAR, kind VARCHAR, n BIGINT, "
        "crc VARCHAR, file BIGINT, heard_at BIGINT, data BLOB, UNIQUE (board, kind, n, crc))"
    )
    with sqlite3.connect(here / "heard.db") as heard:
        rows = heard.execute("SELECT * FROM lines ORDER BY id").fetchall()
    per_batch = listen.BATCH * PER_REPORT
    begun = time.perf_counter()
    for at in range(0, len(rows), per_batch):
        with alone:
            alone.executemany(
                "INSERT OR IGNORE INTO lines VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                rows[at : at + per_batch],
            )
    alone_s = time.perf_counter() - begun
    alone.close()
    return took_s, alone_s, len(rows)


def listen_records_per_s(bench: Any) -> float:
    """Records verified, kept, written to log files and answered in a second."""
    took_s, _, count = measured(bench.folder, bench.quick)
    return count / took_s


def listen_over_sqlite(bench: Any) -> float:
    """Time of listening over the time sqlite3 alone takes to insert the same rows."""
    took_s, alone_s, _ = measured(bench.folder, bench.quick)
    return took_s / alone_s


def radio_charge_share(bench: Any) -> float:
    """Largest share of a year's charge that the radio takes, by the budgets of the café's pots,
    were each of their regular wakes to report. As shipped they have no radio: 0."""
    from dataclasses import replace
    from datetime import date

    from wakewell.budget import inputs
    from wakewell.budget.doubt import nominal
    from wakewell.trials import CAFE

    shares = []
    for path in sorted(path for path in CAFE.iterdir() if path.is_dir()):
        found = inputs.gather(inputs.open_folder(str(path)), date(2026, 1, 1))
        found = replace(found, radio_share=1.0)
        months = [found.charge_day_mah(month) for month in range(12)]
        radio: float = sum(nominal(used["radio"]) for used in months)
        whole = sum(nominal(charge) for used in months for charge in used.values())
        shares.append(radio / whole)
    return max(shares)
