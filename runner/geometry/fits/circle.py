"""Least-squares circles, in a plane and in space."""

from __future__ import annotations

import numpy as np

from runner.geometry.fits import kernels
from runner.geometry.fits.hold import NOTHING, frame, free_columns, local, obey, towards
from runner.geometry.fits.plane import fit_plane
from runner.geometry.fits.result import FailedFit, Fit, Fixed
from runner.geometry.fits.solve import Cloud, State, best, conclude, minimise, prepare
from runner.geometry.fits.starts import hypersphere
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Circle, vector


def fit_circle2d(
    points: Floats,
    start: Circle | None = None,
    weights: Floats | None = None,
    fixed: Fixed | None = None,
    *,
    residuals: bool = False,
) -> Fit[Circle] | FailedFit:
    """Return the circle in the xy plane with the least sum of squared orthogonal distances.

    Parameters
    ----------
    points : (n, 2) mm, n >= 3, not in one line.
    start : a circle to begin from; otherwise an algebraic fit.
    weights : (n,) of the squared distances.
    fixed : ``point`` (the centre), ``radius``.
    residuals : keep the (n,) signed distances, + outside the circle.

    Returns
    -------
    Fit of a ``Circle`` with z = 0 and axis +z; increments ``shift u`` (x), ``shift v`` (y), ``radius``.
    """
    points = np.asarray(points, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 2:
        raise ValueError(f"points must be (n, 2); these have shape {points.shape}")
    held = fixed or NOTHING
    held = Fixed(point=held.point, radius=held.radius)
    columns = free_columns(kernels.CYLINDER, (0, 1, 6), held)
    cloud = prepare(points, weights, max(len(columns), 1), "circle")
    if isinstance(cloud, FailedFit):
        return cloud
    if cloud.rank() < 2 and len(columns) == 3:
        return FailedFit("unbounded radius: the points lie in one straight line")
    return _circle_in_plane(cloud, start, held, columns, residuals)


def _circle_in_plane(
    cloud: Cloud, start: Circle | None, held: Fixed, columns: np.ndarray, residuals: bool
) -> Fit[Circle] | FailedFit:
    if start:
        state = State(local(start.centre, cloud) * [1.0, 1.0, 0.0], np.eye(3), np.array([start.radius / cloud.scale]))
    else:
        centre, radius = hypersphere(cloud.sample(20_000).scaled()[:, :2])
        state = State(np.array([*centre, 0.0]), np.eye(3), np.array([radius]))
    starts = [obey(state, kernels.CYLINDER, held, cloud)]
    if held.radius is not None and held.point is None and start is None:
        # a short arc with a held radius has a second answer on the other side
        chord = cloud.principal[1] * [1.0, 1.0, 0.0]
        starts += [
            obey(State(s * chord * held.radius / cloud.scale, np.eye(3), np.ones(1)), kernels.CYLINDER, held, cloud)
            for s in (1.0, -1.0)
        ]
    coarse = best(cloud, kernels.CYLINDER, starts, columns) if len(starts) > 1 or len(cloud) > 50_000 else starts[0]
    assert coarse is not None
    solution = minimise(cloud, kernels.CYLINDER, coarse, columns)
    if start is not None and not solution.converged:
        return _circle_in_plane(cloud, None, held, columns, residuals)
    centre, radius = cloud.centre + cloud.scale * solution.state.origin, cloud.scale * float(solution.state.sizes[0])
    if solution.converged and not radius > 0:
        return FailedFit("did not converge: the radius came out negative")
    return conclude(
        cloud, kernels.CYLINDER, solution, columns, Circle(vector(centre), (0.0, 0.0, 1.0), radius), residuals
    )


def fit_circle3d(
    points: Floats,
    start: Circle | None = None,
    weights: Floats | None = None,
    fixed: Fixed | None = None,
    *,
    definition: str = "orthogonal",
    residuals: bool = False,
) -> Fit[Circle] | FailedFit:
    """Return the least-squares circle in space.

    Parameters
    ----------
    points : (n, 3) mm, n >= 3, not in one line.
    start : gives the direction of the axis, and a place to begin.
    weights : (n,) of the squared distances.
    fixed : ``axis``, ``point`` (the centre), ``radius``.
    definition : ``orthogonal`` (least sum of squared distances to the curve itself, in the plane and out of it:
        A. B. Forbes, NPL Report DITC 140/89), or ``two-step`` (least-squares plane, then the circle in it).
    residuals : keep the (n,) signed distances in the plane, + outside the circle.

    Returns
    -------
    Fit of a ``Circle``; increments ``shift u``, ``shift v``, ``shift w``, ``tilt u``, ``tilt v``, ``radius``;
    for the two-step definition ``shift u``, ``shift v``, ``radius``, with the plane taken as known.
    """
    if definition not in ("orthogonal", "two-step"):
        raise ValueError(f"definition must be 'orthogonal' or 'two-step', not {definition!r}")
    held = fixed or NOTHING
    columns = free_columns(kernels.RING, (0, 1, 2, 3, 4, 6), held)
    cloud = prepare(points, weights, 3 if held.radius is None or held.point is None else 2, "circle")
    if isinstance(cloud, FailedFit):
        return cloud
    if cloud.rank() < 2:
        return FailedFit("unbounded radius: the points lie in one straight line")
    plane = fit_plane(points, None, weights, Fixed(axis=held.axis, point=held.point))
    if isinstance(plane, FailedFit):
        return plane
    wanted = held.axis or (start.axis if start else None)
    axis = towards(np.array(plane.shape.normal), np.array(wanted) if wanted is not None else None)
    turn = frame(axis)
    level = local(plane.shape.point, cloud)
    flat = cloud.sample(20_000).scaled()
    centre, radius = hypersphere((flat - level) @ turn[:2].T)
    state = State(level + centre @ turn[:2], turn, np.array([radius]))
    if start is not None:
        at = local(start.centre, cloud)
        state = State(at - ((at - level) @ axis) * axis, turn, np.array([start.radius / cloud.scale]))
    state = obey(state, kernels.RING, held, cloud)
    kind = kernels.RING
    if definition == "two-step":
        kind, columns = kernels.CYLINDER, free_columns(kernels.CYLINDER, (0, 1, 6), held)
    solution = minimise(cloud, kind, state, columns)
    if start is not None and not solution.converged:
        return fit_circle3d(points, None, weights, held, definition=definition, residuals=residuals)
    state = solution.state
    size = cloud.scale * float(state.sizes[0])
    if solution.converged and not size > 0:
        return FailedFit("did not converge: the radius came out negative")
    shape = Circle(vector(cloud.centre + cloud.scale * state.origin), vector(state.turn[2]), size)
    return conclude(cloud, kind, solution, columns, shape, residuals)
