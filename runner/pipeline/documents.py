"""What is written beside and after an inspection: deviation map, picture, JSON, workbook."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from runner.ledger.store import Ledger
from runner.measure.devmap import DeviationMap
from runner.pipeline.again import draw_again
from runner.pipeline.board import AGAIN
from runner.pipeline.identity import safe_name
from runner.pipeline.inspect import Inspected
from runner.pipeline.plan import Plan
from runner.records import Inspection, Outcome
from runner.records_io import canonical_text, text_hash
from runner.report.atomic import Written, write_atomic, write_bytes
from runner.report.json_report import write_json
from runner.report.picture import write_picture
from runner.report.workbook import write as write_workbook_file


def write_evidence(inspected: Inspected, plan: Plan, out: Path) -> Inspection:
    """Store the deviation map by its hash, draw the picture, write the JSON; return the inspection naming them."""
    inspection = inspected.inspection
    folder = out / safe_name(inspection.part_number)
    stem = f"{safe_name(inspection.serial)}-{inspection.id[:8]}"
    if inspected.deviation_map is not None:
        _store_map(folder / "maps", inspected.deviation_map)
        picture = folder / "pictures" / f"{stem}.png"
        draw(picture, plan, inspected, inspection)
        inspection = replace(inspection, picture=picture.relative_to(out).as_posix())
        if inspection.outcome is Outcome.HOLD:
            again = draw_again(plan, inspection, inspected.deviation_map)
            if again is not None:
                write_bytes(picture.with_name(f"{stem}{AGAIN}"), again)
    write_json(folder / "inspections" / f"{stem}.json", inspection)
    return inspection


def draw(path: Path, plan: Plan, inspected: Inspected, inspection: Inspection) -> None:
    """Draw the deviation picture that the recipe asks for; nothing where nothing was measured."""
    if inspected.deviation_map is not None:
        outputs = plan.recipe.outputs
        shown = [str(i) for i in (outputs.pictures or [])] if outputs is not None else []
        write_picture(path, plan.nominal, inspected.deviation_map, inspection, shown)


def _store_map(folder: Path, deviation_map: DeviationMap) -> None:
    """Store a deviation map under its hash, whole or not at all; one that is there already is left alone."""
    path = folder / f"{deviation_map.sha256}.npz"
    if not path.exists():
        arrays: dict[str, Any] = dict(deviation_map.to_arrays())
        write_atomic(path, lambda temporary: np.savez_compressed(temporary, **arrays))


def workbook_path(part_number: str, out: Path) -> Path:
    """Where the workbook of a part number lies. Part numbers whose safe names are alike don't share one."""
    name = safe_name(part_number)
    if name != part_number:
        name = f"{name}-{text_hash(canonical_text(part_number))[:8]}"
    return out / f"{name}.xlsx"


def write_workbook(
    ledger: Ledger, part_number: str, out: Path, *, rename: Callable[[Path, Path], object] = os.replace
) -> Written:
    """Write the workbook of one part number from the ledger, and from nothing else."""
    path, pieces = workbook_path(part_number, out), ledger.standing(part_number)
    return write_workbook_file(path, pieces, head_hash=ledger.head_hash(), pictures_root=out, rename=rename)
