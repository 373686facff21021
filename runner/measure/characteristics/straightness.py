"""Straightness: of an axis, of the lines of a surface, of an edge (ISO 1101:2017, 17.2; ISO 12780-1:2011)."""

from __future__ import annotations

import numpy as np

from runner.geometry.fits.circle import fit_circle2d
from runner.geometry.fits.cylindricity import circumscribed_cylinder
from runner.geometry.fits.flatness import zone_line2d
from runner.geometry.fits.result import FailedFit
from runner.geometry.frames import perpendicular, unit
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Cone, Cylinder, Line, Plane, vector
from runner.measure.characteristics.common import Context, Finding, Missing, Value, found
from runner.measure.characteristics.form import judged_as
from runner.measure.characteristics.form_points import surface_profile
from runner.measure.characteristics.noise_part import zone_details
from runner.measure.characteristics.runout import slices
from runner.measure.element import array, as_surface, axial, direction, place, signed_distance
from runner.measure.found import FoundFeature
from runner.measure.minimax import least_largest
from runner.measure.specs import CharacteristicSpec

GENERATORS = 36
MOST_LINES = 60
LEAST_LINE = 12
"""Points of a line."""
LINE_SHARE = 0.5
"""A line shorter than this share of the longest one isn't judged by itself."""
LEAST_SECTIONS = 4
LEAST_TURN = 0.5
"""Share of the turn that must be seen before a section has a centre."""


