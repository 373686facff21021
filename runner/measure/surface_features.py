"""Features from surface points: which fit each kind takes, and what makes one ``not measured``."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from runner.geometry.fits import fit_cone, fit_cylinder, fit_plane, fit_slot, fit_sphere, fit_torus
from runner.geometry.fits.result import FailedFit, Fit, Fixed
from runner.geometry.mesh import Floats, Nominal
from runner.geometry.shapes import Circle, Cone, Cylinder, Line, Plane, Shape, Slot, Sphere, Torus, vector
from runner.measure.element import array, as_surface, direction, place, signed_distance, slot_axes
from runner.measure.extract import covered_share, extract
from runner.measure.found import FoundFeature
from runner.measure.patch import NoPatch, Patch, find_patch
from runner.measure.scene import Scene
from runner.measure.specs import FeatureSpec

LEAST_POINTS = {"plane": 3, "circle": 3, "cylinder": 5, "cone": 6, "sphere": 4, "slot": 5, "torus": 7}
SAFETY = 4
"""A feature needs this many times the points that its element is determined by."""
LEAST_ARC = np.radians(8.0)
"""Shorter arcs of a cylinder or circle don't hold its radius."""


def measure_surface_feature(spec: FeatureSpec, nominal: Nominal, scene: Scene) -> FoundFeature:
    """Measure one feature from surface points."""
    patch = find_patch(spec, nominal, max(scene.spacing, 1e-3))
    if isinstance(patch, NoPatch):
        return FoundFeature(spec, None, reason=patch.reason)
    if spec.kind == "surface" or spec.shape is None:
        return _region(spec, patch, scene)
    if isinstance(spec.shape, Slot):
        return _slot(spec, patch, scene)
    fitter = _fitter(spec)
    last: list[Fit] = []

    def fit_round(points: Floats, start: Shape) -> Shape | str:
        fit = fitter(points, start)
        if isinstance(fit, FailedFit):
            return fit.reason
        last[:] = [fit]
        found: Shape = fit.shape
        return found

    got = extract(spec, patch, scene, nominal, fit_round)
    base = FoundFeature(
        spec,
        None,
        patch=patch,
        rows=got.rows,
        points=scene.points[got.rows],
        rejected=got.rejected,
        coverage=got.coverage,
    )
    least = spec.least_points or SAFETY * LEAST_POINTS.get(spec.kind, 3)
    if got.reason:
        return replace(base, reason=got.reason)
    if len(got.rows) < least:
        return replace(base, reason=f"only {len(got.rows)} points on it; at least {least} are needed")
    fit = last[0] if got.settled and last else fitter(base.points, got.shape or as_surface(spec.shape))
    if isinstance(fit, FailedFit):
        return replace(base, reason=fit.reason)
    shape = anchored(fit.shape, as_surface(spec.shape))
    trouble = _trouble(spec, shape, base.points, got.coverage)
    if trouble:
        return replace(base, reason=trouble)
    notes = [f"{got.rejected} isolated points left out"] if got.rejected else []
    if got.margin:
        notes.append(f"{got.margin:.2f} mm along the face's borders left out")
    return replace(base, shape=_as_asked(spec, shape), fit=fit, notes=tuple(notes))


def anchored(shape: Shape, nominal: Shape) -> Shape:
    """Return the element with its point where the nominal's is, as nearly as it may slide, and directions alike."""
    if isinstance(shape, Plane) and isinstance(nominal, Plane):
        normal, origin = direction(shape), place(shape)
        assert normal is not None
        normal = normal if normal @ array(nominal.normal) >= 0 else -normal
        at = array(nominal.point)
        return Plane(vector(at - ((at - origin) @ normal) * normal), vector(normal))
    if isinstance(shape, Cylinder) and isinstance(nominal, Cylinder):
        axis, origin = direction(shape), place(shape)
        assert axis is not None
        axis = axis if axis @ array(nominal.axis) >= 0 else -axis
        at = array(nominal.point)
        return Cylinder(vector(origin + ((at - origin) @ axis) * axis), vector(axis), shape.radius)
    return shape


