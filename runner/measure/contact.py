"""Points that a datum touches: cell means, so that a datum plane does not rest on the noise of single points.

Pure noise of many points lies some four standard deviations outside the surface; a plane that touches the outermost
scan point would stand off by that much. Means over small cells are touched instead, and what is left of the noise in
them is taken out by shrinking them towards the least-squares element as far as their scatter is noise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runner.geometry.frames import move_points, perpendicular, unit
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Circle, Cone, Cylinder, Plane, Shape, Slot, Sphere, vector
from runner.measure.element import array, axial, direction, natural_normals, place, signed_distance, slot_axes
from runner.measure.found import FoundFeature
from runner.measure.specs import FormFilter
from runner.measure.twists import rows_of_points

LEAST_WALL = 8
POINTS_PER_CELL = 200.0
LEAST_CELLS = 60
MOST_CELLS = 2000


@dataclass(frozen=True, eq=False)
class Face:
    """A side of a datum feature as it is touched."""

    points: Floats
    """(n, 3) mm, fitted frame."""
    wanted: Shape
    """Where it belongs, in the drawing's frame: plane, cylinder, cone or sphere."""
    outward: int
    """+1: the natural normal of ``wanted`` points out of the material; -1: into it (a bore)."""

    def heights(self, move: Floats) -> Floats:
        """Return how far (n,), mm, the points stand out of ``wanted``, away from the material, after a movement."""
        return self.outward * signed_distance(self.wanted, move_points(move, self.points))

    def rows(self, move: Floats, centre: Floats) -> Floats:
        """Return how the heights grow (n, 6) per twist about ``centre``."""
        now = move_points(move, self.points)
        return self.outward * rows_of_points(now, natural_normals(self.wanted, now), centre)


def faces(feature: FoundFeature, judge: FormFilter) -> tuple[list[Face], str] | str:
    """Return the sides of a measured datum feature after its filter, and the filter in words; or why there are none."""
    nominal, shape = feature.spec.shape, feature.shape
    if feature.spec.source != "surface" or not len(feature.points) or nominal is None or shape is None:
        return "it has no surface points of its own"
    outward = feature.patch.outward if feature.patch is not None else 1
    if isinstance(nominal, Slot) and isinstance(shape, Slot):
        return _walls(feature, nominal, shape, judge)
    if isinstance(nominal, Circle) and isinstance(shape, Circle):
        # the section of a wall: its points are those of the wall
        nominal = Cylinder(nominal.centre, nominal.axis, nominal.radius)
        shape = Cylinder(shape.centre, shape.axis, shape.radius)
    if not isinstance(nominal, Plane | Cylinder | Cone | Sphere) or type(nominal) is not type(shape):
        return f"a {feature.spec.kind} has no rule for touching it"
    if isinstance(nominal, Cylinder | Cone | Sphere) and feature.patch is None:
        return "it isn't known on which side its material lies"
    got = touched(feature.points, shape, judge)
    return got if isinstance(got, str) else ([Face(got[0], nominal, outward)], got[1])


def _walls(feature: FoundFeature, nominal: Slot, shape: Slot, judge: FormFilter) -> tuple[list[Face], str] | str:
    """The two straight walls of a slot."""
    centre, along, across, _ = slot_axes(shape)
    half = 0.5 * (shape.length - (shape.width if shape.round_ends else 0.0))
    offset = feature.points - centre
    straight = np.abs(offset @ along) <= half
    wanted_centre, _, wanted_across, _ = slot_axes(nominal)
    if wanted_across @ across < 0:
        across = -across
    pieces, words = [], ""
    for side in (1.0, -1.0):
        wall = feature.points[straight & (side * (offset @ across) > 0.25 * shape.width)]
        if len(wall) < LEAST_WALL:
            return "too few points lie on one of its straight sides"
        seen = Plane(vector(centre + side * shape.width / 2 * across), vector(-side * across))
        got = touched(wall, seen, judge)
        if isinstance(got, str):
            return got
        way = -side * wanted_across
        pieces.append(Face(got[0], Plane(vector(wanted_centre - nominal.width / 2 * way), vector(way)), 1))
        words = got[1]
    return pieces, words


def touched(points: Floats, shape: Shape, judge: FormFilter) -> tuple[Floats, str] | str:
    """Return the points (k, 3) of a face after its filter and the filter in words; or why there are none."""
    if judge.kind == "default":
        return cell_means(points, shape)
    if judge.kind == "none":
        return points, "all points, unfiltered"
    if not isinstance(shape, Plane | Cylinder):
        return f"the filter {judge.kind!r} is for planes and cylinders"
    from runner.measure.characteristics.form_points import cylinder_profile, plane_profile

    got = plane_profile(points, shape, judge) if isinstance(shape, Plane) else cylinder_profile(points, shape, judge)
    if isinstance(got, str):
        return got
    return got, f"a Gaussian filter of {judge.cutoff:g} mm" if judge.kind == "gaussian" else f"the {judge.kind}"


def contact_points(feature: FoundFeature) -> tuple[Floats, str]:
    """Return cell means (k, 3) of a measured plane or cylinder, and the size of the cells in words."""
    assert feature.shape is not None
    return cell_means(feature.points, feature.shape)


def cell_means(points: Floats, shape: Shape) -> tuple[Floats, str]:
    """Return means (k, 3) over small cells of a face, and the size of the cells in words."""
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
    if not isinstance(shape, Plane):
        # means of feet lie inside a curved cell's surface: put them back on the element
        middles = middles - signed_distance(shape, middles)[:, None] * natural_normals(shape, middles)
    return middles + mean[:, None] * natural_normals(shape, middles), f"means over {size:.2g} mm cells"


def _cells(flat: Floats, extent: Floats, size: float) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Cell (n,) of each place, and the number of places (k,) in each; the extent is divided evenly."""
    number = np.maximum(np.round(extent / size), 1).astype(np.int64)
    step = np.maximum(extent, 1e-12) / number
    index = np.minimum(np.floor((flat - flat.min(axis=0)) / step).astype(np.int64), number - 1)
    _, inverse, counts = np.unique(index[:, 0] * number[1] + index[:, 1], return_inverse=True, return_counts=True)
    return inverse.reshape(-1).astype(np.int64), counts.astype(np.int64)


def _unrolled(points: Floats, shape: Shape) -> tuple[Floats, Floats]:
    """Points in the plane, or on the unrolled cylinder, cone or sphere, (n, 2), and their extent (2,)."""
    if isinstance(shape, Plane):
        u, v = perpendicular(array(shape.normal))
        offset = points - array(shape.point)
        flat = np.column_stack([offset @ u, offset @ v])
    elif isinstance(shape, Sphere):
        # equal areas: height and turn (Archimedes), about the direction in which the face lies
        offset = points - array(shape.centre)
        pole = unit(offset.mean(axis=0) + 1e-9)
        u, v = perpendicular(pole)
        flat = shape.radius * np.column_stack([np.arctan2(offset @ v, offset @ u), offset @ pole / shape.radius])
    else:
        axis = direction(shape)
        assert axis is not None
        u, v = perpendicular(axis)
        height, distance, _ = axial(points, place(shape), axis)
        offset = points - place(shape)
        radius = shape.radius if isinstance(shape, Cylinder) else float(distance.mean())
        flat = np.column_stack([radius * np.arctan2(offset @ v, offset @ u), height])
    return flat, np.asarray(flat.max(axis=0) - flat.min(axis=0))
