"""Brings a database to the form of this version before anything is read from it or kept there.

A new one is made at once; one of an older form goes through the steps in migrations/, all or none,
and of an SQLite file a copy is made first. A newer form than is known here is refused.
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from pathlib import Path

from wakewell import ownfile
from wakewell.errors import BadInput
from wakewell.radio.tables import LINES, META, sa
from wakewell.tomlfile import show_path

FORM = "0003"  # the newest of the steps
STEPS = Path(__file__).with_name("migrations")
NEW, FIRST = "new", "before the first step"
MARK = sa.Table("alembic_version", sa.MetaData(), sa.Column("version_num", sa.String(32)))
LOCK = 0x57616B65  # of PostgreSQL's advisory locks: one who brings it to a newer form
MOST_COPIES = 100


def to_todays_form(engine: sa.Engine) -> str:
    """What was done, in words; "" where there was nothing to do.

    Raises BadInput for a newer form, OSError and SQLAlchemyError.
    """
    with engine.connect() as c:
        if form_of(c) == FORM:
            return ""
    sqlite = engine.dialect.name == "sqlite"
    with engine.begin() as c:
        # Whoever else does it now is waited for, and has then done it.
        c.exec_driver_sql("BEGIN IMMEDIATE" if sqlite else f"SELECT pg_advisory_xact_lock({LOCK})")
        found = form_of(c)
        if found == FORM:
            return ""
        if found == NEW:
            META.create_all(c)
            MARK.create(c)
            c.execute(MARK.insert().values(version_num=FORM))
            return ""
        place = engine.url.database
        copy = copied(Path(place)) if sqlite and place and os.path.isfile(place) else None
        _step(c)
    told = f"the database has a newer form now ({FORM})"
    return f"{told}; as it was: {show_path(str(copy))}" if copy else told


def form_of(c: sa.Connection) -> str:
    """Its form, NEW or FIRST. Raises BadInput for one that is not known here."""
    tables = sa.inspect(c).get_table_names()
    if MARK.name not in tables:
        return FIRST if LINES.name in tables else NEW
    found = str(c.scalar(sa.select(MARK.c.version_num)) or FIRST)
    if found > FORM and found != FIRST:
        raise BadInput(
            f"its form is {found[:20]}, known here up to {FORM}: a newer wakewell made it; "
            "update this one"
        )
    return found


def copied(database: Path) -> Path:
    """A copy of an SQLite file beside it, whole and on the disk. Raises OSError."""
    for number in range(1, MOST_COPIES):
        end = f"-{number}" if number > 1 else ""
        copy = database.with_name(f"{database.name}.before-{FORM}{end}")
        if not copy.exists():
            break
    else:
        raise FileExistsError(17, "too many copies beside it; remove some", str(database))
    draft = copy.with_name(copy.name + ".part")
    ownfile.new(draft).close()
    try:
        with closing(sqlite3.connect(database)) as old, closing(sqlite3.connect(draft)) as new:
            old.backup(new)
    except sqlite3.Error as error:
        draft.unlink(missing_ok=True)
        raise OSError(28, f"no copy could be made first: {error}", str(copy)) from None
    draft.replace(copy)
    return copy


def make(c: sa.Connection, form: str) -> None:
    """The tables of that form in an empty database, in the transaction of that connection."""
    _step(c, form)


def _step(c: sa.Connection, form: str = "head") -> None:
    """The steps that it lacks up to that form, in the transaction of that connection."""
    # Loaded only where there is something to do: it takes longer than all the rest of a start.
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(STEPS).replace("%", "%%"))
    config.attributes["connection"] = c
    command.upgrade(config, form)
