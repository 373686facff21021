"""Spread of each least-squares fit over 400 repeats against the Cramer-Rao bound, and the covariance against it."""

import numpy as np
import pytest
from scipy.stats import chi2

from runner.geometry import fits
from runner.geometry.shapes import Circle, Cone, Cylinder, Line, Plane, Slot, Sphere, Torus

Z, O, SIGMA, REPEATS = (0.0, 0.0, 1.0), (0.0, 0.0, 0.0), 0.02, 400


def tilts(direction):
    return [direction[0] / direction[2], direction[1] / direction[2]]


def crossing(point, direction):
    p, w = np.array(point), np.array(direction)
    return list((p - w * p[2] / w[2])[:2])


SETUPS = {
    "plane": (
        lambda m, r: m.plane(r, 60, 30.0, 0.4),
        [0, 0, 0],
        lambda p: fits.fit_plane(p, Plane(O, Z)),
        lambda s: [np.array(s.point) @ np.array(s.normal) / s.normal[2], *tilts(s.normal)],
    ),
    "circle": (
        lambda m, r: m.circle(r, 60, 10.0, np.pi)[:, :2],
        [0, 0, 10.0],
        fits.fit_circle2d,
        lambda s: [*s.centre[:2], s.radius],
    ),
    "ring": (
        lambda m, r: m.circle(r, 60, 10.0, 4.0),
        [0, 0, 0, 0, 0, 10.0],
        lambda p: fits.fit_circle3d(p, Circle(O, Z, 10.0)),
        lambda s: [*s.centre, *tilts(s.axis), s.radius],
    ),
    "cylinder": (
        lambda m, r: m.cylinder(r, 120, 10.0, 30.0, np.pi),
        [0, 0, 0, 0, 10.0],
        lambda p: fits.fit_cylinder(p, Cylinder(O, Z, 10.0)),
        lambda s: [*crossing(s.point, s.axis), *tilts(s.axis), s.radius],
    ),
    "cone": (
        lambda m, r: m.cone(r, 120, 10.0, 20.0, 0.5, 4.0),
        [0, 0, 0, 0, 10.0, 0.5],
        lambda p: fits.fit_cone(p, Cone((0, 0, -10 / np.tan(0.5)), Z, 0.5)),
        lambda s: [
            *crossing(s.apex, s.axis),
            *tilts(s.axis),
            -s.apex[2] / s.axis[2] * np.tan(s.half_angle),
            s.half_angle,
        ],
    ),
    "sphere": (
        lambda m, r: m.sphere(r, 80, 10.0, 1.0),
        [0, 0, 0, 10.0],
        lambda p: fits.fit_sphere(p, Sphere(O, 10.0)),
        lambda s: [*s.centre, s.radius],
    ),
    "torus": (
        lambda m, r: m.torus(r, 200, 20.0, 5.0, 2.0, 0.0, 3.0),
        [0, 0, 0, 0, 0, 20.0, 5.0],
        lambda p: fits.fit_torus(p, Torus(O, Z, 20.0, 5.0)),
        lambda s: [*s.centre, *tilts(s.axis), s.radius, s.minor],
    ),
    "round_slot": (
        lambda m, r: m.slot(r, 120, 20.0, 8.0, True),
        [0, 0, 0, 20.0, 8.0],
        lambda p: fits.fit_slot(p, Slot(O, Z, (1, 0, 0), 20.0, 8.0)),
        lambda s: [*s.centre[:2], np.arctan2(s.along[1], s.along[0]), s.length, s.width],
    ),
    "square_slot": (
        lambda m, r: m.slot(r, 120, 20.0, 8.0, False),
        [0, 0, 0, 20.0, 8.0],
        lambda p: fits.fit_slot(p, Slot(O, Z, (1, 0, 0), 20.0, 8.0, False)),
        lambda s: [*s.centre[:2], np.arctan2(s.along[1], s.along[0]), s.length, s.width],
    ),
}


