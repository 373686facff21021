"""Flatness, roundness and cylindricity by their minimum zones (ISO 1101:2017, ISO 12781, 12181, 12180)."""

from __future__ import annotations

import numpy as np

from runner.geometry.fits.cylindricity import zone_cylinder
from runner.geometry.fits.flatness import zone_plane
from runner.geometry.fits.result import FailedFit
from runner.geometry.fits.roundness import zone_sphere
from runner.geometry.fits.section import zone_section
from runner.geometry.fits.zone import Zone
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Circle, Cone, Cylinder, Plane, Sphere, vector
from runner.measure.characteristics.common import Context, Finding, Missing, Value, found
from runner.measure.characteristics.form_points import (
    cylinder_profile,
    plane_profile,
    sections_across,
    surface_profile,
)
from runner.measure.characteristics.noise_part import zone_details
from runner.measure.element import as_surface, axial, direction, place, signed_distance
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
    details: dict[str, float | str] = {"definition": "minimum zone of two parallel planes"}
    plain = None if spec.judge.kind == "none" else _width(zone_plane(feature.points, feature.shape))
    return width_value(feature, _width(zone), spec, details, plain)


def _round(spec: CharacteristicSpec, context: Context, name: str) -> Finding:
    feature = found(context, name)
    if isinstance(feature, Missing):
        return feature
    if feature.spec.source == "edges":
        return Missing(name, "roundness of an edge is not available: the scatter of edge points is not form")
    shape = feature.shape
    if isinstance(shape, Sphere):
        return _sphere(spec, feature, shape)
    if not isinstance(shape, Cylinder | Circle | Cone):
        return Missing(name, "roundness is asked of a sphere, a cone, a cylinder or a circle")
    points = surface_profile(feature.points, shape, spec.judge)
    if isinstance(points, str):
        return Missing(name, points)
    got = _sections(points, shape)
    if isinstance(got, str):
        return Missing(name, got)
    details: dict[str, float | str] = {
        "definition": "minimum zone of two concentric circles, worst section",
        "sections": float(got[1]),
    }
    plain: float | str | None = None
    if spec.judge.kind != "none":
        whole = _sections(feature.points, shape)
        plain = whole if isinstance(whole, str) else whole[0]
    return width_value(feature, got[0], spec, details, plain, share=1.0 / got[1])


def _sections(points: Floats, shape: Cylinder | Circle | Cone) -> tuple[float, int] | str:
    """Widest zone of all sections and their number. On a cone the points first slide down its surface to the section.

    In a section of some thickness a cone's radius changes; what is left after it slides is its form, over the cosine of
    the half angle since the zone lies in the section's plane.
    """
    axis, origin = direction(shape), place(shape)
    assert axis is not None
    if isinstance(shape, Cone):
        middle = float(np.mean((points - origin) @ axis))
        radius = middle * np.tan(shape.half_angle)
        height, _, radial = axial(points, origin, axis)
        normal = signed_distance(shape, points) / np.cos(shape.half_angle)
        points = origin + height[:, None] * axis + (radius + normal)[:, None] * radial
        cylinder = Cylinder(vector(origin), vector(axis), radius)
    else:
        cylinder = Cylinder(vector(origin), vector(axis), shape.radius)
    widths = [_width(zone_section(section)) for section in sections_across(points, cylinder)]
    numbers = [w for w in widths if not isinstance(w, str)]
    if not numbers:
        return str(widths[0]) if widths else "too few points in any section"
    return max(numbers), len(numbers)


def _sphere(spec: CharacteristicSpec, feature: FoundFeature, shape: Sphere) -> Finding:
    """Roundness of a sphere: of its great circles at most, and so of the whole surface, between concentric spheres."""
    points = surface_profile(feature.points, shape, spec.judge)
    if isinstance(points, str):
        return Missing(feature.spec.name, points)
    details: dict[str, float | str] = {
        "definition": "minimum zone of two concentric spheres over the whole surface, which no section exceeds"
    }
    plain = None if spec.judge.kind == "none" else _width(zone_sphere(feature.points))
    return width_value(feature, _width(zone_sphere(points)), spec, details, plain)


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
    details: dict[str, float | str] = {"definition": "minimum zone of two coaxial cylinders"}
    plain = None if spec.judge.kind == "none" else _width(zone_cylinder(feature.points, feature.shape))
    return width_value(feature, _width(zone), spec, details, plain)


def width_value(
    feature: FoundFeature,
    width: float | str,
    spec: CharacteristicSpec,
    details: dict[str, float | str],
    plain: float | str | None = None,
    *,
    share: float = 1.0,
) -> Finding:
    """Return a zone width as a finding, with the filter it was judged by and what noise adds to it.

    ``plain`` is the zone over all points, given beside a filtered one; ``share`` that of the points in one section.
    """
    if isinstance(width, str):
        return Missing(feature.spec.name, width)
    details = details | {"judged": judged_as(spec)}
    if plain is not None:
        details["plain zone"] = plain
    if feature.shape is not None and len(feature.points):
        points = feature.points
        heights = signed_distance(as_surface(feature.shape), points)
        if share < 1.0:
            along = points @ direction(feature.shape)  # type: ignore[operator]
            order = np.argsort(along)[: max(16, int(share * len(points)))]
            points, heights = points[order], heights[order]
        details |= zone_details(points, heights, width, spec.judge)
    return Value(feature.spec.name, width, points=len(feature.points), coverage=feature.coverage, details=details)


def judged_as(spec: CharacteristicSpec) -> str:
    """Return the filter of the judged zone in words."""
    judge = spec.judge
    if judge.kind == "gaussian":
        return f"Gaussian filter, cut-off {judge.cutoff:g} mm"
    words = {"none": "plain zone over all points", "central 95 %": "zone of the central 95 % of points"}
    return words.get(judge.kind, "")


def _width(zone: Zone | FailedFit) -> float | str:
    return zone.reason if isinstance(zone, FailedFit) else float(zone.width)


def spread(heights: Floats) -> float:
    """Return highest less lowest."""
    return float(np.max(heights) - np.min(heights))
