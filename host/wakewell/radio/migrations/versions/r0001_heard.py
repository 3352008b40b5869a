"""The tables as they were before there were steps. Two columns of lines came after the rest."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

NUMBER = sa.BigInteger
META = sa.MetaData()
sa.Table(
    "pots",
    META,
    sa.Column("board", sa.String(64), primary_key=True),
    sa.Column("heard_at", NUMBER, nullable=False),
    sa.Column("report", NUMBER, nullable=False),
    sa.Column("n", NUMBER, nullable=False),
    sa.Column("told", sa.JSON, nullable=False),
)
ADDED = (
    ("at", NUMBER(), "-1"),
    ("home", sa.String(16), ""),
)
sa.Table(
    "lines",
    META,
    sa.Column("id", NUMBER().with_variant(sa.Integer, "sqlite"), primary_key=True),
    sa.Column("board", sa.String(64), nullable=False),
    sa.Column("kind", sa.String(8), nullable=False),
    sa.Column("n", NUMBER, nullable=False),
    sa.Column("crc", sa.String(8), nullable=False),
    sa.Column("file", NUMBER, nullable=False),
    sa.Column("heard_at", NUMBER, nullable=False),
    sa.Column("data", sa.LargeBinary, nullable=False),
    *(sa.Column(name, kind, nullable=False, server_default=usual) for name, kind, usual in ADDED),
    sa.UniqueConstraint("board", "kind", "n", "crc"),
)
sa.Table(
    "reminders",
    META,
    sa.Column("board", sa.String(64), primary_key=True),
    sa.Column("cause", sa.String(100), primary_key=True),
    sa.Column("since", NUMBER, nullable=False),
    sa.Column("sent_at", NUMBER),
    sa.Column("before", NUMBER),
    sa.Column("holds", sa.Boolean, nullable=False),
)
sa.Table(
    "dropped",
    META,
    sa.Column("why", sa.String(200), primary_key=True),
    sa.Column("times", NUMBER, nullable=False),
)


def upgrade() -> None:
    """Make what is missing."""
    META.create_all(op.get_bind())
    kept = {column["name"] for column in sa.inspect(op.get_bind()).get_columns("lines")}
    for name, kind, usual in ADDED:
        if name not in kept:
            op.add_column("lines", sa.Column(name, kind, nullable=False, server_default=usual))
