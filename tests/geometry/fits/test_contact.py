"""Minimax elements against independent optimisers, brute force and their contact conditions."""

from itertools import combinations

import numpy as np
import pytest
from scipy.optimize import linprog, minimize
from scipy.spatial import ConvexHull

from runner.geometry.fits import Fixed, cylindricity, flatness, roundness, tangent
from runner.geometry.shapes import Cylinder


def ring(rng, n, noise=0.01, lobes=0.02):
    a = rng.uniform(0, 2 * np.pi, n)
    r = 10 + lobes * np.cos(3 * a) + rng.normal(0, noise, n)
    return np.column_stack([r * np.cos(a), r * np.sin(a)])


def enumerated_circles(p):
    """Smallest circle around and centre candidates of all pairs and triples (brute force)."""
    best = np.inf
    for i, j in combinations(range(len(p)), 2):
        c = (p[i] + p[j]) / 2
        r = np.linalg.norm(p - c, axis=1).max()
        if r <= np.linalg.norm(p[i] - c) * (1 + 1e-12):
            best = min(best, r)
    for i, j, k in combinations(range(len(p)), 3):
        c = centre(p[i], p[j], p[k])
        if c is not None and np.linalg.norm(p - c, axis=1).max() <= np.linalg.norm(p[i] - c) * (1 + 1e-12):
            best = min(best, np.linalg.norm(p[i] - c))
    return best


def centre(a, b, c):
    m = 2 * np.array([b - a, c - a])
    if abs(np.linalg.det(m)) < 1e-12:
        return None
    return np.linalg.solve(m, [b @ b - a @ a, c @ c - a @ a])


def test_circumscribed_circle_by_brute_force():
    rng = np.random.default_rng(1)
    for k in range(40):
        p = rng.normal(0, 10, (int(rng.integers(2, 12)), 2)) if k % 2 else ring(rng, 12)
        found = roundness.circumscribed_circle(p)
        assert found.shape.radius == pytest.approx(enumerated_circles(p), abs=1e-11)
        assert found.proof == "global"


def test_zone_circle_by_brute_force():
    """All pairs of perpendicular bisectors (2-2) and all circumcentres (3-1): no candidate has a narrower zone."""
    rng = np.random.default_rng(2)
    for _ in range(8):
        p = ring(rng, 14)
        candidates = [c for i, j, k in combinations(range(len(p)), 3) if (c := centre(p[i], p[j], p[k])) is not None]
        pairs = list(combinations(range(len(p)), 2))
        for (i, j), (k, m) in combinations(pairs, 2):
            system = 2 * np.array([p[j] - p[i], p[m] - p[k]])
            if abs(np.linalg.det(system)) > 1e-9:
                candidates.append(np.linalg.solve(system, [p[j] @ p[j] - p[i] @ p[i], p[m] @ p[m] - p[k] @ p[k]]))
        rho = np.linalg.norm(p[None] - np.array(candidates)[:, None], axis=2)
        near = np.linalg.norm(candidates, axis=1) < 5
        best = np.ptp(rho[near], axis=1).min()
        found = roundness.zone_circle(p)
        assert found.width == pytest.approx(best, abs=1e-11)
        assert found.imbalance < 1e-9
        # the 2-2 criterion: contacts alternate outside and inside
        at = np.array(found.contacts)[:, :2] - found.shape.centre[:2]
        order = np.argsort(np.arctan2(at[:, 1], at[:, 0]))
        outside = np.linalg.norm(at, axis=1)[order] > found.shape.radius
        assert len(order) == 4
        assert np.all(outside != np.roll(outside, 1))


def chebyshev_plane(p):
    """Zone of p by the linear programme of vertical distances, repeated in the frame of its own normal."""
    turn = np.eye(3)
    for _ in range(6):
        q = p @ turn.T
        one = np.ones((len(q), 1))
        a = np.vstack([np.hstack([-q[:, :2], -one, -one]), np.hstack([q[:, :2], one, -one])])
        b = np.concatenate([-q[:, 2], q[:, 2]])
        x = linprog([0, 0, 0, 1], A_ub=a, b_ub=b, bounds=[(None, None)] * 3 + [(0, None)]).x
        w = np.array([-x[0], -x[1], 1.0]) / np.sqrt(1 + x[0] ** 2 + x[1] ** 2)
        u = np.cross(w, [0, 1.0, 0])
        u /= np.linalg.norm(u)
        turn = np.array([u, np.cross(w, u), w]) @ turn
    return np.ptp(p @ turn[2])


