"""The ledger: append, look up, verify. One entry is one transaction."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType

import sqlalchemy as sa

from runner.ledger import export
from runner.ledger.chain import NO_PREVIOUS, Entry, EntryKind, make_entry
from runner.ledger.engine import make_engine, reading, writing
from runner.ledger.entries import (
    KIND_OF_RECORD,
    RECIPE,
    Action,
    Decision,
    EntryRecord,
    Reidentification,
    Release,
    Replay,
    Void,
    problem_of,
)
from runner.ledger.errors import LedgerError, OtherPieceError, explained
from runner.ledger.index import index_row, original, plain, scan_rows, subject_row
from runner.ledger.migrate import upgrade
from runner.ledger.reading import attempts, entries_at, entry_of, entry_record, inspection_of, of_piece, states
from runner.ledger.releases import RecipeRelease, ReleaseState, recipe_state
from runner.ledger.schema import entry_subjects, events, inspection_scans, inspections
from runner.ledger.standing import State
from runner.ledger.verify import Verification, verify_chain
from runner.records import Attempt, Inspection, Piece
from runner.records_io import canonical_text, to_json


def utc_now() -> str:
    """The time now, UTC, ISO 8601, to the millisecond."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


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

    @property
    def address(self) -> str:
        """What opens the same ledger in another process; may hold a password, so it is not for messages."""
        return self._engine.url.render_as_string(hide_password=False)

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

    def record(self, inspection: Inspection, *, of_one_piece: bool = False) -> Entry:
        """Append an inspection. The same one again (scan set, recipe, piece; not void) gives the entry there is.

        Raises
        ------
        OtherPieceError
            With ``of_one_piece``: when one of its scans was filed as another piece. It is looked up in the same
            transaction, so that of two services that measure the same bytes at the same time only one is let.
        LedgerError
            When the id is taken by a different inspection, or the database can't be written.
        """
        with explained(self.place), writing(self._engine) as connection:
            if of_one_piece:
                self._refuse_other_piece(connection, inspection)
            entry, _ = self._record(connection, inspection)
            return entry

    def record_replay(self, inspection: Inspection, replay: Replay) -> Entry | None:
        """Append an inspection made anew and the entry that says so, both or neither.

        None, and nothing written, where the same replay was recorded before.
        """
        self._refuse_unsound(replay)
        with explained(self.place), writing(self._engine) as connection:
            self._must_exist(connection, replay.about)
            entry, new = self._record(connection, inspection)
            if not new:
                return None
            self._append_record(connection, replay)
            return entry

    def _record(self, connection: sa.Connection, inspection: Inspection) -> tuple[Entry, bool]:
        """The entry of an inspection, and whether it is new."""
        data = to_json(inspection)
        text = canonical_text(data)
        same_id = connection.execute(
            sa.select(inspections.c.sequence).where(inspections.c.inspection_id == plain(inspection.id))
        ).scalar_one_or_none()
        if same_id is not None:
            entry = _entry_at(connection, same_id)
            if entry.text != text:
                raise LedgerError(f"{self.place}: inspection id {inspection.id!r} is taken by entry {same_id}.")
            return entry, False
        known = self._known(connection, inspection)
        if known is not None:
            return _entry_at(connection, known), False
        entry = self._append(connection, EntryKind.INSPECTION, text)
        connection.execute(inspections.insert(), index_row(entry.sequence, data))
        if inspection.scans:
            connection.execute(inspection_scans.insert(), scan_rows(entry.sequence, data))
        return entry, True

    def _refuse_other_piece(self, connection: sa.Connection, inspection: Inspection) -> None:
        mine = inspection.part_number, inspection.lot, inspection.serial
        for scan in inspection.scans:
            for found in self._same_scan(connection, scan.sha256):
                if found.id != inspection.id and (found.part_number, found.lot, found.serial) != mine:
                    raise OtherPieceError(f"{scan.name} was filed as serial {found.serial!r}", found)

    def append(self, record: EntryRecord) -> Entry:
        """Append a decision, void, correction, release, scanner check or replay.

        Raises
        ------
        LedgerError
            Without a reason or a person, otherwise unsound (``entries.problem_of``), or about an inspection that the
            ledger does not hold.
        """
        self._refuse_unsound(record)
        with explained(self.place), writing(self._engine) as connection:
            about = getattr(record, "about", None)
            if about is not None and not (isinstance(record, Release) and record.subject == RECIPE):
                self._must_exist(connection, about)
            return self._append_record(connection, record)

    def decide(self, about: str, action: Action | str, *, reason: str, person: str, reference: str = "") -> Entry:
        """Enter a decision about the inspection with id ``about``; ``counts`` lets it stand in place of a reject."""
        return self.append(Decision(about, Action(action), reason, person, reference))

    def void(self, about: str, *, reason: str, person: str) -> Entry:
        """Enter that an inspection does not count. It stays in the ledger and in the documents, marked."""
        return self.append(Void(about, reason, person))

    def reidentify(self, about: str, *, serial: str, lot: str, reason: str, person: str) -> Entry:
        """Enter the right serial and lot of an inspection."""
        return self.append(Reidentification(about, serial, lot, reason, person))

    def _refuse_unsound(self, record: EntryRecord) -> None:
        problem = problem_of(record)
        if problem:
            raise LedgerError(problem)

    def _append_record(self, connection: sa.Connection, record: EntryRecord) -> Entry:
        """Add an entry other than an inspection, with its index row."""
        kind, data = KIND_OF_RECORD[type(record)], to_json(record)
        entry = self._append(connection, kind, canonical_text(data))
        connection.execute(entry_subjects.insert(), subject_row(entry.sequence, kind.value, data))
        return entry

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
            valid = [s for s in self._by_scan_set(connection, scan_set_sha256, recipe_fingerprint) if not s.void]
            return inspection_of(_entry_at(connection, valid[-1].row.sequence), valid[-1]) if valid else None

    def same_scan(self, scan_sha256: str) -> list[Inspection]:
        """Every valid inspection that used a file with these bytes, oldest first, serials as corrected.

        The caller holds a scan whose bytes were already filed under another serial.
        """
        with explained(self.place), reading(self._engine) as connection:
            return self._same_scan(connection, scan_sha256)

    def _same_scan(self, connection: sa.Connection, scan_sha256: str) -> list[Inspection]:
        chosen = sa.select(inspection_scans.c.sequence).where(inspection_scans.c.sha256 == scan_sha256)
        valid = [s for s in states(connection, inspections.c.sequence.in_(chosen)) if not s.void]
        return [attempt.inspection for attempt in attempts(connection, valid)]

    def inspections(
        self, part: str | None = None, lot: str | None = None, serial: str | None = None
    ) -> tuple[Attempt, ...]:
        """All attempts, oldest first, of a part number, lot or serial (as corrected), void ones included."""
        return tuple(self.attempts(part, lot, serial))

    def attempts(self, part: str | None = None, lot: str | None = None, serial: str | None = None) -> Iterator[Attempt]:
        """As ``inspections``, one after another in one transaction: for more than fit into memory."""
        with explained(self.place), reading(self._engine) as connection:
            yield from attempts(connection, _matching(states(connection, of_piece(part, lot, serial)), lot, serial))

    def attempt(self, inspection_id: str) -> Attempt:
        """One attempt by the id of its inspection, or by the beginning of it (six characters or more).

        Raises
        ------
        LedgerError
            When there is none, or more than one that begins so.
        """
        given = plain(inspection_id.strip())
        column = inspections.c.inspection_id
        exact = sa.select(inspections).where(column == given)
        begins = sa.select(inspections).where(column.startswith(given, autoescape=True)).limit(2)
        with explained(self.place), reading(self._engine) as connection:
            rows = connection.execute(exact).all()
            if not rows and len(given) >= 6:
                rows = connection.execute(begins).all()
            if len(rows) != 1:
                what = "more than one inspection whose id begins" if rows else "no inspection with the id"
                raise LedgerError(f"{self.place}: holds {what} {inspection_id!r}.")
            row = rows[0]
            (state,) = states(connection, inspections.c.sequence == row.sequence)
            found = states(connection, of_piece(original(row.part_number), None, state.serial))
            (state,) = [s for s in found if s.row.sequence == row.sequence]
            return next(attempts(connection, [state]))

    def standing(self, part: str, lot: str | None = None) -> tuple[Piece, ...]:
        """Every piece of a part number with its attempts and the one that counts, in order of first inspection."""
        with explained(self.place), reading(self._engine) as connection:
            chosen = _matching(states(connection, of_piece(part, lot, None)), lot, None)
            pieces: dict[tuple[str, str, str], list[Attempt]] = {}
            for state, attempt in zip(chosen, attempts(connection, chosen), strict=True):
                pieces.setdefault(state.key, []).append(attempt)
            return tuple(
                Piece(number, serial, its_lot, tuple(of_it)) for (number, its_lot, serial), of_it in pieces.items()
            )

    def parts(self) -> tuple[str, ...]:
        """Every part number that was ever inspected, sorted."""
        query = sa.select(inspections.c.part_number).distinct()
        with explained(self.place), reading(self._engine) as connection:
            return tuple(sorted(original(row.part_number) for row in connection.execute(query)))

    # releases

    def releases(self, fingerprint: str | None = None) -> tuple[RecipeRelease, ...]:
        """Every release and withdrawal of recipes, or of one recipe, oldest first."""
        chosen = entry_subjects.c.subject == RECIPE
        if fingerprint is not None:
            chosen = chosen & (entry_subjects.c.about == plain(fingerprint))
        query = (
            sa.select(events)
            .join(entry_subjects, entry_subjects.c.sequence == events.c.sequence)
            .where(chosen)
            .order_by(events.c.sequence)
        )
        with explained(self.place), reading(self._engine) as connection:
            rows = connection.execute(query).all()
        found = [(row, entry_record(row.kind, row.text)) for row in rows]
        return tuple(RecipeRelease(row.sequence, row.created_utc, r) for row, r in found if isinstance(r, Release))

    def recipe_state(self, fingerprint: str) -> ReleaseState:
        """Whether a recipe is released now; its ``word`` is what ``Provenance.recipe_status`` is to hold."""
        return recipe_state(self.releases(fingerprint))

    def entries(self, kind: EntryKind | None = None) -> Iterator[Entry]:
        """Every entry in order, read in one transaction."""
        query = sa.select(events).order_by(events.c.sequence)
        if kind is not None:
            query = query.where(events.c.kind == kind.value)
        with explained(self.place), reading(self._engine) as connection:
            for row in connection.execute(query.execution_options(yield_per=200)):
                yield entry_of(row)

    def head(self) -> Entry | None:
        """The last entry, or None."""
        query = sa.select(events).order_by(events.c.sequence.desc()).limit(1)
        with explained(self.place), reading(self._engine) as connection:
            row = connection.execute(query).one_or_none()
            return None if row is None else entry_of(row)

    def head_hash(self) -> str:
        """Hash of the last entry (zeros when empty). Print it in documents: the chain alone can't miss its own end."""
        head = self.head()
        return NO_PREVIOUS if head is None else head.hash

    def verify(self, known_head: str = "") -> Verification:
        """Recompute the chain and the index. ``known_head`` (from a document or backup) must still be in the chain."""
        with explained(self.place), reading(self._engine) as connection:
            return verify_chain(connection, known_head)

    def backup(self, path: Path) -> None:
        """Copy the ledger while it is in use to a file, itself a ledger, that appears whole or not at all."""
        with explained(self.place):
            export.backup(self._engine, path)

    def export_json(self, path: Path) -> int:
        """Write every entry as one JSON document and return their number."""
        return export.export_json(self.entries(), path)

    def _by_scan_set(self, connection: sa.Connection, scan_set: str, fingerprint: str) -> list[State]:
        return states(
            connection,
            (inspections.c.scan_set_sha256 == scan_set) & (inspections.c.recipe_fingerprint == fingerprint),
        )


def _matching(found: list[State], lot: str | None, serial: str | None) -> list[State]:
    """Those of the lot and serial asked for, after corrections."""
    return [s for s in found if (lot is None or s.lot == lot) and (serial is None or s.serial == serial)]


def _entry_at(connection: sa.Connection, sequence: int) -> Entry:
    return entries_at(connection, [sequence])[sequence]
