"""Run by Alembic: applies the steps on the connection that was handed over, inside its open transaction."""

from alembic import context

connection = context.config.attributes["connection"]
context.configure(connection=connection, transactional_ddl=True)
with context.begin_transaction():
    context.run_migrations()
