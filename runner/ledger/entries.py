"""What people and the program enter beside inspections. Each is an entry of its own; nothing is ever edited."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from runner.ledger.chain import EntryKind


class Action(StrEnum):
    """What a person decides about one attempt."""

    COUNTS = "counts"
    """This attempt counts, although an earlier one rejected the piece."""
    CONCESSION = "concession"
    """The piece is used as it is, under a concession number. The outcome itself stays what it was."""
    REWORK = "rework"
    SCRAP = "scrap"


@dataclass(frozen=True)
class Decision:
    """A person's decision about an attempt."""

    about: str
    """Id of the inspection."""
    action: Action
    reason: str
    """E.g. ``bad scan``, ``re-measured``, ``reworked``."""
    person: str
    reference: str = ""
    """Number of the concession or nonconformance report."""


@dataclass(frozen=True)
class Void:
    """An inspection that does not count: it was made on the wrong piece, with the wrong recipe ..."""

    about: str
    reason: str
    person: str


@dataclass(frozen=True)
class Reidentification:
    """An inspection filed under a wrong serial or lot."""

    about: str
    serial: str
    lot: str
    reason: str
    person: str


@dataclass(frozen=True)
class Release:
    """Approval, or its withdrawal, of a recipe fingerprint or of one inspection's outcome."""

    subject: str
    """``recipe`` or ``inspection``."""
    about: str
    """The recipe's fingerprint, or the inspection's id."""
    approved: bool
    reason: str
    person: str


@dataclass(frozen=True)
class ScannerCheck:
    """A check of a scanner against a known artefact."""

    station: str
    scanner: str
    passed: bool
    reason: str
    person: str
    values: Mapping[str, float | str] = field(default_factory=dict)


@dataclass(frozen=True)
class Replay:
    """Archived scans measured anew under another recipe, for comparison."""

    about: str
    """Id of the inspection that was made anew."""
    recipe_fingerprint: str
    reason: str
    person: str
    changes: tuple[str, ...] = ()


EntryRecord = Decision | Void | Reidentification | Release | ScannerCheck | Replay

RECORD_OF_KIND: dict[EntryKind, type[EntryRecord]] = {
    EntryKind.DECISION: Decision,
    EntryKind.VOID: Void,
    EntryKind.REIDENTIFICATION: Reidentification,
    EntryKind.RELEASE: Release,
    EntryKind.SCANNER_CHECK: ScannerCheck,
    EntryKind.REPLAY: Replay,
}
"""Every kind of entry but the inspection itself, which is a record of ``runner.records``."""

KIND_OF_RECORD = {record: kind for kind, record in RECORD_OF_KIND.items()}
