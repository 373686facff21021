"""Angle between two features, as their nominal elements enclose it."""

from __future__ import annotations

import numpy as np

from runner.geometry.shapes import Plane, Shape
from runner.measure.characteristics.common import Context, Finding, Missing, Value, found
from runner.measure.element import direction
from runner.measure.specs import CharacteristicSpec


def evaluate(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return the angle, rad, between the two features named."""
    if len(spec.features) != 2:
        return [Missing(spec.id, "an angle needs two features")]
    pair = [found(context, name) for name in spec.features]
    for feature in pair:
        if isinstance(feature, Missing):
            return [feature]
    a, b = (feature for feature in pair if not isinstance(feature, Missing))
    name = f"{a.spec.name} and {b.spec.name}"
    assert a.spec.shape is not None and b.spec.shape is not None and a.shape is not None and b.shape is not None
    value = between(a.shape, b.shape)
    nominal = between(a.spec.shape, b.spec.shape)
    if value is None or nominal is None:
        return [Missing(name, "an angle needs two features with a direction")]
    if spec.nominal is not None and abs((np.pi - nominal) - spec.nominal) < abs(nominal - spec.nominal):
        # the drawing gives the supplement: it measures the other of the two angles at the vertex
        value = np.pi - value
    seen = [f.coverage for f in (a, b) if f.coverage is not None]
    return [
        Value(
            name,
            value,
            points=len(a.points) + len(b.points),
            coverage=min(seen) if seen else None,
            details={"definition": "between the least-squares directions"},
        )
    ]


def between(a: Shape, b: Shape) -> float | None:
    """Return the angle, rad: of normals for two planes, of directions for two axes, of plane and axis otherwise."""
    first, second = direction(a), direction(b)
    if first is None or second is None:
        return None
    angle = float(np.arctan2(np.linalg.norm(np.cross(first, second)), first @ second))
    if isinstance(a, Plane) != isinstance(b, Plane):
        return float(abs(np.pi / 2 - angle))
    return angle
