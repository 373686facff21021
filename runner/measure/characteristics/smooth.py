"""Gaussian means of deviations over a surface of any shape."""

from __future__ import annotations

import numpy as np

from runner.geometry.fits.filters import ALPHA
from runner.geometry.mesh import Floats


def smoothed(points: Floats, distance: Floats, cutoff: float) -> Floats:
    """Return the Gaussian means (k,) of deviations (n,) at points (n, 3), about a quarter cut-off apart.

    The weight is that of ISO 16610-61 over straight-line distances, which equal those along the surface for a cut-off
    well below its radius of curvature. The two sides of thin sheet are told apart by nothing here: pass one side.
    """
    from scipy.spatial import cKDTree

    step = cutoff / 8.0
    index = np.floor((points - points.min(axis=0)) / step).astype(np.int64)
    shape = index.max(axis=0) + 1
    key = (index[:, 0] * shape[1] + index[:, 1]) * shape[2] + index[:, 2]
    _, inverse, counts = np.unique(key, return_inverse=True, return_counts=True)
    inverse = inverse.reshape(-1)
    places = np.column_stack([np.bincount(inverse, weights=points[:, k]) for k in range(3)]) / counts[:, None]
    mean = np.bincount(inverse, weights=distance) / counts
    coarse = np.floor(places / (cutoff / 4.0)).astype(np.int64)
    _, first = np.unique(coarse, axis=0, return_index=True)
    targets = places[np.sort(first)]
    tree = cKDTree(places)
    result = np.empty(len(targets))
    for start in range(0, len(targets), 2000):
        block = targets[start : start + 2000]
        near = tree.query_ball_point(block, 1.1 * cutoff)
        sizes = np.array([len(n) for n in np.atleast_1d(near)])
        rows = np.repeat(np.arange(len(block)), sizes)
        members = np.concatenate([np.asarray(n, dtype=np.int64) for n in near])
        square = np.sum((places[members] - block[rows]) ** 2, axis=1)
        weight = counts[members] * np.exp(-np.pi * square / (ALPHA * cutoff) ** 2)
        total = np.bincount(rows, weights=weight, minlength=len(block))
        result[start : start + 2000] = np.bincount(rows, weights=weight * mean[members], minlength=len(block)) / total
    return result
