"""What can be wrong with a plan on its nominal, found before production: features, datum systems, form and noise."""

from __future__ import annotations

import numpy as np

from runner.geometry.distance import SurfaceIndex
from runner.geometry.fits.filters import filtered_noise_zone, noise_zone
from runner.geometry.mesh import Floats, Nominal
from runner.geometry.shapes import Circle, Cone, Cylinder, Plane, Shape, Slot, Sphere, Torus, vector
from runner.measure.characteristics.turning import free_axis
from runner.measure.cross_section import locate_section
from runner.measure.datum_rows import location, orientation
from runner.measure.datums import free_movements
from runner.measure.edge_places import EdgeFrames
from runner.measure.edge_points import find_edge_point
from runner.measure.element import array, direction, place
from runner.measure.patch import NoPatch, Patch, find_patch, surface_places
from runner.measure.point_features import locate_point
from runner.measure.sheet import Sheet, find_sheet
from runner.measure.specs import CharacteristicSpec, FeatureSpec, MeasurePlan
from runner.measure.trim_edge import find_trim_edge
from runner.measure.twists import NAMES, named, null_space, rows_of_points

Trouble = tuple[str, str]
"""(name of the feature or id of the characteristic, message)."""
LARGEST_NOISE_SHARE = 0.25
"""Of a form tolerance: more noise than this, and the zone says more about the scanner than about the part."""
FORMS = ("flatness", "roundness", "cylindricity")
ORIENTATIONS = ("parallelism", "perpendicularity", "angularity")
ABOUT_AXES = ("coaxiality", "concentricity", "symmetry", "circular runout", "total runout")
FELT = 1e-6
"""A value that changes by less than this per unit of a free movement doesn't depend on it."""


def check_features(plan: MeasurePlan, nominal: Nominal, index: SurfaceIndex | None = None) -> list[Trouble]:
    """Return every feature that does not lie on the nominal, with the nearest geometry that matches."""
    del index
    found = []
    for spec in plan.features:
        located = locate(spec, nominal, plan.spacing)
        if isinstance(located, NoPatch):
            found.append((spec.name, located.reason))
    return found


def locate(spec: FeatureSpec, nominal: Nominal, spacing: float) -> Patch | Sheet | EdgeFrames | NoPatch | None:
    """Return where a feature lies on the nominal (None for a point or section of it), or why it doesn't."""
    if spec.kind == "trim edge":
        return find_trim_edge(spec, nominal, spacing)
    if spec.kind == "edge point":
        return find_edge_point(spec, nominal, spacing)
    if spec.kind == "surface point":
        why = locate_point(spec, nominal, spacing)
        return NoPatch(why) if why else None
    if spec.kind == "cross-section":
        section = locate_section(spec, nominal, spacing)
        return NoPatch(section) if isinstance(section, str) else None
    if spec.source == "edges":
        return find_sheet(spec, nominal, spacing)
    return find_patch(spec, nominal, spacing)


def check_datum_systems(plan: MeasurePlan, nominal: Nominal) -> list[Trouble]:
    """Return every characteristic whose datum system is not usable, or whose value depends on a degree that is free."""
    specs = {spec.name: spec for spec in plan.features}
    systems = {system.name: system for system in plan.datum_systems}
    low, high = nominal.bounds
    centre = 0.5 * (low + high)
    found: list[Trouble] = []
    for spec in plan.characteristics:
        if spec.datum_system is None:
            continue
        system = systems.get(spec.datum_system)
        if system is None:
            found.append((spec.id, f'there is no datum system "{spec.datum_system}"'))
            continue
        try:
            free = free_movements(system, specs, centre)
        except ValueError as error:
            found.append((spec.id, str(error)))
            continue
        if is_optimised(spec, free):
            continue
        rows = needs(spec, specs, nominal, centre, plan.spacing)
        if not len(rows) or free.shape[1] == 0:
            continue
        names = ", ".join(felt_degrees(rows, free))
        if names:
            labels = "|".join(d.label for d in system.datums)
            found.append(
                (
                    spec.id,
                    f"the {spec.kind} depends on {names}, left free by datum system {system.name} ({labels})",
                )
            )
    return found


