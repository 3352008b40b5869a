"""How a database of an older form is brought to today's: steps for Alembic, in versions/."""
