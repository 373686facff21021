"""Kernel of the exact distance to trimmed faces: which faces may be nearest, their closed forms, their borders."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from runner.geometry.blocks import BLOCK
from runner.geometry.borders import INNER, nearest_border, side_of_border
from runner.geometry.bvh import FACE, STACK, Tree, box_distance2, closest_on_triangle, nearest_triangle
from runner.geometry.jit import kernel
from runner.geometry.mesh import Floats, Ints
from runner.geometry.surfaces import project_one

_KNOWN = 16
"""Faces remembered as dealt with for one point; more are dealt with again, which costs time only."""


class Triangles(NamedTuple):
    """m triangles in the order of the tree's leaves, with what tells inside from outside."""

    tree: Tree
    corners: Floats
    """(m, 9)"""
    face: Ints
    """(m,)"""
    number: Ints
    """(m,) the triangle's number in the nominal's mesh."""
    normals: Floats
    """(m, 7, 3) by feature: of the triangle, its edges, its vertices; not scaled to length 1."""
    border: NDArray[np.uint8]
    """(m,) bit f is set when feature f lies between two faces or on an open boundary."""
    node_face: Ints
    """(nodes,) the face of all triangles below a node, -1 where they differ."""
    root: Ints
    """(F,) the node below which all triangles of a face are, and no others; -1 for a face without any."""


@kernel
def fill_node_faces(tree: Any, face: Any, node_face: Any) -> None:
    """Write the common face of the triangles below each node; children stand after their parent."""
    for node in range(len(node_face) - 1, -1, -1):
        if tree.members[node] > 0:
            common = face[tree.first[node]]
            for k in range(tree.first[node], tree.first[node] + tree.members[node]):
                if face[k] != common:
                    common = -1
            node_face[node] = common
        else:
            left = tree.first[node]
            node_face[node] = node_face[left] if node_face[left] == node_face[left + 1] else -1


@kernel(borrows=True)
def nearest_of_face(mesh: Any, face: Any, x: float, y: float, z: float, bound2: float, stack: Any) -> Any:
    """Like ``nearest_triangle``, among the triangles of one face."""
    best, found, fx, fy, fz, feature = bound2, -1, x, y, z, FACE
    tree = mesh.tree
    if mesh.root[face] < 0:
        return found, best, fx, fy, fz, feature
    top = 1
    stack[0] = mesh.root[face]
    while top > 0:
        top -= 1
        node = stack[top]
        if box_distance2(tree.boxes, node, x, y, z) > best:
            continue
        if tree.members[node] > 0:
            for k in range(tree.first[node], tree.first[node] + tree.members[node]):
                d2, qx, qy, qz, part = closest_on_triangle(x, y, z, mesh.corners, k)
                if d2 < best or (found < 0 and d2 <= best):
                    best, found, fx, fy, fz, feature = d2, k, qx, qy, qz, part
        else:
            left = tree.first[node]
            if box_distance2(tree.boxes, left, x, y, z) < box_distance2(tree.boxes, left + 1, x, y, z):
                stack[top], stack[top + 1] = left + 1, left
            else:
                stack[top], stack[top + 1] = left, left + 1
            top += 2
    return found, best, fx, fy, fz, feature


@kernel(borrows=True)
def _inside(
    mesh: Any,
    rows: Any,
    borders: Any,
    face: Any,
    x: float,
    y: float,
    z: float,
    nx: float,
    ny: float,
    nz: float,
    hx: float,
    hy: float,
    hz: float,
    slack: float,
    stack: Any,
) -> bool:
    """Whether a point of the face's surface lies within its borders; h is some point on the mesh of the face."""
    side = side_of_border(borders, rows, face, x, y, z, nx, ny, nz, 4.0 * slack, stack)
    if side != 0:
        return side > 0
    if (x - hx) ** 2 + (y - hy) ** 2 + (z - hz) ** 2 <= 4.0 * slack * slack:
        return True
    found, _, _, _, _, _ = nearest_of_face(mesh, face, x, y, z, 4.0 * slack * slack, stack)
    return found >= 0


@kernel(borrows=True)
def _set(row: Any, a: float, b: float, c: float) -> None:
    row[0], row[1], row[2] = a, b, c


@kernel(borrows=True)
def _set_unit(row: Any, a: float, b: float, c: float) -> None:
    length = np.sqrt(a * a + b * b + c * c)
    if length > 0.0:
        row[0], row[1], row[2] = a / length, b / length, c / length
    else:
        row[0], row[1], row[2] = 0.0, 0.0, 0.0


