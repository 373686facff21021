"""Copies of the ledger: a backup that is a ledger itself, and a JSON document."""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterable
from pathlib import Path

import sqlalchemy as sa

from runner.ledger.chain import NO_PREVIOUS, Entry
from runner.ledger.errors import LedgerError

EXPORT_FORMAT = 1


def backup(engine: sa.Engine, path: Path) -> None:
    """Copy a SQLite ledger while others write; the file appears whole or not at all."""
    if engine.dialect.name != "sqlite":
        raise LedgerError("a backup by this program is for SQLite ledgers; use the database server's own dump.")
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_name(f".{path.name}.{os.getpid()}.tmp")
    raw = engine.raw_connection()
    try:
        target = sqlite3.connect(temporary)
        try:
            source = raw.driver_connection
            assert isinstance(source, sqlite3.Connection)
            source.backup(target)
            # one file, complete in itself, wherever it is carried
            target.execute("PRAGMA journal_mode = DELETE")
        finally:
            target.close()
        _to_disk(temporary)
        temporary.replace(path)
    finally:
        raw.close()
        temporary.unlink(missing_ok=True)


def export_json(entries: Iterable[Entry], path: Path) -> int:
    """Write ``{"format", "entries": [...], "head_hash"}``; the canonical text of ``content`` is what was hashed."""
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_name(f".{path.name}.{os.getpid()}.tmp")
    count, head = 0, NO_PREVIOUS
    try:
        with temporary.open("w", encoding="ascii", newline="\n") as stream:
            stream.write(f'{{"format": {EXPORT_FORMAT}, "entries": [')
            for entry in entries:
                fields = {
                    "sequence": entry.sequence,
                    "kind": entry.kind.value,
                    "created_utc": entry.created_utc,
                    "previous_hash": entry.previous_hash,
                    "hash": entry.hash,
                    "content": json.loads(entry.text),
                }
                stream.write(("," if count else "") + "\n" + json.dumps(fields, allow_nan=False))
                count, head = count + 1, entry.hash
            stream.write(f'\n], "head_hash": "{head}"}}\n')
        _to_disk(temporary)
        temporary.replace(path)
    finally:
        temporary.unlink(missing_ok=True)
    return count


def _to_disk(path: Path) -> None:
    """Make sure that the bytes are on the disk before the name is."""
    with path.open("rb+") as stream:
        os.fsync(stream.fileno())
