"""Inscribed sphere of a hollow ball with eight low diagonals: held by them, in every pose and with noise.

Oracle: SciPy's Nelder-Mead on the least distance from the centre, which needs no derivatives.
"""

import numpy as np
import pytest
from scipy.optimize import minimize

from runner.geometry.fits import inscribed_sphere
from runner.geometry.fits.result import FailedFit
from runner.measure.characteristics.walls import SPHERE_CELLS, directions


@pytest.mark.parametrize("seed", [0, 11, 48])
def test_a_ball_with_cubic_lobes_holds_its_inscribed_sphere(seed):
    rng = np.random.default_rng(seed)
    ways = np.vstack([directions(SPHERE_CELLS), -directions(SPHERE_CELLS)])
    turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    radius = 10.0 - 0.0185 * (((ways @ turn) ** 4).sum(axis=1) - 0.6) + rng.normal(0, 1e-3, len(ways))
    points = ways * radius[:, None]
    found = inscribed_sphere(points)
    assert not isinstance(found, FailedFit), found
    simplex = minimize(
        lambda c: -np.linalg.norm(points - c, axis=1).min(),
        np.zeros(3),
        method="Nelder-Mead",
        options={
            "xatol": 1e-9,
            "fatol": 1e-12,
            "maxiter": 4000,
            "initial_simplex": np.vstack([np.zeros(3), 0.01 * np.eye(3)]),
        },
    )
    assert found.shape.radius >= -simplex.fun - 1e-9
    assert np.linalg.norm(points - np.array(found.shape.centre), axis=1).min() == pytest.approx(
        found.shape.radius, abs=1e-9
    )
