"""Position: twice the largest deviation of the axis, centre or median plane from its true place in the datum frame."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from runner.geometry.frames import invert, move_points, perpendicular, unit
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Cone, Cylinder, Line, Plane, Point, Shape, Slot, Sphere
from runner.measure.characteristics.common import (
    Context,
    Finding,
    Missing,
    Value,
    axis_ends,
    found,
    put,
)
from runner.measure.characteristics.form_points import plane_profile
from runner.measure.characteristics.noise_part import length_details, zone_details
from runner.measure.characteristics.patterns import Member, Placed, each_in_its_frame
from runner.measure.characteristics.size import mating_size
from runner.measure.element import array, direction, place, signed_distance, slot_axes
from runner.measure.found import FoundFeature
from runner.measure.free_motion import Uses
from runner.measure.specs import CharacteristicSpec
from runner.measure.twists import rows_of_points


def evaluate(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return the position deviation of each feature named, in the frame that suits the zones best where one is free."""
    return each_in_its_frame(spec, context, _one)


def _one(spec: CharacteristicSpec, context: Context, name: str, frame: Placed) -> Finding:
    feature = judged_feature(spec, context, name)
    if isinstance(feature, Missing):
        return feature
    move = frame.drawing_from_fit
    got = places_of(spec, context, feature, move)
    if isinstance(got, str):
        return Missing(name, got)
    deviations = got.deviations
    across = np.linalg.norm(deviations, axis=1)
    worst = int(np.argmax(across))
    value = 2.0 * float(across[worst])
    details: dict[str, float | str] = {"definition": "2 x largest deviation over the extent"}
    if isinstance(feature.shape, Plane):
        details["definition"] = "2 x largest distance of the face from its true place"
        if not len(feature.points):
            details["definition"] = "2 x largest distance of the median plane from its true place, over its extent"
    else:
        for label, component in zip("xyz", deviations[worst], strict=True):
            details[f"deviation {label}"] = float(component)
        if len(across) > 1:
            details["at start of extent"], details["at end of extent"] = 2 * float(across[0]), 2 * float(across[-1])
    details |= _noise(spec, feature, got.points[worst], got.basis, move, value, deviations)
    details |= frame.details
    allowed: float | None = None
    if spec.material_condition is not None:
        extra = _bonus(spec, feature)
        if isinstance(extra, str):
            return Missing(name, extra)
        mating, bonus = extra
        assert spec.zone is not None
        allowed = spec.zone + bonus
        details |= {"mating size": mating, "bonus": bonus, "allowed": allowed}
    return Value(name, value, upper=allowed, points=len(feature.points), coverage=feature.coverage, details=details)


def _noise(
    spec: CharacteristicSpec,
    feature: FoundFeature,
    at: Floats,
    basis: Floats,
    move: Floats,
    value: float,
    deviations: Floats,
) -> dict[str, float | str]:
    """What noise adds to the value: of a face as to every zone, of an axis or centre by its fit's covariance."""
    if isinstance(feature.shape, Plane):
        if not len(feature.points):
            return {}
        normal = basis[0]
        heights = move_points(move, feature.points) @ normal
        found = zone_details(feature.points, heights, float(np.ptp(deviations @ normal)), spec.judge)
        # the zone is held on one side: half of what noise adds to the face's own spread, twice
        part = min(float(found.get("noise part", 0.0)), value)
        return {"noise part": part, "corrected for noise": value - part} if found else {}
    border = feature.border
    if feature.fit is None and border is not None and len(basis) == 2 and border.outline.names[:2] == ("x", "y"):
        # the length asks for the trace alone, which is the same along any two directions in the sheet
        return length_details(0.5 * value, border.covariance[:2, :2])
    if feature.fit is None:
        return {}
    back = invert(move)
    place_in_fit = move_points(back, at[None])[0]
    turned = basis @ move[:3, :3]
    return length_details(0.5 * value, turned @ feature.fit.covariance_at(place_in_fit) @ turned.T)


def judged_feature(spec: CharacteristicSpec, context: Context, name: str) -> FoundFeature | Missing:
    """Return a measured feature that can have a position, or why not."""
    feature = found(context, name)
    if isinstance(feature, Missing):
        return feature
    if feature.shape is None or feature.spec.shape is None:
        return Missing(name, f"a {feature.spec.kind} has no position: it is not one element")
    return feature


