"""Where the iteration begins: algebraic answers and the local shape of the patch. None of these is ever a result."""

from __future__ import annotations

import numpy as np

from runner.geometry.fits.hold import frame
from runner.geometry.fits.solve import Cloud, State
from runner.geometry.mesh import Floats


def hypersphere(points: Floats) -> tuple[Floats, float]:
    """Return centre (d,) and radius by Taubin's algebraic fit, nearly unbiased on short arcs.

    Source: G. Taubin, IEEE Trans. PAMI 13 (1991) 1115-1138, in the singular-value form for circles and spheres.
    """
    middle = points.mean(axis=0)
    centred = points - middle
    square = np.einsum("ij,ij->i", centred, centred)
    mean = float(square.mean())
    design = np.column_stack([(square - mean) / (2.0 * np.sqrt(mean)), centred])
    last = np.linalg.svd(design, full_matrices=False)[2][-1] if len(points) < 64 else _smallest(design.T @ design)
    lead = last[0] / (2.0 * np.sqrt(mean))
    if abs(lead) < 1e-12 * float(np.abs(last[1:]).max()):
        lead = 1e-12 * float(np.abs(last[1:]).max())
    offset = -last[1:] / (2.0 * lead)
    return middle + offset, float(np.sqrt(offset @ offset + mean))


def _smallest(matrix: Floats) -> Floats:
    result: Floats = np.linalg.eigh(matrix)[1][:, 0]
    return result


def circle_about(points: Floats, axis: Floats) -> State:
    """Return a cylinder along ``axis`` by the algebraic circle of the points seen along it."""
    turn = frame(axis)
    centre, radius = hypersphere(points @ turn[:2].T)
    return State(centre @ turn[:2], turn, np.array([radius]))


def directions(count: int) -> Floats:
    """Return (count, 3) unit directions spread evenly over half a sphere (a Fibonacci lattice)."""
    k = np.arange(count) + 0.5
    z = k / count
    angle = np.pi * (1.0 + np.sqrt(5.0)) * k
    rho = np.sqrt(1.0 - z * z)
    return np.column_stack([rho * np.cos(angle), rho * np.sin(angle), z])


def axis_directions(points: Floats, count: int = 400, keep: int = 6) -> list[Floats]:
    """Return the directions along which the points look most like a circle, best first, no two near each other."""
    candidates = np.vstack([directions(count), np.linalg.eigh(points.T @ points)[1].T])
    scores = _circle_scores(points, candidates)
    chosen: list[Floats] = []
    for k in np.argsort(scores):
        if all(abs(candidates[k] @ w) < np.cos(np.radians(12.0)) for w in chosen):
            chosen.append(candidates[k])
        if len(chosen) == keep:
            break
    return chosen


def _circle_scores(points: Floats, axes: Floats) -> Floats:
    """Return for each axis (k, 3) the mean squared approximate distance to the algebraic circle seen along it."""
    helper = np.eye(3)[np.argmin(np.abs(axes), axis=1)]
    u = np.cross(axes, helper)
    u = u / np.linalg.norm(u, axis=1, keepdims=True)
    x, y = points @ u.T, points @ np.cross(axes, u).T
    x, y = x - x.mean(axis=0), y - y.mean(axis=0)
    square = x * x + y * y
    rest = square - square.mean(axis=0)
    xx, xy, yy = (x * x).sum(axis=0), (x * y).sum(axis=0), (y * y).sum(axis=0)
    xr, yr = (x * rest).sum(axis=0), (y * rest).sum(axis=0)
    # seen edge-on the points are a line: a hair of damping keeps that from dividing by zero
    floor = 1e-12 * (xx + yy)
    xx, yy = xx + floor, yy + floor
    determinant = xx * yy - xy * xy
    a, b = (yy * xr - xy * yr) / determinant, (xx * yr - xy * xr) / determinant
    radius_squared = square.mean(axis=0) + 0.25 * (a * a + b * b)
    scores: Floats = ((rest - a * x - b * y) ** 2).mean(axis=0) / np.maximum(4.0 * radius_squared, 1e-12)
    return scores


class Patch:
    """The second-order shape of a surface patch: point, normal and principal curvatures with their directions."""

    def __init__(self, points: Floats) -> None:
        vectors = np.linalg.eigh(points.T @ points)[1]
        normal = vectors[:, 0]
        turn = np.array([vectors[:, 2], np.cross(normal, vectors[:, 2]), normal])
        x, y, z = (points @ turn.T).T
        design = np.column_stack([x * x, x * y, y * y, x, y, np.ones(len(x))])
        a, b, c, p, q, height = np.linalg.lstsq(design, z, rcond=1e-12)[0]
        # curvatures of the graph z(x, y) at the centroid: shape operator I^-1 II
        first = np.array([[1 + p * p, p * q], [p * q, 1 + q * q]])
        second = np.array([[2 * a, b], [b, 2 * c]]) / np.sqrt(1 + p * p + q * q)
        values, pairs = np.linalg.eig(np.linalg.solve(first, second))
        order = np.argsort(-np.abs(values.real))
        self.curvatures: Floats = values.real[order]
        """(2,) larger magnitude first; positive where the surface bends towards ``normal``."""
        along = pairs.real[:, order]
        self.normal: Floats = np.array([-p, -q, 1.0]) @ turn / np.sqrt(1 + p * p + q * q)
        self.point: Floats = np.array([0.0, 0.0, height]) @ turn
        lifted = np.array([[d[0], d[1], p * d[0] + q * d[1]] for d in along.T]) @ turn
        self.directions: Floats = lifted / np.linalg.norm(lifted, axis=1, keepdims=True)


