"""Gap and step between two free edges, or between an edge and a plane, place by place along the first edge."""

from __future__ import annotations

import numpy as np

from runner.geometry.mesh import Floats
from runner.geometry.shapes import Plane
from runner.measure.characteristics.common import Context, Finding, Missing, Value, found
from runner.measure.characteristics.gather import worst_of
from runner.measure.characteristics.trim_edge import blocked_by, edge_details, places_of
from runner.measure.edge_places import EdgePlaces
from runner.measure.element import array
from runner.measure.specs import CharacteristicSpec

GRAZING = 0.3
"""A plane more askew than this cosine to the way it is looked for along has no distance."""
WIDEST = 50.0
"""mm: edges farther apart than this face each other no more."""


def gap(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return the distance between two edges in the tangent plane of the first."""
    return [_between(spec, context, "gap")]


def step(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return the height of the second sheet over the first, along the first's normal."""
    return [_between(spec, context, "step")]


def _between(spec: CharacteristicSpec, context: Context, what: str) -> Finding:
    if len(spec.features) != 2:
        return Missing(spec.id, f"a {what} needs two features: a trim edge, and a trim edge or a plane")
    name = " and ".join(spec.features)
    got = places_of(spec, context, spec.features[0])
    if isinstance(got, Missing):
        return got
    first, places = got
    other = found(context, spec.features[1])
    if isinstance(other, Missing):
        return other
    if isinstance(other.shape, Plane):
        out, up = _to_plane(places, other.shape)
    else:
        second = places_of(spec, context, spec.features[1])
        if isinstance(second, Missing):
            return second
        out, up = _to_edge(places, second[1])
    values = out if what == "gap" else up
    told = np.isfinite(values)
    if not told.any():
        return Missing(name, "the two were not seen facing each other at any place")
    coverage = float(told.sum() / max(places.wanted.sum(), 1))
    values = values[told]
    k = worst_of(values, spec)
    at = places.frames.points[places.at[places.seen][told][k]]
    way = "in the tangent plane of the first, square to its edge" if what == "gap" else "along the first's normal"
    details: dict[str, float | str] = {
        "definition": f"from the first edge to the second, {way}; every place judged",
        "smallest": float(values.min()),
        "largest": float(values.max()),
        "mean": float(values.mean()),
        "places": float(len(values)),
        "worst at": f"{at[0]:.2f}, {at[1]:.2f}, {at[2]:.2f} mm",
    }
    return Value(
        name,
        float(values[k]),
        judged=tuple(float(v) for v in values),
        points=len(first.points) + len(other.points),
        coverage=coverage,
        blocked=blocked_by(coverage, spec),
        details=details | edge_details(places),
    )


def _to_plane(places: EdgePlaces, plane: Plane) -> tuple[Floats, Floats]:
    """Ways (c,) from the measured edge to a plane: outwards, and along the sheet's normal; NaN where askew."""
    frames, at = places.frames, places.at[places.seen]
    normal = array(plane.normal)
    height = (array(plane.point) - places.points[places.seen]) @ normal
    ways = []
    for way in (-frames.inward[at], frames.normal[at]):
        along = way @ normal
        ways.append(np.where(np.abs(along) > GRAZING, height / np.where(np.abs(along) > GRAZING, along, 1.0), np.nan))
    return ways[0], ways[1]


def _to_edge(places: EdgePlaces, other: EdgePlaces) -> tuple[Floats, Floats]:
    """Ways (c,) from the first edge's places to the second edge: outwards and up; NaN where none faces it."""
    frames, at = places.frames, places.at[places.seen]
    mine = places.points[places.seen]
    theirs = other.points
    count = len(theirs)
    pairs = np.column_stack([np.arange(count), (np.arange(count) + 1) % count])
    pairs = pairs if other.frames.closed else pairs[:-1]
    # places beside an unseen one are not joined across it
    pairs = pairs[other.seen[pairs].all(axis=1)]
    out, up = np.full(len(mine), np.nan), np.full(len(mine), np.nan)
    for k in range(len(mine)):
        way = theirs - mine[k]
        along = way @ frames.tangent[at[k]]
        outward, height = -(way @ frames.inward[at[k]]), way @ frames.normal[at[k]]
        a, b = along[pairs[:, 0]], along[pairs[:, 1]]
        crossing = (a <= 0) != (b <= 0)
        share = -a[crossing] / (b - a)[crossing]
        o = outward[pairs[crossing, 0]] + share * (outward[pairs[crossing, 1]] - outward[pairs[crossing, 0]])
        h = height[pairs[crossing, 0]] + share * (height[pairs[crossing, 1]] - height[pairs[crossing, 0]])
        near = (np.abs(o) < WIDEST) & (np.abs(h) < WIDEST) & (o > -5.0)
        if near.any():
            nearest = np.flatnonzero(near)[np.argmin(np.abs(o[near]))]
            out[k], up[k] = o[nearest], h[nearest]
    return out, up
