"""The database server that tests may empty, where one is named (see ``with_server.py``)."""

import os

import sqlalchemy as sa

URL = os.environ.get("RUNNER_TEST_POSTGRES", "")
NO_SERVER = "RUNNER_TEST_POSTGRES names no database server; python -m tests.ledger.with_server starts one"


def emptied(url: str) -> str:
    """The address, after everything in that database was dropped."""
    engine = sa.create_engine(url)
    with engine.begin() as connection:
        connection.execute(sa.text("DROP SCHEMA public CASCADE"))
        connection.execute(sa.text("CREATE SCHEMA public"))
    engine.dispose()
    return url
