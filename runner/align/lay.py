"""One scan against one nominal, and poses refined on it: exactly, or as they lie closest."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from runner.align.bins import DirectionBins
from runner.align.contest import Contest
from runner.align.even import even_out
from runner.align.icp import draw_balanced
from runner.align.model import AlignmentModel
from runner.align.prepare import PreparedScan
from runner.align.refine import pair_up, polish
from runner.geometry.distance import SurfaceIndex
from runner.geometry.frames import rigid, turn_vectors
from runner.geometry.mesh import Floats, Nominal

MUCH_CLOSER = 0.7
"""A pose that lies this much closer on the scan is the one that was meant."""
_EVEN_REACH = 2.5
"""Points up to so many times the expected deviation take part in that."""


@dataclass(frozen=True, eq=False)
class Case:
    """One scan against one nominal: everything the judging needs."""

    scan: PreparedScan
    nominal: Nominal
    index: SurfaceIndex
    bins: DirectionBins
    model: AlignmentModel
    tau: float
    """Largest distance of an inlier, mm."""
    bent: bool = False
    """Poses are those in which the largest deviations are small, not those in which most of the surface lies true."""
    held: dict[tuple[int, int], tuple[Floats, Floats, Contest]] = field(default_factory=dict)
    """Contests that were held on this scan, by the places in memory of the poses."""


def sharpen(
    case: Case, poses: list[Floats], count: int = 2500, iterations: int = 8, first: float | None = None
) -> list[Floats]:
    """Refine poses exactly, together, on a balanced draw of the thinned scan."""
    if not poses:
        return []
    scan, search = case.scan, case.model.search
    drawn = draw_balanced(scan.normals, count, seed=11)
    rotations, translations, _ = polish(
        case.bins, np.array([p[:3, :3] for p in poses]), np.array([p[:3, 3] for p in poses]),
        scan.points[drawn], scan.normals[drawn], scan.signed[drawn], search.centre, 0.5 * search.diagonal,
        1.2 * case.tau, iterations, 1e-3, first or max(3.0 * case.tau, 0.008 * search.diagonal),
    )  # fmt: skip
    if case.bent:
        rotations, translations = even_out(
            case.bins, rotations, translations, scan.points[drawn], scan.normals[drawn], scan.signed[drawn],
            search.centre, 0.5 * search.diagonal, _EVEN_REACH * case.tau,
        )  # fmt: skip
    return [rigid(r, t) for r, t in zip(rotations, translations, strict=True)]


def lay_best(case: Case, pose: Floats) -> Floats:
    """Return the pose (4, 4) near a judged one that lies closest on the scan, tried from a few places around it.

    Without signs a wall may lie on its sheet's other face, and the pose aside by the thickness, with all else in place.
    """
    scan = case.scan
    turned = turn_vectors(pose, scan.normals)
    ways = np.vstack([np.eye(3), np.linalg.eigh(turned.T @ turned)[1].T])
    starts = []
    for way in ways:
        for far in (-3.0, -1.5, 1.5, 3.0):
            moved = pose.copy()
            moved[:3, 3] += far * case.tau * way
            starts.append(moved)
    starts = sharpen(case, starts, first=1.2 * case.tau)
    drawn = draw_balanced(scan.normals, 3000, seed=17)
    poses = np.array([pose, *starts])
    pairs = pair_up(
        case.bins, poses[:, :3, :3], poses[:, :3, 3], scan.points[drawn], scan.normals[drawn], scan.signed[drawn],
        case.tau,
    )  # fmt: skip
    off = np.minimum(pairs.distance, case.tau)
    best = int(np.argmin(off.mean(axis=1)))
    # what lies at neither pose is clutter, and would hide how much closer the rest lies
    some = np.minimum(off[0], off[best]) < case.tau
    return poses[best] if off[best][some].sum() < MUCH_CLOSER * off[0][some].sum() else pose