def cylinder_starts(cloud: Cloud) -> list[State]:
    """Return candidates from the patch's flat direction and from a search over directions."""
    points = cloud.sample(500).scaled()
    patch = Patch(points)
    axes = [patch.directions[1], patch.directions[0], *axis_directions(points)]
    return [circle_about(points, w) for w in axes]


def cone_about(points: Floats, base: Floats, axis: Floats) -> State | None:
    """Return the cone about a given axis by the straight line through radius against height."""
    turn = frame(axis)
    local = (points - base) @ turn.T
    rho, z = np.hypot(local[:, 0], local[:, 1]), local[:, 2]
    middle = np.array([rho.mean(), z.mean()])
    spread = np.column_stack([rho, z]) - middle
    run = np.linalg.eigh(spread.T @ spread)[1][:, 1]
    if run[1] < 0:
        run = -run
    angle = float(np.arctan2(run[0], run[1]))
    angle = float(np.clip(angle, -1.5, 1.5))
    return State(base + middle[1] * turn[2], turn, np.array([middle[0], angle]))


def cone_starts(cloud: Cloud) -> list[State]:
    """Return candidates from the general quadric, the principal axes, cylinders and the patch."""
    points = cloud.sample(500).scaled()
    starts: list[State | None] = []
    for apex, axis in _quadric_cones(points):
        starts.append(cone_about(points, apex, axis))
    for axis in np.linalg.eigh(points.T @ points)[1].T:
        starts.append(cone_about(points, np.zeros(3), axis))
        starts.append(cone_about(points, circle_about(points, axis).origin, axis))
    for axis in axis_directions(points, 200, 4):
        starts.append(cone_about(points, circle_about(points, axis).origin, axis))
    patch = Patch(points)
    curvature = patch.curvatures[0]
    if abs(curvature) > 1e-6:
        inward = patch.normal * np.sign(curvature)
        for degrees in (3.0, 15.0, 30.0, 45.0, 60.0, 80.0):
            angle = np.radians(degrees)
            for generator in (patch.directions[1], -patch.directions[1]):
                axis = np.cos(angle) * generator + np.sin(angle) * inward
                radial = np.cos(angle) * inward - np.sin(angle) * generator
                radius = np.cos(angle) / abs(curvature)
                starts.append(State(patch.point + radius * radial, frame(axis), np.array([radius, angle])))
    return [s for s in starts if s is not None]


def _quadric_cones(points: Floats) -> list[tuple[Floats, Floats]]:
    """Return apex and axis of the cones nearest to the best general quadrics."""
    if len(points) < 9:
        return []
    x, y, z = points.T
    design = np.column_stack([x * x, y * y, z * z, x * y, x * z, y * z, x, y, z, np.ones(len(x))])
    found = []
    for row in np.linalg.svd(design, full_matrices=False)[2][-2:]:
        form = np.array(
            [[row[0], row[3] / 2, row[4] / 2], [row[3] / 2, row[1], row[5] / 2], [row[4] / 2, row[5] / 2, row[2]]]
        )
        values, vectors = np.linalg.eigh(form)
        middle = -0.5 * np.linalg.lstsq(form, row[6:9], rcond=1e-10)[0]
        # eigenvalues ascend, and two are nearly equal: the odd one belongs to the axis
        odd = 0 if values[1] - values[0] > values[2] - values[1] else 2
        found.append((middle, vectors[:, odd]))
    return found


def torus_starts(cloud: Cloud) -> list[State]:
    """Return candidates from the principal axes (rings) and from the patch's two curvatures (fillets)."""
    points = cloud.sample(500).scaled()
    starts = []
    for axis in np.linalg.eigh(points.T @ points)[1].T:
        for origin in (np.zeros(3), circle_about(points, axis).origin):
            turn = frame(axis)
            local = (points - origin) @ turn.T
            rho, z = np.hypot(local[:, 0], local[:, 1]), local[:, 2]
            for middle, tube in (
                hypersphere(np.column_stack([rho, z])),
                (np.array([rho.mean(), z.mean()]), float(np.hypot(rho.std(), z.std()))),
            ):
                starts.append(State(origin + middle[1] * turn[2], turn, np.array([abs(middle[0]), max(tube, 1e-6)])))
    patch = Patch(points)
    for meridian in (0, 1):
        across, along = patch.curvatures[meridian], patch.curvatures[1 - meridian]
        if abs(across) < 1e-6:
            continue
        outward = -patch.normal * np.sign(across)
        tube = 1.0 / abs(across)
        middle = patch.point - tube * outward
        for degrees in (-165.0, -135.0, -105.0, -75.0, -45.0, -15.0, 15.0, 45.0, 75.0, 105.0, 135.0, 165.0):
            angle = np.radians(degrees)
            radial = np.cos(angle) * outward - np.sin(angle) * patch.directions[meridian]
            axis = np.sin(angle) * outward + np.cos(angle) * patch.directions[meridian]
            bend = along * np.sign(across)
            reach = np.cos(angle) / bend if abs(bend) > 1e-3 else np.cos(angle) * 1e3
            ring = reach - tube * np.cos(angle)
            if ring > 0:
                starts.append(State(middle - ring * radial, frame(axis), np.array([ring, tube])))
    return starts
