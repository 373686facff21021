"""Attempts out of the index and the log, with few queries: the cost goes by what is asked, not by what there is."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Any

import sqlalchemy as sa

from runner.ledger.chain import Entry, EntryKind
from runner.ledger.entries import INSPECTION, RECIPE, RECORD_OF_KIND, EntryRecord
from runner.ledger.index import original, plain
from runner.ledger.releases import Later
from runner.ledger.schema import entry_subjects, events, inspections
from runner.ledger.standing import Recorded, State, fold
from runner.records import Attempt, Inspection, Outcome
from runner.records_io import from_json, inspection_from_json

Where = sa.ColumnElement[bool]
BATCH = 250
"""Texts read by one query."""


def states(connection: sa.Connection, where: Where) -> list[State]:
    """The chosen inspections after every later entry, oldest first; numbered among the chosen ones."""
    rows = connection.execute(sa.select(inspections).where(where).order_by(inspections.c.sequence)).all()
    if not rows:
        return []
    recorded = [
        Recorded(
            row.sequence,
            original(row.inspection_id),
            original(row.part_number),
            original(row.serial),
            original(row.lot),
            Outcome(row.outcome),
            row.recipe_fingerprint,
        )
        for row in rows
    ]
    folded = fold(recorded, _later(connection, where))
    return sorted((s for of_piece in folded.values() for s in of_piece), key=lambda s: s.row.sequence)


def _later(connection: sa.Connection, where: Where) -> list[Later]:
    """Entries about the chosen inspections, and the releases of their recipes."""
    ids = sa.select(inspections.c.inspection_id).where(where)
    recipes = sa.select(inspections.c.recipe_fingerprint).where(where).distinct()
    subject, about = entry_subjects.c.subject, entry_subjects.c.about
    query = (
        sa.select(events.c.sequence, events.c.kind, events.c.created_utc, events.c.text)
        .join(entry_subjects, entry_subjects.c.sequence == events.c.sequence)
        .order_by(events.c.sequence)
    )
    found: list[Later] = []
    for chosen in ((subject == INSPECTION) & about.in_(ids), (subject == RECIPE) & about.in_(recipes)):
        for row in connection.execute(query.where(chosen)):
            found.append(Later(row.sequence, row.created_utc, entry_record(row.kind, row.text)))
    return found


def of_piece(part: str | None, lot: str | None, serial: str | None) -> Where:
    """Every inspection that may belong to a piece, lot or part: as recorded, or because it was corrected at all."""
    where: Where = sa.true() if part is None else inspections.c.part_number == plain(part)
    if lot is None and serial is None:
        return where
    same: Where = sa.true()
    if lot is not None:
        same = same & (inspections.c.lot == plain(lot))
    if serial is not None:
        same = same & (inspections.c.serial == plain(serial))
    corrected = sa.select(entry_subjects.c.about).where(entry_subjects.c.kind == EntryKind.REIDENTIFICATION.value)
    return where & (same | inspections.c.inspection_id.in_(corrected))


def attempts(connection: sa.Connection, chosen: Sequence[State]) -> Iterator[Attempt]:
    """The chosen states with their inspections, in the order given."""
    for first in range(0, len(chosen), BATCH):
        some = chosen[first : first + BATCH]
        entries = entries_at(connection, [state.row.sequence for state in some])
        for state in some:
            yield attempt_of(entries[state.row.sequence], state)


def entries_at(connection: sa.Connection, sequences: Iterable[int]) -> dict[int, Entry]:
    """Entries by their numbers."""
    query = sa.select(events).where(events.c.sequence.in_(list(sequences)))
    return {row.sequence: entry_of(row) for row in connection.execute(query)}


def entry_of(row: Any) -> Entry:
    """Return an entry from its row."""
    return Entry(row.sequence, EntryKind(row.kind), row.created_utc, row.text, row.previous_hash, row.hash)


def entry_record(kind: str, text: str) -> EntryRecord:
    """Return the record of an entry that is not an inspection."""
    return from_json(RECORD_OF_KIND[EntryKind(kind)], json.loads(text), kind)


def inspection_of(entry: Entry, state: State) -> Inspection:
    """The inspection with its corrected identity."""
    inspection = inspection_from_json(json.loads(entry.text), f"ledger entry {entry.sequence}")
    if (inspection.serial, inspection.lot) == (state.serial, state.lot):
        return inspection
    return replace(inspection, serial=state.serial, lot=state.lot)


def attempt_of(entry: Entry, state: State) -> Attempt:
    """Return the attempt that documents show."""
    return Attempt(
        inspection=inspection_of(entry, state),
        number=state.number,
        sequence=entry.sequence,
        created_utc=entry.created_utc,
        entry_hash=entry.hash,
        standing=state.standing,
        void=state.void,
        notes=tuple(state.notes),
        release=state.release,
        release_note=state.release_note,
    )
