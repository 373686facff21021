"""Which attempt counts for each piece. Pure: the log's facts in, attempts in order out.

The rule (design of this program): a later attempt replaces an accept or a hold, whatever it says. It replaces a
reject only when a person decided so with a reason; until then the reject stands, or measuring would be testing
until it passes. A piece is a part number, a lot and a serial.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from runner.ledger.entries import INSPECTION, RECIPE, Action, Decision, EntryRecord, Reidentification, Replay, Void
from runner.ledger.releases import Later, outcome_state, release_entries
from runner.records import Outcome

PieceKey = tuple[str, str, str]
"""Part number, lot, serial."""


@dataclass(frozen=True)
class Recorded:
    """An inspection as its index row knows it, with its entry."""

    sequence: int
    inspection_id: str
    part_number: str
    serial: str
    lot: str
    outcome: Outcome
    recipe_fingerprint: str = ""


@dataclass
class State:
    """What later entries made of one inspection."""

    row: Recorded
    serial: str
    lot: str
    number: int = 0
    standing: bool = False
    void: str = ""
    notes: list[str] = field(default_factory=list)
    release: str = ""
    release_note: str = ""

    @property
    def key(self) -> PieceKey:
        """The piece it belongs to, after corrections."""
        return self.row.part_number, self.lot, self.serial


def fold(rows: Iterable[Recorded], later: Sequence[Later]) -> dict[PieceKey, list[State]]:
    """Return the attempts of each piece, oldest first, with the one that counts marked.

    Parameters
    ----------
    rows
        Inspections, in any order.
    later
        The other entries: those about these inspections, and the releases of their recipes.

    Corrections and voids hold for the whole history; decisions take effect from their place in the log.
    """
    states = {row.inspection_id: State(row, row.serial, row.lot) for row in sorted(rows, key=lambda r: r.sequence)}
    ordered = sorted(later, key=lambda entry: entry.sequence)
    for entry in ordered:
        _note(states, entry.record)
    _add_releases(states.values(), ordered)
    pieces: dict[PieceKey, list[State]] = {}
    for state in states.values():
        pieces.setdefault(state.key, []).append(state)
    of_piece: dict[PieceKey, list[tuple[int, str]]] = {}
    for entry in ordered:
        decision = entry.record
        if isinstance(decision, Decision) and decision.action is Action.COUNTS and decision.about in states:
            of_piece.setdefault(states[decision.about].key, []).append((entry.sequence, decision.about))
    for key, attempts in pieces.items():
        for number, state in enumerate(attempts, start=1):
            state.number = number
        chosen = _standing(attempts, of_piece.get(key, []))
        if chosen is not None:
            chosen.standing = True
    return pieces


def _standing(attempts: Sequence[State], decisions: Sequence[tuple[int, str]]) -> State | None:
    """Walk the history of one piece."""
    events: list[tuple[int, State, bool]] = [(a.row.sequence, a, False) for a in attempts]
    by_id = {a.row.inspection_id: a for a in attempts}
    events += [(sequence, by_id[about], True) for sequence, about in decisions]
    standing: State | None = None
    for _, attempt, decided in sorted(events, key=lambda e: e[0]):
        if attempt.void:
            continue
        if decided or standing is None or standing.row.outcome is not Outcome.REJECT:
            standing = attempt
    return standing


def _add_releases(states: Iterable[State], ordered: Sequence[Later]) -> None:
    """Say of each inspection whether its outcome is released."""
    releases = release_entries(ordered)
    for state in states:
        of_outcome = releases.get((INSPECTION, state.row.inspection_id), [])
        found = outcome_state(state.row.sequence, releases.get((RECIPE, state.row.recipe_fingerprint), []), of_outcome)
        state.release, state.release_note = found.word, found.note
        state.notes += [*(entry.text for entry in of_outcome), *found.remarks]


def _note(states: dict[str, State], entry: EntryRecord) -> None:
    """Apply a void or a correction, and add the sentence that documents show."""
    about = getattr(entry, "about", "")
    state = states.get(about)
    if state is None:
        return
    match entry:
        case Void():
            state.void = f"{entry.reason} ({entry.person})"
            state.notes.append(f"void: {entry.reason} ({entry.person})")
        case Reidentification():
            old = f"serial {state.serial!r}, lot {state.lot!r}"
            state.serial, state.lot = entry.serial, entry.lot
            state.notes.append(f"recorded under {old}; corrected: {entry.reason} ({entry.person})")
        case Decision():
            reference = f", {entry.reference}" if entry.reference else ""
            state.notes.append(f"{entry.action}: {entry.reason}{reference} ({entry.person})")
        case Replay():
            flip = f", {entry.outcome_before} -> {entry.outcome_after}" if entry.outcome_after else ""
            by = f"recipe {entry.recipe_fingerprint[:12]}{flip}"
            state.notes.append(f"measured anew under {by}: {entry.reason} ({entry.person})")
        case _:
            pass
