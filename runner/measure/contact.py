"""Points that a datum touches: cell means, so that a datum plane does not rest on the noise of single points.

Pure noise of many points lies some four standard deviations outside the surface; a plane that touches the outermost
scan point would stand off by that much. Means over small cells are touched instead, and what is left of the noise in
them is taken out by shrinking them towards the least-squares element as far as their scatter is noise.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from runner.geometry.frames import perpendicular
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Cylinder, Plane
from runner.measure.element import array, axial, natural_normals, signed_distance
from runner.measure.found import FoundFeature

POINTS_PER_CELL = 200.0
LEAST_CELLS = 60
MOST_CELLS = 2000


def contact_points(feature: FoundFeature) -> tuple[Floats, str]:
    """Return cell means (k, 3) of a measured plane or cylinder, and the size of the cells in words."""
    points, shape = feature.points, feature.shape
    assert isinstance(shape, Plane | Cylinder)
    flat, extent = _unrolled(points, shape)
    area = max(float(np.prod(np.maximum(extent, 1e-9))), 1e-9)
    cells = float(np.clip(len(points) / POINTS_PER_CELL, LEAST_CELLS, MOST_CELLS))
    size = float(np.sqrt(area / cells))
    inverse, counts = _cells(flat, extent, size)
    residual = signed_distance(shape, points)
    feet = points - residual[:, None] * natural_normals(shape, points)
    middles = np.column_stack([np.bincount(inverse, weights=feet[:, k]) for k in range(3)]) / counts[:, None]
    mean = np.bincount(inverse, weights=residual) / counts
    # a thinly filled cell's mean is hardly better than a single point
    enough = counts >= max(1.0, 0.25 * float(np.median(counts)))
    # the noise of a point, from cells so small that the form hardly changes in them
    fine, fine_counts = _cells(flat, extent, size / 4.0)
    fine_mean = np.bincount(fine, weights=residual) / fine_counts
    squares = float(np.sum((residual - fine_mean[fine]) ** 2))
    inner = squares / max(len(points) - len(fine_counts), 1)
    noise2 = float(np.mean(inner / counts[enough]))
    seen2 = float(np.mean(mean[enough] ** 2))
    # below three standard deviations of its own sampling, the scatter of the means is taken for noise altogether
    noise_alone = seen2 <= noise2 * (1.0 + 3.0 * float(np.sqrt(2.0 / max(int(enough.sum()), 1))))
    shrink = 0.0 if noise_alone else float(np.sqrt((seen2 - noise2) / seen2))
    middles, mean = middles[enough], mean[enough] * shrink
    if isinstance(shape, Cylinder):
        # means of feet lie inside a curved cell's surface: put them back on the element
        middles = middles - signed_distance(shape, middles)[:, None] * natural_normals(shape, middles)
    return middles + mean[:, None] * natural_normals(shape, middles), f"{size:.2g} mm cells"


def _cells(flat: Floats, extent: Floats, size: float) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Cell (n,) of each place, and the number of places (k,) in each; the extent is divided evenly."""
    number = np.maximum(np.round(extent / size), 1).astype(np.int64)
    step = np.maximum(extent, 1e-12) / number
    index = np.minimum(np.floor((flat - flat.min(axis=0)) / step).astype(np.int64), number - 1)
    _, inverse, counts = np.unique(index[:, 0] * number[1] + index[:, 1], return_inverse=True, return_counts=True)
    return inverse.reshape(-1).astype(np.int64), counts.astype(np.int64)


def _unrolled(points: Floats, shape: Plane | Cylinder) -> tuple[Floats, Floats]:
    """Points in the plane, or on the unrolled cylinder, (n, 2), and their extent (2,)."""
    if isinstance(shape, Plane):
        u, v = perpendicular(array(shape.normal))
        offset = points - array(shape.point)
        flat = np.column_stack([offset @ u, offset @ v])
    else:
        axis = array(shape.axis)
        u, v = perpendicular(axis)
        height, _, _ = axial(points, array(shape.point), axis)
        offset = points - array(shape.point)
        flat = np.column_stack([shape.radius * np.arctan2(offset @ v, offset @ u), height])
    return flat, np.asarray(flat.max(axis=0) - flat.min(axis=0))