def _as_asked(spec: FeatureSpec, shape: Shape) -> Shape:
    """A circle asked for from a wall is the wall's section at the circle's place."""
    if isinstance(spec.shape, Circle) and isinstance(shape, Cylinder):
        return Circle(shape.point, shape.axis, shape.radius)
    return shape


def _fitter(spec: FeatureSpec) -> Callable[[Floats, Shape], Fit | FailedFit]:
    """The least-squares fit of a kind; a circle keeps the nominal direction of its axis."""
    shape = spec.shape
    if isinstance(shape, Plane):
        return lambda points, start: fit_plane(points, start)  # type: ignore[arg-type]
    if isinstance(shape, Cylinder):
        return lambda points, start: fit_cylinder(points, start)  # type: ignore[arg-type]
    if isinstance(shape, Circle):
        held = Fixed(axis=shape.axis)
        return lambda points, start: fit_cylinder(points, start, fixed=held)  # type: ignore[arg-type]
    if isinstance(shape, Cone):
        return lambda points, start: fit_cone(points, start)  # type: ignore[arg-type]
    if isinstance(shape, Sphere):
        return lambda points, start: fit_sphere(points, start)  # type: ignore[arg-type]
    if isinstance(shape, Torus):
        return lambda points, start: fit_torus(points, start)  # type: ignore[arg-type]
    return lambda points, start: FailedFit(f"a {spec.kind} can't be fitted to surface points")


def _trouble(spec: FeatureSpec, shape: Shape, points: Floats, coverage: float) -> str:
    """Why a fit must not be used, or empty."""
    if coverage < spec.least_coverage:
        return f"only {coverage:.0%} of it was seen; at least {spec.least_coverage:.0%} is needed"
    nominal = as_surface(spec.shape) if spec.shape is not None else None
    assert nominal is not None
    if isinstance(shape, Cylinder):
        arc = _arc(points, shape)
        if arc < LEAST_ARC:
            return f"only {np.degrees(arc):.0f} deg of its turn was seen"
    away = displacement(nominal, shape, points)
    if away > spec.search * 1.001:
        return f"what was found lies {away:.2f} mm from nominal, beyond the search of {spec.search:g} mm"
    return ""


def displacement(nominal: Shape, shape: Shape, points: Floats) -> float:
    """Return how far, mm, the middle of a feature moved from nominal, its size left out."""
    if isinstance(nominal, Plane) and isinstance(shape, Plane):
        middle = points.mean(axis=0)
        return abs(float(signed_distance(shape, middle[None])[0] - signed_distance(nominal, middle[None])[0]))
    if isinstance(nominal, Cylinder) and isinstance(shape, Cylinder):
        axis = direction(shape)
        assert axis is not None
        height = float(((points - place(shape)) @ axis).mean())
        offset = place(shape) + height * axis - place(nominal)
        normal = array(nominal.axis)
        return float(np.linalg.norm(offset - (offset @ normal) * normal))
    if isinstance(nominal, Cone):
        return 0.0
    return float(np.linalg.norm(place(shape) - place(nominal)))


def _arc(points: Floats, shape: Cylinder) -> float:
    """Turn about the axis that the points take, rad: the full turn less the largest gap."""
    from runner.geometry.frames import perpendicular

    u, v = perpendicular(array(shape.axis))
    offset = points - array(shape.point)
    angle = np.sort(np.arctan2(offset @ v, offset @ u))
    gaps = np.diff(np.concatenate([angle, [angle[0] + 2 * np.pi]]))
    return float(2 * np.pi - gaps.max())


