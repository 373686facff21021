"""The outermost points of a sheet: boundary loops of a mesh, and a boundary test for clouds."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from runner.geometry.boundary import boundary_loops
from runner.geometry.mesh import Floats, Ints

NEIGHBOURS = 20
GAP = np.radians(120.0)
"""A cloud point is at the border when its neighbours leave an angle this wide free."""


def mesh_boundary(triangles: Ints, vertex_count: int) -> NDArray[np.int64]:
    """Return the vertices on the boundary loops of a mesh."""
    loops = boundary_loops(triangles, vertex_count)
    return np.unique(loops.vertices).astype(np.int64)


def cloud_boundary(flat: Floats, neighbours: int = NEIGHBOURS) -> NDArray[np.bool_]:
    """Return which points (n,) of a cloud in its own plane (n, 2) lie at its border.

    The widest angle that the nearest neighbours leave free decides. Scan stripes put several neighbours on the own
    stripe before the next stripe is reached: distances are measured in the local cloud's own proportions, from the
    covariance of twice as many neighbours.
    """
    from scipy.spatial import cKDTree

    n = len(flat)
    if n <= neighbours + 1:
        return np.ones(n, dtype=bool)
    wide = min(2 * neighbours, n - 1)
    near = np.asarray(cKDTree(flat).query(flat, k=wide + 1)[1])
    offset = flat[near[:, 1:]] - flat[:, None, :]
    middle = offset.mean(axis=1, keepdims=True)
    spread = np.einsum("nki,nkj->nij", offset - middle, offset - middle) / wide
    spread += 1e-12 * np.eye(2)
    values, vectors = np.linalg.eigh(spread)
    # proportions beyond 1:3 are a border's own, not the stripes'
    scale = 1.0 / np.sqrt(np.maximum(values, values[:, 1:] / 9.0))
    even = np.einsum("nki,nij->nkj", offset, vectors) * scale[:, None, :]
    distance = np.einsum("nkj,nkj->nk", even, even)
    order = np.argsort(distance, axis=1)[:, :neighbours]
    angle = np.arctan2(even[..., 1], even[..., 0])
    angle = np.sort(np.take_along_axis(angle, order, axis=1), axis=1)
    gaps = np.diff(np.concatenate([angle, angle[:, :1] + 2 * np.pi], axis=1), axis=1)
    border: NDArray[np.bool_] = gaps.max(axis=1) > GAP
    return border
