"""Why no pose was believed: wrong unit, wrong hand, too little surface, or another part."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from runner.align.contest import Evidence
from runner.align.lay import Case
from runner.align.poses import search_poses
from runner.align.prepare import PreparedScan, prepare_scan
from runner.align.types import Alignment, AlignSettings
from runner.align.verdict import LEAST_COVERAGE, MOST_SPILL, Judgement, evidence_of
from runner.geometry.mesh import Floats, ScanGeometry
from runner.records import PoseStatus

FEWEST = 200
_UNITS = (
    (25.4, "inches"),
    (1000.0, "metres"),
    (10.0, "centimetres"),
    (304.8, "feet"),
    (1 / 25.4, "millimetres, read as inches"),
    (1 / 1000.0, "millimetres, read as metres"),
)
_WIDEST = 12.0
"""A scan with its table is taken to be no more times the part than this."""
_ONE_PLANE = 0.95
"""A refused scan of which one plane holds this share is of a table (strays and the table's rim are the rest)."""


def explain_failure(
    case: Case, judgement: Judgement, evidence: dict[str, float | str], settings: AlignSettings,
    scan: ScanGeometry, normals: Floats, signed: NDArray[np.bool_],
) -> Alignment:  # fmt: skip
    """Say why no pose was believed: wrong unit, wrong hand, too little surface, or another part."""
    search, best = case.model.search, judgement.champion
    if _flat_share(case, scan.points, normals) > _ONE_PLANE:
        return refuse(
            "the scan shows hardly anything but one flat surface: the part is not in view",
            "Check that the part lies in the scanner's view, and scan again.",
            evidence,
        )
    other_unit = wrong_unit(case, scan, normals, signed, evidence)
    if other_unit is not None:
        return other_unit
    if not len(case.model.symmetry.exact_mirrored):
        poses = search_poses(case, mirror=True)
        mirrored = [evidence_of(case, p) for p in poses[:6]]
        twin = max(mirrored, key=lambda e: e.merit) if mirrored else None
        if twin is not None and _passes(twin) and twin.merit > best.merit + 0.01:
            return refuse(
                "the mirror image of the nominal fits, the nominal does not: wrong hand, or a feature misplaced",
                "Check the part number and the hand of the part.",
                evidence,
            )
    if judgement.failed_gates == ("coverage",):
        return refuse(
            f"too little of the surface was seen: {100 * best.coverage:.1f} % of the nominal lies under scan points, "
            f"{100 * LEAST_COVERAGE:.0f} % are needed",
            "Scan more of the part.", evidence,
        )  # fmt: skip
    seen = (
        f"best pose found: {100 * best.near:.0f} % of the points near the nominal lie on it, "
        f"{100 * best.inside:.1f} % lie inside the solid, {100 * best.coverage:.0f} % of the surface is covered"
    )
    if best.spill > MOST_SPILL:
        seen += ", and the scanned surface runs on where the nominal ends"
    little = best.coverage < LEAST_COVERAGE
    return refuse(
        f"no pose of this nominal explains the scan ({seen}): "
        + ("too little of the part is seen, or another part" if little else "another part, or a part far out of shape")
        + size_hint(case.scan, search.diagonal),
        "Check the part number; scan again with more of the part in view.", evidence,
    )  # fmt: skip


def wrong_unit(
    case: Case, scan: ScanGeometry, normals: Floats, signed: NDArray[np.bool_], evidence: dict[str, float | str]
) -> Alignment | None:
    """The refusal of a scan that fits in another unit; None where it doesn't, or its size doesn't suggest it."""
    name = _try_units(case, scan, normals, signed)
    if not name:
        return None
    return refuse(
        f"the scan fits the nominal only when taken as {name}",
        "Correct the unit of the scan in the recipe or in the scanner's export.",
        evidence,
    )


def _flat_share(case: Case, points: Floats, normals: Floats) -> float:
    """Return the largest share of the raw scan (n, 3) that one plane of it holds, whichever way its points look."""
    some = slice(None, None, max(1, len(points) // 20_000))
    either = np.zeros(len(points[some]), dtype=bool)
    planes = (*case.scan.tables, *case.scan.supports)
    return max(
        (float(np.mean(p.holds(points[some], normals[some], either, 1.5 * p.thickness))) for p in planes), default=0.0
    )


def _passes(evidence: Evidence) -> bool:
    return not Judgement(evidence, (), None).failed_gates


def _try_units(case: Case, scan: ScanGeometry, normals: Floats, signed: NDArray[np.bool_]) -> str:
    """Return the unit in which the scan would fit, or nothing. Tried only where the sizes suggest it."""
    search = case.model.search
    for factor, name in _UNITS:
        scaled = factor * case.scan.extent
        # a table that was none in the wrong unit may make the scan many times the part
        if not 0.4 * search.diagonal < scaled < _WIDEST * search.diagonal:
            continue
        if 0.5 < case.scan.extent / search.diagonal < 2.0:
            continue
        prepared = prepare_scan(scan.points * factor, normals, signed, search.diagonal)
        if len(prepared.points) < FEWEST:
            continue
        other = replace(case, scan=prepared)
        poses = search_poses(other)[:3]
        if any(_passes(evidence_of(other, p)) for p in poses):
            return name
    return ""


def size_hint(prepared: PreparedScan, diagonal: float) -> str:
    """Words on a scan whose size can't be the part's; nothing for another one."""
    ratio = prepared.whole_extent / diagonal
    if ratio > 20.0 or (0 < ratio < 0.2):
        return (
            f"; the scan measures {prepared.whole_extent:.3g} mm across, the nominal {diagonal:.3g} mm: check the unit"
        )
    return ""


def refuse(reason: str, advice: str, evidence: dict[str, float | str]) -> Alignment:
    """A scan that is not aligned, with what there is to say about it."""
    return Alignment(PoseStatus.NOT_ALIGNED, None, reason, advice, evidence)
