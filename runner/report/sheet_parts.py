"""The main sheet: one row per piece, one column per characteristic with its verdict beside it."""

from __future__ import annotations

from typing import Any

from openpyxl.utils import get_column_letter

from runner.records import Outcome, Result, Verdict
from runner.report.sheet_kit import Kit, Look, lines_needed, merge, number_format, set_print, set_widths
from runner.report.tables import Column, PartTable, Row, shown_decimals
from runner.report.text import CAUTION, strange_letters, visible

LEAD = ("Serial", "Outcome", "Lot", "Attempt", "Measured, UTC", "Recipe", "Why", "What to do")
LEAD_WIDTHS = (15.0, 8.5, 8.0, 7.5, 15.0, 8.5, 26.0, 22.0)
VALUE_WIDTH, VERDICT_WIDTH = 10.0, 11.0
HEAD_LABELS = ("characteristic", "requirement", "as drawn", "nominal", "lower limit", "upper limit")
CAPTION_ROW = 9
"""Row of the captions and filters; pieces start below it."""


def write_parts(kit: Kit, table: PartTable, title: str) -> None:
    """Write the sheet."""
    sheet = kit.sheet("Parts")
    widths = [*LEAD_WIDTHS] + [VALUE_WIDTH, VERDICT_WIDTH] * len(table.columns)
    set_widths(sheet, widths)
    sheet.freeze_panes = f"C{CAPTION_ROW + 1}"
    last = get_column_letter(len(widths))
    sheet.auto_filter.ref = f"A{CAPTION_ROW}:{last}{CAPTION_ROW + max(1, len(table.rows))}"
    set_print(sheet, f"1:{CAPTION_ROW}", title, widths, repeated=2, lead=len(LEAD), step=2)
    _write_head(kit, sheet, table)
    for row in table.rows:
        _write_row(kit, sheet, row, table.columns)


def part_text(table: PartTable) -> str:
    """Part number and revision."""
    return table.part_number + (f" rev {', '.join(table.revisions)}" if any(table.revisions) else "")


def headline(table: PartTable) -> str:
    """Name, and how many pieces ended how."""
    counts = ", ".join(f"{table.outcomes[outcome]} {outcome}" for outcome in Outcome)
    name = f"{table.part_name}   " if table.part_name else ""
    pieces = "1 piece" if len(table.rows) == 1 else f"{len(table.rows)} pieces"
    unreleased = sum(row.attempt.release_word != "released" for row in table.rows)
    marked = f"; {unreleased} UNRELEASED" if unreleased else ""
    return f"{name}{pieces}: {counts} (proposed outcomes){marked}"


def _write_head(kit: Kit, sheet: Any, table: PartTable) -> None:
    title = Look(role="title")
    kit.append(sheet, [kit.text(sheet, part_text(table), title), None, kit.text(sheet, headline(table), title)], 21)
    kit.append(sheet, [None, None, kit.text(sheet, CAUTION, Look(role="note"))], 15)
    pair = VALUE_WIDTH + VERDICT_WIDTH
    deepest = {
        1: max((lines_needed(_requirement(column), pair) for column in table.columns), default=1),
        2: max((lines_needed(column.limits_text, pair) for column in table.columns), default=1),
    }
    for offset, label in enumerate(HEAD_LABELS):
        row_number = 3 + offset
        cells = [None] * (len(LEAD) - 1) + [kit.text(sheet, label, Look(role="head", align="right", close=True))]
        for index, column in enumerate(table.columns):
            cells += _head_pair(kit, sheet, column, offset)
            first = len(LEAD) + 1 + 2 * index
            merge(sheet, f"{get_column_letter(first)}{row_number}:{get_column_letter(first + 1)}{row_number}")
        kit.append(sheet, cells, 12.0 * min(deepest.get(offset, 1), 9) + 3)
    captions = [kit.text(sheet, text, Look(role="head", close=text == LEAD[-1])) for text in LEAD]
    for column in table.columns:
        unit = f"value, {column.unit}" if column.unit else "value"
        captions += [
            kit.text(sheet, unit, Look(role="head", align="right")),
            kit.text(sheet, "verdict", Look(role="head", close=True)),
        ]
    kit.append(sheet, captions, 16)