def repeated(made, kind):
    sample, truth, fit, read = SETUPS[kind]
    rng = np.random.default_rng(100)
    points = sample(made, rng)
    found = [fit(points + rng.normal(0, SIGMA, points.shape)) for _ in range(REPEATS)]
    return points, np.array(truth, dtype=float), found, np.array([read(f.shape) for f in found])


@pytest.mark.parametrize("kind", SETUPS)
def test_spread_reaches_the_cramer_rao_bound(made, kind):
    points, truth, _, values = repeated(made, kind)
    bound = made.bound(kind, points, truth, SIGMA)
    # joint figure over all parameters: mean squared error in the metric of the bound, 1 at the bound
    f = made.distance(kind)
    j = np.array([(f(points, truth + h) - f(points, truth - h)) / 2e-5 for h in 1e-5 * np.eye(len(truth))]).T
    error = values - truth
    joint = np.sqrt(np.mean(np.einsum("ij,ij->i", error @ (j.T @ j), error)) / (SIGMA**2 * len(truth)))
    assert joint <= 1.05
    # one parameter: a chance of 1e-4 for an efficient fit with this many repeats
    limit = np.sqrt(chi2.ppf(1 - 1e-4, REPEATS - 1) / (REPEATS - 1))
    assert np.all(values.std(axis=0, ddof=1) / bound < limit)
    assert np.all(np.abs(error.mean(axis=0)) < 5 * bound / np.sqrt(REPEATS) + 0.02 * bound)


@pytest.mark.parametrize("kind", SETUPS)
def test_covariance_holds_the_truth_as_often_as_it_says(made, kind):
    """The mean of squared errors of each size over its stated variance is near 1; 95 % intervals hold 92 to 98 %."""
    _, truth, found, values = repeated(made, kind)
    names = {
        "circle": ["radius"],
        "ring": ["radius"],
        "cylinder": ["radius"],
        "sphere": ["radius"],
        "cone": ["half angle"],
        "torus": ["radius", "minor"],
        "round_slot": ["length", "width"],
        "square_slot": ["length", "width"],
        "plane": [],
    }[kind]
    for k, name in enumerate(reversed(names)):
        z = (values[:, -1 - k] - truth[-1 - k]) / [f.standard(name) for f in found]
        assert 0.92 <= np.mean(np.abs(z) < 1.96) <= 0.98, name
    sigma = np.sqrt(np.mean([f.sigma**2 for f in found]))
    assert sigma == pytest.approx(SIGMA, rel=0.02)
    if kind in ("cylinder", "sphere", "torus", "circle", "ring", "round_slot"):
        # the centre, or the axis at 40 mm from the points, in the direction x
        at = np.array([0.0, 0.0, 40.0 if kind == "cylinder" else 0.0])
        error = values[:, 0] + (values[:, 2] * 40.0 if kind == "cylinder" else 0.0)
        z = error / [np.sqrt(f.covariance_at(at)[0, 0]) for f in found]
        assert 0.92 <= np.mean(np.abs(z) < 1.96) <= 0.98
    if kind == "plane":
        z = (values @ [1.0, -10.0, -5.0]) / [np.sqrt(f.covariance_at((10.0, 5.0, 0.0))[2, 2]) for f in found]
        assert 0.92 <= np.mean(np.abs(z) < 1.96) <= 0.98


def test_line_spread(made):
    rng = np.random.default_rng(3)
    points = made.line(rng, 40)
    found = [fits.fit_line3d(points + rng.normal(0, SIGMA, points.shape), Line(O, Z)) for _ in range(REPEATS)]
    values = np.array([[*crossing(f.shape.point, f.shape.direction), *tilts(f.shape.direction)] for f in found])
    z = points[:, 2]
    normal = np.array([[len(z), z.sum()], [z.sum(), z @ z]])
    bound = SIGMA * np.sqrt(np.diag(np.linalg.inv(normal)))
    spread = values.std(axis=0, ddof=1)
    assert np.sqrt(np.mean((spread / np.repeat(bound, 2)) ** 2)) <= 1.05
    stated = np.mean([f.covariance_at((0, 0, 0))[0, 0] for f in found])
    assert np.sqrt(stated) == pytest.approx(bound[0], rel=0.05)
