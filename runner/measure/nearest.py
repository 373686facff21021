"""Distance from points to a few chosen triangles of the nominal, and to their border."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from runner.geometry.distance import Closest, SurfaceIndex
from runner.geometry.mesh import Floats, Nominal
from runner.measure.patch import Patch
from runner.measure.sampling import polyline_points


class PieceOfSurface:
    """Some triangles of the nominal, ready for distances; nothing is built until it is asked."""

    def __init__(self, nominal: Nominal, triangles: NDArray[np.bool_]) -> None:
        """Take the nominal and which of its triangles (m,) are meant."""
        self._nominal, self._triangles = nominal, triangles
        self._index: SurfaceIndex | None = None

    def distances(self, points: Floats) -> Floats:
        """Return the distances (n,), mm, from points to the nearest of the triangles."""
        if not len(points):
            return np.zeros(0)
        return np.abs(self.closest(points).distance)

    def closest(self, points: Floats) -> Closest:
        """Return the closest places of the triangles for points (n, 3)."""
        if self._index is None:
            self._index = SurfaceIndex.build(self._nominal, triangles=self._triangles)
        return self._index.closest(points)


@lru_cache(maxsize=512)
def surface_of(patch: Patch, nominal: Nominal) -> PieceOfSurface:
    """Return the surface of a patch; kept for the next part."""
    return PieceOfSurface(nominal, patch.triangles)


@lru_cache(maxsize=1024)
def border_of_patch(patch: Patch, step: float) -> Border:
    """Return the border of a patch; kept for the next part."""
    return Border(patch.borders, step)


class Border:
    """The border of a patch, as dense points in a search tree."""

    def __init__(self, polylines: tuple[Floats, ...], step: float) -> None:
        """Take polylines (k, 3); distances are good to about an eighth of ``step`` near ``step``."""
        from scipy.spatial import cKDTree

        pieces = [polyline_points(line, step) for line in polylines]
        self._tree = cKDTree(np.vstack(pieces)) if pieces else None

    def nearer_than(self, points: Floats, limit: float) -> NDArray[np.bool_]:
        """Return which points (n,) lie nearer to the border than ``limit``."""
        if self._tree is None or not len(points) or limit <= 0:
            return np.zeros(len(points), dtype=bool)
        distance = self._tree.query(points, distance_upper_bound=limit)[0]
        near: NDArray[np.bool_] = np.isfinite(distance)
        return near
