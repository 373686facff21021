"""What the data of a scan can give at best, and whether it decides between rival poses; knows nothing of align."""

from __future__ import annotations

import numpy as np


def corners(low, high):
    """The eight corners of a box."""
    return np.array([[(low, high)[i >> k & 1][k] for k in range(3)] for i in range(8)], dtype=float)


def least_error(points, normals, sigma, low, high, axis=None):
    """Return the least rms displacement, mm, of the worst corner of the nominal's box, for white noise.

    ``points``, ``normals``: (n, 3) of the part in the nominal frame. The information matrix of the six movements is
    the sum of outer products of point-to-plane rows over sigma^2 (Cramer-Rao). ``axis`` = (point, direction): a turn
    that the part's symmetry leaves open is not counted.
    """
    centre = 0.5 * (low + high)
    half = 0.5 * np.linalg.norm(high - low)
    rows = np.hstack([np.cross(points - centre, normals) / half, normals])
    information = rows.T @ rows / sigma**2
    basis = np.eye(6)
    if axis is not None:
        point, direction = axis
        free = np.concatenate([direction * half, np.cross(direction, centre - point)])
        free /= np.linalg.norm(free)
        basis = np.linalg.svd(np.eye(6) - np.outer(free, free))[0][:, :5]
    covariance = basis @ np.linalg.pinv(basis.T @ information @ basis) @ basis.T
    worst = 0.0
    for corner in corners(low, high):
        arm = (corner - centre) / half
        x, y, z = arm
        move = np.hstack([-np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]]), np.eye(3)])
        worst = max(worst, float(np.trace(move @ covariance @ move.T)))
    return float(np.sqrt(worst))


def deciding_points(on_part, index, rivals, limit):
    """Return for each rival motion (4, 4) of the part how many scan points it leaves farther than ``limit`` from it.

    ``on_part``: (n, 3) scan points of the part in the nominal frame, at the true pose.
    """
    counts = []
    for motion in rivals:
        moved = on_part @ motion[:3, :3].T + motion[:3, 3]
        found = index.closest(moved, 10.0)
        far = ~(np.abs(np.where(found.triangle >= 0, found.distance, np.inf)) <= limit)
        counts.append(int(far.sum()))
    return counts
