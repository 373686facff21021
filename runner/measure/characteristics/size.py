"""Size: two-point, least squares, inscribed, circumscribed and envelope (ISO 14405-1:2016, ASME Y14.5-2018)."""

from __future__ import annotations

from weakref import WeakKeyDictionary

import numpy as np

from runner.geometry.fits.cylindricity import circumscribed_cylinder, inscribed_cylinder
from runner.geometry.fits.pair import mating_pair
from runner.geometry.fits.result import FailedFit, Fixed
from runner.geometry.frames import perpendicular
from runner.geometry.shapes import Circle, Cylinder, Plane, Slot, Sphere
from runner.measure.characteristics.common import Context, Finding, Missing, Value, found
from runner.measure.characteristics.gather import critical
from runner.measure.characteristics.sections import Section, profile_points, sections_of, two_point_sizes
from runner.measure.characteristics.thickness import thickness
from runner.measure.characteristics.walls import SPHERE_CELLS, slot_walls, sphere_local, sphere_mating
from runner.measure.element import array
from runner.measure.found import FoundFeature
from runner.measure.specs import CharacteristicSpec

LEAST_PAIRS = 0.25
"""Two-point size needs opposite points on this share of the half turn."""


def evaluate(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return the sizes of the features, or for two facing planes the size between them."""
    first = context.specs.get(spec.features[0]) if spec.features else None
    if len(spec.features) == 2 and first is not None and first.kind == "plane":
        return [thickness(spec, context)]
    return [_one(spec, context, name) for name in spec.features]


def _one(spec: CharacteristicSpec, context: Context, name: str) -> Finding:
    feature = found(context, name)
    if isinstance(feature, Missing):
        return feature
    shape = feature.shape
    if isinstance(shape, Slot):
        return _slot_size(spec, feature)
    if isinstance(shape, Circle) and feature.spec.source == "edges":
        return _edge_circle(spec, feature)
    if isinstance(shape, Sphere):
        return _sphere_size(spec, feature)
    if isinstance(shape, Circle | Cylinder):
        return _round_size(spec, feature)
    if isinstance(shape, Plane):
        return Missing(name, "the size of a single plane is not defined: name two facing planes")
    return Missing(name, f"a {feature.spec.kind} has no size")


def cylinder_of(feature: FoundFeature) -> Cylinder:
    """Return the measured cylinder of a cylinder, or of a circle taken from its wall."""
    shape = feature.shape
    if isinstance(shape, Circle):
        return Cylinder(shape.centre, shape.axis, shape.radius)
    assert isinstance(shape, Cylinder)
    return shape


def _round_size(spec: CharacteristicSpec, feature: FoundFeature) -> Finding:
    cylinder = cylinder_of(feature)
    if spec.size_definition == "GG":
        return _value(feature, 2.0 * cylinder.radius, {"definition": "global least squares (GG)"})
    sections = sections_of(feature.points, cylinder)
    if not sections:
        return Missing(feature.spec.name, f"too few points ({len(feature.points)}) for sections across the axis")
    details: dict[str, float | str] = {"least-squares size": 2.0 * cylinder.radius, "sections": float(len(sections))}
    local = two_point_sizes(sections)
    enough = len(local) >= LEAST_PAIRS * 36 * len(sections)
    if spec.size_definition in ("two-point", "envelope"):
        if not enough:
            turn = feature.patch.swept if feature.patch is not None else None
            half = turn is not None and turn < np.pi
            why = "its nominal has less than half a turn" if half else "it was seen from one side only"
            return Missing(feature.spec.name, f"two-point size needs opposite points: {why}")
        details |= {"smallest": float(local.min()), "largest": float(local.max()), "mean": float(local.mean())}
    if spec.size_definition == "two-point":
        details["definition"] = "two-point (LP), over the profile without noise"
        judged = (float(local.min()), float(local.max()))
        return _value(feature, critical(judged, spec), details, judged)
    bore = feature.patch is None or feature.patch.outward < 0
    inscribed = spec.size_definition == "GX" or (spec.size_definition == "envelope" and bore)
    mating = _touching(feature, sections, inscribed=inscribed)
    if isinstance(mating, str):
        return Missing(feature.spec.name, mating)
    if spec.size_definition in ("GX", "GN"):
        name = "maximum inscribed (GX)" if inscribed else "minimum circumscribed (GN)"
        return _value(feature, mating, details | {"definition": name})
    details |= {"definition": "envelope and local size", "mating size": mating}
    every = (mating, float(local.min()), float(local.max()))
    return _value(feature, critical(every, spec), details, every)


_MATING: WeakKeyDictionary[FoundFeature, float | str] = WeakKeyDictionary()


def mating_size(feature: FoundFeature) -> float | str:
    """Return the actual mating diameter (inscribed for a bore, circumscribed for a shaft), or why there is none."""
    # sought once: zones that move together and the value itself both ask
    if feature not in _MATING:
        _MATING[feature] = _mating_size(feature)
    return _MATING[feature]


def _mating_size(feature: FoundFeature) -> float | str:
    if isinstance(feature.shape, Circle) and feature.spec.source == "edges":
        if feature.border is not None:
            return 2.0 * (feature.shape.radius - feature.border.ovality)
        return "the edge has no border"
    if isinstance(feature.shape, Slot):
        if feature.spec.source == "edges":
            return feature.shape.width
        walls = slot_walls(feature, "width")
        if isinstance(walls, str):
            return walls
        pair = mating_pair(walls.upper, walls.lower, np.array([0.0, 1.0]), inside=True)
        return pair.reason if isinstance(pair, FailedFit) else pair.width
    if isinstance(feature.shape, Sphere):
        return sphere_mating(feature, inscribed=feature.patch is None or feature.patch.outward < 0)
    if not isinstance(feature.shape, Circle | Cylinder):
        return f"a {feature.spec.kind} has no mating size"
    sections = sections_of(feature.points, cylinder_of(feature))
    if not sections:
        return "too few points for sections across the axis"
    return _touching(feature, sections, inscribed=feature.patch is None or feature.patch.outward < 0)


def _touching(feature: FoundFeature, sections: list[Section], *, inscribed: bool) -> float | str:
    """Diameter of the largest inscribed or smallest circumscribed cylinder of the measured profile."""
    cylinder = cylinder_of(feature)
    points = profile_points(sections, cylinder)
    if len(points) < 12:
        return "too few points for an inscribed or circumscribed cylinder"
    if _largest_gap(points, cylinder) > np.pi:
        return "an inscribed or circumscribed size needs more than half a turn of points"
    # one section, or a circle, says nothing about the tilt of the axis
    flat = len(sections) < 3 or isinstance(feature.shape, Circle)
    held = Fixed(axis=cylinder.axis)
    touching = inscribed_cylinder if inscribed else circumscribed_cylinder
    zone = touching(points, cylinder, held if flat else None)
    if isinstance(zone, FailedFit):
        zone = touching(points, cylinder, held)
    return zone.reason if isinstance(zone, FailedFit) else 2.0 * float(zone.shape.radius)


def _largest_gap(points: np.ndarray, cylinder: Cylinder) -> float:
    u, v = perpendicular(array(cylinder.axis))
    offset = points - array(cylinder.point)
    angle = np.sort(np.arctan2(offset @ v, offset @ u))
    return float(np.diff(np.concatenate([angle, [angle[0] + 2 * np.pi]])).max())


def _edge_circle(spec: CharacteristicSpec, feature: FoundFeature) -> Finding:
    """A hole's edge: two-point size over what its ovality shows above the scatter of counting."""
    shape, border = feature.shape, feature.border
    assert isinstance(shape, Circle)
    size = 2.0 * shape.radius
    if border is None:
        return _value(feature, size, {"definition": "least squares over the edge"})
    details: dict[str, float | str] = {
        "raw size (outermost points)": border.raw_size,
        "edge correction": border.correction,
        "standard uncertainty of the edge": border.size_standard,
        "least-squares size": size,
    }
    if spec.size_definition == "GG":
        return _value(feature, size, details | {"definition": "global least squares (GG) over the edge"})
    low, high = size - 2.0 * border.ovality, size + 2.0 * border.ovality
    if spec.size_definition in ("GX", "GN"):
        value = low if spec.size_definition == "GX" else high
        return _value(
            feature, value, details | {"definition": f"{spec.size_definition} over the edge's second harmonic"}
        )
    if border.widest_gap > np.pi:
        return Missing(feature.spec.name, "two-point size needs opposite points: the edge was seen on one side only")
    judged = (low, high)
    details |= {"definition": "two-point (LP) over the edge's second harmonic", "smallest": low, "largest": high}
    return _value(feature, critical(judged, spec), details, judged)


def _slot_size(spec: CharacteristicSpec, feature: FoundFeature) -> Finding:
    shape = feature.shape
    assert isinstance(shape, Slot)
    if spec.across not in ("width", "length"):
        return Missing(feature.spec.name, "say which size of the slot is meant: width or length")
    if feature.spec.source == "surface" and spec.size_definition != "GG":
        return _wall_size(spec, feature, shape)
    if spec.size_definition in ("GX", "GN"):
        return Missing(feature.spec.name, f"{spec.size_definition} size of a slot needs its walls; from an edge GG is")
    details: dict[str, float | str] = {"definition": f"global least squares (GG) over the outline ({spec.across})"}
    if feature.border is not None:
        details["edge correction"] = feature.border.correction
        row = feature.border.outline.names.index(spec.across)
        spread = float(np.sqrt(max(feature.border.covariance[row, row], 0.0)))
        details["standard uncertainty of the edge"] = spread
    return _value(feature, shape.width if spec.across == "width" else shape.length, details)


def _wall_size(spec: CharacteristicSpec, feature: FoundFeature, shape: Slot) -> Finding:
    """Two-point, mating or envelope size between two opposite walls of a slot or rectangle."""
    name, across = feature.spec.name, spec.across or "width"
    if across == "length" and shape.round_ends:
        details: dict[str, float | str] = {
            "definition": "global least squares (GG) over the outline: its ends are round"
        }
        return _value(feature, shape.length, details)
    walls = slot_walls(feature, across)
    if isinstance(walls, str):
        return Missing(name, walls)
    local = walls.local
    details = {
        "least-squares size": shape.width if across == "width" else shape.length,
        "smallest": float(local.min()),
        "largest": float(local.max()),
        "mean": float(local.mean()),
    }
    if spec.size_definition == "two-point":
        details["definition"] = f"two-point (LP), between means over opposite cells of {walls.cell:.2g} mm"
        judged = (float(local.min()), float(local.max()))
        return _value(feature, critical(judged, spec), details, judged)
    inside = spec.size_definition != "GN"
    pair = mating_pair(walls.upper, walls.lower, np.array([0.0, 1.0]), inside=inside)
    if isinstance(pair, FailedFit):
        return Missing(name, pair.reason)
    if spec.size_definition in ("GX", "GN"):
        word = "farthest apart between (GX)" if inside else "nearest around (GN)"
        return _value(feature, pair.width, details | {"definition": f"parallel planes {word} the means over cells"})
    details |= {"definition": "envelope and local size", "mating size": pair.width}
    every = (pair.width, float(local.min()), float(local.max()))
    return _value(feature, critical(every, spec), details, every)


def _sphere_size(spec: CharacteristicSpec, feature: FoundFeature) -> Finding:
    """Sizes of a sphere: two-point between opposite cells of its surface."""
    name, shape = feature.spec.name, feature.shape
    assert isinstance(shape, Sphere)
    gg = 2.0 * shape.radius
    if spec.size_definition == "GG":
        return _value(feature, gg, {"definition": "global least squares (GG)"})
    details: dict[str, float | str] = {"least-squares size": gg}
    local = np.zeros(0)
    if spec.size_definition in ("two-point", "envelope"):
        local = sphere_local(feature)
        if len(local) < LEAST_PAIRS * SPHERE_CELLS:
            return Missing(name, "two-point size needs opposite points: it was seen from one side only")
        details |= {"smallest": float(local.min()), "largest": float(local.max()), "mean": float(local.mean())}
    if spec.size_definition == "two-point":
        details["definition"] = "two-point (LP), between means over opposite cells"
        judged = (float(local.min()), float(local.max()))
        return _value(feature, critical(judged, spec), details, judged)
    hollow = feature.patch is None or feature.patch.outward < 0
    inscribed = spec.size_definition == "GX" or (spec.size_definition == "envelope" and hollow)
    mating = sphere_mating(feature, inscribed=inscribed)
    if isinstance(mating, str):
        return Missing(name, mating)
    if spec.size_definition in ("GX", "GN"):
        word = "maximum inscribed (GX)" if inscribed else "minimum circumscribed (GN)"
        return _value(feature, mating, details | {"definition": f"{word} sphere of the means over cells"})
    every = (mating, float(local.min()), float(local.max()))
    details |= {"definition": "envelope and local size", "mating size": mating}
    return _value(feature, critical(every, spec), details, every)


def _value(
    feature: FoundFeature, value: float, details: dict[str, float | str], judged: tuple[float, ...] = ()
) -> Value:
    return Value(
        feature.spec.name,
        float(value),
        judged=judged,
        points=len(feature.points),
        coverage=feature.coverage,
        details=details,
    )
