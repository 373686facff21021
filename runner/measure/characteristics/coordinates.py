"""Coordinates: x, y or z of a feature's representative point in the model's frame, the part seated on its datums."""

from __future__ import annotations

import numpy as np

from runner.geometry.mesh import Floats
from runner.geometry.shapes import Circle, Cone, Cylinder, Line, Plane, Point, Shape, Slot, Sphere, Torus
from runner.measure.characteristics.common import (
    Context,
    Finding,
    Missing,
    Value,
    datum_movement,
    found,
    in_frame,
)
from runner.measure.check import felt_degrees
from runner.measure.element import array, direction, place
from runner.measure.found import FoundFeature
from runner.measure.specs import CharacteristicSpec
from runner.measure.twists import rows_of_points

AXES = {"x": 0, "y": 1, "z": 2}
ALONG = float(np.cos(np.radians(20.0)))
"""An axis that runs along the asked direction within 20 degrees says nothing about where it lies in it; a plane that
holds the direction within 20 degrees neither."""


def evaluate(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return the coordinate of each feature named, mm."""
    if spec.quantity not in AXES:
        return [Missing(spec.id, "say which coordinate is meant: x, y or z")]
    move = datum_movement(spec, context)
    if isinstance(move, Missing):
        return [move]
    return [_one(spec, context, name, move) for name in spec.features]


def _one(spec: CharacteristicSpec, context: Context, name: str, move: Floats) -> Finding:
    feature = found(context, name)
    if isinstance(feature, Missing):
        return feature
    if feature.shape is None or feature.spec.shape is None:
        return Missing(name, f"a {feature.spec.kind} has no single place: it has no coordinates")
    way = np.eye(3)[AXES[spec.quantity]]
    answer = representative(feature, way, move)
    if isinstance(answer, str):
        return Missing(name, answer)
    point, definition = answer
    if spec.datum_system is not None:
        system = context.systems[spec.datum_system]
        felt = felt_degrees(rows_of(feature, point, way, system.centre), system.free)
        if felt:
            names = ", ".join(felt)
            return Missing(name, f"{spec.quantity} depends on {names}, left free by datum system {spec.datum_system}")
    return Value(
        name,
        float(point @ way),
        points=len(feature.points),
        coverage=feature.coverage,
        details={"definition": definition, "frame": spec.datum_system or "as aligned"},
    )


def rows_of(feature: FoundFeature, point: Floats, way: Floats, centre: Floats) -> Floats:
    """Return how the coordinate changes (1, 6) with movements of the part about ``centre``."""
    shape = feature.shape
    if isinstance(shape, Plane):
        # the place where a line along ``way`` meets the plane: only what moves the plane along its normal counts
        normal = array(feature.spec.shape.normal)  # type: ignore[union-attr]
        return rows_of_points(point[None], normal[None], centre) / float(normal @ way)
    return rows_of_points(point[None], way[None], centre)


def representative(feature: FoundFeature, way: Floats, move: Floats) -> tuple[Floats, str] | str:
    """Return the point (3,) of a feature whose coordinate along ``way`` (3,) is asked, and how it is defined.

    Where the feature says nothing about its place along that direction, the reason is returned instead.
    """
    assert feature.shape is not None and feature.spec.shape is not None
    nominal = feature.spec.shape
    shape: Shape = in_frame(feature.shape, move)
    if isinstance(shape, Point | Sphere | Torus):
        return place(shape), "the point" if isinstance(shape, Point) else "the centre"
    axis = direction(shape)
    assert axis is not None
    slant = abs(float(axis @ way))
    if isinstance(shape, Plane):
        if slant < np.sqrt(1.0 - ALONG**2):
            return "the plane runs along that direction: it has no such coordinate"
        start = _nominal_middle(feature)
        height = float((place(shape) - start) @ axis) / float(axis @ way)
        return start + height * way, "where the line along the coordinate through the face's nominal middle meets it"
    if isinstance(shape, Cone) and slant > ALONG:
        return place(shape), "the apex"
    if isinstance(shape, Circle | Slot):
        if slant > ALONG and feature.spec.source != "constructed":
            return "its place along its own axis is not measured"
        return place(shape), "the centre"
    assert isinstance(shape, Cylinder | Line | Cone)
    if slant > ALONG:
        return "the axis runs along that direction: it has no such coordinate"
    nominal_axis = direction(nominal)
    assert nominal_axis is not None
    at = _nominal_middle(feature)
    # where the measured axis passes the section at the middle of the nominal extent
    foot = place(shape) + float((at - place(shape)) @ nominal_axis) / float(axis @ nominal_axis) * axis
    return foot, "where the axis passes the section at the middle of its nominal extent"


def _nominal_middle(feature: FoundFeature) -> Floats:
    """The middle of the nominal extent."""
    nominal = feature.spec.shape
    assert nominal is not None
    axis = direction(nominal)
    patch = feature.patch
    if patch is not None and isinstance(nominal, Plane):
        centre = patch.samples.mean(axis=0)
        return centre - float((centre - place(nominal)) @ array(nominal.normal)) * array(nominal.normal)
    span = feature.axial
    if span is not None and axis is not None and not isinstance(nominal, Plane | Circle | Slot):
        return place(nominal) + 0.5 * sum(span) * axis
    return place(nominal)
