"""Archived scans measured anew under another recipe, and compared. Nothing signed is touched unless told to."""

from __future__ import annotations

import stat
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from runner.ledger.entries import Replay
from runner.ledger.store import Ledger
from runner.pipeline.documents import write_evidence
from runner.pipeline.identity import Identity
from runner.pipeline.inspect import file_hash, inspect, set_hash
from runner.pipeline.plan import Plan
from runner.pipeline.progress import Progress, silent
from runner.recipe.entries import SUFFIX as ENTRIES_SUFFIX
from runner.recipe.filenames import match
from runner.records import Attempt, Inspection
from runner.report.replay import Replayed, compare

OTHER_FILES = (ENTRIES_SUFFIX, ".reason.txt")
"""What lies beside scans in an archive."""


@dataclass(frozen=True)
class Signature:
    """Who wants the replays recorded, and why."""

    person: str
    reason: str


@dataclass(frozen=True)
class Choice:
    """Which inspections of the part are measured anew."""

    every_attempt: bool = False
    """Also those that don't count, but never void ones."""
    serial: str | None = None
    lot: str | None = None
    found_only: bool = False
    """Only those of which at least one scan lies in the folders given; the others are left out, not called missing."""


@dataclass(frozen=True)
class Archive:
    """Scan files by the hash of their bytes."""

    by_hash: dict[str, Path]
    strangers: tuple[Path, ...]
    """Files named like scans of this part that no inspection in the ledger used."""


def open_archive(folders: Iterable[Path], plan: Plan, attempts: Sequence[Attempt]) -> Archive:
    """Look for the scans of the attempts. Only files of a size that one of them has are read."""
    sizes = {scan.size_bytes for attempt in attempts for scan in attempt.inspection.scans}
    hashes = {scan.sha256 for attempt in attempts for scan in attempt.inspection.scans}
    by_hash: dict[str, Path] = {}
    strangers: list[Path] = []
    for path, size in _files(folders):
        found = file_hash(path) if size in sizes else ""
        if found in hashes:
            by_hash.setdefault(found, path)
        elif match(plan.recipe.scan.file_name or "", path.name, {"part": plan.recipe.part.number}) is not None:
            strangers.append(path)
    return Archive(by_hash, tuple(strangers))


def replay(
    plan: Plan,
    ledger: Ledger,
    folders: Sequence[Path],
    out: Path,
    *,
    choice: Choice | None = None,
    signature: Signature | None = None,
    progress: Progress = silent,
    each: Callable[[Replayed, int, int], None] = lambda replayed, number, count: None,
) -> tuple[tuple[Replayed, ...], tuple[Path, ...]]:
    """Measure the chosen inspections anew under ``plan`` and compare; with a ``signature`` also record that.

    Returns every chosen inspection, also those that could not be measured anew, with the reason, and without features,
    poses and recipe text; and the strangers of ``Archive``. Recording a replay appends the new inspection and an entry
    about the old one. The old one stays as it is, and a reject stands until a person decides that the new attempt
    counts.
    """
    choice = choice or Choice()
    # a part may have thousands: what choosing needs is kept, the whole is read one by one
    attempts = [_slim_attempt(attempt) for attempt in ledger.attempts(plan.recipe.part.number)]
    archive = open_archive(folders, plan, attempts)
    chosen = [attempt for attempt in attempts if _is_chosen(attempt, choice, archive)]
    status = ledger.recipe_state(plan.fingerprint).word
    done: list[Replayed] = []
    for number, attempt in enumerate(chosen, start=1):
        full = ledger.attempt(attempt.inspection.id)
        replayed = _slim(_one(plan, ledger, full, archive, out, status, signature, progress))
        done.append(replayed)
        each(replayed, number, len(chosen))
    return tuple(done), archive.strangers


