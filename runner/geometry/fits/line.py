"""Least-squares straight lines, in a plane and in space."""

from __future__ import annotations

import numpy as np

from runner.geometry.fits import kernels
from runner.geometry.fits.hold import NOTHING, foot, frame, free_columns, obey, towards
from runner.geometry.fits.result import FailedFit, Fit, Fixed
from runner.geometry.fits.solve import State, conclude, minimise, prepare
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Line, vector


def fit_line2d(
    points: Floats,
    start: Line | None = None,
    weights: Floats | None = None,
    fixed: Fixed | None = None,
    *,
    residuals: bool = False,
) -> Fit[Line] | FailedFit:
    """Return the line in the xy plane with the least sum of squared orthogonal distances.

    Parameters
    ----------
    points : (n, 2) mm, n >= 2.
    start : its direction decides which of the two directions is returned.
    weights : (n,) of the squared distances.
    fixed : ``axis`` (the direction), ``point``.
    residuals : keep the (n,) signed distances, + on the left of the direction.

    Returns
    -------
    Fit of a ``Line`` with z = 0. Its frame has v along the direction, w across it to the left;
    increments ``shift w`` and ``tilt v`` (w towards v).
    """
    points = np.asarray(points, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 2:
        raise ValueError(f"points must be (n, 2); these have shape {points.shape}")
    held = fixed or NOTHING
    columns = free_columns(kernels.PLANE, (2, 4), Fixed(axis=held.axis, point=held.point))
    cloud = prepare(points, weights, max(len(columns), 1), "line")
    if isinstance(cloud, FailedFit):
        return cloud
    direction = cloud.principal[0] if held.axis is None else np.array(held.axis, dtype=np.float64)
    direction = direction * [1.0, 1.0, 0.0] / np.hypot(direction[0], direction[1])
    direction = towards(direction, np.array(start.direction) if start else None)
    state = State(np.zeros(3), _frame2d(direction), np.empty(0))
    state = obey(state, kernels.PLANE, Fixed(point=held.point), cloud)
    solution = minimise(cloud, kernels.PLANE, state, columns)
    state = solution.state
    if state.turn[1] @ direction < 0:
        return FailedFit("did not converge")
    nearest = foot(state.origin, state.turn[1])
    shape = Line(vector(cloud.centre + cloud.scale * nearest), vector(state.turn[1]))
    return conclude(cloud, kernels.PLANE, solution, columns, shape, residuals)


def _frame2d(direction: Floats) -> Floats:
    """Return rows u = z, v = direction, w = to its left... right-handed: u x v = w."""
    up = np.array([0.0, 0.0, 1.0])
    return np.array([up, direction, np.cross(up, direction)])


def fit_line3d(
    points: Floats,
    start: Line | None = None,
    weights: Floats | None = None,
    fixed: Fixed | None = None,
    *,
    residuals: bool = False,
) -> Fit[Line] | FailedFit:
    """Return the line in space with the least sum of squared orthogonal distances.

    Parameters
    ----------
    points : (n, 3) mm, n >= 2.
    start : its direction decides which of the two directions is returned; otherwise the largest component is positive.
    weights : (n,) of the squared distances.
    fixed : ``axis`` (the direction), ``perpendicular_to``, ``point``.
    residuals : keep the (n,) distances from the line, never negative.

    Returns
    -------
    Fit of a ``Line`` whose point is the foot of the centroid; w is its direction,
    increments ``shift u``, ``shift v``, ``tilt u``, ``tilt v``.
    """
    held = fixed or NOTHING
    columns = free_columns(kernels.AXIS, (0, 1, 3, 4), held)
    cloud = prepare(points, weights, 2 if len(columns) > 2 else 1, "line")
    if isinstance(cloud, FailedFit):
        return cloud
    if held.axis is None and cloud.spread[0] - cloud.spread[1] < 1e-9 * cloud.spread[0]:
        return FailedFit("the points spread equally far in two directions: they don't determine a line")
    direction = towards(cloud.principal[0], np.array(start.direction) if start else None)
    state = obey(State(np.zeros(3), frame(direction), np.empty(0)), kernels.AXIS, held, cloud)
    solution = minimise(cloud, kernels.AXIS, state, columns)
    state = solution.state
    nearest = foot(state.origin, state.turn[2])
    shape = Line(vector(cloud.centre + cloud.scale * nearest), vector(state.turn[2]))
    return conclude(cloud, kernels.AXIS, solution, columns, shape, residuals)