def test_flatness_by_linear_programme(made):
    rng = np.random.default_rng(3)
    for _ in range(30):
        n = int(rng.integers(10, 400))
        p = made.plane(rng, n, 50, rng.uniform(0.2, 1)) + rng.normal(0, 0.02, (n, 3))
        p[:, 2] += rng.uniform(-1e-4, 1e-4) * p[:, 0] * p[:, 1]
        # a programme of this kind is feasible to 1e-7 only
        assert flatness.zone_plane(p @ made.turn(rng).T).width == pytest.approx(chebyshev_plane(p), abs=1e-6)


def test_flatness_is_no_wider_than_over_any_direction(made):
    """The width of a bulky body (cube corners cut by noise) is global: no sampled direction is narrower."""
    rng = np.random.default_rng(4)
    for _ in range(20):
        p = rng.uniform(-1, 1, (30, 3)) * [1.0, 0.8, 0.6]
        width = flatness.zone_plane(p).width
        w = rng.normal(size=(20_000, 3))
        w /= np.linalg.norm(w, axis=1)[:, None]
        sampled = np.ptp(p @ w.T, axis=0)
        assert width <= sampled.min()
        near = minimize(lambda v, p=p: np.ptp(p @ v / np.linalg.norm(v)), w[np.argmin(sampled)], method="Nelder-Mead")
        assert width == pytest.approx(near.fun, abs=2e-3)
        assert width <= near.fun + 1e-12


def test_straightness_is_the_width_of_the_hull():
    rng = np.random.default_rng(5)
    for _ in range(40):
        p = np.column_stack([rng.uniform(0, 100, 60), rng.normal(0, 0.02, 60)])
        hull = p[ConvexHull(p).vertices]
        edges = np.roll(hull, -1, axis=0) - hull
        normals = np.column_stack([-edges[:, 1], edges[:, 0]]) / np.linalg.norm(edges, axis=1)[:, None]
        assert flatness.zone_line2d(p).width == pytest.approx(np.ptp(p @ normals.T, axis=0).min(), abs=1e-12)


def test_cylinders_are_no_worse_than_nelder_mead(made):
    rng = np.random.default_rng(6)
    for _ in range(6):
        p = made.cylinder(rng, 80, 10, 30)
        p = p + rng.normal(0, 0.01, p.shape)

        def rho(x, p=p):
            return made.distance("cylinder")(p, [*x, 0.0])

        for fit, worth, value in (
            (cylindricity.zone_cylinder, lambda d: np.ptp(d), lambda z: z.width),
            (cylindricity.circumscribed_cylinder, lambda d: d.max(), lambda z: z.shape.radius),
            (cylindricity.inscribed_cylinder, lambda d: -d.min(), lambda z: -z.shape.radius),
        ):
            found = fit(p)
            assert found.imbalance < 1e-9
            options = {"xatol": 1e-10, "fatol": 1e-12, "maxiter": 4000, "maxfev": 4000}
            axis = np.array(found.shape.axis) / found.shape.axis[2]
            base = np.array(found.shape.point) - found.shape.point[2] * axis
            ours = np.array([base[0], base[1], axis[0], axis[1]])
            assert worth(rho(ours)) == pytest.approx(value(found), abs=1e-9)
            for start in (ours, np.zeros(4)):
                other = minimize(
                    lambda x, worth=worth, rho=rho: worth(rho(x)),
                    start,
                    method="Nelder-Mead",
                    options=options | {"initial_simplex": start + np.vstack([np.zeros(4), 1e-3 * np.eye(4)])},
                )
                assert value(found) <= other.fun + 1e-9


def test_inscribed_in_a_held_direction_is_the_circle_seen_along_it(made):
    rng = np.random.default_rng(7)
    p = made.cylinder(rng, 200, 10, 30) + rng.normal(0, 0.01, (200, 3))
    held = Fixed(axis=(0.0, 0.0, 1.0))
    for fit, flat in (
        (cylindricity.inscribed_cylinder, roundness.inscribed_circle),
        (cylindricity.circumscribed_cylinder, roundness.circumscribed_circle),
        (cylindricity.zone_cylinder, roundness.zone_circle),
    ):
        found = fit(p, fixed=held)
        assert found.shape.radius == pytest.approx(flat(p[:, :2]).shape.radius, abs=1e-10)
        assert found.shape.axis == (0.0, 0.0, 1.0)


