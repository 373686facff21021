"""The ledger: append, look up, verify. One entry is one transaction."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any

import sqlalchemy as sa

from runner.ledger import export
from runner.ledger.chain import NO_PREVIOUS, Entry, EntryKind, make_entry
from runner.ledger.engine import make_engine, reading, writing
from runner.ledger.entries import (
    KIND_OF_RECORD,
    RECORD_OF_KIND,
    Action,
    Decision,
    EntryRecord,
    Reidentification,
    Release,
    Void,
)
from runner.ledger.errors import LedgerError, explained
from runner.ledger.index import index_row, original, plain, scan_rows
from runner.ledger.migrate import upgrade
from runner.ledger.schema import events, inspection_scans, inspections
from runner.ledger.standing import Recorded, State, fold
from runner.ledger.verify import Verification, verify_chain
from runner.records import Attempt, Inspection, Outcome, Piece
from runner.records_io import canonical_text, from_json, inspection_from_json, to_json


def utc_now() -> str:
    """The time now, UTC, ISO 8601, to the millisecond."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


@dataclass(frozen=True)
class _Found:
    """An index row joined with its entry's hash and time."""

    recorded: Recorded
    created_utc: str
    hash: str


class Ledger:
    """The append-only store. Safe to share between processes, each with its own ``Ledger`` on the same place."""

    def __init__(self, engine: sa.Engine, place: str, clock: Callable[[], str]) -> None:
        self._engine = engine
        self._clock = clock
        self.place = place
        """File path or address without a password, for messages."""

    @classmethod
    def open(cls, path_or_url: str | Path, *, clock: Callable[[], str] = utc_now) -> Ledger:
        """Open a ledger, creating it or bringing an older one to the newest schema.

        Raises
        ------
        LedgerError
            A network folder, a file that is not a ledger, a newer schema, a database out of reach.
        """
        engine = make_engine(path_or_url)
        place = str(path_or_url) if "://" not in str(path_or_url) else engine.url.render_as_string(hide_password=True)
        try:
            with explained(place), writing(engine) as connection:
                upgrade(connection)
        except BaseException:
            engine.dispose()
            raise
        return cls(engine, place, clock)

    def close(self) -> None:
        """Give back the database connections."""
        self._engine.dispose()

    def __enter__(self) -> Ledger:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # writing

    def record(self, inspection: Inspection) -> Entry:
        """Append an inspection. The same one again (scan set, recipe, piece; not void) gives the entry there is.

        So a caller that was killed after the commit, or that raced another, can simply record again: nothing is
        counted twice.

        Raises
        ------
        LedgerError
            When the id is taken by a different inspection, or the database can't be written.
        """
        data = to_json(inspection)
        text = canonical_text(data)
        with explained(self.place), writing(self._engine) as connection:
            same_id = connection.execute(
                sa.select(inspections.c.sequence).where(inspections.c.inspection_id == plain(inspection.id))
            ).scalar_one_or_none()
            if same_id is not None:
                entry = _entry_at(connection, same_id)
                if entry.text != text:
                    raise LedgerError(f"{self.place}: inspection id {inspection.id!r} is taken by entry {same_id}.")
                return entry
            known = self._known(connection, inspection)
            if known is not None:
                return _entry_at(connection, known)
            entry = self._append(connection, EntryKind.INSPECTION, text)
            connection.execute(inspections.insert(), index_row(entry.sequence, data))
            if inspection.scans:
                connection.execute(inspection_scans.insert(), scan_rows(entry.sequence, data))
            return entry

    def append(self, record: EntryRecord) -> Entry:
        """Append a decision, void, correction, release, scanner check or replay.

        Raises
        ------
        LedgerError
            Without a reason or a person, or about an inspection that the ledger does not hold.
        """
        if not record.reason.strip() or not record.person.strip():
            raise LedgerError(f"a {KIND_OF_RECORD[type(record)]} needs a reason and a person.")
        text = canonical_text(to_json(record))
        with explained(self.place), writing(self._engine) as connection:
            about = getattr(record, "about", None)
            if about is not None and not (isinstance(record, Release) and record.subject == "recipe"):
                self._must_exist(connection, about)
            return self._append(connection, KIND_OF_RECORD[type(record)], text)

    def decide(self, about: str, action: Action | str, *, reason: str, person: str, reference: str = "") -> Entry:
        """Enter a decision about the inspection with id ``about``; ``counts`` lets it stand in place of a reject."""
        return self.append(Decision(about, Action(action), reason, person, reference))

    def void(self, about: str, *, reason: str, person: str) -> Entry:
        """Enter that an inspection does not count. It stays in the ledger and in the documents, marked."""
        return self.append(Void(about, reason, person))

    def reidentify(self, about: str, *, serial: str, lot: str, reason: str, person: str) -> Entry:
        """Enter the right serial and lot of an inspection."""
        return self.append(Reidentification(about, serial, lot, reason, person))

    def _append(self, connection: sa.Connection, kind: EntryKind, text: str) -> Entry:
        """Add the next link. The caller holds the write lock, so nobody comes between reading the head and writing."""
        head = connection.execute(
            sa.select(events.c.sequence, events.c.hash).order_by(events.c.sequence.desc()).limit(1)
        ).one_or_none()
        sequence, previous = (1, NO_PREVIOUS) if head is None else (head.sequence + 1, head.hash)
        entry = make_entry(sequence, kind, self._clock(), text, previous)
        connection.execute(
            events.insert(),
            {
                "sequence": entry.sequence,
                "kind": entry.kind.value,
                "created_utc": entry.created_utc,
                "text": entry.text,
                "previous_hash": entry.previous_hash,
                "hash": entry.hash,
            },
        )
        return entry

    def _known(self, connection: sa.Connection, inspection: Inspection) -> int | None:
        """Sequence of the valid entry for the same scan set, recipe and piece."""
        provenance = inspection.provenance
        key = (inspection.part_number, inspection.lot, inspection.serial)
        for found in self._by_scan_set(connection, provenance.scan_set_sha256, provenance.recipe_fingerprint):
            if found.key == key and not found.void:
                return found.row.sequence
        return None

    def _must_exist(self, connection: sa.Connection, inspection_id: str) -> None:
        query = sa.select(inspections.c.sequence).where(inspections.c.inspection_id == plain(inspection_id))
        if connection.execute(query).scalar_one_or_none() is None:
            raise LedgerError(f"{self.place}: holds no inspection with the id {inspection_id!r}.")

    # reading

    def find(self, scan_set_sha256: str, recipe_fingerprint: str) -> Inspection | None:
        """The newest valid inspection of this scan set under this recipe, or None."""
        with explained(self.place), reading(self._engine) as connection:
            states = [s for s in self._by_scan_set(connection, scan_set_sha256, recipe_fingerprint) if not s.void]
            return _inspection_of(_entry_at(connection, states[-1].row.sequence), states[-1]) if states else None

    def same_scan(self, scan_sha256: str) -> list[Inspection]:
        """Every valid inspection that used a file with these bytes, oldest first, serials as corrected.

        The caller holds a scan whose bytes were already filed under another serial.
        """
        with explained(self.place), reading(self._engine) as connection:
            chosen = sa.select(inspection_scans.c.sequence).where(inspection_scans.c.sha256 == scan_sha256)
            states = self._states(connection, inspections.c.sequence.in_(chosen))
            return [_inspection_of(_entry_at(connection, s.row.sequence), s) for s in states if not s.void]

    def inspections(
        self, part: str | None = None, lot: str | None = None, serial: str | None = None
    ) -> tuple[Attempt, ...]:
        """All attempts, oldest first, of a part number, lot or serial (as corrected), void ones included."""
        pieces = self._pieces(part, lot, serial)
        attempts = [attempt for piece in pieces for attempt in piece.attempts]
        return tuple(sorted(attempts, key=lambda attempt: attempt.sequence))

    def standing(self, part: str, lot: str | None = None) -> tuple[Piece, ...]:
        """Every piece of a part number with its attempts and the one that counts, in order of first inspection."""
        return self._pieces(part, lot, None)

    def entries(self, kind: EntryKind | None = None) -> Iterator[Entry]:
        """Every entry in order, read in one transaction."""
        query = sa.select(events).order_by(events.c.sequence)
        if kind is not None:
            query = query.where(events.c.kind == kind.value)
        with explained(self.place), reading(self._engine) as connection:
            for row in connection.execute(query.execution_options(yield_per=200)):
                yield _entry(row)

    def head(self) -> Entry | None:
        """The last entry, or None."""
        query = sa.select(events).order_by(events.c.sequence.desc()).limit(1)
        with explained(self.place), reading(self._engine) as connection:
            row = connection.execute(query).one_or_none()
            return None if row is None else _entry(row)

    def head_hash(self) -> str:
        """Hash of the last entry (zeros when empty). Print it in documents: the chain alone can't miss its own end."""
        head = self.head()
        return NO_PREVIOUS if head is None else head.hash

    def verify(self, known_head: str = "") -> Verification:
        """Recompute the chain and the index. ``known_head`` (from a document or backup) must still be in the chain."""
        with explained(self.place), reading(self._engine) as connection:
            return verify_chain(connection, known_head)

    def backup(self, path: Path) -> None:
        """Copy the ledger while it is in use (SQLite only) to a file that appears whole or not at all."""
        with explained(self.place):
            export.backup(self._engine, path)

    def export_json(self, path: Path) -> int:
        """Write every entry as one JSON document and return their number."""
        return export.export_json(self.entries(), path)

    def _pieces(self, part: str | None, lot: str | None, serial: str | None) -> tuple[Piece, ...]:
        """Fold the attempts and read their texts in one transaction."""
        with explained(self.place), reading(self._engine) as connection:
            where = sa.true() if part is None else inspections.c.part_number == plain(part)
            pieces: dict[tuple[str, str, str], list[State]] = {}
            for state in self._states(connection, where):
                wanted = (lot is None or state.lot == lot) and (serial is None or state.serial == serial)
                if wanted:
                    pieces.setdefault(state.key, []).append(state)
            return tuple(
                Piece(number, its_serial, its_lot, tuple(_attempt(connection, state) for state in states))
                for (number, its_lot, its_serial), states in pieces.items()
            )

    def _by_scan_set(self, connection: sa.Connection, scan_set: str, fingerprint: str) -> list[State]:
        return self._states(
            connection,
            (inspections.c.scan_set_sha256 == scan_set) & (inspections.c.recipe_fingerprint == fingerprint),
        )

    def _states(self, connection: sa.Connection, where: sa.ColumnElement[bool]) -> list[State]:
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
            )
            for row in rows
        ]
        others = connection.execute(
            sa.select(events.c.sequence, events.c.kind, events.c.text).where(
                events.c.kind != EntryKind.INSPECTION.value
            )
        ).all()
        entries = [(row.sequence, _entry_record(row.kind, row.text)) for row in others]
        folded = fold(recorded, entries)
        return sorted((s for states in folded.values() for s in states), key=lambda s: s.row.sequence)


def _entry(row: Any) -> Entry:
    return Entry(row.sequence, EntryKind(row.kind), row.created_utc, row.text, row.previous_hash, row.hash)


def _entry_at(connection: sa.Connection, sequence: int) -> Entry:
    return _entry(connection.execute(sa.select(events).where(events.c.sequence == sequence)).one())


def _entry_record(kind: str, text: str) -> EntryRecord:
    return from_json(RECORD_OF_KIND[EntryKind(kind)], json.loads(text), kind)


def _inspection_of(entry: Entry, state: State) -> Inspection:
    """The inspection with its corrected identity."""
    inspection = inspection_from_json(json.loads(entry.text), f"ledger entry {entry.sequence}")
    if (inspection.serial, inspection.lot) == (state.serial, state.lot):
        return inspection
    return replace(inspection, serial=state.serial, lot=state.lot)


def _attempt(connection: sa.Connection, state: State) -> Attempt:
    entry = _entry_at(connection, state.row.sequence)
    return Attempt(
        inspection=_inspection_of(entry, state),
        number=state.number,
        sequence=entry.sequence,
        created_utc=entry.created_utc,
        entry_hash=entry.hash,
        standing=state.standing,
        void=state.void,
        notes=tuple(state.notes),
    )
