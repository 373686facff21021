"""Brings a database to the newest schema, or refuses one that isn't ours or is newer than this program."""

from __future__ import annotations

import sqlalchemy as sa

from runner.ledger.errors import LedgerError
from runner.ledger.schema import APPLICATION_ID, VERSION


def schema_version(connection: sa.Connection) -> str:
    """Number of the last step applied; empty for a new database."""
    tables = sa.inspect(connection).get_table_names()
    if "alembic_version" not in tables:
        if tables and connection.dialect.name == "sqlite":
            raise LedgerError(f"this database is not a ledger: it holds the tables {', '.join(sorted(tables)[:5])}.")
        return ""
    return str(connection.execute(sa.text("SELECT version_num FROM alembic_version")).scalar_one_or_none() or "")


def upgrade(connection: sa.Connection, target: str = VERSION) -> None:
    """Apply the missing steps inside the connection's open transaction, so that a failure leaves nothing."""
    found = schema_version(connection)
    if found == target:
        return
    if found > target:
        raise LedgerError(
            f"this ledger has schema {found}; this version of the program knows schemas up to {target}. "
            "Use the newer version."
        )
    from alembic import command
    from alembic.config import Config

    if not found and connection.dialect.name == "sqlite":
        connection.exec_driver_sql(f"PRAGMA application_id = {APPLICATION_ID}")
    config = Config()
    config.set_main_option("script_location", "runner.ledger:migrations")
    config.attributes["connection"] = connection
    command.upgrade(config, target)
