"""The plain lists of a workbook: characteristics with statistics, results, attempts, features, provenance, notes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Any

from openpyxl.utils import get_column_letter

from runner.records import Inspection, Outcome, Verdict
from runner.report.sheet_kit import Kit, Look, joined, lines_needed, number_format, set_print, set_widths
from runner.report.tables import PartTable, Row
from runner.report.text import CAUTION

MOST_LINES = 4000
"""Lines of the lists that go into every detail; the rest is in the inspection files and the ledger."""

_HEAD_ROWS = 2


def write_characteristics(kit: Kit, table: PartTable, title: str) -> None:
    """One row per characteristic with the statistics of the standing attempts."""
    captions = ["No.", "Kind", "Requirement", "As drawn", "Unit", "Nominal", "Lower limit", "Upper limit"]
    captions += ["Measured", "Mean", "Std. dev.", "Smallest", "Largest"]
    captions += [verdict.value.capitalize() for verdict in Verdict] + ["Class, place, datum system"]
    widths = [7.0, 10, 25, 11.5, 5, 8, 8, 8, 8.5, 8.5, 8.5, 8.5, 8.5, 8.5, 8, 8.5, 8.5, 9.5, 7.5]
    sheet = open_list(kit, "Characteristics", "Statistics over the attempts that count", captions, widths, title)
    for column, found in zip(table.columns, table.statistics, strict=True):
        exact = Look(align="right", number_format=number_format(column.decimals))
        finer = Look(align="right", number_format=number_format(column.decimals + 1))
        count = Look(align="right", number_format="0")
        wrapped = Look(wrap=True)
        cells = [kit.text(sheet, column.heading), kit.text(sheet, column.kind, wrapped)]
        cells += [kit.text(sheet, text, wrapped) for text in (column.title, column.limits_text, column.unit)]
        cells += [kit.number(sheet, value, exact) for value in (column.nominal, column.lower, column.upper)]
        cells.append(kit.number(sheet, found.n, count))
        cells += [kit.number(sheet, value, finer) for value in (found.mean, found.std)]
        cells += [kit.number(sheet, value, exact) for value in (found.low, found.high)]
        for verdict in Verdict:
            number = found.verdicts.get(verdict, 0)
            tone = verdict.value if number else ""
            cells.append(kit.number(sheet, number, Look(tone=tone, align="right", number_format="0")))
        place = "; ".join(text for text in (column.classification, column.where, column.datum_system) if text)
        cells.append(kit.text(sheet, place, Look(role="small", wrap=True)))
        add_row(
            kit,
            sheet,
            cells,
            max(lines_needed(t, w) for t, w in ((column.title, 25), (column.limits_text, 11.5), (place, 7.5))),
        )


def write_results(kit: Kit, table: PartTable, title: str) -> None:
    """Every result of the standing attempts with its members, uncertainty and details, one row each."""
    rows = detailed(table, lambda i: sum(1 + len(result.parts) for result in i.results))
    captions = ["Serial", "Lot", "No.", "Member", "Value", "Deviation", "Unit", "Verdict", "Expanded uncertainty"]
    captions += ["k", "Points", "Coverage", "Reason", "Details"]
    widths = [13.0, 8, 6, 16, 10, 10, 5, 15, 10, 5, 9, 9, 28, 32]
    note = "Results one by one, members of patterns below them" + _left_out(table, rows)
    sheet = open_list(kit, "Results", note, captions, widths, title)
    for row in rows:
        inspection = row.attempt.inspection
        for result in inspection.results:
            shape = Look(align="right", number_format=number_format(result.decimals + 1))
            u = result.uncertainty
            own = [kit.text(sheet, text) for text in (inspection.serial, inspection.lot, result.id, "")]
            own += [kit.number(sheet, value, shape) for value in (result.value, result.deviation)]
            own += [
                kit.text(sheet, result.unit),
                kit.text(sheet, result.verdict.value, Look(tone=result.verdict.value)),
            ]
            own.append(kit.number(sheet, u.expanded if u else None, shape))
            own.append(kit.number(sheet, u.coverage_factor if u else None, Look(number_format="0.00")))
            own.append(kit.number(sheet, result.points, Look(align="right", number_format="#,##0")))
            own.append(kit.number(sheet, result.coverage, Look(align="right", number_format="0.0%")))
            own += [kit.text(sheet, text, Look(wrap=True)) for text in (result.reason, joined(result.details))]
            add_row(kit, sheet, own, max(lines_needed(result.reason, 28), lines_needed(joined(result.details), 32)))
            for part in result.parts:
                member = [kit.text(sheet, text) for text in (inspection.serial, inspection.lot, result.id, part.name)]
                member += [kit.number(sheet, value, shape) for value in (part.value, part.deviation)]
                member += [kit.text(sheet, result.unit)]
                member += [kit.text(sheet, part.verdict.value, Look(tone=part.verdict.value))]
                member += [kit.text(sheet, "") for _ in range(4)]
                member += [kit.text(sheet, text, Look(wrap=True)) for text in (part.reason, joined(part.details))]
                add_row(kit, sheet, member, max(lines_needed(part.reason, 28), lines_needed(joined(part.details), 32)))


def write_features(kit: Kit, table: PartTable, title: str) -> None:
    """Every measured feature of the standing attempts."""
    rows = detailed(table, lambda i: len(i.features))
    captions = ["Serial", "Feature", "Kind", "From", "Points", "Rejected", "Coverage", "rms, mm"]
    captions += ["Found (mm, rad, frame of the nominal)", "Reason, notes"]
    widths = [13.0, 16, 8, 9, 9, 9, 9, 9, 58, 36]
    note = "Features as found on the scan, after alignment" + _left_out(table, rows)
    sheet = open_list(kit, "Features", note, captions, widths, title)
    for row in rows:
        for feature in row.attempt.inspection.features:
            found = parameters_text(feature.parameters)
            remarks = "; ".join(text for text in (feature.reason, *feature.notes) if text)
            tone = "" if feature.ok else Verdict.NOT_MEASURED.value
            cells = [kit.text(sheet, text) for text in (row.attempt.inspection.serial, feature.name, feature.kind)]
            cells.append(kit.text(sheet, feature.source))
            cells += [
                kit.number(sheet, n, Look(align="right", number_format="#,##0"))
                for n in (feature.points, feature.rejected)
            ]
            cells.append(kit.number(sheet, feature.coverage, Look(align="right", number_format="0.0%")))
            cells.append(kit.number(sheet, feature.rms, Look(align="right", number_format="0.0000")))
            cells += [kit.text(sheet, found, Look(wrap=True)), kit.text(sheet, remarks, Look(tone=tone, wrap=True))]
            add_row(kit, sheet, cells, max(lines_needed(found, 58), lines_needed(remarks, 36)))


def write_attempts(kit: Kit, table: PartTable, title: str) -> None:
    """Every inspection of every piece, also those that do not count."""
    captions = ["Serial", "Lot", "Attempt", "Counts", "Outcome", "Measured, UTC", "Does not conform"]
    captions += ["Undecided, not measured", "Why", "Decisions, corrections", "Recipe", "Ledger entry", "Inspection"]
    widths = [14.0, 8, 7, 9, 9, 17, 14, 14, 26, 26, 13, 6, 13]
    sheet = open_list(kit, "Attempts", "All attempts in the order of the ledger", captions, widths, title)
    totals = {(p.lot, p.serial): len(p.attempts) for p in table.pieces}
    standing = {(p.lot, p.serial): p.standing.sequence for p in table.pieces if p.standing is not None}
    for attempt in table.attempts:
        inspection = attempt.inspection
        counts = "void" if attempt.void else ("counts" if attempt.standing else "replaced")
        behind = standing.get((inspection.lot, inspection.serial), attempt.sequence) < attempt.sequence
        if counts == "replaced" and behind:
            counts = "waits"
        row = Row(table.pieces[0], attempt, ())
        notes = "\n".join(attempt.notes)
        cells = [kit.text(sheet, inspection.serial), kit.text(sheet, inspection.lot)]
        cells.append(kit.text(sheet, f"{attempt.number} of {totals[inspection.lot, inspection.serial]}"))
        cells += [kit.text(sheet, counts), kit.text(sheet, inspection.outcome, Look(tone=inspection.outcome.value))]
        cells.append(kit.moment(sheet, inspection.provenance.finished_utc))
        texts = (", ".join(row.failed), ", ".join(row.open), inspection.reason, notes)
        cells += [kit.text(sheet, text, Look(wrap=True)) for text in texts]
        recipe = f"{inspection.provenance.recipe_fingerprint[:12]} {attempt.release_word}"
        cells.append(kit.text(sheet, recipe, Look(role="mono", wrap=True)))
        cells.append(kit.number(sheet, attempt.sequence, Look(align="right", number_format="0")))
        cells.append(kit.text(sheet, inspection.id, Look(role="mono", wrap=True)))
        deepest = max(lines_needed(text, width) for text, width in zip(texts, (14, 14, 26, 26), strict=True))
        add_row(kit, sheet, cells, max(2, deepest))


def write_notes(kit: Kit, table: PartTable, title: str, head_hash: str, extra: Sequence[str] = ()) -> None:
    """How to read the workbook, and the caution."""
    sheet = kit.sheet("Notes")
    set_widths(sheet, [24.0, 110.0])
    set_print(sheet, "1:1", title, [24.0, 110.0])
    kit.append(sheet, [kit.text(sheet, "Notes", Look(role="title"))], 21)
    for name, text in (*notes(head_hash), *(("Note", line) for line in extra)):
        tone = name if name in {v.value for v in (*Verdict, *Outcome)} else ""
        add_row(
            kit,
            sheet,
            [kit.text(sheet, name, Look(tone=tone)), kit.text(sheet, text, Look(wrap=True))],
            lines_needed(text, 110),
        )


def notes(head_hash: str) -> tuple[tuple[str, str], ...]:
    """What the words, the colours and the numbers of the workbook mean."""
    return (
        ("Caution", CAUTION),
        (Outcome.ACCEPT.value, "Proposed: every characteristic conforms. A person releases the part."),
        (Outcome.REJECT.value, "Proposed: at least one characteristic does not conform."),
        (Outcome.HOLD.value, "Something is undecided or not measured, or the scan is no good; see What to do."),
        (Verdict.CONFORMS.value, "Inside the limits by more than the decision rule's guard."),
        (Verdict.DOES_NOT_CONFORM.value, "Outside the limits by more than the decision rule's guard."),
        (Verdict.UNDECIDED.value, "Too near a limit for the stated uncertainty."),
        (Verdict.NOT_MEASURED.value, "No value; the reason is in the sheet Results."),
        (Verdict.INFORMATION.value, "Reported without limits, so without a decision."),
        (
            "Attempts",
            "A later attempt replaces an accept or a hold. It replaces a reject only when a person "
            "entered why; until then the reject stands and the later attempt waits. "
            "All attempts are listed and counted.",
        ),
        (
            "Unreleased",
            "The recipe was not released when this was measured, or that release or the outcome's own was withdrawn: "
            "no basis for using the part. The sheet Recipes says who released what, when and why.",
        ),
        (
            "Numbers",
            "Shown with the drawing's decimals, with more where rounding would move a value across a limit. "
            "The cell holds the full value. Times are UTC.",
        ),
        ("Statistics", "Over the measured values of the attempts that count; the standard deviation has n - 1."),
        (
            "Source",
            "Made from the ledger and from nothing else; it can be made again at any time. "
            f"Ledger head: {head_hash or 'not stated'}",
        ),
    )


def parameters_text(parameters: Any) -> str:
    """Numbers of a feature: vectors in brackets, six digits after the point."""
    parts = []
    for name, value in parameters.items():
        if isinstance(value, tuple):
            parts.append(f"{name} ({', '.join(f'{v:.4f}' for v in value)})")
        else:
            parts.append(f"{name} {value:.4f}")
    return "; ".join(parts)


def detailed(table: PartTable, lines_of: Callable[[Inspection], int]) -> tuple[Row, ...]:
    """The pieces listed in detail, in table order: rejects, holds, then the newest, until the lines are used up.

    At least one piece is listed.
    """
    urgent = {Outcome.REJECT: 0, Outcome.HOLD: 1, Outcome.ACCEPT: 2}
    ranked = sorted(table.rows, key=lambda r: (urgent[r.attempt.inspection.outcome], -r.attempt.sequence))
    kept: set[int] = set()
    used = 0
    for row in ranked:
        used += lines_of(row.attempt.inspection)
        if used > MOST_LINES and kept:
            break
        kept.add(row.attempt.sequence)
    return tuple(row for row in table.rows if row.attempt.sequence in kept)


def _left_out(table: PartTable, rows: Sequence[Row]) -> str:
    if len(rows) == len(table.rows):
        return ""
    return (
        f"; {len(rows)} of {len(table.rows)} pieces (rejects and holds first, then the newest), "
        "the rest is in the ledger and the inspection files"
    )


def open_list(kit: Kit, name: str, note: str, captions: Sequence[str], widths: Sequence[float], title: str) -> Any:
    """A sheet with a line of explanation, captions, filter, frozen head and print set-up."""
    sheet = kit.sheet(name)
    set_widths(sheet, widths)
    sheet.freeze_panes = f"B{_HEAD_ROWS + 1}"
    sheet.auto_filter.ref = f"A{_HEAD_ROWS}:{get_column_letter(len(captions))}{_HEAD_ROWS}"
    set_print(sheet, f"1:{_HEAD_ROWS}", title, widths)
    kit.append(sheet, [kit.text(sheet, note, Look(role="note"))])
    deepest = max(lines_needed(text, width - 2) for text, width in zip(captions, widths, strict=True))
    kit.append(sheet, [kit.text(sheet, text, Look(role="head", wrap=True)) for text in captions], 13.0 * deepest + 3)
    return sheet


def add_row(kit: Kit, sheet: Any, cells: Iterable[Any], lines: int) -> None:
    """Add a row that is high enough for its wrapped text."""
    kit.append(sheet, cells, 13.0 * min(max(lines, 1), 20) + 2)
