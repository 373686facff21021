"""The hash chain: each entry's hash covers its own content and the hash of the entry before."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from enum import StrEnum

NO_PREVIOUS = "0" * 64
"""What the first entry has for the hash of the entry before."""


class EntryKind(StrEnum):
    """What an entry of the ledger is about."""

    INSPECTION = "inspection"
    RELEASE = "release"
    VOID = "void"
    REIDENTIFICATION = "re-identification"
    SCANNER_CHECK = "scanner check"
    DECISION = "decision"
    REPLAY = "replay"


@dataclass(frozen=True)
class Entry:
    """One row of the event log."""

    sequence: int
    """1, 2, 3 ... without gaps."""
    kind: EntryKind
    created_utc: str
    text: str
    """The content as canonical JSON text."""
    previous_hash: str
    hash: str


def entry_hash(sequence: int, kind: str, created_utc: str, text: str, previous_hash: str) -> str:
    """Return the SHA-256 of an entry, hexadecimal.

    The parts are joined by line feeds. None of them can hold one (canonical text escapes it), so two different
    entries never give the same bytes.
    """
    parts = ("1", str(sequence), kind, created_utc, previous_hash, text)
    if any("\n" in part for part in parts):
        raise ValueError("no part of an entry may contain a line feed")
    return hashlib.sha256("\n".join(parts).encode("utf-8")).hexdigest()


def make_entry(sequence: int, kind: EntryKind, created_utc: str, text: str, previous_hash: str) -> Entry:
    """Return the entry that follows the one with ``previous_hash``."""
    found = entry_hash(sequence, kind.value, created_utc, text, previous_hash)
    return Entry(sequence, kind, created_utc, text, previous_hash, found)
