"""Constructed features: what the construction makes of the measured parents."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from runner.geometry.frames import unit
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Circle, Line, Plane, Point, Shape, vector
from runner.measure.construct import construct
from runner.measure.element import anchored, array, direction, place
from runner.measure.found import FoundFeature
from runner.measure.specs import FeatureSpec


def measure_constructed(spec: FeatureSpec, features: Mapping[str, FoundFeature]) -> FoundFeature:
    """Return a constructed feature from the features measured so far, by name.

    The nominal element of ``spec`` was made by the same construction from the nominal parents; the point by which a
    measured plane or line is given is where the nominal's is, as for features from surface points.
    """
    base = FoundFeature(spec, None)
    parents = []
    for name in spec.parents:
        parent = features.get(name)
        if parent is None:
            return replace(base, reason=f'there is no feature "{name}" before it')
        if not parent.ok:
            return replace(base, reason=f'feature "{name}" it is made of: {parent.reason}')
        if parent.shape is None:
            return replace(base, reason=f'feature "{name}" it is made of is a {parent.spec.kind} without an element')
        parents.append(parent)
    made = construct(spec.kind, [parent.shape for parent in parents if parent.shape is not None], spec.direction)
    if isinstance(made, str):
        return replace(base, reason=made)
    if not all(np.all(np.isfinite(v)) for v in vars(made).values()):
        return replace(base, reason="the construction gives no finite element")
    nominal = spec.shape
    if nominal is not None:
        if type(nominal) is not type(made):
            kinds = (type(nominal).__name__.lower(), type(made).__name__.lower())
            return replace(base, reason=f"its nominal is a {kinds[0]}, but the measured parents make a {kinds[1]}")
        made = _same_way(anchored(made, nominal), nominal)
        away = float(np.linalg.norm(place(made) - place(nominal)))
        if isinstance(made, Point | Circle) and away > 1e4:
            return replace(base, reason=f"it lies {away:.0f} mm from nominal: the parents don't hold it")
    seen = [parent.coverage for parent in parents if parent.coverage is not None]
    return replace(
        base,
        shape=made,
        extent=extent_of(spec, nominal if nominal is not None else made, parents),
        coverage=min(seen) if seen else None,
        notes=(f"constructed from {', '.join(spec.parents)}",),
    )


def _same_way(shape: Shape, nominal: Shape) -> Shape:
    """Return the element with its direction as the nominal's rather than against it."""
    here, wish = direction(shape), direction(nominal)
    if here is None or wish is None or here @ wish >= 0:
        return shape
    back = vector(-here)
    if isinstance(shape, Plane):
        return replace(shape, normal=back)
    if isinstance(shape, Line):
        return replace(shape, direction=back)
    return replace(shape, axis=back) if isinstance(shape, Circle) else shape


def extent_of(spec: FeatureSpec, shape: Shape, parents: list[FoundFeature]) -> tuple[float, float] | None:
    """Return how far a constructed line reaches along its nominal, from its point, mm; None where nothing tells.

    Between centres all of them; otherwise where every parent is. Nominal extents, so that it does not depend on what
    part of the parents was seen.
    """
    if spec.span is not None:
        return spec.span
    if not isinstance(shape, Line):
        return None
    along, origin = unit(array(shape.direction)), place(shape)
    ranges = []
    for parent in parents:
        heights = (_places(parent) - origin) @ along
        if len(heights):
            ranges.append((float(heights.min()), float(heights.max())))
    if not ranges:
        return None
    if spec.kind == "axis" and len(parents) > 1:
        low, high = min(r[0] for r in ranges), max(r[1] for r in ranges)
    else:
        wide = [r for r in ranges if r[1] - r[0] > 1e-6]
        if not wide:
            return None
        low, high = max(r[0] for r in wide), min(r[1] for r in wide)
    return (low, high) if high - low > 1e-6 else None


def _places(parent: FoundFeature) -> Floats:
    """Places (k, 3) of the nominal parent that tell how far it reaches."""
    shape = parent.spec.shape
    if shape is None:
        return np.zeros((0, 3))
    axis = direction(shape)
    reach = parent.axial
    if isinstance(shape, Plane):
        return parent.patch.samples if parent.patch is not None else place(shape)[None]
    if reach is not None and axis is not None:
        return place(shape) + np.outer(reach, axis)
    return place(shape)[None]
