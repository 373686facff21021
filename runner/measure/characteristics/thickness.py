"""The size between two facing planes: sheet thickness, width of a rib or a groove."""

from __future__ import annotations

import numpy as np

from runner.geometry.frames import perpendicular, unit
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Plane
from runner.measure.characteristics.common import Context, Finding, Missing, Value, found
from runner.measure.element import array
from runner.measure.specs import CharacteristicSpec

POINTS_PER_CELL = 100.0
MOST_CELLS = 400
PARALLEL = np.cos(np.radians(5.0))


def thickness(spec: CharacteristicSpec, context: Context) -> Finding:
    """Return the local sizes between two planes: cells of one against the opposite cells of the other."""
    pair = [found(context, name) for name in spec.features]
    for feature in pair:
        if isinstance(feature, Missing):
            return feature
    a, b = (feature for feature in pair if not isinstance(feature, Missing))
    name = f"{a.spec.name} and {b.spec.name}"
    if not isinstance(a.shape, Plane) or not isinstance(b.shape, Plane):
        return Missing(name, "a size between two features needs two planes")
    normal_a, normal_b = array(a.shape.normal), array(b.shape.normal)
    if normal_a @ normal_b > -PARALLEL:
        return Missing(name, "the two planes don't face each other")
    along = unit(normal_a - normal_b)
    global_size = abs(float((array(a.shape.point) - array(b.shape.point)) @ along))
    u, v = perpendicular(along)
    spread = a.points @ np.column_stack([u, v])
    low = spread.min(axis=0)
    area = float(np.prod(np.maximum(spread.max(axis=0) - low, 1e-9)))
    cells = float(np.clip(min(len(a.points), len(b.points)) / POINTS_PER_CELL, 1, MOST_CELLS))
    size = float(np.sqrt(area / cells))
    heights_a = _cell_means(a.points, u, v, along, low, size)
    heights_b = _cell_means(b.points, u, v, along, low, size)
    both = [key for key in heights_a if key in heights_b]
    details: dict[str, float | str] = {"least-squares size": global_size, "cells": float(len(both))}
    points = len(a.points) + len(b.points)
    coverage = min(a.coverage or 0.0, b.coverage or 0.0)
    if spec.size_definition == "GG":
        details["definition"] = "between the least-squares planes, at the first plane's point"
        return Value(name, global_size, points=points, coverage=coverage, details=details)
    if spec.size_definition != "two-point":
        return Missing(name, f"{spec.size_definition} size between two planes is not available; two-point and GG are")
    if not both:
        return Missing(name, "two-point size needs opposite points: the two planes were not seen opposite each other")
    local = np.array([abs(heights_a[k][0] - heights_b[k][0]) for k in both])
    noise = np.sqrt(np.mean([heights_a[k][1] + heights_b[k][1] for k in both]))
    scatter = float(local.std())
    # what scatters no more than the noise of the means is not form
    shrink = float(np.sqrt(max(0.0, scatter**2 - noise**2)) / scatter) if scatter > 0 else 0.0
    local = local.mean() + shrink * (local - local.mean())
    judged = (float(local.min()), float(local.max()))
    details |= {
        "definition": f"two-point, over means of {size:.2g} mm cells",
        "smallest": judged[0],
        "largest": judged[1],
        "mean": float(local.mean()),
    }
    value = judged[0]
    if spec.upper is not None and (spec.lower is None or judged[1] - spec.upper > spec.lower - judged[0]):
        value = judged[1]
    return Value(name, value, judged=judged, points=points, coverage=coverage, details=details)


def _cell_means(
    points: Floats, u: Floats, v: Floats, along: Floats, low: Floats, size: float
) -> dict[tuple[int, int], tuple[float, float]]:
    """Mean height along the direction and its variance, by cell; thin cells left out."""
    index = np.floor((points @ np.column_stack([u, v]) - low) / size).astype(np.int64)
    keys, inverse, counts = np.unique(index, axis=0, return_inverse=True, return_counts=True)
    inverse = inverse.reshape(-1)
    height = points @ along
    mean = np.bincount(inverse, weights=height) / counts
    squares = np.bincount(inverse, weights=(height - mean[inverse]) ** 2)
    inner = float(squares.sum() / max(len(points) - len(counts), 1))
    least = max(1.0, 0.3 * float(np.median(counts)))
    return {
        (int(k[0]), int(k[1])): (float(m), inner / float(n))
        for k, m, n in zip(keys, mean, counts, strict=True)
        if n >= least
    }
