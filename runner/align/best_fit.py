"""Least-squares best fit of an aligned scan to all, or to selected, nominal surface. Scale is always 1."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runner.geometry.distance import SurfaceIndex
from runner.geometry.frames import move_points, rigid, rotation_from_vector, turn_vectors
from runner.geometry.mesh import Floats

DEGREES = ("rx", "ry", "rz", "x", "y", "z")
_STEPS = 60
_STILL_MM = 1e-8


@dataclass(frozen=True, eq=False)
class BestFit:
    """Outcome of a best fit; when ``reason`` is not empty the start pose is given back unchanged."""

    nominal_from_scan: Floats
    covariance: Floats | None
    """(6, 6) rotation vector (rad) about ``centre``, then translation (mm); zero for locked degrees."""
    centre: Floats
    """(3,) where rotations are taken about, nominal frame, mm."""
    rms: float | None
    """Weighted rms distance of the used points, mm."""
    used: NDArray[np.bool_]
    """(n,) which points pulled the fit."""
    steps: int
    last_step: float
    """Size of the last step at the farthest used point, mm."""
    reason: str = ""


def best_fit(
    points: Floats,
    nominal_from_scan: Floats,
    index: SurfaceIndex,
    *,
    reach: float,
    normals: Floats | None = None,
    faces: NDArray[np.bool_] | None = None,
    weights: Floats | None = None,
    locked: Sequence[str] = (),
) -> BestFit:
    """Move the scan so that the sum of weighted squared distances to the nominal is least.

    Parameters
    ----------
    points
        (n, 3) kept points, scan frame, mm.
    nominal_from_scan
        (4, 4) start pose, near the answer.
    index
        Index of the surface to fit to: of the whole nominal, or of the selected triangles only.
    reach
        Points farther than this from the nominal don't pull, mm. Judged anew at each step, until the pose stands
        nearly still; then the set of points is kept, so that the fit ends at a true least-squares minimum.
    normals
        (n, 3) outward normals in the scan frame, or None; a point that faces another way than its closest surface
        (60 degrees) doesn't pull.
    faces
        (F,) mask of the nominal's faces to fit to, or None for all: a point counts when its closest face is among
        them.
    weights
        (n,) >= 0, or None for equal weights.
    locked
        Degrees of freedom that must not change, of ``rx ry rz x y z`` (nominal frame, rotations about the nominal
        frame's origin).

    Returns
    -------
    BestFit
        With a reason when fewer than 6 points are in reach or the surfaces leave an unlocked direction free.
    """
    unknown = set(locked) - set(DEGREES)
    if unknown:
        raise ValueError(f"unknown degree of freedom {sorted(unknown)[0]!r}; allowed: {' '.join(DEGREES)}")
    open_ = np.array([d not in locked for d in DEGREES])
    turning_locked = bool(set(locked) & {"rx", "ry", "rz"})
    weight = np.ones(len(points)) if weights is None else np.asarray(weights, dtype=np.float64)
    pose = np.array(nominal_from_scan, dtype=np.float64)
    # locked rotations are about the frame's origin; free ones about the middle of the points, for the digits
    centre = np.zeros(3) if locked or not len(points) else move_points(pose, points).mean(axis=0)
    nothing = np.zeros(len(points), dtype=bool)

    def refuse(reason: str) -> BestFit:
        return BestFit(np.array(nominal_from_scan), None, centre, None, nothing, 0, np.inf, reason)

    used, frozen, step_size, steps = nothing, False, np.inf, 0
    half = 1.0
    while steps < _STEPS:
        steps += 1
        moved = move_points(pose, points)
        closest = index.closest(moved, reach if not frozen else 2.0 * reach)
        found = closest.found & (weight > 0)
        if frozen:
            used = used & found
        else:
            used = found & (np.abs(closest.distance) <= reach) & ~closest.on_border
            if faces is not None:
                used &= faces[np.maximum(closest.face, 0)]
            if normals is not None:
                used &= np.einsum("ij,ij->i", turn_vectors(pose, normals), closest.normal) > 0.5
        if np.count_nonzero(used) < 6:
            return refuse(f"only {np.count_nonzero(used)} points lie within {reach:g} mm of the surfaces to fit to")
        lever = moved[used] - centre
        half = max(float(np.linalg.norm(lever, axis=1).max()), 1e-9)
        direction, residual, w = closest.normal[used], closest.distance[used], weight[used]
        rows = np.concatenate([np.cross(lever, direction) / half, direction], axis=1)[:, open_]
        hessian = rows.T @ (w[:, None] * rows)
        values, vectors = np.linalg.eigh(hessian / w.sum())
        if len(values) and values[0] < 1e-9:
            names = np.array(DEGREES)[open_][np.abs(vectors[:, 0]) > 0.3]
            return refuse(f"the surfaces to fit to don't hold the part against moving along or about {' '.join(names)}")
        move = np.zeros(6)
        move[open_] = np.linalg.solve(hessian, -(rows.T @ (w * residual)))
        if turning_locked and not open_[:3].any():
            turn = np.eye(3)
        else:
            turn = rotation_from_vector(move[:3] / half)
        pose = rigid(turn, centre + move[3:] - turn @ centre) @ pose
        step_size = float(np.linalg.norm(move[:3]) + np.linalg.norm(move[3:]))
        if step_size < 1e-3:
            frozen = True
        if frozen and step_size < _STILL_MM:
            break
    u, _, v = np.linalg.svd(pose[:3, :3])
    pose[:3, :3] = u @ v
    mean_square = float(w @ residual**2 / w.sum())
    inverse = np.linalg.inv(hessian)
    spread = mean_square * inverse @ (rows.T @ ((w**2)[:, None] * rows)) @ inverse
    covariance = np.zeros((6, 6))
    covariance[np.ix_(open_, open_)] = spread
    scale = np.repeat([1.0 / half, 1.0], 3)
    return BestFit(
        pose, covariance * np.outer(scale, scale), centre, float(np.sqrt(mean_square)), used, steps, step_size
    )
