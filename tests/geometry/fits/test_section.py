"""Sections of some thickness: what the axis leans or bends in them is no form, and no form is leant away."""

import numpy as np
import pytest
from scipy.optimize import minimize

from runner.geometry.fits.roundness import zone_circle
from runner.geometry.fits.section import zone_section


def slab(rng, lobes=3, height=0.02, lean=(0.0, 0.0), radius=10.0, thick=4.0, count=3000):
    """Points of a shaft with lobes of a known height (its roundness is twice that), leaning by a slope."""
    angle, z = rng.uniform(-np.pi, np.pi, count), rng.uniform(-0.5, 0.5, count) * thick
    r = radius + height * np.cos(lobes * angle)
    return np.column_stack([r * np.cos(angle) + lean[0] * z + 3.0, r * np.sin(angle) + lean[1] * z - 5.0, z + 7.0])


@pytest.mark.parametrize("lobes", [2, 3, 5, 8])
@pytest.mark.parametrize("lean", [(0.0, 0.0), (0.01, -0.004)])
def test_a_lean_is_no_form(lobes, lean):
    zone = zone_section(slab(np.random.default_rng(lobes), lobes, lean=lean))
    assert zone.width == pytest.approx(0.04, abs=1e-5)
    assert zone.shape.centre == pytest.approx((3.0, -5.0, 7.0), abs=5e-3)


def test_stripes_that_run_slantwise_do_not_lean_ovality_away():
    # every point of one slanting stripe: the height goes with the cosine of the angle, and a lean makes it an oval
    angle = np.linspace(-np.pi, np.pi, 2000, endpoint=False)
    r = 10.0 + 0.02 * np.cos(2 * angle)
    points = np.column_stack([r * np.cos(angle), r * np.sin(angle), 2.0 * np.cos(angle)])
    assert zone_section(points).width == pytest.approx(0.04, abs=1e-6)


def test_no_wider_than_upright_and_no_better_than_a_general_solver():
    for seed in range(5):
        rng = np.random.default_rng(seed)
        points = slab(rng, count=300, height=0.005, lean=rng.normal(size=2) * 0.002)
        points[:, :2] += 0.01 * rng.normal(size=(300, 2))
        zone = zone_section(points)
        assert zone.width <= zone_circle(points[:, :2]).width
        z = points[:, 2] - 7.0
        ways = points[:, :2] - (3.0, -5.0)

        def rho(x, ways=ways, z=z):
            return np.linalg.norm(ways - x[:2] - z[:, None] * x[2:4], axis=1) - 10.0

        # SciPy's SLSQP as a solver that isn't ours, from a start of its own
        found = minimize(
            lambda x: x[4] - x[5],
            np.array([0, 0, 0, 0, 0.1, -0.1]),
            constraints={"type": "ineq", "fun": lambda x, f=rho: np.concatenate([x[4] - f(x), f(x) - x[5]])},
            options={"ftol": 1e-14, "maxiter": 500},
        )
        assert zone.width <= np.ptp(rho(found.x)) + 1e-9


def test_one_ring_and_what_is_refused():
    ring = slab(np.random.default_rng(1), thick=0.0)
    assert zone_section(ring).width == pytest.approx(zone_circle(ring[:, :2]).width, abs=1e-15)
    line = np.column_stack([np.arange(30.0), np.zeros(30), np.zeros(30)])
    assert "straight line" in zone_section(line).reason
