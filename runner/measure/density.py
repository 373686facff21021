"""Several scans of different spacing put together: how much surface each point stands for."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from runner.geometry.mesh import Floats, Ints
from runner.measure.cells import make_cells, typical_spacing

CELL_SPACINGS = 4.0
"""Edge of the cubes, in point spacings of the sparsest scan, in which it is told which scans saw a place."""


def share_of_surface(points: Floats, scan: NDArray[np.uint8], face: Ints, scans: int) -> Floats:
    """Return the relative area (n,) per point, mean 1, of points (n, 3) of several scans.

    Each scan counts with one density of its own, as it does when it is measured alone: what stripes and slanting views
    do within one scan is left as it is. Where several scans saw the same stretch of a face their densities add up.
    """
    if not len(points):
        return np.zeros(0)
    density = np.zeros(scans)
    for k in range(scans):
        own = points[scan == k]
        spacing = typical_spacing(own, make_cells(own)) if len(own) else 0.0
        density[k] = 1.0 / spacing**2 if spacing > 0 else 0.0
    if not (density > 0).any():
        return np.ones(len(points))
    size = CELL_SPACINGS / float(np.sqrt(density[density > 0].min()))
    cube = np.floor((points - points.min(axis=0)) / size).astype(np.int64)
    shape = cube.max(axis=0) + 1
    key = ((face.astype(np.int64) * shape[0] + cube[:, 0]) * shape[1] + cube[:, 1]) * shape[2] + cube[:, 2]
    _, cell = np.unique(key, return_inverse=True)
    cell = cell.reshape(-1)
    total = np.zeros(int(cell.max()) + 1)
    for k in range(scans):
        total[np.unique(cell[scan == k])] += density[k]
    share = 1.0 / np.where(total[cell] > 0, total[cell], density[density > 0].min())
    return np.asarray(share / share.mean(), dtype=np.float64)
