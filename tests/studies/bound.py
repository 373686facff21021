"""The Cramer-Rao bound from scratch: distances written down here, derivatives taken numerically. Nothing of runner.

For points with independent normal errors of standard deviation sigma along the normal the Fisher information of the
element's parameters is J'J / sigma^2, J the derivatives of the orthogonal distances; its inverse bounds the covariance
of every unbiased estimate (C. R. Rao, 1945; H. Cramer, 1946).

Elements are described in a frame of their own, axis near z: shifts, tilts (axis along (a, b, 1)), sizes.
"""

import numpy as np


def _axis(a, b):
    w = np.array([a, b, 1.0])
    return w / np.linalg.norm(w)


def _split(p, origin, w):
    q = p - np.asarray(origin)
    along = q @ w
    return along, np.linalg.norm(q - np.outer(along, w), axis=1)


def plane(p, x):
    """z0, tilts."""
    return (p - [0, 0, x[0]]) @ _axis(x[1], x[2])


def line(p, x):
    """x0, y0, tilts: the offsets in both directions across (2n,)."""
    w = _axis(x[2], x[3])
    q = p - [x[0], x[1], 0.0]
    q = q - np.outer(q @ w, w)
    return np.concatenate([q[:, 0], q[:, 1]])


def circle(p, x):
    """Centre, radius; in the plane."""
    return np.hypot(p[:, 0] - x[0], p[:, 1] - x[1]) - x[2]


def ring(p, x):
    """Centre (3), tilts, radius; distances in and across the plane (2n,)."""
    along, rho = _split(p, x[:3], _axis(x[3], x[4]))
    return np.concatenate([rho - x[5], along])


def cylinder(p, x):
    """x0, y0, tilts, radius."""
    return _split(p, [x[0], x[1], 0.0], _axis(x[2], x[3]))[1] - x[4]


def cone(p, x):
    """x0, y0, tilts, radius at z = 0, half angle; opens along +z."""
    along, rho = _split(p, [x[0], x[1], 0.0], _axis(x[2], x[3]))
    return (rho - x[4]) * np.cos(x[5]) - along * np.sin(x[5])


def sphere(p, x):
    """Centre, radius."""
    return np.linalg.norm(p - x[:3], axis=1) - x[3]


def torus(p, x):
    """Centre (3), tilts, ring radius, tube radius."""
    along, rho = _split(p, x[:3], _axis(x[3], x[4]))
    return np.hypot(rho - x[5], along) - x[6]


def slot(p, x):
    """Centre (2), turn, length, width; round ends, in the plane."""
    c, s = np.cos(x[2]), np.sin(x[2])
    u = (p[:, 0] - x[0]) * c + (p[:, 1] - x[1]) * s
    v = -(p[:, 0] - x[0]) * s + (p[:, 1] - x[1]) * c
    return np.hypot(np.maximum(np.abs(u) - (x[3] - x[4]) / 2, 0.0), v) - x[4] / 2


def rectangle(p, x):
    """Centre (2), turn, length, width; the nearest side counts."""
    c, s = np.cos(x[2]), np.sin(x[2])
    u = np.abs((p[:, 0] - x[0]) * c + (p[:, 1] - x[1]) * s) - x[3] / 2
    v = np.abs(-(p[:, 0] - x[0]) * s + (p[:, 1] - x[1]) * c) - x[4] / 2
    return np.maximum(u, v)


def information(distance, points, truth, sigma, step=1e-5):
    """Return the Fisher information (k, k) of the parameters at ``truth``."""
    truth = np.asarray(truth, dtype=float)
    columns = []
    for k in range(len(truth)):
        h = np.zeros(len(truth))
        h[k] = step
        columns.append((distance(points, truth + h) - distance(points, truth - h)) / (2 * step))
    j = np.array(columns).T
    return j.T @ j / sigma**2


def bound(distance, points, truth, sigma):
    """Return the smallest standard deviation (k,) of each parameter."""
    return np.sqrt(np.diag(np.linalg.inv(information(distance, points, truth, sigma))))
