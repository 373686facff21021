"""Find, from the mesh, on which side of each trim curve its two faces lie, and the pseudonormals of the corners."""

from __future__ import annotations

from typing import Any

import numpy as np

from runner.geometry.borders import Borders
from runner.geometry.bvh import STACK, build_grouped, closest_on_triangle, leaf_order, triangle_boxes
from runner.geometry.jit import kernel
from runner.geometry.mesh import EdgeTable, Ints, TriangleMesh
from runner.geometry.pseudonormals import Adjacency
from runner.geometry.trimmed import Triangles, fill_node_faces, nearest_of_face


@kernel
def _vote(rim: Any, borders: Any, left: Any, side_normal: Any) -> None:
    """For each piece and side, look at the nearest mesh edge on the rim of that face: does it run along or against?"""
    stack = np.empty(STACK, np.int32)
    # the nearest so far on each face bounds the next search: pieces stand in the order of a tree, neighbours together
    last = np.full(max(borders.faces.max() + 1, 1), -1)
    for k in range(len(borders.curve)):
        e = borders.curve[k]
        a, b = borders.ends[k, :3], borders.ends[k, 3:]
        x, y, z = 0.5 * (a[0] + b[0]), 0.5 * (a[1] + b[1]), 0.5 * (a[2] + b[2])
        for s in range(2):
            f = borders.faces[e, s]
            if f < 0:
                continue
            bound2 = np.inf
            if last[f] >= 0:
                bound2, _, _, _, _ = closest_on_triangle(x, y, z, rim.corners, last[f])
            place, _, _, _, _, _ = nearest_of_face(rim, f, x, y, z, bound2, stack)
            if place < 0:
                place = last[f]
            if place < 0:
                continue
            last[f] = place
            c = rim.corners[place]
            length = np.sqrt((c[3] - c[0]) ** 2 + (c[4] - c[1]) ** 2 + (c[5] - c[2]) ** 2)
            if length > 0.0:
                along = (b[0] - a[0]) * (c[3] - c[0]) + (b[1] - a[1]) * (c[4] - c[1]) + (b[2] - a[2]) * (c[5] - c[2])
                left[e, s] += along / length
            for i in range(3):
                side_normal[k, s, i] = rim.normals[place, 0, i]


def fill_sides(borders: Borders, mesh: TriangleMesh, face: Ints, around: Adjacency) -> None:
    """Fill ``left`` and ``side_normal`` of ``borders``.

    Triangles are wound anticlockwise seen from outside, so a face lies to the left of the edges of its own triangles.
    """
    across = around.neighbour
    on_rim = np.where(across >= 0, face[across], -1) != face[:, None]
    triangle, k = np.nonzero(on_rim)
    if len(triangle) == 0 or len(borders.curve) == 0:
        return
    start = mesh.vertices[mesh.triangles[triangle, k]]
    end = mesh.vertices[mesh.triangles[triangle, (k + 1) % 3]]
    corners = np.concatenate([start, end, end], axis=1)
    tree, root = build_grouped(*triangle_boxes(corners), face[triangle], int(max(face.max(), borders.faces.max())) + 1)
    face_of = np.ascontiguousarray(face[triangle][tree.order], dtype=np.int32)
    node_face = np.empty(len(tree.first), dtype=np.int32)
    fill_node_faces(tree, face_of, node_face)
    normals = np.zeros((len(triangle), 7, 3))
    normals[:, 0] = around.triangle_normal[triangle[tree.order]]
    rim = Triangles(
        tree=tree,
        corners=leaf_order(tree, corners),
        face=face_of,
        number=np.ascontiguousarray(triangle[tree.order], dtype=np.int32),
        normals=normals,
        border=np.zeros(len(triangle), np.uint8),
        node_face=node_face,
        root=root,
    )
    left = np.zeros_like(borders.left)
    _vote(rim, borders, left, borders.side_normal)
    borders.left[:] = np.sign(left)


def fill_corner_normals(
    borders: Borders, edges: EdgeTable, mesh: TriangleMesh, around: Adjacency, tolerance_mm: float
) -> None:
    """Fill the pseudonormals at the ends of open curves from the mesh vertex there, if one is within the tolerance."""
    from scipy.spatial import cKDTree

    if len(edges) == 0:
        return
    tree = cKDTree(mesh.vertices)
    for end, place in enumerate((edges.offsets[:-1], edges.offsets[1:] - 1)):
        distance, vertex = (np.asarray(found) for found in tree.query(edges.points[place]))
        near = distance <= tolerance_mm
        borders.corner_normal[near, end] = around.vertex_normal[vertex[near]]
