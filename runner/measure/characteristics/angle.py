"""Angle between two features: of their directions, in a plane of projection, or between two faces at their vertex."""

from __future__ import annotations

import numpy as np

from runner.geometry.frames import unit
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Circle, Plane, Shape, Slot
from runner.measure.characteristics.bend import angle_noise
from runner.measure.characteristics.between_faces import angle_of, enclosed
from runner.measure.characteristics.common import Context, Finding, Missing, Value, datum_movement
from runner.measure.characteristics.distance import turned_back
from runner.measure.characteristics.gather import coverage_of, gather, joined, points_of
from runner.measure.element import array, direction
from runner.measure.found import FoundFeature
from runner.measure.specs import CharacteristicSpec

STEEPEST = float(np.sin(np.radians(10.0)))
"""A direction that stands within 10 degrees of the normal of the plane of projection has no clear image in it."""


def evaluate(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return the angle, rad, between the two features named."""
    pair = gather(spec, context, "an angle needs two", 2, 2)
    if isinstance(pair, Missing):
        return [pair]
    a, b = pair
    name = joined(pair)
    for feature in pair:
        if isinstance(feature.shape, Circle | Slot) and feature.spec.source == "surface":
            return [Missing(name, f'the axis of the {feature.spec.kind} "{feature.spec.name}" is held, not measured')]
    if a.spec.shape is None or b.spec.shape is None or a.shape is None or b.shape is None:
        return [Missing(name, "an angle needs two features with a direction")]
    move = datum_movement(spec, context)
    if isinstance(move, Missing):
        return [move]
    answer = _angle(spec, a, b, move)
    if isinstance(answer, str):
        return [Missing(name, answer)]
    value, definition = answer
    details: dict[str, float | str] = {"definition": definition}
    standard = angle_noise(a, b)
    if standard is not None:
        details["standard deviation from noise, deg"] = float(np.degrees(standard))
    return [Value(name, value, points=points_of(pair), coverage=coverage_of(pair), details=details)]


def _angle(spec: CharacteristicSpec, a: FoundFeature, b: FoundFeature, move: Floats) -> tuple[float, str] | str:
    """The angle of the measured elements and its definition; or why there is none."""
    assert a.spec.shape is not None and b.spec.shape is not None and a.shape is not None and b.shape is not None
    if spec.quantity not in ("", "directions", "faces"):
        return f"an angle is taken between directions or faces, not {spec.quantity!r}"
    if spec.quantity == "faces":
        if spec.direction is not None:
            return "an angle between faces is not projected: leave out the direction"
        inside = enclosed(a, b)
        if isinstance(inside, str):
            return inside
        return inside, "at the vertex, between the half planes towards the middles of both faces"
    if spec.direction is not None:
        normal = unit(array(spec.direction))
        value = projected(a.shape, b.shape, turned_back(normal, move))
        nominal = projected(a.spec.shape, b.spec.shape, normal)
        text = "between the least-squares directions, projected along the stated direction"
        if value is None or nominal is None:
            return "one of the two stands along the direction of projection, or has no direction"
        # counted the way round in which the nominal opens, on beyond 0 and 180 degrees
        turn = value if nominal >= 0 else -value
        size = abs(nominal)
        value, nominal = size + float(np.remainder(turn - size + np.pi, 2 * np.pi) - np.pi), size
    else:
        value, nominal = between(a.shape, b.shape), between(a.spec.shape, b.spec.shape)
        text = "between the least-squares directions"
        if value is None or nominal is None:
            return "an angle needs two features with a direction"
    if spec.nominal is not None and abs((np.pi - nominal) - spec.nominal) < abs(nominal - spec.nominal):
        # the drawing gives the supplement: it measures the other of the two angles at the vertex
        value = np.pi - value
    return float(value), text


def between(a: Shape, b: Shape) -> float | None:
    """Return the angle, rad: of normals for two planes, of directions for two axes, of plane and axis otherwise."""
    first, second = direction(a), direction(b)
    if first is None or second is None:
        return None
    angle = angle_of(first, second)
    if isinstance(a, Plane) != isinstance(b, Plane):
        return float(abs(np.pi / 2 - angle))
    return angle


def projected(a: Shape, b: Shape, normal: Floats) -> float | None:
    """Return the signed angle, rad, from one direction's image to the other's in the plane across ``normal``.

    A plane is seen as its trace, an axis as its projection; None where one has no clear image.
    """
    images = []
    for shape in (a, b):
        way = direction(shape)
        if way is None:
            return None
        image = np.cross(normal, way) if isinstance(shape, Plane) else way - (way @ normal) * normal
        if float(np.linalg.norm(image)) < STEEPEST:
            return None
        images.append(unit(image))
    return float(np.arctan2(normal @ np.cross(images[0], images[1]), images[0] @ images[1]))
