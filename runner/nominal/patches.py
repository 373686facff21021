"""Nominal from plain triangles: smooth patches become faces, flat ones planes, open rims edges."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from runner.geometry.mesh import CurveKind, EdgeTable, FaceTable, Floats, Ints, Nominal, SurfaceKind, TriangleMesh
from runner.geometry.pseudonormals import Adjacency, adjacency
from runner.nominal.assemble import triangle_areas, volume

SMOOTH_RAD = np.deg2rad(20.0)
"""Triangles that meet at less than this belong to one patch."""
FLAT_PER_SIZE = 1e-6
"""A patch is a plane when its vertices lie within this times the part's diagonal of one."""


def patches(around: Adjacency) -> Ints:
    """Return (m,) the number of the smooth patch of each triangle, numbered by first appearance."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    across = around.neighbour
    triangle, k = np.nonzero(across >= 0)
    other = across[triangle, k]
    cosine = np.einsum("ij,ij->i", around.triangle_normal[triangle], around.triangle_normal[other])
    # a degenerate triangle has no direction of its own: it goes with its neighbours
    blank = ~np.any(around.triangle_normal, axis=1)
    joined = (cosine > np.cos(SMOOTH_RAD)) | blank[triangle] | blank[other]
    count = len(across)
    graph = coo_matrix((np.ones(int(joined.sum())), (triangle[joined], other[joined])), shape=(count, count))
    _, label = connected_components(graph, directed=False)
    _, first, number = np.unique(label, return_index=True, return_inverse=True)
    rank = np.empty(len(first), dtype=np.int32)
    rank[np.argsort(first)] = np.arange(len(first), dtype=np.int32)
    result: Ints = rank[number]
    return result


def _planes(mesh: TriangleMesh, face: Ints, around: Adjacency, area: Floats) -> FaceTable:
    """Return the table of the patches: PLANE where flat, otherwise OTHER."""
    count = int(face.max()) + 1
    weight = np.bincount(face, area, minlength=count).astype(np.float64)
    corners = mesh.vertices[mesh.triangles]
    centre, normal = np.empty((count, 3)), np.empty((count, 3))
    scale = np.where(weight > 0, weight, 1.0)
    for a in range(3):
        centre[:, a] = np.bincount(face, area * corners[:, :, a].mean(axis=1), minlength=count) / scale
        normal[:, a] = np.bincount(face, area * around.triangle_normal[:, a], minlength=count)
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    normal = np.divide(normal, length, out=np.zeros_like(normal), where=length > 0)
    used = mesh.vertices[np.unique(mesh.triangles)]
    size = float(np.linalg.norm(used.max(axis=0) - used.min(axis=0)))
    off = np.abs(np.einsum("ikj,ij->ik", corners - centre[face][:, None], normal[face])).max(axis=1)
    worst = np.zeros(count)
    np.maximum.at(worst, face, off)
    flat = (worst <= FLAT_PER_SIZE * size) & (length[:, 0] > 0)
    return FaceTable(
        kind=np.where(flat, int(SurfaceKind.PLANE), int(SurfaceKind.OTHER)).astype(np.uint8),
        origin=np.where(flat[:, None], centre, np.nan),
        axis=np.where(flat[:, None], normal, np.nan),
        radius=np.full(count, np.nan),
        minor=np.full(count, np.nan),
        outward=np.ones(count, dtype=np.int8),
        area=weight,
    )


def _chains(start: Ints, end: Ints) -> list[list[int]]:
    """Join directed rim edges into chains of vertices; closed ones repeat their first."""
    following: dict[int, list[int]] = {}
    for a, b in zip(start.tolist(), end.tolist(), strict=True):
        following.setdefault(a, []).append(b)
    arriving = set(end.tolist())
    # open chains first, from where nothing arrives; what is left then are loops
    heads = [a for a in following if a not in arriving] + list(following)
    chains = []
    for head in heads:
        while following.get(head):
            chain = [head]
            while following.get(chain[-1]):
                chain.append(following[chain[-1]].pop())
                if chain[-1] == head:
                    break
            chains.append(chain)
    return chains


def open_edges(mesh: TriangleMesh, face: Ints, around: Adjacency) -> EdgeTable:
    """Return the open boundary loops of the mesh as edges, each with the face that most of it belongs to."""
    triangle, k = np.nonzero(around.neighbour < 0)
    start = mesh.triangles[triangle, k]
    end = mesh.triangles[triangle, (k + 1) % 3]
    owner = dict(zip(zip(start.tolist(), end.tolist(), strict=True), face[triangle].tolist(), strict=True))
    chains = _chains(start, end)
    faces = []
    for chain in chains:
        along = [owner[pair] for pair in pairwise(chain)]
        faces.append((max(sorted(set(along)), key=along.count), -1))
    count = len(chains)
    vertices = np.concatenate([np.array(chain) for chain in chains]) if chains else np.zeros(0, dtype=np.int64)
    return EdgeTable(
        points=mesh.vertices[vertices],
        offsets=np.concatenate([[0], np.cumsum([len(chain) for chain in chains])]).astype(np.int64),
        faces=np.array(faces, dtype=np.int32).reshape(-1, 2),
        kind=np.full(count, int(CurveKind.OTHER), dtype=np.uint8),
        origin=np.full((count, 3), np.nan),
        axis=np.full((count, 3), np.nan),
        radius=np.full(count, np.nan),
        angle=np.full(count, np.nan),
    )


def nominal_from_mesh(mesh: TriangleMesh, sha256: str, notes: tuple[str, ...] = ()) -> Nominal:
    """Return the nominal of a welded mesh in mm; triangles that face inwards all over are turned."""
    around = adjacency(mesh)
    if around.closed and volume(mesh) < 0:
        mesh = TriangleMesh(mesh.vertices, mesh.triangles[:, ::-1].copy())
        around = adjacency(mesh)
        notes = (*notes, "The mesh is inside out; its triangles were turned round.")
    if not around.closed:
        notes = (*notes, "The mesh is not closed; sides are told by the nearest triangle.")
    face = patches(around)
    return Nominal(
        mesh=mesh,
        triangle_face=face,
        faces=_planes(mesh, face, around, triangle_areas(mesh)),
        edges=open_edges(mesh, face, around),
        closed=around.closed,
        source="mesh",
        sha256=sha256,
        chord_mm=0.0,
        notes=notes,
    )
