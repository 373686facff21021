"""How far the points of a scan scatter about the surface they lie on."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from runner.geometry.mesh import Floats

_PLACES = 1000
_NEIGHBOURS = 20
_ENOUGH = 80_000
_BLOCKS = 32
_LAYER = 8


def local_noise(points: Floats, normals: Floats | None = None, seed: int = 0) -> float:
    """Return the rms scatter, mm, of points about planes through 20 neighbours (median of 1000 places).

    Of many points only some blocks of space are looked at, but these with all their points: neighbours in a thinned
    cloud would lie on both faces of a sheet, and its thickness would pass for noise. Where ``normals`` (n, 3) are
    given, with or without sign, the two faces are told apart: by sign, or by the gap between their heights.
    """
    from scipy.spatial import cKDTree

    if len(points) < 50:
        return 0.0
    random = np.random.default_rng(seed)
    if len(points) > 2 * _ENOUGH:
        rows = points_in_blocks(points, random)
        points, normals = points[rows], None if normals is None else normals[rows]
    places = random.choice(len(points), size=min(_PLACES, len(points)), replace=False)
    _, near = cKDTree(points).query(points[places], k=min(_NEIGHBOURS, len(points)), workers=2)
    around = points[near] - points[near].mean(axis=1, keepdims=True)
    values, vectors = np.linalg.eigh(np.einsum("nki,nkj->nij", around, around))
    scatter = np.sqrt(np.maximum(values[:, 0], 0.0) / (near.shape[1] - 3))
    up = vectors[:, :, 0] if normals is None else normals[places]
    height = np.sort(np.einsum("nkj,nj->nk", around, up), axis=1)
    for place in np.flatnonzero(_two_layers(height)):
        scatter[place] = _one_layer(around[place], up[place])
    good = np.isfinite(scatter)
    return float(np.median(scatter[good])) if good.any() else 0.0


def _two_layers(height: Floats) -> NDArray[np.bool_]:
    """Whether sorted heights (n, k) fall into two groups with a wide gap between: both faces of a sheet."""
    step = np.diff(height, axis=1)
    widest = step.max(axis=1)
    return np.asarray(widest > 0.35 * (height[:, -1] - height[:, 0]))


def _one_layer(around: Floats, normal: Floats) -> float:
    """Scatter of the larger of two layers about its own plane; NaN when it has too few points for one."""
    height = around @ normal
    order = np.argsort(height)
    cut = int(np.argmax(np.diff(height[order]))) + 1
    layer = around[order[:cut] if 2 * cut > len(order) else order[cut:]]
    if len(layer) < _LAYER:
        return float("nan")
    layer = layer - layer.mean(axis=0)
    smallest = float(np.linalg.eigvalsh(layer.T @ layer)[0])
    return float(np.sqrt(max(smallest, 0.0) / (len(layer) - 3)))


def points_in_blocks(points: Floats, random: np.random.Generator) -> NDArray[np.int64]:
    """Return the rows of all points in so many blocks of space that there are enough."""
    some = points[random.integers(len(points), size=20_000)]
    low, high = np.percentile(some, [0.5, 99.5], axis=0)
    cell = max(float((high - low).max()), 1e-9) / _BLOCKS
    key = np.zeros(len(points), dtype=np.int64)
    for axis in range(3):
        at = np.clip((points[:, axis] - low[axis]) / cell, 0, _BLOCKS - 1).astype(np.int64)
        key = key * _BLOCKS + at
    count = np.bincount(key, minlength=_BLOCKS**3)
    full = random.permutation(np.flatnonzero(count >= 5 * _NEIGHBOURS))
    if not len(full):
        return np.sort(random.choice(len(points), _ENOUGH, replace=False))
    # the first blocks that hold enough together
    last = int(np.searchsorted(np.cumsum(count[full]), _ENOUGH)) + 1
    chosen = np.zeros(len(count), dtype=bool)
    chosen[full[:last]] = True
    return np.flatnonzero(chosen[key])
