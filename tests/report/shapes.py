"""A nominal made by hand, and deviations on it that are known by formula: an angle of two plates, 60 x 40 x 30 mm."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from runner.geometry.mesh import EdgeTable, FaceTable, Nominal, SurfaceKind, TriangleMesh


@dataclass(frozen=True, eq=False)
class Places:
    points: np.ndarray
    normals: np.ndarray
    deviation: np.ndarray
    spacing: float


def angle_nominal() -> Nominal:
    """An L-shaped prism: foot 60 x 40 x 5, wall 5 x 40 x 30, one face id per planar side."""
    outline = np.array([[0, 0], [60, 0], [60, 5], [5, 5], [5, 30], [0, 30]], dtype=float)  # x, z
    near = np.column_stack([outline[:, 0], np.zeros(6), outline[:, 1]])
    far = near + np.array([0.0, 40.0, 0.0])
    vertices = np.vstack([near, far])
    caps = [(0, 1, 2), (0, 2, 3), (0, 3, 4), (0, 4, 5)]
    triangles, faces = [], []
    for a, b, c in caps:
        triangles += [(a, b, c), (a + 6, c + 6, b + 6)]
        faces += [0, 1]
    for i in range(6):
        j = (i + 1) % 6
        triangles += [(i, i + 6, j + 6), (i, j + 6, j)]
        faces += [2 + i, 2 + i]
    mesh = TriangleMesh(vertices, np.array(triangles, dtype=np.int32))
    corners = vertices[mesh.triangles]
    doubled = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    face = np.array(faces, dtype=np.int32)
    axis = np.array([doubled[face == f].sum(axis=0) / np.linalg.norm(doubled[face == f].sum(axis=0)) for f in range(8)])
    nothing = np.full(8, np.nan)
    table = FaceTable(
        kind=np.full(8, SurfaceKind.PLANE, dtype=np.uint8),
        origin=np.array([corners[face == f][0, 0] for f in range(8)]),
        axis=axis,
        radius=nothing,
        minor=nothing,
        outward=np.ones(8, dtype=np.int8),
        area=np.array([np.linalg.norm(doubled[face == f], axis=1).sum() / 2 for f in range(8)]),
    )
    empty = np.zeros((0, 3))
    edges = EdgeTable(
        points=empty,
        offsets=np.zeros(1, dtype=np.int64),
        faces=np.zeros((0, 2), dtype=np.int32),
        kind=np.zeros(0, dtype=np.uint8),
        origin=empty,
        axis=empty,
        radius=np.zeros(0),
        angle=np.zeros(0),
    )
    return Nominal(mesh, face, table, edges, True, "mesh", "0" * 64, 0.0)


def places_on(nominal: Nominal, spacing: float = 0.8) -> Places:
    """A regular grid of places on every triangle, nothing seen yet."""
    points, normals = [], []
    for triangle, face in zip(nominal.mesh.triangles, nominal.triangle_face, strict=True):
        a, b, c = nominal.mesh.vertices[triangle]
        n = max(2, int(np.ceil(max(np.linalg.norm(b - a), np.linalg.norm(c - a)) / spacing)))
        u, v = (np.mgrid[0:n, 0:n] + 1 / 3) / n
        keep = u + v < 1
        inside = a + u[keep][:, None] * (b - a) + v[keep][:, None] * (c - a)
        points.append(inside)
        normals.append(np.repeat(nominal.faces.axis[face][None], len(inside), axis=0))
    every = np.vstack(points)
    return Places(every, np.vstack(normals), np.full(len(every), np.nan), spacing)


def bumped(nominal: Nominal) -> Places:
    """Zero all over; on top of the foot a round area at +0.4 mm, below it one at -0.3 mm and one that is not seen."""
    places = places_on(nominal)
    deviation = np.zeros(len(places.points))
    for middle, radius, value in (
        ((35.0, 20.0, 5.0), 6.0, 0.4),
        ((15.0, 12.0, 0.0), 5.0, -0.3),
        ((50.0, 30.0, 0.0), 4.5, np.nan),
    ):
        away = places.points - np.array(middle)
        deviation[(np.linalg.norm(away, axis=1) < radius) & (np.abs(away[:, 2]) < 1e-9)] = value
    return Places(places.points, places.normals, deviation, places.spacing)
