"""Trim curves of the nominal's faces as short pieces in a tree: nearest border point, and inside or outside of a face.

Lines and circles are taken in closed form. Other curves start from their polyline and, where two analytic surfaces
meet at an angle, are refined onto the curve in which the two surfaces intersect.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from runner.geometry.bvh import Tree, box_distance2, build, leaf_order
from runner.geometry.jit import kernel
from runner.geometry.mesh import CurveKind, EdgeTable, Floats, Ints
from runner.geometry.surfaces import project_one

_LINE, _CIRCLE = int(CurveKind.LINE), int(CurveKind.CIRCLE)
INNER, START, END = 0, 1, 2
_SAME_MM = 1e-7
"""Border points nearer to each other than this are one corner."""


class Borders(NamedTuple):
    """K curve pieces in the order of the tree's leaves, and their curves."""

    tree: Tree
    ends: Floats
    """(K, 6) first and last point of each piece."""
    curve: Ints
    """(K,) curve of each piece."""
    place: NDArray[np.uint8]
    """(K,) START when the piece begins an open curve, END when it ends one (3: both)."""
    side_normal: Floats
    """(K, 2, 3) outward normals of the two faces on the mesh, used where the face has no closed form."""
    kind: NDArray[np.uint8]
    """(E,) CurveKind."""
    circle: Floats
    """(E, 7) centre, axis (turned so that the curve runs anticlockwise), radius."""
    faces: Ints
    """(E, 2)"""
    left: Floats
    """(E, 2) +1 where the face lies to the left of the curve, seen from outside; -1 to the right; 0 unknown."""
    corner_normal: Floats
    """(E, 2, 3) pseudonormals at start and end."""


@kernel(borrows=True)
def _refine(
    rows: Any, fa: Any, fb: Any, px: float, py: float, pz: float, x: float, y: float, z: float, reach: float
) -> Any:
    """Move x, y, z onto both surfaces, and along both to the place nearest to p. Returns ok, point, tangent.

    The place never goes farther than ``reach`` from where it began; neighbouring pieces see to what lies beyond. Near
    the centre of curvature all places are equally near and the steps along may not settle: any of them will do.
    """
    x0, y0, z0 = x, y, z
    sliding = True
    last_along, last_step = 0.0, 0.0
    for turn in range(60):
        _, _, _, ax, ay, az, sa = project_one(rows[fa], x, y, z)
        _, _, _, bx, by, bz, sb = project_one(rows[fb], x, y, z)
        tx, ty, tz = ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx
        sine2 = tx * tx + ty * ty + tz * tz
        if not sine2 > 1e-3:
            break
        sine = np.sqrt(sine2)
        tx, ty, tz = tx / sine, ty / sine, tz / sine
        along = tx * (px - x) + ty * (py - y) + tz * (pz - z)
        settled = abs(sa) + abs(sb) <= 1e-11
        if settled and (not sliding or abs(along) <= 1e-11 or turn >= 40):
            return True, x, y, z, tx, ty, tz
        # across: nA . d = -sA, nB . d = -sB; along: to the foot of p on the tangent, then by the secant
        step = 0.0
        if sliding and turn < 40:
            step = along
            slope = (along - last_along) / last_step if last_step != 0.0 else -1.0
            if slope < -1e-3:
                step = -along / slope
            step = min(max(step, -0.5 * reach), 0.5 * reach)
        c = ax * bx + ay * by + az * bz
        ka = (-sa + c * sb) / sine2
        kb = (-sb + c * sa) / sine2
        dx, dy, dz = ka * ax + kb * bx, ka * ay + kb * by, ka * az + kb * bz
        if (x + dx + step * tx - x0) ** 2 + (y + dy + step * ty - y0) ** 2 + (
            z + dz + step * tz - z0
        ) ** 2 > reach * reach:
            sliding, step = False, 0.0
        x, y, z = x + dx + step * tx, y + dy + step * ty, z + dz + step * tz
        last_along, last_step = along, step
    return False, x0, y0, z0, 0.0, 0.0, 0.0