def evaluate(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return the straightness of each feature, as the quantity asks: edge, axis, generators or along."""
    return [_one(spec, context, name) for name in spec.features]


def _one(spec: CharacteristicSpec, context: Context, name: str) -> Finding:
    feature = found(context, name)
    if isinstance(feature, Missing):
        return feature
    shape = feature.shape
    asked = spec.quantity or _usual(feature)
    if asked == "edge":
        return _edge(spec, feature)
    if feature.spec.source != "surface" or not len(feature.points):
        return Missing(name, "its straightness needs surface points")
    if asked == "axis" and isinstance(shape, Cylinder | Cone):
        return _axis(spec, feature, shape)
    if asked == "generators" and isinstance(shape, Cylinder | Cone):
        return _lines(spec, feature, shape)
    if asked == "along" and isinstance(shape, Plane):
        return _lines(spec, feature, shape)
    return Missing(name, f'straightness "{asked}" is not defined for a {feature.spec.kind}')


def _usual(feature: FoundFeature) -> str:
    if isinstance(feature.shape, Plane):
        return "along"
    return "axis" if isinstance(feature.shape, Cylinder | Cone) else "edge"


def _edge(spec: CharacteristicSpec, feature: FoundFeature) -> Finding:
    """An edge found by counting: its cells' offsets along it, in the sheet."""
    name, border = feature.spec.name, feature.border
    if not isinstance(feature.shape, Line) or border is None:
        return Missing(name, "straightness of an edge needs a line that is measured from edges")
    if spec.zone_shape == "diametral":
        return Missing(name, "the height of an edge isn't seen by counting: its straightness is judged in the sheet")
    zone = zone_line2d(np.column_stack([border.along, border.offsets]))
    if isinstance(zone, FailedFit):
        return Missing(name, zone.reason)
    noise = float(border.rms)
    details: dict[str, float | str] = {
        "definition": "minimum zone of two parallel lines in the sheet, over the cells of the edge",
        "scatter of a cell, form included": noise,
        "sections": float(len(border.along)),
    }
    return Value(name, float(zone.width), points=len(feature.points), coverage=feature.coverage, details=details)


def _axis(spec: CharacteristicSpec, feature: FoundFeature, shape: Cylinder | Cone) -> Finding:
    """The median line: centres of least-squares circles, section by section; the least cylinder that holds them."""
    name = feature.spec.name
    points = surface_profile(feature.points, shape, spec.judge)
    if isinstance(points, str):
        return Missing(name, points)
    centres = median_line(points, shape, spec.step)
    if isinstance(centres, str):
        return Missing(name, centres)
    value = _line_width(centres, shape, spec)
    if isinstance(value, str):
        return Missing(name, value)
    diametral = spec.zone_shape != "two planes" or spec.direction is None
    details: dict[str, float | str] = {
        "definition": "least cylinder that holds the centres of least-squares circles"
        if diametral
        else "two planes across the stated direction that hold the centres of least-squares circles",
        "judged": judged_as(spec),
        "sections": float(len(centres)),
    }
    if spec.judge.kind != "none":
        plain = median_line(feature.points, shape, spec.step)
        width = plain if isinstance(plain, str) else _line_width(plain, shape, spec)
        details["plain zone"] = width
    return Value(name, value, points=len(feature.points), coverage=feature.coverage, details=details)


def _line_width(centres: Floats, shape: Cylinder | Cone, spec: CharacteristicSpec) -> float | str:
    axis = direction(shape)
    assert axis is not None
    if spec.zone_shape == "two planes" and spec.direction is not None:
        across = unit(array(spec.direction) - (array(spec.direction) @ axis) * axis)
        flat = zone_line2d(np.column_stack([centres @ axis, centres @ across]))
        return flat.reason if isinstance(flat, FailedFit) else float(flat.width)
    mean = centres.mean(axis=0)
    away = centres - mean - ((centres - mean) @ axis)[:, None] * axis
    if float(np.abs(away).max()) < 1e-9:
        return 0.0
    zone = circumscribed_cylinder(centres, Cylinder(vector(mean), vector(axis), 1.0))
    return zone.reason if isinstance(zone, FailedFit) else 2.0 * float(zone.shape.radius)


def median_line(points: Floats, shape: Cylinder | Cone, step: float | None) -> Floats | str:
    """Return the centres (k, 3) of the sections across the axis of a cylinder or cone (ISO 17450-3)."""
    axis, origin = direction(shape), place(shape)
    assert axis is not None
    u, v = perpendicular(axis)
    height, _, _ = axial(points, origin, axis)
    centres = []
    for rows in slices(height, step):
        if len(rows) < LEAST_LINE:
            continue
        offset = points[rows] - origin
        flat = np.column_stack([offset @ u, offset @ v])
        sector = np.floor((np.arctan2(flat[:, 1], flat[:, 0]) / (2 * np.pi) + 0.5) * 36).astype(np.int64) % 36
        if len(np.unique(sector)) < LEAST_TURN * 36:
            continue
        middle = float(height[rows].mean())
        if isinstance(shape, Cone):
            # slide along the cone to the section's height, so that its thickness makes no scatter
            slide = (middle - height[rows]) * np.tan(shape.half_angle)
            flat = flat * (1.0 + slide / np.maximum(np.linalg.norm(flat, axis=1), 1e-12))[:, None]
        fit = fit_circle2d(flat)
        if not isinstance(fit, FailedFit):
            centre = np.array(fit.shape.centre)
            centres.append(origin + middle * axis + centre[0] * u + centre[1] * v)
    if len(centres) < LEAST_SECTIONS:
        return f"only {len(centres)} sections show a centre; at least {LEAST_SECTIONS} are needed for a median line"
    return np.array(centres)


def _lines(spec: CharacteristicSpec, feature: FoundFeature, shape: Plane | Cylinder | Cone) -> Finding:
    """Straight lines of a surface, each between two parallel lines in its own plane; the worst counts."""
    name = feature.spec.name
    if isinstance(shape, Plane) and spec.direction is None:
        return Missing(name, "straightness of a face needs the direction of its lines")
    points = surface_profile(feature.points, shape, spec.judge)
    if isinstance(points, str):
        return Missing(name, points)
    got = _worst_line(points, shape, spec)
    if isinstance(got, str):
        return Missing(name, got)
    details: dict[str, float | str] = {
        "definition": "minimum zone of two parallel lines, worst line of the surface",
        "judged": judged_as(spec),
        "sections": float(got[1]),
    }
    if spec.judge.kind != "none":
        plain = _worst_line(feature.points, shape, spec)
        details["plain zone"] = plain if isinstance(plain, str) else plain[0]
    # of all lines the one that noise lifts most counts: as for the whole surface
    details |= zone_details(feature.points, signed_distance(as_surface(shape), feature.points), got[0], spec.judge)
    return Value(name, got[0], points=len(feature.points), coverage=feature.coverage, details=details)


def _worst_line(points: Floats, shape: Plane | Cylinder | Cone, spec: CharacteristicSpec) -> tuple[float, int] | str:
    """Width of the worst line and the number of lines."""
    heights = signed_distance(shape, points)
    origin = place(shape)
    if isinstance(shape, Plane):
        normal = unit(array(shape.normal))
        way = array(spec.direction) if spec.direction is not None else perpendicular(normal)[0]
        way = way - (way @ normal) * normal
        if float(np.linalg.norm(way)) < 1e-3:
            return "the stated direction is that of the face's normal"
        way = unit(way)
        along = (points - origin) @ way
        across = (points - origin) @ np.cross(normal, way)
        span = float(np.ptp(across))
        count = int(np.clip(len(points) // 400, 1, MOST_LINES))
        if spec.step is not None and spec.step > 0.0:
            count = int(np.clip(round(span / spec.step), 1, 1000))
    else:
        axis = unit(array(shape.axis))
        height, _, _ = axial(points, origin, axis)
        u, v = perpendicular(axis)
        along = height / (np.cos(shape.half_angle) if isinstance(shape, Cone) else 1.0)
        across = np.arctan2((points - origin) @ v, (points - origin) @ u) + np.pi
        span, count = 2.0 * np.pi, GENERATORS
    low = 0.0 if not isinstance(shape, Plane) else float(across.min())
    number = np.minimum(((across - low) / max(span, 1e-12) * count).astype(np.int64), count - 1)
    longest = float(np.ptp(along))
    widths = []
    for k in range(count):
        rows = np.flatnonzero(number == k)
        if len(rows) < LEAST_LINE or float(np.ptp(along[rows])) < LINE_SHARE * longest:
            continue
        # a line has no thickness: the slope across the strip with which it needs least adds nothing of its own
        table = np.column_stack([np.ones(len(rows)), along[rows], across[rows]])
        table[:, 1:] -= table[:, 1:].mean(axis=0)
        strip = least_largest(table, heights[rows])
        if strip is not None:
            step, half = strip
            widths.append(2.0 * half / float(np.hypot(1.0, step[1])))
    if not widths:
        return f"too few points ({len(points)}) for lines along the surface"
    return max(widths), len(widths)
