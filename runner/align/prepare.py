"""The scan made ready for the search: thinned evenly, specks dropped, the table found, small islands dropped."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runner.align.bodies import bodies, islands
from runner.align.noise import local_noise
from runner.align.planes import Plane, find_supports, find_table
from runner.geometry.blocks import side_by_side
from runner.geometry.mesh import Floats, ScanGeometry
from runner.geometry.morton import morton_order
from runner.geometry.neighbours import Neighbours, estimate_normals, median_spacing

CAP = 45_000
_STRIPED = 3.0
"""Lines this many times farther apart than the points along them leave the nearest neighbours on one line."""
_ALL_NORMALS = 400_000
_FIRM = 0.8
"""Least share of a point's neighbours in its plane for a smooth piece to go on over it."""
_MOST_POINTS = 3_000_000
"""More points than this add nothing to the search; every k-th is taken."""


@dataclass(frozen=True, eq=False)
class PreparedScan:
    """An evenly thinned scan (one point per cell and facing direction), in the scan frame."""

    points: Floats
    normals: Floats
    signed: NDArray[np.bool_]
    """(m,) whether the sign of the normal is known."""
    spacing: float
    """Edge of the thinning cells, mm."""
    noise: float
    """Scatter of the raw points about local planes, mm, rms."""
    tables: tuple[Plane, ...]
    extent: float
    """Bounding-box diagonal of ``points``, mm."""
    whole_extent: float
    """The same before table and islands were dropped."""
    patch: NDArray[np.int32]
    """(m,) number of the smooth piece of surface that each point belongs to."""
    supports: tuple[Plane, ...] = ()
    """Planes of the scan with (nearly) nothing beyond them: a table that stayed, or outer faces of the part."""

    @property
    def lone(self) -> NDArray[np.bool_]:
        """(m,) points that belong to no smooth piece: beside edges, where a normal is neither face's."""
        return np.asarray(np.bincount(self.patch, minlength=1)[self.patch] == 1)


def scan_normals(scan: ScanGeometry) -> tuple[Floats, NDArray[np.bool_]]:
    """Return normals (n, 3) in the scan frame (zero where there is none) and whether each sign is known (n,)."""
    n = len(scan.points)
    if scan.normals is not None:
        length = np.linalg.norm(scan.normals, axis=1)
        good = np.isfinite(length) & (length > 0)
        normals = np.where(good[:, None], scan.normals / np.where(good, length, 1.0)[:, None], 0.0)
        return normals, np.full(n, scan.normals_signed)
    if scan.triangles is not None and len(scan.triangles):
        from runner.geometry.meshnormals import vertex_normals

        normals = np.nan_to_num(vertex_normals(scan.points, scan.triangles))
        return normals, np.ones(n, dtype=bool)
    return _estimated_normals(scan.points), np.zeros(n, dtype=bool)


def _estimated_normals(points: Floats) -> Floats:
    """Estimate normals over neighbourhoods wide enough to see a plane.

    Where the lines of a scan lie much farther apart than the points along a line, or the scatter exceeds the spacing,
    the nearest neighbours lie on one line or in one blob: normals are then taken from an evenly thinned cloud.
    """
    if len(points) < 50:
        return np.zeros_like(points)
    spacing, noise = side_by_side(lambda: median_spacing(points), lambda: local_noise(points))
    even = spacing.across_mm < _STRIPED * spacing.along_mm and noise < 0.3 * spacing.typical_mm
    if even and len(points) <= _ALL_NORMALS:
        return np.nan_to_num(estimate_normals(points)[0])
    # of very many points a part suffices: the rest takes the normal of the nearest
    dense = spacing.typical_mm * np.sqrt(len(points) / _ALL_NORMALS) if len(points) > _ALL_NORMALS else 0.0
    cell = max(0.0 if even else spacing.across_mm, 0.0 if even else 4.0 * noise, float(dense))
    nowhere = np.tile([1.0, 0.0, 0.0], (len(points), 1))
    places, _, _ = voxel_mean(points, nowhere, np.ones(len(points), dtype=bool), cell)
    normals = np.nan_to_num(estimate_normals(places)[0])
    return np.asarray(normals[Neighbours(places).of(points, 1)[1][:, 0]])


