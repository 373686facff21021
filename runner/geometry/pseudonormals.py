"""Angle-weighted pseudonormals: the normals that tell inside from outside at edges and vertices of a mesh.

Source of the theorem: Baerentzen and Aanaes, "Signed distance computation using the angle weighted pseudonormal",
IEEE Trans. Visualization and Computer Graphics 11 (2005) 243-253.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runner.geometry.mesh import Floats, Ints, TriangleMesh

_NO_HEIGHT = 1e-11
"""Triangles lower than this times the largest coordinate have no normal: CAD meshers make some."""
_LONGEST_CHAIN = 16


@dataclass(frozen=True, eq=False)
class Adjacency:
    """Neighbours and normals of the triangles of a welded mesh."""

    neighbour: Ints
    """(m, 3) triangle across edge ab, bc, ca; -1 on an open boundary or where more than two triangles meet."""
    triangle_normal: Floats
    """(m, 3) unit; of a triangle without height the mean of its neighbours, zero where they have none either."""
    edge_normal: Floats
    """(m, 3, 3) sum of the normals of the triangles at edge ab, bc, ca."""
    vertex_normal: Floats
    """(n, 3) normals of the triangles at each vertex, weighted by their angle there, scaled to length 1."""
    closed: bool
    """Every edge is shared by exactly two triangles that run along it in opposite directions."""


def unit_or_zero(vectors: Floats) -> Floats:
    """Return vectors (..., 3) scaled to length 1; zero vectors stay."""
    length = np.linalg.norm(vectors, axis=-1, keepdims=True)
    return np.divide(vectors, length, out=np.zeros_like(vectors), where=length > 0)


def _triangle_normals(corners: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Return unit normals (m, 3) of triangles (m, 3, 3), and which have none: no height but rounding."""
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    longest = np.linalg.norm(corners - np.roll(corners, -1, axis=1), axis=2).max(axis=1, initial=0.0)
    largest = float(np.abs(corners).max(initial=0.0))
    blank = np.linalg.norm(cross, axis=1) <= _NO_HEIGHT * largest * longest
    cross[blank] = 0.0
    return unit_or_zero(cross), blank


def _fill_blank(normal: Floats, blank: NDArray[np.bool_], neighbour: Ints) -> None:
    """Give triangles without height the mean normal of their neighbours, in place; chains of them from both ends."""
    todo = np.flatnonzero(blank)
    for _ in range(_LONGEST_CHAIN):
        if len(todo) == 0:
            return
        around = neighbour[todo]
        found = unit_or_zero(np.where((around >= 0)[:, :, None], normal[around], 0.0).sum(axis=1))
        normal[todo] = found
        todo = todo[~np.any(found, axis=1)]


def adjacency(mesh: TriangleMesh) -> Adjacency:
    """Return the neighbours and pseudonormals of ``mesh``."""
    triangles = mesh.triangles.astype(np.int64)
    corners = mesh.vertices[triangles]
    count, vertices = len(triangles), max(len(mesh.vertices), 1)
    normal, blank = _triangle_normals(corners)

    start, end = triangles.reshape(-1), triangles[:, [1, 2, 0]].reshape(-1)
    key = np.minimum(start, end) * vertices + np.maximum(start, end)
    order = np.argsort(key, kind="stable")
    sorted_key = key[order]
    first = np.flatnonzero(np.r_[True, sorted_key[1:] != sorted_key[:-1]]) if count else np.zeros(0, np.int64)
    size = np.diff(np.r_[first, len(sorted_key)])
    owner = np.repeat(np.arange(len(first)), size)
    neighbour = np.full(3 * count, -1, dtype=np.int32)
    pair = first[size == 2]
    one, two = order[pair], order[pair + 1]
    neighbour[one], neighbour[two] = two // 3, one // 3
    _fill_blank(normal, blank, neighbour.reshape(count, 3))
    # sum over all triangles at the edge
    edge_sum = np.zeros((len(first), 3))
    np.add.at(edge_sum, owner, normal[order // 3])
    edge_normal = np.empty((3 * count, 3))
    edge_normal[order] = edge_sum[owner]
    closed = count > 0 and bool(np.all(size == 2)) and bool(np.all(start[one] == end[two]))

    vertex_normal = np.zeros((len(mesh.vertices), 3))
    for k in range(3):
        to_next = unit_or_zero(corners[:, (k + 1) % 3] - corners[:, k])
        to_last = unit_or_zero(corners[:, (k + 2) % 3] - corners[:, k])
        # arctan2 keeps small angles of slivers right, where arccos loses them
        angle = np.arctan2(np.linalg.norm(np.cross(to_next, to_last), axis=1), np.einsum("ij,ij->i", to_next, to_last))
        np.add.at(vertex_normal, triangles[:, k], angle[:, None] * normal)
    return Adjacency(
        neighbour.reshape(count, 3),
        normal,
        edge_normal.reshape(count, 3, 3),
        unit_or_zero(vertex_normal),
        closed,
    )
