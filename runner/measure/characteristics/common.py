"""What every characteristic is given, and what it gives back before it is decided."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from runner.geometry.distance import SurfaceIndex
from runner.geometry.frames import move_points, turn_vectors, unit
from runner.geometry.mesh import Floats, Nominal
from runner.geometry.shapes import Line, Plane, Shape, moved
from runner.measure.datums import Established
from runner.measure.element import array, direction, place, signed_distance
from runner.measure.found import FoundFeature
from runner.measure.scene import Scene
from runner.measure.specs import CharacteristicSpec, FeatureSpec, MeasurePlan


@dataclass(frozen=True, eq=False)
class Context:
    """Everything measured so far on one part."""

    plan: MeasurePlan
    nominal: Nominal
    index: SurfaceIndex
    scene: Scene
    specs: Mapping[str, FeatureSpec]
    features: Mapping[str, FoundFeature]
    systems: Mapping[str, Established]


@dataclass(frozen=True)
class Value:
    """One evaluated value, mm or rad."""

    name: str
    """The feature it belongs to."""
    value: float
    judged: tuple[float, ...] = ()
    """All values that must meet the limits; empty: ``value`` alone."""
    upper: float | None = None
    """Upper limit where it differs from the characteristic's (a material bonus, a point of a list)."""
    lower: float | None = None
    """Lower limit where it differs from the characteristic's (a point of a list)."""
    points: int = 0
    coverage: float | None = None
    blocked: str = ""
    """Why ``conforms`` must not be said, whatever the value."""
    details: Mapping[str, float | str] = field(default_factory=dict)


@dataclass(frozen=True)
class Missing:
    """Why there is no value. Falsy."""

    name: str
    reason: str

    def __bool__(self) -> bool:
        """Return False."""
        return False


Finding = Value | Missing


def found(context: Context, name: str) -> FoundFeature | Missing:
    """Return a measured feature, or why it can't be used."""
    feature = context.features.get(name)
    if feature is None:
        return Missing(name, f'there is no feature "{name}"')
    if not feature.ok:
        return Missing(name, f'feature "{name}": {feature.reason}')
    return feature


def datum_movement(spec: CharacteristicSpec, context: Context) -> Floats | Missing:
    """Return ``drawing_from_fit`` (4, 4) of the characteristic's datum system; the identity where it has none."""
    if spec.datum_system is None:
        return np.eye(4)
    system = context.systems.get(spec.datum_system)
    if system is None:
        return Missing(spec.id, f'there is no datum system "{spec.datum_system}"')
    if system.drawing_from_fit is None:
        return Missing(spec.id, system.reason)
    return system.drawing_from_fit


def in_frame(shape: Shape, drawing_from_fit: Floats) -> Shape:
    """Return a measured element in the datum frame."""
    return moved(shape, drawing_from_fit)


def middle(feature: FoundFeature) -> Floats:
    """Return the representative point of a measured feature: the middle of its nominal extent, put on what was found.

    The nominal extent and not the points seen: the value must not depend on which part of the feature was scanned.
    """
    shape = feature.shape
    assert shape is not None
    if isinstance(shape, Plane):
        if feature.patch is None:
            return place(shape)
        centre = feature.patch.samples.mean(axis=0)
        return centre - float(signed_distance(shape, centre[None])[0]) * array(shape.normal)
    axis, nominal = direction(shape), feature.spec.shape
    if axis is None or nominal is None or feature.axial is None or not _has_extent(feature):
        return place(shape)
    nominal_axis = direction(nominal)
    assert nominal_axis is not None
    at = place(nominal) + 0.5 * sum(feature.axial) * nominal_axis
    # the extent counts from the nominal's point, and the element's own point may lie anywhere along it
    return place(shape) + float((at - place(shape)) @ axis) * axis


def _has_extent(feature: FoundFeature) -> bool:
    return feature.spec.kind in ("cylinder", "cone", "line") or isinstance(feature.shape, Line)


def axis_ends(feature: FoundFeature, spec: CharacteristicSpec) -> list[tuple[Floats, Floats]]:
    """Return (measured, nominal) points of the axis where it is judged: both ends of its extent, or its centre."""
    shape, nominal = feature.shape, feature.spec.shape
    assert shape is not None and nominal is not None
    axis, nominal_axis = direction(shape), direction(nominal)
    extent = spec.extent
    if extent is None and _has_extent(feature):
        extent = feature.axial
    if extent is None or axis is None or nominal_axis is None:
        return [(place(shape), place(nominal))]
    if axis @ nominal_axis < 0:
        axis = -axis
    ends = []
    for height in extent:
        at = place(nominal) + height * nominal_axis
        # the point of the measured axis in the plane across the nominal axis at that height
        foot = place(shape) + ((at - place(shape)) @ nominal_axis) / float(axis @ nominal_axis) * axis
        ends.append((foot, at))
    return ends


def turned(vector: Floats, matrix: Floats) -> Floats:
    """Return a unit direction turned by a rigid movement (4, 4)."""
    return np.asarray(unit(turn_vectors(matrix, vector[None])[0]))


def put(point: Floats, matrix: Floats) -> Floats:
    """Return one point moved by a rigid movement (4, 4)."""
    return move_points(matrix, point[None])[0]
