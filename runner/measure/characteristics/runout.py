"""Circular and total runout: what an indicator would show while the part turns about the datum axis.

The part is turned about the datum axis as it was established; no movement is left to the zone (ISO 1101:2017, 17.15
and 17.16; ASME Y14.5-2018, 12.4 and 12.5). A datum at maximum material gives no shift here: runout is asked regardless
of the datum feature's size (ASME Y14.5-2018, 12.2; ISO 2692:2021 knows it for no runout). Clauses from memory.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from runner.geometry.frames import move_points, perpendicular
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Circle, Cone, Cylinder, Plane, Shape
from runner.measure.characteristics.common import Context, Finding, Missing, Value, found
from runner.measure.characteristics.form_points import surface_profile
from runner.measure.characteristics.noise_part import zone_details
from runner.measure.characteristics.orientation import frame_of
from runner.measure.datums import Established
from runner.measure.element import axial, direction, place, signed_distance
from runner.measure.found import FoundFeature
from runner.measure.specs import CharacteristicSpec
from runner.measure.twists import felt_space, rows_of_direction, rows_of_points

COAXIAL = 2e-3
"""mm that a nominal axis may lie off the datum's."""
PARALLEL = 1e-4
"""rad, likewise."""
SECTIONS = 9
LEAST_SECTION = 24
"""Points of a section or circle."""
SECTION_POINTS = 800
SECTORS = 36
WHOLE_TURN = 0.9
"""Share of the sectors of a turn that must be seen before ``conforms`` may be said."""


