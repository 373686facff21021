"""Compares what was measured on the demo's pieces with what they were made like."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rich.table import Table

from runner.records import Inspection, Outcome, PoseStatus, Result, Verdict
from runner.rehearse.demo import demo_truth
from runner.rehearse.demo_pieces import PIECES, Piece
from runner.rehearse.demo_truth import TrueValue


@dataclass(frozen=True)
class PieceCheck:
    """How one serial came out."""

    serial: str
    expected: Outcome
    found: str
    because: str
    failing_expected: tuple[str, ...]
    failing_found: tuple[str, ...]
    largest_share: float
    """Largest error of a value, as a share of how near it must come."""
    largest_at: str
    differences: tuple[str, ...]

    @property
    def met(self) -> bool:
        """Whether everything is as the piece was made."""
        return not self.differences


def compare(inspections: Sequence[Inspection]) -> list[PieceCheck]:
    """Return one check per piece of the demo, in their order."""
    by_serial = {inspection.serial: inspection for inspection in inspections}
    truth = demo_truth()
    return [_check(piece, by_serial.get(piece.serial), truth[piece.serial]) for piece in PIECES]


def _check(piece: Piece, inspection: Inspection | None, truth: dict[str, TrueValue]) -> PieceCheck:
    if inspection is None:
        return PieceCheck(piece.serial, piece.outcome, "nothing", piece.because, piece.fails, (), 0.0, "", ("missing",))
    differences: list[str] = []
    failing = tuple(r.id for r in inspection.results if r.verdict is Verdict.DOES_NOT_CONFORM)
    if inspection.outcome is not piece.outcome:
        differences.append(f"{inspection.outcome} instead of {piece.outcome}: {inspection.reason}")
    if failing != piece.fails:
        differences.append(
            f"does not conform: {', '.join(failing) or 'none'}; made so: {', '.join(piece.fails) or 'none'}"
        )
    largest, at = 0.0, ""
    aligned = all(pose.status is PoseStatus.ALIGNED for pose in inspection.poses)
    for result in inspection.results:
        for name, share in _shares(result, truth[result.id]):
            if share > largest:
                largest, at = share, name
            if share > 1.0:
                differences.append(f"{name}: {share:.1f} times farther from the truth than allowed")
        expected = truth[result.id].verdict
        if aligned and expected is not None and result.verdict is not expected:
            differences.append(f"{result.id}: {result.verdict} instead of {expected} ({result.reason})")
    return PieceCheck(
        piece.serial,
        piece.outcome,
        inspection.outcome.value,
        piece.because,
        piece.fails,
        failing,
        largest,
        at,
        tuple(dict.fromkeys(differences)),
    )


def _shares(result: Result, truth: TrueValue) -> list[tuple[str, float]]:
    """Errors of a result and of its parts, as shares of the allowed error."""
    if truth.tolerance is None:
        return []
    if result.parts and len(result.parts) == len(truth.members):
        pairs = [(f"{result.id} {p.name}", p.value, t) for p, t in zip(result.parts, truth.members, strict=True)]
    else:
        pairs = [] if truth.value is None else [(result.id, result.value, truth.value)]
    # a value that is not there shows in the verdict
    return [(name, abs(value - true) / truth.tolerance) for name, value, true in pairs if value is not None]


def truth_table(checks: Sequence[PieceCheck]) -> Table:
    """Return the table of all pieces: what was made, what came out, and how near the values came."""
    table = Table(show_edge=False, pad_edge=False, header_style="bold")
    for name in ("Serial", "Made so", "Outcome", "Does not conform", "Farthest from the truth", "As made?"):
        table.add_column(name, overflow="fold")
    for check in checks:
        share = f"{check.largest_share:.0%} of what is allowed ({check.largest_at})" if check.largest_at else ""
        table.add_row(
            check.serial,
            check.because or "good",
            check.found,
            ", ".join(check.failing_found),
            share,
            "yes" if check.met else "NO: " + "; ".join(check.differences),
        )
    return table
