"""Position: twice the largest deviation of the axis, centre or median plane from its true place in the datum frame."""

from __future__ import annotations

import numpy as np

from runner.geometry.frames import move_points, unit
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Plane, Slot, Sphere
from runner.measure.characteristics.common import (
    Context,
    Finding,
    Missing,
    Value,
    axis_ends,
    datum_movement,
    found,
    put,
)
from runner.measure.characteristics.form_points import plane_profile
from runner.measure.characteristics.size import mating_size
from runner.measure.element import array, direction, place, slot_axes
from runner.measure.found import FoundFeature
from runner.measure.specs import CharacteristicSpec


def evaluate(spec: CharacteristicSpec, context: Context) -> list[Finding]:
    """Return the position deviation of each feature named."""
    move = datum_movement(spec, context)
    if isinstance(move, Missing):
        return [move]
    return [_one(spec, context, name, move) for name in spec.features]


def _one(spec: CharacteristicSpec, context: Context, name: str, move: Floats) -> Finding:
    feature = found(context, name)
    if isinstance(feature, Missing):
        return feature
    if feature.shape is None or feature.spec.shape is None:
        return Missing(name, "a free surface region has no position")
    deviations = _deviations(spec, feature, move)
    if isinstance(deviations, str):
        return Missing(name, deviations)
    across = np.linalg.norm(deviations, axis=1)
    worst = int(np.argmax(across))
    value = 2.0 * float(across[worst])
    details: dict[str, float | str] = {"definition": "2 x largest deviation over the extent"}
    if isinstance(feature.shape, Plane):
        details["definition"] = "2 x largest distance of the face from its true place"
    else:
        for label, component in zip("xyz", deviations[worst], strict=True):
            details[f"deviation {label}"] = float(component)
        if len(across) > 1:
            details["at start of extent"], details["at end of extent"] = 2 * float(across[0]), 2 * float(across[-1])
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


def _deviations(spec: CharacteristicSpec, feature: FoundFeature, move: Floats) -> Floats | str:
    """Deviation vectors (k, 3), in the datum frame, at every place where the feature is judged."""
    shape, nominal = feature.shape, feature.spec.shape
    assert shape is not None and nominal is not None
    if isinstance(shape, Plane):
        normal, origin = array(nominal.normal), place(nominal)  # type: ignore[union-attr]
        profile = plane_profile(feature.points, shape, spec.judge)
        if isinstance(profile, str):
            return profile
        heights = (move_points(move, profile) - origin) @ normal
        return heights[:, None] * normal
    if isinstance(shape, Slot):
        assert isinstance(nominal, Slot)
        return _slot_deviations(spec, shape, nominal, move)
    if isinstance(shape, Sphere):
        return (put(place(shape), move) - place(nominal))[None]
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
