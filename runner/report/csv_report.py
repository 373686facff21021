"""Results as CSV: one row per characteristic and inspection, for programs that evaluate them further.

UTF-8 with a byte order mark, so that spreadsheet programs read ``Ø`` and ``±`` right; comma, decimal point, every field
of text in quotes, numbers bare and whole. A text that a spreadsheet program would take for a formula begins with an
apostrophe (common practice against formulas in exported data), and control characters are shown as visible signs.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from runner.records import Attempt, Result
from runner.report.atomic import Written, write_atomic
from runner.report.text import looks_like_formula, visible

Cell = str | int | float | None

_ATTEMPT: dict[str, Callable[[Attempt], Cell]] = {
    "part number": lambda a: a.inspection.part_number,
    "revision": lambda a: a.inspection.part_revision,
    "serial": lambda a: a.inspection.serial,
    "lot": lambda a: a.inspection.lot,
    "attempt": lambda a: a.number,
    "counts": lambda a: "void" if a.void else ("yes" if a.standing else "no"),
    "outcome": lambda a: a.inspection.outcome.value,
    "release": lambda a: a.release_word,
    "why": lambda a: a.inspection.reason,
}
_RESULT: dict[str, Callable[[Result], Cell]] = {
    "characteristic": lambda r: r.id,
    "kind": lambda r: r.kind,
    "requirement": lambda r: r.title,
    "as drawn": lambda r: r.limits_text,
    "unit": lambda r: r.unit,
    "nominal": lambda r: r.nominal,
    "lower limit": lambda r: r.lower,
    "upper limit": lambda r: r.upper,
    "value": lambda r: r.value,
    "deviation": lambda r: r.deviation,
    "verdict": lambda r: r.verdict.value,
    "reason": lambda r: r.reason,
    "expanded uncertainty": lambda r: r.uncertainty.expanded if r.uncertainty else None,
    "coverage factor": lambda r: r.uncertainty.coverage_factor if r.uncertainty else None,
    "points": lambda r: r.points,
    "coverage": lambda r: r.coverage,
    "datum system": lambda r: r.datum_system,
    "class": lambda r: r.classification,
    "place on drawing": lambda r: r.where,
}
_ORIGIN: dict[str, Callable[[Attempt], Cell]] = {
    "measured UTC": lambda a: a.inspection.provenance.finished_utc,
    "station": lambda a: a.inspection.provenance.station,
    "operator": lambda a: a.inspection.provenance.operator,
    "recipe fingerprint": lambda a: a.inspection.provenance.recipe_fingerprint,
    "nominal SHA-256": lambda a: a.inspection.provenance.nominal_sha256,
    "scan SHA-256": lambda a: " ".join(scan.sha256 for scan in a.inspection.scans),
    "program": lambda a: a.inspection.provenance.versions.get("runner", ""),
    "ledger entry": lambda a: a.sequence,
    "entry hash": lambda a: a.entry_hash,
    "inspection": lambda a: a.inspection.id,
    "decisions, corrections": lambda a: "; ".join(a.notes),
}
CAPTIONS = (*_ATTEMPT, *_RESULT, *_ORIGIN)


def rows_of(attempt: Attempt) -> list[list[Cell]]:
    """One row per characteristic; one row without a characteristic where an inspection has none."""
    before, after = ([get(attempt) for get in of.values()] for of in (_ATTEMPT, _ORIGIN))
    results = attempt.inspection.results
    middles = [[get(result) for get in _RESULT.values()] for result in results] or [[None] * len(_RESULT)]
    return [[*before, *middle, *after] for middle in middles]


def write_csv(path: Path, attempts: Iterable[Attempt]) -> tuple[Written, int]:
    """Write the rows of the attempts as they come, and return their number; the file appears whole or not at all."""
    return write_rows(path, CAPTIONS, (row for attempt in attempts for row in rows_of(attempt)))


def write_rows(path: Path, captions: Sequence[str], rows: Iterable[Sequence[Cell]]) -> tuple[Written, int]:
    """Write any table in this form."""
    count = 0

    def fill(temporary: Path) -> None:
        nonlocal count
        with temporary.open("w", encoding="utf-8-sig", newline="") as stream:
            writer = csv.writer(stream, quoting=csv.QUOTE_NONNUMERIC)
            writer.writerow([harmless(text) for text in captions])
            for row in rows:
                writer.writerow([harmless(cell) if isinstance(cell, str) else _number(cell) for cell in row])
                count += 1

    return write_atomic(path, fill), count


def harmless(text: str) -> str:
    """Text for one cell.

    Examples
    --------
    >>> harmless("=1+1"), harmless("-"), harmless("0101")
    ("'=1+1", '-', '0101')
    """
    shown = visible(text)
    return f"'{shown}" if looks_like_formula(shown) else shown


def _number(value: int | float | None) -> int | float | str:
    """Numbers as they are; nothing as an empty cell."""
    return "" if value is None else value
