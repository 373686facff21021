"""Random cases per element, shared by the tests and by study_fits.py (loaded by path: tests are no package)."""

import numpy as np

from runner.geometry import fits
from runner.geometry.shapes import Circle, Cone, Cylinder, Line, Plane, Slot, Sphere, Torus


def case(made, kind, rng):
    """Return local points, truth of the parameters, noise, and the fit function with a start near the truth."""
    n = int(rng.integers(20, 200))
    r = 10 ** rng.uniform(0, 2)
    arc = np.radians(10 ** rng.uniform(1, np.log10(360)))
    noise = r * 10 ** rng.uniform(-6, -3) * min(1.0, arc**2)
    z, x = (0.0, 0.0, 1.0), (1.0, 0.0, 0.0)
    o = (0.01 * r, 0.02 * r, -0.01 * r)
    if kind == "plane":
        return made.plane(rng, n, r, rng.uniform(0.01, 1)), [0, 0, 0], noise, fits.fit_plane, Plane(o, z)
    if kind == "line":
        return made.line(rng, n, r), [0, 0, 0, 0], noise, fits.fit_line3d, Line(o, z)
    if kind == "circle":
        return (
            made.circle(rng, n, r, arc)[:, :2],
            [0, 0, r],
            noise,
            fits.fit_circle2d,
            Circle((o[0], o[1], 0), z, 1.1 * r),
        )
    if kind == "ring":
        return made.circle(rng, n, r, arc), [0, 0, 0, 0, 0, r], noise, fits.fit_circle3d, Circle(o, z, 1.05 * r)
    if kind == "cylinder":
        points = made.cylinder(rng, n, r, r * rng.uniform(0.3, 5), arc)
        return points, [0, 0, 0, 0, r], noise, fits.fit_cylinder, Cylinder(o, z, 1.05 * r)
    if kind == "cone":
        angle = np.radians(rng.uniform(3, 80))
        points = made.cone(rng, n, r, r * rng.uniform(0.3, 3), angle, arc)
        apex = (o[0], o[1], -r / np.tan(angle))
        return points, [0, 0, 0, 0, r, angle], noise, fits.fit_cone, Cone(apex, z, 1.02 * angle)
    if kind == "sphere":
        return made.sphere(rng, n, r, arc / 2), [0, 0, 0, r], noise, fits.fit_sphere, Sphere(o, 1.1 * r)
    if kind == "torus":
        ring, low = r * rng.uniform(1.5, 10), rng.uniform(0, 2 * np.pi)
        points = made.torus(rng, n, ring, r, max(arc, 0.5), low, low + max(arc, 1.0))
        return points, [0, 0, 0, 0, 0, ring, r], noise, fits.fit_torus, Torus(o, z, 1.01 * ring, 1.05 * r)
    length = r * rng.uniform(1.2, 5)
    rounded = kind == "round_slot"
    points = made.slot(rng, n + 20, length, r, rounded)
    start = Slot((o[0], o[1], 0.0), z, x, 1.05 * length, 0.95 * r, rounded)
    return points, [0, 0, 0, length, r], 0.1 * noise, fits.fit_slot, start


KINDS = ("plane", "line", "circle", "ring", "cylinder", "cone", "sphere", "torus", "round_slot", "square_slot")


def compare(made, kind, rng, automatic):
    """Fit one random case, moved up to 10 m away; return (excess rms, reason, difference of one size, noise).

    The excess is how much our rms is above SciPy's (from the truth) beyond what rounding of the moved coordinates can
    explain, relative. SciPy gets the local points, so the comparison also proves that place and direction don't matter.
    """
    points, truth, noise, fit, start = case(made, kind, rng)
    points = points + rng.normal(0, noise, points.shape)
    turn = made.turn(rng) if points.shape[1] == 3 else np.eye(2)
    shift = rng.uniform(-1, 1, points.shape[1]) * 10 ** rng.uniform(0, 4)
    moved = points @ turn.T + shift
    frame = np.eye(4)
    frame[: points.shape[1], : points.shape[1]], frame[: points.shape[1], 3] = turn, shift
    from runner.geometry.shapes import moved as move

    arguments = {"round_ends": kind == "round_slot"} if "slot" in kind else {}
    found = fit(moved, None if automatic else move(start, frame), **arguments)
    best, x = made.scipy(kind, points, truth)
    if not found:
        return np.inf, found.reason, 0.0, noise
    rms = np.sqrt(best / found.points)
    rounding = 2e-16 * np.abs(moved).max()
    return (found.rms - rounding) / rms - 1.0, "", abs(size(found.shape) - size_of(kind, x)), noise


def size(shape):
    for name in ("minor", "width", "radius", "half_angle"):
        if hasattr(shape, name):
            return getattr(shape, name)
    return 0.0


def size_of(kind, x):
    return {"plane": 0.0, "line": 0.0}.get(kind, abs(x[-1]))
