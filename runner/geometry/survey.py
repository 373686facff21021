"""One pass over points or triangles: what is usable, and where it lies."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from runner.geometry.jit import kernel
from runner.geometry.mesh import Floats

LARGEST = 1e100
"""Coordinates beyond it are taken as missing: no unit gives such numbers, and their squares would overflow later."""


@kernel
def _survey(points: Any, low: Any, high: Any) -> int:
    """Number of usable points; extends ``low`` and ``high`` to hold them."""
    count = 0
    for i in range(len(points)):
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        # Comparisons with NaN are false.
        if not (abs(x) < LARGEST and abs(y) < LARGEST and abs(z) < LARGEST):
            continue
        count += 1
        low[0], low[1], low[2] = min(low[0], x), min(low[1], y), min(low[2], z)
        high[0], high[1], high[2] = max(high[0], x), max(high[1], y), max(high[2], z)
    return count


@kernel
def _mark_usable(points: Any, usable: Any) -> None:
    """Which points are usable."""
    for i in range(len(points)):
        usable[i] = abs(points[i, 0]) < LARGEST and abs(points[i, 1]) < LARGEST and abs(points[i, 2]) < LARGEST


@kernel
def _mark_used(triangles: Any, used: Any) -> int:
    """Mark the vertices of triangles with three different corners; returns the number of the others."""
    flat = 0
    for t in range(len(triangles)):
        a, b, c = triangles[t, 0], triangles[t, 1], triangles[t, 2]
        if a == b or b == c or c == a:
            flat += 1
        else:
            used[a] = used[b] = used[c] = True
    return flat


def survey(points: Floats) -> tuple[int, Floats, Floats]:
    """Number of usable points of (n, 3), and the lowest and highest corner of their box."""
    low, high = np.full(3, np.inf), np.full(3, -np.inf)
    return int(_survey(points, low, high)), low, high


def usable_points(points: Floats) -> NDArray[np.bool_]:
    """(n,) whether all three coordinates are finite and no larger than ``LARGEST``."""
    usable = np.empty(len(points), dtype=np.bool_)
    _mark_usable(points, usable)
    return usable


def used_vertices(triangles: NDArray[Any], count: int) -> tuple[NDArray[np.bool_], int]:
    """(count,) which vertices belong to a triangle with three different corners; and how many triangles have not."""
    used = np.zeros(count, dtype=np.bool_)
    return used, int(_mark_used(triangles, used))
