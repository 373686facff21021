"""Least-squares sphere."""

from __future__ import annotations

import numpy as np

from runner.geometry.fits import kernels
from runner.geometry.fits.axial import refine
from runner.geometry.fits.hold import NOTHING, local
from runner.geometry.fits.result import FailedFit, Fit, Fixed
from runner.geometry.fits.solve import Cloud, State, conclude, prepare
from runner.geometry.fits.starts import hypersphere
from runner.geometry.mesh import Floats
from runner.geometry.shapes import Sphere, vector


def fit_sphere(
    points: Floats,
    start: Sphere | None = None,
    weights: Floats | None = None,
    fixed: Fixed | None = None,
    *,
    residuals: bool = False,
) -> Fit[Sphere] | FailedFit:
    """Return the sphere with the least sum of squared orthogonal distances.

    Parameters
    ----------
    points : (n, 3) mm, n >= 4, not in one plane.
    start : a sphere to begin from; otherwise an algebraic fit.
    weights : (n,) of the squared distances.
    fixed : ``point`` (the centre), ``radius``.
    residuals : keep the (n,) signed distances, + outside the sphere.

    Returns
    -------
    Fit of a ``Sphere``; increments ``shift u`` (x), ``shift v`` (y), ``shift w`` (z), ``radius``.
    """
    held = Fixed(point=fixed.point, radius=fixed.radius) if fixed else NOTHING
    least = 4 - 3 * (held.point is not None) - (held.radius is not None)
    cloud = prepare(points, weights, max(least, 1), "sphere")
    if isinstance(cloud, FailedFit):
        return cloud
    if cloud.rank() < 3 and held == NOTHING:
        where = "plane" if cloud.rank() == 2 else "straight line"
        return FailedFit(f"unbounded radius: the points lie in one {where}")
    given = State(local(start.centre, cloud), np.eye(3), np.array([start.radius / cloud.scale])) if start else None
    found = refine(cloud, kernels.SPHERE, (0, 1, 2, 6), held, given, lambda: _starts(cloud, held))
    if isinstance(found, FailedFit):
        return found
    solution, columns = found
    radius = cloud.scale * float(solution.state.sizes[0])
    if solution.converged and not radius > 0:
        return FailedFit("did not converge: the radius came out negative")
    shape = Sphere(vector(cloud.centre + cloud.scale * solution.state.origin), radius)
    return conclude(cloud, kernels.SPHERE, solution, columns, shape, residuals)


def _starts(cloud: Cloud, held: Fixed) -> list[State]:
    centre, radius = hypersphere(cloud.sample(20_000).scaled())
    starts = [State(centre, np.eye(3), np.array([radius]))]
    if held.radius is not None:
        # a small cap with a held radius has a second answer on the other side
        across = cloud.principal[2] * held.radius / cloud.scale
        starts += [State(across, np.eye(3), np.ones(1)), State(-across, np.eye(3), np.ones(1))]
    return starts
