"""Features from surface points: which fit each kind takes, and what makes one ``not measured``."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from runner.geometry.fits import fit_cone, fit_cylinder, fit_plane, fit_slot, fit_sphere, fit_torus
from runner.geometry.fits.result import FailedFit, Fit, Fixed
from runner.geometry.fits.zones import zone_slot
from runner.geometry.mesh import Floats, Nominal
from runner.geometry.shapes import Circle, Cone, Cylinder, Line, Plane, Shape, Slot, Sphere, Torus, vector
from runner.measure.associate import associated
from runner.measure.element import anchored, array, as_surface, direction, feet, place, signed_distance, slot_axes
from runner.measure.extract import covered_share, extract
from runner.measure.found import FoundFeature
from runner.measure.patch import NoPatch, Patch, find_patch
from runner.measure.ridge import line_fit, ridge_of
from runner.measure.scene import Scene
from runner.measure.specs import FeatureSpec

LEAST_POINTS = {"plane": 3, "circle": 3, "arc": 3, "cylinder": 5, "cone": 6, "sphere": 4, "slot": 5, "torus": 7}
SAFETY = 4
"""A feature needs this many times the points that its element is determined by."""
LEAST_ARC = np.radians(5.0)
"""Shorter arcs of a cylinder or circle don't hold its radius."""


FARTHER = (2.0, 4.0)
"""Where nothing is found, it is looked for within these multiples of the search, to say where it is."""


def measure_surface_feature(spec: FeatureSpec, nominal: Nominal, scene: Scene) -> FoundFeature:
    """Measure one feature from surface points."""
    found = _measured(spec, nominal, scene)
    if found.ok or spec.shape is None or found.patch is None:
        return found
    away = _farther(spec, nominal, scene, found.coverage or 0.0)
    return found if away is None else replace(found, reason=_beyond(away, spec.search))


def _farther(spec: FeatureSpec, nominal: Nominal, scene: Scene, seen: float) -> float | None:
    """How far from nominal the feature lies, mm, if it is seen beyond its search."""
    for factor in FARTHER:
        wide = min(factor * spec.search, scene.reach)
        if wide <= spec.search:
            return None
        found = _measured(replace(spec, search=wide, association="least squares"), nominal, scene)
        if not found.ok or found.shape is None or (found.coverage or 0.0) < seen + 0.2:
            continue
        away = displacement(as_surface(spec.shape), as_surface(found.shape), found.points)  # type: ignore[arg-type]
        if away > spec.search:
            return away
    return None


def _beyond(away: float, search: float) -> str:
    return f"what was found lies {away:.2f} mm from nominal, beyond the search of {search:g} mm"


def _measured(spec: FeatureSpec, nominal: Nominal, scene: Scene) -> FoundFeature:
    patch = find_patch(spec, nominal, max(scene.spacing, 1e-3))
    if isinstance(patch, NoPatch):
        return FoundFeature(spec, None, reason=patch.reason)
    if spec.kind == "surface" or spec.shape is None:
        return _region(spec, patch, scene)
    if isinstance(spec.shape, Slot):
        return _slot(spec, patch, scene)
    if isinstance(spec.shape, Line):
        return _line(spec, patch, nominal, scene)
    fitter = _fitter(spec)
    last: list[Fit] = []

    def fit_round(rows: NDArray[np.int64], start: Shape) -> Shape | str:
        fit = fitter(scene.points[rows], start, _weights(scene, rows))
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
    fit: Fit | FailedFit | None = last[0] if got.settled and last else None
    if fit is None:
        fit = fitter(base.points, got.shape or as_surface(spec.shape), _weights(scene, got.rows))
    if isinstance(fit, FailedFit):
        return replace(base, reason=fit.reason)
    shape = anchored(fit.shape, as_surface(spec.shape))
    trouble = _trouble(spec, shape, base.points, got.coverage)
    if trouble:
        return replace(base, reason=trouble)
    notes = [f"{got.rejected} isolated points left out"] if got.rejected else []
    if got.margin:
        notes.append(f"{got.margin:.2f} mm along the face's borders left out")
    if spec.association != "least squares":
        held = Fixed(axis=spec.shape.axis) if isinstance(spec.shape, Circle) else None
        other = associated(spec, base.points, shape, patch.outward, held)
        if isinstance(other, str):
            return replace(base, reason=f"{spec.association}: {other}")
        shape = anchored(other, as_surface(spec.shape))
        trouble = _trouble(spec, shape, base.points, got.coverage)
        if trouble:
            return replace(base, reason=trouble)
        rms = float(np.sqrt(np.mean(signed_distance(shape, base.points) ** 2)))
        fit = replace(fit, shape=shape, rms=rms, residuals=None)
        notes.append(f"{spec.association} over all its points, unfiltered; covariance that of least squares")
    return replace(base, shape=_as_asked(spec, shape), fit=fit, notes=tuple(notes))


