"""Exact faces in closed form: signed distance, outward normal, and where a ray meets the surface. All float64, mm."""

from __future__ import annotations

import numpy as np

from runner.geometry.mesh import FaceTable, Floats, Ints, SurfaceKind


def _split(points: Floats, origin: Floats, axis: Floats) -> tuple[Floats, Floats, Floats]:
    """Return height along the axis (n,), distance from it (n,), and the unit radial direction (n, 3)."""
    arm = points - origin
    height = np.einsum("ij,ij->i", arm, axis)
    radial = arm - height[:, None] * axis
    distance = np.linalg.norm(radial, axis=1)
    return height, distance, radial / np.maximum(distance, 1e-300)[:, None]


def signed_distance(faces: FaceTable, face: Ints, points: Floats) -> tuple[Floats, Floats]:
    """Return the distance (n,) of points (n, 3) from the untrimmed surfaces of ``face`` (n,), and the normals (n, 3).

    Positive outside the material; normals point out of the material. NaN for faces of kind OTHER.
    """
    distance = np.full(len(points), np.nan)
    normal = np.full((len(points), 3), np.nan)
    kinds = faces.kind[face]
    for kind in np.unique(kinds):
        rows = np.flatnonzero(kinds == kind)
        if kind == SurfaceKind.OTHER:
            continue
        f = face[rows]
        p, origin, axis = points[rows], faces.origin[f], faces.axis[f]
        radius, minor = faces.radius[f], faces.minor[f]
        if kind == SurfaceKind.PLANE:
            # the plane's axis already points out of the material
            distance[rows], normal[rows] = np.einsum("ij,ij->i", p - origin, axis), axis
            continue
        if kind == SurfaceKind.SPHERE:
            length = np.linalg.norm(p - origin, axis=1)
            d, n = length - radius, (p - origin) / np.maximum(length, 1e-300)[:, None]
        else:
            height, rho, radial = _split(p, origin, axis)
            if kind == SurfaceKind.CYLINDER:
                d, n = rho - radius, radial
            elif kind == SurfaceKind.CONE:
                sine, cosine = np.sin(minor), np.cos(minor)
                d = rho * cosine - height * sine
                n = radial * cosine[:, None] - axis * sine[:, None]
            else:
                length = np.hypot(rho - radius, height)
                d = length - minor
                n = ((rho - radius)[:, None] * radial + height[:, None] * axis) / np.maximum(length, 1e-300)[:, None]
        sign = faces.outward[f].astype(np.float64)
        distance[rows], normal[rows] = sign * d, sign[:, None] * n
    return distance, normal


def slide_onto(faces: FaceTable, face: Ints, points: Floats, direction: Floats, reach: Floats | float) -> Floats:
    """Return points (n, 3) moved along ``direction`` (n, 3) onto the exact surfaces of ``face`` (n,).

    The nearest crossing is taken. NaN where the ray does not meet the surface within ``reach`` mm. Faces of kind OTHER
    have no exact surface here: their points stay where they are, on the mesh.
    """
    step = np.zeros(len(points))
    kinds = faces.kind[face]
    for kind in np.unique(kinds):
        rows = np.flatnonzero(kinds == kind)
        if kind == SurfaceKind.OTHER:
            continue
        f = face[rows]
        p, d = points[rows] - faces.origin[f], direction[rows]
        axis, radius, minor = faces.axis[f], faces.radius[f], faces.minor[f]
        if kind == SurfaceKind.PLANE:
            with np.errstate(divide="ignore", invalid="ignore"):
                step[rows] = -np.einsum("ij,ij->i", p, axis) / np.einsum("ij,ij->i", d, axis)
        elif kind == SurfaceKind.TORUS:
            step[rows] = _torus_step(p, d, axis, radius, minor)
        else:
            along_p, along_d = np.einsum("ij,ij->i", p, axis), np.einsum("ij,ij->i", d, axis)
            pp, pd, dd = (np.einsum("ij,ij->i", x, y) for x, y in ((p, p), (p, d), (d, d)))
            if kind == SurfaceKind.SPHERE:
                a, b, c = dd, pd, pp - radius**2
            elif kind == SurfaceKind.CYLINDER:
                a, b, c = dd - along_d**2, pd - along_p * along_d, pp - along_p**2 - radius**2
            else:
                steep = 1.0 / np.cos(minor) ** 2
                a, b, c = dd - steep * along_d**2, pd - steep * along_p * along_d, pp - steep * along_p**2
            with np.errstate(divide="ignore", invalid="ignore"):
                # a t^2 + 2 b t + c = 0, the root nearest to zero, without cancellation
                step[rows] = -c / (b + np.copysign(np.sqrt(b * b - a * c), b))
    return np.where((np.abs(step) <= reach)[:, None], points + step[:, None] * direction, np.nan)


def _torus_step(p: Floats, d: Floats, axis: Floats, radius: Floats, minor: Floats) -> Floats:
    """Newton steps along the ray on the torus's distance function; the start is within a chord of the surface."""
    step = np.zeros(len(p))
    for _ in range(12):
        height, rho, radial = _split(p + step[:, None] * d, np.zeros_like(p), axis)
        length = np.hypot(rho - radius, height)
        normal = ((rho - radius)[:, None] * radial + height[:, None] * axis) / np.maximum(length, 1e-300)[:, None]
        slope = np.einsum("ij,ij->i", normal, d)
        with np.errstate(divide="ignore", invalid="ignore"):
            step = step - (length - minor) / slope
    return step
