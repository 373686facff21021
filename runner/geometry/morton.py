"""Order points along a Morton (Z) curve, so that neighbours in the order are neighbours in space."""

from __future__ import annotations

from typing import Any

import numpy as np

from runner.geometry.jit import kernel
from runner.geometry.mesh import Floats, Ints

_BITS = 10
"""Per axis: 1,024 cells along the longest side part points well enough, and sort in three passes."""


@kernel
def _spread(v: int) -> int:
    """Move the ten lowest bits apart, two empty bits between each."""
    v = (v | (v << 16)) & 0x030000FF
    v = (v | (v << 8)) & 0x0300F00F
    v = (v | (v << 4)) & 0x030C30C3
    return (v | (v << 2)) & 0x09249249


@kernel
def _order(points: Any) -> Any:
    n = len(points)
    low = np.full(3, np.inf)
    high = np.full(3, -np.inf)
    for i in range(n):
        for a in range(3):
            v = points[i, a]
            if np.isfinite(v):
                low[a] = min(low[a], v)
                high[a] = max(high[a], v)
    side = max(high[0] - low[0], high[1] - low[1], high[2] - low[2])
    scale = 1023.999 / side if side > 0.0 else 0.0
    codes = np.empty(n, np.int32)
    for i in range(n):
        code = 0
        for a in range(3):
            v = (points[i, a] - low[a]) * scale
            cell = int(v) if np.isfinite(v) else 0
            code |= _spread(min(max(cell, 0), 1023)) << a
        codes[i] = code
    order = np.empty(n, np.int32)
    for i in range(n):
        order[i] = i
    other = np.empty(n, np.int32)
    starts = np.empty(1025, np.int64)
    for digit in range(3):
        shift = digit * _BITS
        starts[:] = 0
        for i in range(n):
            starts[((codes[i] >> shift) & 1023) + 1] += 1
        for k in range(1024):
            starts[k + 1] += starts[k]
        for k in range(n):
            i = order[k]
            bucket = (codes[i] >> shift) & 1023
            other[starts[bucket]] = i
            starts[bucket] += 1
        order, other = other, order
    return order


def morton_order(points: Floats) -> Ints:
    """Return the order (n,) in which points (n, 3) lie along a Morton curve; points that aren't finite are kept."""
    order: Ints = _order(points)
    return order
