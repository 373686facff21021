"""Step 3: the index of the other entries by what they are about, and of all entries by time."""

import json

import sqlalchemy as sa
from alembic import op

from runner.ledger.index import subject_row
from runner.ledger.migrations.append_only import forbid_change, refuse_always

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Create ``entry_subjects`` and fill it."""
    subjects = op.create_table(
        "entry_subjects",
        sa.Column("sequence", sa.Integer, sa.ForeignKey("events.sequence"), primary_key=True, autoincrement=False),
        sa.Column("kind", sa.String(24), nullable=False),
        sa.Column("subject", sa.String(16), nullable=False),
        sa.Column("about", sa.Text, nullable=False),
    )
    op.create_index("entry_subjects_by_subject", "entry_subjects", ["subject", "about"])
    op.create_index("entry_subjects_by_kind", "entry_subjects", ["kind", "about"])
    op.create_index("events_by_time", "events", ["created_utc"])
    connection = op.get_bind()
    others = connection.execute(
        sa.text("SELECT sequence, kind, text FROM events WHERE kind <> 'inspection' ORDER BY sequence")
    )
    for sequence, kind, text in others.fetchall():
        connection.execute(subjects.insert(), subject_row(sequence, kind, json.loads(text)))
    forbid_change("entry_subjects", "sequence = NEW.sequence")
    for table in ("events", "inspections", "inspection_scans", "entry_subjects"):
        refuse_always(table)
