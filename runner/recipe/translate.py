"""A recipe to what the measuring core is asked to do, in millimetres and radians."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from runner.align.types import AlignSettings
from runner.geometry.frames import unit
from runner.geometry.shapes import Circle, Cone, Cylinder, Line, Plane, Shape, Slot, Sphere, vector
from runner.measure.specs import (
    CharacteristicSpec,
    DatumSpec,
    DatumSystemSpec,
    DecisionSpec,
    FeatureSpec,
    FormFilter,
    MeasurePlan,
)
from runner.recipe.characteristics import (
    AngleBetween,
    CharacteristicOptions,
    Distance,
    Orientation,
    OtherGauge,
    Position,
    Profile,
    Size,
)
from runner.recipe.defaults import resolve
from runner.recipe.expand import member_names, places_of
from runner.recipe.features import FacesAt, FeatureOptions, PatternFeature
from runner.recipe.limits import Limits, with_shorter_side
from runner.recipe.scalars import written_text
from runner.recipe.schema import Recipe
from runner.recipe.sections import Judge
from runner.recipe.sentences import sentence
from runner.records import Vector


def to_plan(recipe: Recipe) -> MeasurePlan:
    """Return the plan of everything to be measured on one part."""
    full = resolve(recipe)
    mm = full.millimetres
    features = [spec for name, item in full.features.items() for spec in feature_specs(full, name, item)]
    frames = dict(full.datum_systems or {})
    for item in full.characteristics.values():
        frame = getattr(item, "datums", None)
        if frame is not None and frame not in frames:
            frames[frame] = frame
    if full.alignment is not None and full.alignment.datums is not None:
        frames.setdefault(full.alignment.datums, full.alignment.datums)
    return MeasurePlan(
        standard=full.drawing.standard,
        features=tuple(features),
        datum_systems=tuple(_system(full, name, text) for name, text in frames.items()),
        characteristics=tuple(characteristic_spec(full, name) for name in full.characteristics),
        noise=full.scan.surface.noise * mm,
        spacing=full.scan.surface.spacing * mm,
        sheet_thickness=full.sheet.thickness * mm if full.sheet is not None else None,
    )


def to_align_settings(recipe: Recipe) -> AlignSettings:
    """Return how the recipe wants the scan aligned. Whether a fit is made at all says ``recipe.alignment.method``."""
    full = resolve(recipe)
    alignment, mm = full.alignment, full.millimetres
    assert alignment is not None and alignment.fit is not None
    assert alignment.fit.ignore_beyond and alignment.expected_form_error and alignment.keep_within
    return AlignSettings(
        start=alignment.start or "automatic",
        fit_reach=alignment.fit.ignore_beyond * mm,
        expected_form_error=alignment.expected_form_error * mm,
        keep_within=alignment.keep_within * mm,
        symmetric_axis=alignment.symmetry != "held",
    )


def alignment_method(recipe: Recipe) -> str:
    """Return ``best fit``, ``datums`` or ``as scanned``."""
    full = resolve(recipe)
    assert full.alignment is not None
    return full.alignment.method or "best fit"


def _scaled(values: tuple[float, float, float], mm: float) -> Vector:
    x, y, z = (float(v) * mm for v in values)
    return x, y, z


def _unit(values: tuple[float, float, float]) -> Vector:
    return vector(unit(np.array(values, dtype=np.float64)))


def _span(values: tuple[float, float] | None, mm: float) -> tuple[float, float] | None:
    return None if values is None else (float(values[0]) * mm, float(values[1]) * mm)


def shape_of(item: Any, mm: float, thickness_mm: float | None) -> Shape | None:
    """Return the nominal element of a single feature, mm and rad; None for a surface."""
    kind = item.kind
    if kind == "surface":
        return None
    element = getattr(item, kind)
    if kind == "plane":
        return Plane(_scaled(element.at, mm), _unit(element.normal))
    if kind == "line":
        return Line(_scaled(element.at, mm), _unit(element.direction))
    if kind == "sphere":
        return Sphere(_scaled(element.at, mm), element.diameter * mm / 2)
    axis = _unit(element.axis)
    if kind == "cylinder":
        return Cylinder(_scaled(element.at, mm), axis, element.diameter * mm / 2)
    if kind == "cone":
        if element.apex is not None:
            return Cone(_scaled(element.apex, mm), axis, math.radians(element.angle) / 2)
        return _cone(np.array(element.at) * mm, np.array(axis), element.diameter * mm, element.angle)
    centre = np.array(element.at, dtype=np.float64) * mm
    if kind == "circle":
        shape: Circle | Slot = Circle(vector(centre), axis, element.diameter * mm / 2)
    else:
        shape = Slot(
            vector(centre),
            axis,
            _unit(element.along),
            element.length * mm,
            element.width * mm,
            element.ends != "square",
        )
    return _on_side(shape, item.side, thickness_mm)


def _cone(at: Any, axis: Any, diameter_mm: float, angle_deg: float) -> Cone:
    half = math.radians(angle_deg) / 2
    return Cone(vector(at - axis * (diameter_mm / 2 / math.tan(half))), vector(axis), half)


def _on_side(shape: Circle | Slot, side: str | None, thickness_mm: float | None) -> Circle | Slot:
    """Return an edge element as placed, or on the sheet's other side, looking out of that one."""
    if side != "far":
        return shape
    assert thickness_mm is not None
    axis = np.array(shape.axis)
    centre = vector(np.array(shape.centre) - axis * thickness_mm)
    if isinstance(shape, Circle):
        return Circle(centre, vector(-axis), shape.radius)
    return Slot(centre, vector(-axis), shape.along, shape.length, shape.width, shape.round_ends)


