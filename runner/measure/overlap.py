"""Several scans of one part, each aligned by itself: how well they agree where both saw the same surface.

Each scan's distances from the nominal are averaged over cells of a nominal face; the difference of two scans' means
compares them without caring where either put its points. Cells are gathered into regions (a stretch of one face): a
pose that is off shows as a region whose median difference is not zero, with either sign on opposite faces, so that a
mean over the whole part would hide it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from runner.geometry.mesh import KEPT, Floats, Nominal
from runner.measure.cells import make_cells, typical_spacing
from runner.measure.devmap import places
from runner.measure.patch import rounded
from runner.measure.sampling import polyline_points
from runner.measure.scene import Scene
from runner.measure.sided import nominal_normals
from runner.records import OverlapRecord, ScanFile, Vector

CELL_SPACINGS = 4.0
"""Edge of a cell in point spacings of the sparser scan: some ten points of each scan."""
LEAST_POINTS = 3
"""Points of each scan that a cell needs."""
REGIONS = 12
"""Edge of a region: this part of the nominal's diagonal, and at least three cells."""
LEAST_CELLS = 4
"""Cells that a region needs to count."""
EDGE_CELLS = 0.5
"""Cells whose points lie on average nearer than this, in cells, to a sharp edge are left out: scanners round edges."""
SHARP = np.radians(10.0)
LARGEST_SHARE = 99.0
STANDARD_DEVIATIONS = 3.0
"""The limit where the recipe states none: of one point's noise (scanners' systematic errors are of that size) together
with what both poses leave open."""
NOT_TIED = (
    "no surface is seen by both: only the nominal ties these scans together, and a distance between what one saw and "
    "what the other saw carries the errors of both poses"
)


@dataclass(frozen=True, eq=False)
class _Cells:
    """Means over cells of one scan, ascending by key."""

    key: NDArray[np.int64]
    mean: Floats
    middle: Floats
    """(k, 3) mean place of the points."""
    normal: Floats
    """(k, 3) of the surface, out of the material."""
    face: NDArray[np.int32]


def compare_scans(
    scene: Scene, nominal: Nominal, scans: Sequence[ScanFile], noise: float, limit: float | None
) -> tuple[OverlapRecord, ...]:
    """Compare every pair of scans of a scene.

    Parameters
    ----------
    scene
        All scans in one frame.
    nominal
        The design geometry.
    scans
        The files in the order of the scene's scan numbers.
    noise
        Standard deviation of a point along the normal, mm.
    limit
        Largest median difference allowed over a region, mm; None: from noise and poses.
    """
    usable = np.flatnonzero((scene.removed == KEPT) & scene.agrees & ~scene.beyond & ~scene.specks)
    by_scan = [usable[scene.scan[usable] == k] for k in range(scene.scans)]
    spacings = [_spacing(scene, rows) for rows in by_scan]
    return tuple(
        _pair(scene, nominal, scans, by_scan, (a, b), CELL_SPACINGS * max(spacings[a], spacings[b]), noise, limit)
        for a, b in combinations(range(scene.scans), 2)
    )


def _pair(
    scene: Scene,
    nominal: Nominal,
    scans: Sequence[ScanFile],
    by_scan: Sequence[NDArray[np.int64]],
    pair: tuple[int, int],
    size: float,
    noise: float,
    limit: float | None,
) -> OverlapRecord:
    """Compare two scans."""
    names = tuple(scans[k] for k in pair)
    empty = OverlapRecord(names[0].name, names[1].name, names[0].sha256, names[1].sha256, 0.0, 0, note=NOT_TIED)
    if not all(len(by_scan[k]) for k in pair) or not size > 0:
        return empty
    # a thin sheet's two sides differ in their face, so they never share a cell
    low = nominal.bounds[0] - scene.reach - size
    first, second = (_cells(scene, nominal, by_scan[k], low, size) for k in pair)
    both, a, b = np.intersect1d(first.key, second.key, assume_unique=True, return_indices=True)
    middle = 0.5 * (first.middle[a] + second.middle[b])
    clear = _clear_of_edges(nominal, middle, EDGE_CELLS * size)
    both, a, b, middle = both[clear], a[clear], b[clear], middle[clear]
    if not len(both):
        return empty
    difference = second.mean[b] - first.mean[a]
    region, at, allowed = _worst_region(
        difference, middle, first.normal[a], first.face[a], size, nominal, noise,
        [scene.covariances[k] for k in pair], limit,
    )  # fmt: skip
    return OverlapRecord(
        first=names[0].name,
        second=names[1].name,
        first_sha256=names[0].sha256,
        second_sha256=names[1].sha256,
        area=_area(nominal, both, low, size),
        cells=len(both),
        mean=float(difference.mean()),
        rms=float(np.sqrt(np.mean(difference**2))),
        largest=float(np.percentile(np.abs(difference), LARGEST_SHARE)),
        region=region,
        at=at,
        limit=allowed if region is not None else limit,
        note="" if region is not None else "too little surface is seen by both to compare the scans",
    )