@kernel(borrows=True)
def nearest_on_piece(borders: Any, rows: Any, k: Any, px: float, py: float, pz: float) -> Any:
    """Return squared distance, point, unit tangent, and INNER, START or END of the curve, for piece k."""
    ax, ay, az = borders.ends[k, 0], borders.ends[k, 1], borders.ends[k, 2]
    bx, by, bz = borders.ends[k, 3], borders.ends[k, 4], borders.ends[k, 5]
    e = borders.curve[k]
    ux, uy, uz = bx - ax, by - ay, bz - az
    uu = ux * ux + uy * uy + uz * uz
    length = np.sqrt(uu)
    t = 0.0
    if borders.kind[e] == _CIRCLE:
        c = borders.circle[e]
        vx, vy, vz = px - c[0], py - c[1], pz - c[2]
        h = vx * c[3] + vy * c[4] + vz * c[5]
        wx, wy, wz = vx - h * c[3], vy - h * c[4], vz - h * c[5]
        r = np.sqrt(wx * wx + wy * wy + wz * wz)
        sx, sy, sz = ax - c[0], ay - c[1], az - c[2]
        ex, ey, ez = bx - c[0], by - c[1], bz - c[2]
        if r <= 1e-12 * c[6]:
            wx, wy, wz, r = sx, sy, sz, c[6]
        after = (sy * wz - sz * wy) * c[3] + (sz * wx - sx * wz) * c[4] + (sx * wy - sy * wx) * c[5]
        before = (wy * ez - wz * ey) * c[3] + (wz * ex - wx * ez) * c[4] + (wx * ey - wy * ex) * c[5]
        if after >= 0.0 and before >= 0.0:
            f = c[6] / r
            x, y, z = c[0] + f * wx, c[1] + f * wy, c[2] + f * wz
            t = 0.5
        else:
            da = (px - ax) ** 2 + (py - ay) ** 2 + (pz - az) ** 2
            db = (px - bx) ** 2 + (py - by) ** 2 + (pz - bz) ** 2
            x, y, z, t = (ax, ay, az, 0.0) if da <= db else (bx, by, bz, 1.0)
        gx, gy, gz = x - c[0], y - c[1], z - c[2]
        tx = (c[4] * gz - c[5] * gy) / c[6]
        ty = (c[5] * gx - c[3] * gz) / c[6]
        tz = (c[3] * gy - c[4] * gx) / c[6]
    else:
        t = (ux * (px - ax) + uy * (py - ay) + uz * (pz - az)) / uu if uu > 0.0 else 0.0
        t = min(max(t, 0.0), 1.0)
        x, y, z = ax + t * ux, ay + t * uy, az + t * uz
        if t >= 1.0:
            x, y, z = bx, by, bz
        tx, ty, tz = (ux / length, uy / length, uz / length) if length > 0.0 else (0.0, 0.0, 0.0)
        fa, fb = borders.faces[e, 0], borders.faces[e, 1]
        at_end = (t <= 0.0 and borders.place[k] & START) or (t >= 1.0 and borders.place[k] & END)
        if borders.kind[e] != _LINE and fa >= 0 and fb >= 0 and not at_end and rows[fa, 0] > 0 and rows[fb, 0] > 0:
            ok, rx, ry, rz, sx, sy, sz = _refine(rows, fa, fb, px, py, pz, x, y, z, length)
            # beyond the ends of an open curve the intersection may run on, the border does not
            within = (rx - ax) * ux + (ry - ay) * uy + (rz - az) * uz
            if ok and borders.place[k] & START and within < 0.0:
                ok, x, y, z, t = False, ax, ay, az, 0.0
            if ok and borders.place[k] & END and within > uu:
                ok, x, y, z, t = False, bx, by, bz, 1.0
            if ok:
                x, y, z, t = rx, ry, rz, 0.5
                sign = 1.0 if sx * ux + sy * uy + sz * uz >= 0.0 else -1.0
                tx, ty, tz = sign * sx, sign * sy, sign * sz
    where = INNER
    if t <= 0.0 and borders.place[k] & START:
        where = START
    elif t >= 1.0 and borders.place[k] & END:
        where = END
    d2 = (px - x) ** 2 + (py - y) ** 2 + (pz - z) ** 2
    return d2, x, y, z, tx, ty, tz, where


