"""Local sizes between two opposite faces: sheet thickness, width of a rib or a groove; their envelope."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from runner.geometry.fits.pair import mating_pair
from runner.geometry.fits.result import FailedFit
from runner.geometry.frames import invert, move_points, perpendicular, unit
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Plane
from runner.measure.characteristics.common import Context, Finding, Missing, Value
from runner.measure.characteristics.gather import coverage_of, critical, gather, joined, points_of
from runner.measure.element import array, as_surface, movement, natural_normals, signed_distance
from runner.measure.found import FoundFeature
from runner.measure.nearest import surface_of
from runner.measure.sided import nominal_normals
from runner.measure.specs import CharacteristicSpec

POINTS_PER_CELL = 100.0
MOST_CELLS = 400
PARALLEL = np.cos(np.radians(5.0))
OPPOSITE = np.cos(np.radians(10.0))
"""Two places are opposite when the way between them stands this square to the surface."""
LEAST_SHARE = 0.1
"""Of the places of the first face that need an opposite one that was seen."""


def evaluate(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return the local thicknesses of the sheet between two faces."""
    return [thickness(spec, context)]


def thickness(spec: CharacteristicSpec, context: Context) -> Finding:
    """Return the local sizes between two faces: of flat ones cell against cell, of others place by place."""
    pair = gather(spec, context, "a size between faces needs two opposite", 2, 2)
    if isinstance(pair, Missing):
        return pair
    a, b = pair
    name = joined(pair)
    if isinstance(a.shape, Plane) and isinstance(b.shape, Plane):
        return _between_planes(spec, a, b)
    if spec.kind != "thickness":
        return Missing(name, "a size between two features needs two planes")
    if spec.size_definition not in ("", "two-point"):
        return Missing(name, f"{spec.size_definition} thickness of a curved sheet is not available; two-point is")
    local = _over_nominal(a, b, context)
    if isinstance(local, str):
        return Missing(name, local)
    what = f"two-point, over means of {local.cell:.2g} mm cells on both sides of the nominal sheet"
    return _judged(spec, pair, local, {"definition": what})


@dataclass(frozen=True, eq=False)
class Local:
    """Local sizes."""

    values: Floats
    """(k,) mm."""
    noise: float
    """mm, standard deviation that noise gives one of them."""
    cell: float
    """mm, how far the means reach."""
    coverage: float | None


def _judged(
    spec: CharacteristicSpec, pair: list[FoundFeature], local: Local, details: dict[str, float | str]
) -> Finding:
    """All local values against the limits, less the scatter that noise explains."""
    values = local.values
    scatter = float(values.std())
    # what scatters no more than the noise of the means is not form
    shrink = float(np.sqrt(max(0.0, scatter**2 - local.noise**2)) / scatter) if scatter > 0 else 0.0
    values = values.mean() + shrink * (values - values.mean())
    judged = (float(values.min()), float(values.max()))
    details = details | {
        "smallest": judged[0],
        "largest": judged[1],
        "mean": float(values.mean()),
        "cells": float(len(values)),
    }
    value = critical(judged, spec)
    return Value(joined(pair), value, judged=judged, points=points_of(pair), coverage=local.coverage, details=details)


