"""Trim edge: how much material there is too much or too little at every place of a free edge."""

from __future__ import annotations

import numpy as np

from runner.geometry.frames import move_points
from runner.geometry.mesh import Floats
from runner.measure.characteristics.common import Context, Finding, Missing, Value, datum_movement, found
from runner.measure.characteristics.gather import worst_of
from runner.measure.edge_places import EdgePlaces
from runner.measure.edge_points import measure_trim_edge
from runner.measure.found import FoundFeature
from runner.measure.specs import CharacteristicSpec

UNSEEN = "the edge was seen on only {seen:.0%} of its length, {needed:.0%} is needed"


def evaluate(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return the deviation of each edge named; every place is judged."""
    move = datum_movement(spec, context)
    if isinstance(move, Missing):
        return [move]
    return [_one(spec, context, name, move) for name in spec.features]


def places_of(spec: CharacteristicSpec, context: Context, name: str) -> tuple[FoundFeature, EdgePlaces] | Missing:
    """Return a measured trim edge with its places, in steps as the characteristic asks."""
    feature = found(context, name)
    if isinstance(feature, Missing):
        return feature
    if feature.spec.kind == "trim edge" and spec.step is not None:
        feature = measure_trim_edge(feature.spec, context.plan, context.nominal, context.scene, spec.step)
    if feature.places is None or not feature.ok:
        return Missing(name, feature.reason or f"a {feature.spec.kind} has no free edge")
    return feature, feature.places


def deviations(places: EdgePlaces, move: Floats) -> Floats:
    """Return deviations (c,) of the places seen in the datum frame, + = too much material."""
    frames, at = places.frames, places.at[places.seen]
    measured = move_points(move, places.points[places.seen])
    return -np.einsum("ij,ij->i", measured - frames.points[at], frames.inward[at])


def edge_details(places: EdgePlaces) -> dict[str, float | str]:
    """Return raw value, correction and uncertainty, as every result from edges gives them."""
    seen = places.seen
    raw, value = float(places.raw[seen].mean()), float(places.deviation[seen].mean())
    return {
        "raw from outermost points": raw,
        "edge correction": value - raw,
        "standard uncertainty of the edge": float(np.median(places.standard[seen])),
    }


def blocked_by(coverage: float, spec: CharacteristicSpec) -> str:
    """Return why too little of an edge was seen to say that it conforms, or empty."""
    short = coverage < spec.need_coverage
    return UNSEEN.format(seen=coverage, needed=spec.need_coverage) if short else ""


def _one(spec: CharacteristicSpec, context: Context, name: str, move: Floats) -> Finding:
    got = places_of(spec, context, name)
    if isinstance(got, Missing):
        return got
    feature, places = got
    values = deviations(places, move)
    k = worst_of(values, spec)
    at = places.frames.points[places.at[places.seen][k]]
    details: dict[str, float | str] = {
        "definition": "across the edge, in the sheet's tangent plane, + = too much material; every place judged",
        "worst plus": float(values.max()),
        "worst minus": float(values.min()),
        "mean": float(values.mean()),
        "places": float(len(values)),
        "worst at": f"{at[0]:.2f}, {at[1]:.2f}, {at[2]:.2f} mm",
    }
    return Value(
        name,
        float(values[k]),
        judged=tuple(float(v) for v in values),
        points=len(feature.points),
        coverage=places.coverage,
        blocked=blocked_by(places.coverage, spec),
        details=details | edge_details(places),
    )
