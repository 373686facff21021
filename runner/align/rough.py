"""A rough pose from what a recipe states: a frame, or landmarks."""

from __future__ import annotations

import numpy as np

from runner.geometry.frames import rigid, unit
from runner.geometry.mesh import Floats


def pose_from_frame(origin: Floats, x: Floats, y: Floats) -> Floats:
    """Return nominal_from_scan (4, 4) for a nominal whose frame lies at ``origin`` in the scan's, mm.

    ``x`` and ``y`` are the directions of the nominal's axes, (3,) in the scan's frame; ``y`` is made square to ``x``.
    """
    first = unit(np.asarray(x, dtype=np.float64))
    third = unit(np.cross(first, np.asarray(y, dtype=np.float64)))
    scan_from_nominal = np.column_stack([first, np.cross(third, first), third])
    return rigid(scan_from_nominal.T, -scan_from_nominal.T @ np.asarray(origin, dtype=np.float64))


def pose_from_landmarks(nominal: Floats, scan: Floats) -> tuple[Floats, Floats]:
    """Fit the scan's landmarks (k, 3) to the nominal's, mm, by least squares without mirroring.

    Returns
    -------
    nominal_from_scan (4, 4), and how far each pair stays apart, (k,) mm. Kabsch's solution by the singular value
    decomposition of the cross-covariance.
    """
    to, own = np.asarray(nominal, dtype=np.float64), np.asarray(scan, dtype=np.float64)
    to_middle, middle = to.mean(axis=0), own.mean(axis=0)
    u, _, v = np.linalg.svd((to - to_middle).T @ (own - middle))
    turn = u @ np.diag([1.0, 1.0, np.linalg.det(u @ v)]) @ v
    pose = rigid(turn, to_middle - turn @ middle)
    return pose, np.linalg.norm(own @ turn.T + pose[:3, 3] - to, axis=1)


def breadth(points: Floats) -> float:
    """Return how far points (k, 3) reach off the line that fits them best, mm: the largest distance from it."""
    around = np.asarray(points, dtype=np.float64) - np.mean(points, axis=0)
    along = np.linalg.svd(around)[2][0]
    return float(np.linalg.norm(around - np.outer(around @ along, along), axis=1).max())
