"""Characteristics to specs."""

from __future__ import annotations

import math
from typing import Any

from runner.measure.specs import CharacteristicSpec, DecisionSpec, PointSpec
from runner.recipe import characteristics as c
from runner.recipe.confirmed import unconfirmed
from runner.recipe.features import PatternFeature
from runner.recipe.limits import Limits, with_shorter_side
from runner.recipe.scalars import written_text
from runner.recipe.schema import Recipe
from runner.recipe.sentences import sentence
from runner.recipe.translate.datums import form_filter, members
from runner.recipe.translate.shapes import scaled, span_mm, unit_vector


def characteristic_spec(full: Recipe, name: str) -> CharacteristicSpec:
    """Return the spec of one characteristic of a resolved recipe."""
    item: c.CharacteristicOptions = full.characteristics[name]
    mm = full.millimetres
    unit_text = "deg" if item.angular else full.drawing.units
    if isinstance(item, c.OtherGauge) and item.unit is not None:
        unit_text = item.unit
    if isinstance(item, c.Statistics) and item.of == "share within":
        unit_text, mm_per_unit = "%", 1.0  # a share is a plain number inside
    else:
        mm_per_unit = mm
    to_internal = math.pi / 180.0 if unit_text == "deg" else mm_per_unit
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
        shorter = getattr(item, "shorter_side", None)
        if limits.general_class and shorter is not None:
            limits = with_shorter_side(limits, shorter * mm)
        values |= {
            "nominal": _times(limits.nominal, to_internal),
            "lower": _times(limits.lower, to_internal),
            "upper": _times(limits.upper, to_internal),
            "limits_text": limits.text + (" (table row not confirmed)" if unconfirmed(limits) else ""),
        }
    uncertainty = getattr(item, "uncertainty", None)
    values["stated_uncertainty"] = _times(uncertainty, to_internal)
    need = getattr(item, "need", None)
    if need is not None:
        values["need_coverage"] = float(need.coverage or 0.0)
        values["largest_gap"] = _times(need.largest_gap, mm)
    values |= _own_values(full, item, mm)
    values |= _quantity(full, item)
    if hasattr(item, "judge"):
        values["judge"] = form_filter(item.judge, mm)
    zone = getattr(item, "zone", None)
    if zone is not None:
        values["zone"] = zone * mm
        values["limits_text"] = zone_text(item)
    frame = getattr(item, "datums", None)
    if frame is not None:
        values["datum_system"] = frame
    return CharacteristicSpec(**values)


def zone_text(item: Any) -> str:
    """Return the requirement of a geometrical tolerance as the drawing writes it, e.g. ``Ø 0.4 Ⓜ A|B|C``."""
    sign = {"diametral": "Ø ", "spherical": "SØ "}.get(
        getattr(item, "shape", None) or ("diametral" if isinstance(item, c.Coaxial) else ""), ""
    )
    symbol = {"maximum material": " Ⓜ", "least material": " Ⓛ"}.get(getattr(item, "at", None) or "", "")
    return f"{sign}{written_text(item.zone)}{symbol}"


def _direction(value: Any) -> Any:
    return None if value is None else unit_vector(value)


