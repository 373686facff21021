"""Least-squares cone."""

from __future__ import annotations

import numpy as np

from runner.geometry.fits import kernels
from runner.geometry.fits.axial import refine
from runner.geometry.fits.hold import NOTHING, frame, local
from runner.geometry.fits.result import FailedFit, Fit, Fixed
from runner.geometry.fits.solve import Cloud, State, conclude, minimise, prepare
from runner.geometry.fits.starts import circle_about, cone_about, cone_starts
from runner.geometry.frames import unit
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Cone, vector

COLUMNS = (0, 1, 3, 4, 6, 7)
LEAST_ANGLE = 1e-8
"""rad; below it the apex runs away and the surface is a cylinder."""


def fit_cone(
    points: Floats,
    start: Cone | None = None,
    weights: Floats | None = None,
    fixed: Fixed | None = None,
    *,
    residuals: bool = False,
) -> Fit[Cone] | FailedFit:
    """Return the cone with the least sum of squared orthogonal distances.

    Parameters
    ----------
    points : (n, 3) mm, n >= 6, not in one plane.
    start : a cone to begin from; otherwise several starts are tried.
    weights : (n,) of the squared distances.
    fixed : ``axis``, ``perpendicular_to``, ``point`` (on the axis), ``half_angle``.
    residuals : keep the (n,) signed distances, + outside the cone (beyond the apex: from the apex).

    Returns
    -------
    Fit of a ``Cone`` whose axis points from the apex into the opening; ``reference`` is the point of the axis near
    the centroid; increments ``shift u``, ``shift v``, ``tilt u``, ``tilt v``, ``offset``, ``half angle``.
    """
    held = fixed or NOTHING
    least = 6 - 2 * (held.axis is not None) - 2 * (held.point is not None) - (held.half_angle is not None)
    cloud = prepare(points, weights, max(least, 1), "cone")
    if isinstance(cloud, FailedFit):
        return cloud
    if cloud.rank() < 3:
        where = "plane" if cloud.rank() == 2 else "straight line"
        return FailedFit(f"the points lie in one {where}: they don't determine a cone")
    given = None
    if start is not None:
        given = _given(start, cloud)
    elif held.axis is not None:
        points_local, axis = cloud.sample(20_000).scaled(), unit(np.array(held.axis))
        base = local(held.point, cloud) if held.point is not None else circle_about(points_local, axis).origin
        given = cone_about(points_local, base, axis)
    if held.point is not None:
        given = None if given is None else _about(given, local(held.point, cloud))
    found = refine(cloud, kernels.CONE, COLUMNS, held, given, lambda: cone_starts(cloud))
    if isinstance(found, FailedFit):
        return found
    solution, columns = found
    state = solution.state
    wrapped = float(np.arctan(np.tan(state.sizes[1])))
    if wrapped != state.sizes[1] and abs(wrapped - state.sizes[1]) > 1.0:
        # the same surface with its inside and outside exchanged
        solution = minimise(
            cloud, kernels.CONE, State(state.origin, state.turn, np.array([state.sizes[0], wrapped])), columns
        )
        state = solution.state
    if state.sizes[1] < 0:
        turned = State(state.origin, np.diag([1.0, -1.0, -1.0]) @ state.turn, state.sizes * [1.0, -1.0])
        solution = minimise(cloud, kernels.CONE, turned, columns)
        state = solution.state
    radius, angle = float(state.sizes[0]), float(state.sizes[1])
    if solution.converged:
        if not angle > LEAST_ANGLE:
            return FailedFit("the half angle is zero within rounding: a cylinder, not a cone")
        if not angle < 0.5 * np.pi - LEAST_ANGLE:
            return FailedFit("the half angle is 90 degrees within rounding: a plane, not a cone")
        if radius - float(state.origin @ state.turn[2]) * np.tan(angle) < 0:
            return FailedFit("did not converge: the points lie on both sides of the apex")
    apex = state.origin - state.turn[2] * (radius / np.tan(angle)) if angle != 0 else state.origin
    if float(np.linalg.norm(apex)) > 1e9:
        return FailedFit("the apex is out of reach: within their scatter the points lie on a cylinder")
    shape = Cone(vector(cloud.centre + cloud.scale * apex), vector(state.turn[2]), angle)
    return conclude(cloud, kernels.CONE, solution, columns, shape, residuals)


def _given(start: Cone, cloud: Cloud) -> State:
    """Return the start with its reference moved from the apex to the foot of the centroid."""
    axis = unit(np.array(start.axis))
    apex = local(start.apex, cloud)
    height = float(-apex @ axis)
    return State(apex + height * axis, frame(axis), np.array([height * np.tan(start.half_angle), start.half_angle]))


def _about(state: State, point: Floats) -> State:
    """Return the cone with its reference at the height of a point (radius taken there)."""
    height = float((point - state.origin) @ state.turn[2])
    radius = state.sizes[0] + height * np.tan(state.sizes[1])
    return State(state.origin + height * state.turn[2], state.turn, np.array([radius, state.sizes[1]]))
