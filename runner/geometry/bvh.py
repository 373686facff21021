"""Bounding-volume hierarchy over boxes in float64: how it is built, and nearest triangle and first hit with it.

Open3D answers the same questions in float32 and returns wrong triangles on the long slivers that CAD meshers make on
planes with holes; here everything is float64 and equals brute force. Queries are taken along a Morton curve in blocks
of fixed size, each query starting from its predecessor's triangle, so that results don't depend on the thread count.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from runner.geometry.blocks import BLOCK
from runner.geometry.jit import kernel
from runner.geometry.mesh import Floats, Ints

STACK = 192
LEAF = 4
_BINS = 16
_DEEPEST_BY_AREA = 48

FACE, EDGE_AB, EDGE_BC, EDGE_CA, VERTEX_A, VERTEX_B, VERTEX_C = range(7)
"""Which part of a triangle the closest point lies on."""


class Tree(NamedTuple):
    """A binary tree of boxes. Children of a node stand side by side, after it."""

    boxes: Floats
    """(nodes, 6) lowest and highest corner."""
    first: Ints
    """(nodes,) leaf: first place in ``order``; inner node: its first child."""
    members: Ints
    """(nodes,) leaf: number of members; 0 for an inner node."""
    order: Ints
    """(members,) member numbers, leaf by leaf."""


@kernel
def _half_area(low: Any, high: Any) -> Any:
    x, y, z = high[0] - low[0], high[1] - low[1], high[2] - low[2]
    return x * y + y * z + z * x


@kernel
def _split(lows: Any, highs: Any, order: Any, start: int, end: int, by_area: bool) -> int:
    """Reorder ``order[start:end]`` into two halves and return where the second begins.

    The cut is the best of the planes between 16 equal bins along the longest axis of the centres, by surface area
    times members; where that can't part the members, they are halved as they stand.
    """
    middle = (start + end) // 2
    if not by_area:
        return middle
    centre_low = np.full(3, np.inf)
    centre_high = np.full(3, -np.inf)
    for k in range(start, end):
        for a in range(3):
            c = lows[order[k], a] + highs[order[k], a]
            centre_low[a] = min(centre_low[a], c)
            centre_high[a] = max(centre_high[a], c)
    best_cost = np.inf
    best_axis = -1
    best_bin = -1
    bin_low = np.empty((_BINS, 3))
    bin_high = np.empty((_BINS, 3))
    bin_count = np.empty(_BINS, np.int64)
    right_area = np.empty(_BINS)
    box_low = np.empty(3)
    box_high = np.empty(3)
    for axis in range(3):
        width = centre_high[axis] - centre_low[axis]
        if not width > 0.0:
            continue
        scale = _BINS * (1.0 - 1e-12) / width
        bin_low[:] = np.inf
        bin_high[:] = -np.inf
        bin_count[:] = 0
        for k in range(start, end):
            i = order[k]
            b = int((lows[i, axis] + highs[i, axis] - centre_low[axis]) * scale)
            bin_count[b] += 1
            for a in range(3):
                bin_low[b, a] = min(bin_low[b, a], lows[i, a])
                bin_high[b, a] = max(bin_high[b, a], highs[i, a])
        box_low[:] = np.inf
        box_high[:] = -np.inf
        members = 0
        for b in range(_BINS - 1, 0, -1):
            members += bin_count[b]
            for a in range(3):
                box_low[a] = min(box_low[a], bin_low[b, a])
                box_high[a] = max(box_high[a], bin_high[b, a])
            right_area[b] = members * _half_area(box_low, box_high) if members else np.inf
        box_low[:] = np.inf
        box_high[:] = -np.inf
        members = 0
        for b in range(_BINS - 1):
            members += bin_count[b]
            for a in range(3):
                box_low[a] = min(box_low[a], bin_low[b, a])
                box_high[a] = max(box_high[a], bin_high[b, a])
            if members == 0:
                continue
            cost = members * _half_area(box_low, box_high) + right_area[b + 1]
            if cost < best_cost:
                best_cost, best_axis, best_bin = cost, axis, b
    if best_axis < 0:
        return middle
    scale = _BINS * (1.0 - 1e-12) / (centre_high[best_axis] - centre_low[best_axis])
    i, j = start, end - 1
    while i <= j:
        m = order[i]
        if int((lows[m, best_axis] + highs[m, best_axis] - centre_low[best_axis]) * scale) <= best_bin:
            i += 1
        else:
            order[i] = order[j]
            order[j] = m
            j -= 1
    return i


@kernel
def _grow(
    root: int,
    start: int,
    end: int,
    leaf: int,
    lows: Any,
    highs: Any,
    order: Any,
    boxes: Any,
    first: Any,
    members: Any,
    nodes: int,
) -> int:
    """Build the tree over ``order[start:end]`` below ``root``; nodes from ``nodes`` on are free. Returns their end."""
    todo = [(root, start, end, 0)]
    while len(todo) > 0:
        node, start, end, depth = todo.pop()
        for a in range(3):
            boxes[node, a] = np.inf
            boxes[node, 3 + a] = -np.inf
        for k in range(start, end):
            for a in range(3):
                boxes[node, a] = min(boxes[node, a], lows[order[k], a])
                boxes[node, 3 + a] = max(boxes[node, 3 + a], highs[order[k], a])
        if end - start <= leaf:
            first[node] = start
            members[node] = end - start
            continue
        cut = _split(lows, highs, order, start, end, depth < _DEEPEST_BY_AREA)
        first[node] = nodes
        members[node] = 0
        todo.append((nodes, start, cut, depth + 1))
        todo.append((nodes + 1, cut, end, depth + 1))
        nodes += 2
    return nodes


@kernel
def _build(lows: Any, highs: Any, leaf: int) -> Any:
    count = len(lows)
    boxes = np.empty((max(2 * count, 1), 6))
    first = np.zeros(max(2 * count, 1), np.int32)
    members = np.zeros(max(2 * count, 1), np.int32)
    order = np.arange(count).astype(np.int32)
    nodes = _grow(0, 0, count, leaf, lows, highs, order, boxes, first, members, 1)
    return boxes[:nodes].copy(), first[:nodes].copy(), members[:nodes].copy(), order


@kernel
def _build_grouped(lows: Any, highs: Any, order: Any, starts: Any, group_lows: Any, group_highs: Any) -> Any:
    """Tree of groups, a tree of its members below each; ``order[starts[g]:starts[g + 1]]`` are those of group g."""
    groups = len(group_lows)
    boxes = np.empty((2 * len(lows) + 2 * groups, 6))
    first = np.zeros(len(boxes), np.int32)
    members = np.zeros(len(boxes), np.int32)
    group_order = np.arange(groups).astype(np.int32)
    upper = _grow(0, 0, groups, 1, group_lows, group_highs, group_order, boxes, first, members, 1)
    roots = np.empty(groups, np.int32)
    nodes = upper
    for node in range(upper):
        if members[node] == 1:
            g = group_order[first[node]]
            roots[g] = node
            nodes = _grow(node, starts[g], starts[g + 1], LEAF, lows, highs, order, boxes, first, members, nodes)
    return boxes[:nodes].copy(), first[:nodes].copy(), members[:nodes].copy(), roots


def build(lows: Floats, highs: Floats) -> Tree:
    """Return the tree over the boxes ``lows`` to ``highs``, each (m, 3)."""
    return Tree(*_build(np.ascontiguousarray(lows, np.float64), np.ascontiguousarray(highs, np.float64), LEAF))


def build_grouped(lows: Floats, highs: Floats, group: Ints, groups: int) -> tuple[Tree, Ints]:
    """Return a tree in which each group of members has a subtree of its own, and the root (groups,) of each.

    ``group`` (m,) is the group, 0 to ``groups`` - 1, of each member. Groups without members have the root -1.
    """
    present, number, size = np.unique(group, return_inverse=True, return_counts=True)
    order = np.argsort(number, kind="stable").astype(np.int32)
    starts = np.concatenate([[0], np.cumsum(size)])
    lows, highs = np.ascontiguousarray(lows, np.float64), np.ascontiguousarray(highs, np.float64)
    group_lows = np.minimum.reduceat(lows[order], starts[:-1], axis=0)
    group_highs = np.maximum.reduceat(highs[order], starts[:-1], axis=0)
    boxes, first, members, roots = _build_grouped(lows, highs, order, starts, group_lows, group_highs)
    root = np.full(groups, -1, dtype=np.int32)
    root[present] = roots
    return Tree(boxes, first, members, order), root


@kernel(borrows=True)
def box_distance2(boxes: Any, node: Any, x: float, y: float, z: float) -> Any:
    """Return the squared distance from a point to the box of a node, 0 inside."""
    dx = max(boxes[node, 0] - x, 0.0, x - boxes[node, 3])
    dy = max(boxes[node, 1] - y, 0.0, y - boxes[node, 4])
    dz = max(boxes[node, 2] - z, 0.0, z - boxes[node, 5])
    return dx * dx + dy * dy + dz * dz


@kernel(borrows=True)
def _on_segment(x: float, y: float, z: float, ax: Any, ay: Any, az: Any, ux: Any, uy: Any, uz: Any) -> Any:
    """Closest point on the segment from a to a + u: squared distance, place 0 to 1."""
    uu = ux * ux + uy * uy + uz * uz
    t = (ux * (x - ax) + uy * (y - ay) + uz * (z - az)) / uu if uu > 0.0 else 0.0
    t = min(max(t, 0.0), 1.0)
    dx, dy, dz = ax + t * ux - x, ay + t * uy - y, az + t * uz - z
    return dx * dx + dy * dy + dz * dz, t


@kernel(borrows=True)
def closest_on_triangle(x: float, y: float, z: float, corners: Any, i: Any) -> Any:
    """Return squared distance, point (three numbers) and feature of the point of ``corners[i]`` nearest to x, y, z.

    The normal is taken from the two shorter edges, and a triangle thinner than 1e-12 of its length is taken as its
    edges, so that slivers and degenerate triangles give right answers too.
    """
    ax, ay, az = corners[i, 0], corners[i, 1], corners[i, 2]
    bx, by, bz = corners[i, 3], corners[i, 4], corners[i, 5]
    cx, cy, cz = corners[i, 6], corners[i, 7], corners[i, 8]
    ux, uy, uz = bx - ax, by - ay, bz - az
    vx, vy, vz = cx - bx, cy - by, cz - bz
    wx, wy, wz = ax - cx, ay - cy, az - cz
    uu = ux * ux + uy * uy + uz * uz
    vv = vx * vx + vy * vy + vz * vz
    ww = wx * wx + wy * wy + wz * wz
    if uu >= vv and uu >= ww:
        longest = uu
        nx, ny, nz = vy * wz - vz * wy, vz * wx - vx * wz, vx * wy - vy * wx
    elif vv >= ww:
        longest = vv
        nx, ny, nz = wy * uz - wz * uy, wz * ux - wx * uz, wx * uy - wy * ux
    else:
        longest = ww
        nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
    nn = nx * nx + ny * ny + nz * nz
    # which edge lines is the point outside of?
    flat = nn <= 1e-24 * longest * longest
    px, py, pz = x - ax, y - ay, z - az
    qx, qy, qz = x - bx, y - by, z - bz
    rx, ry, rz = x - cx, y - cy, z - cz
    out_ab = flat or (uy * pz - uz * py) * nx + (uz * px - ux * pz) * ny + (ux * py - uy * px) * nz < 0.0
    out_bc = flat or (vy * qz - vz * qy) * nx + (vz * qx - vx * qz) * ny + (vx * qy - vy * qx) * nz < 0.0
    out_ca = flat or (wy * rz - wz * ry) * nx + (wz * rx - wx * rz) * ny + (wx * ry - wy * rx) * nz < 0.0
    if not (out_ab or out_bc or out_ca):
        height = (px * nx + py * ny + pz * nz) / nn
        return height * height * nn, x - height * nx, y - height * ny, z - height * nz, FACE
    best = np.inf
    fx, fy, fz, feature = ax, ay, az, VERTEX_A
    if out_ab:
        d2, t = _on_segment(x, y, z, ax, ay, az, ux, uy, uz)
        if d2 < best:
            best = d2
            if t <= 0.0:
                fx, fy, fz, feature = ax, ay, az, VERTEX_A
            elif t >= 1.0:
                fx, fy, fz, feature = bx, by, bz, VERTEX_B
            else:
                fx, fy, fz, feature = ax + t * ux, ay + t * uy, az + t * uz, EDGE_AB
    if out_bc:
        d2, t = _on_segment(x, y, z, bx, by, bz, vx, vy, vz)
        if d2 < best:
            best = d2
            if t <= 0.0:
                fx, fy, fz, feature = bx, by, bz, VERTEX_B
            elif t >= 1.0:
                fx, fy, fz, feature = cx, cy, cz, VERTEX_C
            else:
                fx, fy, fz, feature = bx + t * vx, by + t * vy, bz + t * vz, EDGE_BC
    if out_ca:
        d2, t = _on_segment(x, y, z, cx, cy, cz, wx, wy, wz)
        if d2 < best:
            best = d2
            if t <= 0.0:
                fx, fy, fz, feature = cx, cy, cz, VERTEX_C
            elif t >= 1.0:
                fx, fy, fz, feature = ax, ay, az, VERTEX_A
            else:
                fx, fy, fz, feature = cx + t * wx, cy + t * wy, cz + t * wz, EDGE_CA
    return best, fx, fy, fz, feature


@kernel(borrows=True)
def nearest_triangle(
    tree: Any, corners: Any, x: float, y: float, z: float, bound2: float, start: int, stack: Any
) -> Any:
    """Return place in ``corners`` (-1: none nearer than the bound), squared distance, point, feature.

    ``corners`` (m, 9) stand in the order of the tree's leaves; ``start`` is a place to begin with, or -1.
    """
    best = bound2
    found = -1
    fx, fy, fz, feature = x, y, z, FACE
    if start >= 0:
        d2, qx, qy, qz, part = closest_on_triangle(x, y, z, corners, start)
        if d2 <= best:
            best, found, fx, fy, fz, feature = d2, start, qx, qy, qz, part
    boxes, first, count = tree.boxes, tree.first, tree.members
    top = 0
    node = 0
    if box_distance2(boxes, 0, x, y, z) > best:
        node = -1
    while node >= 0:
        if count[node] > 0:
            for k in range(first[node], first[node] + count[node]):
                d2, qx, qy, qz, part = closest_on_triangle(x, y, z, corners, k)
                if d2 < best or (d2 == best and found < 0):
                    best, found, fx, fy, fz, feature = d2, k, qx, qy, qz, part
            node = -1
        else:
            left = first[node]
            d_left = box_distance2(boxes, left, x, y, z)
            d_right = box_distance2(boxes, left + 1, x, y, z)
            near, far, d_near, d_far = left, left + 1, d_left, d_right
            if d_right < d_left:
                near, far, d_near, d_far = left + 1, left, d_right, d_left
            node = -1
            if d_near <= best:
                node = near
                if d_far <= best:
                    stack[top] = far
                    top += 1
        while node < 0 and top > 0:
            top -= 1
            if box_distance2(boxes, stack[top], x, y, z) < best:
                node = stack[top]
    return found, best, fx, fy, fz, feature


@kernel
def closest_points(
    start: int, end: int, tree: Any, corners: Any, points: Any, order: Any, bound2: float,
    triangle: Any, distance2: Any, foot: Any, feature: Any,
) -> None:  # fmt: skip
    """Fill place in ``corners``, squared distance, closest point and feature of ``points[order[start:end]]``."""
    stack = np.empty(STACK, np.int32)
    for block in range(start, end, BLOCK):
        last = -1
        for k in range(block, min(block + BLOCK, end)):
            i = order[k]
            x, y, z = points[i, 0], points[i, 1], points[i, 2]
            if not np.isfinite(x + y + z):
                triangle[i] = -1
                continue
            found, d2, fx, fy, fz, part = nearest_triangle(tree, corners, x, y, z, bound2, last, stack)
            triangle[i], distance2[i], feature[i] = found, d2, part
            foot[i, 0], foot[i, 1], foot[i, 2] = fx, fy, fz
            if found >= 0:
                last = found


@kernel(borrows=True)
def _ray_meets_box(boxes: Any, node: Any, o: Any, inverse: Any, nearest: float) -> Any:
    """Return where a ray enters the box of a node, or inf when it misses it or enters beyond ``nearest``."""
    enter, leave = 0.0, nearest
    for a in range(3):
        t1 = (boxes[node, a] - o[a]) * inverse[a]
        t2 = (boxes[node, 3 + a] - o[a]) * inverse[a]
        # a ray in the plane of a box side gives 0 * inf = nan: the comparisons then leave the interval as it is
        if t1 > t2:
            t1, t2 = t2, t1
        if t1 > enter:
            enter = t1
        if t2 < leave:
            leave = t2
    return enter if enter <= leave * (1.0 + 4e-16) else np.inf


@kernel(borrows=True)
def ray_on_triangle(o: Any, d: Any, corners: Any, i: Any) -> Any:
    """Return t where ``o + t d`` meets triangle ``corners[i]`` from either side, or inf.

    Signed volumes of the ray with the three edges decide; a ray through a shared edge meets at least one neighbour.
    """
    ax, ay, az = corners[i, 0] - o[0], corners[i, 1] - o[1], corners[i, 2] - o[2]
    bx, by, bz = corners[i, 3] - o[0], corners[i, 4] - o[1], corners[i, 5] - o[2]
    cx, cy, cz = corners[i, 6] - o[0], corners[i, 7] - o[1], corners[i, 8] - o[2]
    v_ab = d[0] * (ay * bz - az * by) + d[1] * (az * bx - ax * bz) + d[2] * (ax * by - ay * bx)
    v_bc = d[0] * (by * cz - bz * cy) + d[1] * (bz * cx - bx * cz) + d[2] * (bx * cy - by * cx)
    v_ca = d[0] * (cy * az - cz * ay) + d[1] * (cz * ax - cx * az) + d[2] * (cx * ay - cy * ax)
    if not ((v_ab >= 0.0 and v_bc >= 0.0 and v_ca >= 0.0) or (v_ab <= 0.0 and v_bc <= 0.0 and v_ca <= 0.0)):
        return np.inf
    total = v_ab + v_bc + v_ca
    if total == 0.0:
        return np.inf
    dd = d[0] * d[0] + d[1] * d[1] + d[2] * d[2]
    hx = (v_bc * ax + v_ca * bx + v_ab * cx) / total
    hy = (v_bc * ay + v_ca * by + v_ab * cy) / total
    hz = (v_bc * az + v_ca * bz + v_ab * cz) / total
    return (hx * d[0] + hy * d[1] + hz * d[2]) / dd


@kernel
def first_hits(
    start: int,
    end: int,
    tree: Any,
    corners: Any,
    origins: Any,
    directions: Any,
    nearest: float,
    t_hit: Any,
    triangle: Any,
) -> None:
    """Fill t and place in ``corners`` of the first triangle that rays ``start:end`` meet beyond t = ``nearest``."""
    stack = np.empty(STACK, np.int32)
    inverse = np.empty(3)
    for block in range(start, end, BLOCK):
        for i in range(block, min(block + BLOCK, end)):
            o, d = origins[i], directions[i]
            for a in range(3):
                inverse[a] = 1.0 / d[a]
            best, found, top = np.inf, -1, 1
            stack[0] = 0
            while top > 0:
                top -= 1
                node = stack[top]
                if _ray_meets_box(tree.boxes, node, o, inverse, best) == np.inf:
                    continue
                if tree.members[node] > 0:
                    for k in range(tree.first[node], tree.first[node] + tree.members[node]):
                        t = ray_on_triangle(o, d, corners, k)
                        if nearest < t < best:
                            best, found = t, k
                else:
                    left = tree.first[node]
                    t_left = _ray_meets_box(tree.boxes, left, o, inverse, best)
                    t_right = _ray_meets_box(tree.boxes, left + 1, o, inverse, best)
                    if t_left <= t_right:
                        near, far, t_far = left, left + 1, t_right
                    else:
                        near, far, t_far = left + 1, left, t_left
                    if t_far < np.inf:
                        stack[top] = far
                        top += 1
                    stack[top] = near
                    top += 1
            t_hit[i], triangle[i] = best, found


def triangle_boxes(corners: Floats) -> tuple[Floats, Floats]:
    """Return lowest and highest corner, each (m, 3), of triangles (m, 9)."""
    shaped = corners.reshape(-1, 3, 3)
    return shaped.min(axis=1), shaped.max(axis=1)


def leaf_order(tree: Tree, values: NDArray[Any]) -> NDArray[Any]:
    """Return the rows of ``values`` in the order of the tree's leaves, contiguous."""
    return np.ascontiguousarray(values[tree.order])
