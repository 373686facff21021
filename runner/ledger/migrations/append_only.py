"""Triggers that make a table append-only, for both databases."""

from __future__ import annotations

from alembic import op

_POSTGRES_FUNCTION = """
CREATE OR REPLACE FUNCTION ledger_refuse() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'the ledger is append-only: % of % refused', TG_OP, TG_TABLE_NAME
        USING ERRCODE = 'integrity_constraint_violation';
END $$
"""


def forbid_change(table: str, key: str) -> None:
    """Refuse update, delete and (PostgreSQL) truncate on ``table``; ``key`` is its row identity in SQL.

    SQLite's ``INSERT OR REPLACE`` deletes without firing delete triggers, so an insert over an existing row is
    refused as well.
    """
    if op.get_bind().dialect.name == "postgresql":
        op.execute(_POSTGRES_FUNCTION)
        op.execute(
            f"CREATE TRIGGER {table}_no_change BEFORE UPDATE OR DELETE ON {table} "
            "FOR EACH ROW EXECUTE FUNCTION ledger_refuse()"
        )
        op.execute(
            f"CREATE TRIGGER {table}_no_truncate BEFORE TRUNCATE ON {table} "
            "FOR EACH STATEMENT EXECUTE FUNCTION ledger_refuse()"
        )
        return
    for action in ("UPDATE", "DELETE"):
        op.execute(
            f"CREATE TRIGGER {table}_no_{action.lower()} BEFORE {action} ON {table} "
            f"BEGIN SELECT RAISE(ABORT, 'the ledger is append-only: {action} of {table} refused'); END"
        )
    op.execute(
        f"CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table} WHEN EXISTS (SELECT 1 FROM {table} WHERE {key}) "
        f"BEGIN SELECT RAISE(ABORT, 'the ledger is append-only: REPLACE in {table} refused'); END"
    )


def refuse_always(table: str) -> None:
    """PostgreSQL: let the triggers of ``table`` fire for replication roles too, which else pass them by."""
    if op.get_bind().dialect.name == "postgresql":
        for name in (f"{table}_no_change", f"{table}_no_truncate"):
            op.execute(f"ALTER TABLE {table} ENABLE ALWAYS TRIGGER {name}")
