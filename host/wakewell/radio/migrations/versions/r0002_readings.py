"""A table of readings beside the lines, and the name of a pot's folder.

The rows of lines heard before are made by `readings.fill`.
"""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Add both."""
    op.add_column("pots", sa.Column("name", sa.Text, nullable=False, server_default=""))
    op.create_table(
        "readings",
        sa.Column(
            "line",
            sa.BigInteger().with_variant(sa.Integer, "sqlite"),
            primary_key=True,
            autoincrement=False,
        ),
        sa.Column("board", sa.String(64), nullable=False),
        sa.Column("n", sa.BigInteger, nullable=False),
        sa.Column("time_s", sa.BigInteger),
        sa.Column("heard_s", sa.BigInteger, nullable=False),
        sa.Column("soil_ppt", sa.Integer),
        sa.Column("level_ml", sa.Integer),
        sa.Column("battery_mv", sa.Integer),
        sa.Column("temperature_mc", sa.Integer),
        sa.Column("given_ul", sa.Integer),
        sa.Column("charge_uah", sa.Integer),
        sa.Column("lockouts", sa.Text),
        sa.Column("needs", sa.Text),
    )
    op.create_index("readings_board_time", "readings", ["board", "time_s"])
