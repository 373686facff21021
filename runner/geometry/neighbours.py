"""Neighbours in a point cloud: how far apart points lie, and which way the surface faces there."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runner.geometry.blocks import run_blocks, thread_count
from runner.geometry.jit import kernel
from runner.geometry.mesh import Floats, Ints
from runner.geometry.morton import morton_order

_SPACING_SAMPLE = 4000
_AT_ONCE = 1 << 17
"""Points whose neighbours are held in memory together."""


class Neighbours:
    """SciPy's tree over points (n, 3), asked along a Morton curve: twice as fast for as many points as a scan has."""

    def __init__(self, points: Floats) -> None:
        """Build the tree."""
        from scipy.spatial import cKDTree

        self._order = morton_order(points)
        # where the tree has none it says how many it has
        self._numbers = np.append(self._order, len(self._order)).astype(np.int64)
        self._along = np.ascontiguousarray(points[self._order], dtype=np.float64)
        self._tree = cKDTree(self._along, balanced_tree=False)

    def of(self, points: Floats, k: int, max_distance: float = np.inf) -> tuple[Floats, NDArray[np.int64]]:
        """Return distance (m, k), mm, and number (m, k) of the k nearest of the tree's points to ``points`` (m, 3).

        Where there are fewer within ``max_distance``: infinite, and the number of points in the tree.
        """
        order = morton_order(points)
        distance, index = np.empty((len(points), k)), np.empty((len(points), k), dtype=np.int64)
        distance[order], index[order] = self._ask(points[order], list(range(1, k + 1)), max_distance)
        return distance, index

    def kth_of_own(self, k: int) -> Floats:
        """Return how far (n,) the k-th nearest of the tree's points is from each of them, itself the first, mm."""
        distance = np.empty(len(self._order))
        distance[self._order] = self._ask(self._along, [k], np.inf)[0][:, 0]
        return distance

    def blocks_of_own(self, k: int, max_distance: float = np.inf) -> Iterator[tuple[Ints, NDArray[np.int64]]]:
        """Yield rows (b,) of the tree's points and the numbers (b, k) of their neighbours, block by block."""
        for start in range(0, len(self._order), _AT_ONCE):
            part = slice(start, start + _AT_ONCE)
            yield self._order[part], self._ask(self._along[part], list(range(1, k + 1)), max_distance)[1]

    def _ask(self, points: Floats, ks: list[int], max_distance: float) -> tuple[Floats, NDArray[np.int64]]:
        distance, near = self._tree.query(points, k=ks, distance_upper_bound=max_distance, workers=thread_count())
        return np.asarray(distance), self._numbers[near]


@dataclass(frozen=True)
class Spacing:
    """Point spacing of a scan, mm.

    A line scanner puts points close together along a stripe and the stripes further apart.
    """

    nearest_mm: float
    """Median distance to the nearest other point (0 distances, exact duplicates, left out)."""
    along_mm: float
    """Median distance along the direction in which points lie closest; equals ``nearest_mm`` on stripes."""
    across_mm: float
    """Median distance to the nearest point across that direction; equals ``along_mm`` when there are no stripes."""

    @property
    def typical_mm(self) -> float:
        """Side of the square that has one point: the geometric mean of both."""
        return float(np.sqrt(self.along_mm * self.across_mm))


def median_spacing(points: Floats, *, sample: int = _SPACING_SAMPLE) -> Spacing:
    """Spacing of the points of a cloud or mesh.

    Parameters
    ----------
    points
        (n, 3) mm, at least two distinct points; clutter and specks shift the medians little.
    sample
        Number of places looked at, evenly through the file.

    Returns
    -------
    Spacing
        All zero when fewer than two distinct points exist.
    """
    from scipy.spatial import cKDTree

    count = len(points)
    if count < 2:
        return Spacing(0.0, 0.0, 0.0)
    tree = cKDTree(points, balanced_tree=False, compact_nodes=False)
    where = np.unique(np.linspace(0, count - 1, min(sample, count)).astype(np.int64))
    k = min(count, 33)
    distance, index = tree.query(points[where], k=k)
    ratio_across = np.full(len(where), np.nan)
    along = np.full(len(where), np.nan)
    _stripe_distances(points, points[where], index.astype(np.int64), distance, along, ratio_across)
    good = np.isfinite(along)
    if not good.any():
        return Spacing(0.0, 0.0, 0.0)
    nearest = float(np.median(along[good]))
    across = ratio_across[np.isfinite(ratio_across)]
    across_mm = float(np.median(across)) if len(across) else nearest
    return Spacing(nearest, nearest, max(across_mm, nearest))


@kernel
def _stripe_distances(points: Any, centres: Any, index: Any, distance: Any, along: Any, across: Any) -> None:
    """Distance to the nearest point, and to the nearest one more than 45 degrees off its direction.

    Beyond the k known neighbours nothing is known: then the farthest of them is the (lower) bound that is used.
    """
    for q in range(len(centres)):
        x = y = z = length = 0.0
        seen_across = False
        for n in range(index.shape[1]):
            d = distance[q, n]
            if d <= 0.0 or not np.isfinite(d):
                continue
            i = index[q, n]
            dx, dy, dz = points[i, 0] - centres[q, 0], points[i, 1] - centres[q, 1], points[i, 2] - centres[q, 2]
            if length == 0.0:
                x, y, z, length = dx, dy, dz, d
                along[q] = d
                continue
            cosine = abs(dx * x + dy * y + dz * z) / (d * length)
            if cosine < 0.70710678:
                # The part at right angles is the distance between the stripes.
                across[q] = d * np.sqrt(max(0.0, 1.0 - cosine * cosine))
                seen_across = True
                break
        if length > 0.0 and not seen_across:
            across[q] = distance[q, index.shape[1] - 1]


