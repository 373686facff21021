"""The workbook of one part number, made from its pieces and from nothing else."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from pathlib import Path

from runner.records import Piece
from runner.report.atomic import Written, write_atomic
from runner.report.tables import part_table

SHEETS = (
    "Parts",
    "Characteristics",
    "Results",
    "Attempts",
    "Features",
    "Recipes",
    "Provenance",
    "Pictures",
    "Notes",
)


def write(
    path: Path,
    pieces: Sequence[Piece],
    *,
    head_hash: str = "",
    pictures_root: Path | None = None,
    most_pictures: int = 40,
    rename: Callable[[Path, Path], object] = os.replace,
) -> Written:
    """Write the workbook so that it appears whole or not at all.

    Parameters
    ----------
    path
        The ``.xlsx`` file.
    pieces
        All pieces of one part number, as the ledger's ``standing`` gives them.
    head_hash
        Hash of the ledger's last entry, printed in the provenance.
    pictures_root
        Folder that picture names are relative to; None: no picture is embedded.
    most_pictures
        Embedded at most, rejects and holds first; the others are linked.

    Returns
    -------
    Written
        ``complete`` is False when the workbook is open in another program: the new one then lies beside it.
    """
    return write_atomic(
        path, lambda temporary: _fill(temporary, pieces, head_hash, pictures_root, most_pictures), rename=rename
    )


def _fill(path: Path, pieces: Sequence[Piece], head_hash: str, pictures_root: Path | None, most_pictures: int) -> None:
    from openpyxl import Workbook

    from runner.report import sheet_lists as lists
    from runner.report import sheet_origin as origin
    from runner.report.sheet_kit import Kit
    from runner.report.sheet_parts import headline, part_text, write_parts
    from runner.report.sheet_pictures import write_pictures

    table = part_table(pieces)
    title = f"{part_text(table)} {headline(table)}"
    workbook = Workbook(write_only=True)
    workbook.properties.creator = "recipe runner"
    workbook.properties.title = f"Inspection results {table.part_number}"
    kit = Kit(workbook)
    write_parts(kit, table, title)
    lists.write_characteristics(kit, table, title)
    lists.write_results(kit, table, title)
    lists.write_attempts(kit, table, title)
    lists.write_features(kit, table, title)
    origin.write_recipes(kit, table, title, head_hash)
    origin.write_provenance(kit, table, title)
    write_pictures(kit, table, title, pictures_root, most_pictures)
    lists.write_notes(kit, table, title, head_hash)
    workbook.save(path)
