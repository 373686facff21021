"""A fixed, even sampling of triangles: the same places for every part, so that parts can be compared place by place."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from runner.geometry.mesh import Floats, Ints, Nominal
from runner.measure.element import face_shape, feet

GOLDEN = (0.7548776662466927, 0.5698402909980532)
"""Steps of the R2 low-discrepancy sequence (1 / plastic number, and its square)."""


def triangle_areas(vertices: Floats, triangles: Ints) -> Floats:
    """Return the areas (m,) of triangles."""
    a, b, c = (vertices[triangles[:, k]] for k in range(3))
    return 0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1)


def triangle_normals(vertices: Floats, triangles: Ints) -> Floats:
    """Return unit normals (m, 3); zero for a triangle without area."""
    a, b, c = (vertices[triangles[:, k]] for k in range(3))
    cross = np.cross(b - a, c - a)
    length = np.linalg.norm(cross, axis=1, keepdims=True)
    return np.divide(cross, length, out=np.zeros_like(cross), where=length > 0)


def sample_triangles(vertices: Floats, triangles: Ints, count: int) -> tuple[Floats, NDArray[np.int64]]:
    """Return about ``count`` points (k, 3) spread evenly by area, and the triangle row (k,) of each.

    Equal steps of accumulated area choose the triangle, a low-discrepancy sequence the place in it: no random numbers.
    """
    areas = triangle_areas(vertices, triangles)
    total = float(areas.sum())
    if count <= 0 or not total > 0:
        return np.zeros((0, 3)), np.zeros(0, dtype=np.int64)
    steps = (np.arange(count) + 0.5) * (total / count)
    rows = np.minimum(np.searchsorted(np.cumsum(areas), steps), len(triangles) - 1)
    index = np.arange(count, dtype=np.float64)
    u, v = (0.5 + GOLDEN[0] * index) % 1.0, (0.5 + GOLDEN[1] * index) % 1.0
    flip = u + v > 1.0
    u[flip], v[flip] = 1.0 - u[flip], 1.0 - v[flip]
    a, b, c = (vertices[triangles[rows, k]] for k in range(3))
    return a + u[:, None] * (b - a) + v[:, None] * (c - a), rows.astype(np.int64)


def onto_exact(nominal: Nominal, points: Floats, faces: NDArray[np.int64]) -> Floats:
    """Return points (k, 3) of the mesh moved onto the exact surface of their face where there is one."""
    moved = points.copy()
    for face in np.unique(faces):
        shape = face_shape(nominal.faces, int(face))
        if shape is not None:
            rows = faces == face
            moved[rows] = feet(shape, points[rows])
    return moved


def polyline_points(polyline: Floats, step: float) -> Floats:
    """Return points along a polyline (k, 3), not farther apart than ``step``, its own points among them."""
    if len(polyline) < 2:
        return polyline
    pieces = []
    for a, b in pairwise(polyline):
        n = max(1, int(np.ceil(np.linalg.norm(b - a) / step)))
        pieces.append(a + (np.arange(n) / n)[:, None] * (b - a))
    pieces.append(polyline[-1:])
    return np.vstack(pieces)
