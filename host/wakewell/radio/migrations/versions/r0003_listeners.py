"""Signs of life of whoever listens."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Add them."""
    op.create_table(
        "listeners",
        sa.Column("name", sa.String(64), primary_key=True),
        sa.Column("started_at", sa.BigInteger, nullable=False),
        sa.Column("beat_at", sa.BigInteger, nullable=False),
        sa.Column("down_from", sa.BigInteger),
        sa.Column("down_to", sa.BigInteger),
    )
