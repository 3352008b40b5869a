"""The radio's figures for bench.py: what listening costs, and what a report costs a pot.

Each function returns one number. `bench` is bench.Bench. An extra that is not installed
raises Absent.
"""

from __future__ import annotations

import gc
import importlib
import importlib.util
import sqlite3
import statistics
import subprocess
import sys
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

from bench_rig import CLOCK, Absent

TESTS = Path(__file__).parent.parent / "tests"
BOARDS = 500  # that report; each message holds PER_REPORT lines, as after a week without a router
PER_REPORT = 8
TABLES = {"lines": "id", "readings": "line"}  # what listening fills, with the key of each


def reports(lines: list[bytes], boards: int) -> list[tuple[str, bytes]]:
    """(topic, sealed report): every board tells of the same wakes, one board after the other."""
    from wakeboard import senml
    from wakewell.log import record

    made, offset = [], 0
    for n, at in enumerate(range(0, len(lines) - PER_REPORT, PER_REPORT), 1):
        told = b""
        for data in lines[at : at + PER_REPORT]:
            told += senml.readings(record.read(data).plain) + senml.log_line(1, offset, data)
            offset += len(data) + 1
        for number in range(boards):
            board = f"0242ac{number:06x}"
            body = senml.head(board, n, "0011223344556677", {"asked": 0}) + told
            made.append((f"wakewell/{board}/report", bytes(senml.close(body, board.encode()))))
    return made


@cache
def measured(folder: Path, boards: int) -> list[tuple[float, float, int]]:
    """(seconds that listening took, seconds that sqlite3 alone took, records) of each part."""
    if importlib.util.find_spec("sqlalchemy") is None:
        raise Absent("the extra 'remote' is not installed")
    makelog = importlib.import_module("makelog")

    from wakewell.radio import listen, waiting
    from wakewell.radio.store import ReportStore

    lines = list(makelog.log_lines(makelog.play(makelog.wakes(65))))
    messages = reports([data.rstrip(b"\n") for data in lines], boards)
    keys = {topic.split("/")[1]: topic.split("/")[1].encode() for topic, _ in messages}
    here = folder / "listen"
    for board in keys:
        (here / board / "logs").mkdir(parents=True)
    store = ReportStore(here / "heard.db", {board: here / board for board in keys})
    listener = listen.Listener(keys, store, lambda topic, payload: None)
    alone = sqlite3.connect(here / "alone.db")
    for text in ("journal_mode=WAL", "synchronous=FULL"):
        alone.execute("PRAGMA " + text)
    heard = sqlite3.connect(here / "heard.db")
    chosen = "SELECT sql FROM sqlite_master WHERE tbl_name = ? AND sql IS NOT NULL"
    adding = {}
    for table in TABLES:  # the same tables with the same indexes
        for (text,) in heard.execute(chosen, (table,)):
            alone.execute(text)
        columns = ", ".join("?" * len(heard.execute(f"SELECT * FROM {table}").description))
        adding[table] = f"INSERT OR IGNORE INTO {table} VALUES ({columns})"
    per_batch = waiting.BATCH * PER_REPORT
    parts, count = [], 0
    for at in range(0, len(messages), boards):  # in turns, so that both run under the same load
        part = [waiting.Message(topic, data) for topic, data in messages[at : at + boards]]
        gc.collect()
        begun = CLOCK()
        for first in range(0, len(part), waiting.BATCH):
            listener.deal(part[first : first + waiting.BATCH], 1.8e9)
        took_s = CLOCK() - begun
        rows = {
            table: heard.execute(
                f"SELECT * FROM {table} WHERE {number} > ? ORDER BY {number}", (count,)
            ).fetchall()
            for table, number in TABLES.items()
        }
        new = len(rows["lines"])
        gc.collect()
        begun = CLOCK()
        for first in range(0, new, per_batch):
            with alone:
                for table, text in adding.items():
                    alone.executemany(text, rows[table][first : first + per_batch])
        parts.append((took_s, CLOCK() - begun, new))
        count += new
    assert (listener.bad, listener.new) == (0, count)
    store.close()
    alone.close()
    heard.close()
    return parts


