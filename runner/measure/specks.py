"""Isolated points: the only ones that are ever rejected, since a rejected burr would be a lie."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from runner.geometry.mesh import Floats

REACH = 4.0
"""A point is isolated when hardly another one lies within about this many point spacings."""
LEAST_COMPANY = 3
"""Points, itself included, that its neighbourhood must hold."""


def isolated(points: Floats, spacing: float) -> NDArray[np.bool_]:
    """Return which points (n,) are isolated: fewer than 3 points in the 27 cubes of 4 spacings around them."""
    if not len(points) or spacing <= 0:
        return np.zeros(len(points), dtype=bool)
    index = np.floor((points - points.min(axis=0)) / (REACH * spacing)).astype(np.int64) + 1
    shape = index.max(axis=0) + 2
    if float(shape[0]) * float(shape[1]) * float(shape[2]) > 2.0**62:
        return np.zeros(len(points), dtype=bool)
    key = (index[:, 0] * shape[1] + index[:, 1]) * shape[2] + index[:, 2]
    cells, inverse, counts = np.unique(key, return_inverse=True, return_counts=True)
    company = counts.copy()
    lonely = counts < LEAST_COMPANY
    if lonely.any():
        suspects = cells[lonely]
        total = np.zeros(len(suspects), dtype=np.int64)
        for dx in (-1, 0, 1):
            for dy in (-1, 0, 1):
                for dz in (-1, 0, 1):
                    wanted = suspects + (dx * shape[1] + dy) * shape[2] + dz
                    place = np.minimum(np.searchsorted(cells, wanted), len(cells) - 1)
                    total += np.where(cells[place] == wanted, counts[place], 0)
        company[lonely] = total
    result: NDArray[np.bool_] = (company < LEAST_COMPANY)[inverse.reshape(-1)]
    return result