def _as_asked(spec: FeatureSpec, shape: Shape) -> Shape:
    """A circle asked for from a wall is the wall's section at the circle's place."""
    if isinstance(spec.shape, Circle) and isinstance(shape, Cylinder):
        return Circle(shape.point, shape.axis, shape.radius)
    return shape


def _weights(scene: Scene, rows: NDArray[np.int64]) -> Floats | None:
    """Surface that each of the rows stands for, where a dense scan of a set would outweigh the others."""
    return None if scene.weights is None else scene.weights[rows]


def _fitter(spec: FeatureSpec) -> Callable[[Floats, Shape, Floats | None], Fit | FailedFit]:
    """The least-squares fit of a kind; a circle keeps the nominal direction of its axis."""
    shape = spec.shape
    if isinstance(shape, Plane):
        return lambda points, start, weights: fit_plane(points, start, weights)  # type: ignore[arg-type]
    if isinstance(shape, Cylinder):
        return lambda points, start, weights: fit_cylinder(points, start, weights)  # type: ignore[arg-type]
    if isinstance(shape, Circle):
        held = Fixed(axis=shape.axis)
        return lambda points, start, weights: fit_cylinder(points, start, weights, fixed=held)  # type: ignore[arg-type]
    if isinstance(shape, Cone):
        return lambda points, start, weights: fit_cone(points, start, weights)  # type: ignore[arg-type]
    if isinstance(shape, Sphere):
        return lambda points, start, weights: fit_sphere(points, start, weights)  # type: ignore[arg-type]
    if isinstance(shape, Torus):
        return lambda points, start, weights: fit_torus(points, start, weights)  # type: ignore[arg-type]
    return lambda points, start, weights: FailedFit(f"a {spec.kind} can't be fitted to surface points")


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
        return _beyond(away, spec.search)
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
        centre = float(np.linalg.norm(offset - (offset @ normal) * normal))
    elif isinstance(nominal, Slot):
        # both its sizes are held by its points, so its centre is; how deep it lies is nominal
        shift = place(shape) - place(nominal)
        normal = array(nominal.axis)
        return float(np.linalg.norm(shift - (shift @ normal) * normal))
    elif isinstance(nominal, Cone):
        centre = np.inf
    else:
        centre = float(np.linalg.norm(place(shape) - place(nominal)))
    # the centre of a short arc or a small cap is far from held: there the surface itself tells
    surface = float(np.abs(signed_distance(nominal, feet(shape, points))).max(initial=0.0))
    return min(centre, surface)


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


