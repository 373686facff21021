"""Least-squares cylinder."""

from __future__ import annotations

import numpy as np

from runner.geometry.fits import kernels
from runner.geometry.fits.axial import refine
from runner.geometry.fits.hold import NOTHING, foot, frame, local, towards
from runner.geometry.fits.result import FailedFit, Fit, Fixed
from runner.geometry.fits.solve import State, conclude, minimise, prepare
from runner.geometry.fits.starts import circle_about, cylinder_starts
from runner.geometry.frames import unit
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Cylinder, vector

COLUMNS = (0, 1, 3, 4, 6)


def fit_cylinder(
    points: Floats,
    start: Cylinder | None = None,
    weights: Floats | None = None,
    fixed: Fixed | None = None,
    *,
    residuals: bool = False,
) -> Fit[Cylinder] | FailedFit:
    """Return the cylinder with the least sum of squared orthogonal distances.

    Parameters
    ----------
    points : (n, 3) mm, n >= 5, not in one plane.
    start : a cylinder to begin from (its axis also decides the direction); otherwise several starts are tried.
    weights : (n,) of the squared distances.
    fixed : ``axis``, ``perpendicular_to``, ``point`` (on the axis), ``radius``.
    residuals : keep the (n,) signed distances, + outside the cylinder.

    Returns
    -------
    Fit of a ``Cylinder`` whose point is the foot of the centroid on the axis;
    increments ``shift u``, ``shift v``, ``tilt u``, ``tilt v``, ``radius``.
    """
    held = fixed or NOTHING
    least = 5 - 2 * (held.axis is not None) - 2 * (held.point is not None) - (held.radius is not None)
    cloud = prepare(points, weights, max(least, 1), "cylinder")
    if isinstance(cloud, FailedFit):
        return cloud
    if cloud.rank() < 2 + (held.axis is None) and held.radius is None:
        where = "plane" if cloud.rank() == 2 else "straight line"
        return FailedFit(f"unbounded radius: the points lie in one {where}")
    given = None
    if start is not None:
        axis = unit(np.array(start.axis))
        given = State(foot(local(start.point, cloud), axis), frame(axis), np.array([start.radius / cloud.scale]))
    elif held.axis is not None:
        given = circle_about(cloud.sample(20_000).scaled(), unit(np.array(held.axis)))
    found = refine(cloud, kernels.CYLINDER, COLUMNS, held, given, lambda: cylinder_starts(cloud))
    if isinstance(found, FailedFit):
        return found
    solution, columns = found
    state = solution.state
    like = np.array(held.axis or start.axis) if (held.axis or start) else None  # type: ignore[union-attr]
    if towards(state.turn[2], like) @ state.turn[2] < 0:
        solution = minimise(
            cloud, kernels.CYLINDER, State(state.origin, np.diag([1.0, -1.0, -1.0]) @ state.turn, state.sizes), columns
        )
        state = solution.state
    radius = cloud.scale * float(state.sizes[0])
    if solution.converged and not radius > 0:
        return FailedFit("did not converge: the radius came out negative")
    at = foot(state.origin, state.turn[2])
    shape = Cylinder(vector(cloud.centre + cloud.scale * at), vector(state.turn[2]), radius)
    return conclude(cloud, kernels.CYLINDER, solution, columns, shape, residuals)
