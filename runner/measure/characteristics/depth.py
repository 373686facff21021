"""Depth of a recess: how far its bottom lies below the face that it opens in."""

from __future__ import annotations

import numpy as np

from runner.geometry.mesh import Floats
from runner.geometry.shapes import Plane, Point, Sphere
from runner.measure.characteristics.common import Context, Finding, Missing, Value, middle
from runner.measure.characteristics.gather import coverage_of, gather, joined, points_of
from runner.measure.element import array, place, signed_distance
from runner.measure.found import FoundFeature
from runner.measure.specs import CharacteristicSpec


def evaluate(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return the depth, mm, of the second feature below the first."""
    features = gather(spec, context, "a depth needs two: the opening's face, then the bottom;", 2, 2)
    if isinstance(features, Missing):
        return [features]
    face, bottom = features
    name = joined(features)
    if not isinstance(face.shape, Plane) or not isinstance(face.spec.shape, Plane):
        return [Missing(name, "a depth is taken from a plane: name the opening's face first")]
    got = _bottom(bottom, face.shape)
    if isinstance(got, str):
        return [Missing(name, got)]
    depth, definition, local = got
    sign = -1.0 if _nominal_depth(face.spec.shape, bottom) < 0 else 1.0
    details: dict[str, float | str] = {"definition": definition}
    if local is not None:
        details["smallest"], details["largest"] = (float(v) for v in np.sort(sign * np.array(local)))
    return [
        Value(name, sign * depth, points=points_of(features), coverage=coverage_of(features), details=details),
    ]


def _bottom(bottom: FoundFeature, face: Plane) -> tuple[float, str, tuple[float, float] | None] | str:
    """Depth of a bottom below the face, its definition, and the least and largest over its extent."""
    shape = bottom.shape
    if isinstance(shape, Plane):
        local = None
        if bottom.patch is not None:
            places = bottom.patch.samples
            on_bottom = places - signed_distance(shape, places)[:, None] * array(shape.normal)
            below = -signed_distance(face, on_bottom)
            local = (float(below.min()), float(below.max()))
        return below_face(face, middle(bottom)), "from the bottom's middle to the face's least-squares plane", local
    if isinstance(shape, Sphere):
        outward = 1 if bottom.patch is None else bottom.patch.outward
        # a hollow is deepest below its centre, a dome's top stands above it
        deepest = place(shape) + outward * shape.radius * array(face.normal)
        return below_face(face, deepest), "to the bottom's deepest point", None
    if isinstance(shape, Point):
        return below_face(face, place(shape)), "to the point", None
    return f"the bottom of a depth is a plane, a sphere or a point, not a {bottom.spec.kind}"


def _nominal_depth(face: Plane, bottom: FoundFeature) -> float:
    shape = bottom.spec.shape
    assert shape is not None
    return below_face(face, place(shape))


def below_face(face: Plane, point: Floats) -> float:
    """Return how far a point (3,) lies below a plane, against its outward normal, mm."""
    return float(-signed_distance(face, point[None])[0])