def _cells(scene: Scene, nominal: Nominal, rows: NDArray[np.int64], low: Floats, size: float) -> _Cells:
    """Average one scan's distances over cells."""
    normals = nominal_normals(nominal)[scene.triangle[rows]]
    feet = scene.points[rows] - scene.distance[rows, None] * normals
    key = _keys(feet, scene.face[rows], low, size)
    unique, start, inverse, count = np.unique(key, return_index=True, return_inverse=True, return_counts=True)
    inverse = inverse.reshape(-1)

    def averaged(values: Floats) -> Floats:
        return np.bincount(inverse, weights=values, minlength=len(unique)) / count

    middle = np.column_stack([averaged(feet[:, k]) for k in range(3)])
    enough = count >= LEAST_POINTS
    return _Cells(
        unique[enough],
        averaged(scene.distance[rows])[enough],
        middle[enough],
        normals[start[enough]],
        scene.face[rows][start[enough]],
    )


def _keys(feet: Floats, face: NDArray[np.int32], low: Floats, size: float) -> NDArray[np.int64]:
    """One number for face and cube of each point (n, 3): 16 bits along each axis, 15 for the face.

    More faces or cubes than that would share numbers; cubes are then far smaller than any scan resolves, and shared
    numbers of faces lie in other cubes.
    """
    cube = np.clip(np.floor((feet - low) / size), 0, 65_535).astype(np.int64)
    return ((((face.astype(np.int64) % 32_768) << 16 | cube[:, 0]) << 16 | cube[:, 1]) << 16) | cube[:, 2]


def _area(nominal: Nominal, keys: NDArray[np.int64], low: Floats, size: float) -> float:
    """Area of the nominal, mm^2, in the cells ``keys``: its fixed places, each of which stands for the same area."""
    fixed = places(nominal)
    inside = np.isin(_keys(fixed.points, fixed.face, low, size), keys)
    return float(np.count_nonzero(inside) * fixed.spacing**2)


def _worst_region(
    difference: Floats,
    middle: Floats,
    normal: Floats,
    face: NDArray[np.int32],
    size: float,
    nominal: Nominal,
    noise: float,
    covariances: Sequence[Floats | None],
    limit: float | None,
) -> tuple[float | None, Vector | None, float | None]:
    """Return the median difference of the region that is worst against its limit, where it is, and that limit."""
    low, high = nominal.bounds
    edge = max(nominal.diagonal / REGIONS, 3.0 * size)
    _, group, count = np.unique(_keys(middle, face, low - edge, edge), return_inverse=True, return_counts=True)
    group = group.reshape(-1)
    worst: tuple[float, float, Vector, float] | None = None
    order = np.argsort(group, kind="stable")
    for rows in np.split(order, np.cumsum(count)[:-1]):
        if len(rows) < LEAST_CELLS:
            continue
        median = float(np.median(difference[rows]))
        place = middle[rows].mean(axis=0)
        # how far the poses let this region move along its normal
        facing = normal[rows].mean(axis=0)
        lever = np.concatenate([np.cross(place - 0.5 * (low + high), facing), facing])
        variance = noise**2 + sum(float(lever @ c @ lever) for c in covariances if c is not None)
        allowed = STANDARD_DEVIATIONS * float(np.sqrt(variance)) if limit is None else limit
        badness = abs(median) / max(allowed, 1e-12)
        if worst is None or badness > worst[0]:
            worst = (badness, median, (float(place[0]), float(place[1]), float(place[2])), allowed)
    return (None, None, None) if worst is None else worst[1:]


@lru_cache(maxsize=8)
def _edge_places(nominal: Nominal, step: float) -> Floats:
    """Places (k, 3) along the nominal's sharp edges and open boundaries, not farther apart than ``step``."""
    edges = nominal.edges
    pieces = [
        polyline_points(edges.points[edges.offsets[e] : edges.offsets[e + 1]], step)
        for e in range(len(edges))
        if not edges.angle[e] < SHARP
    ]
    return np.vstack(pieces) if pieces else np.zeros((0, 3))


def _clear_of_edges(nominal: Nominal, points: Floats, margin: float) -> NDArray[np.bool_]:
    """Which points (n, 3) lie farther than ``margin`` from every sharp edge."""
    from scipy.spatial import cKDTree

    along = _edge_places(nominal, rounded(margin / 2.0))
    if not len(along) or not len(points):
        return np.ones(len(points), dtype=bool)
    away = np.asarray(cKDTree(along).query(points, distance_upper_bound=margin)[0])
    return ~np.isfinite(away)


def _spacing(scene: Scene, rows: NDArray[np.int64]) -> float:
    """Root of the area per point of one scan, mm; 0 where there are too few points to tell."""
    if len(rows) < LEAST_POINTS:
        return 0.0
    points = scene.points[rows]
    return typical_spacing(points, make_cells(points))
