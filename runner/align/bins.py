"""Exact closest points, only among surface that faces the way a point's own normal does."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from runner.align.search import BIN_COSINE, bin_masks, triangle_normals
from runner.geometry.blocks import LIGHT_BLOCK, run_blocks
from runner.geometry.jit import kernel
from runner.geometry.mesh import Floats, Ints, Nominal
from runner.geometry.morton import morton_order

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
        self,
        points: Floats,
        normals: Floats,
        signed: NDArray[np.bool_],
        max_distance: float = np.inf,
        order: Ints | None = None,
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
        order
            (n,) in which order neighbours follow each other, where that is known already.

        Returns
        -------
        foot, foot_normal, distance
            (n, 3), (n, 3), (n,); the distance is unsigned, infinite where no such surface is in reach.
        """
        from runner.geometry.distance import Closest

        points = np.ascontiguousarray(points, dtype=np.float64)
        count = len(points)
        signed = np.ascontiguousarray(signed)
        rows, ends = _by_bin(morton_order(points) if order is None else order, normals, signed)
        foot, normal, distance = np.zeros((count, 3)), np.zeros((count, 3)), np.full(count, np.inf)
        hidden = np.zeros(0, dtype=bool) if self.hidden is None else self.hidden
        # of a normal without sign the other side of its axis is looked at too
        for look in range(1 if signed.all() else 2):
            found = Closest.none(count)
            for b, index in enumerate(self.indices, 6 * look):
                mine = rows[ends[b] : ends[b + 1]]
                if index is not None and len(mine):
                    index.closest_of(points, mine, max_distance, found)
            run_blocks(
                _take, count, found.point, found.distance, found.normal, found.triangle, found.on_border, signed,
                hidden, self._triangle_normals, foot, normal, distance, block=LIGHT_BLOCK,
            )  # fmt: skip
        return foot, normal, distance


@kernel
def _by_bin(order: Any, normals: Any, signed: Any) -> Any:
    """Return rows of points by bin, each bin's in the given order, and where each bin's end.

    Bins 0 to 5 are looked at first, 6 to 11 are the same for the second look of points without sign.
    """
    n = len(order)
    bins = np.empty(n, np.int8)
    ends = np.zeros(13, np.int64)
    for i in range(n):
        axis = 0
        for a in (1, 2):
            if abs(normals[i, a]) > abs(normals[i, axis]):
                axis = a
        b = 2 * axis
        if not signed[i]:
            ends[7 + b + 1] += 1
        elif not normals[i, axis] > 0.0:
            b += 1
        bins[i] = b
        ends[b + 1] += 1
    for b in range(12):
        ends[b + 1] += ends[b]
    at = ends[:12].copy()
    rows = np.empty(ends[12], np.int32)
    for k in range(n):
        i = order[k]
        b = bins[i]
        rows[at[b]] = i
        at[b] += 1
        if not signed[i]:
            rows[at[7 + b]] = i
            at[7 + b] += 1
    return rows, ends


@kernel
def _take(
    start: Any, end: Any, at: Any, signed_distance: Any, its_normal: Any, triangle: Any, on_border: Any, signed: Any,
    hidden: Any, facing: Any, foot: Any, normal: Any, distance: Any,
) -> None:  # fmt: skip
    """Take over what a look found where it is nearer than what is known."""
    for i in range(start, end):
        t = triangle[i]
        gap = abs(signed_distance[i])
        if t < 0 or not gap < distance[i]:
            continue
        # else the outer wall of a tube, seen without sign, would be laid on the inner one
        if len(hidden) > 0 and not signed[i] and hidden[t]:
            continue
        distance[i] = gap
        for a in range(3):
            foot[i, a] = at[i, a]
            # on a sharp border the index gives the mean normal of both faces; ours is the face that looks our way
            normal[i, a] = facing[t, a] if on_border[i] else its_normal[i, a]