def circular(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return for each feature the largest of the readings' ranges, section by section or circle by circle."""
    return _each(spec, context, total=False)


def total(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return for each feature the range of the readings over its whole surface."""
    return _each(spec, context, total=True)


def _each(spec: CharacteristicSpec, context: Context, *, total: bool) -> list[Finding]:
    frame = frame_of(spec, context)
    if isinstance(frame, Missing):
        return [frame]
    return [_one(spec, context, name, frame, total=total) for name in spec.features]


def _one(spec: CharacteristicSpec, context: Context, name: str, system: Established, *, total: bool) -> Finding:
    feature = found(context, name)
    if isinstance(feature, Missing):
        return feature
    shape, nominal = feature.shape, feature.spec.shape
    kinds = (Cylinder, Plane) if total else (Cylinder, Cone, Circle, Plane)
    if not isinstance(shape, kinds) or nominal is None:
        what = "a cylinder or a plane" if total else "a cylinder, cone, circle or plane"
        return Missing(name, f"runout is asked of {what}, not of a {feature.spec.kind}")
    if feature.spec.source != "surface" or not len(feature.points):
        return Missing(name, "runout needs surface points: the scatter of edge points is not form")
    axis = _datum_axis(spec, context, system, nominal)
    if isinstance(axis, str):
        return Missing(name, axis)
    profile = surface_profile(feature.points, shape, spec.judge)
    if isinstance(profile, str):
        return Missing(name, profile)
    assert system.drawing_from_fit is not None
    plain = move_points(system.drawing_from_fit, feature.points)
    points = move_points(system.drawing_from_fit, profile)
    got = _reading(spec, points, nominal, *axis, total=total)
    if isinstance(got, str):
        return Missing(name, got)
    value, sections, seen = got
    details: dict[str, float | str] = {
        "definition": _definition(nominal, total=total),
        "sections": float(sections),
        "share of the turn seen, %": 100.0 * seen,
    }
    if spec.judge.kind != "none":
        whole = _reading(spec, plain, nominal, *axis, total=total)
        details["plain zone"] = whole if isinstance(whole, str) else whole[0]
    if total:
        details |= zone_details(plain, _indicator(plain, nominal, *axis), value, spec.judge, _area(feature))
    if system.allowances:
        details["datum"] = "regardless of its size: runout about a datum at maximum material is not defined"
    blocked = ""
    if seen < WHOLE_TURN:
        blocked = f"only {100.0 * seen:.0f} % of the turn was seen: the runout may be larger where nothing was"
    return Value(name, value, points=len(feature.points), coverage=feature.coverage, blocked=blocked, details=details)


def _definition(nominal: Shape, *, total: bool) -> str:
    if isinstance(nominal, Plane):
        return "axial: range of the heights over the face" if total else "axial: worst circle about the datum axis"
    if total:
        return "radial: range of the distances from the datum axis over the surface"
    return "normal to the surface, worst section" if isinstance(nominal, Cone) else "radial, worst section"


def _datum_axis(
    spec: CharacteristicSpec, context: Context, system: Established, nominal: Shape
) -> tuple[Floats, Floats] | str:
    """Point and direction of the datum axis that the feature turns about, or why there is none."""
    wish = direction(nominal)
    assert wish is not None
    origin = place(nominal)
    for name in _datum_features(spec, context):
        shape = context.specs[name].shape if name in context.specs else None
        if shape is None or isinstance(shape, Plane):
            continue
        axis = direction(shape)
        if axis is None or float(np.linalg.norm(np.cross(axis, wish))) > PARALLEL:
            continue
        away = origin - place(shape)
        off = float(np.linalg.norm(away - (away @ axis) * axis))
        if not isinstance(nominal, Plane) and off > COAXIAL:
            continue
        at = place(shape)
        u, v = perpendicular(axis)
        points = np.vstack([at, at])
        rows = np.vstack([rows_of_direction(axis)[0], rows_of_points(points, np.vstack([u, v]), system.centre)])
        if felt_space(rows, system.free).shape[1]:
            return "the datums don't hold the axis it is turned about"
        return at, axis
    return "no datum gives an axis that is coaxial with the feature (for a face: square to it)"


def _datum_features(spec: CharacteristicSpec, context: Context) -> tuple[str, ...]:
    if spec.datum_system is None:
        return spec.reference
    chosen = [s for s in context.plan.datum_systems if s.name == spec.datum_system]
    return tuple(name for s in chosen for datum in s.datums for name in datum.features)


def _indicator(points: Floats, nominal: Shape, at: Floats, axis: Floats) -> Floats:
    """What an indicator reads (n,), mm: along the axis on a face, normal to the nominal surface elsewhere."""
    if isinstance(nominal, Plane):
        return (points - at) @ axis
    return signed_distance(nominal, points)


def _reading(
    spec: CharacteristicSpec, points: Floats, nominal: Shape, at: Floats, axis: Floats, *, total: bool
) -> tuple[float, int, float] | str:
    """Range of the readings, number of sections, and the share of the turn that was seen; or why there is none."""
    reading = _indicator(points, nominal, at, axis)
    height, radius, _ = axial(points, at, axis)
    u, v = perpendicular(axis)
    angle = np.arctan2((points - at) @ v, (points - at) @ u)
    if total:
        return float(np.ptp(reading)), 1, _turn(angle)
    along = radius if isinstance(nominal, Plane) else height
    ranges, seen = [], []
    for rows in slices(along, spec.step, flat=isinstance(nominal, Circle)):
        if len(rows) >= LEAST_SECTION:
            ranges.append(_range(reading[rows], along[rows]))
            seen.append(_turn(angle[rows]))
    if not ranges:
        return "too few points in any section"
    return max(ranges), len(ranges), max(seen)


def _range(reading: Floats, along: Floats) -> float:
    """Range of a section's readings, less what the surface's slope along the section's thickness adds to it."""
    offset = along - along.mean()
    square = float(offset @ offset)
    slope = float(offset @ reading) / square if square > 1e-18 else 0.0
    # the slope of the ideal section is none; what is taken off never makes the range larger
    return min(float(np.ptp(reading)), float(np.ptp(reading - slope * offset)))


def slices(along: Floats, step: float | None, *, flat: bool = False) -> list[NDArray[np.int64]]:
    """Return the rows of each section: along the axis, or from circle to circle, ``step`` mm thick where stated."""
    low, high = float(along.min()), float(along.max())
    count = int(np.clip(len(along) // SECTION_POINTS, 1, SECTIONS))
    if step is not None and step > 0.0:
        count = int(np.clip(round((high - low) / step), 1, 200))
    if flat or high - low < 1e-9:
        count = 1
    number = np.minimum(((along - low) / max(high - low, 1e-12) * count).astype(np.int64), count - 1)
    return [np.flatnonzero(number == k) for k in range(count)]


def _turn(angle: Floats) -> float:
    """Share of the turn in whose sectors there are points."""
    sector = np.floor((angle + np.pi) / (2.0 * np.pi) * SECTORS).astype(np.int64) % SECTORS
    return float(len(np.unique(sector)) / SECTORS)


def _area(feature: FoundFeature) -> float | None:
    if feature.patch is None or feature.coverage is None:
        return None
    return feature.patch.area * max(feature.coverage, 1e-3)
