"""What the data of a scan can give at best, and whether it decides between rival poses; knows nothing of align."""

from __future__ import annotations

import numpy as np


def corners(low, high):
    """The eight corners of a box."""
    return np.array([[(low, high)[i >> k & 1][k] for k in range(3)] for i in range(8)], dtype=float)


DRAWS = 4000


def least_error(points, normals, sigma, low, high, axis=None):
    """Return the least rms of a pose's error, mm, for white noise: of the largest displacement of the box's corners.

    That is what a pose is judged by, and of eight corners one is farther off than any chosen beforehand: the second
    number is the rms displacement of the worst corner alone, which lies 15 to 25 % lower.

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
    values, vectors = np.linalg.eigh(np.linalg.pinv(basis.T @ information @ basis))
    spread = basis @ vectors * np.sqrt(np.maximum(values, 0.0))
    drawn = np.random.default_rng(1).normal(size=(DRAWS, spread.shape[1])) @ spread.T
    corner_error, largest = 0.0, np.zeros(DRAWS)
    for corner in corners(low, high):
        x, y, z = (corner - centre) / half
        move = np.hstack([-np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]]), np.eye(3)])
        corner_error = max(corner_error, float(np.sum((move @ spread) ** 2)))
        largest = np.maximum(largest, np.sum((drawn @ move.T) ** 2, axis=1))
    return float(np.sqrt(largest.mean())), float(np.sqrt(corner_error))


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
