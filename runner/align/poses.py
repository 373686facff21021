"""Candidate poses of a scan from the whole search, refined: where all judging begins."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from runner.align.candidates import find_candidates
from runner.align.hints import WHOLE_SEARCH, rotations_to_try
from runner.align.icp import coarse_to_fine
from runner.align.lay import Case, sharpen
from runner.align.several import unfold
from runner.geometry.frames import rigid
from runner.geometry.mesh import Floats


def search_poses(case: Case, mirror: bool = False, among: NDArray[np.bool_] | None = None) -> list[Floats]:
    """Return refined candidate poses (4, 4) from the whole search, best first; or from one among some rotations."""
    scan = case.scan
    arrays = (scan.points, scan.normals, scan.signed)
    count = WHOLE_SEARCH if among is None else rotations_to_try(among)
    rotations, translations = find_candidates(case.model.search, *arrays, count, mirror=mirror, among=among)
    if not mirror:
        rotations, translations = unfold(case.model.search, rotations, translations, scan.points)
    rotations, translations, score = coarse_to_fine(case.model.search, rotations, translations, *arrays, case.tau)
    if not len(score):
        # of a scan many times the part's size no candidate stands; one pose is judged, so that a reason can be given
        return [rigid(np.eye(3), case.model.search.centre - scan.points.mean(axis=0))]
    good = score >= 0.75 * score.max()
    return sharpen(case, [rigid(r, t) for r, t in zip(rotations[good], translations[good], strict=True)])
