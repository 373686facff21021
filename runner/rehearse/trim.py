"""Whether a point of an exact surface lies inside its trimmed face.

The mesh's border is a chain of chords, the face's border is exact: beside a hole the mesh of a plane reaches into the
hole by up to a chord error. A ray that ends there belongs to the neighbouring face, or to nothing.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from runner.geometry.frames import unit
from runner.geometry.mesh import CurveKind, EdgeTable, Floats, Ints, Nominal, SurfaceKind
from runner.rehearse.exact import signed_distance, slide_onto

SMOOTH_RAD = 0.05
"""Below this angle two faces run on smoothly, and the neighbour's surface does not tell the side of the edge."""
OUTSIDE = -1e-9
"""Signed distance, mm, below which a point counts as outside."""


def edge_samples(edges: EdgeTable, step: float, chosen: NDArray[np.int64]) -> tuple[Floats, NDArray[np.int64]]:
    """Return points (n, 3) about ``step`` mm apart along the ``chosen`` edges, and the edge of each."""
    points, owners = [np.zeros((0, 3))], [np.zeros(0, np.int64)]
    for e in chosen:
        line = edges.points[edges.offsets[e] : edges.offsets[e + 1]]
        length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
        places = np.linspace(0.0, length[-1], int(np.ceil(length[-1] / step)) + 1)
        samples = np.column_stack([np.interp(places, length, line[:, axis]) for axis in range(3)])
        points.append(onto_curve(edges, int(e), samples)[0] if edges.kind[e] == CurveKind.CIRCLE else samples)
        owners.append(np.full(len(places), e, np.int64))
    return np.concatenate(points), np.concatenate(owners)


def onto_curve(edges: EdgeTable, e: int, points: Floats) -> tuple[Floats, Floats]:
    """Return the nearest points (n, 3) of the untrimmed curve of edge ``e``, and its tangents (n, 3) there."""
    origin, axis = edges.origin[e], edges.axis[e]
    if edges.kind[e] == CurveKind.LINE:
        along = (points - origin) @ axis
        return origin + along[:, None] * axis, np.broadcast_to(axis, points.shape)
    if edges.kind[e] == CurveKind.CIRCLE:
        arm = points - origin
        radial = unit(arm - (arm @ axis)[:, None] * axis)
        return origin + edges.radius[e] * radial, np.cross(axis, radial)
    line = edges.points[edges.offsets[e] : edges.offsets[e + 1]]
    start, step = line[:-1], np.diff(line, axis=0)
    length = np.maximum(np.einsum("ij,ij->i", step, step), 1e-300)
    best, tangent = np.zeros_like(points), np.zeros_like(points)
    for k, point in enumerate(points):
        share = np.clip(np.einsum("ij,ij->i", point - start, step) / length, 0.0, 1.0)
        feet = start + share[:, None] * step
        nearest = int(np.argmin(np.einsum("ij,ij->i", feet - point, feet - point)))
        best[k], tangent[k] = feet[nearest], step[nearest] / np.sqrt(length[nearest])
    return best, tangent


