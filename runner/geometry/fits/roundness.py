"""Minimum-zone, inscribed and circumscribed circles and spheres."""

from __future__ import annotations

from typing import Literal

import numpy as np

from runner.geometry.fits import kernels
from runner.geometry.fits.contact import INNER, OUTER, ZONE, Contact, associate
from runner.geometry.fits.result import FailedFit
from runner.geometry.fits.solve import Cloud, State, minimise, prepare
from runner.geometry.fits.starts import hypersphere
from runner.geometry.fits.zone import Zone
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Circle, Sphere, vector

BALANCED = 1e-7
"""Largest imbalance of the contact forces that counts as proof."""


def _from_centre(x: Floats, points: Floats) -> tuple[Floats, Floats]:
    """Return distances (n,) from the centre x and their derivatives."""
    offset = points - x
    rho = np.linalg.norm(offset, axis=1)
    return rho, -offset / np.where(rho > 0, rho, 1.0)[:, None]


def zone_circle(points: Floats) -> Zone[Circle] | FailedFit:
    """Return the minimum-zone circle of points (n, 2): roundness is its ``width`` (ISO 12181).

    Two concentric circles with the least difference of radii; held by at least two points outside and two inside
    that alternate. Several starts; the proof is local.
    """
    return _circle(points, ZONE)


def inscribed_circle(points: Floats) -> Zone[Circle] | FailedFit:
    """Return the largest circle that has no point of (n, 2) inside it and is held by them from all sides."""
    return _circle(points, INNER)


def circumscribed_circle(points: Floats) -> Zone[Circle] | FailedFit:
    """Return the smallest circle around points (n, 2). Convex: the proof is global."""
    return _circle(points, OUTER)


def zone_sphere(points: Floats) -> Zone[Sphere] | FailedFit:
    """Return the minimum-zone sphere of points (n, 3): sphericity is its ``width``. The proof is local."""
    return _sphere(points, ZONE)


def inscribed_sphere(points: Floats) -> Zone[Sphere] | FailedFit:
    """Return the largest sphere with no point of (n, 3) inside, near the least-squares centre."""
    return _sphere(points, INNER)


def circumscribed_sphere(points: Floats) -> Zone[Sphere] | FailedFit:
    """Return the smallest sphere around points (n, 3). Convex: the proof is global."""
    return _sphere(points, OUTER)