def listen_records_per_s(bench: Any) -> float:
    """Records verified, kept, written to log files and answered in a second of one core."""
    return statistics.median(
        count / took_s
        for took_s, _, count in measured(bench.folder, bench.pick(BOARDS, BOARDS, 20))
    )


def listen_over_sqlite(bench: Any) -> float:
    """Time of listening over the time sqlite3 alone takes to insert the same rows."""
    return statistics.median(
        took_s / alone_s
        for took_s, alone_s, _ in measured(bench.folder, bench.pick(BOARDS, BOARDS, 20))
    )


# A board's messages are made as they are dealt with, so that only the listener's own memory grows.
PEAK = """
import sys
from pathlib import Path
sys.path[:0] = [%(tools)r, %(tests)r]
import bench_radio, makelog
from wakewell.radio import listen, waiting
from wakewell.radio.store import ReportStore
here, count = Path(sys.argv[1]), int(sys.argv[2])
lines = [d.rstrip(b"\\n") for d in makelog.log_lines(makelog.play(makelog.wakes(12)))]
topic, data = bench_radio.reports(lines, 1)[0]
from wakeboard import sealed, senml
key = topic.split("/")[1].encode()
body = sealed.unseal(data, key, 1 << 20, sealed.PACK)[0][:-1]
boards = ["0242ac%%06x" %% n for n in range(count)]
for board in boards:
    (here / board / "logs").mkdir(parents=True)
store = ReportStore(here / "heard.db", {board: here / board for board in boards})
keys = {board: board.encode() for board in boards}
listener = listen.Listener(keys, store, lambda topic, payload: None, lambda said: None)
for at in range(0, count, waiting.BATCH):
    batch = []
    for board in boards[at : at + waiting.BATCH]:
        own = body.replace(senml.base_name(boards[0]).encode(), senml.base_name(board).encode())
        sent = bytes(senml.close(own, board.encode()))
        batch.append(waiting.Message("wakewell/" + board + "/report", sent))
    listener.deal(batch, 1.8e9)
assert (listener.bad, listener.heard) == (0, count)
print(int(Path("/proc/self/status").read_text().split("VmHWM:")[1].split()[0]) / 1024)
"""


def listen_peak_mib(boards: int) -> Callable[[Any], float]:
    """A figure: peak memory of a listener that hears so many boards, each with a week's wakes."""

    def figure(bench: Any) -> float:
        count = bench.pick(boards, boards, 10)
        if importlib.util.find_spec("sqlalchemy") is None:
            raise Absent("the extra 'remote' is not installed")
        if not Path("/proc/self/status").exists():
            raise Absent("this system does not tell a process's peak memory")
        here = bench.folder / f"peak{boards}"
        here.mkdir()
        program = PEAK % {"tools": str(Path(__file__).parent), "tests": str(TESTS)}
        done = subprocess.run(
            [sys.executable, "-c", program, str(here), str(count)],
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        return float(done.stdout)

    return figure


def radio_charge_share(bench: Any) -> float:
    """Largest share of a year's charge that the radio takes, by the budgets of the café's pots,
    were each of their regular wakes to report. As shipped they have no radio: 0."""
    from dataclasses import replace
    from datetime import date

    from wakewell.budget import inputs
    from wakewell.budget.doubt import nominal
    from wakewell.shipped import CAFE

    shares = []
    for path in sorted(path for path in CAFE.iterdir() if path.is_dir()):
        found = inputs.gather(inputs.open_folder(str(path)), date(2026, 1, 1))
        found = replace(found, radio_share=1.0)
        months = [found.charge_day_mah(month) for month in range(12)]
        radio: float = sum(nominal(used["radio"]) for used in months)
        whole = sum(nominal(charge) for used in months for charge in used.values())
        shares.append(radio / whole)
    return max(shares)