@kernel(borrows=True)
def mesh_result(
    mesh: Any, k: Any, d2: float, fx: float, fy: float, fz: float, part: Any, p: Any, foot: Any, normal: Any
) -> Any:
    """Write the closest point of the mesh and its normal; return signed distance and whether it lies on a border."""
    n = mesh.normals[k, part]
    _set(foot, fx, fy, fz)
    _set_unit(normal, n[0], n[1], n[2])
    outside = (p[0] - fx) * n[0] + (p[1] - fy) * n[1] + (p[2] - fz) * n[2] >= 0.0
    return np.sqrt(d2) if outside else -np.sqrt(d2), (mesh.border[k] >> part) & 1 == 1


@kernel(borrows=True)
def _border_result(
    rows: Any,
    borders: Any,
    present: Any,
    k: Any,
    where: Any,
    fx: float,
    fy: float,
    fz: float,
    p: Any,
    foot: Any,
    normal: Any,
) -> Any:
    """Write the closest border point and its normal; return signed distance and the face that it is counted to."""
    e = borders.curve[k]
    dx, dy, dz = p[0] - fx, p[1] - fy, p[2] - fz
    sx, sy, sz = 0.0, 0.0, 0.0
    face, strongest = -1, -1.0
    for s in range(2):
        f = borders.faces[e, s]
        if f < 0:
            continue
        if rows[f, 0] > 0.0:
            _, _, _, nx, ny, nz, _ = project_one(rows[f], fx, fy, fz)
        else:
            nx, ny, nz = borders.side_normal[k, s, 0], borders.side_normal[k, s, 1], borders.side_normal[k, s, 2]
        sx, sy, sz = sx + nx, sy + ny, sz + nz
        facing = abs(dx * nx + dy * ny + dz * nz)
        if present[f] and facing > strongest:
            face, strongest = f, facing
    if where != INNER:
        c = borders.corner_normal[e, where - 1]
        if c[0] != 0.0 or c[1] != 0.0 or c[2] != 0.0:
            sx, sy, sz = c[0], c[1], c[2]
    _set(foot, fx, fy, fz)
    _set_unit(normal, sx, sy, sz)
    distance = np.sqrt(dx * dx + dy * dy + dz * dz)
    return distance if dx * sx + dy * sy + dz * sz >= 0.0 else -distance, face


@kernel(borrows=True)
def _one(
    mesh: Any, rows: Any, borders: Any, present: Any, slack: float, p: Any, k0: int, d2: float,
    mx: float, my: float, mz: float,
    part: int, foot: Any, normal: Any, stack: Any, stack2: Any, known: Any,
) -> Any:  # fmt: skip
    """Exact closest point, given the closest point of the mesh. Returns triangle's place, face, distance, on border."""
    x, y, z = p[0], p[1], p[2]
    d_mesh = np.sqrt(d2)
    best, best_face, signed = np.inf, -1, 0.0
    best_k, on_border = k0, False
    outside_seen = False
    # nothing can be nearer than the mesh by more than what parts them; what is, lies on a part that was left out
    least = d_mesh - 2.0 * slack
    # the face of the nearest triangle first: mostly its foot lies inside, and few others come into question
    f = mesh.face[k0]
    known[0] = f
    known_count = 1
    if rows[f, 0] > 0.0:
        qx, qy, qz, nx, ny, nz, s = project_one(rows[f], x, y, z)
        if abs(s) >= least and _inside(mesh, rows, borders, f, qx, qy, qz, nx, ny, nz, mx, my, mz, slack, stack2):
            best, best_face, signed = abs(s), f, s
            _set(foot, qx, qy, qz)
            _set(normal, nx, ny, nz)
        else:
            outside_seen = True
    else:
        signed, on_border = mesh_result(mesh, k0, d2, mx, my, mz, part, p, foot, normal)
        best, best_face = d_mesh, f
    reach = min(d_mesh + 2.0 * slack, best + slack)
    tree = mesh.tree
    top = 1
    stack[0] = 0
    while top > 0:
        top -= 1
        node = stack[top]
        if mesh.node_face[node] == f or box_distance2(tree.boxes, node, x, y, z) > reach * reach:
            continue
        if tree.members[node] == 0:
            stack[top], stack[top + 1] = tree.first[node], tree.first[node] + 1
            top += 2
            continue
        for k in range(tree.first[node], tree.first[node] + tree.members[node]):
            g = mesh.face[k]
            seen = False
            for j in range(known_count):
                if known[j] == g:
                    seen = True
                    break
            if seen:
                continue
            t2, tx, ty, tz, _ = closest_on_triangle(x, y, z, mesh.corners, k)
            if t2 > reach * reach:
                continue
            if known_count < _KNOWN:
                known[known_count] = g
                known_count += 1
            if rows[g, 0] > 0.0:
                qx, qy, qz, nx, ny, nz, s = project_one(rows[g], x, y, z)
                if abs(s) < best:
                    if abs(s) >= least and _inside(
                        mesh, rows, borders, g, qx, qy, qz, nx, ny, nz, tx, ty, tz, slack, stack2
                    ):
                        best, best_face, best_k, signed, on_border = abs(s), g, -1, s, False
                        _set(foot, qx, qy, qz)
                        _set(normal, nx, ny, nz)
                    else:
                        outside_seen = True
            else:
                h, h2, hx, hy, hz, hpart = nearest_of_face(mesh, g, x, y, z, reach * reach, stack2)
                if h >= 0 and np.sqrt(h2) < best:
                    best, best_face, best_k = np.sqrt(h2), g, h
                    signed, on_border = mesh_result(mesh, h, h2, hx, hy, hz, hpart, p, foot, normal)
            reach = min(reach, best + slack)
    if outside_seen:
        bound = min(best, d_mesh + 2.0 * slack)
        piece, b2, bx, by, bz, where = nearest_border(borders, rows, present, x, y, z, bound * bound, stack)
        if piece >= 0 and np.sqrt(b2) >= least:
            best = np.sqrt(b2)
            signed, best_face = _border_result(rows, borders, present, piece, where, bx, by, bz, p, foot, normal)
            best_k, on_border = -1, True
    if best_face < 0 or best > d_mesh + 2.0 * slack:
        # no border where one should be (a part of a face, a gap in the model): the mesh has the answer
        signed, _ = mesh_result(mesh, k0, d2, mx, my, mz, part, p, foot, normal)
        return k0, f, signed, True
    if best_k < 0 or mesh.face[best_k] != best_face:
        best_k = k0
        if f != best_face:
            wide = d_mesh + 4.0 * slack
            best_k, _, _, _, _, _ = nearest_of_face(mesh, best_face, x, y, z, wide * wide, stack2)
            if best_k < 0:
                best_k, best_face = k0, f
    return best_k, best_face, signed, on_border


