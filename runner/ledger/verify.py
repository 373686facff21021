"""Recomputes everything that the ledger claims about itself."""

from __future__ import annotations

import json
from dataclasses import dataclass

import sqlalchemy as sa

from runner.ledger.chain import NO_PREVIOUS, EntryKind, entry_hash
from runner.ledger.index import index_row, scan_rows, subject_row
from runner.ledger.schema import entry_subjects, events, inspection_scans, inspections


@dataclass(frozen=True)
class Verification:
    """What a check of the ledger found."""

    entries: int
    head_hash: str
    problems: tuple[str, ...]

    @property
    def ok(self) -> bool:
        """Whether nothing was found."""
        return not self.problems


def verify_chain(connection: sa.Connection, known_head: str = "", most: int = 20) -> Verification:
    """Walk the chain from its start; at most ``most`` problems are listed, each naming its entry."""
    problems: list[str] = []
    previous, expected, count, seen_head = NO_PREVIOUS, 1, 0, known_head in ("", NO_PREVIOUS)
    index, scans = _index(connection)
    subjects = {row["sequence"]: dict(row) for row in connection.execute(sa.select(entry_subjects)).mappings()}
    for row in connection.execute(sa.select(events).order_by(events.c.sequence).execution_options(yield_per=200)):
        count += 1
        if row.sequence != expected:
            problems.append(f"entry {expected} is missing: the next one found is {row.sequence}")
        if row.previous_hash != previous:
            problems.append(f"entry {row.sequence}: does not follow the entry before it")
        if entry_hash(row.sequence, row.kind, row.created_utc, row.text, row.previous_hash) != row.hash:
            problems.append(f"entry {row.sequence}: its content was changed after it was written")
        if row.kind == EntryKind.INSPECTION.value:
            problems += _check_index(row.sequence, row.text, index.pop(row.sequence, None), scans.pop(row.sequence, []))
        else:
            problems += _check_subject(row.sequence, row.kind, row.text, subjects.pop(row.sequence, None))
        previous, expected = row.hash, row.sequence + 1
        seen_head = seen_head or row.hash == known_head
    problems += [f"index row {sequence} belongs to no inspection" for sequence in sorted(set(index) | set(scans))]
    problems += [f"index row {sequence} belongs to no entry" for sequence in sorted(subjects)]
    if not seen_head:
        problems.append(f"the known head {known_head[:16]}... is not in the chain: entries were cut off or replaced")
    return Verification(count, previous, tuple(problems[:most]))


def _index(
    connection: sa.Connection,
) -> tuple[dict[int, dict[str, object]], dict[int, list[dict[str, object]]]]:
    """Both index tables by sequence."""
    index = {row["sequence"]: dict(row) for row in connection.execute(sa.select(inspections)).mappings()}
    scans: dict[int, list[dict[str, object]]] = {}
    query = sa.select(inspection_scans).order_by(inspection_scans.c.sequence, inspection_scans.c.position)
    for row in connection.execute(query).mappings():
        scans.setdefault(row["sequence"], []).append(dict(row))
    return index, scans


def _check_index(
    sequence: int, text: str, found: dict[str, object] | None, scans: list[dict[str, object]]
) -> list[str]:
    try:
        data = json.loads(text)
        right = index_row(sequence, data) == found and scan_rows(sequence, data) == scans
    except (ValueError, KeyError, TypeError):
        return [f"entry {sequence}: its text is not an inspection"]
    return [] if right else [f"entry {sequence}: its index row differs from its text"]


def _check_subject(sequence: int, kind: str, text: str, found: dict[str, object] | None) -> list[str]:
    try:
        right = subject_row(sequence, kind, json.loads(text)) == found
    except (ValueError, KeyError, TypeError):
        return [f"entry {sequence}: its text is not a {kind}"]
    return [] if right else [f"entry {sequence}: its index row differs from its text"]