def _region(spec: FeatureSpec, patch: Patch, scene: Scene) -> FoundFeature:
    """A free region of the nominal: every point whose nearest surface it is."""
    chosen = patch.triangles[scene.triangle] & scene.agrees & (np.abs(scene.distance) <= spec.search)
    rows = np.flatnonzero(chosen)
    if not len(rows):
        return FoundFeature(spec, None, reason="not seen: the scan has no points there", patch=patch)
    speck = scene.specks[rows]
    rows = rows[~speck]
    places = scene.points[rows]
    coverage = covered_share(
        patch.samples,
        places,
        scene.spacing,
        slack=min(spec.search, float(np.max(np.abs(scene.distance[rows]), initial=0.0))) if len(rows) else 0.0,
    )
    found = FoundFeature(
        spec, None, patch=patch, rows=rows, points=places, rejected=int(speck.sum()), coverage=coverage
    )
    if coverage < spec.least_coverage:
        return replace(
            found, reason=f"only {coverage:.0%} of it was seen; at least {spec.least_coverage:.0%} is needed"
        )
    return found


def _slot(spec: FeatureSpec, patch: Patch, scene: Scene) -> FoundFeature:
    """A slot from the points of its walls, projected along its axis."""
    assert isinstance(spec.shape, Slot)
    centre, along, across, axis = slot_axes(spec.shape)
    on_walls = patch.triangles[scene.triangle] & scene.agrees & (np.abs(scene.distance) <= spec.search)
    rows = np.flatnonzero(on_walls)
    base = FoundFeature(spec, None, patch=patch)
    if not len(rows):
        return replace(base, reason="not seen: the scan has no points there")
    low, high = patch.axial if patch.axial is not None else (-np.inf, np.inf)
    margin = min(1.5 * scene.spacing, 0.25 * (high - low)) if spec.margin is None else spec.margin
    height = (scene.points[rows] - centre) @ axis
    rows = rows[(height >= low + margin) & (height <= high - margin)]
    speck = scene.specks[rows]
    rows = rows[~speck]
    points = scene.points[rows]
    base = replace(base, rows=rows, points=points, rejected=int(speck.sum()))
    least = spec.least_points or SAFETY * LEAST_POINTS["slot"]
    if len(rows) < least:
        return replace(base, reason=f"only {len(rows)} points on it; at least {least} are needed")
    offset = points - centre
    flat = np.column_stack([offset @ along, offset @ across])
    start = Slot(
        (0.0, 0.0, 0.0), (0.0, 0.0, 1.0), (1.0, 0.0, 0.0), spec.shape.length, spec.shape.width, spec.shape.round_ends
    )
    fit = fit_slot(flat, start)
    if isinstance(fit, FailedFit):
        return replace(base, reason=fit.reason)
    here, turned = fit.shape.centre, fit.shape.along
    shape = Slot(
        vector(centre + here[0] * along + here[1] * across),
        spec.shape.axis,
        vector(turned[0] * along + turned[1] * across),
        fit.shape.length,
        fit.shape.width,
        spec.shape.round_ends,
    )
    coverage = covered_share(patch.samples, points, scene.spacing, slack=0.5 * spec.search)
    trouble = ""
    if coverage < spec.least_coverage:
        trouble = f"only {coverage:.0%} of it was seen; at least {spec.least_coverage:.0%} is needed"
    return replace(base, shape=shape, fit=fit, coverage=coverage, reason=trouble or _one_sided(spec.shape, flat))


def _one_sided(slot: Slot, flat: Floats) -> str:
    """Why a slot is not held by its points (n, 2), along and across from its nominal centre; empty when it is."""
    half = 0.5 * slot.length - (0.5 * slot.width if slot.round_ends else 0.0)
    straight = np.abs(flat[:, 0]) <= half
    sides = [np.count_nonzero(straight & (sign * flat[:, 1] > 0.25 * slot.width)) for sign in (1, -1)]
    ends = [np.count_nonzero(sign * flat[:, 0] > 0.9 * half) for sign in (1, -1)]
    if min(sides) < SAFETY or min(sides) < 0.1 * max(sides):
        return "one of its long sides was not seen"
    if min(ends) < SAFETY or min(ends) < 0.1 * max(ends):
        return "one of its ends was not seen"
    return ""


def is_axial(shape: Shape | None) -> bool:
    """Whether an element has an axis that can be a datum or be judged for position."""
    return isinstance(shape, Circle | Cylinder | Cone | Line | Torus)