def member_shapes(item: PatternFeature, mm: float, thickness_mm: float | None) -> list[Shape]:
    """Return the nominal elements of a pattern's members in the order of their numbers, mm and rad."""
    places, axis_array, lengthwise = places_of(item)
    axis, of = vector(axis_array), item.of
    shapes: list[Shape] = []
    for i, place in enumerate(places * mm):
        at = vector(place)
        if of.circle is not None:
            shapes.append(_on_side(Circle(at, axis, of.circle.diameter * mm / 2), item.side, thickness_mm))
        elif of.cylinder is not None:
            shapes.append(Cylinder(at, axis, of.cylinder.diameter * mm / 2))
        elif of.sphere is not None:
            shapes.append(Sphere(at, of.sphere.diameter * mm / 2))
        elif of.cone is not None:
            shapes.append(_cone(place, axis_array, of.cone.diameter * mm, of.cone.angle))
        else:
            assert of.slot is not None
            along = np.array(of.slot.along) if of.slot.along is not None else lengthwise[i]  # type: ignore[index]
            slot = Slot(
                at, axis, vector(unit(along)), of.slot.length * mm, of.slot.width * mm, of.slot.ends != "square"
            )
            shapes.append(_on_side(slot, item.side, thickness_mm))
    return shapes


def feature_specs(full: Recipe, name: str, item: FeatureOptions) -> list[FeatureSpec]:
    """Return the specs of one entry of a resolved recipe: one, or one for each member of a pattern."""
    mm = full.millimetres
    thickness = full.sheet.thickness * mm if full.sheet is not None else None
    assert item.search is not None and item.coverage is not None
    shared: dict[str, Any] = {
        "source": getattr(item, "from_", None) or "surface",
        "search": item.search * mm,
        "margin": None if item.margin is None else item.margin * mm,
        "span": _span(getattr(item, "span", None), mm),
        "association": item.associate or "least squares",
        "least_coverage": float(item.coverage),
        "least_points": item.points or 0,
        "origin": full.source.origin("features", name),
    }
    if isinstance(item, PatternFeature):
        shapes = member_shapes(item, mm, thickness)
        return [
            FeatureSpec(member, item.of.repeated, shape, pattern=name, **shared)
            for member, shape in zip(member_names(name, item), shapes, strict=True)
        ]
    region = getattr(item, "surface", None)
    if isinstance(region, FacesAt):
        shared |= {"region": "faces", "region_points": tuple(_scaled(place, mm) for place in region.at)}
    return [
        FeatureSpec(
            name,
            item.kind,
            shape_of(item, mm, thickness),
            extent=getattr(item, "extent", None) or "connected",
            **shared,
        )
    ]


def _system(full: Recipe, name: str, text: str) -> DatumSystemSpec:
    """Return a datum system from its ordered datums."""
    datums = []
    for place in text.split("|"):
        labels = place.split("-")
        entries = [(full.datums or {})[label] for label in labels]
        features = tuple(feature for entry in entries for feature in _members(full, entry.feature))
        # a common datum is least squares only when all its parts are agreed so
        agreed = all(entry.associate == "least squares" for entry in entries)
        datums.append(DatumSpec(place, features, "least squares" if agreed else "outside material"))
    return DatumSystemSpec(name, tuple(datums), full.source.origin("datum systems", name))


def _members(full: Recipe, reference: str) -> tuple[str, ...]:
    """Return the single features behind a reference."""
    name = reference.removeprefix("each of ")
    item = full.features.get(name)
    return member_names(name, item) if isinstance(item, PatternFeature) else (name,)


