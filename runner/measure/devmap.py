"""Deviation of a part from nominal at fixed places, the same for every part of a recipe."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from runner.geometry.mesh import Floats, Nominal
from runner.measure.sampling import onto_exact, sample_triangles, triangle_normals

if TYPE_CHECKING:
    from runner.measure.scene import Scene

PLACES = 60_000


@dataclass(frozen=True, eq=False)
class DeviationMap:
    """Deviations at fixed places of the nominal."""

    points: Floats
    """(k, 3) mm, on the nominal."""
    normals: Floats
    """(k, 3) unit, out of the material."""
    deviation: NDArray[np.float32]
    """(k,) mm, + outside the nominal's material; NaN where nothing was seen."""
    face: NDArray[np.int32]
    """(k,)."""
    spacing: float
    """mm, root of the area per place."""

    @property
    def sha256(self) -> str:
        """Hash of the content."""
        digest = hashlib.sha256()
        for name, array in sorted(self.to_arrays().items()):
            digest.update(name.encode())
            digest.update(np.ascontiguousarray(array).tobytes())
        return digest.hexdigest()

    def to_arrays(self) -> dict[str, NDArray[np.generic]]:
        """Return everything as named arrays."""
        return {
            "points": self.points,
            "normals": self.normals,
            "deviation": self.deviation,
            "face": self.face,
            "spacing": np.array([self.spacing]),
        }

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, NDArray[np.generic]]) -> DeviationMap:
        """Return the map whose ``to_arrays`` gave ``arrays``."""
        return cls(
            points=np.asarray(arrays["points"], dtype=np.float64),
            normals=np.asarray(arrays["normals"], dtype=np.float64),
            deviation=np.asarray(arrays["deviation"], dtype=np.float32),
            face=np.asarray(arrays["face"], dtype=np.int32),
            spacing=float(np.asarray(arrays["spacing"]).ravel()[0]),
        )


@lru_cache(maxsize=4)
def places(nominal: Nominal, count: int = PLACES) -> DeviationMap:
    """Return the fixed places with nothing seen yet; kept for the next part."""
    vertices, triangles = nominal.mesh.vertices, nominal.mesh.triangles
    points, rows = sample_triangles(vertices, triangles, count)
    faces = nominal.triangle_face[rows].astype(np.int64)
    area = float(0.5 * np.linalg.norm(np.cross(*_sides(vertices, triangles)), axis=1).sum())
    if nominal.source == "step":
        points = onto_exact(nominal, points, faces)
    return DeviationMap(
        points=points,
        normals=triangle_normals(vertices, triangles[rows]),
        deviation=np.full(len(points), np.nan, dtype=np.float32),
        face=faces.astype(np.int32),
        spacing=float(np.sqrt(area / max(len(points), 1))),
    )


def deviation_map(nominal: Nominal, scene: Scene, count: int = PLACES) -> DeviationMap:
    """Return the mean signed distance of the scan points nearest to each place.

    A point counts for the nearest place of its own face; a place that no point is nearest to takes the mean of its
    nearest scan point within one place spacing, and stays NaN otherwise.
    """
    from scipy.spatial import cKDTree

    empty = places(nominal, count)
    used = np.flatnonzero((scene.removed == 0) & scene.agrees)
    if not len(used) or not len(empty.points):
        return empty
    facing = triangle_normals(nominal.mesh.vertices, nominal.mesh.triangles)[scene.triangle[used]]
    feet = scene.points[used] - scene.distance[used, None] * facing
    # both faces of a thin sheet lie close together: shift each along its own normal so that they don't mix
    apart = 4.0 * empty.spacing
    tree = cKDTree(empty.points + apart * empty.normals)
    limit = 1.5 * empty.spacing
    answer = tree.query(feet + apart * facing, distance_upper_bound=limit, workers=-1)
    away, nearest = np.asarray(answer[0]), np.asarray(answer[1])
    hit = np.isfinite(away)
    totals = np.bincount(nearest[hit], weights=scene.distance[used][hit], minlength=len(empty.points))
    counts = np.bincount(nearest[hit], minlength=len(empty.points))
    seen = counts > 0
    deviation = np.full(len(empty.points), np.nan)
    deviation[seen] = totals[seen] / counts[seen]
    missing = np.flatnonzero(~seen)
    if len(missing) and seen.any():
        # sparse scans: a place between points borrows from the nearest one
        points = cKDTree(feet + apart * facing)
        reach = max(2.0 * scene.spacing, empty.spacing)
        answer = points.query(empty.points[missing] + apart * empty.normals[missing], distance_upper_bound=reach)
        near, row = np.isfinite(answer[0]), np.asarray(answer[1])
        deviation[missing[near]] = scene.distance[used][row[near]]
    return DeviationMap(empty.points, empty.normals, deviation.astype(np.float32), empty.face, empty.spacing)


def _sides(vertices: Floats, triangles: NDArray[np.int32]) -> tuple[Floats, Floats]:
    a, b, c = (vertices[triangles[:, k]] for k in range(3))
    return b - a, c - a
