"""What Alembic runs: the steps, within the transaction of whoever called (see migrate)."""

from alembic import context

context.configure(connection=context.config.attributes["connection"], transactional_ddl=True)
with context.begin_transaction():
    context.run_migrations()