def is_optimised(spec: CharacteristicSpec, free: Floats) -> bool:
    """Whether the evaluation itself takes the movements that are left free where the zone needs least.

    An orientation zone takes one free turn; with more, the datums say nothing that the zone could be held to.
    """
    if spec.kind in ORIENTATIONS:
        return free_axis(free) is not None
    return spec.kind in ("profile", "profile of a line")


def felt_degrees(rows: Floats, free: Floats) -> tuple[str, ...]:
    """Return the names of the free degrees (movements ``free`` (6, k)) that a value with ``rows`` (n, 6) depends on.

    A turn counts only when it changes the value in a way that no free shift could: a hole's place under a free plane
    depends on x and y, and the turn adds nothing to that.
    """
    limit = FELT * max(1.0, float(np.abs(rows).max()))

    def rank(movements: Floats) -> int:
        return int(np.sum(np.linalg.svd(rows @ movements, compute_uv=False) > limit)) if movements.shape[1] else 0

    shifts = null_space(np.eye(6)[:3], free)
    found = []
    for k, name in enumerate(NAMES[3:]):
        along = shifts @ shifts[3 + k] if shifts.shape[1] else np.zeros(6)
        if float(np.linalg.norm(along)) > 1e-6 and float(np.linalg.norm(rows @ along)) > limit:
            found.append(name)
    if rank(free) > rank(shifts):
        found += [name for name in named(free) if name.startswith("r")]
    return tuple(found)


def needs(
    spec: CharacteristicSpec, specs: dict[str, FeatureSpec], nominal: Nominal, centre: Floats, spacing: float
) -> Floats:
    """Return rows (k, 6) over movements of the part about ``centre`` that change the value of a characteristic."""
    pieces = []
    for name in spec.features:
        feature = specs.get(name)
        if feature is None:
            continue
        if spec.kind in ("profile", "statistics"):
            pieces.append(_surface_rows(feature, nominal, centre, spacing))
        elif feature.shape is None:
            continue
        elif spec.kind in ORIENTATIONS:
            pieces.append(orientation(feature.shape, feature.shape, centre).rows)
        elif spec.kind in ABOUT_AXES:
            pieces.append(_about_axis_rows(feature.shape, centre))
        elif spec.kind == "coordinates":
            pieces.append(coordinate_rows(spec, feature, centre))
        elif spec.kind == "position":
            pieces.append(_position_rows(spec, feature, nominal, centre, spacing))
        elif spec.kind == "distance" and spec.direction is not None:
            turns = np.zeros((3, 6))
            turns[:, :3] = np.eye(3) - np.outer(array(spec.direction), array(spec.direction))
            pieces.append(turns)
    if spec.points:
        ways = np.array([p.direction for p in spec.points])
        pieces.append(rows_of_points(np.array([p.at for p in spec.points]), ways, centre))
    return np.vstack(pieces) if pieces else np.zeros((0, 6))


def coordinate_rows(spec: CharacteristicSpec, feature: FeatureSpec, centre: Floats) -> Floats:
    """Return how a coordinate of the nominal feature changes (k, 6) with movements of the part about ``centre``."""
    from runner.measure.characteristics.coordinates import AXES, representative, rows_of
    from runner.measure.found import FoundFeature

    if spec.quantity not in AXES:
        return np.zeros((0, 6))
    nominal, way = FoundFeature(feature, feature.shape), np.eye(3)[AXES[spec.quantity]]
    answer = representative(nominal, way, np.eye(4))
    return np.zeros((0, 6)) if isinstance(answer, str) else rows_of(nominal, answer[0], way, centre)


