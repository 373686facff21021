"""Put the faces that a CAD kernel gave together into one welded, consistently signed ``Nominal``. No kernel in here."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from runner.diagnostics import InputError
from runner.geometry.mesh import EdgeTable, FaceTable, Floats, Ints, Nominal, SurfaceKind, TriangleMesh
from runner.geometry.pseudonormals import adjacency
from runner.geometry.surfaces import project
from runner.geometry.weld import weld

WELD_MM = 1e-5
"""Nodes of neighbouring faces this near are one vertex; the kernel's own tolerance is 1e-7, files often have 1e-6."""
RECOGNISED_WITHIN_MM = 1.5e-4
"""A face recognised as elementary must have its mesh nodes within this of it."""
_TRUSTED_WITHIN_MM = 0.05
"""A face that the file calls elementary is exact; its trim curves may run beside it (seen: 3.4 µm), not this far."""


def _nowhere() -> Floats:
    return np.full(3, np.nan)


@dataclass
class FaceRow:
    """One face's surface as read, before its sign is settled."""

    kind: SurfaceKind
    origin: Floats = field(default_factory=_nowhere)
    axis: Floats = field(default_factory=_nowhere)
    radius: float = float("nan")
    minor: float = float("nan")
    recognised: bool = False


def face_table(rows: Sequence[FaceRow], area: Floats) -> FaceTable:
    """Return the rows as a table, every surface's natural side out for now."""
    return FaceTable(
        kind=np.array([int(row.kind) for row in rows], dtype=np.uint8),
        origin=np.array([row.origin for row in rows], dtype=np.float64).reshape(-1, 3),
        axis=np.array([row.axis for row in rows], dtype=np.float64).reshape(-1, 3),
        radius=np.array([row.radius for row in rows], dtype=np.float64),
        minor=np.array([row.minor for row in rows], dtype=np.float64),
        outward=np.ones(len(rows), dtype=np.int8),
        area=area,
    )


def _with_vertices_joined(points: Floats, triangles: Ints, within_mm: float) -> tuple[Floats, Ints]:
    """Join the vertices on open rims that lie within ``within_mm`` of each other."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    sides = np.sort(np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]]), axis=1)
    edges, count = np.unique(sides, axis=0, return_counts=True)
    rim = np.unique(edges[count == 1])
    if len(rim) == 0:
        return points, triangles
    pairs = rim[cKDTree(points[rim]).query_pairs(within_mm, output_type="ndarray")]
    if len(pairs) == 0:
        return points, triangles
    n = len(points)
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(n, n))
    groups, label = connected_components(graph, directed=False)
    first = np.full(groups, n, dtype=np.int64)
    np.minimum.at(first, label, np.arange(n))
    return points[first], label[triangles].astype(np.int32)


def weld_faces(meshes: Sequence[tuple[Floats, Ints] | None]) -> tuple[TriangleMesh, Ints]:
    """Join the meshes of the faces; return the mesh and the face (m,) of each triangle. Collapsed triangles go."""
    points, triangles, face = [], [], []
    offset = 0
    for number, mesh in enumerate(meshes):
        if mesh is None:
            continue
        points.append(mesh[0])
        triangles.append(mesh[1] + offset)
        face.append(np.full(len(mesh[1]), number, dtype=np.int32))
        offset += len(mesh[0])
    unique, index = weld(np.concatenate(points))
    joined, joined_triangles = _with_vertices_joined(unique, index[np.concatenate(triangles)], WELD_MM)
    a, b, c = joined_triangles.T
    whole = (a != b) & (b != c) & (c != a)
    used, renumbered = np.unique(joined_triangles[whole], return_inverse=True)
    welded = TriangleMesh(joined[used], renumbered.reshape(-1, 3).astype(np.int32))
    return welded, np.concatenate(face)[whole]


def settle_signs(faces: FaceTable, mesh: TriangleMesh, triangle_face: Ints) -> None:
    """Set ``outward`` and the sense of plane normals and cone axes, from the winding of the triangles, in place."""
    corners = mesh.vertices[mesh.triangles]
    centre = corners.mean(axis=1)
    weighted = 0.5 * np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    count = len(faces)
    area = np.linalg.norm(weighted, axis=1)
    # the face lies on one side of a cone's apex: there the axis must point
    along = np.einsum("ij,ij->i", centre - faces.origin[triangle_face], faces.axis[triangle_face])
    height = np.bincount(triangle_face, np.nan_to_num(along) * area, minlength=count)
    turn = (faces.kind == SurfaceKind.CONE) & (height < 0)
    faces.axis[turn] *= -1.0
    _, natural, _ = project(faces, triangle_face, centre)
    agree = np.bincount(triangle_face, np.nan_to_num(np.einsum("ij,ij->i", natural, weighted)), minlength=count)
    against = agree < 0
    plane = faces.kind == SurfaceKind.PLANE
    faces.axis[plane & against] *= -1.0
    faces.outward[~plane & against & (faces.kind != SurfaceKind.OTHER)] = -1


def _distrust(faces: FaceTable, rows: Sequence[FaceRow], mesh: TriangleMesh, triangle_face: Ints) -> int:
    """Make faces OTHER whose mesh nodes don't lie on the closed form; return how many the file itself had named."""
    worst = np.zeros(len(faces))
    for k in range(3):
        _, _, off = project(faces, triangle_face, mesh.vertices[mesh.triangles[:, k]])
        np.maximum.at(worst, triangle_face, np.nan_to_num(np.abs(off)))
    recognised = np.array([row.recognised for row in rows], dtype=bool)
    bad = worst > np.where(recognised, RECOGNISED_WITHIN_MM, _TRUSTED_WITHIN_MM)
    faces.kind[bad] = int(SurfaceKind.OTHER)
    for column in (faces.origin, faces.axis, faces.radius, faces.minor):
        column[bad] = np.nan
    faces.outward[bad] = 1
    return int(np.count_nonzero(bad & ~recognised))


