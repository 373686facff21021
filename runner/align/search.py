"""What the pose search looks things up in: surface samples, closest-point fields, direction histogram, volume.

A scan point is only ever compared with nominal surface that faces roughly the way the point's own normal does: the
faces are sorted into six overlapping *direction bins* (+x, -x, +y, -y, +z, -z). On 2 mm sheet the plain closest
surface is often the wrong side, and a point of a bore's wall must not be explained by the flat face beside it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from runner.geometry.mesh import Floats, Nominal

if TYPE_CHECKING:
    from runner.geometry.distance import SurfaceIndex

BIN_COSINE = 0.34
"""A face belongs to each bin whose axis is within 70 degrees of its normal. No direction is farther than 54.7 degrees
from its nearest axis, so 15 degrees are left for noise of the scan's normals and for tilt of a candidate pose."""
SAMPLES = 60_000
PROBE_STEP = 5
DIRECTIONS = 3000
CUBE = 32
VOLUME = 48
_BLUR_RAD = np.deg2rad(7.0)


@dataclass(frozen=True, eq=False)
class SearchModel:
    """Arrays made once per nominal; all in the nominal frame."""

    low: Floats
    """(3,) lowest corner, mm."""
    high: Floats
    """(3,) highest corner, mm."""
    samples: Floats
    """(s, 3) points spread evenly over the surface, mm."""
    sample_normals: Floats
    """(s, 3) outward face normals there."""
    probe_seen: NDArray[np.bool_]
    """For each PROBE_STEP-th sample, whether a scanner outside could see it at all (not deep inside a tube)."""
    origin: Floats
    """(3,) lowest corner of the field's grid, mm."""
    cell: float
    """Edge of a grid cell, mm."""
    shape: NDArray[np.int64]
    """(3,) cells along x, y, z."""
    field: NDArray[np.float32]
    """(6, cells, 6) for each bin and cell centre: closest point (mm) of that bin's faces, and its normal."""
    directions: NDArray[np.float32]
    """(CUBE, CUBE, CUBE) saturated share of the surface that faces a direction (direction cube)."""
    volume: NDArray[np.float32]
    """(3, VOLUME, VOLUME, VOLUME) coarse picture of the surface, channels n_x^2, n_y^2, n_z^2."""

    @property
    def diagonal(self) -> float:
        """Length of the bounding box's diagonal, mm."""
        return float(np.linalg.norm(self.high - self.low))

    @property
    def centre(self) -> Floats:
        """Centre of the bounding box, mm."""
        return 0.5 * (self.low + self.high)

    @property
    def volume_cell(self) -> float:
        """Edge of a cell of ``volume``, mm: the whole is a cube of two diagonals about ``centre``."""
        return 2.0 * self.diagonal / VOLUME


def triangle_normals(vertices: Floats, triangles: NDArray[np.int32]) -> tuple[Floats, Floats]:
    """Return unit normals (m, 3) and areas (m,) mm^2; a triangle without area gets a zero normal."""
    a, b, c = (vertices[triangles[:, k]] for k in range(3))
    cross = np.cross(b - a, c - a)
    length = np.linalg.norm(cross, axis=1)
    return cross / np.where(length > 0, length, 1.0)[:, None], 0.5 * length


def sample_surface(nominal: Nominal, count: int, seed: int = 0) -> tuple[Floats, Floats]:
    """Return ``count`` points spread evenly over the surface, mm, and the face normals there."""
    vertices, triangles = nominal.mesh.vertices, nominal.mesh.triangles
    normals, areas = triangle_normals(vertices, triangles)
    random = np.random.default_rng(seed)
    # one draw per equal slice of area: evener than free draws
    edges = np.cumsum(areas)
    at = (np.arange(count) + random.random(count)) / count * edges[-1]
    chosen = np.minimum(np.searchsorted(edges, at, side="right"), len(triangles) - 1)
    u, v = random.random((2, count))
    fold = u + v > 1.0
    u[fold], v[fold] = 1.0 - u[fold], 1.0 - v[fold]
    a, b, c = (vertices[triangles[chosen, k]] for k in range(3))
    return a + u[:, None] * (b - a) + v[:, None] * (c - a), normals[chosen]