def _circle(points: Floats, goal: str) -> Zone[Circle] | FailedFit:
    points = np.asarray(points, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 2:
        raise ValueError(f"points must be (n, 2); these have shape {points.shape}")
    cloud = prepare(points, None, 2 if goal == OUTER else 3, "circle")
    if isinstance(cloud, FailedFit):
        return cloud
    if cloud.rank() < 2 and goal != OUTER:
        return FailedFit("unbounded radius: the points lie in one straight line")
    found = _round(cloud, cloud.scaled()[:, :2], goal)
    if isinstance(found, FailedFit):
        return found
    centre = vector(cloud.centre + cloud.scale * np.array([*found.x, 0.0]))
    return _zone(cloud, found, goal, Circle(centre, (0.0, 0.0, 1.0), cloud.scale * _radius(found, goal)))


def _sphere(points: Floats, goal: str) -> Zone[Sphere] | FailedFit:
    cloud = prepare(points, None, 2 if goal == OUTER else 4, "sphere")
    if isinstance(cloud, FailedFit):
        return cloud
    if cloud.rank() < 3 and goal != OUTER:
        return FailedFit("unbounded radius: the points lie in one plane")
    found = _round(cloud, cloud.scaled(), goal)
    if isinstance(found, FailedFit):
        return found
    shape = Sphere(vector(cloud.centre + cloud.scale * found.x), cloud.scale * _radius(found, goal))
    return _zone(cloud, found, goal, shape)


def _round(cloud: Cloud, local: Floats, goal: str) -> Contact | FailedFit:
    """Return the best contact over several starts."""
    found: Contact | None = None
    starts = _centres(cloud, local, goal)
    step = 0.3 * float(np.ptp(_from_centre(starts[0], local)[0])) * np.eye(local.shape[1])
    # a programme may stop a hair before the balance that proves its end: only then it begins again beside its start
    again = [starts[0] + way for way in np.vstack([step, -step])]
    for k, start in enumerate(starts + again):
        if k >= len(starts) and found is not None:
            break
        trial = associate(_from_centre, local, start, goal)
        better = found is None or trial.value(goal) < found.value(goal) - 1e-14
        if trial.imbalance < BALANCED and float(np.abs(trial.x).max()) < 1e4 and better:
            found = trial
    if found is None:
        kind = {ZONE: "zone", INNER: "inscribed element", OUTER: "circumscribed element"}[goal]
        return FailedFit(f"the {kind} is not held: the points cover too little of the circumference")
    return found


def _centres(cloud: Cloud, local: Floats, goal: str) -> list[Floats]:
    """Return where to begin: the least-squares centre; for inscribed circles also the widest gaps between points."""
    d = local.shape[1]
    if cloud.rank() < d:
        return [np.zeros(d)]
    guess, radius = hypersphere(cloud.sample(20_000).scaled()[:, :d])
    columns = np.array([*range(d), 6])
    state = State(np.append(guess, np.zeros(3 - d)), np.eye(3), np.array([radius]))
    kind = kernels.SPHERE if d == 3 else kernels.CYLINDER
    solution = minimise(cloud.sample(20_000), kind, state, columns)
    centre = solution.state.origin[:d] if solution.converged else guess
    if goal == OUTER:
        return [centre if float(np.abs(centre).max()) < 1.0 else np.zeros(d)]
    rho, _ = _from_centre(centre, local)
    rough = float(np.ptp(rho)) > 0.02 * float(rho.mean())
    starts = [centre]
    if rough:
        starts.append(np.zeros(d))
        starts += [centre + 0.3 * float(np.ptp(rho)) * s for s in np.vstack([np.eye(d), -np.eye(d)])]
    if goal == INNER and d == 2 and rough:
        starts += _gaps(cloud.sample(3_000).scaled()[:, :2])
    return starts


def _gaps(flat: Floats) -> list[Floats]:
    """Return the centres of the largest empty circles within the hull of the points (Voronoi corners)."""
    from scipy.spatial import Delaunay, QhullError, cKDTree

    try:
        mesh = Delaunay(flat)
    except QhullError:
        return []
    a, b, c = (flat[mesh.simplices[:, k]] for k in range(3))
    u, v = b - a, c - a
    cross = 2.0 * (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
    good = np.abs(cross) > 1e-12
    uu, vv = np.einsum("ij,ij->i", u, u)[good], np.einsum("ij,ij->i", v, v)[good]
    u, v, cross, a = u[good], v[good], cross[good], a[good]
    centres = a + np.column_stack([v[:, 1] * uu - u[:, 1] * vv, u[:, 0] * vv - v[:, 0] * uu]) / cross[:, None]
    centres = centres[mesh.find_simplex(centres) >= 0]
    if not len(centres):
        return []
    radii, _ = cKDTree(flat).query(centres)
    return [centres[k] for k in np.argsort(-radii)[:3]]


def _radius(found: Contact, goal: str) -> float:
    return {ZONE: 0.5 * (found.high + found.low), OUTER: found.high, INNER: found.low}[goal]


def _zone(cloud: Cloud, found: Contact, goal: str, shape: Circle | Sphere) -> Zone:  # type: ignore[type-arg]
    proof: Literal["global", "local"] = "global" if goal == OUTER else "local"
    return Zone(
        shape,
        cloud.scale * (found.high - found.low),
        tuple(vector(cloud.points[k]) for k in found.touching),
        found.imbalance,
        proof,
        len(cloud),
    )