def triangle_areas(mesh: TriangleMesh) -> Floats:
    """Return (m,) mm^2."""
    a, b, c = (mesh.vertices[mesh.triangles[:, k]] for k in range(3))
    areas: Floats = 0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1)
    return areas


def volume(mesh: TriangleMesh) -> float:
    """Return the signed volume, mm^3, that a closed mesh bounds; positive when its triangles face outwards."""
    corners = mesh.vertices[mesh.triangles] - mesh.vertices.mean(axis=0)
    return float(np.einsum("ij,ij->", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])) / 6.0)


def bring_to_order(
    rows: Sequence[FaceRow],
    meshes: Sequence[tuple[Floats, Ints] | None],
    edges: EdgeTable,
    notes: Sequence[str],
    sha256: str,
    name: str,
    chord_mm: float,
) -> Nominal:
    """Return the nominal of faces ``rows`` with their meshes; InputError when nothing was meshed."""
    notes = list(notes)
    bare = sum(mesh is None for mesh in meshes)
    if bare == len(meshes):
        raise InputError(name, "none of its faces could be meshed.", advice="Repair the model in CAD and export again.")
    if bare:
        notes.append(f"{bare} of {len(meshes)} faces could not be meshed and are left out of all distances.")
    mesh, triangle_face = weld_faces(meshes)
    around = adjacency(mesh)
    if around.closed and volume(mesh) < 0:
        mesh = TriangleMesh(mesh.vertices, mesh.triangles[:, ::-1].copy())
        notes.append("The solid is inside out in the file; its faces were turned round.")
    area = np.bincount(triangle_face, triangle_areas(mesh), minlength=len(rows)).astype(np.float64)
    faces = face_table(rows, area)
    distrusted = _distrust(faces, rows, mesh, triangle_face)
    if distrusted:
        notes.append(f"{distrusted} faces don't lie on the surface that the file gives for them; their mesh is used.")
    settle_signs(faces, mesh, triangle_face)
    if not around.closed:
        notes.append("The faces don't close to a solid; sides are told by the nearest face.")
    return Nominal(
        mesh=mesh,
        triangle_face=np.ascontiguousarray(triangle_face, dtype=np.int32),
        faces=faces,
        edges=edges,
        closed=around.closed,
        source="step",
        sha256=sha256,
        chord_mm=chord_mm,
        notes=tuple(notes),
    )
