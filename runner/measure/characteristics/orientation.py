"""Parallelism, perpendicularity and angularity: the zone lies as the drawing says in the datum frame.

A turn that the datums leave free (a plane or an axis as the only datum) is the zone's to take: two planes that are only
held perpendicular to A may turn about A's normal (ISO 1101:2017, 17.9 to 17.11; ASME Y14.5.1-2019, 6.6).
"""

from __future__ import annotations

import numpy as np

from runner.geometry.frames import move_points
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Cone, Cylinder, Line, Plane
from runner.measure.characteristics.common import Context, Finding, Missing, Value, datum_movement, found, turned
from runner.measure.characteristics.form import spread, width_value
from runner.measure.characteristics.form_points import plane_profile
from runner.measure.characteristics.turning import best_turn, free_axis, least_spread, turned_about
from runner.measure.datums import Established, establish
from runner.measure.element import array, direction
from runner.measure.found import FoundFeature
from runner.measure.specs import CharacteristicSpec, DatumSpec, DatumSystemSpec


def evaluate(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return the width or diameter of the zone that each feature needs."""
    frame = _frame(spec, context)
    if isinstance(frame, Missing):
        return [frame]
    return [_one(spec, context, name, *frame) for name in spec.features]


def _frame(spec: CharacteristicSpec, context: Context) -> tuple[Floats, Floats | None] | Missing:
    """The datum frame, of the stated system or of the reference features alone, and the axis it leaves free to turn."""
    system = frame_of(spec, context)
    if isinstance(system, Missing):
        return system
    assert system.drawing_from_fit is not None
    return system.drawing_from_fit, free_axis(system.free)


def frame_of(spec: CharacteristicSpec, context: Context) -> Established | Missing:
    """Return the datum system as established: the stated one, or that of the reference features alone."""
    if spec.datum_system is not None:
        move = datum_movement(spec, context)
        return move if isinstance(move, Missing) else context.systems[spec.datum_system]
    if not spec.reference:
        return Missing(spec.id, f"{spec.kind} needs a datum")
    datums = tuple(DatumSpec(f"reference {k + 1}", (name,)) for k, name in enumerate(spec.reference))
    system = DatumSystemSpec(f"reference of {spec.id}", datums)
    low, high = context.nominal.bounds
    middle = 0.5 * (low + high)
    standard = context.plan.standard
    made = establish(system, context.features, context.specs, middle, standard=standard, scene=context.scene)
    if made.drawing_from_fit is None:
        return Missing(spec.id, made.reason)
    return made


def _one(spec: CharacteristicSpec, context: Context, name: str, move: Floats, free: Floats | None) -> Finding:
    feature = found(context, name)
    if isinstance(feature, Missing):
        return feature
    shape, nominal = feature.shape, feature.spec.shape
    if isinstance(shape, Plane) and isinstance(nominal, Plane):
        normal = array(nominal.normal)
        profile = plane_profile(feature.points, shape, spec.judge)
        if isinstance(profile, str):
            return Missing(name, profile)
        profile = move_points(move, profile)
        details: dict[str, float | str] = {"definition": "two planes at the true angle that hold the face"}
        if free is None or not _turns(free, normal):
            return width_value(feature, spread((profile - array(nominal.point)) @ normal), spec, details)
        start = best_turn(free, normal, turned(array(shape.normal), move))
        width, angle = least_spread(profile, normal, free, start)
        return width_value(feature, width, spec, details | _turn_details(angle))
    if isinstance(shape, Cylinder | Cone | Line) and nominal is not None:
        return _axis(spec, feature, move, free)
    return Missing(name, f"the orientation of a {feature.spec.kind} is not defined")


def _turns(free: Floats, direction_: Floats) -> bool:
    """Whether a direction changes with the turn about the free axis."""
    return float(np.linalg.norm(np.cross(free, direction_))) > 1e-6


def _turn_details(angle_rad: float) -> dict[str, float | str]:
    """How the zone was turned, for the record."""
    return {
        "definition": "two planes at the true angle to the datum, turned about it to where the zone needs least",
        "zone turned by, deg": float(np.degrees(angle_rad)),
    }


def _axis(spec: CharacteristicSpec, feature: FoundFeature, move: Floats, free: Floats | None) -> Finding:
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
    angle = best_turn(free, true, axis) if free is not None else 0.0
    across = array(spec.direction) if spec.direction is not None else None
    if free is not None:
        true = turned_about(free, angle, true)
        across = None if across is None else turned_about(free, angle, across)
    lean = axis / float(axis @ true) - true
    details: dict[str, float | str] = {"definition": "least-squares axis over its extent", "extent": float(length)}
    value = float(np.linalg.norm(lean)) * length
    if spec.zone_shape == "two planes" and across is not None:
        value = abs(float(lean @ across)) * length
        details["definition"] = "least-squares axis over its extent, across the stated direction"
    if free is not None and _turns(free, true):
        details["definition"] = f"{details['definition']}; the zone turned about the datum to where it needs least"
        details["zone turned by, deg"] = float(np.degrees(angle))
    return Value(feature.spec.name, value, points=len(feature.points), coverage=feature.coverage, details=details)
