"""Signs that a table gives the normals of a cloud: taken up before the search, and doubted after it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from runner.align.lay import Case, lay_best
from runner.align.orient import orient
from runner.align.poses import search_poses
from runner.align.verdict import Judgement, judge


def with_signs(as_written: Case, evidence: dict[str, float | str]) -> Case:
    """Return the case with the signs known that a table in the scan gives, where the file has none."""
    scan = as_written.scan
    if scan.signed.all():
        return as_written
    normals, known = orient(scan)
    evidence["normals oriented"] = float(np.mean(known))
    return replace(as_written, scan=replace(scan, normals=normals, signed=known))


def doubt_signs(
    case: Case, as_written: Case, judgement: Judgement, evidence: dict[str, float | str]
) -> tuple[Case, Judgement]:
    """Judge anew without the signs that a table gave, where these explain nothing or the scan lies closer without.

    Faces of fixtures may lie in one plane and be taken for the table; the signs that this gives are then false.
    """
    if not (case.scan.signed & ~as_written.scan.signed).any():
        return case, judgement
    pose = judgement.champion.pose
    if not judgement.failed_gates and lay_best(as_written, pose) is pose:
        return case, judgement
    unsigned = judge(as_written, search_poses(as_written))
    if judgement.failed_gates and unsigned.failed_gates:
        return case, judgement
    evidence["normals oriented"] = "by the table: not confirmed by the scan, and not used"
    return as_written, unsigned
