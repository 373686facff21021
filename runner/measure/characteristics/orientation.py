"""Parallelism, perpendicularity and angularity: the zone lies exactly as the drawing says in the datum frame."""

from __future__ import annotations

import numpy as np

from runner.geometry.frames import move_points
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Cone, Cylinder, Line, Plane
from runner.measure.characteristics.common import Context, Finding, Missing, Value, datum_movement, found, turned
from runner.measure.characteristics.form import spread, width_value
from runner.measure.characteristics.form_points import plane_profile
from runner.measure.datums import establish
from runner.measure.element import array, direction
from runner.measure.found import FoundFeature
from runner.measure.specs import CharacteristicSpec, DatumSpec, DatumSystemSpec


def evaluate(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return the width or diameter of the zone that each feature needs."""
    move = _movement(spec, context)
    if isinstance(move, Missing):
        return [move]
    return [_one(spec, context, name, move) for name in spec.features]


def _movement(spec: CharacteristicSpec, context: Context) -> Floats | Missing:
    """The datum frame: of the stated system, or of the reference features alone."""
    if spec.datum_system is not None:
        return datum_movement(spec, context)
    if not spec.reference:
        return Missing(spec.id, "an orientation needs a datum")
    datums = tuple(DatumSpec(f"reference {k + 1}", (name,)) for k, name in enumerate(spec.reference))
    system = DatumSystemSpec(f"reference of {spec.id}", datums)
    low, high = context.nominal.bounds
    made = establish(system, context.features, context.specs, 0.5 * (low + high))
    return Missing(spec.id, made.reason) if made.drawing_from_fit is None else made.drawing_from_fit


def _one(spec: CharacteristicSpec, context: Context, name: str, move: Floats) -> Finding:
    feature = found(context, name)
    if isinstance(feature, Missing):
        return feature
    shape, nominal = feature.shape, feature.spec.shape
    if isinstance(shape, Plane) and isinstance(nominal, Plane):
        normal = array(nominal.normal)
        profile = plane_profile(feature.points, shape, spec.judge)
        if isinstance(profile, str):
            return Missing(name, profile)
        heights = (move_points(move, profile) - array(nominal.point)) @ normal
        details: dict[str, float | str] = {"definition": "two planes at the true angle that hold the face"}
        return width_value(feature, spread(heights), spec, details)
    if isinstance(shape, Cylinder | Cone | Line) and nominal is not None:
        return _axis(spec, feature, move)
    return Missing(name, f"the orientation of a {feature.spec.kind} is not defined")


def _axis(spec: CharacteristicSpec, feature: FoundFeature, move: Floats) -> Finding:
    """The straight axis over its extent: diameter of the cylinder, or distance of the planes, that hold it."""
    assert feature.shape is not None and feature.spec.shape is not None
    true, axis = direction(feature.spec.shape), direction(feature.shape)
    assert true is not None and axis is not None
    axis = turned(axis, move)
    if axis @ true < 0:
        axis = -axis
    extent = spec.extent or (feature.patch.axial if feature.patch is not None else feature.spec.span)
    if extent is None:
        return Missing(feature.spec.name, "the extent of the axis is not known")
    length = extent[1] - extent[0]
    lean = axis / float(axis @ true) - true
    details: dict[str, float | str] = {"definition": "least-squares axis over its extent", "extent": float(length)}
    value = float(np.linalg.norm(lean)) * length
    if spec.zone_shape == "two planes" and spec.direction is not None:
        value = abs(float(lean @ array(spec.direction))) * length
        details["definition"] = "least-squares axis over its extent, across the stated direction"
    return Value(feature.spec.name, value, points=len(feature.points), coverage=feature.coverage, details=details)
