"""Minimum-zone, inscribed and circumscribed cylinders."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from runner.geometry.fits.contact import INNER, OUTER, ZONE, Contact, associate
from runner.geometry.fits.cylinder import fit_cylinder
from runner.geometry.fits.hold import foot, frame, local, towards
from runner.geometry.fits.result import FailedFit, Fixed
from runner.geometry.fits.roundness import BALANCED, _from_centre
from runner.geometry.fits.solve import Cloud, prepare
from runner.geometry.fits.zone import Zone
from runner.geometry.frames import unit
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Cylinder, vector


def _from_axis(x: Floats, points: Floats) -> tuple[Floats, Floats]:
    """Return distances (n,) from the axis through (x0, x1, 0) along (x2, x3, 1), and derivatives (n, 4)."""
    length = np.sqrt(1.0 + x[2] * x[2] + x[3] * x[3])
    w = np.array([x[2], x[3], 1.0]) / length
    offset = points - np.array([x[0], x[1], 0.0])
    along = offset @ w
    across = offset - along[:, None] * w
    rho = np.linalg.norm(across, axis=1)
    n = across / np.where(rho > 0, rho, 1.0)[:, None]
    # moving w by dw moves the foot of a point at height `along` by along * dw (across n)
    turn = -(along / length)[:, None] * n[:, :2]
    return rho, np.hstack([-n[:, :2], turn])


def zone_cylinder(
    points: Floats, start: Cylinder | None = None, fixed: Fixed | None = None
) -> Zone[Cylinder] | FailedFit:
    """Return the minimum-zone cylinder of points (n, 3): cylindricity is its ``width`` (ISO 12180).

    Two coaxial cylinders with the least difference of radii. ``fixed.axis`` holds the direction. The proof is local.
    """
    return _cylinder(points, start, fixed, ZONE)


def inscribed_cylinder(
    points: Floats, start: Cylinder | None = None, fixed: Fixed | None = None
) -> Zone[Cylinder] | FailedFit:
    """Return the largest cylinder that has no point of (n, 3) inside: the mating size of a bore (GX). Proof local."""
    return _cylinder(points, start, fixed, INNER)


def circumscribed_cylinder(
    points: Floats, start: Cylinder | None = None, fixed: Fixed | None = None
) -> Zone[Cylinder] | FailedFit:
    """Return the smallest cylinder around points (n, 3): the mating size of a shaft (GN). Proof local.

    With ``fixed.axis`` the problem is convex and the proof global. Also the diametral straightness of a median line.
    """
    return _cylinder(points, start, fixed, OUTER)


def _cylinder(points: Floats, start: Cylinder | None, fixed: Fixed | None, goal: str) -> Zone[Cylinder] | FailedFit:
    held_axis = fixed.axis if fixed else None
    cloud = prepare(points, None, 3 if held_axis is not None else 5, "cylinder")
    if isinstance(cloud, FailedFit):
        return cloud
    if cloud.rank() < 2 or (cloud.rank() < 3 and goal != OUTER):
        return FailedFit("unbounded radius: the points lie in one plane or line")
    if held_axis is not None and start is None:
        # no fit needed to know the direction; the middle of the points is a good enough centre
        start = Cylinder(vector(cloud.centre), vector(unit(np.array(held_axis))), 0.5 * cloud.scale)
    fit = fit_cylinder(cloud.points, start, None, Fixed(axis=held_axis) if held_axis is not None else None)
    if not isinstance(fit, FailedFit):
        first = fit.shape
    elif start is not None:
        first = start
    elif goal == OUTER:
        first = Cylinder(vector(cloud.centre), vector(cloud.principal[0]), cloud.scale)
    else:
        return fit
    axis = towards(np.array(first.axis), np.array(held_axis or first.axis))
    turn = frame(axis)
    base = foot(local(first.point, cloud), axis)
    seen = (cloud.scaled() - base) @ turn.T
    if held_axis is not None:
        return _along_held_axis(cloud, seen, base, turn, goal)
    best = _best(seen, goal)
    if best is None:
        return FailedFit("the cylinder is not held: the points cover too little of the circumference")
    direction = unit(np.array([best.x[2], best.x[3], 1.0]))
    at = np.array([best.x[0], best.x[1], 0.0])
    shape_axis = direction @ turn
    origin = foot(base + at @ turn, shape_axis)
    return _zone(cloud, best, goal, origin, shape_axis, "local")


def _best(seen: Floats, goal: str) -> Contact | None:
    """Return the best contact from several starts, tried on the outermost points and proved on all."""
    few = seen[_outermost(seen)] if len(seen) > 4_000 else seen
    width = float(np.ptp(_from_axis(np.zeros(4), seen)[0]))
    nudges = [np.zeros(4)]
    if goal != ZONE:
        # inscribed and circumscribed cylinders have neighbours that are almost as good
        nudges += [0.5 * width * s for s in np.vstack([np.eye(4), -np.eye(4)])]
    starts: list[Contact] = []
    for nudge in nudges:
        trial = associate(_from_axis, few, nudge, goal)
        if trial.imbalance < BALANCED and float(np.abs(trial.x).max()) < 1e2:
            starts.append(trial)
    if not starts:
        return None
    first = min(starts, key=lambda trial: trial.value(goal))
    found = first if few is seen else associate(_from_axis, seen, first.x, goal)
    return found if found.imbalance < BALANCED and float(np.abs(found.x).max()) < 1e2 else None


def _outermost(seen: Floats) -> NDArray[np.intp]:
    """Return rows of the three largest and three smallest distances in each of 32 x 16 cells of the surface."""
    rho = np.hypot(seen[:, 0], seen[:, 1])
    angle = np.mod(np.arctan2(seen[:, 1], seen[:, 0]), 2 * np.pi) / (2 * np.pi)
    height = (seen[:, 2] - seen[:, 2].min()) / max(float(np.ptp(seen[:, 2])), 1e-300)
    cell = np.minimum((angle * 32).astype(int), 31) * 16 + np.minimum((height * 16).astype(int), 15)
    order = np.lexsort((rho, cell))
    ranked = cell[order]
    edge = np.zeros(len(order), dtype=bool)
    for k in (1, 2, 3):
        edge[:-k] |= ranked[:-k] != ranked[k:]
        edge[k:] |= ranked[k:] != ranked[:-k]
    edge[:3], edge[-3:] = True, True
    result: NDArray[np.intp] = order[edge]
    return result


def _along_held_axis(cloud: Cloud, seen: Floats, base: Floats, turn: Floats, goal: str) -> Zone[Cylinder] | FailedFit:
    found = associate(_from_centre, seen[:, :2], np.zeros(2), goal)
    if found.imbalance >= BALANCED:
        return FailedFit("the cylinder is not held: the points cover too little of the circumference")
    origin = foot(base + found.x @ turn[:2], turn[2])
    return _zone(cloud, found, goal, origin, turn[2], "global" if goal == OUTER else "local")


def _zone(cloud: Cloud, found: Contact, goal: str, origin: Floats, axis: Floats, proof: str) -> Zone[Cylinder]:
    radius = {ZONE: 0.5 * (found.high + found.low), OUTER: found.high, INNER: found.low}[goal]
    return Zone(
        Cylinder(vector(cloud.centre + cloud.scale * origin), vector(axis), cloud.scale * radius),
        cloud.scale * (found.high - found.low),
        tuple(vector(cloud.points[k]) for k in found.touching),
        found.imbalance,
        proof,
        len(cloud),
    )
