"""Least-squares torus."""

from __future__ import annotations

import numpy as np

from runner.geometry.fits import kernels
from runner.geometry.fits.axial import refine
from runner.geometry.fits.hold import NOTHING, frame, local, towards
from runner.geometry.fits.result import FailedFit, Fit, Fixed
from runner.geometry.fits.solve import State, conclude, minimise, prepare
from runner.geometry.fits.starts import torus_starts
from runner.geometry.frames import unit
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Torus, vector

COLUMNS = (0, 1, 2, 3, 4, 6, 7)


def fit_torus(
    points: Floats,
    start: Torus | None = None,
    weights: Floats | None = None,
    fixed: Fixed | None = None,
    *,
    residuals: bool = False,
) -> Fit[Torus] | FailedFit:
    """Return the torus with the least sum of squared orthogonal distances.

    Parameters
    ----------
    points : (n, 3) mm, n >= 7, not in one plane.
    start : a torus to begin from; otherwise several starts are tried (rings and fillets).
    weights : (n,) of the squared distances.
    fixed : ``axis``, ``perpendicular_to``, ``point`` (the centre), ``radius``, ``minor``.
    residuals : keep the (n,) signed distances, + outside the tube.

    Returns
    -------
    Fit of a ``Torus``; increments ``shift u``, ``shift v``, ``shift w``, ``tilt u``, ``tilt v``, ``radius``, ``minor``.
    """
    held = fixed or NOTHING
    least = 7 - 2 * (held.axis is not None) - 3 * (held.point is not None)
    least -= (held.radius is not None) + (held.minor is not None)
    cloud = prepare(points, weights, max(least, 1), "torus")
    if isinstance(cloud, FailedFit):
        return cloud
    if cloud.rank() < 3:
        where = "plane" if cloud.rank() == 2 else "straight line"
        return FailedFit(f"the points lie in one {where}: they don't determine a torus")
    given = None
    if start is not None:
        sizes = np.array([start.radius, start.minor]) / cloud.scale
        given = State(local(start.centre, cloud), frame(unit(np.array(start.axis))), sizes)
    found = refine(cloud, kernels.TORUS, COLUMNS, held, given, lambda: torus_starts(cloud))
    if isinstance(found, FailedFit):
        return found
    solution, columns = found
    state = solution.state
    like = np.array(held.axis or start.axis) if (held.axis or start) else None  # type: ignore[union-attr]
    if towards(state.turn[2], like) @ state.turn[2] < 0:
        turned = State(state.origin, np.diag([1.0, -1.0, -1.0]) @ state.turn, state.sizes)
        solution = minimise(cloud, kernels.TORUS, turned, columns)
        state = solution.state
    ring, tube = (cloud.scale * float(s) for s in state.sizes)
    if solution.converged and not (ring > 0 and tube > 0):
        return FailedFit("did not converge: a radius came out negative (the points fit a sphere or no torus)")
    shape = Torus(vector(cloud.centre + cloud.scale * state.origin), vector(state.turn[2]), ring, tube)
    return conclude(cloud, kernels.TORUS, solution, columns, shape, residuals)
