"""What all sheets of a workbook share: styles, safe cells, widths, print set-up. openpyxl in write-only mode."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from openpyxl.cell import WriteOnlyCell
from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
from openpyxl.worksheet.cell_range import CellRange
from openpyxl.worksheet.pagebreak import Break, ColBreak

from runner.records import Outcome, Verdict
from runner.report.sheet_rows import Cell, RowStream
from runner.report.text import CAUTION, cell_text, looks_like_formula, visible

PAGE_WIDTH = 176.5
"""Column widths, in characters of the sheet's font, that still print readably across A4 landscape."""
_GREY, _INK = "D0D4D8", "1F2933"
_LINE = Side(style="thin", color=_GREY)
_STRONG = Side(style="medium", color="7B8794")
_FILLS = {
    Verdict.CONFORMS.value: "E6F2EA",
    Verdict.DOES_NOT_CONFORM.value: "F5C6B8",
    Verdict.UNDECIDED.value: "FBE8AE",
    Verdict.NOT_MEASURED.value: "E2E4E8",
    Verdict.INFORMATION.value: "FFFFFF",
    Outcome.ACCEPT.value: "E6F2EA",
    Outcome.REJECT.value: "F5C6B8",
    Outcome.HOLD.value: "FBE8AE",
    "": "FFFFFF",
}
"""Fill behind each verdict and outcome; the word always stands beside or on it."""
_BOLD = (Verdict.DOES_NOT_CONFORM.value, Outcome.REJECT.value)


@dataclass(frozen=True)
class Look:
    """One cell style by its traits."""

    tone: str = ""
    """A verdict or outcome word, or empty."""
    role: str = "body"
    """``body``, ``head``, ``title``, ``note``, ``small``, ``mono``."""
    number_format: str = "General"
    align: str = "left"
    wrap: bool = False
    close: bool = False
    """Whether a stronger line closes the cell on its right."""


_PLAIN = Look()
_SECONDS = Look(number_format="yyyy-mm-dd hh:mm:ss")


class Kit:
    """Makes cells for one workbook; each style is built once and shared."""

    def __init__(self, workbook: Any) -> None:
        self.workbook = workbook
        self._styles: dict[tuple[Look, bool], int] = {}
        self._streams: dict[str, RowStream] = {}
        self._rows: dict[str, int] = {}

    def sheet(self, title: str) -> Any:
        """Add a sheet."""
        self._rows[title] = 0
        return self.workbook.create_sheet(title)

    def append(self, sheet: Any, cells: Iterable[Cell | None], height: float | None = None) -> int:
        """Add a row, ``height`` points high, and return its number (from 1)."""
        title = sheet.title
        if title not in self._streams:
            self._streams[title] = RowStream(sheet)
        self._rows[title] += 1
        self._streams[title].write(self._rows[title], cells, height)
        return self._rows[title]

    def text(self, sheet: Any, value: str, look: Look = _PLAIN) -> Cell:
        """A cell that holds text and nothing but text, whatever it looks like."""
        if not value:
            return Cell(None, self._style(sheet, look))
        shown = cell_text(value)
        return Cell(shown, self._style(sheet, look, looks_like_formula(shown)))

    def number(self, sheet: Any, value: float | int | None, look: Look) -> Cell:
        """A number cell; empty for None."""
        return Cell(value, self._style(sheet, look))

    def moment(self, sheet: Any, utc: str, look: Look = _SECONDS) -> Cell:
        """A date cell from ISO 8601 UTC; text when it can't be read as one."""
        try:
            when = datetime.fromisoformat(utc)
        except ValueError:
            return self.text(sheet, utc)
        if when.tzinfo is not None:
            when = when.astimezone(UTC).replace(tzinfo=None)
        return Cell(when.replace(microsecond=0), self._style(sheet, look))

    def value(self, sheet: Any, value: object, look: Look) -> Cell:
        """A text or number cell by the type of the value."""
        if value is None or isinstance(value, int | float):
            return self.number(sheet, value, look)
        return self.text(sheet, str(value), look)

    def _style(self, sheet: Any, look: Look, quoted: bool = False) -> int:
        """Number of the style in the workbook, built once. ``quoted``: marked as text for spreadsheet programs."""
        key = (look, quoted)
        found = self._styles.get(key)
        if found is None:
            found = self._styles[key] = int(self._prototype(sheet, look, quoted).style_id)
        return found

    def _prototype(self, sheet: Any, look: Look, quoted: bool) -> Any:
        cell = WriteOnlyCell(sheet)
        sizes = {"title": 14, "note": 9, "small": 8, "mono": 8, "head": 9, "body": 10}
        bold = look.role in ("title", "head") or look.tone in _BOLD
        name = "Consolas" if look.role == "mono" else "Calibri"
        cell.font = Font(name=name, size=sizes[look.role], bold=bold, italic=look.role == "note", color=_INK)
        indent = 1 if look.role == "small" else 0
        cell.alignment = Alignment(horizontal=look.align, vertical="center", wrap_text=look.wrap, indent=indent)
        cell.number_format = look.number_format
        if look.role == "head":
            cell.fill = PatternFill("solid", start_color="EDF0F3")
        elif look.tone:
            cell.fill = PatternFill("solid", start_color=_FILLS[look.tone])
        if look.role not in ("title", "note"):
            cell.border = Border(bottom=_LINE, right=_STRONG if look.close else _LINE)
        if quoted:
            cell.quotePrefix = True
        return cell


