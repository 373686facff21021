"""Distance between two features, along their normal, along a stated direction, or between axes and points."""

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
    found,
    middle,
    turned,
)
from runner.measure.element import array, direction, place
from runner.measure.found import FoundFeature
from runner.measure.specs import CharacteristicSpec

PARALLEL = np.cos(np.radians(2.0))
"""Axes count as parallel, planes too, within this; the drawing asked for a distance, so they are meant to be."""


def evaluate(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return the distance between the two features named."""
    if len(spec.features) != 2:
        return [Missing(spec.id, "a distance needs two features")]
    pair = [found(context, name) for name in spec.features]
    for feature in pair:
        if isinstance(feature, Missing):
            return [feature]
    a, b = (feature for feature in pair if not isinstance(feature, Missing))
    move = datum_movement(spec, context)
    if isinstance(move, Missing):
        return [move]
    name = f"{a.spec.name} and {b.spec.name}"
    if a.shape is None or b.shape is None or a.spec.shape is None or b.spec.shape is None:
        return [Missing(name, "a free surface region has no distance")]
    points = len(a.points) + len(b.points)
    seen = [f.coverage for f in (a, b) if f.coverage is not None]
    coverage = min(seen) if seen else None
    if spec.direction is not None:
        along = unit(array(spec.direction))
        value = _signed(a, b, along, turned_back(along, move))
        details: dict[str, float | str] = {"definition": "between the features' middles, along the stated direction"}
        return [Value(name, value, points=points, coverage=coverage, details=details)]
    value_or_reason = between(a, b)
    if isinstance(value_or_reason, str):
        return [Missing(name, value_or_reason)]
    value, definition = value_or_reason
    return [Value(name, value, points=points, coverage=coverage, details={"definition": definition})]


def turned_back(vector: Floats, matrix: Floats) -> Floats:
    """Return a direction of the datum frame in the fitted frame."""
    inverse = np.eye(4)
    inverse[:3, :3] = matrix[:3, :3].T
    return turned(vector, inverse)


def _signed(a: FoundFeature, b: FoundFeature, along_nominal: Floats, along: Floats) -> float:
    """Component of the way from a to b; positive where the nominal's is."""
    assert a.spec.shape is not None and b.spec.shape is not None
    nominal = float((place(b.spec.shape) - place(a.spec.shape)) @ along_nominal)
    measured = float((middle(b) - middle(a)) @ along)
    return measured if nominal >= 0 else -measured


def between(a: FoundFeature, b: FoundFeature) -> tuple[float, str] | str:
    """Return the distance of two measured features with its definition, or why there is none."""
    shape_a, shape_b = a.shape, b.shape
    assert shape_a is not None and shape_b is not None
    if isinstance(shape_a, Plane) and isinstance(shape_b, Plane):
        if abs(array(shape_a.normal) @ array(shape_b.normal)) < PARALLEL:
            return "the planes are not parallel: give a direction"
        ways = (abs(_above(shape_a, middle(b))), abs(_above(shape_b, middle(a))))
        return float(np.mean(ways)), "from each plane's middle to the other least-squares plane, the mean of both"
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


def _above(plane: Plane, point: Floats) -> float:
    return float((point - array(plane.point)) @ array(plane.normal))


def _is_axis(shape: Shape) -> bool:
    """Whether an element stands for a straight line (a circle's edge and a slot stand for a point)."""
    return isinstance(shape, Cylinder | Cone | Line) and not isinstance(shape, Circle | Slot | Sphere)
