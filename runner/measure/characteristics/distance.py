"""Distance between two features: between their middles, nearest or farthest, along their normal or a direction."""

from __future__ import annotations

import numpy as np

from runner.geometry.frames import unit
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Circle, Cone, Cylinder, Line, Plane, Shape, Slot, Sphere
from runner.measure.characteristics.common import (
    Context,
    Finding,
    Missing,
    Value,
    datum_movement,
    middle,
    turned,
)
from runner.measure.characteristics.gather import coverage_of, gather, joined, points_of
from runner.measure.element import array, direction, place, signed_distance
from runner.measure.found import FoundFeature
from runner.measure.specs import CharacteristicSpec

PARALLEL = np.cos(np.radians(2.0))
"""Axes count as parallel, planes too, within this; the drawing asked for a distance, so they are meant to be."""
ENDS = {"nearest": -1.0, "farthest": 1.0}


def evaluate(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return the distance between the two features named."""
    pair = gather(spec, context, "a distance needs two", 2, 2)
    if isinstance(pair, Missing):
        return [pair]
    a, b = pair
    move = datum_movement(spec, context)
    if isinstance(move, Missing):
        return [move]
    name = joined(pair)
    if a.shape is None or b.shape is None or a.spec.shape is None or b.spec.shape is None:
        return [Missing(name, "a free surface region has no distance")]
    if spec.quantity not in ("", "middles", *ENDS):
        return [Missing(name, f"a distance is taken between middles, nearest or farthest, not {spec.quantity!r}")]
    end = ENDS.get(spec.quantity)
    answer: tuple[float, str] | str
    if spec.direction is not None:
        along = unit(array(spec.direction))
        answer = _along(a, b, along, turned_back(along, move), end)
    elif end is None:
        answer = between(a, b)
    else:
        answer = extreme(a, b, end)
    if isinstance(answer, str):
        return [Missing(name, answer)]
    value, definition = answer
    return [Value(name, value, points=points_of(pair), coverage=coverage_of(pair), details={"definition": definition})]


def turned_back(vector: Floats, matrix: Floats) -> Floats:
    """Return a direction of the datum frame in the fitted frame."""
    inverse = np.eye(4)
    inverse[:3, :3] = matrix[:3, :3].T
    return turned(vector, inverse)


def _along(
    a: FoundFeature, b: FoundFeature, along_nominal: Floats, along: Floats, end: float | None
) -> tuple[float, str] | str:
    """Component of the way from a to b; positive where the nominal's is."""
    assert a.spec.shape is not None and b.spec.shape is not None and a.shape is not None and b.shape is not None
    nominal = float((place(b.spec.shape) - place(a.spec.shape)) @ along_nominal)
    measured = float((middle(b) - middle(a)) @ along)
    value = measured if nominal >= 0 else -measured
    if end is None:
        return value, "between the features' middles, along the stated direction"
    for feature in (a, b):
        if isinstance(feature.shape, Plane) and abs(array(feature.shape.normal) @ along) < PARALLEL:
            return f'"{feature.spec.name}" is not square to the direction: it has no nearest place along it'
        if isinstance(feature.shape, Line | Cone):
            return f'"{feature.spec.name}" has no end along a direction'
    word = "nearest" if end < 0 else "farthest"
    halves = half_extent(a.shape, along) + half_extent(b.shape, along)
    return value + end * halves, f"between the {word} places of both, along the stated direction"


def half_extent(shape: Shape, along: Floats) -> float:
    """Return how far an element reaches from its middle along a unit direction, mm: 0 for a point or a square plane."""
    if isinstance(shape, Sphere):
        return shape.radius
    axis = direction(shape)
    if axis is None or isinstance(shape, Plane):
        return 0.0
    across = float(np.sqrt(max(0.0, 1.0 - float(axis @ along) ** 2)))
    if isinstance(shape, Circle | Cylinder):
        return shape.radius * across
    if isinstance(shape, Slot):
        long = unit(array(shape.along))
        if shape.round_ends:
            half = 0.5 * (shape.length - shape.width)
            return half * abs(float(long @ along)) + 0.5 * shape.width * across
        wide = np.cross(axis, long)
        return 0.5 * (shape.length * abs(float(long @ along)) + shape.width * abs(float(wide @ along)))
    return 0.0


def between(a: FoundFeature, b: FoundFeature) -> tuple[float, str] | str:
    """Return the distance of two measured features with its definition, or why there is none."""
    shape_a, shape_b = a.shape, b.shape
    assert shape_a is not None and shape_b is not None
    if isinstance(shape_a, Plane) and isinstance(shape_b, Plane):
        if abs(array(shape_a.normal) @ array(shape_b.normal)) < PARALLEL:
            return "the planes are not parallel: give a direction"
        ways = (abs(_above(shape_a, middle(b))), abs(_above(shape_b, middle(a))))
        # the tilt of a small face, poorly known, must not count over the way to the middle of a large one
        sizes = [f.patch.area if f.patch is not None else 1.0 for f in (a, b)]
        if a.patch is None or b.patch is None:
            sizes = [1.0, 1.0]
        value = float(np.average(ways, weights=sizes))
        return value, "from each one's middle to the other least-squares plane, the mean weighted by that plane's area"
    if isinstance(shape_a, Plane):
        return abs(_above(shape_a, middle(b))), "from the plane to the other feature's middle"
    if isinstance(shape_b, Plane):
        return abs(_above(shape_b, middle(a))), "from the plane to the other feature's middle"
    line_a, line_b = _is_axis(shape_a), _is_axis(shape_b)
    if line_a and line_b:
        axis_a, axis_b = direction(shape_a), direction(shape_b)
        assert axis_a is not None and axis_b is not None
        if abs(axis_a @ axis_b) < PARALLEL:
            cross = unit(np.cross(axis_a, axis_b))
            return abs(float((place(shape_b) - place(shape_a)) @ cross)), "shortest way between the two axes"
        offset = middle(b) - middle(a)
        mean = unit(axis_a + (axis_b if axis_a @ axis_b > 0 else -axis_b))
        return float(np.linalg.norm(offset - (offset @ mean) * mean)), "between the axes, at the features' middles"
    if line_a or line_b:
        line, other = (shape_a, b) if line_a else (shape_b, a)
        axis = direction(line)
        assert axis is not None
        offset = middle(other) - place(line)
        return float(np.linalg.norm(offset - (offset @ axis) * axis)), "from the axis to the other feature's middle"
    return float(np.linalg.norm(middle(b) - middle(a))), "between the features' middles"


def extreme(a: FoundFeature, b: FoundFeature, end: float) -> tuple[float, str] | str:
    """Return the least (``end`` -1) or greatest (+1) distance of the places of two features, or why there is none."""
    shape_a, shape_b = a.shape, b.shape
    assert shape_a is not None and shape_b is not None
    word = "nearest" if end < 0 else "farthest"
    if isinstance(shape_a, Plane) and isinstance(shape_b, Plane):
        return _plane_to_plane(a, b, end)
    for feature in (a, b):
        if isinstance(feature.shape, Slot | Cone):
            return f"the {word} place of a {feature.spec.kind} needs a direction"
    radius_a, radius_b = (float(getattr(s, "radius", 0.0)) for s in (shape_a, shape_b))
    for plane, other in ((shape_a, shape_b), (shape_b, shape_a)):
        axis = direction(other)
        if isinstance(plane, Plane) and axis is not None:
            slope = abs(float(axis @ array(plane.normal)))
            if slope > np.sqrt(1.0 - PARALLEL**2):
                return f"the axis is not parallel to the plane: the {word} place needs a direction"
    if _skew_circles(shape_a, shape_b):
        return f"the circles don't lie in parallel planes: the {word} place needs a direction"
    core = between(a, b)
    if isinstance(core, str):
        return core
    apart, definition = core
    text = f"between the {word} places: {definition}, {'less' if end < 0 else 'and'} the radii"
    if end > 0:
        return apart + radius_a + radius_b, text
    if radius_a > 0 and radius_b > 0 and apart < abs(radius_a - radius_b):
        return abs(radius_a - radius_b) - apart, f"between the {word} places, one inside the other"
    return max(0.0, apart - radius_a - radius_b), text


def _skew_circles(a: Shape, b: Shape) -> bool:
    """Whether one is a circle whose axis is not parallel to the other's."""
    if not (isinstance(a, Circle | Cylinder) and isinstance(b, Circle | Cylinder)):
        return False
    if not (isinstance(a, Circle) or isinstance(b, Circle)):
        return False
    return abs(float(array(a.axis) @ array(b.axis))) < PARALLEL


def _plane_to_plane(a: FoundFeature, b: FoundFeature, end: float) -> tuple[float, str] | str:
    """Least or greatest distance of the places of each face from the other plane."""
    plane_a, plane_b = a.shape, b.shape
    assert isinstance(plane_a, Plane) and isinstance(plane_b, Plane)
    if abs(array(plane_a.normal) @ array(plane_b.normal)) < PARALLEL:
        return "the planes are not parallel: give a direction"
    every = []
    for face, plane, other in ((a, plane_a, plane_b), (b, plane_b, plane_a)):
        places = middle(face)[None] if face.patch is None else face.patch.samples
        on_face = places - signed_distance(plane, places)[:, None] * array(plane.normal)
        every.append(np.abs(signed_distance(other, on_face)))
    value = min(float(v.min()) for v in every) if end < 0 else max(float(v.max()) for v in every)
    word = "least" if end < 0 else "greatest"
    return value, f"{word} distance of the least-squares planes over the extents of both faces"


def _above(plane: Plane, point: Floats) -> float:
    return float((point - array(plane.point)) @ array(plane.normal))


def _is_axis(shape: Shape) -> bool:
    """Whether an element stands for a straight line (a circle's edge and a slot stand for a point)."""
    return isinstance(shape, Cylinder | Cone | Line)
