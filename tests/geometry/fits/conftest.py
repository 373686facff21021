"""Points on elements with known truth, independent of the code under test."""

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation


class Made:
    """Samplers in the element's own frame (axis z, centre or axis point at the origin), and distances after parameters.

    ``distance(kind)`` gives the orthogonal distance as a function of (points, x); parameters x are shifts, tilts
    (axis along (a, b, 1)) and sizes: written down separately from the code under test.
    """

    @staticmethod
    def plane(rng, n, size=50.0, aspect=1.0):
        return np.column_stack([rng.uniform(-size, size, n), rng.uniform(-size, size, n) * aspect, np.zeros(n)])

    @staticmethod
    def line(rng, n, size=50.0):
        return np.column_stack([np.zeros(n), np.zeros(n), rng.uniform(-size, size, n)])

    @staticmethod
    def circle(rng, n, radius, arc=2 * np.pi):
        a = rng.uniform(-arc / 2, arc / 2, n)
        return np.column_stack([radius * np.cos(a), radius * np.sin(a), np.zeros(n)])

    @staticmethod
    def cylinder(rng, n, radius, height, arc=2 * np.pi):
        a, z = rng.uniform(-arc / 2, arc / 2, n), rng.uniform(-height / 2, height / 2, n)
        return np.column_stack([radius * np.cos(a), radius * np.sin(a), z])

    @staticmethod
    def cone(rng, n, radius, height, angle, arc=2 * np.pi):
        a, t = rng.uniform(-arc / 2, arc / 2, n), rng.uniform(0.0, height, n)
        rho = radius + t * np.sin(angle)
        return np.column_stack([rho * np.cos(a), rho * np.sin(a), t * np.cos(angle)])

    @staticmethod
    def sphere(rng, n, radius, cap=np.pi):
        c, a = rng.uniform(np.cos(cap), 1.0, n), rng.uniform(0, 2 * np.pi, n)
        s = np.sqrt(1 - c * c)
        return radius * np.column_stack([s * np.cos(a), s * np.sin(a), c])

    @staticmethod
    def torus(rng, n, ring, tube, arc=2 * np.pi, low=0.0, high=2 * np.pi):
        a, t = rng.uniform(-arc / 2, arc / 2, n), rng.uniform(low, high, n)
        rho = ring + tube * np.cos(t)
        return np.column_stack([rho * np.cos(a), rho * np.sin(a), tube * np.sin(t)])

    @staticmethod
    def slot(rng, n, length, width, round_ends):
        """(n, 2) evenly along the outline."""
        if round_ends:
            h, r = (length - width) / 2, width / 2
            t = rng.uniform(0, 4 * h + 2 * np.pi * r, n)
            a = (t - 4 * h) / r
            right = a < np.pi
            x = np.where(t < 2 * h, -h + t, h - (t - 2 * h))
            y = np.where(t < 2 * h, r, -r)
            cap = t >= 4 * h
            x = np.where(cap, np.where(right, h + r * np.sin(a), -h + r * np.sin(a)), x)
            return np.column_stack([x, np.where(cap, r * np.cos(a), y)])
        t = rng.uniform(0, 2 * (length + width), n)
        side = np.digitize(t, [length, 2 * length, 2 * length + width])
        x = np.choose(side, [t - length / 2, t - 1.5 * length, length / 2, -length / 2])
        y = np.choose(side, [width / 2, -width / 2, t - 2 * length - width / 2, t - 2 * length - 1.5 * width])
        return np.column_stack([x, y])

    @staticmethod
    def distance(kind):
        def about(p, x, at):
            w = np.array([x[at], x[at + 1], 1.0])
            return w / np.linalg.norm(w)

        def plane(p, x):
            return (p - [0, 0, x[0]]) @ about(p, x, 1)

        def line(p, x):
            return np.linalg.norm(np.cross(p - [x[0], x[1], 0], about(p, x, 2)), axis=1)

        def circle(p, x):
            return np.hypot(p[:, 0] - x[0], p[:, 1] - x[1]) - x[2]

        def ring(p, x):
            w, q = about(p, x, 3), p - x[:3]
            z = q @ w
            rho = np.linalg.norm(q - np.outer(z, w), axis=1)
            return np.concatenate([rho - x[5], z])

        def cylinder(p, x):
            return np.linalg.norm(np.cross(p - [x[0], x[1], 0], about(p, x, 2)), axis=1) - x[4]

        def cone(p, x):
            w, q = about(p, x, 2), p - [x[0], x[1], 0]
            return (np.linalg.norm(np.cross(q, w), axis=1) - x[4]) * np.cos(x[5]) - (q @ w) * np.sin(x[5])

        def sphere(p, x):
            return np.linalg.norm(p - x[:3], axis=1) - x[3]

        def torus(p, x):
            w, q = about(p, x, 3), p - x[:3]
            return np.hypot(np.linalg.norm(np.cross(q, w), axis=1) - x[5], q @ w) - x[6]

        def turned(p, x):
            c, s = np.cos(x[2]), np.sin(x[2])
            return np.abs((p - x[:2]) @ np.array([[c, -s], [s, c]]))

        def round_slot(p, x):
            q = turned(p, x)
            return np.hypot(np.maximum(q[:, 0] - (x[3] - x[4]) / 2, 0.0), q[:, 1]) - x[4] / 2

        def square_slot(p, x):
            q = turned(p, x) - [x[3] / 2, x[4] / 2]
            return np.where(np.all(q > 0, axis=1), np.hypot(q[:, 0], q[:, 1]), q.max(axis=1))

        return locals()[kind]

    def scipy(self, kind, points, truth):
        """Return the least sum of squares and its parameters by SciPy, started at the truth."""
        f = self.distance(kind)
        found = least_squares(
            lambda x: f(points, x),
            truth,
            xtol=1e-15,
            ftol=1e-15,
            gtol=1e-15,
            x_scale="jac",
            method="lm",
            max_nfev=10_000,
        )
        return 2.0 * found.cost, found.x

    def bound(self, kind, points, truth, sigma):
        """Return the Cramer-Rao bound (p,) of each parameter by numerical derivatives at the truth."""
        f, columns = self.distance(kind), []
        for k in range(len(truth)):
            h = np.zeros(len(truth))
            h[k] = 1e-5
            columns.append((f(points, np.array(truth) + h) - f(points, np.array(truth) - h)) / 2e-5)
        j = np.array(columns).T
        return sigma * np.sqrt(np.diag(np.linalg.inv(j.T @ j)))

    @staticmethod
    def turn(rng):
        return Rotation.random(rng=rng).as_matrix()


@pytest.fixture(scope="session")
def made():
    return Made()
