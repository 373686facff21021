"""Rigid transforms as 4 x 4 matrices, named ``to_from_from``: ``b_from_a @ a_from_c`` reads like dominoes."""

from __future__ import annotations

import numpy as np

from runner.geometry.mesh import Floats


def rigid(rotation: Floats, translation: Floats) -> Floats:
    """Return the 4 x 4 matrix of a rotation (3, 3) followed by a translation (3,)."""
    matrix = np.eye(4)
    matrix[:3, :3] = rotation
    matrix[:3, 3] = translation
    return matrix


def check_rigid(matrix: Floats, tolerance: float = 1e-9) -> Floats:
    """Return ``matrix`` as float64 (4, 4), or raise ValueError saying how it fails to be a rigid transform."""
    matrix = np.asarray(matrix, dtype=np.float64)
    if matrix.shape != (4, 4):
        raise ValueError(f"a rigid transform is a 4 x 4 matrix; this one has shape {matrix.shape}")
    error = float(np.abs(matrix[:3, :3] @ matrix[:3, :3].T - np.eye(3)).max())
    if not error <= tolerance:
        raise ValueError(f"the rotation part is not orthonormal: off by {error:.3g}")
    if np.linalg.det(matrix[:3, :3]) < 0:
        raise ValueError("the rotation part mirrors: its determinant is -1")
    if not np.allclose(matrix[3], (0, 0, 0, 1)):
        raise ValueError(f"the last row must be 0 0 0 1; it is {matrix[3]}")
    return matrix


def invert(b_from_a: Floats) -> Floats:
    """Return ``a_from_b`` of a rigid transform."""
    rotation = b_from_a[:3, :3].T
    return rigid(rotation, -rotation @ b_from_a[:3, 3])


def move_points(b_from_a: Floats, points_a: Floats) -> Floats:
    """Return points (n, 3) moved from frame a to frame b."""
    return points_a @ b_from_a[:3, :3].T + b_from_a[:3, 3]


def turn_vectors(b_from_a: Floats, vectors_a: Floats) -> Floats:
    """Return directions (n, 3) turned from frame a to frame b."""
    return vectors_a @ b_from_a[:3, :3].T


def cross_rows(a: Floats, b: Floats) -> Floats:
    """Return the cross products (..., 3) of two arrays of vectors; NumPy's own takes several times as long."""
    product = np.empty(np.broadcast_shapes(a.shape, b.shape))
    product[..., 0] = a[..., 1] * b[..., 2] - a[..., 2] * b[..., 1]
    product[..., 1] = a[..., 2] * b[..., 0] - a[..., 0] * b[..., 2]
    product[..., 2] = a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]
    return product


def unit(vector: Floats) -> Floats:
    """Return the vector (..., 3) scaled to length 1; ValueError for a zero vector."""
    vector = np.asarray(vector, dtype=np.float64)
    length = np.linalg.norm(vector, axis=-1, keepdims=True)
    if not np.all(length > 0):
        raise ValueError("a direction must not be the zero vector")
    return vector / length


def rotation_from_vector(rotation_vector_rad: Floats) -> Floats:
    """Return the (3, 3) rotation about ``rotation_vector`` by its length (Rodrigues)."""
    angle = float(np.linalg.norm(rotation_vector_rad))
    x, y, z = rotation_vector_rad
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    if angle < 1e-4:
        # series: the quotients below lose digits near zero
        a, b = 1.0 - angle**2 / 6.0, 0.5 - angle**2 / 24.0
    else:
        a, b = np.sin(angle) / angle, (1.0 - np.cos(angle)) / angle**2
    return np.eye(3) + a * cross + b * (cross @ cross)


def angle_between(rotation_a: Floats, rotation_b: Floats) -> float:
    """Return the angle, rad, of the rotation that leads from one (3, 3) to the other."""
    relative = rotation_a.T @ rotation_b
    sine = 0.5 * np.linalg.norm(
        [relative[2, 1] - relative[1, 2], relative[0, 2] - relative[2, 0], relative[1, 0] - relative[0, 1]]
    )
    return float(np.arctan2(sine, 0.5 * (np.trace(relative) - 1.0)))


def perpendicular(axis: Floats) -> tuple[Floats, Floats]:
    """Return two unit vectors u, v with u x v = axis (unit). Deterministic for a given axis."""
    axis = unit(axis)
    start = np.zeros(3)
    start[int(np.argmin(np.abs(axis)))] = 1.0
    u = unit(np.cross(axis, start))
    return u, np.cross(axis, u)