def number_format(decimals: int) -> str:
    """Spreadsheet format for a fixed number of decimals."""
    return "0" if decimals <= 0 else "0." + "0" * min(decimals, 12)


def joined(values: Mapping[str, object]) -> str:
    """``name value; name value`` with numbers to six digits."""
    return "; ".join(f"{k} {v:.6g}" if isinstance(v, float) else f"{k} {v}" for k, v in values.items())


def lines_needed(text: str, width: float) -> int:
    """Lines that wrapped text takes in a column of that many characters (a little pessimistic)."""
    per_line = max(4.0, width * 0.95)
    return sum(max(1, math.ceil(len(line) / per_line)) for line in text.split("\n")) if text else 1


def merge(sheet: Any, reference: str) -> None:
    """Merge cells (of the head only: sorting and filtering below stay possible)."""
    sheet.merged_cells.ranges.add(CellRange(reference))


def set_widths(sheet: Any, widths: Iterable[float]) -> None:
    """Set the column widths, in characters. Must come before the first row."""
    from openpyxl.utils import get_column_letter

    for index, width in enumerate(widths, start=1):
        sheet.column_dimensions[get_column_letter(index)].width = width


def set_print(
    sheet: Any, head_rows: str, title: str, widths: Sequence[float], *, repeated: int = 1, lead: int = 1, step: int = 1
) -> None:
    """A4 landscape, as wide as the page, head rows on every page, caution in the footer.

    A sheet wider than one page can carry is cut between columns instead of shrunk until nobody can read it: the
    first ``repeated`` columns stand on each page; columns after the ``lead`` ones come in groups of ``step`` that
    are not parted.
    """
    from openpyxl.utils import get_column_letter

    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.paperSize = 9  # A4
    sheet.page_setup.pageOrder = "overThenDown"
    sheet.print_title_rows = head_rows
    sheet.page_margins.left = sheet.page_margins.right = 0.4
    sheet.page_margins.top, sheet.page_margins.bottom = 0.85, 0.75
    sheet.oddHeader.left.text = _header_text(title)
    sheet.oddHeader.right.text = "&A, page &P of &N"
    sheet.oddFooter.left.text = CAUTION
    sheet.oddFooter.left.size = 7
    sheet.oddHeader.left.size = sheet.oddHeader.right.size = 8
    breaks = page_breaks(widths, repeated, lead, step)
    if not breaks:
        sheet.sheet_properties.pageSetUpPr.fitToPage = True
        sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
        return
    sheet.print_title_cols = f"A:{get_column_letter(repeated)}"
    sheet.page_setup.scale = 62
    sheet.col_breaks = ColBreak()
    for after in breaks:
        sheet.col_breaks.append(Break(id=after))


def page_breaks(widths: Sequence[float], repeated: int, lead: int, step: int, page: float = PAGE_WIDTH) -> list[int]:
    """Columns (counted from 1) after which a new page starts; none when all fit on one."""
    if sum(widths) <= page:
        return []
    again = sum(widths[:repeated])
    breaks: list[int] = []
    used = sum(widths[:lead])
    for column in range(lead, len(widths), step):
        group = sum(widths[column : column + step])
        if used + group > page:
            breaks.append(column)
            used = again
        used += group
    return breaks


def _header_text(title: str) -> str:
    """Header text: ``&`` starts a code there and must be doubled; the field takes 255 characters in all."""
    return visible(title).replace("&", "&&")[:120]