def characteristic_spec(full: Recipe, name: str) -> CharacteristicSpec:
    """Return the spec of one characteristic of a resolved recipe."""
    item: CharacteristicOptions = full.characteristics[name]
    mm = full.millimetres
    angular = isinstance(item, AngleBetween)
    unit_text = "deg" if angular else full.drawing.units
    if isinstance(item, OtherGauge) and item.unit is not None:
        unit_text = item.unit
    to_internal = math.pi / 180.0 if unit_text == "deg" else mm
    values: dict[str, Any] = {
        "id": name,
        "kind": item.kind,
        "features": _features_of(full, item),
        "title": sentence(full, name),
        "unit": unit_text,
        "decimals": item.decimals if item.decimals is not None else 3,
        "decision": _decision(full),
        "classification": item.class_ or "",
        "where": item.where or "",
        "origin": full.source.origin("characteristics", name),
    }
    limits = getattr(item, "limits", None)
    if isinstance(limits, Limits):
        if isinstance(item, AngleBetween) and limits.general_class and item.shorter_side is not None:
            limits = with_shorter_side(limits, item.shorter_side * mm)
        values |= {
            "nominal": _times(limits.nominal, to_internal),
            "lower": _times(limits.lower, to_internal),
            "upper": _times(limits.upper, to_internal),
            "limits_text": limits.text,
        }
    uncertainty = getattr(item, "uncertainty", None)
    values["stated_uncertainty"] = _times(uncertainty, to_internal)
    need = getattr(item, "need", None)
    if need is not None:
        values["need_coverage"] = float(need.coverage or 0.0)
        values["largest_gap"] = _times(need.largest_gap, mm)
    values |= _own_values(item, mm)
    if hasattr(item, "judge"):
        values["judge"] = _filter(item.judge, mm)
    zone = getattr(item, "zone", None)
    if zone is not None:
        values["zone"] = zone * mm
        values["limits_text"] = zone_text(item)
    return CharacteristicSpec(**values)


def zone_text(item: Any) -> str:
    """Return the requirement of a geometrical tolerance as the drawing writes it, e.g. ``Ø 0.4 Ⓜ A|B|C``."""
    sign = {"diametral": "Ø ", "spherical": "SØ "}.get(getattr(item, "shape", None) or "", "")
    symbol = {"maximum material": " Ⓜ", "least material": " Ⓛ"}.get(getattr(item, "at", None) or "", "")
    return f"{sign}{written_text(item.zone)}{symbol}"


def _own_values(item: CharacteristicOptions, mm: float) -> dict[str, Any]:
    """Return what only some kinds have."""
    values: dict[str, Any] = {}
    if isinstance(item, Size):
        values |= {"size_definition": item.by, "across": item.across}
    if isinstance(item, Distance):
        values |= {"direction": _unit(item.along) if item.along is not None else None, "datum_system": item.datums}
    if isinstance(item, Orientation | Position):
        values |= {
            "zone_shape": item.shape,
            "direction": _unit(item.direction) if item.direction is not None else None,
            "extent": _span(item.over, mm),
            "datum_system": item.datums,
        }
    if isinstance(item, Orientation):
        values["reference"] = (item.to,) if item.to is not None else ()
    if isinstance(item, Position):
        conditional = item.at in ("maximum material", "least material")
        values |= {"across": item.across, "material_condition": item.at.split()[0] if conditional and item.at else None}
        if conditional and item.size_limits is not None:
            values["size_limits"] = (item.size_limits.lower * mm, item.size_limits.upper * mm)
    if isinstance(item, Profile):
        shift = item.outside - item.zone / 2 if item.outside is not None else (item.unequal or 0.0)
        values |= {"unequal": shift * mm, "reach": _times(item.reach, mm), "datum_system": item.datums}
    if isinstance(item, OtherGauge):
        values["entered"] = {"what": item.other_gauge, "kind": item.kind_, "gauge": item.gauge or ""}
    return values


def _times(value: float | None, factor: float) -> float | None:
    return None if value is None else float(value) * factor


def _filter(judge: Judge | str | None, mm: float) -> FormFilter:
    if isinstance(judge, Judge):
        if judge.filter is not None:
            return FormFilter(judge.filter, _times(judge.cutoff, mm))
        return FormFilter("central 95 %")
    return FormFilter()


def _decision(full: Recipe) -> DecisionSpec:
    if full.decision.factor is not None:
        return DecisionSpec("guarded by factor", float(full.decision.factor))
    return DecisionSpec(full.decision.rule)


def _features_of(full: Recipe, item: CharacteristicOptions) -> tuple[str, ...]:
    if isinstance(item, OtherGauge):
        return ()
    value = getattr(item, item.kind)
    return tuple(value) if isinstance(value, tuple) else _members(full, value)
