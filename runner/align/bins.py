"""Exact closest points, only among surface that faces the way a point's own normal does."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from runner.align.search import BIN_COSINE, bin_masks, triangle_normals
from runner.geometry.mesh import Floats, Nominal

if TYPE_CHECKING:
    from runner.geometry.distance import SurfaceIndex


class DirectionBins:
    """Six exact float64 indices of the nominal, one per direction bin (see ``search``)."""

    indices: list[SurfaceIndex | None]
    hidden: NDArray[np.bool_] | None
    """(m,) triangles that no scanner outside can see; a point whose normal has no sign is never taken for theirs."""

    def __init__(self, nominal: Nominal) -> None:
        from runner.geometry.distance import SurfaceIndex

        self.hidden = None

        self._triangle_normals, _ = triangle_normals(nominal.mesh.vertices, nominal.mesh.triangles)
        self.indices = [
            SurfaceIndex.build(nominal, triangles=mask) if mask.any() else None for mask in bin_masks(nominal)
        ]

    def holds(self, triangle: NDArray[np.int32], normals: Floats, signed: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Tell whether each triangle (n,) is in the bin of the normal (n, 3) beside it; in either where unsigned."""
        axis = np.argmax(np.abs(normals), axis=1)
        rows = np.arange(len(normals))
        facing = self._triangle_normals[triangle, axis] * np.sign(normals[rows, axis])
        return np.asarray(np.where(signed, facing, np.abs(facing)) > BIN_COSINE)

    def triangle_at(self, points: Floats, normals: Floats) -> NDArray[np.int32]:
        """Return the triangle (n,) on which each surface point (n, 3) lies, -1 where none is found."""
        triangle = np.full(len(points), -1, dtype=np.int32)
        axis = np.argmax(np.abs(normals), axis=1)
        positive = normals[np.arange(len(points)), axis] > 0
        for b, index in enumerate(self.indices):
            chosen = np.flatnonzero((axis == b // 2) & (positive == (b % 2 == 0)))
            if index is not None and len(chosen):
                triangle[chosen] = index.closest(points[chosen]).triangle
        return triangle

    def closest(
        self, points: Floats, normals: Floats, signed: NDArray[np.bool_], max_distance: float = np.inf
    ) -> tuple[Floats, Floats, Floats]:
        """Find each point's closest surface in the bin of its own normal.

        Parameters
        ----------
        points, normals
            (n, 3) in the nominal frame; unit normals.
        signed
            (n,) whether the normal's sign is known. Where not, both opposite bins are tried and the nearer is taken.
        max_distance
            Points farther than this count as having none, mm.

        Returns
        -------
        foot, foot_normal, distance
            (n, 3), (n, 3), (n,); the distance is unsigned, infinite where no such surface is in reach.
        """
        foot = np.zeros_like(points)
        foot_normal = np.zeros_like(points)
        distance = np.full(len(points), np.inf)
        axis = np.argmax(np.abs(normals), axis=1)
        positive = normals[np.arange(len(points)), axis] > 0
        for b, index in enumerate(self.indices):
            if index is None:
                continue
            chosen = np.flatnonzero((axis == b // 2) & ((positive == (b % 2 == 0)) | ~signed))
            if not len(chosen):
                continue
            found = index.closest(points[chosen], max_distance)
            gap = np.abs(found.distance)
            nearer = (found.triangle >= 0) & np.isfinite(gap) & (gap < distance[chosen]) & (gap <= max_distance)
            if self.hidden is not None:
                # else the outer wall of a tube, seen without sign, would be laid on the inner one
                nearer &= signed[chosen] | ~self.hidden[found.triangle]
            rows = chosen[nearer]
            foot[rows], distance[rows] = found.point[nearer], gap[nearer]
            # on a sharp border the index gives the mean normal of both faces; ours is the face that looks our way
            on_border = found.on_border[nearer, None]
            foot_normal[rows] = np.where(
                on_border, self._triangle_normals[found.triangle[nearer]], found.normal[nearer]
            )
        return foot, foot_normal, distance
