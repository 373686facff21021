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
    NONCONFORMANCE = "nonconformance"
    """The piece is handled under a nonconformance report of that number."""
    REWORK = "rework"
    SCRAP = "scrap"


NUMBERED = (Action.CONCESSION, Action.NONCONFORMANCE)
"""Decisions that mean nothing without the number of the document they refer to."""

COUNTS_BECAUSE = ("bad scan", "re-measured", "reworked")
"""What may let another attempt count in place of a reject; the reason of such a decision begins with one of them."""


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
    part_number: str = ""
    part_revision: str = ""
    recipe_file: str = ""
    recipe_text: str = ""
    """What was approved, word for word."""
    nominal_file: str = ""
    nominal_sha256: str = ""


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
    """One sentence per characteristic whose verdict or requirement changed."""
    new_inspection: str = ""
    """Id of the inspection that the replay recorded."""
    outcome_before: str = ""
    outcome_after: str = ""


RECIPE, INSPECTION = "recipe", "inspection"
"""What a release can be of."""

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


def problem_of(record: EntryRecord) -> str:
    """Return why an entry can't be made as it stands, or nothing."""
    if not record.reason.strip() or not record.person.strip():
        return f"a {KIND_OF_RECORD[type(record)]} needs a reason and a person."
    match record:
        case Decision(action=Action.COUNTS) if not record.reason.startswith(COUNTS_BECAUSE):
            return f"an attempt counts because of one of: {', '.join(COUNTS_BECAUSE)}; the reason must begin with it."
        case Decision() if record.action in NUMBERED and not record.reference.strip():
            return f"a {record.action} needs the number of its document."
        case Reidentification() if not record.serial.strip():
            return "a correction needs the right serial."
        case Release() if record.subject not in (RECIPE, INSPECTION):
            return f"a release is of a {RECIPE} or of an {INSPECTION}, not of {record.subject!r}."
        case _:
            return ""
