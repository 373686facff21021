"""Features to specs: single ones, members of patterns, constructed ones in the order in which they can be made."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from runner.geometry.shapes import Circle, Shape, Slot, vector
from runner.measure.specs import FeatureSpec
from runner.recipe.expand import member_names
from runner.recipe.features import Constructed, FacesAt, Feature, FeatureOptions, PatternFeature
from runner.recipe.scalars import Refused
from runner.recipe.schema import Recipe
from runner.recipe.translate.shapes import member_shapes, scaled, shape_of, span_mm, unit_vector


def all_features(full: Recipe) -> tuple[FeatureSpec, ...]:
    """Return the specs of every feature of a resolved recipe, parents before what is constructed of them."""
    found: dict[str, FeatureSpec] = {}
    for name, item in full.features.items():
        if isinstance(item, FeatureOptions):
            found |= {spec.name: spec for spec in feature_specs(full, name, item)}
    for name in constructed_order(full.features):
        item = full.features[name]
        assert isinstance(item, Constructed)
        found[name] = _constructed(full, name, item, found)
    return tuple(found.values())


def constructed_order(features: Any) -> tuple[str, ...]:
    """Return the names of constructed features, parents first; those in a circle are left out."""
    waiting = {name: item for name, item in features.items() if isinstance(item, Constructed)}
    order: list[str] = []
    while True:
        ready = [name for name, item in waiting.items() if not set(item.parents) & set(waiting)]
        if not ready:
            return tuple(order)
        order += ready
        for name in ready:
            del waiting[name]


def parents_of(features: Any, item: Constructed) -> tuple[str, ...]:
    """Return the single features that something is constructed of; a pattern stands for its members."""
    names: list[str] = []
    for name in item.parents:
        parent = features.get(name)
        names += member_names(name, parent) if isinstance(parent, PatternFeature) else (name,)
    return tuple(names)


def _constructed(full: Recipe, name: str, item: Constructed, found: dict[str, FeatureSpec]) -> FeatureSpec:
    parents = parents_of(full.features, item)
    shapes = [found[parent].shape for parent in parents]
    along = getattr(item, "along", None)
    direction = None if along is None else unit_vector(along)
    across = getattr(item, "across", None)
    if isinstance(shapes[0], Slot) and across is not None:
        slot = shapes[0]
        sideways = vector(np.cross(np.array(slot.axis), np.array(slot.along)))
        direction = slot.along if across == "length" else sideways
    shape = nominal_of(item.kind, shapes, direction)
    if isinstance(shape, str):
        raise Refused(shape)
    return FeatureSpec(
        name,
        item.kind,
        shape,
        source="constructed",
        parents=parents,
        direction=direction,
        origin=full.source.origin("features", name),
    )


def nominal_of(kind: str, shapes: list[Shape | None], direction: Any) -> Shape | str:
    """Return the nominal element constructed of nominal parents, or why there is none."""
    from runner.measure.construct import construct  # late: it loads the fits

    known = [shape for shape in shapes if shape is not None]
    if len(known) < len(shapes):
        return "a surface or trim edge has no element to construct from"
    return construct(kind, known, direction)


def feature_specs(full: Recipe, name: str, item: FeatureOptions) -> list[FeatureSpec]:
    """Return the specs of one entry of a resolved recipe: one, or one for each member of a pattern."""
    mm = full.millimetres
    thickness = full.sheet.thickness * mm if full.sheet is not None else None
    assert item.search is not None and item.coverage is not None
    shared: dict[str, Any] = {
        "source": getattr(item, "from_", None) or "surface",
        "search": item.search * mm,
        "margin": None if item.margin is None else item.margin * mm,
        "span": span_mm(getattr(item, "span", None), mm),
        "association": item.associate or "least squares",
        "least_coverage": float(item.coverage),
        "least_points": item.points or 0,
        **({"edge_depth": item.depth * mm} if item.depth is not None else {}),
        "origin": full.source.origin("features", name),
    }
    if isinstance(item, PatternFeature):
        shapes = member_shapes(item, mm, thickness)
        shared["corner_radius"] = _corner(item.of.slot or item.of.rectangle, mm)
        return [
            FeatureSpec(member, item.of.repeated, shape, pattern=name, **shared)
            for member, shape in zip(member_names(name, item), shapes, strict=True)
        ]
    shape = shape_of(item, mm, thickness)
    shared |= _own(item, mm, shape)
    return [FeatureSpec(name, item.kind, shape, extent=getattr(item, "extent", None) or "connected", **shared)]


def _own(item: Feature, mm: float, shape: Shape | None) -> dict[str, Any]:
    """Return what only some kinds have."""
    values: dict[str, Any] = {}
    region = getattr(item, "surface", None) if item.kind == "surface" else getattr(item, "of", None)
    if isinstance(region, FacesAt):
        values |= {"region": "faces", "region_points": tuple(scaled(place, mm) for place in region.at)}
    element: Any = getattr(item, item.kind.replace(" ", "_").replace("-", "_"))
    if item.kind == "arc":
        assert isinstance(shape, Circle)
        axis, start = np.array(unit_vector(element.axis)), np.array(element.from_, dtype=np.float64)
        turn = math.radians(element.turn)
        values["zero"] = unit_vector(vector(start - axis * float(axis @ start)))
        # seen from the other side of the sheet the same arc turns the other way
        values["turn"] = (-turn, 0.0) if getattr(item, "side", None) == "far" else (0.0, turn)
    if item.kind in ("slot", "rectangle"):
        values["corner_radius"] = _corner(element, mm)
    if item.kind == "trim edge":
        places = tuple(scaled(place, mm) for place in element.through)
        # a closed edge comes back to its first point
        values |= {"places": (*places, places[0]) if element.closed else places}
    if item.kind in ("trim edge", "surface point", "edge point"):
        values["normal"] = unit_vector(element.normal)
    if item.kind == "edge point":
        values["direction"] = unit_vector(element.outward)
    along = getattr(item, "along", None)
    if item.kind == "surface point" and along is not None:
        values["direction"] = unit_vector(along)
    return values


def _corner(element: Any, mm: float) -> float:
    return float(getattr(element, "corner_radius", None) or 0.0) * mm