def member(spec: CharacteristicSpec, context: Context, name: str, start: Floats, centre: Floats) -> Member | str:
    """Return a feature's position as it takes part in a movement about ``centre`` (3,), or why it can't."""
    feature = judged_feature(spec, context, name)
    if isinstance(feature, Missing):
        return feature.reason
    zone = zone_of(spec, feature)
    if isinstance(zone, str):
        return zone

    def uses(frame: Floats) -> list[Uses] | str:
        got = places_of(spec, context, feature, frame)
        if isinstance(got, str):
            return got
        rows = np.stack(
            [rows_of_points(got.points, np.broadcast_to(b, got.points.shape), centre) for b in got.basis], axis=1
        )
        return [Uses(got.deviations @ got.basis.T, rows, 0.5 * zone)]

    first = uses(start)
    return first if isinstance(first, str) else Member(uses, np.asarray(first[0].rows).reshape(-1, 6))


@dataclass(frozen=True, eq=False)
class Places:
    """Where a feature's position is judged, in the datum frame."""

    points: Floats
    """(k, 3) mm: of the measured axis, centre, plane or face."""
    deviations: Floats
    """(k, 3) mm from the true place, only what the zone looks at."""
    basis: Floats
    """(m, 3) unit directions that the zone looks along."""


def places_of(spec: CharacteristicSpec, context: Context, feature: FoundFeature, move: Floats) -> Places | str:
    """Return where and by how much a feature misses its true place after the movement ``move`` (4, 4)."""
    nominal = feature.spec.shape
    assert nominal is not None
    deviations = _deviations(spec, context, feature, move)
    if isinstance(deviations, str):
        return deviations
    basis = _basis(spec, feature, nominal)
    if isinstance(nominal, Plane):
        points = _plane_points(spec, context, feature, move)
        if isinstance(points, str):
            return points
    elif isinstance(nominal, Cylinder | Cone | Line):
        points = np.array([at for _, at in axis_ends(feature, spec)]) + deviations
    elif isinstance(nominal, Slot) and len(deviations) == 2:
        _, along, _, _ = slot_axes(nominal)
        half = 0.5 * (nominal.length - (nominal.width if nominal.round_ends else 0.0))
        points = place(nominal) + np.outer([-half, half], along) + deviations
    else:
        points = place(nominal)[None] + deviations
    return Places(points, deviations, basis)


def _basis(spec: CharacteristicSpec, feature: FoundFeature, nominal: Shape) -> Floats:
    """Directions (m, 3) that the zone looks along."""
    if isinstance(nominal, Plane):
        return np.asarray(unit(array(nominal.normal)))[None]
    if isinstance(nominal, Slot) and spec.zone_shape != "diametral":
        _, along, across, _ = slot_axes(nominal)
        return np.array([along if spec.across == "length" else across])
    if spec.zone_shape == "two planes" and spec.direction is not None:
        return np.asarray(unit(array(spec.direction)))[None]
    axis = direction(nominal)
    if axis is None and spec.zone_shape == "diametral" and spec.direction is not None:
        axis = np.asarray(unit(array(spec.direction)))
    if axis is None:
        return np.eye(3)
    del feature
    return np.vstack(perpendicular(axis))


def _plane_points(spec: CharacteristicSpec, context: Context, feature: FoundFeature, move: Floats) -> Floats | str:
    """Points (k, 3) of a face, or of a constructed plane where its parents' faces lie, in the datum frame."""
    shape, nominal = feature.shape, feature.spec.shape
    assert isinstance(shape, Plane) and isinstance(nominal, Plane)
    if len(feature.points):
        profile = plane_profile(feature.points, shape, spec.judge)
        return profile if isinstance(profile, str) else move_points(move, profile)
    samples = [
        context.features[name].patch.samples  # type: ignore[union-attr]
        for name in feature.spec.parents
        if name in context.features and context.features[name].patch is not None
    ]
    over = np.vstack(samples) if samples else place(nominal)[None]
    return move_points(move, over - signed_distance(shape, over)[:, None] * array(shape.normal))


