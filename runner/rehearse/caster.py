"""First hits of parallel rays on triangles, in float64.

All rays of a pass share a direction, so the triangles are projected along it once and sorted into square cells; a ray
looks only at the triangles of its own cell.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from runner.geometry.frames import perpendicular, unit
from runner.geometry.jit import kernel
from runner.geometry.mesh import Floats

CELLS_ACROSS = 160


@kernel
def _overlaps(tri, low_u, low_v, high_u, high_v):  # type: ignore[no-untyped-def]
    """Whether a projected triangle (3, 3) may touch a cell; never a false no."""
    for k in range(3):
        a, b, c = tri[k], tri[(k + 1) % 3], tri[(k + 2) % 3]
        normal_u, normal_v = b[1] - a[1], a[0] - b[0]
        inside = normal_u * (c[0] - a[0]) + normal_v * (c[1] - a[1])
        if inside < 0.0:
            normal_u, normal_v = -normal_u, -normal_v
        corner_u = high_u if normal_u > 0.0 else low_u
        corner_v = high_v if normal_v > 0.0 else low_v
        if normal_u * (corner_u - a[0]) + normal_v * (corner_v - a[1]) < -1e-9 * (abs(normal_u) + abs(normal_v)):
            return False
    return True


@kernel
def _fill(projected, low, cell, across_u, across_v, starts, members, write):  # type: ignore[no-untyped-def]
    """Count (``write`` False) or list the triangles of each cell."""
    cursor = starts.copy()
    for t in range(len(projected)):
        tri = projected[t]
        first_u = max(0, int((min(tri[0, 0], tri[1, 0], tri[2, 0]) - low[0]) / cell - 1e-6))
        last_u = min(across_u - 1, int((max(tri[0, 0], tri[1, 0], tri[2, 0]) - low[0]) / cell + 1e-6))
        first_v = max(0, int((min(tri[0, 1], tri[1, 1], tri[2, 1]) - low[1]) / cell - 1e-6))
        last_v = min(across_v - 1, int((max(tri[0, 1], tri[1, 1], tri[2, 1]) - low[1]) / cell + 1e-6))
        for i in range(first_u, last_u + 1):
            for j in range(first_v, last_v + 1):
                u, v = low[0] + i * cell, low[1] + j * cell
                if not _overlaps(tri, u, v, u + cell, v + cell):
                    continue
                place = i * across_v + j
                if write:
                    members[cursor[place]] = t
                    cursor[place] += 1
                else:
                    starts[place + 1] += 1


@kernel
def _depth(tri, u, v):  # type: ignore[no-untyped-def]
    """Depth at which the ray through (u, v) meets a projected triangle, or inf."""
    au, av = tri[1, 0] - tri[0, 0], tri[1, 1] - tri[0, 1]
    bu, bv = tri[2, 0] - tri[0, 0], tri[2, 1] - tri[0, 1]
    area = au * bv - av * bu
    if abs(area) < 1e-12:
        return np.inf
    pu, pv = u - tri[0, 0], v - tri[0, 1]
    b = (pu * bv - pv * bu) / area
    c = (au * pv - av * pu) / area
    if b < -1e-12 or c < -1e-12 or b + c > 1.0 + 1e-12:
        return np.inf
    return tri[0, 2] + b * (tri[1, 2] - tri[0, 2]) + c * (tri[2, 2] - tri[0, 2])


@kernel
def _first(rays, projected, low, cell, across_u, across_v, starts, members):  # type: ignore[no-untyped-def]
    """Nearest triangle and depth of each ray (n, 2); -1 and inf where there is none."""
    hit = np.full(len(rays), -1, np.int32)
    depth = np.full(len(rays), np.inf)
    for r in range(len(rays)):
        u, v = rays[r, 0], rays[r, 1]
        i, j = int(np.floor((u - low[0]) / cell)), int(np.floor((v - low[1]) / cell))
        if i < 0 or j < 0 or i >= across_u or j >= across_v:
            continue
        place = i * across_v + j
        for k in range(starts[place], starts[place + 1]):
            t = members[k]
            d = _depth(projected[t], u, v)
            if d < depth[r]:
                depth[r], hit[r] = d, t
    return hit, depth


@kernel
def _blocked(points, axes, clearance, projected, low, cell, across_u, across_v, starts, members):  # type: ignore[no-untyped-def]
    """Whether anything lies in front of each point (n, 3)."""
    result = np.zeros(len(points), np.bool_)
    for r in range(len(points)):
        x, y, z = points[r, 0], points[r, 1], points[r, 2]
        u = axes[0, 0] * x + axes[0, 1] * y + axes[0, 2] * z
        v = axes[1, 0] * x + axes[1, 1] * y + axes[1, 2] * z
        limit = axes[2, 0] * x + axes[2, 1] * y + axes[2, 2] * z - clearance
        i, j = int(np.floor((u - low[0]) / cell)), int(np.floor((v - low[1]) / cell))
        if i < 0 or j < 0 or i >= across_u or j >= across_v:
            continue
        place = i * across_v + j
        for k in range(starts[place], starts[place + 1]):
            if _depth(projected[members[k]], u, v) < limit:
                result[r] = True
                break
    return result


class ParallelCaster:
    """Triangles (m, 3, 3) as seen along one direction, from infinitely far away."""

    def __init__(self, triangles: Floats, direction: Floats) -> None:
        self.direction = unit(direction)
        u, v = perpendicular(self.direction)
        self.axes: Floats = np.stack([u, v, self.direction])
        projected = np.ascontiguousarray(triangles @ self.axes.T)
        self.low: Floats = projected[..., :2].reshape(-1, 2).min(axis=0) - 1e-3
        self.high: Floats = projected[..., :2].reshape(-1, 2).max(axis=0) + 1e-3
        cell = float((self.high - self.low).max()) / CELLS_ACROSS
        across_u, across_v = (int(n) for n in np.ceil((self.high - self.low) / cell))
        counts = np.zeros(across_u * across_v + 1, np.int64)
        empty = np.zeros(0, np.int32)
        _fill(projected, self.low, cell, across_u, across_v, counts, empty, False)
        starts = np.cumsum(counts)
        members = np.zeros(int(starts[-1]), np.int32)
        _fill(projected, self.low, cell, across_u, across_v, starts, members, True)
        self._tables = (projected, self.low, cell, across_u, across_v, starts, members)

    def first(self, rays: Floats) -> tuple[NDArray[np.int32], Floats]:
        """Return the nearest triangle (n,), -1 for none, and the hit point (n, 3) of rays at (u, v) (n, 2)."""
        hit, depth = _first(np.ascontiguousarray(rays), *self._tables)
        return hit, np.column_stack([rays, np.where(hit < 0, 0.0, depth)]) @ self.axes

    def blocked(self, points: Floats, clearance: float = 1e-6) -> NDArray[np.bool_]:
        """Return whether something lies nearer to the eye than each point (n, 3) by more than ``clearance`` mm."""
        return np.asarray(_blocked(np.ascontiguousarray(points), self.axes, clearance, *self._tables))
