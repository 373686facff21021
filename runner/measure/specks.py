"""Isolated points: the only ones that are ever rejected, since a rejected burr would be a lie."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from runner.geometry.mesh import Floats

REACH = 2.5
"""A point is isolated when hardly another one lies within this many point spacings."""
LEAST_COMPANY = 2
"""Other points that must lie within reach."""


def isolated(points: Floats, spacing: float) -> NDArray[np.bool_]:
    """Return which points (n,) are isolated: fewer than two others within 2.5 spacings.

    A burr, however small, is a group of points and stays; so does the surface beside a gap.
    """
    if not len(points) or spacing <= 0:
        return np.zeros(len(points), dtype=bool)
    index = np.floor((points - points.min(axis=0)) / (REACH * spacing)).astype(np.int64) + 1
    shape = index.max(axis=0) + 2
    if float(shape[0]) * float(shape[1]) * float(shape[2]) > 2.0**62:
        return np.zeros(len(points), dtype=bool)
    key = (index[:, 0] * shape[1] + index[:, 1]) * shape[2] + index[:, 2]
    cells, inverse, counts = np.unique(key, return_inverse=True, return_counts=True)
    inverse = inverse.reshape(-1)
    # whoever shares a cube of that size with two others has company; only the rest are looked at
    suspects = counts <= LEAST_COMPANY
    around = np.zeros(len(cells), dtype=bool)
    for dx in (-1, 0, 1):
        for dy in (-1, 0, 1):
            for dz in (-1, 0, 1):
                wanted = cells[suspects] + (dx * shape[1] + dy) * shape[2] + dz
                place = np.minimum(np.searchsorted(cells, wanted), len(cells) - 1)
                around[place[cells[place] == wanted]] = True
    result = np.zeros(len(points), dtype=bool)
    asked = np.flatnonzero(suspects[inverse])
    if len(asked):
        from scipy.spatial import cKDTree

        members = points[around[inverse]]
        wanted_others = min(LEAST_COMPANY + 1, len(members))
        found = cKDTree(members).query(points[asked], k=[wanted_others], distance_upper_bound=REACH * spacing)[0]
        result[asked] = ~np.isfinite(np.asarray(found)[:, 0]) | (len(members) <= LEAST_COMPANY)
    return result
