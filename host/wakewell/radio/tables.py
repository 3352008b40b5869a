"""The tables of the database, as DATABASE.md tells of them.

Belongs here: tables, columns, indexes. Whatever changes here needs a step in migrations/versions,
which brings a database of an older form to this one.
"""

from __future__ import annotations

import sqlalchemy as sa

from wakewell.radio import homes

__all__ = ["DROPPED", "LINES", "LISTENERS", "META", "POTS", "READINGS", "SENT", "sa"]

META = sa.MetaData()
POTS = sa.Table(
    "pots",
    META,
    sa.Column("board", sa.String(64), primary_key=True),
    sa.Column("heard_at", sa.BigInteger, nullable=False),  # seconds since 1970
    sa.Column("report", sa.BigInteger, nullable=False),  # number of the newest report
    sa.Column("n", sa.BigInteger, nullable=False),  # number of the newest wake, -1: none
    sa.Column("told", sa.JSON, nullable=False),  # what it answered
    sa.Column("name", sa.Text, nullable=False, server_default=""),  # of its folder
)
LINES = sa.Table(
    "lines",
    META,
    sa.Column("id", sa.BigInteger().with_variant(sa.Integer, "sqlite"), primary_key=True),
    sa.Column("board", sa.String(64), nullable=False),
    sa.Column("kind", sa.String(8), nullable=False),
    sa.Column("n", sa.BigInteger, nullable=False),
    sa.Column("crc", sa.String(8), nullable=False),
    sa.Column("file", sa.BigInteger, nullable=False),
    sa.Column("heard_at", sa.BigInteger, nullable=False),
    sa.Column("data", sa.LargeBinary, nullable=False),
    # Since these two are kept; a line heard before has neither.
    sa.Column("at", sa.BigInteger, nullable=False, server_default="-1"),  # bytes before it in file
    sa.Column("home", sa.String(homes.MARK_SIZE), nullable=False, server_default=""),  # key's mark
    sa.UniqueConstraint("board", "kind", "n", "crc"),
)
READINGS = sa.Table(  # a row for each line that is a wake
    "readings",
    META,
    # The id of its line, so that a wake has one row however often it is told
    sa.Column(
        "line",
        sa.BigInteger().with_variant(sa.Integer, "sqlite"),
        primary_key=True,
        autoincrement=False,
    ),
    sa.Column("board", sa.String(64), nullable=False),
    sa.Column("n", sa.BigInteger, nullable=False),
    sa.Column("time_s", sa.BigInteger),  # since 1970, by the pot's clock; NULL: not trusted
    sa.Column("heard_s", sa.BigInteger, nullable=False),  # since 1970
    sa.Column("soil_ppt", sa.Integer),
    sa.Column("level_ml", sa.Integer),
    sa.Column("battery_mv", sa.Integer),
    sa.Column("temperature_mc", sa.Integer),
    sa.Column("given_ul", sa.Integer),
    sa.Column("charge_uah", sa.Integer),
    sa.Column("lockouts", sa.Text),
    sa.Column("needs", sa.Text),
    sa.Index("readings_board_time", "board", "time_s"),
)
SENT = sa.Table(  # reminders: see remind
    "reminders",
    META,
    sa.Column("board", sa.String(64), primary_key=True),
    sa.Column("cause", sa.String(100), primary_key=True),
    sa.Column("since", sa.BigInteger, nullable=False),  # it holds since then
    sa.Column("sent_at", sa.BigInteger),  # the last message that left, or was about to
    sa.Column("before", sa.BigInteger),  # the one before it
    sa.Column("holds", sa.Boolean, nullable=False),
)
LISTENERS = sa.Table(  # signs of life: see beats
    "listeners",
    META,
    sa.Column("name", sa.String(64), primary_key=True),
    sa.Column("started_at", sa.BigInteger, nullable=False),
    sa.Column("beat_at", sa.BigInteger, nullable=False),
    sa.Column("down_from", sa.BigInteger),  # the last time that nobody listened
    sa.Column("down_to", sa.BigInteger),
)
DROPPED = sa.Table(
    "dropped",
    META,
    sa.Column("why", sa.String(200), primary_key=True),
    sa.Column("times", sa.BigInteger, nullable=False),
)
