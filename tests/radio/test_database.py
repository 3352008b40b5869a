"""The table of readings: a row for each wake however it came, and databases of an older form."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
import test_listen as common
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from test_listen import BOARD, LINES, Desk, pack, wakes
from test_order import wake

from wakecore import line
from wakewell.errors import BadInput
from wakewell.log import logs, record, series
from wakewell.log.record import Brief, Wake
from wakewell.radio import migrate, readings
from wakewell.radio.store import ReportStore
from wakewell.radio.tables import META, READINGS
from wakewell.shipped import CAFE, TROUBLE

PAGE = Path(migrate.__file__).with_name("DATABASE.md")


def rows(store: ReportStore) -> list[Any]:
    with store.engine.connect() as c:
        return list(c.execute(sa.select(READINGS).order_by(READINGS.c.line)))


def numbers(store: ReportStore) -> list[int]:
    return sorted(row.n for row in rows(store))


@pytest.fixture(params=["sqlite", "postgresql"])
def where(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """An empty database of either kind."""
    if request.param == "sqlite":
        return str(tmp_path / "heard.db")
    return str(request.getfixturevalue("empty_postgres"))


def test_a_row_says_what_the_record_says() -> None:
    """Of every line that ships: the quick reading of a row against the reading of the record."""
    count = 0
    for path in sorted((*CAFE.rglob("*.jsonl.gz"), *TROUBLE.rglob("*.jsonl.gz"))):
        for data, *_ in logs.read_lines(path, logs.Skips()):
            found = record.read(data).found
            if not isinstance(found, Wake | Brief):
                continue
            count += 1
            row = dict(
                zip(readings.NAMES, readings.row_of("b", found.n, "c", 7, data), strict=False)
            )
            assert row["time_s"] == series.clock_of(found.begin.utc)
            if isinstance(found, Wake):
                shown, *_ = series.row_of(found, (0, 0), {})
                for name in ("soil_ppt", "level_ml", "battery_mv", "temperature_mc", "charge_uah"):
                    assert row[name] == getattr(shown, name), path
                assert row["given_ul"] == shown.delivered_ul
                for name in ("lockouts", "needs"):
                    assert row[name] == "; ".join(getattr(shown, name))
    assert count > 1500


@pytest.mark.parametrize(
    ("changed", "wanted"),
    [
        ({"lockouts": [1]}, (None, None)),
        ({"needs": ["a\u0000b", "x" * 900]}, (None, "a\\x00b; " + "x" * 40 + "...")),
        ({"charge_uah": 1 << 40}, (None, None)),
        ({"charge_uah": 5, "values": {}}, (5, "")),
    ],
)
def test_whatever_a_wake_holds_it_has_one_row(
    where: str, tmp_path: Path, changed: dict[str, Any], wanted: tuple[Any, Any]
) -> None:
    """What has not the form is empty, and a text that no database takes stops nothing."""
    told, _ = line.decode(wake(3, 9701))
    assert told is not None
    told |= changed
    desk = Desk(tmp_path / "basil", where)
    desk.hear(pack([bytes(line.encode(tuple(told), told))], at=0))
    (row,) = rows(desk.listener.store)
    desk.listener.store.close()
    assert (row.n, row.heard_s) == (3, int(common.NOW))
    assert (row.charge_uah if "charge_uah" in changed else None, row.needs) == wanted


OLD = """
CREATE TABLE pots (board VARCHAR(64) NOT NULL, heard_at BIGINT NOT NULL, report BIGINT NOT NULL,
  n BIGINT NOT NULL, told JSON NOT NULL, PRIMARY KEY (board));
CREATE TABLE lines (id {id} NOT NULL, board VARCHAR(64) NOT NULL, kind VARCHAR(8) NOT NULL,
  n BIGINT NOT NULL, crc VARCHAR(8) NOT NULL, file BIGINT NOT NULL, heard_at BIGINT NOT NULL,
  data {data} NOT NULL{more}, PRIMARY KEY (id), UNIQUE (board, kind, n, crc));
CREATE TABLE reminders (board VARCHAR(64) NOT NULL, cause VARCHAR(100) NOT NULL,
  since BIGINT NOT NULL, sent_at BIGINT, "before" BIGINT, holds BOOLEAN NOT NULL,
  PRIMARY KEY (board, cause));
