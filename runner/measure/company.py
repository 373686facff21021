"""How much company each point has, and which points of a mesh hang together; compiled."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from runner.geometry.blocks import run_blocks
from runner.geometry.jit import kernel
from runner.geometry.mesh import Floats, Ints
from runner.geometry.union import first_of, unite
from runner.measure.cells import Cells


@kernel
def _count_company(
    start: int, end: int, sorted_points: Any, starts: Any, cell_of: Any, shape: Any, rings: int, square: float,
    most: int, counts: Any,
) -> None:  # fmt: skip
    """Others within the root of ``square`` of the points ``start`` to ``end``, at most ``most``."""
    for i in range(start, end):
        x, y, z = sorted_points[i, 0], sorted_points[i, 1], sorted_points[i, 2]
        cell = cell_of[i]
        count = 0
        # the own cell almost always has enough; only a lonely point looks around
        for j in range(starts[cell], starts[cell + 1]):
            dx, dy, dz = sorted_points[j, 0] - x, sorted_points[j, 1] - y, sorted_points[j, 2] - z
            if j != i and dx * dx + dy * dy + dz * dz <= square:
                count += 1
                if count >= most:
                    break
        if count < most:
            cz = cell % shape[2]
            cy = (cell // shape[2]) % shape[1]
            cx = cell // (shape[2] * shape[1])
            for ax in range(max(cx - rings, 0), min(cx + rings, shape[0] - 1) + 1):
                for ay in range(max(cy - rings, 0), min(cy + rings, shape[1] - 1) + 1):
                    for az in range(max(cz - rings, 0), min(cz + rings, shape[2] - 1) + 1):
                        other = (ax * shape[1] + ay) * shape[2] + az
                        if other == cell:
                            continue
                        for j in range(starts[other], starts[other + 1]):
                            dx = sorted_points[j, 0] - x
                            dy = sorted_points[j, 1] - y
                            dz = sorted_points[j, 2] - z
                            if dx * dx + dy * dy + dz * dz <= square:
                                count += 1
        counts[i] = min(count, most)


def company(points: Floats, cells: Cells, radius: float, most: int) -> NDArray[np.int64]:
    """Return how many others (n,) lie within ``radius``, mm, of each point (n, 3), counted up to ``most``.

    ``cells`` is the grid of those points.
    """
    counts = np.zeros(len(points), dtype=np.int64)
    if not len(points) or radius <= 0:
        return counts
    rings = int(np.ceil(radius / cells.size))
    per_cell = np.diff(cells.starts)
    cell_of = np.repeat(np.arange(len(per_cell)), per_cell)
    run_blocks(
        _count_company, len(points), points[cells.order], cells.starts, cell_of,
        np.array(cells.shape, dtype=np.int64), rings, float(radius) ** 2, int(most), counts,
    )  # fmt: skip
    result = np.empty(len(points), dtype=np.int64)
    result[cells.order] = counts
    return result


@kernel
def _join(triangles: Any, root: Any) -> None:
    """Union-find over the corners of triangles: afterwards ``root`` names one point of each island."""
    for t in range(len(triangles)):
        for k in range(1, 3):
            unite(root, triangles[t, 0], triangles[t, k])
    for i in range(len(root)):
        root[i] = first_of(root, i)


def islands(triangles: Ints, count: int) -> Ints:
    """Return for each of ``count`` points the lowest point of the triangles' island it belongs to; itself for none."""
    root = np.arange(count, dtype=np.int32)
    _join(np.ascontiguousarray(triangles, dtype=np.int32), root)
    return root