def _requirement(column: Column) -> str:
    """Description with class and place on the drawing."""
    extra = " · ".join(text for text in (column.classification, column.where) if text)
    return f"{column.title} ({extra})" if extra else column.title


def _head_pair(kit: Kit, sheet: Any, column: Column, offset: int) -> list[Any]:
    """Both cells of one head row of one characteristic; the second only carries the border."""
    closing = kit.text(sheet, "", Look(role="head", close=True))
    middle = Look(role="head", align="center", wrap=True, number_format=number_format(column.decimals))
    if offset == 0:
        first = kit.text(sheet, column.heading, middle)
    elif offset == 1:
        first = kit.text(sheet, _requirement(column), middle)
    elif offset == 2:
        first = kit.text(sheet, column.limits_text, middle)
    else:
        limit = (column.nominal, column.lower, column.upper)[offset - 3]
        first = kit.text(sheet, "none", middle) if limit is None else kit.number(sheet, limit, middle)
    return [first, closing]


def _write_row(kit: Kit, sheet: Any, row: Row, columns: tuple[Column, ...]) -> None:
    inspection = row.attempt.inspection
    why, advice, release = why_text(row), inspection.advice, row.attempt.release_word
    wrapped = Look(wrap=True)
    cells = [
        kit.text(sheet, inspection.serial, Look(wrap=True)),
        kit.text(sheet, inspection.outcome.value, Look(tone=inspection.outcome.value)),
        kit.text(sheet, inspection.lot, wrapped),
        kit.text(sheet, f"{row.attempt.number} of {len(row.piece.attempts)}", Look(align="center")),
        kit.moment(sheet, inspection.provenance.finished_utc, Look(number_format="yyyy-mm-dd hh:mm")),
        kit.text(sheet, release, Look(tone="" if release == "released" else "hold")),
        kit.text(sheet, why, wrapped),
        kit.text(sheet, advice, Look(wrap=True, close=True)),
    ]
    deepest = max(
        lines_needed(visible(inspection.serial), LEAD_WIDTHS[0]),
        lines_needed(why, LEAD_WIDTHS[6]),
        lines_needed(advice, LEAD_WIDTHS[7]),
    )
    for column, result in zip(columns, row.results, strict=True):
        cells += _value_pair(kit, sheet, column, result)
        if result is not None and result.verdict is Verdict.DOES_NOT_CONFORM:
            deepest = max(deepest, 2)  # "does not conform" takes two lines
    kit.append(sheet, cells, 13.5 * min(deepest, 12) + 2)


def why_text(row: Row) -> str:
    """The inspection's reason, then what later entries say about it, and letters that may pass for others."""
    strange = strange_letters(row.attempt.inspection.serial)
    parts = [row.attempt.inspection.reason, *row.attempt.notes, f"serial holds {strange}" if strange else ""]
    return "\n".join(part for part in parts if part)


def _value_pair(kit: Kit, sheet: Any, column: Column, result: Result | None) -> list[Any]:
    """Value with the drawing's decimals, or more where rounding would move it across a limit; verdict in words."""
    if result is None:
        return [kit.text(sheet, "", Look()), kit.text(sheet, "not asked", Look(role="small", close=True))]
    tone = result.verdict.value
    if result.value is None:
        first = kit.text(sheet, "", Look(tone=tone))
    else:
        decimals = shown_decimals(result.value, column.decimals, column.lower, column.upper)
        first = kit.number(sheet, result.value, Look(tone=tone, align="right", number_format=number_format(decimals)))
    return [first, kit.text(sheet, tone, Look(tone=tone, role="small", wrap=True, close=True))]