class TrimmedFaces:
    """The faces of one nominal with their borders."""

    def __init__(self, nominal: Nominal) -> None:
        self.nominal = nominal
        self.reach = max(0.05, 6 * nominal.chord_mm)
        """How far from a border, mm, mesh and exact face may differ, seen as flat as the grazing limit allows."""
        edges = nominal.edges
        exact = nominal.faces.kind != SurfaceKind.OTHER
        sides = edges.faces
        chosen = np.flatnonzero((sides[:, 0] >= 0) & (sides[:, 1] >= 0) & (sides[:, 0] != sides[:, 1]))
        chosen = chosen[(exact[sides[chosen, 0]] | exact[sides[chosen, 1]])]
        self._trees: dict[int, cKDTree] = {}
        self._signs: dict[tuple[int, int], float] = {}
        for e in chosen:
            samples, _ = edge_samples(edges, self.reach, np.array([e]))
            self._trees[int(e)] = cKDTree(samples)
            for face in sides[e]:
                if exact[face]:
                    self._signs[int(e), int(face)] = self._material_side(int(e), int(face))
        every, _ = edge_samples(edges, self.reach, chosen)
        self._near = cKDTree(every) if len(every) else None

    def _side(self, e: int, face: int, points: Floats) -> Floats:
        """Distance-like number (n,) of points on ``face`` that changes sign across edge ``e``."""
        first, second = self.nominal.edges.faces[e]
        other = int(second if face == first else first)
        faces = self.nominal.faces
        if self.nominal.edges.angle[e] > SMOOTH_RAD and faces.kind[other] != SurfaceKind.OTHER:
            return signed_distance(faces, np.full(len(points), other, np.int32), points)[0]
        foot, tangent = onto_curve(self.nominal.edges, e, points)
        _, normal = signed_distance(faces, np.full(len(points), face, np.int32), foot)
        return np.einsum("ij,ij->i", points - foot, unit(np.cross(normal, tangent)))

    def _material_side(self, e: int, face: int) -> float:
        """Sign of ``_side`` inside the face, from the face's triangle at the middle of the edge."""
        edges, mesh = self.nominal.edges, self.nominal.mesh
        line = edges.points[edges.offsets[e] : edges.offsets[e + 1]]
        middle = (len(line) - 1) // 2
        place = 0.5 * (line[middle] + line[middle + 1])
        triangles = mesh.vertices[mesh.triangles[self.nominal.triangle_face == face]]
        nearest = triangles[int(np.argmin(_distance_to_triangles(place, triangles)))]
        # from the exact border a little way towards the triangle's middle: the middle may lie past another border
        foot = onto_curve(edges, e, place[None])[0][0]
        toward = nearest.mean(axis=0) - foot
        step = max(0.2, 4 * self.nominal.chord_mm) / max(float(np.linalg.norm(toward)), 1e-9)
        probe = foot + toward * min(1.0, step)
        return float(np.sign(self._side(e, face, probe[None])[0]))

    def inside(self, face: Ints, points: Floats) -> NDArray[np.int64]:
        """Return for points (n, 3) on exact surfaces -1 where they lie inside ``face`` (n,), else the edge crossed."""
        crossed = np.full(len(points), -1, np.int64)
        if self._near is None or not len(points):
            return crossed
        distance, _ = self._near.query(points, distance_upper_bound=2 * self.reach, workers=1)
        near = np.flatnonzero(np.isfinite(distance))
        by_face = {int(f): near[face[near] == f] for f in np.unique(face[near])}
        for (e, f), sign in self._signs.items():
            rows = by_face.get(f)
            if rows is None or not len(rows):
                continue
            gap, _ = self._trees[e].query(points[rows], distance_upper_bound=2 * self.reach, workers=1)
            rows = rows[np.isfinite(gap)]
            out = rows[sign * self._side(e, f, points[rows]) < OUTSIDE] if len(rows) else rows
            crossed[out] = e
        return crossed

    def settle(self, face: Ints, mesh_points: Floats, direction: Floats) -> tuple[Ints, Floats, Floats]:
        """Move hits on the mesh along their rays onto the exact trimmed faces.

        Returns
        -------
        face : (n,) the face each point ended on, -1 where the ray meets no trimmed face there
        points : (n, 3) on the exact surface
        normals : (n, 3) out of the material
        """
        faces = self.nominal.faces
        face = face.astype(np.int32).copy()
        points = slide_onto(faces, face, mesh_points, direction, self.reach)
        lost = np.isnan(points[:, 0])
        crossed = np.full(len(points), -1, np.int64)
        crossed[~lost] = self.inside(face[~lost], points[~lost])
        retry = np.flatnonzero(crossed >= 0)
        if len(retry):
            sides = self.nominal.edges.faces[crossed[retry]]
            neighbour = np.where(sides[:, 0] == face[retry], sides[:, 1], sides[:, 0]).astype(np.int32)
            second = slide_onto(faces, neighbour, mesh_points[retry], direction[retry], self.reach)
            met = ~np.isnan(second[:, 0]) & (faces.kind[neighbour] != SurfaceKind.OTHER)
            met[met] = self.inside(neighbour[met], second[met]) < 0
            face[retry], points[retry] = np.where(met, neighbour, -1), second
        face[lost] = -1
        _, normals = signed_distance(faces, np.maximum(face, 0), points)
        return face, points, normals


def _distance_to_triangles(point: Floats, triangles: Floats) -> Floats:
    """Distance (m,) of a point from triangles (m, 3, 3), from the foot inside or the nearest side."""
    a, b, c = triangles[:, 0], triangles[:, 1], triangles[:, 2]
    normal = np.cross(b - a, c - a)
    area = np.maximum(np.linalg.norm(normal, axis=1), 1e-300)
    normal = normal / area[:, None]
    height = np.einsum("ij,ij->i", point - a, normal)
    foot = point - height[:, None] * normal
    within = np.ones(len(triangles), bool)
    best = np.full(len(triangles), np.inf)
    for start, end in ((a, b), (b, c), (c, a)):
        step = end - start
        within &= np.einsum("ij,ij->i", np.cross(step, foot - start), normal) >= 0
        length = np.maximum(np.einsum("ij,ij->i", step, step), 1e-300)
        share = np.clip(np.einsum("ij,ij->i", point - start, step) / length, 0.0, 1.0)
        best = np.minimum(best, np.linalg.norm(start + share[:, None] * step - point, axis=1))
    return np.where(within, np.abs(height), best)
