"""Rows of a sheet written as text into the stream that openpyxl keeps open for it in write-only mode.

openpyxl builds a small tree for every cell, which takes most of the time of a workbook with thousands of rows. Here a
row is put together as text; everything around rows (styles, views, filters, links, print set-up) stays openpyxl's work.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from xml.sax.saxutils import escape

from openpyxl.utils import get_column_letter
from openpyxl.utils.datetime import to_excel
from openpyxl.worksheet.hyperlink import Hyperlink

Value = str | float | int | datetime | None


@dataclass(slots=True)
class Cell:
    """One cell: its value, already harmless, and the number of its style in the workbook."""

    value: Value
    style: int
    link: str = ""
    """Address relative to the workbook, or nothing."""


class RowStream:
    """Takes the place of openpyxl's own row writer of one sheet. Made with the sheet's first row."""

    def __init__(self, sheet: Any) -> None:
        self._sheet = sheet
        self._letters: list[str] = []
        sheet._get_writer()
        sheet._rows = self._stream()  # the sheet closes it when the workbook is saved
        next(sheet._rows)

    def write(self, number: int, cells: Iterable[Cell | None], height: float | None) -> None:
        """Write row ``number`` (from 1, ascending), ``height`` points high."""
        self._sheet._rows.send(self._row_text(number, cells, height))

    def _stream(self) -> Generator[None, str, None]:
        # the sheet's writer is a generator too: it hands out its file for as long as rows come
        file = self._sheet._writer.xf.send(True)
        with file.element("sheetData"):
            try:
                while True:
                    text = yield
                    _put(file, text)
            except GeneratorExit:
                pass
        self._sheet._writer.xf.send(None)

    def _row_text(self, number: int, cells: Iterable[Cell | None], height: float | None) -> str:
        parts = [f'<row r="{number}">' if height is None else f'<row r="{number}" ht="{height:.2f}" customHeight="1">']
        for column, cell in enumerate(cells):
            if cell is not None:
                place = f"{self._letter(column)}{number}"
                parts.append(cell_text(place, cell))
                if cell.link:
                    self._sheet._hyperlinks.append(Hyperlink(ref=place, target=cell.link))
        parts.append("</row>")
        return "".join(parts)

    def _letter(self, column: int) -> str:
        while column >= len(self._letters):
            self._letters.append(get_column_letter(len(self._letters) + 1))
        return self._letters[column]


def cell_text(place: str, cell: Cell) -> str:
    """The XML of one cell (ISO/IEC 29500-1, 18.3.1.4): a number, or text inside the cell, never a formula.

    Examples
    --------
    >>> cell_text("B2", Cell("=1+1 & <b>", 4))
    '<c r="B2" s="4" t="inlineStr"><is><t>=1+1 &amp; &lt;b&gt;</t></is></c>'
    """
    value = cell.value
    if value is None or value == "":
        return f'<c r="{place}" s="{cell.style}"/>'
    if isinstance(value, datetime):
        value = float(to_excel(value))
    if isinstance(value, str) or not math.isfinite(value):
        text = escape(str(value))
        keep = ' xml:space="preserve"' if text != text.strip() or "\n" in text else ""
        return f'<c r="{place}" s="{cell.style}" t="inlineStr"><is><t{keep}>{text}</t></is></c>'
    number = int(value) if isinstance(value, int) else float(value)  # also for NumPy's numbers and for True
    return f'<c r="{place}" s="{cell.style}"><v>{repr(number).removesuffix(".0")}</v></c>'


def _put(file: Any, text: str) -> None:
    """Write a row into the open element."""
    write = getattr(file, "_file", None)
    if write is not None:
        write(text)
        return
    # where lxml is installed, openpyxl streams with it, and that takes elements only
    from lxml import etree

    space = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    file.write(etree.fromstring(text.replace("<row ", f'<row xmlns="{space}" ', 1)))
