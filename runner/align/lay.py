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
_TIGHT_MM = 0.3
_TIGHT = 12.0
"""The narrow limit, in mm and times the noise,"""
_TIGHT_FIRST = 0.7
"""which a fit begins at so many times the reach of an inlier to come down to,"""
_TIGHT_POINTS = 4000
_TIGHT_STEPS = 12
_AS_MANY = 0.99
"""losing no more of the inliers."""
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
    held: dict[tuple[int, int, int], tuple[PreparedScan, Floats, Floats, Contest]] = field(default_factory=dict)
    """Contests that were held, by the places in memory of scan and poses, which are kept so that none is used anew."""


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


def tighten(case: Case, poses: list[Floats]) -> list[Floats]:
    """Return the poses (4, 4), each refined with a narrow limit where that brings the scan much closer to it.

    A fit to all that may be an inlier has clutter in it, and came to rest 0.3 mm aside of a hub that nothing but its
    arms holds against turning. Such poses lost to one a fifth of a turn off that happened to rest better.
    """
    if not poses or case.bent:
        return poses
    scan, search = case.scan, case.model.search
    drawn = draw_balanced(scan.normals, _TIGHT_POINTS, seed=19)
    arrays = scan.points[drawn], scan.normals[drawn], scan.signed[drawn]
    rotations, translations, _ = polish(
        case.bins, np.array([p[:3, :3] for p in poses]), np.array([p[:3, 3] for p in poses]), *arrays,
        search.centre, 0.5 * search.diagonal, min(max(_TIGHT_MM, _TIGHT * scan.noise), case.tau), _TIGHT_STEPS, 1e-3,
        _TIGHT_FIRST * case.tau,
    )  # fmt: skip
    made = [rigid(r, t) for r, t in zip(rotations, translations, strict=True)]
    both = np.array([*poses, *made])
    off = pair_up(case.bins, both[:, :3, :3], both[:, :3, 3], *arrays, case.tau).distance
    near = off <= case.tau
    spread = np.array([np.percentile(o[n], 98) if n.any() else np.inf for o, n in zip(off, near, strict=True)])
    count = near.sum(axis=1)
    n = len(poses)
    closer = (spread[n:] < MUCH_CLOSER * spread[:n]) & (count[n:] >= _AS_MANY * count[:n])
    return [new if better else old for old, new, better in zip(poses, made, closer, strict=True)]


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