CREATE TABLE dropped (why VARCHAR(200) NOT NULL, times BIGINT NOT NULL, PRIMARY KEY (why));
"""
PLACED = ", at BIGINT DEFAULT '-1' NOT NULL, home VARCHAR(16) DEFAULT '' NOT NULL"


def old_database(where: str, more: str) -> None:
    """As the version before the table of readings left it, or one before its places were kept."""
    store = sa.create_engine(where if "://" in where else f"sqlite:///{where}")
    lite = store.dialect.name == "sqlite"
    kinds = {"id": "INTEGER", "data": "BLOB"} if lite else {"id": "BIGSERIAL", "data": "BYTEA"}
    with store.begin() as c:
        for text in OLD.format(more=more, **kinds).split(";")[:-1]:
            c.exec_driver_sql(text)
        board = {"board": BOARD, "heard_at": 1, "report": 1, "n": 1, "told": "{}"}
        c.execute(sa.text("INSERT INTO pots VALUES (:board, :heard_at, :report, :n, :told)"), board)
        for data in LINES[:9]:
            found = line.decode(data)[0]
            assert found is not None
            values = {"kind": found["kind"], "n": found["n"], "crc": data[-10:-2].decode()}
            c.execute(
                sa.text(
                    "INSERT INTO lines (board, kind, n, crc, file, heard_at, data) "
                    "VALUES (:board, :kind, :n, :crc, 1, 1, :data)"
                ),
                values | {"board": BOARD, "data": data},
            )
    store.dispose()


@pytest.mark.parametrize("more", ["", PLACED], ids=["first form", "with places"])
def test_a_database_of_todays_form_gets_its_readings(where: str, tmp_path: Path, more: str) -> None:
    """All lines stay, each wake among them has its row, what comes now goes on; and the tables are
    the very ones that a new database has. Of an SQLite file there is a copy as it was."""
    old_database(where, more)
    kept = tmp_path / f"heard.db.before-{migrate.FORM}"
    before = Path(where).read_bytes() if "://" not in where else b""
    desk = Desk(tmp_path / "basil", where)
    store = desk.listener.store
    assert store.note.startswith("the database has a newer form now")
    assert numbers(store) == wakes(LINES[:9])
    desk.hear(pack(LINES[5:12], n=2))
    assert numbers(store) == wakes(LINES[:12])
    assert store.lines(BOARD) == LINES[:12]
    with store.engine.connect() as c:
        assert compare_metadata(MigrationContext.configure(c), META) == []
    store.close()
    assert kept.exists() == bool(before)
    if before:
        assert kept.stat().st_mode & 0o077 == 0
        with closing(sqlite3.connect(kept)) as copy:
            assert [*copy.iterdump()] == [*dump_of(tmp_path, before)]
    again = ReportStore(where)
    assert again.note == ""
    again.close()
    assert len([*tmp_path.glob("*.before-*")]) == bool(before)


def dump_of(folder: Path, data: bytes) -> Iterator[str]:
    (folder / "was.db").write_bytes(data)
    with closing(sqlite3.connect(folder / "was.db")) as c:
        yield from c.iterdump()


def test_a_step_that_fails_leaves_all_as_it_was(
    where: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And the next start does it, with another copy where one lies there already."""
    old_database(where, PLACED)

    def broken(*args: Any, **kwargs: Any) -> Any:
        raise sa.exc.OperationalError("", {}, Exception("the disk is full"))

    monkeypatch.setattr("alembic.operations.Operations.create_index", broken)
    with pytest.raises(BadInput, match="the disk is full"):
        ReportStore(where)
    monkeypatch.undo()
    engine = sa.create_engine(where if "://" in where else f"sqlite:///{where}")
    with engine.connect() as c:
        assert set(sa.inspect(c).get_table_names()) == {"pots", "lines", "reminders", "dropped"}
    engine.dispose()
    store = ReportStore(where)
    assert numbers(store) == wakes(LINES[:9])
    store.close()


def test_a_new_database_is_what_the_steps_make(where: str) -> None:
    ReportStore(where).close()
    engine = sa.create_engine(where if "://" in where else f"sqlite:///{where}")
    with engine.connect() as c:
        assert compare_metadata(MigrationContext.configure(c), META) == []
    config = Config()
    config.set_main_option("script_location", str(migrate.STEPS))
    assert ScriptDirectory.from_config(config).get_current_head() == migrate.FORM
    with engine.begin() as c:
        c.exec_driver_sql("UPDATE alembic_version SET version_num = '0099'")
    engine.dispose()
    with pytest.raises(BadInput, match="a newer wakewell made it"):
        ReportStore(where)


def test_lines_that_an_older_listener_kept_meanwhile_get_their_rows(tmp_path: Path) -> None:
    desk = Desk(tmp_path / "basil")
    desk.hear(pack(LINES[:9]))
    with desk.listener.store.engine.begin() as c:
        c.execute(sa.delete(READINGS).where(READINGS.c.n > 3))
    desk.listener.store.close()
    again = Desk(tmp_path / "basil")
    assert numbers(again.listener.store) == wakes(LINES[:9])


def test_the_page_tells_of_every_table_and_column_and_its_queries_run(
    where: str, tmp_path: Path
) -> None:
    """One query for a dashboard and one for a spreadsheet, as they stand there for each kind of
    database."""
    text = PAGE.read_text(encoding="utf-8")
    for table in META.tables.values():
        assert f"### `{table.name}`" in text
        for column in table.c:
            assert f"| `{column.name}` |" in text.partition(f"### `{table.name}`")[2], column
    desk = Desk(tmp_path / "basil", where)
    desk.hear(pack(LINES[:20]))
    queries = re.findall(r"```sql\n-- (.*?)\n(.*?)```", text, re.DOTALL)
    kind = "PostgreSQL" if "://" in where else "SQLite"
    ours = [query for title, query in queries if kind in title]
    assert len(ours) == 2
    with desk.listener.store.engine.connect() as c:
        for query in ours:
            found = c.exec_driver_sql(query.replace("%", "%%") if "://" in where else query).all()
            assert len(found) == len(wakes(LINES[:20]))
    desk.listener.store.close()