@kernel(borrows=True)
def nearest_border(
    borders: Any, rows: Any, present: Any, px: float, py: float, pz: float, bound2: float, stack: Any
) -> Any:
    """Return piece (-1: none nearer than the bound), squared distance, point, and INNER, START or END.

    Only curves of faces that are ``present`` (F,) count.
    """
    best, found, fx, fy, fz, where = bound2, -1, px, py, pz, INNER
    tree = borders.tree
    if len(borders.curve) == 0:
        return found, best, fx, fy, fz, where
    top = 1
    stack[0] = 0
    while top > 0:
        top -= 1
        node = stack[top]
        if box_distance2(tree.boxes, node, px, py, pz) > best:
            continue
        if tree.members[node] > 0:
            for k in range(tree.first[node], tree.first[node] + tree.members[node]):
                fa, fb = borders.faces[borders.curve[k], 0], borders.faces[borders.curve[k], 1]
                if not ((fa >= 0 and present[fa]) or (fb >= 0 and present[fb])):
                    continue
                d2, x, y, z, _, _, _, place = nearest_on_piece(borders, rows, k, px, py, pz)
                # of two curves that end in one corner, either will do: the corner's normal is the same
                if d2 < best:
                    best, found, fx, fy, fz, where = d2, k, x, y, z, place
        else:
            left = tree.first[node]
            if box_distance2(tree.boxes, left, px, py, pz) < box_distance2(tree.boxes, left + 1, px, py, pz):
                stack[top], stack[top + 1] = left + 1, left
            else:
                stack[top], stack[top + 1] = left, left + 1
            top += 2
    return found, best, fx, fy, fz, where


@kernel(borrows=True)
def side_of_border(
    borders: Any,
    rows: Any,
    face: Any,
    x: float,
    y: float,
    z: float,
    nx: float,
    ny: float,
    nz: float,
    reach: float,
    stack: Any,
) -> Any:
    """Tell on which side of the borders of ``face`` a point of its surface lies: 1 inside, -1 outside, 0 none near.

    ``n`` is the outward normal there. Decided at the nearest border point; where several pieces meet in it, by the sum
    of their directions into the face.
    """
    tree = borders.tree
    if len(borders.curve) == 0:
        return 0
    best = reach
    found = False
    fx, fy, fz = x, y, z
    mx, my, mz = 0.0, 0.0, 0.0
    top = 1
    stack[0] = 0
    while top > 0:
        top -= 1
        node = stack[top]
        limit = best + _SAME_MM
        if box_distance2(tree.boxes, node, x, y, z) > limit * limit:
            continue
        if tree.members[node] == 0:
            stack[top], stack[top + 1] = tree.first[node], tree.first[node] + 1
            top += 2
            continue
        for k in range(tree.first[node], tree.first[node] + tree.members[node]):
            e = borders.curve[k]
            left = 0.0
            if borders.faces[e, 0] == face:
                left = borders.left[e, 0]
            elif borders.faces[e, 1] == face:
                left = borders.left[e, 1]
            if left == 0.0:
                continue
            d2, bx, by, bz, tx, ty, tz, _ = nearest_on_piece(borders, rows, k, x, y, z)
            d = np.sqrt(d2)
            if d > best + _SAME_MM or (not found and d > best):
                continue
            cx, cy, cz = left * (ny * tz - nz * ty), left * (nz * tx - nx * tz), left * (nx * ty - ny * tx)
            same = found and (bx - fx) ** 2 + (by - fy) ** 2 + (bz - fz) ** 2 <= _SAME_MM * _SAME_MM
            if same:
                mx, my, mz = mx + cx, my + cy, mz + cz
                best = min(best, d)
            elif d < best or not found:
                found = True
                best, fx, fy, fz, mx, my, mz = d, bx, by, bz, cx, cy, cz
    if not found:
        return 0
    return 1 if mx * (x - fx) + my * (y - fy) + mz * (z - fz) >= -1e-12 else -1


