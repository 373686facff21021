"""Normals of a mesh: per triangle, and per vertex weighted by the angle at the corner."""

from __future__ import annotations

from typing import Any

import numpy as np

from runner.geometry.jit import kernel
from runner.geometry.mesh import Floats, Ints


@kernel
def _triangle_normals(points: Any, triangles: Any, normals: Any, areas: Any) -> None:
    """Unit normals and areas; both zero where a triangle has no area."""
    for t in range(len(triangles)):
        i, j, k = triangles[t, 0], triangles[t, 1], triangles[t, 2]
        ax, ay, az = points[j, 0] - points[i, 0], points[j, 1] - points[i, 1], points[j, 2] - points[i, 2]
        bx, by, bz = points[k, 0] - points[i, 0], points[k, 1] - points[i, 1], points[k, 2] - points[i, 2]
        x, y, z = ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx
        length = np.sqrt(x * x + y * y + z * z)
        areas[t] = 0.5 * length
        if length > 0.0:
            normals[t, 0], normals[t, 1], normals[t, 2] = x / length, y / length, z / length
        else:
            normals[t, 0] = normals[t, 1] = normals[t, 2] = 0.0


@kernel
def _vertex_normals(points: Any, triangles: Any, normals: Any) -> None:
    """Sum of the triangles' unit normals, each times its angle at the vertex, then scaled to length 1."""
    for t in range(len(triangles)):
        i, j, k = triangles[t, 0], triangles[t, 1], triangles[t, 2]
        ax, ay, az = points[j, 0] - points[i, 0], points[j, 1] - points[i, 1], points[j, 2] - points[i, 2]
        bx, by, bz = points[k, 0] - points[i, 0], points[k, 1] - points[i, 1], points[k, 2] - points[i, 2]
        x, y, z = ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx
        double_area = np.sqrt(x * x + y * y + z * z)
        if double_area == 0.0:
            continue
        x, y, z = x / double_area, y / double_area, z / double_area
        ab = ax * bx + ay * by + az * bz
        aa = ax * ax + ay * ay + az * az
        bb = bx * bx + by * by + bz * bz
        # The sine part of each angle is twice the area, the cosine part the dot product of the two sides.
        at_i = np.arctan2(double_area, ab)
        at_j = np.arctan2(double_area, aa - ab)
        at_k = np.arctan2(double_area, bb - ab)
        normals[i, 0] += at_i * x
        normals[i, 1] += at_i * y
        normals[i, 2] += at_i * z
        normals[j, 0] += at_j * x
        normals[j, 1] += at_j * y
        normals[j, 2] += at_j * z
        normals[k, 0] += at_k * x
        normals[k, 1] += at_k * y
        normals[k, 2] += at_k * z
    for v in range(len(normals)):
        x, y, z = normals[v, 0], normals[v, 1], normals[v, 2]
        length = np.sqrt(x * x + y * y + z * z)
        if length > 1e-12:
            normals[v, 0], normals[v, 1], normals[v, 2] = x / length, y / length, z / length
        else:
            normals[v, 0] = normals[v, 1] = normals[v, 2] = 0.0


def triangle_normals(points: Floats, triangles: Ints) -> tuple[Floats, Floats]:
    """(m, 3) unit normals and (m,) areas, mm^2; a triangle without area has the normal 0."""
    normals = np.empty((len(triangles), 3), dtype=np.float64)
    areas = np.empty(len(triangles), dtype=np.float64)
    _triangle_normals(points, triangles, normals, areas)
    return normals, areas


def vertex_normals(points: Floats, triangles: Ints) -> Floats:
    """(n, 3) unit normals of the vertices, weighted by the angle at the corner.

    The direction then does not depend on how the surface is cut into triangles (G. Thuermer, C. A. Wuethrich,
    "Computing vertex normals from polygonal facets", 1998). A vertex without a triangle, or between sheets whose
    normals cancel, has the normal 0.

    Parameters
    ----------
    points
        (n, 3) mm.
    triangles
        (m, 3), wound anticlockwise seen from outside the material.
    """
    normals = np.zeros((len(points), 3), dtype=np.float64)
    _vertex_normals(points, triangles, normals)
    return normals
