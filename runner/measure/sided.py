"""The nearest surface that looks a point's way: on thin sheet the nearest surface may be the wrong side's."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from runner.geometry.distance import Closest, SurfaceIndex
from runner.geometry.mesh import Floats, Nominal
from runner.measure.sampling import triangle_normals

AGREEMENT = 0.5
"""Cosine of 60 degrees: a point whose normal differs more from the nearest surface's belongs to another."""
RIM_SLACK = 0.03
"""mm: noise alone puts points this far beside a rim."""
BIN_EDGE = 0.34
"""A surface counts as looking along an axis when its normal has this share of it (70 degrees)."""


@lru_cache(maxsize=8)
def nominal_normals(nominal: Nominal) -> Floats:
    """Return the normals (m, 3) of the nominal's triangles; kept for the next part."""
    return triangle_normals(nominal.mesh.vertices, nominal.mesh.triangles)


@lru_cache(maxsize=48)
def _facing_index(nominal: Nominal, axis: int, side: float) -> SurfaceIndex | None:
    """The index of the surface that looks along an axis; kept for the next part."""
    mask = side * nominal_normals(nominal)[:, axis] > BIN_EDGE
    return SurfaceIndex.build(nominal, triangles=mask) if mask.any() else None


def closest_facing(
    nominal: Nominal, points: Floats, normals: Floats, reach: float
) -> list[tuple[NDArray[np.int64], Closest]]:
    """Return the closest surface that looks the way of each point (n, 3) with signed ``normals`` (n, 3).

    In pieces: rows of ``points`` with their answer. Points without such a surface within ``reach`` are in no piece.
    """
    main = np.argmax(np.abs(normals), axis=1)
    sign = np.sign(normals[np.arange(len(normals)), main])
    found = []
    for axis in range(3):
        for side in (1.0, -1.0):
            rows = np.flatnonzero((main == axis) & (sign == side))
            index = _facing_index(nominal, axis, side) if len(rows) else None
            if index is None:
                continue
            closest = index.closest(points[rows], reach)
            good = closest.found & (np.einsum("ij,ij->i", normals[rows], closest.normal) >= AGREEMENT)
            found.append((rows[good], _some(closest, good)))
    return found


def beside_rim(points: Floats, closest: Closest, facing: Floats) -> NDArray[np.bool_]:
    """Return which points (n,) lie beside their nearest face: sideways of its rim by more than they are above it.

    ``facing`` holds the normals (m, 3) of the nominal's triangles.
    """
    normal = facing[np.maximum(closest.triangle, 0)]
    offset = points - closest.point
    above = np.einsum("ij,ij->i", offset, normal)
    sideways = np.sqrt(np.maximum(np.einsum("ij,ij->i", offset, offset) - above**2, 0.0))
    return closest.found & closest.on_border & (sideways > RIM_SLACK) & (sideways > np.abs(above))


def _some(closest: Closest, rows: NDArray[np.bool_]) -> Closest:
    return Closest(
        closest.point[rows],
        closest.distance[rows],
        closest.normal[rows],
        closest.triangle[rows],
        closest.face[rows],
        closest.on_border[rows],
    )
