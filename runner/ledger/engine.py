"""Opens the database so that a committed entry survives a power cut and writers take turns."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from runner.ledger.errors import LedgerError
from runner.ledger.network import network_file_system

BUSY_TIMEOUT_MS = 30_000
_CHAIN_LOCK = 0x52524C31  # PostgreSQL advisory lock that writers of the chain take


def make_engine(path_or_url: str | Path) -> sa.Engine:
    """Return an engine for a file path (SQLite) or a database URL.

    Raises
    ------
    LedgerError
        For a SQLite file on a network share.
    """
    text = str(path_or_url)
    url = sa.make_url(text) if "://" in text else sa.URL.create("sqlite", database=str(Path(path_or_url).resolve()))
    if url.get_backend_name() != "sqlite":
        return _server_engine(url)
    if url.database and url.database != ":memory:":
        folder = Path(url.database).resolve().parent
        folder.mkdir(parents=True, exist_ok=True)
        kind = network_file_system(folder)
        if kind:
            raise LedgerError(
                f"{url.database}: this folder is on a network share ({kind}), where SQLite can lose entries. "
                "Keep the ledger on a local disk, or give a PostgreSQL address for several stations."
            )
    engine = sa.create_engine(url)
    sa.event.listen(engine, "connect", _prepare_sqlite)
    sa.event.listen(engine, "begin", _begin_sqlite)
    return engine


@contextmanager
def writing(engine: sa.Engine) -> Iterator[sa.Connection]:
    """A transaction that is the only writer from its start: committed at the end, rolled back on any error."""
    with engine.connect() as connection, connection.begin():
        if connection.dialect.name == "postgresql":
            connection.exec_driver_sql(f"SET LOCAL lock_timeout = {BUSY_TIMEOUT_MS}")
            connection.execute(sa.text("SELECT pg_advisory_xact_lock(:key)"), {"key": _CHAIN_LOCK})
        yield connection


@contextmanager
def reading(engine: sa.Engine) -> Iterator[sa.Connection]:
    """A transaction that sees one state of the database and holds up no writer."""
    options: dict[str, Any] = {"reads_only": True}
    if engine.dialect.name == "postgresql":
        # several queries of one answer must see the same state, as they do in SQLite's write-ahead log
        options["isolation_level"] = "REPEATABLE READ"
    with engine.connect().execution_options(**options) as connection, connection.begin():
        yield connection


def _server_engine(url: sa.URL) -> sa.Engine:
    """Engine for a database server. Connections are tried before use: a server that was restarted is no fault.

    Each statement of a writer sees what was committed before it, so that the head read after the lock is the newest.
    """
    if url.get_backend_name() != "postgresql":
        raise LedgerError(
            f"a ledger is a file, or an address that begins with postgresql://; not {url.get_backend_name()}."
        )
    if url.drivername == "postgresql":
        url = url.set(drivername="postgresql+psycopg")
    try:
        return sa.create_engine(url, pool_pre_ping=True, isolation_level="READ COMMITTED")
    except ModuleNotFoundError as error:
        raise LedgerError(
            f"the database driver {error.name} is not installed; install this program with its extra 'postgresql'."
        ) from None


def _prepare_sqlite(dbapi_connection: Any, _record: Any) -> None:
    # the driver must not begin transactions by itself: it would begin them without the write lock, and not for DDL
    dbapi_connection.isolation_level = None
    cursor = dbapi_connection.cursor()
    cursor.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")
    cursor.execute("PRAGMA journal_mode = WAL")
    cursor.execute("PRAGMA synchronous = FULL")
    cursor.execute("PRAGMA foreign_keys = ON")
    cursor.execute("PRAGMA recursive_triggers = ON")
    cursor.close()


def _begin_sqlite(connection: sa.Connection) -> None:
    # IMMEDIATE takes the write lock at once: a later upgrade of a read lock can't wait and would fail as busy
    reads_only = connection.get_execution_options().get("reads_only", False)
    connection.exec_driver_sql("BEGIN" if reads_only else "BEGIN IMMEDIATE")
