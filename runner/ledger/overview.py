"""What a board and the upkeep of documents ask the ledger at every beat: answers whose cost does not grow with it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass

import sqlalchemy as sa

from runner.ledger.chain import NO_PREVIOUS, EntryKind
from runner.ledger.engine import reading
from runner.ledger.errors import explained
from runner.ledger.index import original, plain
from runner.ledger.reading import entries_at, states
from runner.ledger.schema import entry_subjects, events, inspections
from runner.ledger.standing import PieceKey
from runner.ledger.store import Ledger
from runner.records import Outcome
from runner.records_io import inspection_from_json


@dataclass(frozen=True)
class Said:
    """What an inspection says of itself, without its results."""

    outcome: Outcome
    reason: str
    advice: str
    picture: str


@dataclass(frozen=True)
class Latest:
    """One of the last inspections, seen among all attempts of its piece."""

    sequence: int
    created_utc: str
    part: str
    serial: str
    lot: str
    number: int
    standing: bool
    waits: bool
    """Whether an earlier reject of this piece stands until a person decides."""
    void: str
    release: str
    """``released`` or ``unreleased``."""
    said: Said


@dataclass(frozen=True)
class Overview:
    """The last inspections and the counts since two moments."""

    entries: int
    head_hash: str
    last: tuple[Latest, ...]
    """Newest first."""
    since_day: Mapping[Outcome, int]
    """Inspections recorded since the day began, by outcome; void ones are not counted."""
    since_hour: int
    """Inspections recorded within the last hour, void ones not counted."""


def overview(ledger: Ledger, *, last: int, day_utc: str, hour_utc: str) -> Overview:
    """Return the last inspections and the counts since ``day_utc`` and ``hour_utc`` (ISO 8601, UTC)."""
    with explained(ledger.place), reading(ledger._engine) as connection:
        head = connection.execute(
            sa.select(events.c.sequence, events.c.hash).order_by(events.c.sequence.desc()).limit(1)
        ).one_or_none()
        newest = connection.execute(
            sa.select(inspections.c.sequence, inspections.c.part_number, inspections.c.lot, inspections.c.serial)
            .order_by(inspections.c.sequence.desc())
            .limit(last)
        ).all()
        keys = {(original(row.part_number), original(row.lot), original(row.serial)) for row in newest}
        latest = _latest(connection, {row.sequence for row in newest}, keys)
        day = _counts(connection, day_utc)
        hour = _counts(connection, hour_utc)
    return Overview(
        entries=0 if head is None else head.sequence,
        head_hash=NO_PREVIOUS if head is None else head.hash,
        last=tuple(sorted(latest, key=lambda one: -one.sequence)),
        since_day=day,
        since_hour=sum(hour.values()),
    )


@dataclass(frozen=True)
class Changes:
    """What came into the ledger after an entry."""

    head: int
    """Number of the last entry; 0 in an empty ledger."""
    parts: Mapping[str, int]
    """Part numbers that the new entries are about, with the number of the last entry about each."""


def changes_after(ledger: Ledger, sequence: int) -> Changes:
    """Return which part numbers the entries after ``sequence`` are about, whoever wrote them."""
    parts: dict[str, int] = {}
    with explained(ledger.place), reading(ledger._engine) as connection:
        head = connection.execute(sa.select(sa.func.max(events.c.sequence))).scalar_one() or 0
        subject, piece = entry_subjects.c, inspections.c
        queries = [
            sa.select(piece.part_number, sa.func.max(piece.sequence))
            .where(piece.sequence > sequence)
            .group_by(piece.part_number),
            sa.select(piece.part_number, sa.func.max(subject.sequence))
            .join(entry_subjects, piece.inspection_id == subject.about)
            .where((subject.sequence > sequence) & (subject.subject == "inspection"))
            .group_by(piece.part_number),
            sa.select(piece.part_number, sa.func.max(subject.sequence))
            .join(entry_subjects, piece.recipe_fingerprint == subject.about)
            .where((subject.sequence > sequence) & (subject.subject == "recipe"))
            .group_by(piece.part_number),
        ]
        for query in queries if head > sequence else []:
            for part, number in connection.execute(query):
                name = original(part)
                parts[name] = max(parts.get(name, 0), number)
    return Changes(head, parts)


def _latest(connection: sa.Connection, wanted: set[int], keys: set[PieceKey]) -> list[Latest]:
    """The wanted inspections, each seen among all attempts of its piece, also those that a correction brought there."""
    corrected = sa.select(entry_subjects.c.about).where(entry_subjects.c.kind == EntryKind.REIDENTIFICATION.value)
    while True:
        same_piece = [
            sa.and_(
                inspections.c.part_number == plain(part),
                inspections.c.lot == plain(lot),
                inspections.c.serial == plain(serial),
            )
            for part, lot, serial in keys
        ]
        where = sa.or_(inspections.c.inspection_id.in_(corrected), *same_piece)
        found = states(connection, where)
        more = {state.key for state in found if state.row.sequence in wanted} - keys
        if not more:
            break
        keys = keys | more
    counts = {state.key: state.row.sequence for state in found if state.standing}
    said = _said(connection, wanted)
    return [
        Latest(
            sequence=state.row.sequence,
            created_utc=said[state.row.sequence][0],
            part=state.row.part_number,
            serial=state.serial,
            lot=state.lot,
            number=state.number,
            standing=state.standing,
            waits=not state.void and not state.standing and counts.get(state.key, 0) < state.row.sequence,
            void=state.void,
            release=state.release,
            said=said[state.row.sequence][1],
        )
        for state in found
        if state.row.sequence in wanted
    ]


_KEPT: dict[str, Said] = {}
"""What entries say, by their hash: entries never change, and a board asks for the same ones at every beat."""
MOST_KEPT = 200


def _said(connection: sa.Connection, sequences: set[int]) -> dict[int, tuple[str, Said]]:
    """Time of the entry, and what the inspection says, by number; a text is read once."""
    query = sa.select(events.c.sequence, events.c.hash, events.c.created_utc).where(events.c.sequence.in_(sequences))
    rows = connection.execute(query).all()
    known = dict(_KEPT)
    fresh = [row.sequence for row in rows if row.hash not in known]
    for entry in entries_at(connection, fresh).values() if fresh else ():
        one = inspection_from_json(json.loads(entry.text), f"ledger entry {entry.sequence}")
        known[entry.hash] = _KEPT[entry.hash] = Said(one.outcome, one.reason, one.advice, one.picture)
    if len(_KEPT) > MOST_KEPT:
        _KEPT.clear()
    return {row.sequence: (row.created_utc, known[row.hash]) for row in rows}


def _counts(connection: sa.Connection, since_utc: str) -> dict[Outcome, int]:
    """Inspections recorded since a moment, by outcome, without the void ones."""
    void = sa.select(entry_subjects.c.about).where(entry_subjects.c.kind == EntryKind.VOID.value)
    query = (
        sa.select(inspections.c.outcome, sa.func.count())
        .join(events, events.c.sequence == inspections.c.sequence)
        .where((events.c.created_utc >= plain(since_utc)) & inspections.c.inspection_id.not_in(void))
        .group_by(inspections.c.outcome)
    )
    counted = {Outcome(outcome): number for outcome, number in connection.execute(query)}
    return {outcome: counted.get(outcome, 0) for outcome in Outcome}