@lru_cache(maxsize=1)
def direction_set() -> tuple[Floats, NDArray[np.int16]]:
    """Return (DIRECTIONS, 3) evenly spread unit vectors (Fibonacci lattice), and the nearest one for each cube cell."""
    k = np.arange(DIRECTIONS) + 0.5
    z = 1.0 - 2.0 * k / DIRECTIONS
    turn = np.pi * (1.0 + np.sqrt(5.0)) * k
    ring = np.sqrt(1.0 - z * z)
    vectors = np.column_stack([ring * np.cos(turn), ring * np.sin(turn), z])
    axis = (np.arange(CUBE) + 0.5) / CUBE * 2.0 - 1.0
    cells = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1).reshape(-1, 3)
    nearest = np.concatenate([np.argmax(part @ vectors.T, axis=1) for part in np.array_split(cells, 32)])
    return vectors, nearest.astype(np.int16).reshape(CUBE, CUBE, CUBE)


def direction_index(normals: Floats) -> NDArray[np.int64]:
    """Return for each unit vector (n, 3) the index of (nearly) the nearest of ``direction_set``."""
    _, table = direction_set()
    cell = np.clip(((normals + 1.0) * (0.5 * CUBE)).astype(np.int64), 0, CUBE - 1)
    return table[cell[:, 0], cell[:, 1], cell[:, 2]].astype(np.int64)


def _direction_cube(normals: Floats) -> NDArray[np.float32]:
    """Answer 'does the nominal have any noticeable area facing this way', 0 to 1, for each cell of the cube."""
    vectors, table = direction_set()
    share = np.bincount(direction_index(normals), minlength=DIRECTIONS) / len(normals)
    used = np.flatnonzero(share)
    blurred = np.exp((vectors @ vectors[used].T - 1.0) / _BLUR_RAD**2) @ share[used]
    return np.asarray((blurred / (blurred + 0.02))[table], dtype=np.float32)


def bin_masks(nominal: Nominal) -> list[NDArray[np.bool_]]:
    """Return for each of the six bins which triangles belong to it."""
    normals, _ = triangle_normals(nominal.mesh.vertices, nominal.mesh.triangles)
    return [sign * normals[:, axis] > BIN_COSINE for axis in range(3) for sign in (1.0, -1.0)]


def _seen_from_outside(index: SurfaceIndex, points: Floats, normals: Floats) -> NDArray[np.bool_]:
    """Tell for each surface point (n, 3) whether at least a tenth of 24 lines of sight over it gets away."""
    vectors, _ = direction_set()
    looks = vectors[:: DIRECTIONS // 48]
    tried, free = np.zeros(len(points)), np.zeros(len(points))
    for look in looks:
        able = np.flatnonzero(normals @ look > 0.2)
        hit, _ = index.first_hit(points[able] + 1e-3 * normals[able], np.tile(look, (len(able), 1)))
        tried[able] += 1.0
        free[able] += ~np.isfinite(hit)
    return np.asarray(free >= 0.1 * tried)


def build_search_model(nominal: Nominal, index: SurfaceIndex) -> SearchModel:
    """Make the search arrays of a nominal (a few seconds)."""
    from runner.align.bins import DirectionBins
    from runner.align.candidates import splat_volume

    low, high = nominal.bounds
    diagonal = float(np.linalg.norm(high - low))
    samples, normals = sample_surface(nominal, SAMPLES)
    # the padding lets a candidate be off by a good tenth of the part and still be pulled in
    cell = max(diagonal / 100.0, 0.05)
    padding = max(0.12 * diagonal, 6.0 * cell)
    shape = np.ceil((high - low + 2.0 * padding) / cell).astype(np.int64)
    origin = 0.5 * (low + high) - 0.5 * shape * cell
    grid = np.stack(np.meshgrid(*(np.arange(s) + 0.5 for s in shape), indexing="ij"), axis=-1).reshape(-1, 3)
    centres = origin + cell * grid
    field = np.full((6, len(centres), 6), 0.0, dtype=np.float32)
    bins = DirectionBins(nominal)
    for b, faces in enumerate(bins.indices):
        if faces is None:
            field[b, :, :3] = 1e9
            continue
        found = faces.closest(centres)
        field[b, :, :3] = found.point
        field[b, :, 3:] = found.normal
    seen = _seen_from_outside(index, samples[::PROBE_STEP], normals[::PROBE_STEP])
    model = SearchModel(
        low, high, samples, normals, seen, origin, cell, shape, field, _direction_cube(normals),
        np.zeros((3, VOLUME, VOLUME, VOLUME), dtype=np.float32),
    )  # fmt: skip
    from scipy.ndimage import gaussian_filter

    splat_volume(np.eye(3), samples - model.centre, normals, model.volume_cell, model.volume)
    for channel in model.volume:
        gaussian_filter(channel, 1.0, output=channel, mode="wrap")
    return model
