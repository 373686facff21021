"""Minimum zones of cones, tori, slots and rectangles, and of any element on a short arc."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import numpy as np

from runner.geometry.fits import kernels
from runner.geometry.fits.chebyshev import Narrowest, narrowest
from runner.geometry.fits.circle import fit_circle2d
from runner.geometry.fits.cone import fit_cone
from runner.geometry.fits.cylinder import fit_cylinder
from runner.geometry.fits.hold import NOTHING, foot, frame, free_columns, local, obey
from runner.geometry.fits.result import FailedFit, Fixed
from runner.geometry.fits.slot import fit_slot
from runner.geometry.fits.solve import Cloud, State, prepare
from runner.geometry.fits.sphere import fit_sphere
from runner.geometry.fits.torus import fit_torus
from runner.geometry.fits.zone import Zone
from runner.geometry.frames import unit
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Circle, Cone, Cylinder, Slot, Sphere, Torus, vector

S = TypeVar("S")

Maker = Callable[[Cloud, State], Any]


def zone_cone(points: Floats, start: Cone | None = None, fixed: Fixed | None = None) -> Zone[Cone] | FailedFit:
    """Return the minimum-zone cone of points (n, 3): two coaxial cones at equal distances from it. Proof local."""
    fit = fit_cone(points, start, fixed=fixed)
    if isinstance(fit, FailedFit):
        return fit

    def state(cloud: Cloud) -> State:
        axis, apex = np.array(fit.shape.axis), local(fit.shape.apex, cloud)
        height = float(-apex @ axis)
        sizes = np.array([height * np.tan(fit.shape.half_angle), fit.shape.half_angle])
        return State(apex + height * axis, frame(axis), sizes)

    def shape(cloud: Cloud, found: State) -> Cone:
        apex = found.origin - found.turn[2] * (found.sizes[0] / np.tan(found.sizes[1]))
        return Cone(vector(cloud.centre + cloud.scale * apex), vector(found.turn[2]), float(found.sizes[1]))

    return _zone(points, "cone", kernels.CONE, (0, 1, 3, 4, 6, 7), fixed, state, shape)


def zone_torus(points: Floats, start: Torus | None = None, fixed: Fixed | None = None) -> Zone[Torus] | FailedFit:
    """Return the minimum-zone torus of points (n, 3): two tubes about one ring. Proof local."""
    fit = fit_torus(points, start, fixed=fixed)
    if isinstance(fit, FailedFit):
        return fit

    def state(cloud: Cloud) -> State:
        sizes = np.array([fit.shape.radius, fit.shape.minor]) / cloud.scale
        return State(local(fit.shape.centre, cloud), frame(np.array(fit.shape.axis)), sizes)

    def shape(cloud: Cloud, found: State) -> Torus:
        ring, tube = (float(v) * cloud.scale for v in found.sizes)
        return Torus(vector(cloud.centre + cloud.scale * found.origin), vector(found.turn[2]), ring, tube)

    return _zone(points, "torus", kernels.TORUS, (0, 1, 2, 3, 4, 6, 7), fixed, state, shape)


def zone_slot(
    points: Floats, start: Slot | None = None, fixed: Fixed | None = None, *, round_ends: bool | None = None
) -> Zone[Slot] | FailedFit:
    """Return the minimum-zone slot or rectangle of the outline's points (n, 2), both sizes free. Proof local."""
    points = np.asarray(points, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 2:
        raise ValueError(f"points must be (n, 2); these have shape {points.shape}")
    fit = fit_slot(points, start, fixed=fixed, round_ends=round_ends)
    if isinstance(fit, FailedFit):
        return fit
    kind = kernels.ROUND_SLOT if fit.shape.round_ends else kernels.SQUARE_SLOT

    def state(cloud: Cloud) -> State:
        turn = frame(np.array(fit.shape.axis), unit(np.array(fit.shape.along)))
        return State(local(fit.shape.centre, cloud), turn, np.array([fit.shape.length, fit.shape.width]) / cloud.scale)

    def shape(cloud: Cloud, found: State) -> Slot:
        length, width = (float(v) * cloud.scale for v in found.sizes)
        middle = vector(cloud.centre + cloud.scale * found.origin)
        return Slot(middle, vector(found.turn[2]), vector(found.turn[0]), length, width, fit.shape.round_ends)

    return _zone(points, "slot", kind, (0, 1, 5, 6, 7), fixed, state, shape)


def zone_arc(points: Floats, start: Circle | None = None, fixed: Fixed | None = None) -> Zone[Circle] | FailedFit:
    """Return the minimum-zone circle of points (n, 2) of an arc, however short: its radius is free. Proof local.

    The same as ``zone_circle`` where that is held.
    """
    points = np.asarray(points, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 2:
        raise ValueError(f"points must be (n, 2); these have shape {points.shape}")
    fit = fit_circle2d(points, start, fixed=fixed)
    if isinstance(fit, FailedFit):
        return fit

    def state(cloud: Cloud) -> State:
        return State(local(fit.shape.centre, cloud), np.eye(3), np.array([fit.shape.radius / cloud.scale]))

    def shape(cloud: Cloud, found: State) -> Circle:
        middle = vector(cloud.centre + cloud.scale * found.origin)
        return Circle(middle, (0.0, 0.0, 1.0), float(found.sizes[0]) * cloud.scale)

    return _zone(points, "circle", kernels.CYLINDER, (0, 1, 6), fixed, state, shape)


def zone_cylinder_part(
    points: Floats, start: Cylinder | None = None, fixed: Fixed | None = None
) -> Zone[Cylinder] | FailedFit:
    """Return the minimum-zone cylinder of points (n, 3), also where they take only part of the turn. Proof local."""
    fit = fit_cylinder(points, start, fixed=fixed)
    if isinstance(fit, FailedFit):
        return fit

    def state(cloud: Cloud) -> State:
        axis = np.array(fit.shape.axis)
        at = foot(local(fit.shape.point, cloud), axis)
        return State(at, frame(axis), np.array([fit.shape.radius / cloud.scale]))

    def shape(cloud: Cloud, found: State) -> Cylinder:
        at = foot(found.origin, found.turn[2])
        radius = float(found.sizes[0]) * cloud.scale
        return Cylinder(vector(cloud.centre + cloud.scale * at), vector(found.turn[2]), radius)

    return _zone(points, "cylinder", kernels.CYLINDER, (0, 1, 3, 4, 6), fixed, state, shape)


def zone_sphere_part(
    points: Floats, start: Sphere | None = None, fixed: Fixed | None = None
) -> Zone[Sphere] | FailedFit:
    """Return the minimum-zone sphere of points (n, 3), also of a small cap. Proof local."""
    fit = fit_sphere(points, start, fixed=fixed)
    if isinstance(fit, FailedFit):
        return fit

    def state(cloud: Cloud) -> State:
        return State(local(fit.shape.centre, cloud), np.eye(3), np.array([fit.shape.radius / cloud.scale]))

    def shape(cloud: Cloud, found: State) -> Sphere:
        return Sphere(vector(cloud.centre + cloud.scale * found.origin), float(found.sizes[0]) * cloud.scale)

    return _zone(points, "sphere", kernels.SPHERE, (0, 1, 2, 6), fixed, state, shape)


def _zone(
    points: Floats,
    what: str,
    kind: int,
    columns: tuple[int, ...],
    fixed: Fixed | None,
    state: Callable[[Cloud], State],
    shape: Callable[[Cloud, State], S],
) -> Zone[S] | FailedFit:
    held = fixed or NOTHING
    free = free_columns(kind, columns, held)
    cloud = prepare(points, None, max(len(free), 1), what)
    if isinstance(cloud, FailedFit):
        return cloud
    found: Narrowest = narrowest(cloud, kind, obey(state(cloud), kind, held, cloud), free)
    if not found.proved:
        return FailedFit(f"the zone of the {what} is not held: its contacts don't balance ({found.imbalance:.1e})")
    if np.any(found.state.sizes <= 0):
        return FailedFit("did not converge: a size came out negative")
    return Zone(
        shape(cloud, found.state),
        2.0 * cloud.scale * found.half,
        tuple(vector(cloud.points[k]) for k in found.contacts),
        found.imbalance,
        "local",
        len(cloud),
    )
