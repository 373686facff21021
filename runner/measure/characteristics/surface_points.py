"""Surface points: the deviation of the scanned surface from nominal at stated places, each by its own limits."""

from __future__ import annotations

import math

import numpy as np

from runner.geometry.mesh import Floats
from runner.geometry.shapes import Point
from runner.measure.characteristics.common import Context, Finding, Missing, Value, datum_movement
from runner.measure.element import array
from runner.measure.point_features import meet
from runner.measure.specs import CharacteristicSpec, FeatureSpec, PointSpec

LOOSE = 0.25
"""Of a point's tolerance: where the scatter of its points alone (standard deviation of the result, k = 2) takes more,
it decides nothing."""


def evaluate(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return the deviation, mm, at every point of the list and at every surface point feature named."""
    move = datum_movement(spec, context)
    if isinstance(move, Missing):
        return [move]
    found: list[Finding] = []
    for name in spec.features:
        feature = context.specs.get(name)
        if feature is None:
            found.append(Missing(name, f'there is no feature "{name}"'))
        elif not isinstance(feature.shape, Point) or feature.normal is None:
            found.append(Missing(name, f"a {feature.kind} is no surface point"))
        else:
            found.append(_of_feature(spec, feature, context, move))
    found += [_one(point, spec.search, array(point.direction), context, move) for point in spec.points]
    return found or [Missing(spec.id, "the list of points is empty")]


def _of_feature(spec: CharacteristicSpec, feature: FeatureSpec, context: Context, move: Floats) -> Finding:
    """A surface point feature, measured again with the part seated on the datums."""
    assert isinstance(feature.shape, Point) and feature.normal is not None
    lower = -math.inf if spec.lower is None else spec.lower
    upper = math.inf if spec.upper is None else spec.upper
    point = PointSpec(feature.name, feature.shape.point, feature.direction or feature.normal, lower, upper)
    return _one(point, feature.search, array(feature.normal), context, move)


def _one(point: PointSpec, search: float, normal: Floats, context: Context, move: Floats) -> Finding:
    """One point: where the surface meets its line, from the stated place."""
    if not np.all(np.isfinite([*point.at, *point.direction])) or not np.any(array(point.direction)):
        return Missing(point.name, "its place and direction are not usable numbers")
    along = array(point.direction)
    met = meet(array(point.at), normal, along, search, context.nominal, context.scene, move)
    if isinstance(met, str):
        return Missing(point.name, met)
    lower = point.lower if math.isfinite(point.lower) else None
    upper = point.upper if math.isfinite(point.upper) else None
    blocked = ""
    if lower is not None and upper is not None and 2.0 * met.standard > LOOSE * (upper - lower):
        blocked = "its points scatter too much: noise of the result (k = 2) takes more than a quarter of its tolerance"
    details: dict[str, float | str] = {
        "definition": "mean surface around the line, along the stated direction",
        "points in it": float(len(met.rows)),
        "radius": met.radius,
        "standard deviation from noise": met.standard,
        "isolated points left out": float(met.left_out),
    }
    if lower is not None:
        details["lower limit"] = lower
    if upper is not None:
        details["upper limit"] = upper
    return Value(
        point.name,
        met.deviation,
        lower=lower,
        upper=upper,
        points=len(met.rows),
        coverage=1.0,
        blocked=blocked,
        details=details,
    )