def _own_values(full: Recipe, item: c.CharacteristicOptions, mm: float) -> dict[str, Any]:
    """Return what only some kinds have."""
    values: dict[str, Any] = {}
    if isinstance(item, c.Size):
        values |= {"size_definition": item.by, "across": item.across}
    if isinstance(item, c.Distance | c.AngleBetween):
        values["direction"] = _direction(item.along)
    if isinstance(item, c.Straightness):
        values |= {"zone_shape": item.shape, "direction": _direction(item.along or item.direction)}
    if isinstance(item, c.Orientation | c.Position):
        values |= {
            "zone_shape": item.shape,
            "direction": _direction(item.direction),
            "extent": span_mm(item.over, mm),
        }
    if isinstance(item, c.Orientation):
        values["reference"] = (item.to,) if item.to is not None else ()
    if isinstance(item, c.Coaxial):
        values["zone_shape"] = "diametral"
    if isinstance(item, c.Symmetry):
        values["across"] = item.across
    if isinstance(item, c.Position):
        conditional = item.at in ("maximum material", "least material")
        values |= {"across": item.across, "material_condition": item.at.split()[0] if conditional and item.at else None}
        if conditional and item.size_limits is not None:
            values["size_limits"] = (item.size_limits.lower * mm, item.size_limits.upper * mm)
    if isinstance(item, c.Position | c.Profile):
        values |= {
            "combined": item.zones == "combined",
            "simultaneous": "" if item.simultaneous in (None, "separate") else item.simultaneous,
        }
    if isinstance(item, c.ProfileZone):
        shift = item.outside - item.zone / 2 if item.outside is not None else (item.unequal or 0.0)
        values |= {"unequal": shift * mm, "reach": _times(item.reach, mm)}
    if isinstance(item, c.ProfileOfALine):
        values["direction"] = _direction(item.direction)
    if isinstance(item, c.ProfileOfALine | c.CircularRunout | c.TrimEdge | c.Gap):
        values["step"] = _times(item.step, mm)
    if isinstance(item, c.Step):
        values["step"] = _times(item.every, mm)
    if isinstance(item, c.Statistics):
        values["reach"] = _times(item.within, mm)
    if isinstance(item, c.TrimEdge):
        search = item.search if item.search is not None else getattr(full.features[item.trim_edge], "search", None)
        values["search"] = _times(search, mm) or 1.0
    if isinstance(item, c.PointList):
        values |= _points(full, item, mm)
    if isinstance(item, c.OtherGauge):
        values["entered"] = {"what": item.other_gauge, "kind": item.kind_, "gauge": item.gauge or ""}
    return values


def _quantity(full: Recipe, item: c.CharacteristicOptions) -> dict[str, Any]:
    """Return which of several values of the kind is meant."""
    if isinstance(item, c.Distance | c.AngleBetween):
        return {"quantity": item.between}
    if isinstance(item, c.Coordinates):
        return {"quantity": item.axis}
    if isinstance(item, c.Countersink | c.Chamfer | c.Statistics):
        return {"quantity": item.of}
    if isinstance(item, c.BendAngle):
        return {"quantity": "included" if item.included else "bend"}
    if isinstance(item, c.Straightness):
        kind = kind_of(full, item.straightness)
        return {"quantity": item.of or ("along" if kind == "plane" else "edge")}
    if isinstance(item, c.CircularRunout):
        return {"quantity": "axial" if kind_of(full, item.circular_runout) == "plane" else "radial"}
    return {}


def kind_of(full: Recipe, reference: str) -> str:
    """Return the kind of feature a reference names; of a pattern, that of its members."""
    name = reference.removeprefix("each of ")
    item = full.features.get(name) or full.features.get(name.rpartition(" ")[0])
    return item.of.repeated if isinstance(item, PatternFeature) else item.kind if item is not None else ""


def _points(full: Recipe, item: c.PointList, mm: float) -> dict[str, Any]:
    """Return the points of a list from a file, mm."""
    table = full.source.tables.get(item.point_file or "")
    points = tuple(
        PointSpec(
            row.name,
            scaled(row.at, mm),
            unit_vector(row.direction),
            row.lower * mm,
            row.upper * mm,
            None if row.normal is None else unit_vector(row.normal),
        )
        for row in (table.rows if table is not None else ())
    )
    return {"points": points, "nominal": 0.0, "search": _times(item.search, mm) or 1.0}


def _times(value: float | None, factor: float) -> float | None:
    return None if value is None else float(value) * factor


def _decision(full: Recipe) -> DecisionSpec:
    if full.decision.factor is not None:
        return DecisionSpec("guarded by factor", float(full.decision.factor))
    return DecisionSpec(full.decision.rule)


def _features_of(full: Recipe, item: c.CharacteristicOptions) -> tuple[str, ...]:
    """Return what is asked, in the order of the measuring core; a pattern by its members."""
    return tuple(name for _, reference in item.references for name in members(full, reference))