def _files(folders: Iterable[Path]) -> Iterable[tuple[Path, int]]:
    """Regular files that may be scans, in the folders and below, with their sizes; links are not followed."""
    for folder in folders:
        for path in sorted(folder.rglob("*")):
            status = path.lstat()
            hidden = any(part.startswith(".") for part in path.relative_to(folder).parts)
            if stat.S_ISREG(status.st_mode) and not hidden and not path.name.endswith(OTHER_FILES):
                yield path, status.st_size


def _is_chosen(attempt: Attempt, choice: Choice, archive: Archive) -> bool:
    inspection = attempt.inspection
    if attempt.void or not (attempt.standing or choice.every_attempt):
        return False
    if choice.serial not in (None, inspection.serial) or choice.lot not in (None, inspection.lot):
        return False
    return not choice.found_only or any(scan.sha256 in archive.by_hash for scan in inspection.scans)


def _one(
    plan: Plan,
    ledger: Ledger,
    attempt: Attempt,
    archive: Archive,
    out: Path,
    status: str,
    signature: Signature | None,
    progress: Progress,
) -> Replayed:
    """One inspection measured anew, or why not."""
    old = attempt.inspection
    unmade = Replayed(old, attempt.sequence, attempt.standing, None)
    missing = tuple(f"{s.name} (SHA-256 {s.sha256})" for s in old.scans if s.sha256 not in archive.by_hash)
    if missing or not old.scans:
        text = f"{len(missing)} of {len(old.scans)} scans not found in the folders given"
        return replace(unmade, trouble=text, missing=missing)
    paths = [archive.by_hash[scan.sha256] for scan in old.scans]
    hashes = {path: scan.sha256 for path, scan in zip(paths, old.scans, strict=True)}
    if set_hash(paths, hashes) != old.provenance.scan_set_sha256:
        return replace(unmade, trouble="the entries of other gauges beside the scan are not those of that inspection")
    if signature is not None:
        known = ledger.find(old.provenance.scan_set_sha256, plan.fingerprint)
        if known is not None and (known.lot, known.serial) == (old.lot, old.serial):
            return replace(unmade, new=known)  # recorded before: nothing is measured and nothing written twice
    source = old.provenance
    identity = Identity(old.serial, old.lot, source.operator, source.station)
    inspected = inspect(plan, paths, identity, progress=progress, recipe_status=status, hashes=hashes)
    new = inspected.inspection
    if new.provenance.faults:
        return replace(unmade, trouble=f"a fault of the program: {'; '.join(new.provenance.faults)}")
    if new.provenance.scan_set_sha256 != source.scan_set_sha256:
        return replace(unmade, trouble="a scan changed while it was read")
    if signature is None:
        return replace(unmade, new=new)
    new = write_evidence(inspected, plan, out)
    entry = ledger.record_replay(new, replay_entry(old, new, signature))
    return replace(unmade, new=new, committed=None if entry is None else entry.sequence)


def _slim(replayed: Replayed) -> Replayed:
    """Without what no report shows."""
    new = replayed.new
    return replace(replayed, old=_without_features(replayed.old), new=None if new is None else _without_features(new))


def _slim_attempt(attempt: Attempt) -> Attempt:
    return replace(attempt, inspection=replace(_without_features(attempt.inspection), results=()))


def _without_features(inspection: Inspection) -> Inspection:
    source = replace(inspection.provenance, recipe_text="")
    return replace(inspection, features=(), poses=(), datum_systems=(), overlaps=(), provenance=source)


def replay_entry(old: Inspection, new: Inspection, signature: Signature) -> Replay:
    """Return the entry about the old inspection: who made it anew under which recipe, and what changed."""
    changes = compare(old.results, new.results)
    return Replay(
        about=old.id,
        recipe_fingerprint=new.provenance.recipe_fingerprint,
        reason=signature.reason,
        person=signature.person,
        changes=tuple(change.sentence for change in changes if change.changed),
        new_inspection=new.id,
        outcome_before=old.outcome.value,
        outcome_after=new.outcome.value,
    )
