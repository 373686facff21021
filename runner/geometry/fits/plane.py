"""Least-squares plane."""

from __future__ import annotations

import numpy as np

from runner.geometry.fits import kernels
from runner.geometry.fits.hold import NOTHING, frame, free_columns, obey, towards
from runner.geometry.fits.result import FailedFit, Fit, Fixed
from runner.geometry.fits.solve import State, conclude, minimise, prepare
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Plane, vector


def fit_plane(
    points: Floats,
    start: Plane | None = None,
    weights: Floats | None = None,
    fixed: Fixed | None = None,
    *,
    residuals: bool = False,
) -> Fit[Plane] | FailedFit:
    """Return the plane with the least sum of squared orthogonal distances.

    Parameters
    ----------
    points : (n, 3) mm, n >= 3, not in one line.
    start : its normal decides which of the two directions is returned; otherwise the largest component is positive.
    weights : (n,) of the squared distances.
    fixed : ``axis`` (the normal), ``perpendicular_to`` (the normal stays perpendicular to it), ``point``.
    residuals : keep the (n,) signed distances, + on the normal's side.

    Returns
    -------
    Fit of a ``Plane`` whose point is the foot of the centroid; increments ``shift w``, ``tilt u``, ``tilt v``.

    Source: principal directions about the centroid (K. Pearson, Phil. Mag. 2 (1901) 559-572).
    """
    held = fixed or NOTHING
    columns = free_columns(kernels.PLANE, (2, 3, 4), held)
    cloud = prepare(points, weights, max(len(columns), 1), "plane")
    if isinstance(cloud, FailedFit):
        return cloud
    if held.axis is None and cloud.rank() < (2 if held.perpendicular_to is None else 1):
        return FailedFit("the points lie in one straight line: they don't determine a plane")
    if held.perpendicular_to is not None and held.axis is None:
        # the points as seen along the direction that the normal must avoid
        seen = frame(np.array(held.perpendicular_to))
        flat = cloud.scaled() @ seen[:2].T
        values, vectors = np.linalg.eigh(flat.T @ flat / len(flat))
        if not values[1] > 1e-24:
            return FailedFit("the points lie in one line along the held direction: they don't determine a plane")
        normal = vectors[:, 0] @ seen[:2]
    else:
        normal = cloud.principal[2]
    first = State(np.zeros(3), frame(normal), np.empty(0))
    solution = minimise(cloud, kernels.PLANE, obey(first, kernels.PLANE, held, cloud), columns)
    state = solution.state
    wanted = towards(state.turn[2], np.array(start.normal) if start else None)
    if wanted @ state.turn[2] < 0:
        state = State(state.origin, np.diag([1.0, -1.0, -1.0]) @ state.turn, state.sizes)
        solution = minimise(cloud, kernels.PLANE, state, columns)
        state = solution.state
    on_plane = state.turn[2] * (state.origin @ state.turn[2])
    shape = Plane(vector(cloud.centre + cloud.scale * on_plane), vector(state.turn[2]))
    return conclude(cloud, kernels.PLANE, solution, columns, shape, residuals)
