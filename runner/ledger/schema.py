"""Tables of the ledger, version 3, the same on SQLite and PostgreSQL.

History (one numbered migration each):

1. ``events``, the append-only log with its hash chain.
2. ``inspections`` and ``inspection_scans``, the index that look-ups use, filled from the log.
3. ``entry_subjects``, the index of the other entries by what they are about; ``events`` by time.

``events`` is the truth. The index tables are written in the same transaction and can be rebuilt from it. All
four refuse update and delete (triggers). Queues and claims, which do change, get tables of their own.
"""

from __future__ import annotations

import sqlalchemy as sa

VERSION = "0003"
"""Newest migration."""
APPLICATION_ID = 0x52524C31
"""Marks a SQLite file as one of ours (PRAGMA application_id)."""

metadata = sa.MetaData()

events = sa.Table(
    "events",
    metadata,
    sa.Column("sequence", sa.Integer, primary_key=True, autoincrement=False, comment="1, 2, 3 ... without gaps"),
    sa.Column("kind", sa.String(24), nullable=False, comment="inspection, decision, void ..."),
    sa.Column("created_utc", sa.String(32), nullable=False, comment="ISO 8601, UTC"),
    sa.Column("text", sa.Text, nullable=False, comment="content as canonical JSON; this is what is hashed"),
    sa.Column("previous_hash", sa.String(64), nullable=False, unique=True, comment="unique: the chain can't fork"),
    sa.Column("hash", sa.String(64), nullable=False, unique=True),
    sa.Index("events_by_time", "created_utc"),
)

inspections = sa.Table(
    "inspections",
    metadata,
    sa.Column("sequence", sa.Integer, sa.ForeignKey("events.sequence"), primary_key=True, autoincrement=False),
    sa.Column("inspection_id", sa.String(64), nullable=False, unique=True),
    sa.Column("part_number", sa.Text, nullable=False),
    sa.Column("serial", sa.Text, nullable=False, comment="as recorded; corrections are entries"),
    sa.Column("lot", sa.Text, nullable=False),
    sa.Column("scan_set_sha256", sa.String(64), nullable=False),
    sa.Column("recipe_fingerprint", sa.String(128), nullable=False),
    sa.Column("outcome", sa.String(16), nullable=False, comment="as proposed by the inspection"),
    sa.Index("inspections_by_part", "part_number", "lot", "serial"),
    sa.Index("inspections_by_scan_set", "scan_set_sha256", "recipe_fingerprint"),
)

inspection_scans = sa.Table(
    "inspection_scans",
    metadata,
    sa.Column("sequence", sa.Integer, sa.ForeignKey("events.sequence"), primary_key=True, autoincrement=False),
    sa.Column("position", sa.Integer, primary_key=True, autoincrement=False, comment="0, 1 ... in the set"),
    sa.Column("sha256", sa.String(64), nullable=False),
    sa.Index("inspection_scans_by_hash", "sha256"),
)

entry_subjects = sa.Table(
    "entry_subjects",
    metadata,
    sa.Column("sequence", sa.Integer, sa.ForeignKey("events.sequence"), primary_key=True, autoincrement=False),
    sa.Column("kind", sa.String(24), nullable=False),
    sa.Column("subject", sa.String(16), nullable=False, comment="inspection, recipe or scanner"),
    sa.Column("about", sa.Text, nullable=False, comment="id, fingerprint or name"),
    sa.Index("entry_subjects_by_subject", "subject", "about"),
    sa.Index("entry_subjects_by_kind", "kind", "about"),
)