def _deviations(spec: CharacteristicSpec, context: Context, feature: FoundFeature, move: Floats) -> Floats | str:
    """Deviation vectors (k, 3), in the datum frame, at every place where the feature is judged."""
    shape, nominal = feature.shape, feature.spec.shape
    assert shape is not None and nominal is not None
    if isinstance(shape, Plane):
        assert isinstance(nominal, Plane)
        points = _plane_points(spec, context, feature, move)
        if isinstance(points, str):
            return points
        normal = np.asarray(unit(array(nominal.normal)))
        return ((points - place(nominal)) @ normal)[:, None] * normal
    if isinstance(shape, Slot):
        assert isinstance(nominal, Slot)
        return _slot_deviations(spec, shape, nominal, move)
    if isinstance(shape, Sphere | Point):
        offset = put(place(shape), move) - place(nominal)
        if spec.zone_shape == "two planes":
            if spec.direction is None:
                return "a two-plane zone needs a direction"
            way = np.asarray(unit(array(spec.direction)))
            return ((offset @ way) * way)[None]
        if spec.zone_shape == "diametral" and spec.direction is not None:
            # about an axis: what lies along it doesn't count
            way = np.asarray(unit(array(spec.direction)))
            return (offset - (offset @ way) * way)[None]
        return offset[None]
    axis = direction(nominal)
    if axis is None:
        return f"a {feature.spec.kind} has no position"
    offsets = np.array([put(now, move) - at for now, at in axis_ends(feature, spec)])
    flat: Floats = offsets - (offsets @ axis)[:, None] * axis
    if spec.zone_shape == "two planes":
        if spec.direction is None:
            return "a two-plane zone needs a direction"
        way = unit(array(spec.direction))
        return (flat @ way)[:, None] * way
    return flat


def _slot_deviations(spec: CharacteristicSpec, shape: Slot, nominal: Slot, move: Floats) -> Floats | str:
    """A slot: median plane of its width over its straight length, or the middle of its length."""
    centre, along, across, axis = slot_axes(nominal)
    now = put(array(shape.centre), move)
    if spec.zone_shape == "diametral":
        offset = now - centre
        return (offset - (offset @ axis) * axis)[None]
    if spec.across == "length":
        return (((now - centre) @ along) * along)[None]
    if spec.across != "width":
        return "say whether the slot's position is judged across its width or along its length"
    turned = unit(move[:3, :3] @ array(shape.along))
    half = 0.5 * (nominal.length - (nominal.width if nominal.round_ends else 0.0))
    ends = np.array([now - half * turned, now + half * turned]) - centre
    return (ends @ across)[:, None] * across


def zone_of(spec: CharacteristicSpec, feature: FoundFeature) -> float | str:
    """Return the full width or diameter of a feature's zone, mm, with its bonus; or why there is none."""
    if spec.zone is None:
        return "a position needs a zone"
    if spec.material_condition is None:
        return spec.zone
    extra = _bonus(spec, feature)
    return extra if isinstance(extra, str) else spec.zone + extra[1]


def _bonus(spec: CharacteristicSpec, feature: FoundFeature) -> tuple[float, float] | str:
    """Mating size and bonus, or why there is none."""
    if spec.size_limits is None:
        return "a material condition needs the limits of size"
    if spec.zone is None:
        return "a material condition needs a zone"
    mating = mating_size(feature)
    if isinstance(mating, str):
        return f"no bonus without a mating size: {mating}"
    # a patch knows; what comes from an edge is a hole unless its border says otherwise
    shaft = (
        feature.patch.outward > 0
        if feature.patch is not None
        else bool(feature.border and feature.border.outline_is_material)
    )
    return mating, material_bonus(mating, spec.size_limits, shaft=shaft, condition=spec.material_condition or "")


def material_bonus(size: float, limits: tuple[float, float], *, shaft: bool, condition: str) -> float:
    """Return the bonus, mm: the departure of the actual mating size from the maximum or least material size.

    ``limits`` are the lower and upper limit of size. A size outside its limits earns nothing: it is rejected by its own
    characteristic (ISO 2692:2021, 4; ASME Y14.5-2018, 5.9).
    """
    lower, upper = limits
    slack = 1e-9
    if not lower - slack <= size <= upper + slack:
        return 0.0
    if condition not in ("maximum", "least"):
        raise ValueError(f"unknown material condition {condition!r}")
    from_lower = (condition == "maximum") != shaft
    return float(max(0.0, size - lower if from_lower else upper - size))