def _between_planes(spec: CharacteristicSpec, a: FoundFeature, b: FoundFeature) -> Finding:
    """Cells of one plane against the opposite cells of the other."""
    name = joined((a, b))
    assert isinstance(a.shape, Plane) and isinstance(b.shape, Plane)
    normal_a, normal_b = array(a.shape.normal), array(b.shape.normal)
    if normal_a @ normal_b > -PARALLEL:
        return Missing(name, "the two planes don't face each other")
    along = unit(normal_a - normal_b)
    global_size = abs(float((array(a.shape.point) - array(b.shape.point)) @ along))
    details: dict[str, float | str] = {"least-squares size": global_size}
    points, coverage = points_of((a, b)), coverage_of((a, b)) or 0.0
    if spec.size_definition == "GG":
        details["definition"] = "between the least-squares planes, at the first plane's point"
        return Value(name, global_size, points=points, coverage=coverage, details=details)
    u, v = perpendicular(along)
    spread = np.vstack([a.points, b.points]) @ np.column_stack([u, v])
    low = spread.min(axis=0)
    area = float(np.prod(np.maximum(np.ptp(a.points @ np.column_stack([u, v]), axis=0), 1e-9)))
    cells = float(np.clip(min(len(a.points), len(b.points)) / POINTS_PER_CELL, 1, MOST_CELLS))
    size = float(np.sqrt(area / cells))
    heights_a = _cell_means(a.points, u, v, along, low, size)
    heights_b = _cell_means(b.points, u, v, along, low, size)
    both = [key for key in heights_a if key in heights_b]
    if not both:
        return Missing(name, "two-point size needs opposite points: the two planes were not seen opposite each other")
    rib = bool((array(a.shape.point) - array(b.shape.point)) @ along > 0)
    sides = [_lifted(heights, u, v, along) for heights in ((heights_a, heights_b) if rib else (heights_b, heights_a))]
    # the envelope of a rib lies around it, that of a groove within
    inside = spec.size_definition == "GX" or (spec.size_definition == "envelope" and not rib)
    mating = None if spec.size_definition == "two-point" else mating_pair(sides[0], sides[1], along, inside=inside)
    if isinstance(mating, FailedFit):
        return Missing(name, mating.reason)
    if mating is not None and spec.size_definition != "envelope":
        word = "farthest apart between (GX)" if inside else "nearest around (GN)"
        details["definition"] = f"parallel planes {word} the means over {size:.2g} mm cells"
        return Value(name, mating.width, points=points, coverage=coverage, details=details)
    # the means belong to the middles of their points, which differ on the two sides: both are carried to one place by
    # the planes' slopes
    slope_a, slope_b = _slopes(normal_a, u, v, along), _slopes(normal_b, u, v, along)
    rows = [(heights_a[k], heights_b[k]) for k in both]
    centres = np.array([0.5 * (one.middle + two.middle) for one, two in rows])
    at_a = np.array([one.height + slope_a @ (c - one.middle) for (one, _), c in zip(rows, centres, strict=True)])
    at_b = np.array([two.height + slope_b @ (c - two.middle) for (_, two), c in zip(rows, centres, strict=True)])
    noise = float(np.sqrt(np.mean([one.variance + two.variance for one, two in rows])))
    local = Local(np.abs(at_a - at_b), noise, size, coverage)
    details["definition"] = f"two-point, over means of {size:.2g} mm cells"
    if mating is None:
        return _judged(spec, [a, b], local, details)
    return _envelope(spec, [a, b], local, details, mating.width)


def _lifted(heights: dict[tuple[int, int], _Mean], u: Floats, v: Floats, along: Floats) -> Floats:
    """The means (n, 3) of one side in space, mm."""
    return np.array([m.middle[0] * u + m.middle[1] * v + m.height * along for m in heights.values()])


def _envelope(
    spec: CharacteristicSpec, pair: list[FoundFeature], local: Local, details: dict[str, float | str], mating: float
) -> Finding:
    """The width of the parallel planes that touch both sides, with the local sizes (ASME Y14.5, Rule #1)."""
    got = _judged(spec, pair, local, details)
    if isinstance(got, Missing):
        return got
    every = (mating, *got.judged)
    details = dict(got.details) | {
        "definition": f"envelope and local size, over means of {local.cell:.2g} mm cells",
        "envelope": mating,
    }
    return Value(
        joined(pair), critical(every, spec), judged=every, points=got.points, coverage=got.coverage, details=details
    )


@dataclass(frozen=True, eq=False)
class _Mean:
    height: float
    variance: float
    middle: Floats


def _cell_means(
    points: Floats, u: Floats, v: Floats, along: Floats, low: Floats, size: float
) -> dict[tuple[int, int], _Mean]:
    """Mean height along the direction, its variance and the mean place (2,), by cell; thin cells left out."""
    flat = points @ np.column_stack([u, v])
    keys, inverse, counts = np.unique(
        np.floor((flat - low) / size).astype(np.int64), axis=0, return_inverse=True, return_counts=True
    )
    inverse = inverse.reshape(-1)
    height = points @ along
    mean = np.bincount(inverse, weights=height) / counts
    places = np.column_stack([np.bincount(inverse, weights=flat[:, k]) / counts for k in range(2)])
    squares = np.bincount(inverse, weights=(height - mean[inverse]) ** 2)
    inner = float(squares.sum() / max(len(points) - len(counts), 1))
    least = max(1.0, 0.3 * float(np.median(counts)))
    return {
        (int(k[0]), int(k[1])): _Mean(float(m), inner / float(n), p)
        for k, m, n, p in zip(keys, mean, counts, places, strict=True)
        if n >= least
    }


