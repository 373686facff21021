"""Minimum-zone straightness in a plane and flatness: the exact width of the convex hull."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from runner.geometry.fits.hold import frame, towards
from runner.geometry.fits.result import FailedFit
from runner.geometry.fits.solve import Cloud, prepare
from runner.geometry.fits.zone import Zone
from runner.geometry.frames import cross_rows, unit
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Line, Plane, vector
from runner.records import Vector


def zone_line2d(points: Floats, start: Line | None = None) -> Zone[Line] | FailedFit:
    """Return the minimum-zone line of points (n, 2): straightness is its ``width``.

    Exact: the least width of the convex hull, one edge against one opposite corner (the 2-1 criterion).
    ``start`` decides which of the two directions is returned.
    """
    points = np.asarray(points, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 2:
        raise ValueError(f"points must be (n, 2); these have shape {points.shape}")
    cloud = prepare(points, None, 2, "line")
    if isinstance(cloud, FailedFit):
        return cloud
    flat = cloud.scaled()[:, :2]
    normal, rows = _width2d(flat)
    along = towards(np.array([normal[1], -normal[0], 0.0]), np.array(start.direction) if start else None)
    heights = flat @ normal
    middle = 0.5 * float(heights.max() + heights.min()) * normal
    at = middle - (middle @ along[:2]) * along[:2]
    return Zone(
        Line(vector(cloud.centre + cloud.scale * np.array([*at, 0.0])), vector(along)),
        cloud.scale * float(np.ptp(heights)),
        _named(cloud, rows),
        0.0,
        "global",
        len(cloud),
    )


def zone_line3d(points: Floats, plane_normal: Vector, start: Line | None = None) -> Zone[Line] | FailedFit:
    """Return the minimum-zone line of points (n, 3) as seen along ``plane_normal``: straightness in a section plane."""
    points = np.asarray(points, dtype=np.float64)
    turn = frame(unit(np.array(plane_normal)))
    base = points.mean(axis=0) if len(points) else np.zeros(3)
    flat_start = None
    if start is not None:
        flat_start = Line((0.0, 0.0, 0.0), vector(turn @ np.array(start.direction)))
    found = zone_line2d((points - base) @ turn[:2].T, flat_start)
    if isinstance(found, FailedFit):
        return found
    return Zone(
        Line(vector(base + np.array(found.shape.point) @ turn), vector(np.array(found.shape.direction) @ turn)),
        found.width,
        tuple(vector(base + np.array(c) @ turn) for c in found.contacts),
        0.0,
        "global",
        found.points,
    )


def _width2d(flat: Floats) -> tuple[Floats, list[int]]:
    """Return the unit normal of least width and the rows of its three contacts; two points or a line give width 0."""
    from scipy.spatial import ConvexHull, QhullError

    try:
        hull = np.asarray(ConvexHull(flat).vertices)
    except QhullError:
        spread = flat - flat.mean(axis=0)
        along = np.linalg.svd(spread, full_matrices=False)[2][0]
        normal = np.array([-along[1], along[0]])
        return normal, [int(np.argmin(flat @ along)), int(np.argmax(flat @ along))]
    corners = flat[hull]
    edges = np.roll(corners, -1, axis=0) - corners
    # hull corners run anticlockwise: the inside is on the left
    normals = np.column_stack([-edges[:, 1], edges[:, 0]]) / np.linalg.norm(edges, axis=1)[:, None]
    best, where = np.inf, (0, 0)
    for k, normal in enumerate(normals):
        heights = (corners - corners[k]) @ normal
        far = int(np.argmax(heights))
        if heights[far] < best:
            best, where = float(heights[far]), (k, far)
    k, far = where
    return normals[k], [int(hull[k]), int(hull[(k + 1) % len(hull)]), int(hull[far])]


def zone_plane(points: Floats, start: Plane | None = None) -> Zone[Plane] | FailedFit:
    """Return the minimum-zone plane of points (n, 3): flatness is its ``width``.

    Exact: the least width of the convex hull, over all faces against the opposite corner (3-1) and all pairs of
    opposite edges (2-2). ``start`` decides on the direction of the normal.
    """
    cloud = prepare(points, None, 3, "plane")
    if isinstance(cloud, FailedFit):
        return cloud
    if cloud.rank() < 2:
        return FailedFit("the points lie in one straight line: they don't determine a plane")
    local = cloud.scaled()
    normal = cloud.principal[2]
    chosen = _outermost(local, cloud.principal)
    rows: list[int] = []
    for _ in range(100):
        subset = local[chosen]
        normal, touching = width3d(subset, normal)
        rows = [int(chosen[k]) for k in touching]
        heights, inner = local @ normal, subset @ normal
        if np.ptp(heights) <= np.ptp(inner) + 1e-15:
            break
        extra = _beyond(local, heights, float(inner.min()), float(inner.max()), cloud.principal)
        chosen = np.unique(np.concatenate([chosen, extra]))
    normal = towards(normal, np.array(start.normal) if start else None)
    heights = local @ normal
    middle = 0.5 * float(heights.max() + heights.min()) * normal
    return Zone(
        Plane(vector(cloud.centre + cloud.scale * middle), vector(normal)),
        cloud.scale * float(np.ptp(heights)),
        _named(cloud, rows),
        0.0,
        "global",
        len(cloud),
    )


def _outermost(local: Floats, principal: Floats) -> NDArray[np.intp]:
    """Return rows of the extreme points along directions around the normal, and across it."""
    tilts = np.array([(a, b) for a in (-0.02, -0.002, 0.0, 0.002, 0.02) for b in (-0.02, -0.002, 0.0, 0.002, 0.02)])
    looks = principal[2] + tilts @ principal[:2]
    angles = np.linspace(0, np.pi, 12, endpoint=False)
    across = np.column_stack([np.cos(angles), np.sin(angles)]) @ principal[:2]
    rows = []
    for w in np.vstack([looks, across]):
        heights = local @ w
        rows += [int(np.argmin(heights)), int(np.argmax(heights))]
    return np.unique(np.array(rows, dtype=np.intp))


def _beyond(local: Floats, heights: Floats, low: float, high: float, principal: Floats) -> NDArray[np.intp]:
    """Return rows of the points farthest outside the present zone, from each of 8 x 8 cells of the surface."""
    rows = np.flatnonzero((heights > high) | (heights < low))
    over = np.maximum(heights[rows] - high, low - heights[rows])
    flat = local[rows] @ principal[:2].T
    cell = np.clip(((flat + 0.5) * 8).astype(int), 0, 7) @ np.array([1, 8]) * 2 + (heights[rows] > high)
    order = np.lexsort((-over, cell))
    first = np.concatenate([[True], np.diff(cell[order]) != 0])
    return rows[order[first]]


def width3d(points: Floats, guess: Floats) -> tuple[Floats, list[int]]:
    """Return the unit normal of least width of a convex hull and the rows of its four contacts."""
    from scipy.spatial import ConvexHull, QhullError

    try:
        hull = ConvexHull(points)
    except QhullError:
        normal = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)[2][-1]
        return normal, [int(np.argmin(points @ normal)), int(np.argmax(points @ normal))]
    corners = points[hull.vertices]
    normals = hull.equations[:, :3]
    triangles = hull.simplices
    # recompute from the corners: the hull's own normals carry its rounding
    cross = np.cross(
        points[triangles[:, 1]] - points[triangles[:, 0]], points[triangles[:, 2]] - points[triangles[:, 0]]
    )
    length = np.linalg.norm(cross, axis=1)
    good = length > 1e-14
    exact = np.where(good[:, None], cross / np.where(good, length, 1.0)[:, None], normals)
    exact = np.where(np.einsum("ij,ij->i", exact, normals)[:, None] < 0, -exact, exact)
    heights = exact @ corners.T
    widths = heights.max(axis=1) - heights.min(axis=1)
    face = int(np.argmin(np.where(good, widths, np.inf)))
    best, normal = float(widths[face]), exact[face]
    rows = [*map(int, triangles[face]), int(hull.vertices[int(np.argmin(heights[face]))])]
    pair = _edge_pairs(points, hull, exact, best)
    if pair is not None:
        normal, rows = pair
    return normal, rows


def _edge_pairs(points: Floats, hull: object, normals: Floats, best: float) -> tuple[Floats, list[int]] | None:
    """Return normal and contacts of the opposite pair of edges with less width than ``best``, if any.

    Two edges are opposite when the arc between the normals of the faces at one crosses the mirrored arc of the other.
    """
    triangles, neighbours = hull.simplices, hull.neighbors  # type: ignore[attr-defined]
    starts, ends, left, right = [], [], [], []
    for k in range(3):
        other = neighbours[:, k]
        keep = np.arange(len(triangles)) < other
        starts.append(triangles[keep, (k + 1) % 3])
        ends.append(triangles[keep, (k + 2) % 3])
        left.append(np.flatnonzero(keep))
        right.append(other[keep])
    a, b = np.concatenate(starts), np.concatenate(ends)
    f, g = np.concatenate(left), np.concatenate(right)
    along = points[b] - points[a]
    size = np.linalg.norm(along, axis=1)
    n1, n2 = normals[f], normals[g]
    # (n1 x c) . (n1 x n2) is c . ((n1 x n2) x n1): what does not depend on the pair is made once
    arc = cross_rows(n1, n2)
    from_left, from_right, middle = cross_rows(arc, n1), cross_rows(n2, arc), n1 + n2
    found: tuple[Floats, list[int]] | None = None
    for k in range(len(a)):
        cross = cross_rows(along[k], along)
        length = np.sqrt(np.einsum("ij,ij->i", cross, cross))
        ok = length > 1e-12 * size[k] * size
        cross /= np.where(ok, length, 1.0)[:, None]
        # the common normal must lie on the arc of edge k and, mirrored, on the arc of the other edge
        c = cross * np.where(cross @ middle[k] < 0, -1.0, 1.0)[:, None]
        on_mine = (c @ from_left[k] >= -1e-12) & (c @ from_right[k] >= -1e-12)
        on_theirs = (
            (np.einsum("ij,ij->i", c, from_left) <= 1e-12)
            & (np.einsum("ij,ij->i", c, from_right) <= 1e-12)
            & (np.einsum("ij,ij->i", c, middle) < 0)
        )
        for j in np.flatnonzero(ok & on_mine & on_theirs):
            if j <= k:
                continue
            heights = points @ c[j]
            width = float(np.ptp(heights))
            if width < best:
                best, found = width, (c[j], [int(a[k]), int(b[k]), int(a[j]), int(b[j])])
    return found


def _named(cloud: Cloud, rows: list[int]) -> tuple[Vector, ...]:
    return tuple(vector(cloud.points[k]) for k in rows)