def estimate_normals(points: Floats, k: int = 16, *, radius_mm: float | None = None) -> tuple[Floats, Floats]:
    """Direction of the surface at each point from its neighbours (principal axes), without sign.

    Parameters
    ----------
    points
        (n, 3) mm.
    k
        Neighbours used, the point itself among them.
    radius_mm
        Neighbours farther away are left out, so that a thin sheet's other side does not take part.

    Returns
    -------
    normals
        (n, 3) unit vectors up to sign; 0 where fewer than three neighbours, or all on one line.
    curvature
        (n,) share of the scatter that lies along the normal, 0 (flat) to 1/3; NaN where there is no normal.
    """
    count = len(points)
    normals = np.zeros((count, 3), dtype=np.float64)
    curvature = np.full(count, np.nan)
    if count < 3:
        return normals, curvature
    limit = np.inf if radius_mm is None else float(radius_mm)
    points = np.ascontiguousarray(points, dtype=np.float64)
    for rows, index in Neighbours(points).blocks_of_own(min(k, count), limit):
        run_blocks(_principal, len(rows), points, rows, index, normals, curvature)
    return normals, curvature


@kernel
def _principal(start: Any, end: Any, points: Any, rows: Any, index: Any, normals: Any, curvature: Any) -> None:
    """Smallest principal axis of each row's neighbours (an index of ``len(points)`` means none)."""
    for q in range(start, end):
        base = rows[q]
        cx = cy = cz = 0.0
        n = 0
        for j in range(index.shape[1]):
            i = index[q, j]
            if i >= len(points):
                continue
            # Relative to the point itself: no loss far from the origin.
            cx += points[i, 0] - points[base, 0]
            cy += points[i, 1] - points[base, 1]
            cz += points[i, 2] - points[base, 2]
            n += 1
        if n < 3:
            continue
        cx, cy, cz = cx / n, cy / n, cz / n
        xx = xy = xz = yy = yz = zz = 0.0
        for j in range(index.shape[1]):
            i = index[q, j]
            if i >= len(points):
                continue
            x = points[i, 0] - points[base, 0] - cx
            y = points[i, 1] - points[base, 1] - cy
            z = points[i, 2] - points[base, 2] - cz
            xx += x * x
            xy += x * y
            xz += x * z
            yy += y * y
            yz += y * z
            zz += z * z
        total = xx + yy + zz
        if total <= 0.0:
            continue
        xx, xy, xz, yy, yz, zz = xx / total, xy / total, xz / total, yy / total, yz / total, zz / total
        nx, ny, nz, smallest, middle = _smallest_axis(xx, xy, xz, yy, yz, zz)
        if middle < 1e-9:
            continue
        normals[base, 0], normals[base, 1], normals[base, 2] = nx, ny, nz
        curvature[base] = max(0.0, smallest)


@kernel
def _smallest_axis(
    xx: float, xy: float, xz: float, yy: float, yz: float, zz: float
) -> tuple[float, float, float, float, float]:
    """Unit vector of the smallest eigenvalue of a symmetric matrix of trace 1, that value and the middle one.

    Jacobi rotations: slower than the trigonometric formula but exact where two values are close.
    """
    a = np.empty((3, 3))
    v = np.eye(3)
    a[0, 0], a[0, 1], a[0, 2] = xx, xy, xz
    a[1, 0], a[1, 1], a[1, 2] = xy, yy, yz
    a[2, 0], a[2, 1], a[2, 2] = xz, yz, zz
    for _ in range(12):
        off = a[0, 1] * a[0, 1] + a[0, 2] * a[0, 2] + a[1, 2] * a[1, 2]
        if off < 1e-30:
            break
        for p in range(2):
            for q in range(p + 1, 3):
                if a[p, q] == 0.0:
                    continue
                theta = (a[q, q] - a[p, p]) / (2.0 * a[p, q])
                t = 1.0 / (abs(theta) + np.sqrt(theta * theta + 1.0))
                if theta < 0.0:
                    t = -t
                c = 1.0 / np.sqrt(t * t + 1.0)
                s = t * c
                for r in range(3):
                    g, h = a[r, p], a[r, q]
                    a[r, p], a[r, q] = c * g - s * h, s * g + c * h
                for r in range(3):
                    g, h = a[p, r], a[q, r]
                    a[p, r], a[q, r] = c * g - s * h, s * g + c * h
                for r in range(3):
                    g, h = v[r, p], v[r, q]
                    v[r, p], v[r, q] = c * g - s * h, s * g + c * h
    low = 0
    for r in range(1, 3):
        if a[r, r] < a[low, low]:
            low = r
    middle = np.inf
    for r in range(3):
        if r != low and a[r, r] < middle:
            middle = a[r, r]
    return v[0, low], v[1, low], v[2, low], a[low, low], middle


def nearest_distances(points: Floats, k: int = 1) -> NDArray[np.float64]:
    """(n,) distance of each point to its k-th nearest other point, mm (infinite when there is none)."""
    if len(points) < 2:
        return np.full(len(points), np.inf)
    return Neighbours(points).kth_of_own(k + 1)
