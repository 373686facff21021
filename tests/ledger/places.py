"""The database server that tests may empty, where one is named (see ``with_server.py``).

Each worker of pytest-xdist has a database of its own on it.
"""

import os

import sqlalchemy as sa

SERVER = os.environ.get("RUNNER_TEST_POSTGRES", "")
WORKER = os.environ.get("PYTEST_XDIST_WORKER", "")
NO_SERVER = "RUNNER_TEST_POSTGRES names no database server; python -m tests.ledger.with_server starts one"


def _address() -> str:
    if not SERVER or not WORKER:
        return SERVER
    return sa.make_url(SERVER).set(database=f"tests_{WORKER}").render_as_string(hide_password=False)


URL = _address()


def emptied(url: str) -> str:
    """The address, after everything in that database was dropped; makes the database where it is missing."""
    _make(url)
    engine = sa.create_engine(url)
    with engine.begin() as connection:
        connection.execute(sa.text("DROP SCHEMA public CASCADE"))
        connection.execute(sa.text("CREATE SCHEMA public"))
    engine.dispose()
    return url


def _make(url: str) -> None:
    name = sa.make_url(url).database
    engine = sa.create_engine(SERVER, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        there = connection.execute(sa.text("SELECT 1 FROM pg_database WHERE datname = :name"), {"name": name}).scalar()
        if not there:
            connection.execute(sa.text(f'CREATE DATABASE "{name}"'))
    engine.dispose()
