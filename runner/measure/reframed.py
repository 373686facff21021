"""The points around a region of the nominal after the part was moved into a datum frame: nearest surface, distance."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from runner.geometry.distance import SurfaceIndex
from runner.geometry.frames import move_points, turn_vectors
from runner.geometry.mesh import Floats, Ints, Nominal
from runner.measure.patch import Patch
from runner.measure.scene import Scene
from runner.measure.sided import AGREEMENT, beside_rim, closest_facing, nominal_normals

STILL = 1e-9
"""mm: a movement that shifts no point farther is none."""


@dataclass(frozen=True, eq=False)
class Reframed:
    """Points of a scene that may matter to a region."""

    rows: NDArray[np.int64]
    """(k,) rows of the scene."""
    points: Floats
    """(k, 3) mm, moved."""
    distance: Floats
    """(k,) signed, mm, to the nominal surface that each point belongs to."""
    triangle: Ints
    """(k,) its triangle; 0 where there is none."""
    here: NDArray[np.bool_]
    """(k,) that surface is the region's, looks the point's way, and the point does not lie beside its rim."""


@lru_cache(maxsize=64)
def _box(patch: Patch, nominal: Nominal) -> tuple[Floats, Floats]:
    corners = nominal.mesh.vertices[np.unique(nominal.mesh.triangles[patch.triangles])]
    return corners.min(axis=0), corners.max(axis=0)


def in_datum_frame(
    scene: Scene, nominal: Nominal, index: SurfaceIndex, patch: Patch, move: Floats, reach: float
) -> Reframed:
    """Return the points around a region after the movement ``move`` (4, 4), with what lies nearest to them then."""
    corner = np.array(np.meshgrid(*zip(*_extent(scene), strict=True))).reshape(3, -1).T
    shift = float(np.linalg.norm(move_points(move, corner) - corner, axis=1).max(initial=0.0))
    if shift < STILL:
        here = patch.triangles[scene.triangle] & scene.agrees & ~scene.beyond
        return Reframed(np.arange(len(scene.points)), scene.points, scene.distance, scene.triangle, here)
    low, high = _box(patch, nominal)
    rows = scene.cells.in_box(scene.points, low - reach - shift, high + reach + shift)
    # whoever was farther can't come within reach
    rows = rows[scene.agrees[rows] & (np.abs(scene.distance[rows]) <= reach + shift)]
    points = move_points(move, scene.points[rows])
    distance = np.full(len(rows), np.inf)
    triangle = np.zeros(len(rows), dtype=np.int32)
    here = np.zeros(len(rows), dtype=bool)
    if len(rows):
        closest = index.closest(points, reach)
        facing = nominal_normals(nominal)
        agrees = np.ones(len(rows), dtype=bool)
        normals = None if scene.normals is None else turn_vectors(move, scene.normals[rows])
        if normals is not None:
            cosine = np.einsum("ij,ij->i", normals, closest.normal)
            agrees = (cosine if scene.normals_signed else np.abs(cosine)) >= AGREEMENT
        good = closest.found & agrees & patch.triangles[closest.triangle] & ~beside_rim(points, closest, facing)
        here[good] = True
        distance[good], triangle[good] = closest.distance[good], closest.triangle[good]
        again = np.flatnonzero(~agrees)
        if len(again) and scene.normals_signed and normals is not None:
            # thin sheet: compared with the side that the point belongs to, not with the nearer one
            for some, sided in closest_facing(nominal, points[again], normals[again], reach):
                good = patch.triangles[sided.triangle] & ~beside_rim(points[again[some]], sided, facing)
                target = again[some[good]]
                here[target] = True
                distance[target], triangle[target] = sided.distance[good], sided.triangle[good]
    return Reframed(rows, points, distance, triangle, here)


def _extent(scene: Scene) -> tuple[Floats, Floats]:
    """Lowest and highest corner of the points."""
    if not len(scene.points):
        return np.zeros(3), np.zeros(3)
    return scene.points.min(axis=0), scene.points.max(axis=0)
