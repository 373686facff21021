"""Step 1: the event log."""

import sqlalchemy as sa
from alembic import op

from runner.ledger.migrations.append_only import forbid_change

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Create ``events``."""
    op.create_table(
        "events",
        sa.Column("sequence", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("kind", sa.String(24), nullable=False),
        sa.Column("created_utc", sa.String(32), nullable=False),
        sa.Column("text", sa.Text, nullable=False),
        sa.Column("previous_hash", sa.String(64), nullable=False, unique=True),
        sa.Column("hash", sa.String(64), nullable=False, unique=True),
    )
    forbid_change("events", "sequence = NEW.sequence OR hash = NEW.hash OR previous_hash = NEW.previous_hash")