def _slopes(normal: Floats, u: Floats, v: Floats, along: Floats) -> Floats:
    """How fast a plane's height along a direction grows along u and v (2,)."""
    return -np.array([normal @ u, normal @ v]) / float(normal @ along)


def _over_nominal(a: FoundFeature, b: FoundFeature, context: Context) -> Local | str:
    """Local thickness at places of the first face: nominal thickness and the mean deviations of both sides there.

    Deviations are taken from the nominal carried along with the first face, so that neither a displaced sheet nor its
    curvature bends them.
    """
    if a.patch is None or b.patch is None:
        return "thickness is taken between two faces of the nominal"
    places = a.patch.samples
    step = max(1, len(places) // 2000)
    places = places[::step]
    facing = _normals(a, places, context)
    opposite, apart, square = _opposite(b, places, facing, context)
    if not square.any():
        return "the two faces don't lie opposite each other on the nominal"
    places, opposite, apart = places[square], opposite[square], apart[square]
    back = np.eye(4)
    if a.shape is not None and a.spec.shape is not None:
        back = invert(movement(as_surface(a.spec.shape), as_surface(a.shape)))
    sides = []
    cell = 3.0 * context.scene.spacing
    for feature, at in ((a, places), (b, opposite)):
        points = move_points(back, feature.points)
        sides.append(_local_means(points, _deviations(feature, points, context), at, cell))
    seen = np.isfinite(sides[0][0]) & np.isfinite(sides[1][0])
    if seen.mean() < LEAST_SHARE:
        return "two-point size needs opposite points: the two faces were not seen opposite each other"
    total = apart + sides[0][0] + sides[1][0]
    noise = float(np.sqrt(np.mean((sides[0][1] + sides[1][1])[seen])))
    return Local(total[seen], noise, cell, float(seen.mean()))


def _normals(feature: FoundFeature, places: Floats, context: Context) -> Floats:
    """Outward normals (k, 3) of the nominal at places of a face."""
    if feature.spec.shape is not None and feature.patch is not None:
        return feature.patch.outward * natural_normals(as_surface(feature.spec.shape), places)
    closest = context.index.closest(places)
    return np.asarray(nominal_normals(context.nominal)[closest.triangle], dtype=np.float64)


def _opposite(b: FoundFeature, places: Floats, facing: Floats, context: Context) -> tuple[Floats, Floats, np.ndarray]:
    """The nearest places (k, 3) of the other face, their distances, and which lie squarely below."""
    assert b.patch is not None
    foot = surface_of(b.patch, context.nominal).closest(places).point
    way = foot - places
    apart = np.linalg.norm(way, axis=1)
    square = -np.einsum("ij,ij->i", way, facing) >= OPPOSITE * np.maximum(apart, 1e-9)
    return foot, apart, square


def _deviations(feature: FoundFeature, points: Floats, context: Context) -> Floats:
    """Signed distances (n,) of a face's points from its nominal, + out of the material."""
    if feature.spec.shape is not None and feature.patch is not None:
        return feature.patch.outward * signed_distance(as_surface(feature.spec.shape), points)
    assert feature.patch is not None
    return surface_of(feature.patch, context.nominal).closest(points).distance


def _local_means(points: Floats, values: Floats, at: Floats, reach: float) -> tuple[Floats, Floats]:
    """Mean (k,) of values around places, NaN where fewer than four points are near, and its variance (k,)."""
    from scipy.spatial import cKDTree

    mean, variance = np.full(len(at), np.nan), np.full(len(at), np.nan)
    if not len(points):
        return mean, variance
    neighbours: list[list[int]] = list(cKDTree(points).query_ball_point(at, reach))  # type: ignore[arg-type]
    for row, near in enumerate(neighbours):
        if len(near) >= 4:
            mean[row] = float(values[near].mean())
            variance[row] = float(values[near].var(ddof=1)) / len(near)
    return mean, variance
