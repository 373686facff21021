"""Step 2: the index of inspections, filled from the log."""

import json

import sqlalchemy as sa
from alembic import op

from runner.ledger.index import index_row, scan_rows
from runner.ledger.migrations.append_only import forbid_change

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Create ``inspections`` and ``inspection_scans`` and fill them."""
    inspections = op.create_table(
        "inspections",
        sa.Column("sequence", sa.Integer, sa.ForeignKey("events.sequence"), primary_key=True, autoincrement=False),
        sa.Column("inspection_id", sa.String(64), nullable=False, unique=True),
        sa.Column("part_number", sa.Text, nullable=False),
        sa.Column("serial", sa.Text, nullable=False),
        sa.Column("lot", sa.Text, nullable=False),
        sa.Column("scan_set_sha256", sa.String(64), nullable=False),
        sa.Column("recipe_fingerprint", sa.String(128), nullable=False),
        sa.Column("outcome", sa.String(16), nullable=False),
    )
    op.create_index("inspections_by_part", "inspections", ["part_number", "lot", "serial"])
    op.create_index("inspections_by_scan_set", "inspections", ["scan_set_sha256", "recipe_fingerprint"])
    scans = op.create_table(
        "inspection_scans",
        sa.Column("sequence", sa.Integer, sa.ForeignKey("events.sequence"), primary_key=True, autoincrement=False),
        sa.Column("position", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("sha256", sa.String(64), nullable=False),
    )
    op.create_index("inspection_scans_by_hash", "inspection_scans", ["sha256"])
    connection = op.get_bind()
    recorded = connection.execute(
        sa.text("SELECT sequence, text FROM events WHERE kind = 'inspection' ORDER BY sequence")
    )
    for sequence, text in recorded.fetchall():
        data = json.loads(text)
        connection.execute(inspections.insert(), index_row(sequence, data))
        if data["scans"]:
            connection.execute(scans.insert(), scan_rows(sequence, data))
    forbid_change("inspections", "sequence = NEW.sequence OR inspection_id = NEW.inspection_id")
    forbid_change("inspection_scans", "sequence = NEW.sequence AND position = NEW.position")
