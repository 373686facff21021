"""Whether an outcome is released. Pure: the log's release entries in, one word and one sentence out.

The rule (design of this program): a recipe is released by its fingerprint, by a person, with a reason. What was
measured while that release was in force is released; everything else is unreleased, also where the recipe is released
later, until a person releases that outcome itself. A withdrawal holds from its place in the log on; what was measured
before keeps its word and gets a note.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from runner.ledger.entries import EntryRecord, Release

RELEASED, UNRELEASED = "released", "unreleased"


@dataclass(frozen=True)
class Later:
    """An entry other than an inspection, with its place in the log."""

    sequence: int
    created_utc: str
    record: EntryRecord


@dataclass(frozen=True)
class RecipeRelease:
    """One entry about the release of a recipe, or of one inspection's outcome."""

    sequence: int
    created_utc: str
    release: Release

    @property
    def text(self) -> str:
        """One sentence for documents."""
        word = "released" if self.release.approved else "release withdrawn"
        return f"{self.release.subject} {word} {self.created_utc[:10]}: {self.release.reason} ({self.release.person})"


@dataclass(frozen=True)
class ReleaseState:
    """The word, the sentence behind it, and what has to be added to the attempt's notes."""

    word: str
    note: str
    remarks: tuple[str, ...] = ()


def release_entries(later: Iterable[Later]) -> dict[tuple[str, str], list[RecipeRelease]]:
    """The release entries by subject and what they are about, oldest first."""
    found: dict[tuple[str, str], list[RecipeRelease]] = {}
    for entry in sorted(later, key=lambda e: e.sequence):
        if isinstance(entry.record, Release):
            key = entry.record.subject, entry.record.about
            found.setdefault(key, []).append(RecipeRelease(entry.sequence, entry.created_utc, entry.record))
    return found


def recipe_state(of_recipe: Sequence[RecipeRelease]) -> ReleaseState:
    """State of a recipe after its release entries, oldest first."""
    if not of_recipe:
        return ReleaseState(UNRELEASED, "recipe not released")
    last = of_recipe[-1]
    return ReleaseState(RELEASED if last.release.approved else UNRELEASED, last.text)


def outcome_state(
    sequence: int, of_recipe: Sequence[RecipeRelease], of_outcome: Sequence[RecipeRelease]
) -> ReleaseState:
    """State of the outcome of the inspection at ``sequence``."""
    before = recipe_state([entry for entry in of_recipe if entry.sequence < sequence])
    after = [entry for entry in of_recipe if entry.sequence > sequence]
    remarks = tuple(f"after this was measured: {e.text}" for e in after if not e.release.approved)
    if of_outcome:
        last = of_outcome[-1]
        return ReleaseState(RELEASED if last.release.approved else UNRELEASED, last.text, remarks)
    if before.note == "recipe not released" and any(entry.release.approved for entry in after):
        return ReleaseState(UNRELEASED, "recipe released only after this was measured", remarks)
    return ReleaseState(before.word, before.note, remarks)
