"""Flatness, roundness and cylindricity by their minimum zones (ISO 1101:2017, ISO 12781, 12181, 12180)."""

from __future__ import annotations

import numpy as np

from runner.geometry.fits.cylindricity import zone_cylinder
from runner.geometry.fits.flatness import zone_plane
from runner.geometry.fits.result import FailedFit
from runner.geometry.fits.roundness import zone_circle
from runner.geometry.fits.zone import Zone
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Circle, Cylinder, Plane
from runner.measure.characteristics.common import Context, Finding, Missing, Value, found
from runner.measure.characteristics.form_points import cylinder_profile, plane_profile, sections_across
from runner.measure.characteristics.size import cylinder_of
from runner.measure.found import FoundFeature
from runner.measure.specs import CharacteristicSpec


def flatness(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return the width of the thinnest pair of parallel planes that holds the face."""
    return [_flat(spec, context, name) for name in spec.features]


def roundness(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return the widest of the sections' minimum zones between two concentric circles."""
    return [_round(spec, context, name) for name in spec.features]


def cylindricity(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return the width of the thinnest pair of coaxial cylinders that holds the surface."""
    return [_cylindric(spec, context, name) for name in spec.features]


def _flat(spec: CharacteristicSpec, context: Context, name: str) -> Finding:
    feature = found(context, name)
    if isinstance(feature, Missing):
        return feature
    if not isinstance(feature.shape, Plane):
        return Missing(name, "flatness is asked of a plane")
    points = plane_profile(feature.points, feature.shape, spec.judge)
    if isinstance(points, str):
        return Missing(name, points)
    zone = zone_plane(points, feature.shape)
    return width_value(feature, _width(zone), spec, {"definition": "minimum zone of two parallel planes"})


def _round(spec: CharacteristicSpec, context: Context, name: str) -> Finding:
    feature = found(context, name)
    if isinstance(feature, Missing):
        return feature
    if feature.spec.source == "edges":
        return Missing(name, "roundness of an edge is not available: the scatter of edge points is not form")
    if not isinstance(feature.shape, Cylinder | Circle):
        return Missing(name, "roundness is asked of a cylinder or a circle")
    cylinder = cylinder_of(feature)
    points = cylinder_profile(feature.points, cylinder, spec.judge)
    if isinstance(points, str):
        return Missing(name, points)
    widths = [_width(zone_circle(section)) for section in sections_across(points, cylinder)]
    numbers = [w for w in widths if not isinstance(w, str)]
    if not numbers:
        return Missing(name, str(widths[0]) if widths else "too few points in any section")
    details: dict[str, float | str] = {
        "definition": "minimum zone of two concentric circles, worst section",
        "sections": float(len(numbers)),
    }
    return width_value(feature, max(numbers), spec, details)


def _cylindric(spec: CharacteristicSpec, context: Context, name: str) -> Finding:
    feature = found(context, name)
    if isinstance(feature, Missing):
        return feature
    if not isinstance(feature.shape, Cylinder):
        return Missing(name, "cylindricity is asked of a cylinder")
    points = cylinder_profile(feature.points, feature.shape, spec.judge)
    if isinstance(points, str):
        return Missing(name, points)
    zone = zone_cylinder(points, feature.shape)
    return width_value(feature, _width(zone), spec, {"definition": "minimum zone of two coaxial cylinders"})


def width_value(
    feature: FoundFeature, width: float | str, spec: CharacteristicSpec, details: dict[str, float | str]
) -> Finding:
    """Return a zone width as a finding, with the filter it was judged by."""
    if isinstance(width, str):
        return Missing(feature.spec.name, width)
    judge = spec.judge
    words = {"none": "plain zone over all points", "central 95 %": "zone of the central 95 % of points"}
    details = details | {
        "judged": f"Gaussian filter, cut-off {judge.cutoff:g} mm"
        if judge.kind == "gaussian"
        else words.get(judge.kind, "")
    }
    return Value(feature.spec.name, width, points=len(feature.points), coverage=feature.coverage, details=details)


def _width(zone: Zone | FailedFit) -> float | str:
    return zone.reason if isinstance(zone, FailedFit) else float(zone.width)


def spread(heights: Floats) -> float:
    """Return highest less lowest."""
    return float(np.max(heights) - np.min(heights))
