"""Small rigid movements as six numbers, and what they do to planes, axes and points.

A twist is (rotation vector, translation) about a fixed centre: a point x moves by ``t + r x (x - centre)``.
"""

from __future__ import annotations

import numpy as np

from runner.geometry.frames import perpendicular, rigid, rotation_from_vector
from runner.geometry.mesh import Floats

NAMES = ("rx", "ry", "rz", "x", "y", "z")


def rows_of_points(points: Floats, directions: Floats, centre: Floats) -> Floats:
    """Return rows (n, 6): how far points (n, 3) move along directions (n, 3) per unit twist."""
    return np.hstack([np.cross(points - centre, directions), directions])


def rows_of_direction(axis: Floats) -> tuple[Floats, Floats, Floats]:
    """Return rows (2, 6) of how a unit direction tilts, and the two unit vectors it tilts towards."""
    u, v = perpendicular(axis)
    rows = np.zeros((2, 6))
    rows[0, :3], rows[1, :3] = np.cross(axis, u), np.cross(axis, v)
    return rows, u, v


def as_rigid(twist: Floats, centre: Floats) -> Floats:
    """Return the finite movement (4, 4) along a twist (6,): a screw, so that groups of movements stay closed."""
    rotation_vector, translation = twist[:3], twist[3:]
    rotation = rotation_from_vector(rotation_vector)
    angle = float(np.linalg.norm(rotation_vector))
    x, y, z = rotation_vector
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    if angle < 1e-4:
        spread = np.eye(3) + cross / 2.0 + cross @ cross / 6.0
    else:
        spread = (
            np.eye(3) + (1 - np.cos(angle)) / angle**2 * cross + (angle - np.sin(angle)) / angle**3 * (cross @ cross)
        )
    return rigid(rotation, centre - rotation @ centre + spread @ translation)


def null_space(rows: Floats, basis: Floats) -> Floats:
    """Return the part (6, k') of the movements spanned by ``basis`` (6, k) that ``rows`` (n, 6) don't feel."""
    if basis.shape[1] == 0 or not len(rows):
        return basis
    scaled = rows @ basis
    _, values, vectors = np.linalg.svd(scaled, full_matrices=True)
    rank = int(np.sum(values > 1e-6 * max(1.0, float(np.abs(rows).max()))))
    return orthonormal(basis @ vectors[rank:].T)


def felt_space(rows: Floats, basis: Floats) -> Floats:
    """Return an orthonormal set (6, r) of the movements in ``basis`` that ``rows`` feel."""
    if basis.shape[1] == 0 or not len(rows):
        return np.zeros((6, 0))
    _, values, vectors = np.linalg.svd(rows @ basis, full_matrices=False)
    rank = int(np.sum(values > 1e-6 * max(1.0, float(np.abs(rows).max()))))
    return basis @ vectors[:rank].T


def with_least_turn(vectors: Floats, loose: Floats) -> Floats:
    """Return movements (6, k) that turn as little as they can, and then shift as little, along ``loose`` (6, m).

    A part that is free to turn about a hole is shifted there without a turn, wherever the centre of the twists lies.
    """
    if not loose.shape[1] or not vectors.shape[1]:
        return vectors
    heavy = np.array([1e6, 1e6, 1e6, 1.0, 1.0, 1.0])[:, None]
    return vectors - loose @ np.linalg.lstsq(heavy * loose, heavy * vectors, rcond=None)[0]


def orthonormal(vectors: Floats) -> Floats:
    """Return an orthonormal basis of the columns (6, k)."""
    if vectors.shape[1] == 0:
        return vectors
    q, _ = np.linalg.qr(vectors)
    return q


def named(basis: Floats) -> tuple[str, ...]:
    """Return the names of the degrees of freedom in a space of movements (6, k), of the nominal's axes.

    A rotation is named when some movement of the space turns about that axis; a translation when some movement of the
    space that turns nothing shifts along it.
    """
    if basis.shape[1] == 0:
        return ()
    found = []
    turning = basis[:3]
    for k in range(3):
        if float(np.linalg.norm(turning[k])) > 1e-6:
            found.append(NAMES[k])
    _, values, vectors = np.linalg.svd(turning, full_matrices=True)
    rank = int(np.sum(values > 1e-9))
    shifts = basis @ vectors[rank:].T
    shifts_found = [NAMES[3 + k] for k in range(3) if shifts.shape[1] and float(np.linalg.norm(shifts[3 + k])) > 1e-6]
    return tuple(shifts_found + found)