@kernel
def closest_on_faces(
    start: int, end: int, mesh: Any, rows: Any, borders: Any, present: Any, slack: float, exact: bool,
    points: Any, order: Any, farthest: float,
    foot: Any, distance: Any, normal: Any, triangle: Any, face: Any, on_border: Any,
) -> None:  # fmt: skip
    """Fill the results of ``points[order[start:end]]``; see ``SurfaceIndex.closest``."""
    stack = np.empty(STACK, np.int32)
    stack2 = np.empty(STACK, np.int32)
    known = np.empty(_KNOWN, np.int32)
    for block in range(start, end, BLOCK):
        _block(
            block, min(block + BLOCK, end), mesh, rows, borders, present, slack, exact, points, order, farthest,
            foot, distance, normal, triangle, face, on_border, stack, stack2, known,
        )  # fmt: skip


@kernel(borrows=True)
def _block(
    start: int, end: int, mesh: Any, rows: Any, borders: Any, present: Any, slack: float, exact: bool,
    points: Any, order: Any, farthest: float,
    foot: Any, distance: Any, normal: Any, triangle: Any, face: Any, on_border: Any,
    stack: Any, stack2: Any, known: Any,
) -> None:  # fmt: skip
    bound = farthest + slack
    last = -1
    for o in range(start, end):
        i = order[o]
        p = points[i]
        k = -1
        s, border, f = np.inf, False, -1
        if np.isfinite(p[0] + p[1] + p[2]):
            k, d2, fx, fy, fz, part = nearest_triangle(
                mesh.tree, mesh.corners, p[0], p[1], p[2], bound * bound, last, stack
            )
            if k >= 0:
                last = k
                if exact:
                    k, f, s, border = _one(
                        mesh, rows, borders, present, slack, p, k, d2, fx, fy, fz, part,
                        foot[i], normal[i], stack, stack2, known,
                    )  # fmt: skip
                else:
                    f = mesh.face[k]
                    s, border = mesh_result(mesh, k, d2, fx, fy, fz, part, p, foot[i], normal[i])
        if k < 0 or abs(s) > farthest:
            _set(foot[i], np.nan, np.nan, np.nan)
            _set(normal[i], 0.0, 0.0, 0.0)
            distance[i], triangle[i], face[i], on_border[i] = np.inf, -1, -1, False
        else:
            distance[i], triangle[i], face[i], on_border[i] = s, mesh.number[k], f, border
