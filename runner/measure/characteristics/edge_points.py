"""Lists of edge points: where the edge stands at each, along its own direction, with its own limits."""

from __future__ import annotations

from runner.geometry.frames import unit
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Point
from runner.measure.characteristics.common import Context, Finding, Missing, Value, datum_movement, put
from runner.measure.characteristics.trim_edge import edge_details
from runner.measure.edge_points import one_edge_point
from runner.measure.element import array
from runner.measure.found import FoundFeature
from runner.measure.specs import CharacteristicSpec, PointSpec


def evaluate(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return one value for each point of the list and for each edge-point feature named."""
    move = datum_movement(spec, context)
    if isinstance(move, Missing):
        return [move]
    values: list[Finding] = [_listed(point, spec, context, move) for point in spec.points]
    values += [_feature(name, context, move) for name in spec.features]
    return values or [Missing(spec.id, "there are no edge points in the list")]


def _listed(point: PointSpec, spec: CharacteristicSpec, context: Context, move: Floats) -> Finding:
    if point.normal is None:
        return Missing(point.name, "an edge point needs the direction of the sheet's side")
    spacing = context.scene.spacing if context.scene.spacing > 0 else context.plan.spacing
    at, outward = array(point.at), unit(array(point.direction))
    places = one_edge_point(at, array(point.normal), outward, context.nominal, context.scene, spacing, spec.search)
    if isinstance(places, str):
        return Missing(point.name, places)
    frames = places.frames
    measured = at - float(places.deviation[0]) * frames.inward[0] + float(places.level[0]) * frames.normal[0]
    value = float((put(measured, move) - at) @ outward)
    return Value(
        point.name,
        value,
        lower=point.lower,
        upper=point.upper,
        points=len(places.rows),
        coverage=places.coverage,
        details=_details() | edge_details(places),
    )


def _feature(name: str, context: Context, move: Floats) -> Finding:
    feature: FoundFeature | None = context.features.get(name)
    if feature is None or not feature.ok or feature.places is None or feature.spec.direction is None:
        return Missing(name, feature.reason if feature is not None and feature.reason else "it is no edge point")
    assert isinstance(feature.shape, Point) and isinstance(feature.spec.shape, Point)
    way = put(array(feature.shape.point), move) - array(feature.spec.shape.point)
    return Value(
        name,
        float(way @ unit(array(feature.spec.direction))),
        points=len(feature.points),
        coverage=feature.coverage,
        details=_details() | edge_details(feature.places),
    )


def _details() -> dict[str, float | str]:
    return {"definition": "edge at the point, along its direction, + = too much material"}