def _pieces(edges: EdgeTable) -> tuple[Floats, Ints, NDArray[np.uint8]]:
    """Cut the polylines into pieces: ends (K, 6), curve (K,), place (K,)."""
    curve = np.repeat(np.arange(len(edges)), np.diff(edges.offsets))
    inside = np.flatnonzero(curve[1:] == curve[:-1]) if len(curve) else np.zeros(0, np.int64)
    ends = np.concatenate([edges.points[inside], edges.points[inside + 1]], axis=1)
    owner = curve[inside].astype(np.int32)
    place = np.zeros(len(inside), np.uint8)
    start, end = edges.offsets[:-1], edges.offsets[1:] - 1
    is_open = np.any(edges.points[start] != edges.points[end], axis=1) if len(edges) else np.zeros(0, bool)
    place[np.isin(inside, start[is_open])] |= START
    place[np.isin(inside + 1, end[is_open])] |= END
    return ends, owner, place


@kernel
def _off_surfaces(ends: Any, curve: Any, faces: Any, rows: Any, off: Any) -> None:
    """Fill how far the ends of each piece lie from the closed forms of its two faces."""
    for k in range(len(curve)):
        for s in range(2):
            f = faces[curve[k], s]
            if f >= 0 and rows[f, 0] > 0.0:
                for j in range(0, 6, 3):
                    _, _, _, _, _, _, d = project_one(rows[f], ends[k, j], ends[k, j + 1], ends[k, j + 2])
                    off[k] = max(off[k], abs(d))


def build_borders(edges: EdgeTable, rows: Floats) -> Borders:
    """Return the pieces of ``edges`` in a tree; sides, corner and mesh normals are zero until filled in.

    ``rows`` are the faces as packed by ``runner.geometry.surfaces.pack``.
    """
    ends, owner, place = _pieces(edges)
    circle = np.zeros((len(edges), 7))
    kind = np.array(edges.kind, dtype=np.uint8)
    round_ones = np.flatnonzero(kind == _CIRCLE)
    circle[round_ones, :3] = edges.origin[round_ones]
    circle[round_ones, 3:6] = edges.axis[round_ones]
    circle[round_ones, 6] = edges.radius[round_ones]
    bulge = np.zeros(len(ends))
    if len(round_ones):
        # turn each circle's axis so that its first piece runs anticlockwise about it
        a, b = edges.points[edges.offsets[round_ones]], edges.points[edges.offsets[round_ones] + 1]
        centre = circle[round_ones, :3]
        turn = np.einsum("ij,ij->i", np.cross(a - centre, b - centre), circle[round_ones, 3:6])
        circle[round_ones, 3:6] *= np.where(turn < 0, -1.0, 1.0)[:, None]
        on_circle = kind[owner] == _CIRCLE
        r = circle[owner, 6]
        half = np.minimum(0.5 * np.linalg.norm(ends[:, 3:] - ends[:, :3], axis=1), r)
        bulge[on_circle] = (r - np.sqrt(r * r - half * half))[on_circle]
    # room for what lies between the chord and the curve; the polyline of a free curve may also run beside its surfaces
    other = (kind[owner] != _CIRCLE) & (kind[owner] != _LINE)
    off = np.zeros(len(ends))
    faces = np.ascontiguousarray(edges.faces, dtype=np.int32).reshape(-1, 2)
    _off_surfaces(ends, owner, faces, rows, off)
    bulge[other] = (0.02 * np.linalg.norm(ends[:, 3:] - ends[:, :3], axis=1) + 10.0 * off)[other]
    room = (1.01 * bulge + 1e-9)[:, None]
    tree = build(np.minimum(ends[:, :3], ends[:, 3:]) - room, np.maximum(ends[:, :3], ends[:, 3:]) + room)
    return Borders(
        tree=tree,
        ends=leaf_order(tree, ends),
        curve=leaf_order(tree, owner),
        place=leaf_order(tree, place),
        side_normal=np.zeros((len(ends), 2, 3)),
        kind=kind,
        circle=circle,
        faces=faces,
        left=np.zeros((len(edges), 2)),
        corner_normal=np.zeros((len(edges), 2, 3)),
    )
