"""Parallelism, perpendicularity and angularity: the zone lies as the drawing says in the datum frame.

A turn that the datums leave free (a plane or an axis as the only datum) is the zone's to take: two planes that are only
held perpendicular to A may turn about A's normal (ISO 1101:2017, 17.9 to 17.11; ASME Y14.5.1-2019, 6.6). A datum at
maximum material lets it turn and shift as far as the datum feature clears its boundary (ISO 2692:2021; ASME Y14.5-2018,
7.11.6 to 7.11.9). Clauses from memory.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from runner.geometry.frames import move_points, perpendicular
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Cone, Cylinder, Line, Plane
from runner.measure.characteristics.common import Context, Finding, Missing, Value, datum_movement, found, turned
from runner.measure.characteristics.form import spread, width_value
from runner.measure.characteristics.form_points import plane_profile
from runner.measure.characteristics.patterns import movement_details
from runner.measure.characteristics.turning import best_turn, free_axis, least_spread, turned_about
from runner.measure.datums import Established, establish
from runner.measure.element import array, direction
from runner.measure.found import FoundFeature
from runner.measure.free_motion import Uses, best_movement
from runner.measure.specs import CharacteristicSpec, DatumSpec, DatumSystemSpec
from runner.measure.twists import felt_space, rows_of_points


def evaluate(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return the width or diameter of the zone that each feature needs."""
    system = frame_of(spec, context)
    if isinstance(system, Missing):
        return [system]
    return [_one(spec, context, name, system) for name in spec.features]


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


def _one(spec: CharacteristicSpec, context: Context, name: str, system: Established) -> Finding:
    feature = found(context, name)
    if isinstance(feature, Missing):
        return feature
    move, free = system.drawing_from_fit, free_axis(system.free)
    assert move is not None
    said: dict[str, float | str] = {}
    if system.allowances:
        shifted = _shifted(spec, feature, system, move)
        if isinstance(shifted, str):
            return Missing(name, shifted)
        # the search has taken the free turns as well
        (move, said), free = shifted, None
    got = _judged(spec, feature, move, free)
    return replace(got, details={**got.details, **said}) if isinstance(got, Value) and said else got


def _shifted(
    spec: CharacteristicSpec, feature: FoundFeature, system: Established, start: Floats
) -> tuple[Floats, dict[str, float | str]] | str:
    """The frame, shifted about datums at maximum material as far as they allow, in which the zone needs least."""
    limit = spec.zone or 0.0

    def uses(frame: Floats) -> list[Uses] | str:
        got = _heights(spec, feature, frame)
        if isinstance(got, str):
            return got
        if got is not None:
            points, normal = got
            rows = rows_of_points(points, np.broadcast_to(normal, points.shape), system.centre)
            return [Uses(points @ normal, rows, 0.5 * limit, floats=True)]
        lean = _lean(spec, feature, frame)
        if isinstance(lean, str):
            return lean
        axis, true, length = lean
        basis = _across(spec, true)
        rows = np.hstack([np.cross(axis, basis), np.zeros_like(basis)]) * length
        return [Uses((basis @ (axis / float(axis @ true)) * length)[None], rows[None], limit)]

    first = uses(start)
    if isinstance(first, str):
        return first
    got = best_movement(uses, start, system.movable, system.centre, system.allowances)
    if isinstance(got, str):
        return got
    felt = felt_space(np.asarray(first[0].rows).reshape(-1, 6), system.movable)
    return got.frame, movement_details(got, felt, "optimised: the zone of this feature by itself", system.centre)


def _heights(spec: CharacteristicSpec, feature: FoundFeature, move: Floats) -> tuple[Floats, Floats] | str | None:
    """A face's points (n, 3) in a frame, as they are judged, and the zone's normal; None for what is no face."""
    shape, nominal = feature.shape, feature.spec.shape
    if not isinstance(shape, Plane) or not isinstance(nominal, Plane):
        return None
    profile = plane_profile(feature.points, shape, spec.judge)
    return profile if isinstance(profile, str) else (move_points(move, profile), array(nominal.normal))


def _judged(spec: CharacteristicSpec, feature: FoundFeature, move: Floats, free: Floats | None) -> Finding:
    """The zone in a frame, turned about the axis ``free`` to where it needs least."""
    name, shape, nominal = feature.spec.name, feature.shape, feature.spec.shape
    face = _heights(spec, feature, move)
    if isinstance(face, str):
        return Missing(name, face)
    if face is not None:
        assert isinstance(shape, Plane)
        profile, normal = face
        details: dict[str, float | str] = {"definition": "two planes at the true angle that hold the face"}
        if free is None or not _turns(free, normal):
            return width_value(feature, spread(profile @ normal), spec, details)
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


def _lean(spec: CharacteristicSpec, feature: FoundFeature, move: Floats) -> tuple[Floats, Floats, float] | str:
    """The measured axis in a frame, the nominal one, and the length over which it is judged; or why there is none."""
    nominal, shape = feature.spec.shape, feature.shape
    if not isinstance(shape, Cylinder | Cone | Line) or nominal is None:
        return f"the orientation of a {feature.spec.kind} is not defined"
    true, axis = direction(nominal), direction(shape)
    assert true is not None and axis is not None
    axis = turned(axis, move)
    extent = spec.extent or feature.axial
    if extent is None:
        return "the extent of the axis is not known"
    return (-axis if axis @ true < 0 else axis), true, float(extent[1] - extent[0])


def _across(spec: CharacteristicSpec, true: Floats) -> Floats:
    """Directions (m, 3) that the zone of an axis looks along: all square to it, or the stated one."""
    if spec.zone_shape == "two planes" and spec.direction is not None:
        return array(spec.direction)[None]
    return np.vstack(perpendicular(true))


def _axis(spec: CharacteristicSpec, feature: FoundFeature, move: Floats, free: Floats | None) -> Finding:
    """The straight axis over its extent: diameter of the cylinder, or distance of the planes, that hold it."""
    got = _lean(spec, feature, move)
    if isinstance(got, str):
        return Missing(feature.spec.name, got)
    axis, true, length = got
    angle = best_turn(free, true, axis) if free is not None else 0.0
    across = _across(spec, true)
    if free is not None:
        true = turned_about(free, angle, true)
        across = np.array([turned_about(free, angle, way) for way in across])
    lean = axis / float(axis @ true) - true
    value = float(np.linalg.norm(across @ lean)) * length
    details: dict[str, float | str] = {"definition": "least-squares axis over its extent", "extent": length}
    if len(across) == 1:
        details["definition"] = "least-squares axis over its extent, across the stated direction"
    if free is not None and _turns(free, true):
        details["definition"] = f"{details['definition']}; the zone turned about the datum to where it needs least"
        details["zone turned by, deg"] = float(np.degrees(angle))
    return Value(feature.spec.name, value, points=len(feature.points), coverage=feature.coverage, details=details)