def _about_axis_rows(shape: Shape, centre: Floats) -> Floats:
    """Rows of what lies about a datum axis or median plane: where the axis is and leans, how a face stands."""
    if isinstance(shape, Plane):
        return orientation(shape, shape, centre).rows
    return np.vstack([_axis_place(shape, centre), orientation(shape, shape, centre).rows])


def _axis_place(shape: Shape, centre: Floats) -> Floats:
    """Rows of an element's place; of a cone or torus across its axis only."""
    if isinstance(shape, Cone | Torus):
        shape = Cylinder(vector(place(shape)), shape.axis, 1.0)
    return location(shape, shape, centre).rows


def _position_rows(
    spec: CharacteristicSpec, feature: FeatureSpec, nominal: Nominal, centre: Floats, spacing: float
) -> Floats:
    shape = feature.shape
    assert shape is not None
    if isinstance(shape, Plane):
        return _surface_rows(feature, nominal, centre, spacing)
    if spec.zone_shape == "two planes" and spec.direction is not None and not isinstance(shape, Slot):
        return rows_of_points(place(shape)[None], array(spec.direction)[None], centre)
    if isinstance(shape, Slot):
        if spec.zone_shape == "diametral":
            return location(Circle(shape.centre, shape.axis, shape.width / 2), shape, centre).rows
        if spec.across == "length":
            return rows_of_points(array(shape.centre)[None], array(shape.along)[None], centre)
        return np.vstack([location(shape, shape, centre).rows, orientation(shape, shape, centre).rows])
    rows = _axis_place(shape, centre)
    if isinstance(shape, Sphere | Circle) or direction(shape) is None:
        return rows
    return np.vstack([rows, orientation(shape, shape, centre).rows])


def _surface_rows(feature: FeatureSpec, nominal: Nominal, centre: Floats, spacing: float) -> Floats:
    """Normal displacements of places of a surface region."""
    patch = find_patch(feature, nominal, spacing)
    if isinstance(patch, NoPatch):
        return np.zeros((0, 6))
    return rows_of_points(*surface_places(patch, nominal), centre)


def check_form_noise(plan: MeasurePlan, nominal: Nominal) -> list[Trouble]:
    """Return every form tolerance of which noise alone is predicted to fill more than a quarter."""
    specs = {spec.name: spec for spec in plan.features}
    found = []
    for spec in plan.characteristics:
        if spec.kind not in FORMS or spec.zone is None:
            continue
        predicted = predicted_noise_zone(spec, specs, plan, nominal)
        if predicted is not None and predicted > LARGEST_NOISE_SHARE * spec.zone:
            found.append(
                (
                    spec.id,
                    f"noise alone is expected to fill {predicted:.3f} mm of the {spec.kind} tolerance of "
                    f"{spec.zone:g} mm, more than a quarter: judge a filtered zone (a longer cut-off), or scan with "
                    "less noise",
                )
            )
    return found


def predicted_noise_zone(
    spec: CharacteristicSpec, specs: dict[str, FeatureSpec], plan: MeasurePlan, nominal: Nominal
) -> float | None:
    """Return the zone, mm, that white noise alone is expected to span on a perfect part; None if it can't be told."""
    widest: float | None = None
    for name in spec.features:
        feature = specs.get(name)
        if feature is None or feature.source == "edges":
            continue
        patch = find_patch(feature, nominal, plan.spacing)
        if isinstance(patch, NoPatch):
            continue
        count = max(2, int(patch.area / plan.spacing**2))
        if spec.judge.kind == "gaussian" and spec.judge.cutoff:
            width = filtered_noise_zone(plan.noise, plan.spacing, spec.judge.cutoff, patch.area)
        elif spec.judge.kind == "central 95 %":
            width = 2 * 1.96 * plan.noise
        else:
            width = noise_zone(plan.noise, count)
        widest = width if widest is None else max(widest, width)
    return widest
