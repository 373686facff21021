"""Copies of the ledger: a backup that is a ledger itself, and a JSON document."""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from runner.ledger.chain import NO_PREVIOUS, Entry, EntryKind
from runner.ledger.engine import make_engine, reading, writing
from runner.ledger.errors import LedgerError
from runner.ledger.index import index_row, scan_rows, subject_row
from runner.ledger.migrate import upgrade
from runner.ledger.schema import entry_subjects, events, inspection_scans, inspections

EXPORT_FORMAT = 1
_AT_ONCE = 200


def backup(engine: sa.Engine, path: Path) -> None:
    """Copy a ledger to a file while others write; the file appears whole or not at all.

    The copy of a SQLite ledger is page by page; that of a ledger on a server holds the same entries with the same
    hashes, and its index made anew.
    """
    own = engine.url.database if engine.dialect.name == "sqlite" else None
    if own is not None and path.exists() and path.samefile(own):
        raise LedgerError(f"{path} is the ledger itself; give the backup another name.")
    with _appearing(path) as temporary:
        if engine.dialect.name == "sqlite":
            _copy_pages(engine, temporary)
        else:
            _copy_entries(engine, temporary)
        target = sqlite3.connect(temporary)
        try:
            # one file, complete in itself, wherever it is carried
            target.execute("PRAGMA journal_mode = DELETE")
        finally:
            target.close()


def _copy_pages(engine: sa.Engine, path: Path) -> None:
    raw = engine.raw_connection()
    target = sqlite3.connect(path)
    try:
        source = raw.driver_connection
        assert isinstance(source, sqlite3.Connection)
        source.backup(target)
    finally:
        target.close()
        raw.close()


def _copy_entries(engine: sa.Engine, path: Path) -> None:
    target_engine = make_engine(path)
    try:
        with reading(engine) as source, writing(target_engine) as target:
            upgrade(target)
            query = sa.select(events).order_by(events.c.sequence).execution_options(yield_per=_AT_ONCE)
            for rows in source.execute(query).mappings().partitions():
                _insert(target, [dict(row) for row in rows])
    finally:
        target_engine.dispose()


def _insert(target: sa.Connection, rows: list[dict[str, Any]]) -> None:
    """Add entries as they are, and their index rows."""
    target.execute(events.insert(), rows)
    for row in rows:
        sequence, data = row["sequence"], json.loads(row["text"])
        if row["kind"] == EntryKind.INSPECTION.value:
            target.execute(inspections.insert(), index_row(sequence, data))
            if data["scans"]:
                target.execute(inspection_scans.insert(), scan_rows(sequence, data))
        else:
            target.execute(entry_subjects.insert(), subject_row(sequence, row["kind"], data))


def export_json(entries: Iterable[Entry], path: Path) -> int:
    """Write ``{"format", "entries": [...], "head_hash"}``; the canonical text of ``content`` is what was hashed."""
    count, head = 0, NO_PREVIOUS
    with _appearing(path) as temporary, temporary.open("w", encoding="ascii", newline="\n") as stream:
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
    return count


@contextmanager
def _appearing(path: Path) -> Iterator[Path]:
    """A temporary file beside ``path`` that takes its name when everything is on the disk."""
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_name(f".{path.name[:100]}.{os.getpid()}.tmp")
    try:
        yield temporary
        with temporary.open("rb+") as stream:
            os.fsync(stream.fileno())
        temporary.replace(path)
    finally:
        for suffix in ("", "-wal", "-shm", "-journal"):
            temporary.with_name(temporary.name + suffix).unlink(missing_ok=True)
