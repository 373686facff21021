"""Where every row of a workbook comes from: recipes and nominals in use, then scan, pose and ledger entry by piece."""

from __future__ import annotations

from runner.records import Attempt, Inspection, Provenance
from runner.report.sheet_kit import Kit, Look, joined, lines_needed
from runner.report.sheet_lists import add_row, open_list
from runner.report.tables import PartTable
from runner.report.text import overlap_text

Basis = tuple[str, str, str, str, str]
"""Recipe fingerprint, release and who gave it, nominal hash, versions, recipe file."""


def write_recipes(kit: Kit, table: PartTable, title: str, head_hash: str) -> None:
    """Each recipe, nominal and set of versions once, with a number that the sheet Provenance refers to."""
    captions = ["Basis", "Recipe", "Release", "Recipe fingerprint", "Nominal", "Nominal SHA-256", "Versions"]
    captions += ["Pieces", "First used, UTC", "Last used, UTC"]
    widths = [6.0, 16, 20, 30, 16, 30, 28, 7, 17, 17]
    note = f"What the values rest on. Ledger head when this was written: {head_hash or 'not stated'}"
    sheet = open_list(kit, "Recipes", note, captions, widths, title)
    by_basis: dict[Basis, list[Provenance]] = {}
    for row in table.rows:
        by_basis.setdefault(basis(row.attempt), []).append(row.attempt.inspection.provenance)
    for number, (key, using) in enumerate(by_basis.items(), start=1):
        times = sorted(source.finished_utc for source in using)
        first = using[0]
        cells = [kit.number(sheet, number, Look(align="center", number_format="0"))]
        cells += [kit.text(sheet, text, Look(wrap=True)) for text in (first.recipe_file, key[1])]
        cells.append(kit.text(sheet, first.recipe_fingerprint, Look(role="mono", wrap=True)))
        cells.append(kit.text(sheet, first.nominal_file, Look(wrap=True)))
        cells.append(kit.text(sheet, first.nominal_sha256, Look(role="mono", wrap=True)))
        cells.append(kit.text(sheet, joined(first.versions), Look(role="small", wrap=True)))
        cells.append(kit.number(sheet, len(using), Look(align="right", number_format="0")))
        cells += [kit.moment(sheet, times[0]), kit.moment(sheet, times[-1])]
        add_row(kit, sheet, cells, max(3, lines_needed(joined(first.versions), 31), lines_needed(key[1], 20)))


def write_provenance(kit: Kit, table: PartTable, title: str) -> None:
    """One row per piece: its scans, why the pose is believed, and its place in the ledger."""
    captions = ["Serial", "Basis", "Scans with SHA-256", "Scan set SHA-256", "Pose and its evidence", "Points removed"]
    captions += ["Datum systems", "Ledger entry", "Entry hash", "Inspection", "Deviation map SHA-256"]
    captions += ["Operator, station", "Started, UTC", "Seconds"]
    widths = [14.0, 5, 36, 30, 36, 16, 24, 7, 30, 22, 30, 16, 17, 24]
    sheet = open_list(kit, "Provenance", "Basis: number in the sheet Recipes", captions, widths, title)
    numbers = bases(table)
    small, mono = Look(role="small", wrap=True), Look(role="mono", wrap=True)
    count = Look(align="center", number_format="0")
    for row in table.rows:
        inspection = row.attempt.inspection
        source = inspection.provenance
        scans = scans_text(inspection)
        poses = poses_text(inspection)
        datums = datums_text(inspection)
        who = ", ".join(text for text in (source.operator, source.station) if text)
        cells = [
            kit.text(sheet, inspection.serial, Look(wrap=True)),
            kit.number(sheet, numbers[basis(row.attempt)], count),
            kit.text(sheet, scans, mono),
            kit.text(sheet, source.scan_set_sha256, mono),
            kit.text(sheet, poses, small),
            kit.text(sheet, "\n".join(joined(pose.removed) for pose in inspection.poses), small),
            kit.text(sheet, datums, small),
            kit.number(sheet, row.attempt.sequence, count),
            kit.text(sheet, row.attempt.entry_hash, mono),
            kit.text(sheet, inspection.id, mono),
            kit.text(sheet, inspection.deviation_map_sha256, mono),
            kit.text(sheet, who, small),
            kit.moment(sheet, source.started_utc),
            kit.text(sheet, joined(source.seconds), small),
        ]
        deepest = max(lines_needed(scans, 36), lines_needed(poses, 40), lines_needed(datums, 26), 3)
        add_row(kit, sheet, cells, deepest)


def basis(attempt: Attempt) -> Basis:
    """What two inspections share when they rest on the same recipe, release, nominal and versions."""
    source = attempt.inspection.provenance
    one_by_one = attempt.release_note.startswith("inspection ")
    note = "outcome by outcome, see Attempts" if one_by_one else attempt.release_note
    return (
        source.recipe_fingerprint,
        f"{attempt.release_word}: {note}" if note else attempt.release_word,
        source.nominal_sha256,
        joined(dict(sorted(source.versions.items()))),
        source.recipe_file,
    )


def bases(table: PartTable) -> dict[Basis, int]:
    """Number of each basis, in order of first use."""
    found = dict.fromkeys(basis(row.attempt) for row in table.rows)
    return {key: number for number, key in enumerate(found, start=1)}


def scans_text(inspection: Inspection) -> str:
    """Name, size and hash of each scan file."""
    return "\n".join(
        f"{scan.name}: {scan.points:,} points, {scan.triangles:,} triangles\n{scan.sha256}" for scan in inspection.scans
    )


def poses_text(inspection: Inspection) -> str:
    """How each pose ended and on what evidence, how scans of one part agree, and what the program failed at."""
    lines = []
    for pose in inspection.poses:
        reason = f": {pose.reason}" if pose.reason else ""
        lines.append(f"{pose.status} ({pose.method}){reason}")
        if pose.evidence:
            lines.append(joined(pose.evidence))
    lines += [overlap_text(overlap) for overlap in inspection.overlaps]
    lines += inspection.provenance.faults
    return "\n".join(lines)


def datums_text(inspection: Inspection) -> str:
    """Datum systems with what they leave free or why they failed."""
    lines = []
    for system in inspection.datum_systems:
        free = f", free: {' '.join(system.free)}" if system.free else ""
        reason = f", not established: {system.reason}" if system.reason else ""
        remarks = f" ({'; '.join(system.notes)})" if system.notes else ""
        lines.append(f"{system.name}: {'|'.join(system.datums)}{free}{reason}{remarks}")
    return "\n".join(lines)