def voxel_mean(
    points: Floats, normals: Floats, signed: NDArray[np.bool_], cell: float
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Return one mean point, mean normal and sign flag per occupied cell and facing direction.

    The key holds the dominant normal axis beside the cell, so that both faces of a thin sheet survive.
    """
    low = points.min(axis=0)
    at = np.floor((points - low) / cell).astype(np.int64)
    size = at.max(axis=0) + 1
    axis = np.argmax(np.abs(normals), axis=1)
    negative = normals[np.arange(len(points)), axis] < 0
    # an unsigned normal is turned towards the positive axis, so that opposite estimates average
    upright = np.where((negative & ~signed)[:, None], -normals, normals)
    facing = np.where(signed, 2 * axis + negative, 6 + axis)
    key = ((at[:, 0] * size[1] + at[:, 1]) * size[2] + at[:, 2]) * 9 + facing
    order = np.argsort(key, kind="stable")
    starts = np.flatnonzero(np.diff(key[order], prepend=-1))
    count = np.diff(np.append(starts, len(order)))
    mean = np.add.reduceat(points[order], starts, axis=0) / count[:, None]
    # without signs both faces of a thin sheet share a key; their mean would lie on neither: take one of the points
    alone = order[starts + count // 2]
    mean = np.where(signed[order][starts][:, None], mean, points[alone])
    direction = np.add.reduceat(upright[order], starts, axis=0)
    length = np.linalg.norm(direction, axis=1)
    good = length > 0
    return mean[good], direction[good] / length[good, None], signed[order][starts][good]


def smooth_patches(points: Floats, normals: Floats, radius: float) -> NDArray[np.int32]:
    """Return for each point (n, 3) the number of its smooth piece: neighbours in each other's plane.

    Normals estimated from a cloud turn gradually over an edge, and would join everything that touches. A point many of
    whose neighbours lie out of its plane is therefore a piece of its own, and pieces don't grow across it.
    """
    from scipy.spatial import cKDTree

    n = len(points)
    if n == 0:
        return np.zeros(0, dtype=np.int32)
    pairs = cKDTree(points).query_pairs(radius, output_type="ndarray")
    a, b = pairs.T
    step = points[b] - points[a]
    length = np.linalg.norm(step, axis=1) + 1e-12
    flat = np.abs(np.einsum("ij,ij->i", step, normals[a])) < 0.4 * length
    flat &= np.abs(np.einsum("ij,ij->i", normals[a], normals[b])) > 0.93
    around = np.bincount(a, minlength=n) + np.bincount(b, minlength=n)
    level = np.bincount(a[flat], minlength=n) + np.bincount(b[flat], minlength=n)
    firm = level >= _FIRM * around
    flat &= firm[a] & firm[b]
    return bodies(pairs[flat], n)


def prepare_scan(points: Floats, normals: Floats, signed: NDArray[np.bool_], diagonal: float) -> PreparedScan:
    """Thin a scan and drop what is plainly not the part.

    Parameters
    ----------
    points, normals, signed
        (n, 3), (n, 3), (n,) in the scan frame; points without normal (zero) are ignored.
    diagonal
        Bounding-box diagonal of the nominal, mm.
    """
    usable = np.flatnonzero(np.einsum("ij,ij->i", normals, normals) > 0.5)
    step = max(1, -(-len(usable) // _MOST_POINTS))
    usable = usable[::step]
    if len(usable) == 0:
        empty = np.zeros((0, 3))
        none = np.zeros(0, dtype=np.int32)
        return PreparedScan(empty, empty, np.zeros(0, dtype=bool), diagonal / 220.0, 0.0, (), 0.0, 0.0, none)
    points, normals, signed = points[usable], normals[usable], signed[usable]
    whole = float(np.linalg.norm(points.max(axis=0) - points.min(axis=0)))
    # a scan in the wrong unit may be a thousand times the part: cells never more than 1500 across
    spacing = max(diagonal / 220.0, 0.1, whole / 1500.0)
    raw = points, normals, signed
    noise, (points, normals, signed) = side_by_side(
        lambda: local_noise(raw[0], raw[1]), lambda: voxel_mean(*raw, spacing)
    )
    # the table first: it is often scanned more thinly than the part, and would go as specks
    tables: list[Plane] = []
    threshold = max(0.5 * spacing, 0.3, 2.5 * noise)
    for attempt in range(2):
        table = find_table(points, normals, diagonal, threshold, seed=attempt)
        if table is None:
            break
        if any(abs(table.normal @ t.normal) > 0.98 for t in tables):
            # the fuzz of the table already found, not a second one
            break
        height = table.height(points)
        # surface in the table's plane that looks down is the part's, seen when it was turned over
        keep = ~table.holds(points, normals, signed, max(1.5 * table.thickness, threshold))
        below = height < -threshold
        if keep.any() and np.mean(below[keep]) < 0.1:
            # nothing lies under a table; where much does, the plane is a wall, and what is behind it stays
            keep &= ~below
        if np.count_nonzero(keep) < 100:
            break
        tables.append(table)
        points, normals, signed = points[keep], normals[keep], signed[keep]
    if not len(points):
        none = np.zeros(0, dtype=np.int32)
        return PreparedScan(points, normals, signed, spacing, noise, tuple(tables), 0.0, whole, none)
    fifth = Neighbours(points).kth_of_own(min(6, len(points)))
    reach = 2.6 * max(spacing, float(np.median(fifth)) / 1.5)
    dense = fifth <= reach
    points, normals, signed = points[dense], normals[dense], signed[dense]
    body = islands(points, 1.6 * reach)
    large = np.bincount(body) >= max(0.01 * len(points), 5)
    keep = large[body]
    points, normals, signed = points[keep], normals[keep], signed[keep]
    if len(points) > CAP:
        chosen = np.sort(np.random.default_rng(0).choice(len(points), CAP, replace=False))
        points, normals, signed = points[chosen], normals[chosen], signed[chosen]
    # neighbours follow each other from here on, whatever is drawn: what looks at one after the other is faster for it
    along = morton_order(points)
    points, normals, signed = points[along], normals[along], signed[along]
    extent = float(np.linalg.norm(points.max(axis=0) - points.min(axis=0))) if len(points) else 0.0
    patch, supports = side_by_side(
        lambda: smooth_patches(points, normals, 0.8 * reach),
        lambda: find_supports(points, normals, threshold, diagonal),
    )
    return PreparedScan(
        points, normals, signed, max(spacing, reach / 2.6), noise, tuple(tables), extent, whole, patch, supports
    )