def test_spheres_hold_all_points(made):
    rng = np.random.default_rng(8)
    p = made.sphere(rng, 300, 12.7) + rng.normal(0, 0.005, (300, 3)) + [100, 200, -50]
    zone, outer, inner = roundness.zone_sphere(p), roundness.circumscribed_sphere(p), roundness.inscribed_sphere(p)
    assert np.linalg.norm(p - outer.shape.centre, axis=1).max() == pytest.approx(outer.shape.radius, abs=1e-11)
    assert np.linalg.norm(p - inner.shape.centre, axis=1).min() == pytest.approx(inner.shape.radius, abs=1e-11)
    rho = np.linalg.norm(p - zone.shape.centre, axis=1)
    assert np.ptp(rho) == pytest.approx(zone.width, abs=1e-11)
    assert len(zone.contacts) == 5
    assert zone.width <= outer.width
    assert zone.width <= inner.width
    # the proof itself: contact forces in balance, written out here for the sphere
    assert max(zone.imbalance, outer.imbalance, inner.imbalance) < 1e-9


def test_many_points_give_the_answer_of_their_outermost():
    rng = np.random.default_rng(9)
    p = ring(rng, 60_000)
    rho = np.linalg.norm(p, axis=1)
    outermost = p[np.argsort(-rho)[:400]]
    whole = roundness.circumscribed_circle(p)
    assert whole.shape.radius == pytest.approx(roundness.circumscribed_circle(outermost).shape.radius, abs=1e-11)
    assert np.linalg.norm(p - whole.shape.centre[:2], axis=1).max() <= whole.shape.radius + 1e-11
    zone = roundness.zone_circle(p)
    rho = np.linalg.norm(p - zone.shape.centre[:2], axis=1)
    assert zone.width == pytest.approx(np.ptp(rho), abs=1e-11)


def test_tangent_plane_has_all_points_inside_and_touches(made):
    rng = np.random.default_rng(10)
    p = made.plane(rng, 500, 40.0) + rng.normal(0, 0.02, (500, 3))
    found = tangent.tangent_plane(p, (0.1, 0.0, -1.0))
    normal = np.array(found.shape.normal)
    heights = (p - found.shape.point) @ normal
    assert normal[2] < 0
    assert heights.max() == pytest.approx(0.0, abs=1e-12)
    assert -heights.min() == pytest.approx(found.depth, abs=1e-12)
    assert found.depth == pytest.approx(flatness.zone_plane(p).width, abs=1e-12)


def test_tangent_plane_under_a_primary_datum(made):
    rng = np.random.default_rng(11)
    p = made.plane(rng, 400, 40.0)[:, [2, 0, 1]] + rng.normal(0, 0.02, (400, 3))
    primary = np.array([0.01, 0.02, 1.0]) / np.linalg.norm([0.01, 0.02, 1.0])
    found = tangent.tangent_plane(p, (1.0, 0.0, 0.0), Fixed(perpendicular_to=tuple(primary)))
    normal = np.array(found.shape.normal)
    assert abs(normal @ primary) < 1e-14
    heights = (p - found.shape.point) @ normal
    assert heights.max() == pytest.approx(0.0, abs=1e-12)
    # no turn about the primary's normal brings the farthest point nearer
    for angle in np.linspace(-0.01, 0.01, 401):
        other = normal * np.cos(angle) + np.cross(primary, normal) * np.sin(angle)
        assert np.ptp(p @ other) >= found.depth - 1e-12
    held = tangent.tangent_plane(p, (1.0, 0.0, 0.0), Fixed(axis=(1.0, 0.0, 0.0)))
    assert held.shape.normal == (1.0, 0.0, 0.0)
    assert held.shape.point[0] == pytest.approx(p[:, 0].max(), abs=1e-12)


def test_rocking_of_a_crowned_and_of_a_hollow_surface(made):
    rng = np.random.default_rng(12)
    p = made.plane(rng, 2000, 40.0)
    crowned, hollow = p.copy(), p.copy()
    bend = 0.1 * (p[:, 0] / 40.0) ** 2
    crowned[:, 2] -= bend
    hollow[:, 2] += bend
    up = (0.0, 0.0, 1.0)
    rocks, rests = tangent.tangent_plane(crowned, up), tangent.tangent_plane(hollow, up)
    # slope of the crown where the outer third begins: 0.2 x / 40^2 at x = 40 / 3
    assert rocks.rocking_rad == pytest.approx(0.2 * 40 / 3 / 1600, rel=0.15)
    assert rests.rocking_rad < 0.1 * rocks.rocking_rad
    assert rests.depth == pytest.approx(0.1, abs=2e-3)


def test_inscribed_cylinder_from_a_poor_start(made):
    rng = np.random.default_rng(13)
    p = made.cylinder(rng, 150, 10, 30) + rng.normal(0, 0.01, (150, 3))
    start = Cylinder((0.3, -0.2, 0.0), (0.02, 0.01, 1.0), 9.0)
    one, other = cylindricity.inscribed_cylinder(p), cylindricity.inscribed_cylinder(p, start)
    assert one.shape.radius == pytest.approx(other.shape.radius, abs=1e-10)
