"""The picture sheet: rejects and holds embedded up to a cap, every picture linked."""

from __future__ import annotations

import io
from pathlib import Path, PurePosixPath
from typing import Any
from urllib.parse import quote

from openpyxl.worksheet.pagebreak import Break, RowBreak

from runner.records import Outcome
from runner.report.sheet_kit import Kit, Look, set_print, set_widths
from runner.report.tables import PartTable, Row

MOST_EMBEDDED = 40
"""Thousands of pictures would make a file that no program opens."""
MOST_BYTES = 40 * 2**20
LONGEST_LINK = 2000
"""Longer addresses make some programs call the file damaged (common practice: 2,079 characters)."""
SHOWN_WIDTH = 900
"""Pixels on the sheet."""


def write_pictures(kit: Kit, table: PartTable, title: str, root: Path | None, most: int = MOST_EMBEDDED) -> None:
    """Write the sheet; ``root`` is the folder that the inspections' picture names are relative to."""
    sheet = kit.sheet("Pictures")
    widths = [16.0, 10.0, 9.0, 46.0, 46.0]
    set_widths(sheet, widths)
    sheet.freeze_panes = "A3"
    set_print(sheet, "1:2", title, widths)
    # programs ignore page breaks when they fit to a width: state the scale instead
    sheet.sheet_properties.pageSetUpPr.fitToPage = False
    sheet.page_setup.scale = 80
    sheet.row_breaks = RowBreak()
    rows = [row for row in ordered(table) if row.attempt.inspection.picture]
    chosen = _embedded(rows, root, most)
    note = f"Deviation pictures: {len(chosen)} of {len(rows)} embedded (rejects first, then holds), all linked"
    kit.append(sheet, [kit.text(sheet, note, Look(role="note"))])
    captions = ("Serial", "Outcome", "Lot", "Why", "File")
    kit.append(sheet, [kit.text(sheet, text, Look(role="head")) for text in captions])
    for row in rows:
        inspection = row.attempt.inspection
        cells = [
            kit.text(sheet, inspection.serial),
            kit.text(sheet, inspection.outcome.value, Look(tone=inspection.outcome.value)),
            kit.text(sheet, inspection.lot),
            kit.text(sheet, inspection.reason, Look(wrap=True)),
            _link(kit, sheet, inspection.picture),
        ]
        kit.append(sheet, cells)
        image = chosen.get(row.attempt.sequence)
        if image is not None:
            # a row of a spreadsheet is at most 409 points high
            line = kit.append(sheet, [None], min(image.height * 0.75 + 6, 409))
            sheet.add_image(image, f"A{line}")
            # the next piece's line must stand on the page of its picture
            sheet.row_breaks.append(Break(id=line))


def ordered(table: PartTable) -> list[Row]:
    """Rejects, then holds, then accepts; newest first within each."""
    rank = {Outcome.REJECT: 0, Outcome.HOLD: 1, Outcome.ACCEPT: 2}
    return sorted(table.rows, key=lambda r: (rank[r.attempt.inspection.outcome], -r.attempt.sequence))


def inside(root: Path, name: str) -> Path | None:
    """The file of that relative name, only if it lies in ``root``: names come from the ledger as data."""
    try:
        path = (root / name).resolve()
        return path if path.is_relative_to(root.resolve()) and path.is_file() else None
    except (OSError, ValueError):
        return None  # too long, or holds a character that no file name can hold


def _embedded(rows: list[Row], root: Path | None, most: int) -> dict[int, Any]:
    """Images by entry number, within the caps."""
    from openpyxl.drawing.image import Image

    found: dict[int, Any] = {}
    size = 0
    for row in rows:
        path = inside(root, row.attempt.inspection.picture) if root is not None else None
        if path is None or len(found) >= most:
            continue
        content = path.read_bytes()
        size += len(content)
        if size > MOST_BYTES:
            break
        try:
            image = Image(io.BytesIO(content))
        except (OSError, ValueError):
            continue  # the link stays; a damaged picture must not stop the workbook
        image.width, image.height = SHOWN_WIDTH, round(image.height * SHOWN_WIDTH / image.width)
        if image.height > 540:
            image.width, image.height = round(image.width * 540 / image.height), 540
        found[row.attempt.sequence] = image
    return found


def _link(kit: Kit, sheet: Any, name: str) -> Any:
    """The file name with a link relative to the workbook."""
    cell = kit.text(sheet, name)
    path = PurePosixPath(name.replace("\\", "/"))
    if path.is_absolute() or ".." in path.parts or ":" in name:
        return cell
    target = quote(path.as_posix(), errors="surrogateescape" if _from_file_system(name) else "replace")
    if len(target) <= LONGEST_LINK:
        cell.link = target
    return cell


def _from_file_system(name: str) -> bool:
    """Whether the name's lone surrogates, if any, stand for the bytes of an undecodable file name."""
    try:
        name.encode("utf-8", "surrogateescape")
    except UnicodeEncodeError:
        return False
    return True
