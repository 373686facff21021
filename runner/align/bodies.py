"""Which points hang together: from pairs of neighbours, or by distance."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from runner.geometry.jit import kernel
from runner.geometry.mesh import Floats
from runner.geometry.union import first_of, unite


def bodies(pairs: NDArray[np.intp], count: int) -> NDArray[np.int32]:
    """Return for each of ``count`` points the number of its body, in order of first points; ``pairs`` (k, 2) touch.

    What SciPy's ``connected_components`` gives, without the sparse matrices that it wants to have made and transposed.
    """
    return np.asarray(_bodies(np.ascontiguousarray(pairs), count))


@kernel
def _bodies(pairs: Any, count: Any) -> Any:
    parent = np.arange(count)
    for k in range(len(pairs)):
        unite(parent, pairs[k, 0], pairs[k, 1])
    number = np.empty(count, dtype=np.int32)
    found = 0
    for i in range(count):
        root = first_of(parent, i)
        if root == i:
            number[i] = found
            found += 1
        else:
            number[i] = number[root]
    return number


def islands(points: Floats, radius: float) -> NDArray[np.int32]:
    """Return for each point (n, 3) the number of its body, in order of first points: neighbours touch.

    Neighbours are those within ``radius``, mm. What ``bodies`` gives of all pairs, without making them: points of one
    cell with a diagonal of the radius all touch, so that only cells are joined, and most of them at a glance.
    """
    if not len(points):
        return np.zeros(0, dtype=np.int32)
    # a hair less than would do, for rounding
    at = np.floor((points - points.min(axis=0)) / (radius / 3.0**0.5 * (1.0 - 1e-9)))
    if float(np.prod(at.max(axis=0) + 5.0)) > 2.0**62:
        # so fine a grid over so wide a scan has no numbers for its cells
        from scipy.spatial import cKDTree

        return bodies(cKDTree(points).query_pairs(radius, output_type="ndarray"), len(points))
    at = at.astype(np.int64) + 2
    size = at.max(axis=0) + 3
    key = (at[:, 0] * size[1] + at[:, 1]) * size[2] + at[:, 2]
    order = np.argsort(key, kind="stable")
    cells, starts = np.unique(key[order], return_index=True)
    x, y, z = _AHEAD.T
    steps = np.sort((x * size[1] + y) * size[2] + z)
    return np.asarray(
        _islands(np.ascontiguousarray(points[order]), order, cells, np.append(starts, len(order)), steps, radius**2)
    )


_AROUND = np.stack(np.meshgrid(*3 * [np.arange(-2, 3)], indexing="ij"), axis=-1).reshape(-1, 3)
_AHEAD = _AROUND[[tuple(step) > (0, 0, 0) for step in _AROUND.tolist()]]
"""Cells (62, 3) that may hold a neighbour, of each two opposite ones one."""


@kernel
def _islands(points: Any, order: Any, cells: Any, starts: Any, steps: Any, square: Any) -> Any:
    count = len(cells)
    parent = np.arange(count)
    for a in range(count):
        for step in steps:
            b = np.searchsorted(cells, cells[a] + step)
            if b == count or cells[b] != cells[a] + step:
                continue
            if first_of(parent, a) != first_of(parent, b) and _touch(
                points, starts[a], starts[a + 1], starts[b], starts[b + 1], square
            ):
                unite(parent, a, b)
    root = np.empty(len(points), dtype=np.int64)
    for a in range(count):
        root[order[starts[a] : starts[a + 1]]] = first_of(parent, a)
    number = np.full(count, -1, dtype=np.int32)
    found = 0
    body = np.empty(len(points), dtype=np.int32)
    for i in range(len(points)):
        if number[root[i]] < 0:
            number[root[i]] = found
            found += 1
        body[i] = number[root[i]]
    return body


@kernel(inline=True)
def _touch(points: Any, a: Any, a_end: Any, b: Any, b_end: Any, square: Any) -> Any:
    for i in range(a, a_end):
        for j in range(b, b_end):
            x, y, z = points[i, 0] - points[j, 0], points[i, 1] - points[j, 1], points[i, 2] - points[j, 2]
            if x * x + y * y + z * z <= square:
                return True
    return False