def _line(spec: FeatureSpec, patch: Patch, nominal: Nominal, scene: Scene) -> FoundFeature:
    """An edge between two flat faces: the line in which their fitted planes meet."""
    assert isinstance(spec.shape, Line)
    ridge = ridge_of(spec.shape, nominal, spec.span)
    base = FoundFeature(spec, None, patch=patch)
    if isinstance(ridge, str):
        return replace(base, reason=ridge)
    faces = [_measured(replace(spec, kind="plane", shape=p, span=None), nominal, scene) for p in ridge.planes]
    rows = np.unique(np.concatenate([face.rows for face in faces]))
    seen = [face.coverage for face in faces if face.coverage is not None]
    base = replace(
        base,
        rows=rows,
        points=scene.points[rows],
        rejected=sum(face.rejected for face in faces),
        coverage=min(seen) if len(seen) == 2 else None,
    )
    for face in faces:
        if not face.ok:
            return replace(base, reason=f"one of the two faces that meet in it: {face.reason}")
    first, second = faces
    assert isinstance(first.shape, Plane) and isinstance(second.shape, Plane)
    assert first.fit is not None and second.fit is not None
    fit = line_fit(spec.shape, (first.fit, second.fit))
    if isinstance(fit, str):
        return replace(base, reason=fit)
    notes = ("where the planes fitted to its two faces meet", *dict.fromkeys(first.notes + second.notes))
    return replace(base, shape=fit.shape, fit=fit, notes=notes)


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
    if not spec.shape.round_ends:
        rows = rows[~_in_corner(spec, scene.points[rows] - centre, along, across, 0.5 * margin)]
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
    fit = fit_slot(flat, start, _weights(scene, rows))
    if isinstance(fit, FailedFit):
        return replace(base, reason=fit.reason)
    shape = _in_space(fit.shape, spec.shape)
    coverage = covered_share(patch.samples, points, scene.spacing, slack=0.5 * spec.search)
    trouble = ""
    if coverage < spec.least_coverage:
        trouble = f"only {coverage:.0%} of it was seen; at least {spec.least_coverage:.0%} is needed"
    away = float(np.linalg.norm(place(shape) - centre))
    if not trouble and away > spec.search * 1.001:
        trouble = _beyond(away, spec.search)
    trouble = trouble or _one_sided(spec.shape, flat)
    if not trouble and spec.association == "minimum zone":
        zone = zone_slot(flat, fit.shape)
        if isinstance(zone, FailedFit):
            trouble = zone.reason
        else:
            shape = _in_space(zone.shape, spec.shape)
    elif spec.association != "least squares":
        trouble = trouble or f"a slot has no {spec.association} association; its mating size is a size definition"
    return replace(base, shape=None if trouble else shape, fit=fit, coverage=coverage, reason=trouble)


def _in_space(flat: Slot, nominal: Slot) -> Slot:
    """A slot found in the plane along and across the nominal one."""
    centre, along, across, _ = slot_axes(nominal)
    here, turned = flat.centre, flat.along
    return Slot(
        vector(centre + here[0] * along + here[1] * across),
        nominal.axis,
        vector(turned[0] * along + turned[1] * across),
        flat.length,
        flat.width,
        nominal.round_ends,
    )


def _in_corner(spec: FeatureSpec, offset: Floats, along: Floats, across: Floats, margin: float) -> NDArray[np.bool_]:
    """Which places, from the centre, lie in the rounded corners of a rectangle, or within the margin of them."""
    assert isinstance(spec.shape, Slot)
    room = spec.corner_radius + margin
    near: NDArray[np.bool_] = (np.abs(offset @ along) > 0.5 * spec.shape.length - room) & (
        np.abs(offset @ across) > 0.5 * spec.shape.width - room
    )
    return near


def _one_sided(slot: Slot, flat: Floats) -> str:
    """Why a slot is not held by its points (n, 2), along and across from its nominal centre; empty when it is."""
    half = 0.5 * slot.length - (0.5 * slot.width if slot.round_ends else 0.0)
    if slot.round_ends:
        straight = np.abs(flat[:, 0]) <= half
        capped = np.abs(flat[:, 0]) > 0.9 * half
    else:
        # of a rectangle each point belongs to the side it is nearest to
        capped = half - np.abs(flat[:, 0]) < 0.5 * slot.width - np.abs(flat[:, 1])
        straight = ~capped
    sides = [np.count_nonzero(straight & (sign * flat[:, 1] > 0.25 * slot.width)) for sign in (1, -1)]
    ends = [np.count_nonzero(capped & (sign * flat[:, 0] > 0.0)) for sign in (1, -1)]
    if min(sides) < SAFETY or min(sides) < 0.1 * max(sides):
        return "one of its long sides was not seen"
    if min(ends) < SAFETY or min(ends) < 0.1 * max(ends):
        return "one of its ends was not seen"
    return ""


def is_axial(shape: Shape | None) -> bool:
    """Whether an element has an axis that can be a datum or be judged for position."""
    return isinstance(shape, Circle | Cylinder | Cone | Line | Torus)
